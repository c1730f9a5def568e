package detect

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/reading"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

// otherBox is what a box of the other simulator is like.
type otherBox struct {
	litres, tauH float64
	windShare    float64 // of the exchange, which goes with the wind
	wallShare    float64 // of the exchange, which comes from the house

	// What walls and board take up, as a multiple of what the air holds at 15 °C,
	// between 60 and 80 %RH: in minutes like paper, in days like plastic.
	paper, paperMin     float64
	plastic, plastic20H float64 // hours at 20 °C

	sun, sky         float64 // share of the sun's power taken up; view of the sky
	airK, boardK     float64 // self-heating, K
	coverMin, wallH  float64 // thermal time constants
	houseHeat        float64 // share of a house at 20 °C in the wall's temperature
	houseHPa         float64 // vapour of the house above outdoors in deep winter
	standby, leakage float64 // mA; the latter at 95 %RH, tenfold for each 12 %RH
	tempCo           float64 // of the standby current, 1/K

	hasBoard, hasLine              bool
	rhBias, tempBias, boardBias    float64
	outRHBias, outTempBias, shield float64 // shield: the outdoor sensor's error in full sun, K
	rhNoise, tempNoise, dropped    float64
}

// mishap is what is done to a box of the other simulator, from an instant on.
type mishap struct {
	what  string // seal, crack, ageing, water, wall, repair, swap
	at    unit.Instant
	tauH  float64 // of seal, crack, ageing (at its end), repair
	days  float64 // of ageing
	grams float64 // of water
	share float64 // of wall
	leak  float64 // of crack, g for each mm of rain in a light wind
	rhOff float64 // of swap: the new sensor's biases
	tOff  float64
}

func (m *mishap) String() string {
	return fmt.Sprintf("tau %.3g h, %.3g days, %.3g g, share %.2g, leak %.2g g/mm", m.tauH, m.days, m.grams, m.share, m.leak)
}

// inside is the state of a box. Amounts of water are mg, temperatures °C.
type inside struct {
	box    *otherBox
	rand   *rand.Rand
	region *region
	spells []spell
	mishap mishap

	cover, wall, air, board, floor float64    // temperatures; floor: where water gathers
	warmth                         float64    // sun of the last hours, K, which goes through the wall
	vapour                         float64    // hPa
	paper, plastic                 float64    // taken up
	paperSize, plasticSize         float64    // what their isotherms are multiplied by
	films                          [2]float64 // on the cover, on the wall
	puddle                         float64
	frozen                         bool
	gust                           float64
	swirl                          [2]float64 // of outdoor temperature and vapour, minutes
	dayVapour, houseVapour         float64    // outdoor vapour of the last day; what comes through the wall
	begun                          bool       // the mishap

	// For the tests and the score.
	balance float64 // water that came from nowhere, mg
	excess  float64 // vapour inside above outdoors, hPa, of the last minute
}

const (
	stepS  = 60.0
	minute = hour / 60
)

// paperTakes is the GAB isotherm of paper by activity (C 12, K 0.8: middle of what
// is published, judgement value). Nothing outside 0 to 1 is extrapolated.
func paperTakes(a float64) float64 {
	const c, k = 12, 0.8
	a = min(1, max(0, a))
	return c * k * a / ((1 - k*a) * (1 - k*a + c*k*a))
}

// plasticTakes is what a polymer dissolves by activity (Henry), and at high ones
// clusters of water in it.
func plasticTakes(a float64) float64 {
	a = min(1, a)
	return a + 0.5*a*a*a*a
}

// holds is the air's capacity, mg for each hPa of vapour (ideal gas).
func (b *otherBox) holds(t float64) float64 { return b.litres * 1e5 / (461.5 * (t + 273.15)) }

