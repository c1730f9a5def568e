package detect

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// TestARepairIsNoWater: a cover that was improved, of which nobody wrote, keeps the
// vapour of warmer days for longer; in autumn that is no water.
func TestARepairIsNoWater(t *testing.T) {
	c := &fleet(places(t), 1, 11)[0]
	require.Empty(t, c.Events)
	c.To = c.From + 250*day
	for _, f := range judge(c.Log(), c.Place) {
		require.NotEqual(t, waterInside, f.Kind, "concluded %s", f.Concluded)
	}
}
