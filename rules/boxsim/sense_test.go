package boxsim

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

func median(x []float64) float64 {
	slices.Sort(x)
	return x[len(x)/2]
}

func TestChannelsAndRounding(t *testing.T) {
	all := take(New(NewWeather(Lakeside(), 1), usual(12), nil, 1, start), start, 500, hour/6)
	for _, r := range all {
		require.Empty(t, r.Flags)
		require.Empty(t, r.Run)
		require.Zero(t, r.Seq)
		for c := range reading.NumChannels {
			v := value(t, &r, c)
			text := fmt.Sprintf("%.*f", c.Places(), v)
			var back float64
			_, err := fmt.Sscan(text, &back)
			require.NoError(t, err)
			require.Equal(t, back, v, "%s is the nearest number with %d decimals", c.Name(), c.Places())
		}
	}

	bare := New(NewWeather(Lakeside(), 1), Box{}, nil, 1, start).Next(start)
	require.Equal(t, uint16(1<<reading.InsideTemp|1<<reading.InsideRH), bare.Present())
	noVolt := New(NewWeather(Lakeside(), 1), Box{HasLine: true, StandbyMA: 12}, nil, 1, start).Next(start)
	require.True(t, noVolt.Has(reading.LineCurrent))
	require.False(t, noVolt.Has(reading.LineVoltage))
}

// TestSaturatedSensorReadsAbove100: scatter is not cut off at 100 %RH.
func TestSaturatedSensorReadsAbove100(t *testing.T) {
	w := weatherFunc(func(unit.Instant) Air { return steady(10, 100) })
	above := 0
	for _, r := range take(New(w, Box{TauH: 1, Noise: 1, HasOutside: true}, nil, 1, start), start, 100, hour) {
		if value(t, &r, reading.InsideRH) > 100 {
			above++
		}
	}
	require.True(t, above > 20 && above < 80, "%d of 100", above)
}

func TestNoise(t *testing.T) {
	w := weatherFunc(func(unit.Instant) Air { return steady(10, 60) })
	b := usual(12)
	b.SkyCoolingK, b.SelfHeatK, b.Noise = 0, 0, 2
	rs := take(New(w, b, nil, 7, start), start, 20000, hour/60)
	for c, scatter := range map[reading.Channel]float64{
		reading.InsideTemp: tempScatter, reading.InsideRH: rhScatter, reading.BoardTemp: tempScatter,
		reading.OutsideRH: rhScatter, reading.LineVoltage: voltScatter,
	} {
		var sum, squares float64
		for i := range rs {
			v := value(t, &rs[i], c)
			sum += v
			squares += v * v
		}
		n := float64(len(rs))
		require.InEpsilon(t, 2*scatter, math.Sqrt(squares/n-sum/n*sum/n), 0.05, c.Name())
	}
	b.RHBias, b.BoardBias = 1.5, -0.3
	biased := take(New(w, b, nil, 7, start), start, 10, hour/60)
	for i := range biased {
		require.InDelta(t, value(t, &rs[i], reading.InsideRH)+1.5, value(t, &biased[i], reading.InsideRH), 0.0101)
		require.InDelta(t, value(t, &rs[i], reading.BoardTemp)-0.3, value(t, &biased[i], reading.BoardTemp), 0.0101)
	}
}

func TestFailedReads(t *testing.T) {
	b := usual(12)
	b.FailShare = 0.05
	failed := map[reading.Channel]int{}
	rs := take(New(NewWeather(Lakeside(), 1), b, nil, 1, start), start, 4000, hour/6)
	for i := range rs {
		for c := range reading.NumChannels {
			flagged := rs[i].HasFlag(reading.FlagFailed + c.Name())
			require.Equal(t, !rs[i].Has(c), flagged, "%s: %q", c.Name(), rs[i].Flags)
			if flagged {
				failed[c]++
			}
		}
		require.Equal(t, rs[i].Has(reading.InsideTemp), rs[i].Has(reading.InsideRH), "one sensor")
		require.Equal(t, rs[i].Has(reading.OutsideTemp), rs[i].Has(reading.OutsideRH), "one sensor")
	}
	for c := range reading.NumChannels {
		require.InDelta(t, 200, failed[c], 60, c.Name())
	}
}