func newInside(b *otherBox, r *region, spells []spell, m mishap, from unit.Instant, rng *rand.Rand) *inside {
	w := r.at(from)
	s := &inside{
		box: b, region: r, spells: spells, mishap: m, rand: rng,
		cover: w.temp, wall: w.temp, air: w.temp, board: w.temp, floor: w.temp,
		vapour: w.vapour, dayVapour: w.vapour, houseVapour: w.vapour,
	}
	full := b.holds(15) * overWater(15)
	s.paperSize = b.paper * full / ((paperTakes(0.8) - paperTakes(0.6)) / 0.2)
	s.plasticSize = b.plastic * full / ((plasticTakes(0.8) - plasticTakes(0.6)) / 0.2)
	s.paper, s.plastic = s.paperSize*paperTakes(w.rh()), s.plasticSize*plasticTakes(w.rh())
	return s
}

// outdoors is the air at the box, and the sun on it.
type outdoors struct {
	sky
	sun float64 // W/m²
}

// step goes on by a minute.
func (s *inside) step(t unit.Instant) outdoors {
	w := s.region.at(t)
	for _, sp := range s.spells {
		w = sp.over(s.region, t, w)
	}
	out := outdoors{w, sunOn(s.region.place, t, w.cloud)}
	keep := math.Exp(-stepS / 900)
	for i := range s.swirl {
		s.swirl[i] = keep*s.swirl[i] + math.Sqrt(1-keep*keep)*s.rand.NormFloat64()
	}
	out.temp += (0.08 + 0.0005*out.sun) * s.swirl[0]
	out.vapour = min(out.vapour*(1+0.006*s.swirl[1]), overWater(out.temp))
	out.wind = max(0.1, out.wind)

	drawn := s.warm(out)
	rate, share := s.openness(t, out)
	s.exchange(t, out, rate, share, drawn)
	s.excess = s.vapour - out.vapour
	return out
}

// skyLoss is what the box radiates to a sky without cloud, W/m², for its whole
// view.
const skyLoss = 85

// warm lets temperatures follow: a cover that takes up sun and looks at the sky,
// its film coefficient going with the wind; a wall with the house behind it; air
// between both. It returns the share of the air that its cooling draws in, 1/s.
// Coefficients are judgement values.
func (s *inside) warm(out outdoors) (drawn float64) {
	b := s.box
	film := 9 + 3.2*math.Pow(out.wind*0.6, 0.8) // W/(m²·K)
	gain, loss := b.sun*out.sun*0.65/film, skyK(b, out)
	s.warmth += stepS / (4 * 3600) * (gain - s.warmth)
	s.wall += stepS / (b.wallH * 3600) * (out.temp + b.houseHeat*(20-out.temp) + 0.5*s.warmth - s.wall)
	s.cover += stepS / (b.coverMin * 60) * (out.temp + gain - loss + 0.25*b.airK + 0.2*(s.wall-out.temp) - s.cover)
	toAir := func() float64 { return (0.5*(s.cover+s.wall) + b.airK - s.air) / 600 } // K/s
	s.air += stepS * toAir()
	s.board += stepS / 1080 * (s.air + b.boardK - s.board)
	s.floor += stepS / 2700 * (0.45*s.cover + 0.5*s.wall + 0.05*s.air - s.floor)
	if s.floor < -1.5 { // water undercools
		s.frozen = true
	}
	if s.floor > 0 {
		s.frozen = false
	}
	return max(0, -toAir()) / (s.air + 273)
}

// skyK is by how much the sky cools the cover.
func skyK(b *otherBox, out outdoors) float64 {
	return b.sky * (1 - 0.85*out.cloud) * skyLoss / (11 + 3.2*math.Pow(out.wind*0.6, 0.8))
}

