package detect

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// TestWaterShutsNoSeal: what water gives off follows no weather, like the air of a
// box that is tight. A cover that is cracked and takes in rain is said to be open
// once, until it is mended.
func TestWaterShutsNoSeal(t *testing.T) {
	c := &fleet(places(t), 5, 7)[4]
	crack := c.Events[len(c.Events)-1]
	require.Equal(t, "crack", crack.Label)
	c.To = crack.Until
	var seals, waters int
	for _, f := range judge(c.Log(), c.Place) {
		switch f.Kind {
		case sealOpened:
			seals++
			require.Greater(t, f.To, crack.Until-afterwards, "the cover was mended then")
		case waterInside:
			waters++
		}
	}
	require.Equal(t, 1, seals)
	require.Positive(t, waters)
}
