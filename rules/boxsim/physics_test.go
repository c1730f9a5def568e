package boxsim

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/moistair"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// row is one line of testdata/boxsim/checks.csv.
type row struct {
	in        map[string]float64
	want, tol float64
}

// TestChecks holds the simulated box to values that others computed from the
// laws that it should follow. No row is left out.
func TestChecks(t *testing.T) {
	f, err := os.Open("../../testdata/boxsim/checks.csv")
	require.NoError(t, err)
	defer func() { require.NoError(t, f.Close()) }()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	require.Len(t, rows[1:], 31)
	number := func(s string) float64 {
		x, err := strconv.ParseFloat(s, 64)
		require.NoError(t, err)
		return x
	}
	for _, cells := range rows[1:] {
		t.Run(cells[0]+" "+cells[2], func(t *testing.T) {
			x := row{in: map[string]float64{}, want: number(cells[4]), tol: number(cells[6])}
			for part := range strings.SplitSeq(cells[3], ";") {
				name, value, ok := strings.Cut(part, "=")
				require.True(t, ok)
				x.in[name] = number(value)
			}
			check := quantities[cells[2]]
			require.NotNil(t, check, "no check for %q", cells[2])
			check(t, x)
		})
	}
}

// Beside a row's tolerance the simulation may differ by what its step of ten
// minutes costs.
var quantities = map[string]func(*testing.T, row){
	"daily_attenuation": func(t *testing.T, r row) {
		size, _ := dailyCycle(r.in["tau_h"])
		require.InDelta(t, r.want, size, r.tol+1e-3*r.want)
	},
	"daily_lag_hours": func(t *testing.T, r row) {
		_, lag := dailyCycle(r.in["tau_h"])
		require.InDelta(t, r.want, lag, r.tol+5e-3)
	},
	"step_response_fraction": func(t *testing.T, r row) {
		require.InDelta(t, r.want, stepTo(4, 10, r.in["tau_h"], r.in["t_h"]), r.tol+1e-9)
	},
	"w_in_step": func(t *testing.T, r row) {
		from, to := r.in["w0_gm3"], r.in["w_out_gm3"]
		require.InDelta(t, r.want, from+(to-from)*stepTo(from, to, r.in["tau_h"], r.in["t_h"]), r.tol)
	},
	// The fraction that a row takes at the mean temperature is that of the
	// small cycle: the exact one is ln of the ratio of the temperatures.
	"breathed_fraction_per_cycle": func(t *testing.T, r row) {
		low, high := r.in["T_K"]-r.in["dT_K"]/2, r.in["T_K"]+r.in["dT_K"]/2
		got := breathed(low-kelvin, high-kelvin)
		require.InDelta(t, math.Log(high/low), got, 1e-3*r.want)
		require.InDelta(t, r.want, got, r.tol+math.Pow(r.want, 3)/12*1.1+1e-3*r.want)
	},
	"sky_emissivity_clear": func(t *testing.T, r row) {
		view := skyView(Air{}, r.in["Td_C"])
		require.InDelta(t, r.want, 1-0.26*view, r.tol+1e-9)
	},
}

// humidity is air of 15 °C whose vapour pressure in hPa is a function of time,
// on an overcast day.
func humidity(e func(unit.Instant) float64) Weather {
	return weatherFunc(func(t unit.Instant) Air { return steady(15, unit.Percent(100*e(t)/satWater(15))) })
}

// dailyCycle returns amplitude and lag in h of the vapour inside behind a
// daily cycle of amplitude 1 outdoors.
func dailyCycle(tau float64) (size, lag float64) {
	const mean, daily = 10.0, 2 * math.Pi / 24
	s := New(humidity(func(t unit.Instant) float64 {
		return mean + math.Cos(daily*float64(t-start)/hour)
	}), Box{TauH: tau}, nil, 1, start)
	s.Next(start + unit.Instant(12*tau+48)/24*24*hour) // what was at the start is forgotten
	var re, im float64
	from := s.now
	const n = 24 * 6
	for i := range unit.Instant(n) {
		s.Next(from + i*hour/6)
		turn := daily * float64(s.now-start) / hour
		re += (s.water.e - mean) * math.Cos(turn) * 2 / n
		im += (s.water.e - mean) * math.Sin(turn) * 2 / n
	}
	return math.Hypot(re, im), math.Atan2(im, re) / daily
}

