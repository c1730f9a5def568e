package breathing

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/finding"
	"dewpost/rules/means"
	"dewpost/rules/moistair"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// followed is a dry box of no buffers in air of 55 %RH, more or less, whose warmth and
// breathing time the test sets by the day.
func followed(days int, celsius, tau func(day int) float64) *State {
	const steps = 6 // an hour
	random := rand.New(rand.NewPCG(1, 1))
	var s State
	in, weather := 0.0, 0.0
	for i := range days * 24 * steps {
		day := i / (24 * steps)
		temp := celsius(day) - 2*math.Cos(2*math.Pi*float64(i)/(24*steps))
		sat := func(t float64) float64 { return float64(moistair.SaturationWater(unit.Celsius(t))) }
		weather += -weather/(36*steps) + 0.35*math.Sqrt(2.0/(36*steps))*random.NormFloat64()
		out := 0.55 * sat(celsius(day)) * max(0.4, min(1.5, 1+weather))
		if i == 0 {
			in = out
		}
		in += (out - in) * -math.Expm1(-1/(steps*tau(day)))
		slot := unit.Instant(int64(i) * hourNs / steps)
		m := means.Mean{Start: slot, Done: slot + unit.Instant(hourNs/steps)}
		for ch, v := range map[reading.Channel]float64{
			reading.InsideTemp: temp, reading.InsideRH: 100 * in / sat(temp), reading.OutsideTemp: temp, reading.OutsideRH: 100 * out / sat(temp),
		} {
			m.Ch[ch] = means.Channel{N: 1, Mean: v, Min: v, Max: v}
		}
		s.Step(&m, Facts{})
	}
	return &s
}

// In hard frost what air there is comes and goes with frost and plastic: an opening is
// concluded once it is milder.
func TestNoSealOpensInHardFrost(t *testing.T) {
	opens := func(day int) float64 {
		if day < 40 {
			return 60
		}
		return 4
	}
	for _, c := range []struct {
		then  float64 // °C, from the day of the opening on
		found bool
	}{{-1, true}, {-7, false}} {
		s := followed(56, func(day int) float64 {
			if day < 40 {
				return 4
			}
			return c.then
		}, opens)
		require.True(t, s.Tight.Set)
		require.Equal(t, c.found, s.lasting(finding.SealOpened) != nil, "%.0f °C", c.then)
	}
}

// Frost takes what comes in, and a box would seem tight: it makes no baseline.
func TestFrostMakesNoBaseline(t *testing.T) {
	for celsius, set := range map[float64]bool{3: true, -2: false} {
		s := followed(45, func(int) float64 { return celsius }, func(int) float64 { return 30 })
		require.Equal(t, set, s.Tight.Set, "%.0f °C", celsius)
	}
}