func TestDropout(t *testing.T) {
	from, to := start+10*hour, start+20*hour
	s := New(NewWeather(Lakeside(), 1), usual(12), []Fault{{Kind: Dropout, From: from, To: to}}, 1, start)
	for at := start; at < start+30*hour; at += hour / 6 {
		r := s.Next(at)
		if at >= from && at < to {
			require.Equal(t, "failed:inside_temp_c,failed:inside_rh_pct", r.Flags)
			require.False(t, r.Has(reading.InsideTemp))
		} else {
			require.Empty(t, r.Flags)
			require.True(t, r.Has(reading.InsideTemp))
		}
		require.True(t, r.Has(reading.BoardTemp))
	}

	half := 0
	for _, r := range take(New(NewWeather(Lakeside(), 1), usual(12), []Fault{{Kind: Dropout, Size: 0.5}}, 1, start), start, 1000, hour/6) {
		if r.HasFlag("failed:inside_rh_pct") {
			half++
		}
	}
	require.InDelta(t, 500, half, 80)
}

// pair returns readings of two boxes that differ by a fault only.
func pair(t *testing.T, b Box, n int, faults ...Fault) (with, without []reading.Reading) {
	t.Helper()
	w := NewWeather(Quayside(), 4)
	return take(New(w, b, faults, 3, start), start, n, hour/6), take(New(w, b, nil, 3, start), start, n, hour/6)
}

func TestCurrentStep(t *testing.T) {
	from, to := start+100*hour, start+150*hour
	with, without := pair(t, usual(12), 1200, Fault{Kind: CurrentStep, From: from, To: to, Size: 2.5})
	for i := range with {
		want := value(t, &without[i], reading.LineCurrent)
		if with[i].Time >= from && with[i].Time < to {
			want += 2.5
		}
		// The step's own share of the meter's scatter comes on top.
		require.InDelta(t, want, value(t, &with[i], reading.LineCurrent), 0.006, "%s", with[i].Time)
	}
}

func TestSensorCreep(t *testing.T) {
	from := start + 24*hour
	with, without := pair(t, usual(12), 60*144, Fault{Kind: SensorCreep, From: from, Size: 8})
	for i := range with {
		days := max(0, float64(with[i].Time-from)/(24*hour))
		want := min(119, value(t, &without[i], reading.InsideRH)+8*days/25)
		require.InDelta(t, want, value(t, &with[i], reading.InsideRH), 0.011)
	}
}

func TestStuckSensor(t *testing.T) {
	from, to := start+50*hour, start+90*hour
	with, without := pair(t, usual(12), 1000, Fault{Kind: StuckSensor, From: from, To: to})
	held := 0.0
	for i := range with {
		if with[i].Time < from || with[i].Time >= to {
			require.Equal(t, without[i], with[i])
			held = value(t, &with[i], reading.InsideRH)
			continue
		}
		require.Equal(t, held, value(t, &with[i], reading.InsideRH))
		require.Equal(t, value(t, &without[i], reading.InsideTemp), value(t, &with[i], reading.InsideTemp))
	}

	scattered, _ := pair(t, usual(12), 1000, Fault{Kind: StuckSensor, Size: 0.5})
	first, different := value(t, &scattered[0], reading.InsideRH), 0
	for i := range scattered {
		v := value(t, &scattered[i], reading.InsideRH)
		require.InDelta(t, first, v, 4)
		if v != first {
			different++
		}
	}
	require.Greater(t, different, 900)
}

// TestLeakage: the current rises where the board is humid, after the fault
// began, more with time; the comb tells it more clearly.
func TestLeakage(t *testing.T) {
	from := start + 10*24*hour
	with, without := pair(t, usual(12), 60*144, Fault{Kind: Leakage, From: from, Size: 10})
	var humid, dry, early []float64
	for i := range with {
		extra := value(t, &with[i], reading.LineCurrent) - value(t, &without[i], reading.LineCurrent)
		age := with[i].Time - from
		rh := value(t, &with[i], reading.InsideRH)
		switch {
		case age < 0:
			require.Equal(t, without[i], with[i])
		case age < 3*24*hour && rh > 90:
			early = append(early, extra)
		case age > 21*24*hour && rh > 90:
			humid = append(humid, extra)
		case age > 21*24*hour && rh < 65:
			dry = append(dry, extra)
		}
	}
	require.True(t, median(humid) > 0.04 && median(humid) < 0.25, "%v mA of at most 10 µS × 24 V", median(humid))
	require.Less(t, median(dry), 0.01)
	require.Less(t, median(early), 0.2*median(humid))
	last := len(with) - 1
	require.Greater(t, value(t, &with[last], reading.Comb), 10*value(t, &without[last], reading.Comb))
}

