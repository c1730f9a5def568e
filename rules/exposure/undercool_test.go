package exposure_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/exposure"
	"dewpost/rules/unit"
)

func TestUndercoolingIsWrittenAndRead(t *testing.T) {
	u := exposure.Undercooling{Const: 1.25, Night: -0.5, Hour: 1e-3, SixHours: 2, Dry: -0.06, Temp: 0}
	got, err := exposure.ParseUndercooling(u.String())
	require.NoError(t, err)
	require.Equal(t, u, *got)
	for text, says := range map[string]string{
		"": "once", "const=1": "once", u.String() + " const=1": `"const=1"`, u.String() + " wind=1": `"wind=1"`, "const=x": `"const=x"`, "const=1e9": `"const=1e9"`,
	} {
		_, err := exposure.ParseUndercooling(text)
		require.ErrorContains(t, err, says)
	}
	require.InDelta(t, 10, u.Kelvin(true, 5, 50, 100, 100), 0, "no surface is that cold")
	require.InDelta(t, 1.25-0.5-0.06*20+2*0.5+0.003, u.Kelvin(true, 5, 80, 3, 0.5), 1e-12)
	require.InDelta(t, 1.25, u.Kelvin(false, 5, 100, 0, 0), 1e-12)
}

func TestCooling(t *testing.T) {
	var p exposure.Past
	at := func(h float64) unit.Instant {
		return unit.At(time.Date(2025, 3, 1, 0, 0, 0, 0, time.UTC)).Add(time.Duration(h * float64(time.Hour)))
	}
	for _, c := range []struct{ h, t, hour, six float64 }{
		{0, 10, 0, 0},
		{0.4, 9, 0, 0},        // not half an hour
		{0.5, 9, 2, 0},        // half of one
		{1.4, 8, 1, 0},        // since 0.4
		{2.5, 8, 0, 0},        // nothing within the hour but itself
		{4, 6, 0, 1},          // since 0
		{6.2, 5, 0, 4. / 5.8}, // since 0.4
		{20, 1, 0, 0},
	} {
		hour, six := p.Cooling(at(c.h), c.t)
		require.InDelta(t, c.hour, hour, 1e-9, "%v", c)
		require.InDelta(t, c.six, six, 1e-9, "%v", c)
	}
}

// Who taught an undercooling stands behind its terms, and changes nothing of
// them.
func TestWhoTaughtStandsBehind(t *testing.T) {
	const terms = "const=1.9 night=-0.6 hour=0.8 six_hours=1.3 dry=-0.06 temp=-0.06"
	want, err := exposure.ParseUndercooling(terms)
	require.NoError(t, err)
	_, ok := exposure.ParseTaught(terms)
	require.False(t, ok)
	for _, taught := range []exposure.Taught{{By: "lake-07", Nights: 82, OffK: 0.76}, {By: "quay-02", Cover: true, Nights: 31, OffK: 1.2}, {By: "12", Nights: 60, OffK: 1, Held: true, BoardH: 744, LearnedH: 823}} {
		got, err := exposure.ParseUndercooling(terms + " " + taught.String())
		require.NoError(t, err)
		require.Equal(t, want, got)
		said, ok := exposure.ParseTaught(terms + " " + taught.String())
		require.True(t, ok)
		require.Equal(t, taught, said)
	}
	for _, wrong := range []string{"off_k=x", "off_k=-1", "nights=Inf", "by=", "by=a by=b", "of=door", "wind=2"} {
		_, err := exposure.ParseUndercooling(terms + " " + wrong)
		require.Error(t, err, wrong)
	}
	_, err = exposure.ParseUndercooling("const=1 by=lake-07 nights=3 off_k=1 board_h=1 learned_h=1")
	require.Error(t, err, "terms are missing")
}
