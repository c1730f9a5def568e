package sensing_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"dewpost/rules/finding"
	"dewpost/rules/means"
	"dewpost/rules/reading"
	"dewpost/rules/sensing"
	"dewpost/rules/unit"
)

// The simulator of these tests shares nothing with rules/boxsim: made-up
// weather of three drifting waves, a box with exchange, one buffer with a bent
// isotherm, dew and frost on a cold cover, and house air or a puddle where asked
// for. Readings every twelve minutes; the vapour is stepped by a minute.

var begin = unit.At(time.Date(2024, 2, 10, 0, 0, 0, 0, time.UTC))

const (
	day  = 24 * time.Hour
	step = 12 * time.Minute
)

type box struct {
	tau, buffer, sky, sun float64
	mean, season          float64 // °C of the weather
	damp                  float64 // mean RH outdoors
	biasIn, biasOut       float64
	scatter               float64
	wall                  float64 // share of house air from day 60
	grows                 float64 // days in which that comes
	flush                 bool
	cooled                float64 // share of air from a house that is cooled and dried to 13 hPa
	puddle                float64 // hPa that it could give, from day 60
	board, peer           bool
	house                 bool       // air from the house is known of
	water                 bool       // water is known of …
	known                 [2]float64 // … between these days; 0, 0: always
	open, shut            float64    // days between which it breathes in 3 h; 0, 0: never

	rh   func(day, rh float64) float64 // what the sensor shows for the truth
	edit func(day float64, r *reading.Reading)
}

func es(t float64) float64 { return 6.112 * math.Exp(17.62*t/(243.12+t)) }

func esIce(t float64) float64 { return 6.112 * math.Exp(22.46*t/(272.62+t)) }

