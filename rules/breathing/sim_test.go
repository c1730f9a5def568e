package breathing_test

import (
	"compress/gzip"
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/breathing"
	"dewpost/rules/means"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// The simulator of these tests: a box in a real year's weather. It shares
// nothing with rules/boxsim, and its physics differ: two buffers with a bent
// isotherm (a quick skin, a slow core), wind in the exchange, dew on a cover
// that the sky cools, a puddle that gives off vapour by mass transfer, and
// house air with a course of its own. Steps of ten minutes.

// hourly is an hour of real weather.
type hourly struct {
	temp, e, wind, cloud, rain float64
}

type year struct {
	name  string
	start time.Time
	hours []hourly
	rain  bool
	lat   float64
}

func magnus(t float64) float64 { return 6.112 * math.Exp(17.62*t/(243.12+t)) }

// readYear reads one of the real series beside the project, which are not part
// of it.
func readYear(t testing.TB, name string, lat float64) year {
	t.Helper()
	rows := sharedRows(t, name)
	col := map[string]int{}
	for i, c := range rows[0] {
		col[c] = i
	}
	y := year{name: name, lat: lat}
	y.start, _ = time.Parse(time.RFC3339, rows[1][0])
	num := func(row []string, c string, or float64) float64 {
		i, ok := col[c]
		if !ok || row[i] == "" {
			return or
		}
		v, err := strconv.ParseFloat(row[i], 64)
		require.NoError(t, err)
		return v
	}
	_, y.rain = col["rain_mm"]
	last := hourly{temp: 5, e: 7, wind: 4, cloud: 5}
	for _, row := range rows[1:] {
		h := hourly{temp: num(row, "temp_c", last.temp), wind: num(row, "wind_ms", last.wind), rain: max(0, num(row, "rain_mm", 0))}
		h.e = magnus(h.temp) * num(row, "rh_pct", 80) / 100
		h.cloud = min(8, num(row, "cloud", 5))
		y.hours = append(y.hours, h)
		last = h
	}
	return y
}

func sharedRows(t testing.TB, name string) [][]string {
	t.Helper()
	f, err := os.Open("../../../shared/data/" + name)
	if err != nil { // of a checkout one folder deeper
		f, err = os.Open("../../../../shared/data/" + name)
	}
	if err != nil {
		t.Skipf("without the real series: %v", err)
	}
	defer func() { require.NoError(t, f.Close()) }()
	z, err := gzip.NewReader(f)
	require.NoError(t, err)
	rows, err := csv.NewReader(z).ReadAll()
	require.NoError(t, err)
	return rows
}

// box is what is simulated.
type box struct {
	tau       float64 // h, of the exchange alone
	wind      float64 // the exchange grows by this share for each m/s above 4
	skin      float64 // buffer in equilibrium within the hour, in volumes of air
	core      float64 // slow buffer
	coreLag   float64 // h
	sun       float64 // K at full sun
	self      float64 // K
	sky       float64 // K that the cover falls below the air in a clear calm night
	biasIn    float64 // %RH
	biasOut   float64
	cover     bool    // it has a cover sensor
	rain      bool    // the caller hands in rain
	dropout   float64 // share of slots without values
	flush     bool
	post      bool
	wallShare float64 // from wallDay
	wallDay   int
	comfort   float64 // hPa in the house, whatever the weather; 0: as people make it
	openTau   float64 // from openDay
	openDay   int
	ageing    float64 // days in which the breathing time falls by e, from openDay
	waterG    float64 // hPa-equivalents of water, on waterDay
	waterRate float64 // 1/h of transfer from the puddle
	waterDay  int
	rainIn    float64 // hPa-equivalents of water for each mm of rain, from openDay
	driftDay  int
	drift     float64 // %RH a day, of the inside sensor, from driftDay, for 40 days
}

// run simulates days of a box from an hour of the year on, which goes round.
func (b box) run(y year, first, days int, seed uint64) []slot {
	rnd := rand.New(rand.NewPCG(seed, 7))
	start := unit.At(y.start.Truncate(time.Hour)).Add(time.Duration(first) * time.Hour)
	at := func(step int) hourly {
		f := float64(step)/6 + float64(first)
		n := len(y.hours)
		i := int(f)
		w := f - float64(i)
		a, c := y.hours[i%n], y.hours[(i+1)%n]
		return hourly{
			a.temp + w*(c.temp-a.temp), a.e + w*(c.e-a.e), a.wind + w*(c.wind-a.wind),
			a.cloud + w*(c.cloud-a.cloud), c.rain,
		}
	}
	o := at(0)
	air, cover := o.temp, o.temp
	e := o.e
	core := e / magnus(air)
	var film, puddle float64
	puddleT := o.temp
	house := 4.0
	const dt = 1.0 / 6
	out := make([]slot, 0, days*144)
	total := e + b.skin*scale*isotherm(e/magnus(air)) // in air and skin
	sense := e
	for i := range days * 144 {
		o := at(i)
		day := float64(i) / 144
		now := start.Add(time.Duration(i) * 10 * time.Minute)
		clock := now.Time()
		doy, hod := float64(clock.YearDay()), float64(clock.Hour())+float64(clock.Minute())/60
		decl := 0.409 * math.Sin(2*math.Pi*(doy-81)/365)
		lat := y.lat * math.Pi / 180
		height := math.Sin(lat)*math.Sin(decl) + math.Cos(lat)*math.Cos(decl)*math.Cos((hod-12)*math.Pi/12)
		light := max(0, height) * (1 - 0.75*math.Pow(o.cloud/8, 3))
		clear := (1 - 0.8*o.cloud/8) / (1 + 0.2*o.wind)
		air += (o.temp + b.self + b.sun*light - air) * (1 - math.Exp(-dt/0.4))
		cover += (o.temp + b.sun*1.3*light - b.sky*clear - cover) * (1 - math.Exp(-dt/0.3))
		puddleT += (o.temp + b.self*0.5 + b.sun*0.8*light - puddleT) * (1 - math.Exp(-dt/1.0))

		tau := b.tau
		if b.openTau > 0 && day >= float64(b.openDay) {
			tau = b.openTau
		}
		if b.ageing > 0 && day >= float64(b.openDay) {
			tau *= math.Exp(-(day - float64(b.openDay)) / b.ageing)
		}
		k := max(0.3, 1+b.wind*(o.wind-4)) / tau
		source := o.e
		if b.wallShare > 0 && day >= float64(b.wallDay) {
			load := 6 * min(1, max(0.1, 1-o.temp/20)) // hPa, as in a well-used house
			house += (load*(1+0.4*math.Sin(2*math.Pi*(hod-14)/24)) - house) * (1 - math.Exp(-dt/6))
			if b.comfort > 0 {
				house = max(0, b.comfort-o.e)
			}
			source += b.wallShare * house
		}
		if b.waterG > 0 && i == b.waterDay*144 {
			puddle = b.waterG
		}
		if b.rainIn > 0 && day >= float64(b.openDay) {
			puddle += b.rainIn * o.rain / 6
		}
		sat, dewAt, wetAt := magnus(air), magnus(cover), magnus(puddleT)
		for range 5 {
			const dt = dt / 5
			r := e / sat
			toCore := (r - core) / b.coreLag
			core += toCore * dt
			dew := max(1.5*(e-dewAt), -film/dt)
			film += dew * dt
			gives := min(max(b.waterRate, 0.5)*(wetAt-e), puddle/dt)
			if puddle <= 0 {
				gives = 0
			}
			puddle -= gives * dt
			total += (k*(source-e) - b.core*scale*toCore - dew + gives) * dt
			for range 3 { // Newton
				r := e / sat
				e -= (e + b.skin*scale*isotherm(r) - total) / (1 + b.skin*scale*(0.6+1.2*r*r)/sat)
				e = max(e, 0.2)
			}
			if e > sat { // fog drops out
				film += e - sat
				e = sat
				total = e + b.skin*scale*isotherm(1)
			}
		}
		sense += (e/sat*100 - sense) * 0.6
		if i == 0 {
			sense = e / sat * 100
		}
		sl := slot{m: means.Mean{Start: now, Done: now.Add(means.Step), Last: now.Add(9 * time.Minute), N: 10}}
		set := func(c reading.Channel, v float64) {
			v = math.Round(v*100) / 100
			sl.m.Ch[c] = means.Channel{N: 10, Mean: v, Min: v, Max: v}
		}
		if rnd.Float64() >= b.dropout {
			set(reading.InsideTemp, air+0.05*rnd.NormFloat64())
			set(reading.InsideRH, min(100, max(0.5, sense+b.biasIn+b.drift*min(max(0, day-float64(b.driftDay)), 40)+0.2*rnd.NormFloat64())))
			set(reading.OutsideTemp, o.temp+0.05*rnd.NormFloat64())
			set(reading.OutsideRH, min(100, max(0.5, 100*o.e/magnus(o.temp)+b.biasOut+0.2*rnd.NormFloat64())))
			if b.cover {
				set(reading.CoverTemp, cover)
			}
		}
		if b.rain && y.rain {
			rain := o.rain
			sl.now.Rain = &rain
		}
		sl.now.Flush, sl.now.Post = b.flush, b.post
		out = append(out, sl)
	}
	return out
}

// scale is the vapour pressure, hPa, that a buffer of one volume holds at
// saturation.
const scale = 13.0

func isotherm(r float64) float64 { return 0.6*r + 0.4*r*r*r }

type slot struct {
	m   means.Mean
	now breathing.Facts
}

func judge(slots []slot) *breathing.State {
	var s breathing.State
	for i := range slots {
		s.Step(&slots[i].m, slots[i].now)
	}
	return &s
}

// healthy draws a box without a fault. rough adds what real ones have: sensor
// bias, wind, buffers.
func healthy(rnd *rand.Rand, rough bool) box {
	taus := []float64{1.5, 3, 6, 12, 25, 60, 120}
	b := box{
		tau: taus[rnd.IntN(len(taus))] * math.Exp(0.2*rnd.NormFloat64()),
		sun: 10 * rnd.Float64(), self: 0.2 + rnd.Float64(), sky: 4 * rnd.Float64(), coreLag: 40,
		cover: rnd.IntN(2) == 0, rain: rnd.IntN(2) == 0, flush: rnd.IntN(3) == 0,
		dropout: 0.02 * rnd.Float64(),
	}
	if rough {
		b.biasIn, b.biasOut = 1.8*rnd.NormFloat64(), 1.8*rnd.NormFloat64()
		b.wind = 0.15 * rnd.Float64()
		b.skin, b.core = 0.8*rnd.Float64(), 0.8*rnd.Float64()
	}
	return b
}
