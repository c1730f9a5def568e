package signal

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// TestLoop_NE43 has the percent values and the bands of public summaries.
func TestLoop_NE43(t *testing.T) {
	percent := Loop{At4: 0, At20: 100}
	for ma, want := range map[float64]float64{4: 0, 12: 50, 20: 100, 3.8: -1.25, 20.5: 103.125} {
		got, err := percent.Value(ma)
		require.NoError(t, err)
		require.InDelta(t, want, got, 1e-9)
	}
	for _, ma := range []float64{3.9, 20.4} {
		_, err := percent.Value(ma)
		require.NoError(t, err)
	}
	for ma, want := range map[float64]string{
		0: "open", 0.05: "open", 3.5: "fault", 3.6: "fault", 3.7: "neither", 20.8: "neither", 21.0: "fault", 21.5: "fault", -5: "fault",
	} {
		_, err := percent.Value(ma)
		require.ErrorContains(t, err, want, "%v mA", ma)
	}
}

func TestLoopThroughABurden(t *testing.T) {
	got, err := Loop{BurdenOhm: 150, At4: -40, At20: 60}.Value(1.8) // 12 mA
	require.NoError(t, err)
	require.InDelta(t, 10, got, 1e-9)
}

// TestComb is Ohm's law: 100 kΩ of comb in series with 100 kΩ halve the voltage.
func TestComb(t *testing.T) {
	c := Comb{ExcitationV: 3.3, ReferenceOhm: 100e3}
	for v, want := range map[float64]float64{1.65: 10, 0.3: 1, 0: 0, -0.005: 0} {
		got, err := c.Value(v)
		require.NoError(t, err)
		require.InDelta(t, want, got, 1e-9)
	}
	_, err := c.Value(-0.2)
	require.ErrorContains(t, err, "other way round")
	_, err = c.Value(3.2999)
	require.ErrorContains(t, err, "short-circuited")
}

func TestLinear(t *testing.T) {
	got, err := Linear{Scale: 2000.0 / 66}.Value(0.033) // a Hall sensor of 66 mV/A
	require.NoError(t, err)
	require.InDelta(t, 1, got, 1e-9)
}
