package boxsim

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/moistair"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// weatherFunc is weather made for a test.
type weatherFunc func(unit.Instant) Air

func (f weatherFunc) At(t unit.Instant) Air { return f(t) }

// steady is a dark, overcast, windy sky over air of the given temperature and RH.
func steady(temp unit.Celsius, rh unit.Percent) Air {
	return Air{Temp: temp, RH: rh, WindMS: 5, Cloud01: 1}
}

// change is steady weather that changes at an instant.
func change(at unit.Instant, before, after Air) Weather {
	return weatherFunc(func(t unit.Instant) Air {
		if t < at {
			return before
		}
		return after
	})
}

// usual is a box as they hang outdoors, with every sensor.
func usual(tau float64) Box {
	return Box{
		TauH: tau, ThermalTauMin: 25, SkyCoolingK: 4.5, SelfHeatK: 0.6, SunGainK: 10,
		StandbyMA: 12, SupplyV: 24, Noise: 1,
		HasBoard: true, HasCover: true, HasOutside: true, HasLine: true, HasComb: true,
	}
}

func take(s *Sim, from unit.Instant, n int, every unit.Instant) []reading.Reading {
	rs := make([]reading.Reading, n)
	for i := range rs {
		rs[i] = s.Next(from + unit.Instant(i)*every)
	}
	return rs
}

func value(t *testing.T, r *reading.Reading, c reading.Channel) float64 {
	t.Helper()
	v, ok := r.Get(c)
	require.True(t, ok, "%s at %s", c.Name(), r.Time)
	return v
}

var start = date(time.April, 1, 12)

func TestSameSeedSameReadings(t *testing.T) {
	faults := []Fault{
		{Kind: CrackedCover, From: start + 100*hour, Size: 3},
		{Kind: WaterInside, From: start + 200*hour, To: start + 300*hour, Size: 10},
		{Kind: Dropout, From: start, Size: 0.1},
		{Kind: StuckSensor, From: start + 400*hour, Size: 0.2},
	}
	series := func(weatherSeed, seed uint64) []reading.Reading {
		return take(New(NewWeather(Lakeside(), weatherSeed), usual(12), faults, seed, start), start, 3000, hour/6)
	}
	first := series(1, 1)
	require.Equal(t, first, series(1, 1))
	require.NotEqual(t, first, series(1, 2))
	require.NotEqual(t, first, series(2, 1))
}

// TestVapourFollowsOutdoors holds that the inside vapour pressure goes to the
// outdoor one by the exponential of the configured breathing time.
func TestVapourFollowsOutdoors(t *testing.T) {
	const temp = 15
	for _, tau := range []float64{1.5, 6, 12, 60} {
		for _, every := range []unit.Instant{hour / 60, hour / 6, hour} {
			w := change(start, steady(temp, 40), steady(temp, 70))
			s := New(w, Box{TauH: tau}, nil, 1, start)
			// The change falls into the last step before start: begin a step later.
			begin := start + every
			first := s.Next(begin)
			from, to := value(t, &first, reading.InsideRH), 70.0
			require.Less(t, from, 60.0)
			for at := begin; at < begin+unit.Instant(3*tau*hour); at += every {
				r := s.Next(at)
				want := to + (from-to)*math.Exp(-float64(at-begin)/hour/tau)
				require.InDelta(t, want, value(t, &r, reading.InsideRH), 0.011, "tau %v, %s", tau, r.Time)
			}
		}
	}
}

// TestPartsFollowOutdoors: likewise each temperature by its own lag.
func TestPartsFollowOutdoors(t *testing.T) {
	const tau = 25.0 // min
	channels := map[reading.Channel]int{reading.InsideTemp: inAir, reading.BoardTemp: inBoard, reading.CoverTemp: inCover}
	for _, every := range []unit.Instant{hour / 60, hour / 6, hour} {
		w := change(start, steady(20, 30), steady(10, 50))
		s := New(w, Box{TauH: 50, ThermalTauMin: tau, HasBoard: true, HasCover: true}, nil, 1, start)
		begin := start + hour/60
		first := s.Next(begin)
		for at := begin; at < begin+4*hour; at += every {
			r := s.Next(at)
			for c, part := range channels {
				from := value(t, &first, c)
				want := 10 + (from-10)*math.Exp(-float64(at-begin)/hour*60/(tau*parts[part].lag))
				require.InDelta(t, want, value(t, &r, c), 0.011, "%s at %s", c.Name(), r.Time)
			}
		}
	}
}

