package breathing_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/finding"
	"dewpost/rules/means"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// indoors takes the outdoor sensor away.
func indoors(slots []slot) []slot {
	for i := range slots {
		slots[i].m.Ch[reading.OutsideTemp], slots[i].m.Ch[reading.OutsideRH] = means.Channel{}, means.Channel{}
		slots[i].now.Outdoor = nil
	}
	return slots
}

// Water is seen to come by how fast the air gets damp, with an outdoor sensor and
// without.
func TestALeap(t *testing.T) {
	y := climate(100)
	b := puddle()
	b.waterRate = 5
	poured := unit.At(y.start).Add(40 * 24 * time.Hour)
	for name, slots := range map[string][]slot{"outdoors": b.run(y, 0, 50, 1), "indoors": indoors(b.run(y, 0, 50, 1))} {
		t.Run(name, func(t *testing.T) {
			s := judge(slots)
			require.Equal(t, []finding.Kind{finding.WaterInside}, kinds(s))
			f := s.Findings()[0]
			require.Greater(t, f.Concluded, poured)
			require.Less(t, f.Concluded.Sub(poured), 40*time.Hour)
			require.Less(t, f.From.Sub(poured).Abs(), 2*time.Hour)
			require.Equal(t, "sudden_rise_rh", f.Evidence[4].Name)
			require.Greater(t, f.Evidence[4].Value, 2.5)
		})
	}
	require.Empty(t, judge(indoors(plain(12).run(y, 0, 50, 1))).Findings())
}

// A box that stood open in damp air for an hour dries as it breathes: no water.
func TestABoxThatStoodOpen(t *testing.T) {
	y := climate(100)
	for _, tau := range []float64{6, 12, 24} {
		slots := plain(tau).run(y, 0, 60, 1)
		at := 45*144 + 30
		for i := at; i < len(slots); i++ {
			ch := &slots[i].m.Ch[reading.InsideRH]
			came := 10 * math.Exp(-float64(i-at)/6/tau)
			*ch = means.Channel{N: ch.N, Mean: min(100, ch.Mean+came), Min: min(100, ch.Min+came), Max: min(100, ch.Max+came)}
		}
		s := judge(slots)
		require.NotContains(t, kinds(s), finding.WaterInside, "%g h", tau)
	}
}

// Air from the wall that begins is told from a sensor that is swapped for another,
// and one that creeps.
func TestAirFromTheWallBegins(t *testing.T) {
	y := climate(400)
	b := plain(12)
	b.wallShare, b.wallDay = 0.4, 60
	s := judge(b.run(y, 180*24, 110, 1))
	require.Contains(t, kinds(s), finding.MoistAirFromWall)
	require.NotContains(t, kinds(s), finding.WaterInside)

	creeping := plain(12).run(y, 180*24, 110, 1)
	for i := range creeping {
		if ch := &creeping[i].m.Ch[reading.InsideRH]; i > 60*144 && ch.N > 0 {
			off := 8.0 / 25 * float64(i-60*144) / 144
			*ch = means.Channel{N: ch.N, Mean: ch.Mean + off, Min: ch.Min + off, Max: ch.Max + off}
		}
	}
	for _, f := range judge(creeping[:95*144]).Findings() {
		require.NotEqual(t, finding.MoistAirFromWall, f.Kind)
	}
}
