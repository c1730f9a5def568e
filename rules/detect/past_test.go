package detect

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// TestWaterShutsNoSeal: what water gives off follows no weather, like the air of a
// box that is tight. A cover that is cracked and takes in rain is said to be open
// once, until it is mended.
func TestWaterShutsNoSeal(t *testing.T) {
	c := &fleet(places(t), 5, 7)[4]
	crack := c.Events[len(c.Events)-1]
	require.Equal(t, "crack", crack.Label)
	c.To = crack.Until + 14*day // it may come back
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

// TestRainIsToldOnce: what rain brings into a cracked box dries and comes again, and
// for a week the air may look like that of a tight box. That is one seal and one
// water, not one with each rain.
func TestRainIsToldOnce(t *testing.T) {
	cases := fleet(places(t), 307, 1)
	for _, i := range []int{15, 306} {
		c := &cases[i]
		crack := c.Events[slices.IndexFunc(c.Events, func(e Event) bool { return e.Label == "crack" })]
		c.To = crack.Until
		told := map[finding.Kind]int{}
		for _, f := range judge(c.Log(), c.Place) {
			if f.Concluded >= crack.From {
				told[f.Kind]++
			}
		}
		require.Equal(t, 1, told[sealOpened], c.Name)
		require.Equal(t, 1, told[waterInside], c.Name)
	}
}

// TestASensorThatWasTooDryIsNoWall: a sensor that crept to the dry side and was
// changed shows more vapour afterwards than before; that is no air from the wall.
func TestASensorThatWasTooDryIsNoWall(t *testing.T) {
	c := &fleet(places(t), 387, 1)[386]
	creep := c.Events[slices.IndexFunc(c.Events, func(e Event) bool { return e.Label == "creep8" })]
	c.To = creep.Until + 30*day
	told := map[finding.Kind]int{}
	for _, f := range judge(c.Log(), c.Place) {
		if f.Concluded >= creep.From {
			told[f.Kind]++
		}
	}
	require.Equal(t, 1, told[sensorDoubt])
	require.Zero(t, told[wallAir])
}

// TestFrostIsNoCreep: saturated air shows 95 %RH at −5 °C, and is near saturation
// all the same: frost that comes and goes makes of a sound sensor none that creeps.
func TestFrostIsNoCreep(t *testing.T) {
	c := &fleet(places(t), 210, 1)[209]
	require.Empty(t, c.Events)
	for _, f := range judge(c.Log(), c.Place) {
		require.NotEqual(t, sensorDoubt, f.Kind, "concluded %s", f.Concluded)
	}
}

// TestAnEndIsSure: what is said to have ended does not go on when more is known.
// Here water seemed over for five days, and came again.
func TestAnEndIsSure(t *testing.T) {
	c := &fleet(places(t), 187, 1)[186]
	rs := c.Log()
	full := judge(rs, c.Place)
	for _, f := range full {
		if f.Kind != waterInside {
			continue
		}
		for cut := range unit.Instant(12) {
			require.Empty(t, hindsight(rs, full, c.Place, f.Concluded+cut*2*day))
		}
	}
}
