package breathing_test

import (
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
