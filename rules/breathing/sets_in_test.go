package breathing_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// Near freezing water gives so little vapour that house air might bring as much, and a
// small or cold puddle makes no leap: that from one day to the next the box is damper in
// its driest hours than ever before tells.
func TestColdWaterSetsIn(t *testing.T) {
	y := climate(400)
	for _, first := range []int{240, 260, 270} { // days
		b := plain(30)
		b.waterG, b.waterRate, b.waterDay = 4000, 0.3, 40
		s := judge(b.run(y, first*24, 45, uint64(first)))
		poured := unit.At(y.start).Add(time.Duration(first+40) * 24 * time.Hour)
		require.Equal(t, []finding.Kind{finding.WaterInside}, kinds(s), "day %d", first)
		require.Less(t, s.Findings()[0].Concluded.Sub(poured), 48*time.Hour, "day %d", first)
		require.Less(t, s.Findings()[0].From.Sub(poured).Abs(), 12*time.Hour, "day %d", first)
	}
}

// House air as strong as in many homes may do the same to a box whose back may be towards
// a house; there is none behind a post.
func TestColdWaterOnAPost(t *testing.T) {
	y := climate(400)
	for _, first := range []int{235, 250, 275} { // days
		b := plain(8)
		b.waterG, b.waterRate, b.waterDay = 4000, 0.3, 40
		s := judge(b.run(y, first*24, 45, uint64(first)))
		require.NotContains(t, kinds(s), finding.WaterInside, "day %d", first)
		b.post = true
		s = judge(b.run(y, first*24, 45, uint64(first)))
		require.Equal(t, []finding.Kind{finding.WaterInside}, kinds(s), "day %d", first)
		poured := unit.At(y.start).Add(time.Duration(first+40) * 24 * time.Hour)
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