// openness is the air exchange, 1/s, and the house's share in it, and what a mishap
// makes of both. Water that a mishap brings in is brought in.
func (s *inside) openness(t unit.Instant, out outdoors) (rate, share float64) {
	b, m := s.box, &s.mishap
	tau, share := b.tauH, b.wallShare
	s.gust = s.gust*0.999 + 0.0447*s.rand.NormFloat64()
	if m.what != "" && t >= m.at {
		since := t - m.at
		switch m.what {
		case "seal":
			tau = m.tauH
		case "crack":
			tau = m.tauH
			s.rainIn(out)
		case "ageing":
			tau *= math.Pow(m.tauH/tau, min(1, float64(since)/float64(day)/m.days))
		case "wall": // outdoors' part stays
			tau *= (1 - m.share) / (1 - share)
			share = m.share
		case "water":
			if !s.begun {
				s.puddle += m.grams * 1000
			}
		case "repair":
			tau = m.tauH
			if since < 2*hour { // open, and wiped dry
				tau = 0.1
				s.films, s.puddle = [2]float64{}, 0
			}
		}
		s.begun = true
	}
	rate = 1 / (tau * 3600)
	return rate * (1 - b.windShare + b.windShare*min(3, out.wind/3.5)*max(0.3, 1+0.3*s.gust)), share
}

// rainIn lets rain through a crack, the more the harder it blows. What the weep hole
// doesn't let out is 15 g.
func (s *inside) rainIn(out outdoors) {
	if out.rain > 0 && out.temp > 0 {
		s.puddle = min(max(15000, s.puddle), s.puddle+s.mishap.leak*out.rain/60*min(2, out.wind*0.3)*1000)
	}
}

// house is the vapour pressure of what comes through the wall: outdoors' mean, and
// what people give off, less the warmer it is and most in the evening; not more than
// the cold of the wall leaves. All judgement values.
func (s *inside) house(t unit.Instant, out outdoors) float64 {
	s.dayVapour += stepS / 86400 * (out.vapour - s.dayVapour)
	surplus := s.box.houseHPa * max(0.12, min(1, 1-out.temp/22))
	clock := math.Mod(float64(t)/float64(hour), 24) + s.region.place.Lon/15
	surplus *= 1 + 0.25*math.Cos(2*math.Pi*(clock-20)/24)
	s.houseVapour += stepS / 7200 * (s.dayVapour + surplus - s.houseVapour)
	return min(s.houseVapour, overWater(0.6*s.wall+0.4*20))
}

// surface is the vapour pressure over a film, which is frost in the cold.
func surface(t float64) float64 {
	if t < -0.5 {
		return overIce(t)
	}
	return overWater(t)
}

// Of water inside, all judgement values: a mass transfer coefficient of 2 to 3 mm/s
// is that of still air over some centimetres.
const (
	filmMS, puddleMS = 2.5e-3, 2.0e-3 // m/s
	wetAt            = 30e3           // mg/m² that cover a surface …
	runsAt           = 60e3           // … and that it holds
	puddleM2         = 0.0012         // at most
)

// flows are what a minute's balance of vapour is made of: the pressure in the box is
// (num + Σ pull·over) / (den + Σ pull). In that way it is implicit, and no exchange is
// too fast for a minute.
type flows struct {
	num, den float64
	pull     [3]float64 // of the films and of the puddle
	over     [3]float64 // vapour pressure over them
	bare     float64    // pull of a film that is all wet
}

// solve returns the vapour pressure, and what falls on films and puddle, mg. On a
// dry surface there is a film as soon as it is colder than the dew point.
func (f flows) solve(holds float64) (vapour float64, falls [3]float64) {
	for again := true; again; {
		num, den := f.num, f.den
		for i, p := range f.pull {
			num, den = num+p*f.over[i], den+p
		}
		vapour = num / den
		again = false
		for i := range 2 {
			if vapour > f.over[i] && f.pull[i] < f.bare {
				f.pull[i], again = f.bare, true
			}
		}
	}
	for i, p := range f.pull {
		falls[i] = p * holds * (vapour - f.over[i])
	}
	return vapour, falls
}

