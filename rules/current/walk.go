package current

import (
	"math"
	"slices"
	"time"
)

// Judgement values.
const (
	unknownLevel = 1e6           // times a slot's variance: nothing is known of a level
	knownLevel   = 100           // … up to which slots tell how far it wanders
	paceFades    = 1.0 / 60      // a night, of what is known of that
	quietLeast   = 8 * time.Hour // that the quiet slots of a day must span
	noiseTakes   = 0.1           // of a day's noise, in the usual one
)

// wanders is how far a level may wander from a slot to the next, as a share of what
// slots scatter by about it. The least forgets in a week, the most in an hour.
var wanders = [...]float64{0.001, 0.004, 0.016, 0.06, 0.25}

// walks follow the current's level as what wanders at random, at each of the paces,
// and tell which of them is this station's.
type walks struct {
	Paces  packed[pace]      `json:",omitempty"` // by wanders
	Nights packed[walkNight] `json:",omitempty"` // by the pace that was likeliest then
	Since  int32             `json:",omitempty"` // block that the present level began with
	Noise  float64           `json:",omitempty"` // mA that a slot usually scatters by
}

// walkNight is what a night says beside a level that wanders.
type walkNight struct {
	Number int32
	Told   [numWalk]sums
}

// pace is a level that wanders at one pace: Kalman's filter of a random walk with
// noise. What slots have beside what was foreseen of them is noise alone, however
// far the level went before.
type pace [numOfPace]float64

const (
	paceTemp = iota // what is foreseen: temperature, film, that on a cooler board, current
	paceFilm
	paceCool
	paceCurrent
	paceVar  // variance of the level, a slot's being 1; 0: no slot yet
	paceLast // slot
	paceN    // sums that fade, by which the likeliest is told: slots, …
	paceLog  // … logarithm of the variance of what was foreseen
	paceTT   // … products of what was not foreseen
	paceTP
	pacePP
	paceTI
	pacePI
	paceII
	numOfPace
)

// add takes a slot, whose film on a cooler board is cool, and adds what was not
// foreseen of it to what the night tells.
func (p *pace) add(x *slot, cool, wander float64, told *[numWalk]sums) {
	now := [...]float64{paceTemp: x.is(slotTemp), paceFilm: x.is(slotFilm), paceCool: cool, paceCurrent: x.is(slotCurrent)}
	if p[paceVar] == 0 {
		p[paceVar] = unknownLevel
		copy(p[:], now[:])
	} else {
		p[paceVar] += wander * wander * max(x.is(slotNumber)-p[paceLast], 1)
	}
	p[paceLast] = x.is(slotNumber)
	of := p[paceVar] + 1
	gain := p[paceVar] / of
	p[paceVar] = gain
	var e [len(now)]float64
	for i := range e {
		e[i] = now[i] - p[i]
		p[i] += gain * e[i]
	}
	t, c := e[paceTemp], e[paceCurrent]
	for cut, film := range [numWalk]float64{e[paceFilm], e[paceCool]} {
		n := &told[cut]
		n[sumTT] += float32(t * t / of)
		n[sumTP] += float32(t * film / of)
		n[sumPP] += float32(film * film / of)
		n[sumTI] += float32(t * c / of)
		n[sumPI] += float32(film * c / of)
		n[sumN]++
	}
	if of > knownLevel {
		return
	}
	film := e[paceFilm]
	p[paceN]++
	p[paceLog] += math.Log(of)
	p[paceTT] += t * t / of
	p[paceTP] += t * film / of
	p[pacePP] += film * film / of
	p[paceTI] += t * c / of
	p[pacePI] += film * c / of
	p[paceII] += c * c / of
}