// TestFollowRamp checks the lag against its closed form behind a steady ramp:
// late by τ.
func TestFollowRamp(t *testing.T) {
	value, x := 0.0, 0.2
	for i := range 200 {
		value = follow(value, float64(i), float64(i+1), x, math.Exp(-x))
	}
	require.InDelta(t, 200-1/x, value, 1e-9)
}

// TestStepLengthHardlyMatters: the same box read each minute, each ten
// minutes, each hour shows the same at the full hours.
func TestStepLengthHardlyMatters(t *testing.T) {
	box := usual(6)
	box.Noise = 0
	faults := []Fault{{Kind: WaterInside, From: start + 500*hour, Size: 0.05}, {Kind: CrackedCover, From: start + 300*hour, Size: 3}}
	hourly := func(every unit.Instant) []reading.Reading {
		s := New(NewWeather(Lakeside(), 9), box, faults, 1, start)
		var rs []reading.Reading
		for at := start; at < start+1000*hour; at += every {
			if r := s.Next(at); at%hour == 0 {
				rs = append(rs, r)
			}
		}
		return rs
	}
	byTen := hourly(hour / 6)
	require.Equal(t, byTen, hourly(hour), "an hour is six steps of ten minutes")
	var off []float64
	mean := 0.0
	for i, r := range hourly(hour / 60) {
		require.InDelta(t, value(t, &r, reading.BoardTemp), value(t, &byTen[i], reading.BoardTemp), 0.15)
		d := math.Abs(value(t, &r, reading.InsideRH) - value(t, &byTen[i], reading.InsideRH))
		off, mean = append(off, d), mean+d/1000
	}
	slices.Sort(off)
	t.Logf("RH of 10 min steps against 1 min steps: mean %.3f, 99 %% below %.3f, worst %.3f %%RH", mean, off[989], off[999])
	require.Less(t, mean, 0.04)
	require.Less(t, off[989], 0.4)
	// A film that dries up some minutes sooner lets the air dry that much sooner.
	require.Less(t, off[999], 8.0)
}

// TestBoardFilm: outdoor air with a dew point above the board feeds a film
// that grows without end; dry air takes it away again.
func TestBoardFilm(t *testing.T) {
	wet := Air{Temp: 10, RH: 99} // clear and calm
	dry := steady(12, 40)
	s := New(change(start+50*hour, wet, dry), Box{TauH: 3, SkyCoolingK: 4}, nil, 1, start)
	film := &s.water.stores[boardFilm]
	last := 0.0
	for at := start; at <= start+49*hour; at += hour / 6 {
		s.Next(at)
		require.Greater(t, film.mass, last)
		require.Less(t, s.water.e, s.outside)
		require.Greater(t, s.water.e, satSurface(s.temp[inBoard]))
		last = film.mass
	}
	s.Next(start + 400*hour)
	require.Zero(t, film.mass)
	require.InDelta(t, s.outside, s.water.e, 1e-3)
}

// condensing is the hours that the readings show the surface at or below the
// dew point (frost point below 0 °C), and within 3 K of it.
func condensing(rs []reading.Reading, stepH float64, surface reading.Channel) (wet, atRisk float64) {
	for i := range rs {
		temp, _ := rs[i].Get(reading.InsideTemp)
		rh, _ := rs[i].Get(reading.InsideRH)
		cold, _ := rs[i].Get(surface)
		point := moistair.DewPoint
		if cold < 0 {
			point = moistair.FrostPoint
		}
		margin := cold - float64(point(unit.Celsius(temp), unit.Percent(min(100, rh))))
		if margin <= 0 {
			wet += stepH
		}
		if margin <= 3 {
			atRisk += stepH
		}
	}
	return wet, atRisk
}

