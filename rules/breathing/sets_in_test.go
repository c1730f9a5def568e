package breathing_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/breathing"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// coldWater judges 45 days, from a day of the year on, of a box that breathes in tau into
// which water comes slowly on the fortieth, and returns when that was.
func coldWater(y year, tau float64, first int, post bool) (s *breathing.State, poured unit.Instant) {
	b := plain(tau)
	b.waterG, b.waterRate, b.waterDay, b.post = 4000, 0.3, 40, post
	return judge(b.run(y, first*24, 45, uint64(first))), unit.At(y.start).Add(time.Duration(first+40) * 24 * time.Hour)
}

// Near freezing water gives so little vapour that house air might bring as much, and what
// comes slowly makes no leap: that from one day to the next the box is damper in its
// driest hours than it was in almost any before tells.
func TestColdWaterSetsIn(t *testing.T) {
	y := climate(400)
	for _, first := range []int{240, 260, 270} {
		s, poured := coldWater(y, 30, first, false)
		require.Equal(t, []finding.Kind{finding.WaterInside}, kinds(s), "day %d", first)
		require.Less(t, s.Findings()[0].Concluded.Sub(poured), 48*time.Hour, "day %d", first)
		require.Less(t, s.Findings()[0].From.Sub(poured).Abs(), 12*time.Hour, "day %d", first)
	}
}

// House air as strong as in many homes may do the same to a box whose back may be towards
// a house; there is none behind a post.
func TestColdWaterOnAPost(t *testing.T) {
	y := climate(400)
	for _, first := range []int{235, 250, 275} {
		s, _ := coldWater(y, 8, first, false)
		require.NotContains(t, kinds(s), finding.WaterInside, "day %d", first)
		s, poured := coldWater(y, 8, first, true)
		require.Equal(t, []finding.Kind{finding.WaterInside}, kinds(s), "day %d", first)
		require.Equal(t, "deficit_made_up", s.Findings()[0].Evidence[1].Name)
		require.Greater(t, s.Findings()[0].Evidence[1].Value, 30.0, "day %d", first)
		require.Less(t, s.Findings()[0].Concluded.Sub(poured), 48*time.Hour, "day %d", first)
	}
}

// What the air held before a leap was measured: that the days before were warm and damp
// makes no vapour that isn't there.
func TestWaterAfterDampWarmDays(t *testing.T) {
	y := climate(100)
	for i := range y.hours {
		if i >= 30*24 && i < 39*24 {
			y.hours[i].temp += 10
			y.hours[i].e *= 1.8
		}
	}
	b := plain(40)
	b.skin = 1.5
	b.waterG, b.waterRate, b.waterDay = 4000, 5, 40
	s := judge(b.run(y, 0, 45, 1))
	poured := unit.At(y.start).Add(40 * 24 * time.Hour)
	require.Equal(t, []finding.Kind{finding.WaterInside}, kinds(s))
	require.Less(t, s.Findings()[0].Concluded.Sub(poured), 48*time.Hour)
}