// exchange is a minute of vapour: outdoors, the house, both stores, films, puddle.
func (s *inside) exchange(t unit.Instant, out outdoors, rate, share, drawn float64) {
	b, holds := s.box, s.box.holds(s.air)
	comes := rate*((1-share)*out.vapour+share*s.house(t, out)) + drawn*out.vapour
	f := flows{num: s.vapour + stepS*comes, den: 1 + stepS*(rate+drawn)}

	paper := store{&s.paper, s.paperSize, paperTakes, overWater(s.air), stepS / (b.paperMin * 60)}
	plastic := store{
		&s.plastic, s.plasticSize, plasticTakes, overWater(0.5 * (s.air + s.cover)),
		stepS / (b.plastic20H * 3600) * math.Pow(2, (s.cover-20)/12),
	}
	settlePaper, settlePlastic := paper.join(&f, s.vapour, holds), plastic.join(&f, s.vapour, holds)

	area := 0.012 * math.Pow(b.litres/0.5, 0.667) // m², of the cover and of the wall
	f.bare = filmMS * area / (b.litres * 1e-3) * stepS
	f.over = [3]float64{surface(s.cover), surface(s.wall), overWater(s.floor)}
	if s.frozen {
		f.over[2] = overIce(s.floor)
	}
	for i, mg := range s.films {
		f.pull[i] = f.bare * min(1, math.Pow(mg/(area*wetAt), 0.67))
	}
	f.pull[2] = puddleMS * min(puddleM2, 0.0004*math.Pow(s.puddle/1000, 0.67)) / (b.litres * 1e-3) * stepS

	before := s.water(holds)
	vapour, falls := f.solve(holds)
	wet := [3]*float64{&s.films[0], &s.films[1], &s.puddle}
	dries := false
	for i, mg := range wet {
		if *mg > 0 && *mg+falls[i] < 0 { // no more evaporates than there is
			f.num += *mg / holds
			*mg, f.pull[i], dries = 0, 0, true
		}
	}
	if dries {
		vapour, falls = f.solve(holds)
	}
	for i, mg := range wet {
		*mg = max(0, *mg+falls[i])
	}
	for i, mg := range s.films {
		s.films[i] = min(mg, area*runsAt)
		s.puddle += mg - s.films[i]
	}
	settlePaper(vapour)
	settlePlastic(vapour)
	s.vapour = vapour
	if most := overWater(s.air); s.vapour > most {
		s.films[0] += (s.vapour - most) * holds
		s.vapour = most
	}
	s.balance += s.water(holds) - before - stepS*holds*(comes-(rate+drawn)*vapour)
}

// water is all of it in the box, mg.
func (s *inside) water(holds float64) float64 {
	return holds*s.vapour + s.paper + s.plastic + s.films[0] + s.films[1] + s.puddle
}

// store is what takes up water, at a speed, as a share a minute of what it lacks.
type store struct {
	holds *float64 // mg
	size  float64
	takes func(activity float64) float64
	over  float64 // saturation at it, hPa
	speed float64
}

// join adds the store to a minute's balance, linear about the vapour before, and
// returns what settles it when the vapour after is known.
func (s store) join(f *flows, vapour, holds float64) func(after float64) {
	a := min(1, vapour/s.over)
	target := s.size * s.takes(a)
	slope := s.size * (s.takes(a+0.005) - s.takes(a-0.005)) / 0.01 / s.over
	f.num += s.speed / holds * (*s.holds - target + slope*vapour)
	f.den += s.speed / holds * slope
	return func(after float64) { *s.holds += s.speed * (target + slope*(after-vapour) - *s.holds) }
}

// show is what the sensors show.
func (s *inside) show(t unit.Instant, out outdoors) reading.Reading {
	b, m := s.box, &s.mishap
	r := reading.Reading{Time: t}
	noise := s.rand.NormFloat64
	hundredth := func(v float64) float64 { return math.Round(v*100) / 100 }
	percent := func(v float64) float64 { return hundredth(min(100, max(0, v))) }
	rhBias, tempBias := b.rhBias, b.tempBias
	if m.what == "swap" && t >= m.at {
		rhBias, tempBias = m.rhOff, m.tOff
	}
	rh := 100 * s.vapour / overWater(s.air)
	r.Set(reading.InsideTemp, hundredth(s.air+tempBias+b.tempNoise*noise()))
	r.Set(reading.InsideRH, percent(rh+rhBias+b.rhNoise*noise()))
	if b.hasBoard {
		r.Set(reading.BoardTemp, hundredth(s.board+b.boardBias+b.tempNoise*noise()))
	}
	felt := out.temp + b.shield*out.sun/800 - 0.4*skyK(b, out)*min(1, b.shield)
	r.Set(reading.OutsideTemp, hundredth(felt+b.outTempBias+b.tempNoise*noise()))
	r.Set(reading.OutsideRH, percent(min(100, 100*out.vapour/overWater(felt))+b.outRHBias+b.rhNoise*noise()))
	if b.hasLine {
		leak := b.leakage * math.Pow(10, (min(100, rh)-95)/12)
		r.Set(reading.LineCurrent, math.Round(1000*(b.standby*(1+b.tempCo*(s.air-15))+leak+0.01*noise()))/1000)
	}
	return r
}

