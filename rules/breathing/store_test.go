package breathing_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/breathing"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// Thick plastic and cardboard give back for half a day and longer what they soaked up,
// as the sun comes and goes. That is no exchange: no seal opens, and one that does is
// found all the same.
func TestPlasticThatRemembers(t *testing.T) {
	y := climate(300)
	const openDay = 120
	found := 0
	for i, c := range []struct{ tau, lag float64 }{{20, 14}, {20, 30}, {20, 14}, {60, 14}, {60, 30}} {
		b := plain(c.tau)
		b.sky, b.sun, b.self, b.wind, b.core, b.coreLag = 0.5, 9, 0.3, 0.12, 3, c.lag
		first := i * 30 * 24
		s := judge(b.run(y, first, 160, uint64(i)))
		require.NotContains(t, kinds(s), finding.SealOpened, "%+v, %d", c, i)
		require.True(t, s.Tight.Set)

		b.openTau, b.openDay = c.tau/10, openDay
		opened := unit.At(y.start.Truncate(time.Hour)).Add(time.Duration(first+openDay*24) * time.Hour)
		if late := firstSeal(judge(b.run(y, first, 140, uint64(i))), opened); late <= 10 {
			found++
		}
	}
	require.GreaterOrEqual(t, found, 4, "of 5 within ten days")
}

// firstSeal is after how many days from an instant a seal was called open.
func firstSeal(s *breathing.State, opened unit.Instant) float64 {
	for _, f := range s.Findings() {
		if f.Kind == finding.SealOpened && f.Concluded >= opened {
			return f.Concluded.Sub(opened).Hours() / 24
		}
	}
	return math.Inf(1)
}
