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

// A house that is kept comfortable adds more in dry weather than people make: its air isn't
// water.
func TestAComfortableHouseInDryWeather(t *testing.T) {
	for seed := range uint64(4) {
		y := climate(150)
		for i := range y.hours {
			y.hours[i].e *= 0.4
		}
		b := plain(6)
		b.wallShare, b.wallDay, b.comfort = 0.48, 60, 12.9
		require.NotContains(t, kinds(judge(b.run(y, 0, 100, seed))), finding.WaterInside, "seed %d", seed)
	}
}

// Water that comes slowly makes no leap: without an outdoor sensor it is seen by the
// warmth of days that does not dry the box. It is over when warmth does.
func TestWarmthThatDoesNotDry(t *testing.T) {
	y := climate(100)
	poured := unit.At(y.start).Add(40 * 24 * time.Hour)
	slots := plain(12).run(y, 0, 90, 1)
	for i := 40 * 144; i < 60*144; i++ { // as over water, after a day
		if ch := &slots[i].m.Ch[reading.InsideRH]; ch.N > 0 {
			rh := ch.Mean + (96.5-ch.Mean)*min(1, float64(i-40*144)/144)
			*ch = means.Channel{N: ch.N, Mean: rh, Min: rh, Max: rh}
		}
	}
	s := judge(indoors(slots))
	require.Equal(t, []finding.Kind{finding.WaterInside}, kinds(s))
	f := s.Findings()[0]
	require.Greater(t, f.Concluded, poured)
	require.Less(t, f.Concluded.Sub(poured), 12*24*time.Hour)
	require.Len(t, f.Evidence, 4, "no leap told")
	require.Greater(t, f.To, poured.Add(20*24*time.Hour))
	require.Less(t, f.To, poured.Add(26*24*time.Hour))
	for _, tau := range []float64{1.5, 4, 40} {
		require.Empty(t, judge(indoors(plain(tau).run(climate(400), 0, 390, 1))).Findings(), "%g h", tau)
	}
}

// What plastic holds makes a box seem several times as tight in winter as in summer: a
// baseline of winter finds no seal opened in spring, and the other way round.
func TestABufferHasSeasons(t *testing.T) {
	y := climate(800)
	for _, first := range []int{270, 90} { // of winter, of summer
		for _, tau := range []float64{6, 15} {
			b := plain(tau)
			b.skin, b.core = 2.5, 1
			s := judge(b.run(y, first*24, 400, 1))
			usual, ok := s.Usual()
			require.True(t, ok)
			low, high := math.Inf(1), 0.0
			for _, d := range s.Estimates()[20:] {
				low, high = min(low, d.TauH), max(high, d.TauH)
			}
			require.Greater(t, high/low, 2.0, "it does: %g to %g h, at first %g h", low, high, usual.TauH)
			require.Empty(t, kinds(s), "%g h", tau)

			b.openTau, b.openDay = tau/4, 250
			s = judge(b.run(y, first*24, 400, 1))
			require.Equal(t, []finding.Kind{finding.SealOpened}, kinds(s))
			late := s.Findings()[0].Concluded.Sub(unit.At(y.start).Add(time.Duration(first+250)*24*time.Hour)).Hours() / 24
			require.Greater(t, late, 0.0)
			require.Less(t, late, 15.0)
		}
	}
}

// What gives off warmth in a box, and the sun, keep its air warmer than the water in
// it, and then it is far from saturated.
func TestWaterColderThanTheAir(t *testing.T) {
	y := climate(100)
	poured := unit.At(y.start).Add(40 * 24 * time.Hour)
	for _, tau := range []float64{4, 12, 60} {
		b := plain(tau)
		b.self, b.sun = 2.5, 8
		b.waterG, b.waterRate, b.waterDay = 4000, 3, 40
		s := judge(b.run(y, 0, 60, 1))
		require.Equal(t, []finding.Kind{finding.WaterInside}, kinds(s), "%g h", tau)
		require.Less(t, s.Findings()[0].Concluded.Sub(poured), 48*time.Hour)
		require.Less(t, s.Findings()[0].From.Sub(poured).Abs(), 2*time.Hour)
		require.Zero(t, s.Findings()[0].To)
	}
}

// A box full of cardboard that was dry becomes damp in a day, and saturated never, once
// there is water in it. Air from the house, or a door that stood open, does less.
func TestASurge(t *testing.T) {
	y := climate(100)
	poured := unit.At(y.start).Add(40 * 24 * time.Hour)
	b := plain(60)
	b.self, b.sun, b.skin = 6, 3, 8
	dry := b
	b.waterG, b.waterRate, b.waterDay = 4000, 1, 40
	s := judge(b.run(y, 0, 46, 1))
	require.Equal(t, []finding.Kind{finding.WaterInside}, kinds(s))
	require.Less(t, s.Findings()[0].Concluded.Sub(poured), 48*time.Hour)
	require.Less(t, s.Findings()[0].From.Sub(poured).Abs(), 8*time.Hour)

	dry.wallShare, dry.wallDay = 0.5, 40
	require.NotContains(t, kinds(judge(dry.run(y, 0, 60, 1))), finding.WaterInside)
}