// level is a box without sun, sky and heat.
func level(tauH float64) otherBox {
	return otherBox{litres: 0.7, tauH: tauH, paper: 0.5, paperMin: 20, plastic: 1, plastic20H: 30, coverMin: 20, wallH: 5}
}

// still is a region whose weather never changes.
func still(w sky) *region {
	r := &region{name: "still", place: sun.Place{Lat: 50}, hours: make([]sky, yearHours)}
	for i := range r.hours {
		r.hours[i] = w
	}
	return r
}

// TestOtherBoxKeepsItsWater: what is in the box is what came in less what went out,
// in rain, frost, dew and sorption.
func TestOtherBoxKeepsItsWater(t *testing.T) {
	for _, r := range regions(t)[:3] {
		b := level(4)
		b.sun, b.sky, b.airK, b.windShare, b.paper, b.plastic = 0.4, 0.5, 1, 0.5, 2, 4
		m := mishap{what: "crack", at: r.start + 5*day, tauH: 4, leak: 0.2}
		s := newInside(&b, r, nil, m, r.start, newRand(1, 2))
		rained, most := 0.0, 0.0
		for k := range 60 * day / minute {
			s.step(r.start + k*minute)
			rained, most = max(rained, s.puddle), max(most, s.vapour/overWater(s.air))
		}
		require.Greater(t, rained, 100.0, r.name)
		require.LessOrEqual(t, most, 1.0, r.name)
		require.InDelta(t, 0, s.balance, 0.01*rained, r.name)
	}
}

// TestOtherBoxBreathes: vapour follows outdoors with the breathing time where nothing
// takes it up, and later where something does.
func TestOtherBoxBreathes(t *testing.T) {
	left := func(paper float64) float64 {
		b := level(6)
		b.paper, b.plastic = paper, 0
		w := sky{temp: 15, vapour: 10, wind: 1, cloud: 1}
		s := newInside(&b, still(w), nil, mishap{}, 0, newRand(1, 3))
		w.vapour = 8
		s.region = still(w)
		for k := range 6 * hour / minute {
			s.step(k * minute)
		}
		return s.excess / 2
	}
	require.InDelta(t, math.Exp(-1), left(0), 0.03)
	require.InDelta(t, math.Exp(-1.0/2), left(1), 0.1, "as much again in paper")
}

// TestOtherWater: over a puddle the air of a tight box comes to what the puddle's
// temperature allows, which is less than saturation where the air is warmer, until
// all has gone.
func TestOtherWater(t *testing.T) {
	b := level(400)
	b.airK = 2
	s := newInside(&b, still(sky{temp: 15, vapour: 8, wind: 1, cloud: 1}), nil, mishap{what: "water", grams: 1}, 0, newRand(1, 4))
	for k := range 20 * day / minute {
		s.step(k * minute)
	}
	require.Positive(t, s.puddle)
	require.InDelta(t, overWater(s.floor), s.vapour, 0.1*overWater(s.floor))
	require.Greater(t, s.air, s.floor+1)
	require.Less(t, s.vapour/overWater(s.air), 0.95)

	b.tauH = 2
	s = newInside(&b, s.region, nil, s.mishap, 0, newRand(1, 4))
	for k := range 40 * day / minute {
		s.step(k * minute)
	}
	require.Zero(t, s.puddle)
	require.InDelta(t, 0, s.excess, 0.2)
}
