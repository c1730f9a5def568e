package breathing

import (
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// TestAgain: what begins soon after its end had not ended, and keeps what was
// concluded first. Where the box was known to be good in between, it is new.
func TestAgain(t *testing.T) {
	var s State
	at := func(hour int64) unit.Instant { return unit.Instant(hour * hourNs) }
	begin := func(k finding.Kind, hour int64) { s.conclude(k, hour, at(hour+5), 0.5) }
	end := func(i int, hour int64) { s.Found[i].To = hour * hourNs }

	begin(finding.WaterInside, 100)
	end(0, 200)
	begin(finding.WaterInside, 200+comesBack)
	require.Len(t, s.Found, 1)
	require.Equal(t, Found{Kind: finding.WaterInside, From: 100 * hourNs, Concluded: 105 * hourNs, Confidence: 0.5}, s.Found[0])

	end(0, 400)
	begin(finding.WaterInside, 401+comesBack)
	require.Len(t, s.Found, 2, "later it is another")

	end(1, 600)
	begin(finding.SealOpened, 590)
	begin(finding.WaterInside, 600+rainsIn)
	require.Len(t, s.Found, 3, "rain brings more into an open box")
	require.Zero(t, s.Found[1].To)
	require.NotZero(t, s.Found[0].To)

	end(1, 2000)
	s.Done.Rebased = 2001
	begin(finding.WaterInside, 2002)
	require.Len(t, s.Found, 4, "somebody had been there")
}
