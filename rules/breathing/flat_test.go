package breathing_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// What a station's own electronics give off may make its air 3 K warmer than the water,
// which then keeps it at four fifths of saturation. That it came at once tells.
func TestWaterFarColderThanTheAir(t *testing.T) {
	y := climate(400)
	for _, first := range []int{100, 170, 240} {
		for _, tau := range []float64{6, 15} {
			b := plain(tau)
			b.self, b.sun, b.flush = 6, 3, true
			b.waterG, b.waterRate, b.waterDay = 4000, 3, 40
			s := judge(b.run(y, first*24, 45, 1))
			poured := unit.At(y.start).Add(time.Duration(first+40) * 24 * time.Hour)
			require.Equal(t, []finding.Kind{finding.WaterInside}, kinds(s), "%d, %g h", first, tau)
			require.Less(t, s.Findings()[0].Concluded.Sub(poured), 48*time.Hour, "%d, %g h", first, tau)
			require.Less(t, s.Findings()[0].From.Sub(poured).Abs(), 2*time.Hour, "%d, %g h", first, tau)
		}
	}
}

// Where nothing is known of the air outdoors, air that is no drier in the afternoon than
// by night, all of a sudden and not at saturation, tells. A day and a half of fog makes
// the same of an open box, but has no afternoon.
func TestHumidityFlattens(t *testing.T) {
	b := plain(8)
	b.self, b.sun = 3, 6
	for _, first := range []int{100, 150, 250} {
		y := climate(400)
		wet := b
		wet.waterG, wet.waterRate, wet.waterDay = 4000, 2, 40
		s := judge(indoors(wet.run(y, 24*first, 46, 1)))
		poured := unit.At(y.start).Add(time.Duration(first+40) * 24 * time.Hour)
		require.Equal(t, []finding.Kind{finding.WaterInside}, kinds(s), "%d", first)
		require.Less(t, s.Findings()[0].Concluded.Sub(poured), 3*24*time.Hour, "%d", first)
		part := s.Findings()[0].Evidence[1]
		require.Equal(t, "deficit_made_up", part.Name)
		require.Less(t, part.Value, 80.0, "beyond what is usual, not of saturation")

		for i := range y.hours[:48] {
			h := &y.hours[(first+40)*24+i]
			h.temp = 9 + 4*float64(i)/48
			h.e, h.cloud = magnus(h.temp), 8
		}
		require.Empty(t, kinds(judge(indoors(b.run(y, 24*first, 46, 1)))), "%d", first)
	}
}

// Over much water humidity may stand as still as a sensor that is stuck; but such a
// sensor makes no leap.
func TestStillAirOverWater(t *testing.T) {
	y := climate(400)
	for _, first := range []int{60, 100} {
		b := plain(15)
		b.self = 2.5
		b.waterG, b.waterRate, b.waterDay = 4000, 8, 40
		s := judge(indoors(b.run(y, first*24, 45, 1)))
		poured := unit.At(y.start).Add(time.Duration(first+40) * 24 * time.Hour)
		require.Equal(t, []finding.Kind{finding.WaterInside}, kinds(s), "%d", first)
		require.Less(t, s.Findings()[0].Concluded.Sub(poured), 48*time.Hour, "%d", first)
	}
}