// TestFilmConductance: a decade for each 15 %RH, none beyond saturation.
func TestFilmConductance(t *testing.T) {
	sat := satWater(12)
	require.InDelta(t, 1, filmConductance(sat, 12), 1e-12)
	require.InDelta(t, 1, filmConductance(1.2*sat, 12), 1e-12)
	require.InDelta(t, 0.1, filmConductance(0.85*sat, 12), 1e-12)
	require.InDelta(t, 0.01, filmConductance(0.70*sat, 12), 1e-12)
}

func TestWaterInsideComesAndGoes(t *testing.T) {
	from, to := start+48*hour, start+20*24*hour
	s := New(NewWeather(Quayside(), 4), usual(12), []Fault{{Kind: WaterInside, From: from, To: to, Size: 15}}, 1, start)
	puddle := &s.water.stores[sump]
	s.Next(from - hour/6)
	require.Zero(t, puddle.mass)
	s.Next(from + hour/6)
	require.InDelta(t, 15, puddle.mass, 0.01)
	s.Next(to - hour/6)
	require.True(t, puddle.mass > 12 && puddle.mass < 15, "%v g left", puddle.mass)
	s.Next(to + hour/6)
	require.Zero(t, puddle.mass)
	s.Next(to + 24*hour)
	require.Zero(t, puddle.mass)
}

// TestCrackedCover: the breathing time falls, never rises, and comes back;
// rain is let in meanwhile.
func TestCrackedCover(t *testing.T) {
	from, to := start+24*hour, start+48*hour
	rainy := steady(10, 80)
	rainy.RainMMh = 2
	w := weatherFunc(func(unit.Instant) Air { return rainy })
	s := New(w, usual(12), []Fault{{Kind: CrackedCover, From: from, To: to, Size: 2}, {Kind: CrackedCover, From: from, Size: 30}}, 1, start)
	s.Next(from)
	require.Zero(t, s.water.stores[sump].mass)
	require.Equal(t, 12.0, s.tau(from-1))
	require.Equal(t, 2.0, s.tau(from))
	require.Equal(t, 2.0, s.tau(to-1))
	require.Equal(t, 12.0, s.tau(to))
	s.Next(from + 5*hour)
	require.InDelta(t, 5*2*rainIn, s.water.stores[sump].mass, 0.3*5*2*rainIn)
	s.Next(to)
	require.LessOrEqual(t, s.water.stores[sump].mass, sumpHold)
	require.Greater(t, s.water.e, 1.05*s.outside)

	sheltered := New(w, usual(12), []Fault{{Kind: OpenedSeal, From: from, To: to, Size: 2}}, 1, start)
	sheltered.Next(from + 5*hour)
	require.Equal(t, 2.0, sheltered.tau(from))
	require.Zero(t, sheltered.water.stores[sump].mass)
}

// TestWallAir: vapour tends to the outdoor pressure plus the share of the
// house's excess.
func TestWallAir(t *testing.T) {
	w := weatherFunc(func(unit.Instant) Air { return steady(5, 50) })
	s := New(w, Box{TauH: 2}, []Fault{{Kind: WallAir, Size: 0.5}}, 1, start)
	s.Next(start + 100*hour)
	require.InDelta(t, s.outside+0.5*5.4*0.75, min(s.water.e, 99), 0.01)
}

// TestFaultFromStart: From 0 is the first reading, not 1970.
func TestFaultFromStart(t *testing.T) {
	with, without := pair(t, usual(12), 2, Fault{Kind: SensorCreep, Size: 8})
	require.Equal(t, without[0], with[0])
}