// unlikely is twice the negative logarithm of how likely the slots are by this pace,
// for each of them, when temperature and film have what they tell.
func (p *pace) unlikely() float64 {
	if p[paceN] == 0 {
		return math.Inf(1)
	}
	tt, pp := p[paceTT]+ridge, p[pacePP]+leastFilm
	det := tt*pp - p[paceTP]*p[paceTP]
	a := (p[paceTI]*pp - p[pacePI]*p[paceTP]) / det
	g := (p[pacePI]*tt - p[paceTI]*p[paceTP]) / det
	left := max(p[paceII]-a*p[paceTI]-g*p[pacePI], 1e-9)
	return math.Log(left/p[paceN]) + p[paceLog]/p[paceN]
}

// walkNight takes the slots with a current of a night that is over.
func (s *State) walkNight(number int32, list []slot, most float64) {
	w := &s.Walk
	if w.Paces == nil {
		w.Paces = make(packed[pace], len(wanders))
	}
	if w.Since != s.Steps.Since { // another level, that the last nights may have had
		w.Since = s.Steps.Since
		for i := range w.Paces {
			w.Paces[i][paceVar] = 0
		}
		for n := len(w.Nights); n > 0 && w.Nights[n-1].Number >= w.Since/blocksADay-1; n-- {
			w.Nights = w.Nights[:n-1]
		}
	}
	quiet := quietOf(list, most)
	night, least := walkNight{}, math.Inf(1)
	for i := range w.Paces {
		p := &w.Paces[i]
		for k := paceN; k < numOfPace; k++ {
			p[k] *= 1 - paceFades
		}
		var told [numWalk]sums
		for k := range quiet {
			x := &quiet[k]
			if !x.has(slotFilm) || !x.thawed() {
				continue
			}
			cool := x.is(slotFilm)
			if s.Bare {
				cool = float64(cooler(x))
			}
			p.add(x, cool, wanders[i], &told)
		}
		if u := p.unlikely(); u < least {
			night.Told, least = told, u
		}
	}
	night.Number = number
	if !s.Bare {
		night.Told[walkCool-walk] = sums{}
	}
	w.Nights = append(w.Nights, night)
	for number-w.Nights[0].Number >= keptNights {
		w.Nights = append(w.Nights[:0], w.Nights[1:]...)
	}
	switch now := noiseOf(quiet); {
	case w.Noise == 0:
		w.Noise = now
	case now > 0:
		w.Noise += noiseTakes * (now - w.Noise)
	}
}

// noiseOf is what quiet slots scatter by, told by how far each lies from the next; 0
// where too few tell.
func noiseOf(quiet []slot) float64 {
	if len(quiet) <= onceSlots {
		return 0
	}
	return scatter(moves(quiet)) / math.Sqrt2
}

// quietOf are the slots in which nobody talks: of the levels that the current comes
// back to, the one with most slots.
func quietOf(list []slot, most float64) (quiet []slot) {
	near := func(a, b *slot) bool { return math.Abs(a.is(slotCurrent)-b.is(slotCurrent)) <= most }
	for from := range list {
		if from > 0 && near(&list[from], &list[from-1]) {
			continue // of the same run
		}
		var of []slot
		last := &list[from]
		for i := from - 1; i >= 0; i-- {
			if near(&list[i], last) {
				last = &list[i]
				of = append(of, *last)
			}
		}
		slices.Reverse(of)
		last = &list[from]
		for i := from; i < len(list); i++ {
			if near(&list[i], last) {
				last = &list[i]
				of = append(of, *last)
			}
		}
		if len(of) > len(quiet) {
			quiet = of
		}
	}
	if len(quiet) < runSlots || quiet[len(quiet)-1].at().Sub(quiet[0].at()) < quietLeast {
		return nil
	}
	return quiet
}

// mostMove is how far the current may move from a slot to the next within a run.
func mostMove(list []slot) float64 {
	if len(list) == 0 {
		return 0
	}
	usual := 0.0
	if of := moves(list); len(of) > 0 {
		usual = scatter(of)
	}
	return max(jumpSigma*usual, jumpLeast, jumpShare*math.Abs(list[0].is(slotCurrent)))
}

func moves(list []slot) []float64 {
	var of []float64
	for i := 1; i < len(list); i++ {
		of = append(of, list[i].is(slotCurrent)-list[i-1].is(slotCurrent))
	}
	return of
}