// stepTo is the share of a step in vapour density from one value to another
// that the inside has followed after h hours.
func stepTo(from, to, tau, h float64) float64 {
	w := humidity(func(t unit.Instant) float64 {
		if t <= start {
			return from
		}
		return to
	})
	s := New(w, Box{TauH: tau}, nil, 1, start)
	// The step falls into the first instant after start.
	s.advance(start + 1)
	first := s.water.e
	s.advance(start + 1 + unit.Instant(h*hour))
	return (s.water.e - first) / (to - first)
}

// breathed is the exchange of a tight box over one swing of its temperature
// down and up, as the share of the difference to outdoors that it takes, on a
// logarithmic scale.
func breathed(low, high float64) float64 {
	w := weatherFunc(func(t unit.Instant) Air {
		x := 0.5 + 0.5*math.Cos(2*math.Pi*float64(t-start)/(24*hour))
		temp := low + (high-low)*x
		return Air{Temp: unit.Celsius(temp), RH: unit.Percent(100 * 3 / satWater(temp)), WindMS: 5, Cloud01: 1}
	})
	s := New(w, Box{TauH: 1e12, Pumping: true, ThermalTauMin: 0.01}, nil, 1, start)
	s.water.e = 3.5
	s.advance(start + 24*hour)
	return math.Log(0.5 / (s.water.e - 3))
}

// TestVapourInsideAgainstDewPointTable: air that comes in and is warmed keeps
// its dew point. A published table gives, for each inside temperature and RH,
// the dew point that outdoor air saturated at that temperature brings along.
func TestVapourInsideAgainstDewPointTable(t *testing.T) {
	f, err := os.Open("../../testdata/moistair/dewpoint_table_published.csv")
	require.NoError(t, err)
	defer func() { require.NoError(t, f.Close()) }()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	n := 0
	for _, cells := range rows[1:] {
		inside, err := strconv.ParseFloat(cells[0], 64)
		require.NoError(t, err)
		for i, cell := range cells[1:] {
			if cell == "" {
				continue
			}
			rh, err := strconv.ParseFloat(strings.TrimPrefix(rows[0][i+1], "RH"), 64)
			require.NoError(t, err)
			dew, err := strconv.ParseFloat(cell, 64)
			require.NoError(t, err)
			if dew < 0 || inside-dew > 15 {
				continue // below 0 °C air is not saturated over water
			}
			warm := inside - dew
			s := New(weatherFunc(func(unit.Instant) Air { return steady(unit.Celsius(dew), 100) }), Box{TauH: 2, SelfHeatK: warm / parts[inAir].self}, nil, 1, start)
			r := s.Next(start + 24*hour)
			require.InDelta(t, inside, value(t, &r, reading.InsideTemp), 0.011)
			// Half of the table's last digit is 0.05 K of dew point: 0.35 %RH,
			// and its own formula differs from ours by as much again.
			require.InDelta(t, rh, value(t, &r, reading.InsideRH), 0.8, "%v °C, dew point %v °C", inside, dew)
			n++
		}
	}
	require.Greater(t, n, 80)
}

// TestPuddleInBalance: between what the puddle gives off and what the opening
// takes the vapour pressure settles where both are equal.
func TestPuddleInBalance(t *testing.T) {
	for _, tau := range []float64{0.05, 0.1, 0.2} {
		w := weatherFunc(func(unit.Instant) Air { return steady(15, 30) })
		s := New(w, Box{TauH: tau, SelfHeatK: 12}, []Fault{{Kind: WaterInside, Size: 400}}, 1, start)
		s.Next(start + 100*hour)
		puddle := s.water.stores[sump]
		give := sumpRate * puddle.mass / (puddle.mass + sumpHalf)
		want := (s.outside/tau + give*satWater(s.temp[inSump])) / (1/tau + give)
		require.InDelta(t, want, s.water.e, 0.05, "tau %v: the puddle shrinks slowly", tau)
		require.Less(t, s.water.e, satWater(s.temp[inBoard]), "warm inside: no dew")
		require.Less(t, s.water.e, satWater(s.temp[inCover]))
		before := puddle.mass
		s.Next(start + 101*hour)
		lost := before - s.water.stores[sump].mass
		require.InEpsilon(t, gramsPerHPa*(want-s.outside)/tau, lost, 0.01, "what evaporates leaves by the opening")
	}
}

