package breathing_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// A box whose plastic holds much seems tighter than it is, and its vapour goes with
// the warmth of days by more than a little air from the wall adds, which is found all
// the same, in weeks; and nothing without it.
func TestALittleAirFromTheWall(t *testing.T) {
	y := climate(400)
	b := plain(30)
	b.skin, b.core = 0.5, 1
	require.Empty(t, judge(b.run(y, 180*24, 110, 1)).Findings())
	b.wallShare, b.wallDay = 0.2, 60
	begun := unit.At(y.start).Add((180 + 60) * 24 * time.Hour)
	s := judge(b.run(y, 180*24, 100, 1))
	require.Equal(t, []finding.Kind{finding.MoistAirFromWall}, kinds(s))
	f := s.Findings()[0]
	require.Greater(t, f.Concluded, begun)
	require.Less(t, f.Concluded.Sub(begun), 30*24*time.Hour)
}

// In winter air of the house makes a box seem tighter than it is. What it breathes is
// learned when the house adds little.
func TestHouseAirIsNoBaseline(t *testing.T) {
	const summer, winter = 60, 240 // days from the weather's first
	y := climate(400)
	b := plain(12)
	b.skin, b.core, b.flush = 0.5, 0.5, true
	alone, ok := judge(b.run(y, summer*24, 100, 1)).Usual()
	require.True(t, ok)
	b.wallShare = 0.4
	s := judge(b.run(y, winter*24, 300, 1))
	fed, ok := s.Usual()
	require.True(t, ok)
	require.InEpsilon(t, alone.TauH, fed.TauH, 0.05)
	require.Equal(t, []finding.Kind{finding.MoistAirFromWall}, kinds(s))
}

// A baseline that takes the place of one with house air in it keeps nothing of that.
func TestABaselineBeginsFromNothing(t *testing.T) {
	const winter = 240 // days from the weather's first
	y := climate(400)
	b := plain(12)
	b.skin, b.core, b.flush, b.wallShare = 0.5, 0.5, true, 0.4
	slots := b.run(y, winter*24, 300, 1)
	n := 40 * 24 * 6
	s := judge(slots[:n])
	require.True(t, s.Tight.Fed)
	require.NotEmpty(t, s.Tight.Daily.P)
	gaps := slices.DeleteFunc(slots[n:], func(x slot) bool { return time.Duration(x.m.Start)%(24*time.Hour) < 3*time.Hour })
	s = judge(append(slots[:n:n], gaps...)) // of such days there are no means
	require.True(t, s.Tight.Set)
	require.False(t, s.Tight.Fed)
	require.Empty(t, s.Tight.Daily.P)
}
