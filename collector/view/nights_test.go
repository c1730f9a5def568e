package view

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// What is packed comes back as it was, whatever it is.
func TestNightsArePackedWithoutLoss(t *testing.T) {
	cet := zoneOf(t, "CET")
	rapid.Check(t, func(t *rapid.T) {
		length := rapid.OneOf(
			rapid.Int64Range(0, 1440), // minutes
			rapid.Int64Range(0, 24*int64(time.Hour)),
			rapid.Int64(),
		)
		scale := rapid.SampledFrom([]int64{1, int64(time.Minute)}).Draw(t, "scale")
		draw := func(name string) int64 { return length.Draw(t, name) * scale }
		now := at(2025, 10, 27, 6, 0).Add(time.Duration(rapid.Int64Range(0, int64(48*time.Hour)).Draw(t, "now")))
		want := lastNights(now, cet, rapid.IntRange(1, 12).Draw(t, "nights"))
		for i := range want {
			n := &want[i]
			n.Installed = rapid.Bool().Draw(t, "installed")
			n.NotHeard = time.Duration(draw("not heard"))
			n.Sum = Sum{
				draw("known"), draw("unknown"), draw("condensing"), draw("low"), draw("high"),
				draw("at risk"), draw("risk low"), draw("risk high"), rapid.Int64().Draw(t, "dose"),
			}
		}
		p := PackNights(want)
		require.Equal(t, want, p.List())
		require.Equal(t, want[lastNight(want, now)], p.Last(now))
		var week Sum
		for i := max(0, len(want)-7); i < len(want); i++ {
			week.Join(&want[i].Sum)
		}
		require.Equal(t, week, p.Week)
	})
	require.Empty(t, PackNights(nil))
}