// TestAirHoldsNoMoreThanSaturation: beside a puddle that is warmer than the
// air fog forms, and the water stays in the box.
func TestAirHoldsNoMoreThanSaturation(t *testing.T) {
	s := New(NewWeather(Lakeside(), 3), usual(12), []Fault{{Kind: WaterInside, Size: 30}}, 1, start)
	highest := 0.0
	for at := start; at < start+60*24*hour; at += hour / 6 {
		s.Next(at)
		highest = max(highest, s.water.e/satWater(s.temp[inAir]))
	}
	require.LessOrEqual(t, highest, 1+1e-12)
	require.Greater(t, highest, 0.9999)
}

// TestTightSimKeepsItsWater runs whole boxes with everything that moves water
// inside, and no opening.
func TestTightSimKeepsItsWater(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := usual(1e15)
		b.Frost = rapid.Bool().Draw(t, "frost")
		b.Skin = Buffer{Share: rapid.Float64Range(0, 5).Draw(t, "skin"), TauH: rapid.Float64Range(0, 20).Draw(t, "skin tau")}
		b.Bulk = Buffer{Share: rapid.Float64Range(0, 50).Draw(t, "bulk"), TauH: rapid.Float64Range(0, 500).Draw(t, "bulk tau")}
		begin := date(1, rapid.IntRange(1, 365).Draw(t, "day"), 0)
		s := New(NewWeather(Lakeside(), rapid.Uint64().Draw(t, "seed")), b, nil, 1, begin)
		s.water.stores[sump].mass = rapid.Float64Range(0, 20).Draw(t, "grams")
		before := s.water.grams()
		least := 0.0
		for at := begin; at < begin+6*24*hour; at += hour / 6 {
			s.advance(at)
			for _, store := range s.water.stores {
				least = min(least, store.mass)
			}
		}
		require.Zero(t, least, "no store owes water")
		require.InEpsilon(t, before, s.water.grams(), 1e-9)
	})
}

// TestBufferSlowsTheBox compares with the two linear laws of air and wall,
// solved by their eigenvalues.
func TestBufferSlowsTheBox(t *testing.T) {
	const tau, from, to = 20.0, 6.0, 10.0
	for _, wall := range []Buffer{{Share: 0.5, TauH: 1}, {Share: 0.8, TauH: 6}, {Share: 2, TauH: 0}, {Share: 0.4, TauH: 100}} {
		cool := weatherFunc(func(t unit.Instant) Air {
			e := from
			if t > start {
				e = to
			}
			return steady(10, unit.Percent(100*e/satWater(10)))
		})
		s := New(cool, Box{TauH: tau, Skin: wall}, nil, 1, start)
		wall.TauH = max(wall.TauH, minBufferTau)
		k := wall.Share / wall.TauH
		// d(e−to)/dt = −(1/τ + k)x + k·y and dy/dt = (x − y)/TauH, y for the wall.
		a, d := -(1/tau + k), -1/wall.TauH
		root := math.Sqrt((a-d)*(a-d)/4 + k/wall.TauH)
		slow, fast := (a+d)/2+root, (a+d)/2-root
		x0, y0 := from-to, from-to
		v := (a*x0 + k*y0 - slow*x0) / (fast - slow) // share of the fast mode in x0
		for h := 1.0; h < 100; h += 9 {
			s.advance(start + unit.Instant(h*hour))
			want := to + v*math.Exp(fast*h) + (x0-v)*math.Exp(slow*h)
			require.InDelta(t, want, s.water.e, 0.03, "%+v after %v h", wall, h)
		}
		if wall.TauH < 2 {
			require.InEpsilon(t, tau*(1+wall.Share), -1/slow, 0.03, "the breathing time that shows")
		}
	}
}