// run gives what the box's sensors show, to a function.
func (b *box) run(seed uint64, days int, each func(*reading.Reading, *sensing.Air)) {
	rnd := rand.New(rand.NewPCG(seed, 7))
	phase := [6]float64{}
	for i := range phase {
		phase[i] = 2 * math.Pi * rnd.Float64()
	}
	var front, moist, cloud float64
	e, held, film, puddle := -1.0, 0.0, 0.0, 0.0
	for i := range days * 120 {
		d := float64(i) / 120
		const dt = 0.2 // h
		front += -front*dt/70 + 2.4*math.Sqrt(2*dt/70)*rnd.NormFloat64()
		moist += -moist*dt/50 + 1.6*math.Sqrt(2*dt/50)*rnd.NormFloat64()
		cloud += -cloud*dt/20 + math.Sqrt(2*dt/20)*rnd.NormFloat64()
		clear := 1 / (1 + math.Exp(2*cloud))
		year := math.Sin(2 * math.Pi * (d - 70) / 365)
		hod := math.Mod(d, 1) * 24
		light := max(0, math.Sin((hod-6)*math.Pi/12)) * (0.55 + 0.45*year) * (0.25 + 0.75*clear)
		out := b.mean + b.season*year + front + moist/2 + (2+4*clear)*(0.6+0.4*year)*math.Sin((hod-9)*math.Pi/12)
		dew := b.mean + b.season*year - (100-b.damp)/5 + moist + front*0.8
		eOut := min(es(dew), es(out))
		air := out + 0.6 + b.sun*light - 0.4*b.sky*clear*float64(b2i(light == 0))
		cover := air - 0.6*b.sky*clear*float64(b2i(light == 0))
		if e < 0 {
			e = eOut
		}
		if b.puddle > 0 && i == 60*120 {
			puddle = b.puddle
		}
		tau := b.tau
		if d >= b.open && d < b.shut {
			tau = 3
		}
		source := eOut
		if b.wall > 0 && d >= 60 {
			source += b.wall * min(1, (d-60)/max(b.grows, 1e-9)) * 7 * min(1, max(0.1, 1-out/20))
		}
		source -= b.cooled * max(0, eOut-13)
		for range 6 {
			const dt = dt / 6
			r := e / es(air)
			held += (12*b.buffer*(0.6*r+0.4*r*r*r) - held) * dt / 5
			take := (12*b.buffer*(0.6*r+0.4*r*r*r) - held) / 5
			onCover := es(cover)
			if cover < 0 {
				onCover = esIce(cover)
			}
			wet := max(0.8*(e-onCover), -film/dt)
			film += wet * dt
			give := min(4*max(0, es(out)-e), puddle/dt)
			puddle -= give * dt
			e += ((source-e)/tau - take - wet + give) * dt
			if most := es(air); e > most {
				film += e - most
				e = most
			}
		}
		r := reading.Reading{Time: begin.Add(time.Duration(i) * step)}
		set := func(c reading.Channel, v float64) { r.Set(c, math.Round(v*100)/100) }
		rh := 100*e/es(air) + b.biasIn
		if b.rh != nil {
			rh = b.rh(d, rh)
		}
		set(reading.InsideTemp, air+0.03*rnd.NormFloat64())
		set(reading.InsideRH, min(119, rh+b.scatter*rnd.NormFloat64()))
		if b.board {
			set(reading.BoardTemp, air-0.2*b.sky*clear*float64(b2i(light == 0))+0.3+0.03*rnd.NormFloat64())
		}
		rhOut := max(1, 100*eOut/es(out)+b.biasOut+0.1*rnd.NormFloat64())
		var peer *sensing.Air
		if b.peer {
			peer = &sensing.Air{Temp: unit.Celsius(out), RH: unit.Percent(min(100, rhOut))}
		} else {
			set(reading.OutsideTemp, out+0.03*rnd.NormFloat64())
			set(reading.OutsideRH, rhOut)
		}
		if b.edit != nil {
			b.edit(d, &r)
			r = reading.Merge([]reading.Reading{r})[0]
		}
		each(&r, peer)
	}
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// judge follows the box.
func (b *box) judge(seed uint64, days int) *sensing.State {
	var s sensing.State
	var m means.Builder
	b.run(seed, days, func(r *reading.Reading, peer *sensing.Air) {
		if slot, ok := m.Add(r); ok {
			slot.Done = r.Time
			d := float64(r.Time-begin) / float64(day)
			water := b.water && (b.known[1] == 0 || d >= b.known[0] && d < b.known[1])
			s.Step(&slot, sensing.Facts{Peer: peer, Flush: b.flush || b.cooled > 0, House: b.house, Water: water})
		}
	})
	return &s
}

// draw draws a sound box; rough ones have biased sensors and a buffer.
func draw(seed uint64, rough bool) *box {
	rnd := rand.New(rand.NewPCG(seed, 3))
	b := &box{
		tau: []float64{3, 6, 12, 25, 60}[rnd.IntN(5)], sky: 1 + 4*rnd.Float64(), sun: 2 + 8*rnd.Float64(),
		mean: 6 + 6*rnd.Float64(), season: 5 + 5*rnd.Float64(), damp: 72 + 14*rnd.Float64(), scatter: 0.15, board: rnd.IntN(2) == 0, peer: rnd.IntN(4) == 0,
	}
	if rough {
		b.buffer, b.biasIn, b.biasOut = rnd.Float64(), 1.8*rnd.NormFloat64(), 1.2*rnd.NormFloat64()
	}
	return b
}

// after returns the first finding concluded from day d on, and how many days
// later that was.
func after(s *sensing.State, d float64) (f finding.Finding, days float64) {
	for _, f := range s.Findings() {
		if late := float64(f.Concluded-begin)/float64(day) - d; late >= 0 {
			return f, late
		}
	}
	return finding.Finding{}, math.Inf(1)
}

func name(f finding.Finding) string {
	if len(f.Evidence) == 0 {
		return ""
	}
	return f.Evidence[0].Name
}

func fleet(t *testing.T, n int, each func(t *testing.T, seed uint64, b *box)) {
	t.Helper()
	for seed := range uint64(n) {
		each(t, seed, draw(seed, seed%2 == 1))
	}
}