// TestSupplyLow: what is left of the voltage drives the current.
func TestSupplyLow(t *testing.T) {
	from, to := start+100*hour, start+150*hour
	b := usual(12)
	b.Noise = 0
	low, without := pair(t, b, 1200, Fault{Kind: SupplyLow, From: from, To: to, Size: 0.7})
	dead, _ := pair(t, b, 1200, Fault{Kind: SupplyLow, From: from, To: to})
	for i := range low {
		left, gone := 1.0, 1.0
		if at := low[i].Time; at >= from && at < to {
			left, gone = 0.7, 0
		}
		for _, c := range []reading.Channel{reading.LineCurrent, reading.LineVoltage} {
			require.InDelta(t, left*value(t, &without[i], c), value(t, &low[i], c), 0.001)
			require.InDelta(t, gone*value(t, &without[i], c), value(t, &dead[i], c), 0.001)
		}
	}
}

// TestSensorSwapped: the new sensor has its own error and none of the old
// one's faults; its own may come.
func TestSensorSwapped(t *testing.T) {
	b := usual(12)
	b.RHBias, b.Noise = 2, 0
	swap, again := start+48*hour, start+96*hour
	with, without := pair(t, b, 1000,
		Fault{Kind: SensorCreep, Size: 8},
		Fault{Kind: StuckSensor, From: start + 40*hour},
		Fault{Kind: SensorSwapped, From: swap, Size: -1.5},
		Fault{Kind: SensorCreep, From: again, Size: 5})
	for i := range with {
		at, plain := with[i].Time, value(t, &without[i], reading.InsideRH)-2
		got := value(t, &with[i], reading.InsideRH)
		switch {
		case at < start+40*hour:
			require.InDelta(t, plain+2+8*float64(at-start)/(25*24*hour), got, 0.011)
		case at >= swap && at < again:
			require.InDelta(t, plain-1.5, got, 0.011)
		case at >= again:
			require.InDelta(t, plain-1.5+5*float64(at-again)/(25*24*hour), got, 0.011)
		}
	}
}

// TestAgeingCover: half, and half again.
func TestAgeingCover(t *testing.T) {
	s := New(NewWeather(Quayside(), 4), Box{TauH: 40}, []Fault{{Kind: AgeingCover, From: start, Size: 30}}, 1, start)
	require.InDelta(t, 40, s.tau(start), 1e-9)
	require.InDelta(t, 20, s.tau(start+30*24*hour), 1e-9)
	require.InDelta(t, 10, s.tau(start+60*24*hour), 1e-9)
}

// TestRepaired: a new cover ends cracks and ageing, dries the box and may be
// better or worse than the old; a later crack is a crack in it.
func TestRepaired(t *testing.T) {
	day := unit.Instant(24 * hour)
	faults := []Fault{
		{Kind: CrackedCover, From: start + 5*day, Size: 3},
		{Kind: AgeingCover, From: start, Size: 30},
		{Kind: WaterInside, From: start + 6*day, Size: 10},
		{Kind: Repaired, From: start + 10*day, To: start + 11*day, Size: 90}, // for good, whatever To says
		{Kind: CrackedCover, From: start + 20*day, Size: 5},
		{Kind: Repaired, From: start + 25*day},
	}
	s := New(NewWeather(Quayside(), 4), Box{TauH: 40}, faults, 1, start)
	s.advance(start + 9*day)
	require.Equal(t, 3.0, s.tau(s.now))
	require.True(t, s.cracked(s.now))
	require.Greater(t, s.water.stores[sump].mass, 9.0)
	s.advance(start + 10*day + hour)
	require.False(t, s.cracked(s.now))
	require.Zero(t, s.water.stores[sump].mass)
	require.Zero(t, s.water.stores[coverFilm].mass)
	require.Equal(t, 90.0, s.tau(s.now))
	require.Equal(t, 90.0, s.tau(start+19*day))
	require.Equal(t, 5.0, s.tau(start+21*day))
	require.Equal(t, 40.0, s.tau(start+26*day), "as built")
}