// TestBoxesDiffer puts a tight, a cracked and a wet box, and one fed from the
// house, through eight weeks of the same weather.
func TestBoxesDiffer(t *testing.T) {
	const days, seeds = 56, 2
	type row struct{ wet, atRisk, airWet float64 } // hours a day
	hours := func(c Climate, month time.Month, tau float64, faults ...Fault) (h row) {
		for seed := range uint64(seeds) {
			begin := date(month, 1, 12)
			rs := take(New(NewWeather(c, seed), usual(tau), faults, 1, begin), begin, days*144, hour/6)
			wet, atRisk := condensing(rs, 1.0/6, reading.BoardTemp)
			airWet, _ := condensing(rs, 1.0/6, reading.InsideTemp)
			h.wet += wet / days / seeds
			h.atRisk += atRisk / days / seeds
			h.airWet += airWet / days / seeds
		}
		return h
	}
	for _, climate := range []struct {
		name string
		Climate
	}{{"lakeside", Lakeside()}, {"quayside", Quayside()}} {
		for _, month := range []time.Month{time.April, time.July, time.October} {
			healthy := hours(climate.Climate, month, 60)
			cracked := hours(climate.Climate, month, 60, Fault{Kind: CrackedCover, Size: 3})
			water := hours(climate.Climate, month, 60, Fault{Kind: WaterInside, Size: 20})
			t.Logf("%s %s: healthy %.1f, cracked %.1f, water %.1f", climate.name, month, healthy, cracked, water)
			require.Less(t, healthy.wet, 1.5)
			require.Greater(t, cracked.wet, 1.5*healthy.wet)
			require.Greater(t, water.wet, 2*cracked.wet)
			require.Greater(t, water.wet, 4.0)
			require.Greater(t, water.airWet, 5.5, "without a board sensor: saturated air shows 100 %RH, more or less, half the time each")
			require.Greater(t, water.atRisk, 22.0)
			require.Greater(t, cracked.atRisk, healthy.atRisk)
		}
		alone := hours(climate.Climate, time.January, 12)
		house := hours(climate.Climate, time.January, 12, Fault{Kind: WallAir, Size: 0.4})
		require.Greater(t, house.atRisk, alone.atRisk)
		require.Greater(t, house.wet, alone.wet+2)
	}
}

// TestClearNightHours looks at clear spring nights by the lake only.
func TestClearNightHours(t *testing.T) {
	medianNight := func(faults ...Fault) float64 {
		var nights []float64
		for seed := range uint64(8) {
			w := NewWeather(Lakeside(), seed)
			s := New(w, usual(60), faults, 1, start)
			for day := range unit.Instant(56) {
				noon := start + day*24*hour
				cloud := 0.0
				for h := range unit.Instant(8) {
					cloud += w.At(noon+(9+h)*hour).Cloud01 / 8
				}
				rs := take(s, noon, 144, hour/6)
				if cloud < 0.3 {
					wet, _ := condensing(rs, 1.0/6, reading.BoardTemp)
					nights = append(nights, wet)
				}
			}
		}
		require.Greater(t, len(nights), 30)
		return median(nights)
	}
	healthy := medianNight()
	cracked := medianNight(Fault{Kind: CrackedCover, Size: 3})
	water := medianNight(Fault{Kind: WaterInside, Size: 20})
	t.Logf("median hours: healthy %.1f, cracked %.1f, water %.1f", healthy, cracked, water)
	require.LessOrEqual(t, healthy, 3.0)
	require.True(t, cracked >= 3 && cracked <= 9)
	require.True(t, water >= 8 && water <= 14)
}

