package breathing

import (
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// TestAgain: what begins again soon after it seemed over was not over, and keeps
// what was concluded first; nothing is said to have ended before that is sure. Where
// the box was known to be good in between, it is new.
func TestAgain(t *testing.T) {
	var s State
	at := func(hour int64) unit.Instant { return unit.Instant(hour * hourNs) }
	begin := func(k finding.Kind, hour int64) { s.conclude(k, hour, at(hour+5), 0.5) }
	over := func(i int, hour int64) { s.Found[i].Over = hour * hourNs }

	begin(finding.WaterInside, 100)
	over(0, 200)
	require.Nil(t, s.lasting(finding.WaterInside))
	s.settle(200 + comesBack)
	begin(finding.WaterInside, 200+comesBack)
	require.Equal(t, []Found{{Kind: finding.WaterInside, From: 100 * hourNs, Concluded: 105 * hourNs, Confidence: 0.5}}, s.Found)

	over(0, 400)
	s.settle(401 + comesBack)
	require.Equal(t, 400*hourNs, s.Found[0].To, "it was over then")
	begin(finding.WaterInside, 401+comesBack)
	require.Len(t, s.Found, 2, "later it is another")

	over(1, 600)
	begin(finding.SealOpened, 590)
	s.settle(600 + rainsIn)
	begin(finding.WaterInside, 600+rainsIn)
	require.Len(t, s.Found, 3, "rain brings more into an open box")
	require.Zero(t, s.Found[1].To+s.Found[1].Over)

	over(1, 2000)
	over(2, 2000)
	s.settle(2001 + comesBack)
	require.Equal(t, []int64{400 * hourNs, 2000 * hourNs, 2000 * hourNs}, []int64{s.Found[0].To, s.Found[1].To, s.Found[2].To})

	begin(finding.SealOpened, 3000)
	over(3, 3010)
	s.rebase(at(3020), &Facts{Baseline: []Span{{From: at(3015)}}})
	require.Equal(t, 3010*hourNs, s.Found[3].To)
	begin(finding.SealOpened, 3030)
	require.Len(t, s.Found, 5, "somebody had been there")
}