// TestWetSensor: after an hour of fog the sensor shows 100 %RH for a while and
// comes down with its own time constant.
func TestWetSensor(t *testing.T) {
	dry := start + 24*hour
	s := New(change(dry, steady(10, 100), steady(10, 50)), Box{TauH: 0.05, WettingH: 6}, nil, 1, start)
	r := s.Next(dry)
	require.InDelta(t, 100, value(t, &r, reading.InsideRH), 1)
	s.Next(dry + 2*hour)
	from := s.wetted
	require.Greater(t, from, 0.6)
	r = s.Next(dry + 8*hour)
	require.InDelta(t, from/math.E, s.wetted, 1e-9)
	require.InDelta(t, 50+50*s.wetted, value(t, &r, reading.InsideRH), 0.02)
}

// TestBrineConductance: salt carries next to nothing until it deliquesces.
func TestBrineConductance(t *testing.T) {
	sat := satWater(12)
	require.InDelta(t, 1, brineConductance(sat, 12), 1e-6)
	require.Equal(t, brineConductance(sat, 12), brineConductance(1.3*sat, 12))
	require.Less(t, brineConductance(0.65*sat, 12), 0.001)
	require.Greater(t, brineConductance(0.80*sat, 12), 0.3)

	b := usual(12)
	b.Noise, b.SaltUS, b.Frost = 0, 10, true
	with, without := New(NewWeather(Quayside(), 4), b, nil, 3, start), New(NewWeather(Quayside(), 4), usual(12), nil, 3, start)
	without.box.Noise = 0
	humid := 0
	for at := start; at < start+60*24*hour; at += hour / 6 {
		a, c := with.Next(at), without.Next(at)
		if value(t, &a, reading.InsideRH) > 97 {
			humid++
			require.Greater(t, value(t, &a, reading.LineCurrent), value(t, &c, reading.LineCurrent)+0.1)
			require.Greater(t, value(t, &a, reading.Comb), value(t, &c, reading.Comb)+10)
		}
	}
	require.Positive(t, humid)
}

// TestFrozenFilmHardlyConducts: leakage sleeps below 0 °C, and wakes in the thaw.
func TestFrozenFilmHardlyConducts(t *testing.T) {
	comb := func(air unit.Celsius) float64 {
		s := New(weatherFunc(func(unit.Instant) Air { return steady(air, 97) }), Box{TauH: 1, HasComb: true, Frost: true}, nil, 1, start)
		r := s.Next(start)
		return value(t, &r, reading.Comb)
	}
	require.Less(t, comb(-0.5), 0.1*comb(0.5))
}

func TestBiases(t *testing.T) {
	b := usual(12)
	b.Noise = 0
	w := NewWeather(Quayside(), 4)
	plain := New(w, b, nil, 3, start).Next(start)
	b.AirBias, b.OutsideBias = 0.5, -2
	biased := New(w, b, nil, 3, start).Next(start)
	require.InDelta(t, value(t, &plain, reading.InsideTemp)+0.5, value(t, &biased, reading.InsideTemp), 0.011)
	require.InDelta(t, value(t, &plain, reading.OutsideRH)-2, value(t, &biased, reading.OutsideRH), 0.011)
}

// TestHeaterBurst: once a day the sensor is warm, flagged, and shows the RH of
// the same vapour at its own temperature; a stuck one shows what it always does.
func TestHeaterBurst(t *testing.T) {
	b := usual(12)
	b.Noise, b.HeaterH = 0, 24
	without := usual(12)
	without.Noise = 0
	w := NewWeather(Quayside(), 4)
	stuck := []Fault{{Kind: StuckSensor, From: start + 240*hour}}
	hot, cold := New(w, b, stuck, 3, start), New(w, without, stuck, 3, start)
	bursts := 0
	for at := start; at < start+480*hour; at += hour / 6 {
		a, c := hot.Next(at), cold.Next(at)
		if !a.HasFlag(reading.FlagHeater) {
			require.Equal(t, c, a)
			continue
		}
		bursts++
		temp := value(t, &c, reading.InsideTemp)
		require.InDelta(t, temp+heaterRise, value(t, &a, reading.InsideTemp), 0.011)
		want := value(t, &c, reading.InsideRH)
		if at < start+240*hour {
			want *= satWater(temp) / satWater(temp+heaterRise)
		}
		require.InDelta(t, want, value(t, &a, reading.InsideRH), 0.1)
	}
	require.Equal(t, 20, bursts)
}