// TestWarmBoxGivesOffVapour: walls follow RH, so that warming alone raises the
// vapour pressure of a tight box to the one that shares its water out evenly.
func TestWarmBoxGivesOffVapour(t *testing.T) {
	w := change(start, steady(10, 60), steady(25, 60))
	b := Box{TauH: 1e15, Skin: Buffer{Share: 1.5, TauH: 2}}
	s := New(w, b, nil, 1, start)
	before := 0.6 * satWater(10)
	s.advance(start + 200*hour)
	// Conserved: e + Share·es(10)·e/es(T).
	want := before * (1 + 1.5) / (1 + 1.5*satWater(10)/satWater(25))
	require.InEpsilon(t, want, s.water.e, 0.002)
	require.Greater(t, s.water.e, 1.4*before)
}

// TestWindSpeedsTheExchange: TauH is that of calm air.
func TestWindSpeedsTheExchange(t *testing.T) {
	w := humidity(func(t unit.Instant) float64 {
		if t <= start {
			return 5
		}
		return 10
	}) // wind 5 m/s
	s := New(w, Box{TauH: 12, WindPerMS: 0.1}, nil, 1, start)
	s.advance(start + 1)
	s.advance(start + 1 + 8*hour)
	require.InDelta(t, 10-5*math.Exp(-1), s.water.e, 1e-6)
}

// TestPuddleFreezes: the sump stays at 0 °C for as long as the heat of fusion
// takes to leave by the lag of the sump, and for as long again to thaw.
func TestPuddleFreezes(t *testing.T) {
	const grams, thermal = 10.0, 20.0
	run := func(air unit.Celsius, ice float64) (hours float64) {
		s := New(weatherFunc(func(unit.Instant) Air { return steady(air, 80) }), Box{TauH: 1e15, ThermalTauMin: thermal, Frost: true}, nil, 1, start)
		s.water.stores[sump].mass = grams
		s.temp[inSump], s.frozen[inSump] = 0, ice
		for at := start + hour/60; at < start+60*hour; at += hour / 60 {
			s.advance(at)
			if math.Abs(s.temp[inSump]) < 1e-9 {
				hours += 1.0 / 60
			}
		}
		return hours
	}
	lag := parts[inSump].lag * thermal / 60
	want := grams * sumpFusion * lag / 4 // driven by 4 K
	require.InEpsilon(t, want, run(unit.Celsius(-4-parts[inSump].wall), 0), 0.03)
	require.InEpsilon(t, want, run(unit.Celsius(4-parts[inSump].wall), grams), 0.03)
	require.Zero(t, run(unit.Celsius(-4-parts[inSump].wall), grams), "ice cools on")
}

// TestFrostStays: frost beyond what would cling as water runs off when it thaws.
func TestFrostStays(t *testing.T) {
	s := New(weatherFunc(func(unit.Instant) Air { return steady(-6, 95) }), Box{TauH: 1e15, Frost: true}, nil, 1, start)
	s.water.stores[boardFilm].mass = 3 * filmHold
	s.advance(start + 24*hour)
	require.Greater(t, s.water.stores[boardFilm].mass, 2.9*filmHold)
	s.weather = weatherFunc(func(unit.Instant) Air { return steady(6, 95) })
	s.advance(start + 48*hour)
	require.LessOrEqual(t, s.water.stores[boardFilm].mass, filmHold)
	require.Greater(t, s.water.stores[sump].mass, 0.0)
}

// TestSealedBoxFollowsSaturation is the sign of liquid water that the trade
// knows: the dew point inside goes up and down with the temperature.
func TestSealedBoxFollowsSaturation(t *testing.T) {
	w := weatherFunc(func(t unit.Instant) Air {
		return steady(unit.Celsius(12+6*math.Sin(2*math.Pi*float64(t)/(24*hour))), 55)
	})
	s := New(w, Box{TauH: 60}, []Fault{{Kind: WaterInside, Size: 50}}, 1, start)
	s.advance(start + 48*hour)
	for at := start + 48*hour; at < start+96*hour; at += hour {
		r := s.Next(at)
		temp, rh := value(t, &r, reading.InsideTemp), value(t, &r, reading.InsideRH)
		dew := float64(moistair.DewPoint(unit.Celsius(temp), unit.Percent(min(100, rh))))
		require.Greater(t, dew, float64(moistair.DewPoint(s.air.Temp, s.air.RH))+2)
		require.InDelta(t, temp, dew, 4)
	}
}