// TestAnyBoxStaysPossible runs odd boxes and holds what must be true of all.
func TestAnyBoxStaysPossible(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := usual(rapid.Float64Range(-1, 300).Draw(t, "tau"))
		b.ThermalTauMin = rapid.Float64Range(-1, 200).Draw(t, "thermal")
		b.SkyCoolingK = rapid.Float64Range(0, 8).Draw(t, "sky")
		b.SelfHeatK = rapid.Float64Range(0, 8).Draw(t, "self")
		b.WindPerMS, b.Pumping = rapid.Float64Range(0, 1).Draw(t, "wind"), rapid.Bool().Draw(t, "pumping")
		b.Frost, b.WettingH = rapid.Bool().Draw(t, "frost"), rapid.Float64Range(0, 50).Draw(t, "wetting")
		for _, buffer := range []*Buffer{&b.Skin, &b.Bulk} {
			*buffer = Buffer{Share: rapid.Float64Range(0, 50).Draw(t, "share"), TauH: rapid.Float64Range(-1, 500).Draw(t, "buffer tau")}
		}
		b.Use = Use{RadioH: rapid.Float64Range(0, 30).Draw(t, "radio"), RadioMA: 30, Calls: rapid.Float64Range(0, 50).Draw(t, "calls"), TalkMA: 20, LongCalls: rapid.Float64Range(0, 1).Draw(t, "long")}
		b.SaltUS, b.SupplyDrift = rapid.Float64Range(0, 100).Draw(t, "salt"), rapid.Float64Range(0, 0.5).Draw(t, "drift")
		kinds := []FaultKind{
			CrackedCover, WaterInside, WallAir, Leakage, CurrentStep, StuckSensor, SensorCreep, Dropout,
			OpenedSeal, AgeingCover, SupplyLow, Repaired, SensorSwapped, "none",
		}
		var faults []Fault
		for range rapid.IntRange(0, 5).Draw(t, "faults") {
			f := Fault{
				Kind: rapid.SampledFrom(kinds).Draw(t, "kind"),
				From: start + unit.Instant(rapid.Int64Range(-100, 300).Draw(t, "from"))*hour,
				Size: rapid.Float64Range(0, 30).Draw(t, "size"),
			}
			if rapid.Bool().Draw(t, "ends") {
				f.To = f.From + unit.Instant(rapid.Int64Range(0, 100).Draw(t, "lasts"))*hour
			}
			faults = append(faults, f)
		}
		s := New(NewWeather(Lakeside(), rapid.Uint64().Draw(t, "seed")), b, faults, 1, start)
		at := start
		for range 60 {
			at += unit.Instant(rapid.Int64Range(-hour/10, 20*hour).Draw(t, "gap"))
			r := s.Next(at)
			require.Equal(t, at, r.Time)
			for c := range reading.NumChannels {
				if v, ok := r.Get(c); ok {
					lo, hi := c.Range()
					require.True(t, v >= lo && v <= hi, "%s is %v", c.Name(), v)
				}
			}
			for i, store := range s.water.stores {
				require.GreaterOrEqual(t, store.mass, 0.0, "store %d", i)
			}
			require.LessOrEqual(t, s.water.e, satWater(s.temp[inAir])*(1+1e-12), "the air holds no more")
		}
	})
}

// BenchmarkNext is a reading each ten minutes, of a plain box and of one with
// all that real ones have.
func BenchmarkNext(b *testing.B) {
	full := usual(12)
	full.WindPerMS, full.Pumping, full.Frost, full.WettingH = 0.1, true, true, 6
	full.Skin, full.Bulk = Buffer{0.5, 3}, Buffer{1, 100}
	full.Use, full.SaltUS, full.SupplyDrift = Use{RadioH: 3, RadioMA: 8, Calls: 4, LongCalls: 0.2, TalkMA: 40}, 1, 0.02
	for name, box := range map[string]Box{"plain": usual(12), "full": full} {
		b.Run(name, func(b *testing.B) {
			s := New(NewWeather(Lakeside(), 1), box, []Fault{{Kind: CrackedCover, Size: 3}}, 1, start)
			at := start
			for b.Loop() {
				at += hour / 6
				s.Next(at)
			}
			b.ReportMetric(float64(b.Elapsed())/float64(b.N)*365*144/1e9, "s/station-year")
		})
	}
}