// A cover that is colder than the air by night takes what water gives off, so that it is
// hardly damper than outdoors then: by day there is more than exchange, dew and air from
// the house could bring. As much of the last as is looked for is no water.
func TestWaterUnderAColdCover(t *testing.T) {
	y := climate(400)
	for _, c := range []struct {
		first     int // day of the weather
		tau, rate float64
	}{{150, 8, 0.3}, {150, 8, 1}, {150, 40, 1}, {220, 8, 1}, {220, 16, 1}} {
		b := plain(c.tau)
		b.sky, b.cover, b.skin = 5, false, 0.4
		house := b
		b.waterG, b.waterRate, b.waterDay = 4000, c.rate, 40
		poured := unit.At(y.start).Add(time.Duration(c.first+40) * 24 * time.Hour)
		s := judge(b.run(y, c.first*24, 43, 1))
		require.Equal(t, []finding.Kind{finding.WaterInside}, kinds(s), "%+v", c)
		require.Greater(t, s.Findings()[0].Concluded, poured, "%+v", c)
		require.Less(t, s.Findings()[0].Concluded.Sub(poured), 36*time.Hour, "%+v", c)

		house.wallShare, house.wallDay = 0.5, 40
		require.NotContains(t, kinds(judge(house.run(y, c.first*24, 60, 1))), finding.WaterInside, "%+v", c)
	}
}

// Water that comes slowly, colder than the air, is told by a level that humidity keeps
// in any weather; a sensor that shows as much more keeps none.
func TestHumidityKeepsItsLevel(t *testing.T) {
	y := climate(100)
	begins := unit.At(y.start).Add(40 * 24 * time.Hour)
	damper := func(to func(rh, temp float64) float64) []slot {
		slots := plain(25).run(y, 0, 70, 1)
		for i := 40 * 144; i < len(slots); i++ {
			m := &slots[i].m
			if ch := &m.Ch[reading.InsideRH]; ch.N > 0 {
				rh := ch.Mean + (to(ch.Mean, m.Ch[reading.InsideTemp].Mean)-ch.Mean)*min(1, float64(i-40*144)/288)
				*ch = means.Channel{N: ch.N, Mean: rh, Min: rh, Max: rh}
			}
		}
		return slots
	}
	s := judge(damper(func(rh, temp float64) float64 { return 92 - 0.6*(temp-10) }))
	require.Equal(t, []finding.Kind{finding.WaterInside}, kinds(s))
	f := s.Findings()[0]
	require.Less(t, f.Concluded.Sub(begins), 8*24*time.Hour)
	require.Greater(t, f.Concluded, begins)
	require.NotContains(t, kinds(judge(damper(func(rh, temp float64) float64 { return min(100, rh+12) }))), finding.WaterInside)
}

// Near saturation humidity that keeps its level while it dries outdoors needn't be more than
// a buffer could give that has been as damp: it gives nothing for days without drying. So
// in a damp autumn, in a wall behind which there may be a house.
func TestHumidityIsPinned(t *testing.T) {
	const first, wet = 250, 40 // days of the year, and from then on
	y := years(t)[0]
	slots := plain(12).run(y, first*24, 75, 1)
	for i := range slots {
		slots[i].now.Flush = true
		if ch := &slots[i].m.Ch[reading.InsideRH]; i >= wet*144 && ch.N > 0 {
			*ch = means.Channel{N: ch.N, Mean: 98.5, Min: 98.5, Max: 98.5}
		}
	}
	s := judge(slots)
	require.Equal(t, []finding.Kind{finding.WaterInside}, kinds(s))
	late := s.Findings()[0].Concluded.Sub(unit.At(y.start).Add((first + wet) * 24 * time.Hour))
	require.Greater(t, late, time.Duration(0))
	require.Less(t, late, 31*24*time.Hour)
	require.Equal(t, 1.0, s.Findings()[0].Evidence[3].Value, "a sensor that is stuck at its end looks alike")
}

// coldFronts is a box in weather that turns cold for the last four of so many days. It
// keeps all vapour that it has exchanged, and what its cover, colder than the air by so
// much in clear nights, can't leave in the air is dew until the sun is on it. After some
// days it is mended, and nobody wrote that down.
func coldFronts(tau, mended, under float64, every, days int) []slot {
	start := unit.At(time.Date(2025, 4, 1, 0, 0, 0, 0, time.UTC))
	held := 9.0
	slots := make([]slot, days*144)
	for i := range slots {
		day := float64(i) / 144
		sun, cold := math.Sin(2*math.Pi*(day-0.3)), math.Mod(day, float64(every))-float64(every)+4
		mean := 11 - 7*max(0, min(1, 2*cold))
		air := mean + 3*sun
		cover := air - under
		switch {
		case sun > 0:
			cover = air + 1.5*sun
		case cold > 1: // clouds
			cover = air - 0.7
		}
		out := 0.86 * magnus(mean-2+0.5*math.Sin(day))
		e := min(held, magnus(min(cover, air)))
		if day > 40 {
			tau = mended
		}
		held += (out - e) / tau / 6
		m := &slots[i].m
		m.Start, m.N = start.Add(time.Duration(i)*means.Step), 10
		m.Done, m.Last = m.Start.Add(means.Step), m.Start.Add(9*time.Minute)
		for c, v := range map[reading.Channel]float64{
			reading.InsideTemp: air, reading.InsideRH: 100 * e / magnus(air),
			reading.OutsideTemp: air - 0.3, reading.OutsideRH: 100 * min(1, out/magnus(air-0.3)),
		} {
			v = math.Round(v*10) / 10
			m.Ch[c] = means.Channel{N: 10, Mean: v, Min: v, Max: v}
		}
	}
	return slots
}

// Dew that a cold cover takes out of the air of a tight box comes back as fast as water
// does when the sun is on it, and keeps it damp for days of drier weather.
func TestDewThatComesBack(t *testing.T) {
	for _, tau := range []float64{20, 30, 60} {
		for _, under := range []float64{2, 3, 4} {
			for _, every := range []int{7, 9} {
				for _, mended := range []float64{1, 2.5} {
					s := judge(coldFronts(tau, tau*mended, under, every, 90))
					require.Empty(t, kinds(s), "%g h, then %g times, %g K, every %d days", tau, mended, under, every)
				}
			}
		}
	}
}
