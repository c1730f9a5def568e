package current

import (
	"math"
	"slices"

	"dewpost/rules/finding"
	"dewpost/rules/moistair"
	"dewpost/rules/unit"
)

// night is what the runs of a night say of leakage.
type night struct {
	Number int32
	Told   [numFast]sums
}

// The ways to tell a leakage from what else the current does. Where the board has
// no sensor it may be cooler than the air, and its film thicker: then both film as
// in the air and film on what is coolerBy cooler are looked for.
const (
	fast     = iota // beside a straight line in time, within hours of a run: no drift matters
	fastCool        // as fast, on a cooler board
	numFast

	walk     = numFast // beside a level that wanders at random, as far as this station's does
	walkCool = walk + 1
	numWays  = walk + numWalk

	numWalk = 2
)

// sums are those of products over slots: of temperature t, film p and current i.
type sums [numSums]float32

const (
	sumTT = iota
	sumTP
	sumPP
	sumTI
	sumPI
	sumN // slots
	numSums
)

// nightOf sums up slots with current, temperature and film. Where the current
// jumps by more than most, a run ends: what is constant in a call or a radio's hour
// is then as good as the level.
// bare tells that the temperature is that of the air.
func nightOf(number int32, list []slot, most float64, bare bool) (n night, ok bool) {
	n.Number = number
	if len(list) < runSlots {
		return n, false
	}
	var cool []slot
	if bare {
		cool = slices.Clone(list)
		for i := range cool {
			cool[i][slotFilm] = cooler(&cool[i])
		}
	}
	piece := func(from, to int) {
		n.Told[fast].add(list[from:to])
		if bare {
			n.Told[fastCool].add(cool[from:to])
		}
	}
	for from := 0; from < len(list); {
		to, begun := from+1, from
		for to < len(list) && list[to].at().Sub(list[to-1].at()) <= runGap &&
			math.Abs(list[to].is(slotCurrent)-list[to-1].is(slotCurrent)) <= most {
			if list[to].at().Sub(list[begun].at()) >= pieceLen {
				piece(begun, to)
				begun = to
			}
			to++
		}
		piece(begun, to)
		ok = ok || to-from >= runSlots
		from = to
	}
	return n, ok
}

// cooler is the film on a board that is coolerBy cooler than the air.
func cooler(x *slot) float32 {
	film, t := x.is(slotFilm), x.is(slotTemp)
	if !(film > 0) {
		return 0
	}
	rh := 100 + 15*math.Log10(film)
	return float32(filmAt(min(100, rh*float64(moistair.SaturationWater(unit.Celsius(t))/moistair.SaturationWater(unit.Celsius(t-coolerBy))))))
}

// add takes a run.
func (n *sums) add(run []slot) {
	if len(run) < runSlots {
		return
	}
	k := float64(len(run))
	var mh, mt, mp, mi float64
	for i := range run {
		mh += run[i].is(slotNumber) - run[0].is(slotNumber)
		mt += run[i].is(slotTemp)
		mp += run[i].is(slotFilm)
		mi += run[i].is(slotCurrent)
	}
	mh, mt, mp, mi = mh/k, mt/k, mp/k, mi/k
	var hh, ht, hp, hi, tt, tp, pp, ti, pi float64
	for i := range run {
		h, t := run[i].is(slotNumber)-run[0].is(slotNumber)-mh, run[i].is(slotTemp)-mt
		p, x := run[i].is(slotFilm)-mp, run[i].is(slotCurrent)-mi
		hh += h * h
		ht += h * t
		hp += h * p
		hi += h * x
		tt += t * t
		tp += t * p
		pp += p * p
		ti += t * x
		pi += p * x
	}
	n[sumTT] += float32(tt - ht*ht/hh)
	n[sumTP] += float32(tp - ht*hp/hh)
	n[sumPP] += float32(pp - hp*hp/hh)
	n[sumTI] += float32(ti - ht*hi/hh)
	n[sumPI] += float32(pi - hp*hi/hh)
	n[sumN] += float32(k)
}

// fit is what nights say of the current: G mA of leakage at saturation, A mA/K;
// C is how much film goes with a kelvin, and Scatter the usual one of the nights'
// scores.
type fit struct{ G, SE, A, C, Scatter float64 }

// prior is what is held of the temperature's part before nights are looked at:
// that it is the station's own, more or less. K² is what it weighs as, added to
// the sum of squares of temperature.
func (f *fit) prior(level float64) (a, weight float64) {
	if f == nil {
		return 0, ridge
	}
	of := f.Scatter / (tempLeast*level + tempShare*math.Abs(f.A))
	return f.A, max(of*of, ridge)
}

// fitNights fits leakage and temperature over nights, given the station's own if
// it is known; nil where they say too little. noise is the least that scores scatter
// by.
func fitNights(list []sums, level, noise float64, own *fit) *fit {
	if len(list) < leastNights {
		return nil
	}
	a, weight := own.prior(level)
	weights, scores := make([]float64, len(list)), make([]float64, len(list))
	for i := range weights {
		weights[i] = 1
	}
	f := &fit{}
	for range 4 {
		var s [numSums]float64
		var all, squares float64
		for k := range list {
			for i := sumTT; i < numSums; i++ {
				s[i] += weights[k] * float64(list[k][i])
			}
		}
		s[sumTT] += weight
		s[sumTI] += weight * a
		f.C = s[sumTP] / s[sumTT]
		told := s[sumPP] - f.C*s[sumTP]
		f.G = (s[sumPI] - f.C*s[sumTI]) / max(told, leastFilm)
		f.A = (s[sumTI] - f.G*s[sumTP]) / s[sumTT]
		for k := range list {
			score, own := f.score(&list[k], f.G)
			scores[k] = score / math.Sqrt(own+leastOwn)
			all += weights[k] * own
			squares += weights[k] * own * own
		}
		// As many nights that say the same would say as much.
		if told < leastFilm || all*all < leastEqual*squares {
			return nil
		}
		f.Scatter = max(tails(slices.Clone(scores)), scatterLeast, scatterShare*level, noise)
		f.SE = max(f.Scatter/math.Sqrt(told), floorLeast)
		for k := range list {
			weights[k] = min(1, huber*f.Scatter/math.Abs(scores[k]))
		}
	}
	return f
}

// shrink weighs what nights say of a station's own leakage against that a sound
// board hardly leaks, by so many mA. Where it is late, because frost or drought
// let none be learned, none is taken for its own.
func (f *fit) shrink(usual float64, late bool) {
	told := usual * usual / (usual*usual + f.SE*f.SE)
	f.G, f.SE = f.G*told, f.SE*math.Sqrt(told)
	if late {
		f.G, f.SE = min(f.G, 0), max(f.SE, unknownSE)
	}
}

// score is what a night says for more leakage than g, and the weight of it.
func (f *fit) score(n *sums, g float64) (score, own float64) {
	x := func(i int) float64 { return float64(n[i]) }
	own = x(sumPP) - 2*f.C*x(sumTP) + f.C*f.C*x(sumTT)
	score = x(sumPI) - g*x(sumPP) - f.A*x(sumTP) - f.C*(x(sumTI)-g*x(sumTP)-f.A*x(sumTT))
	return score, max(own, 0)
}

// beside is what nights say of leakage beside the station's own.
type beside struct {
	own        float64 // leakage at saturation of the station itself, mA
	more, se   float64 // … of these nights beside that
	way        int
	film       float64 // that tells it in them, root mean square
	seen       float64 // current that it makes in them, so too, mA
	nights     int
	with, less int // of them: those that clearly have more, and less
}

// besides compares nights with the station's own leakage, given the usual scatter
// of scores.
func (own *fit) besides(list []sums, way int, level, usual float64) (b beside) {
	var sum, told, slots, tp float64
	a, tt := own.prior(level)
	for k := range list {
		tt += float64(list[k][sumTT])
		tp += float64(list[k][sumTP])
	}
	f := &fit{A: a, C: tp / tt}
	for k := range list {
		n := &list[k]
		score, tells := f.score(n, own.G)
		z := score / math.Sqrt(tells+leastOwn) / usual
		w := min(1, mostSigmas/math.Abs(z)) // however much, it is one night
		sum += w * score
		told += w * (float64(n[sumPP]) - f.C*float64(n[sumTP]))
		slots += w * float64(n[sumN])
		switch {
		case z > nightSigmas:
			b.with++
		case z < -nightSigmas:
			b.less++
		}
	}
	if told < leastTold {
		return beside{}
	}
	b.way, b.nights, b.own, b.more, b.se = way, len(list), own.G, sum/told, math.Hypot(max(usual/math.Sqrt(told), floorLeast), own.SE)
	b.film = math.Sqrt(told / slots)
	b.seen = b.more * b.film
	return b
}

// leakage compares that of the last nights with the station's own.
type leakage struct {
	Own    [numWays]*fit
	Open   int64
	Opened int32 // night
	Above  int
	Found  [numWays]float64 // most above its own while the finding is open, mA; 0: not told that way
	Since  int32            // night from which on leakage is told: the one after the last that leaked
}

// told is what nights from a number on say, one way.
func (s *State) told(way int, from int32) (list []sums) {
	if way >= numFast {
		for i := range s.Walk.Nights {
			if n := &s.Walk.Nights[i]; n.Number >= from {
				list = append(list, n.Told[way-numFast])
			}
		}
		return list
	}
	for i := range s.Nights {
		if n := &s.Nights[i]; n.Number >= from {
			list = append(list, n.Told[way])
		}
	}
	return list
}

func (s *State) judgeLeakage(o Options, concluded unit.Instant) {
	j := &s.Leakage
	newest := s.Nights[len(s.Nights)-1].Number
	last := func(way int, n int32) []sums { return s.told(way, max(newest-n+1, j.Since)) }
	level := math.Abs(s.level())
	least := max(leakageLeast, leakageShare*level)
	var best beside
	sigmas := 0.0
	kelvins := seenKelvins
	if s.Bare {
		kelvins = bareKelvins
	}
	ended, told := true, false
	for way := range numWays {
		if now := s.told(way, newest); len(now) == 0 || now[0][sumN] == 0 {
			continue // the board has a sensor
		}
		own := &j.Own[way]
		if way == fast {
			s.Fit = fitNights(s.told(way, max(newest-longNights+1, j.Since-endNights)), level, s.Walk.Noise, nil)
		}
		if *own == nil {
			if s.NightsSeen >= baseNights {
				*own = fitNights(last(way, keptNights), level, s.Walk.Noise, nil)
			}
			if f := *own; f != nil {
				f.shrink(max(ownLeast, ownShare*level), s.NightsSeen > keptNights)
			}
			continue
		}
		all := fitNights(last(way, keptNights), level, s.Walk.Noise, *own)
		if all == nil {
			all = *own
		}
		usual := min(max(all.Scatter, (*own).Scatter), scatterMost*(*own).Scatter) // more may be the leakage itself
		for _, n := range []int32{5, 10, 21, keptNights} {
			b := (*own).besides(last(way, n), way, level, usual)
			seen := max(seenLeast, seenShare*level, kelvins*math.Abs((*own).A))
			if x := b.more / b.se / leakageSigma; b.film >= filmLeast && b.seen >= seen && b.with >= leakageWith[way] && b.less <= b.with/3 && x > sigmas {
				best, sigmas = b, x
			}
			if j.Open != 0 && b.with >= leakageWith[way] {
				j.Found[way] = max(j.Found[way], b.more)
			}
		}
		if j.Open != 0 && j.Found[way] != 0 {
			if b := (*own).besides(tellers(s.told(way, j.Opened), *own, j.Found[way]/3), way, level, (*own).Scatter); b.nights == endNights {
				told = true
				ended = ended && b.with <= 1 && b.more+2*b.se < j.Found[way]/3
			}
		}
	}
	if j.Open == 0 {
		if other := s.Steps.Open; other != 0 && concluded.Sub(unit.Instant(other)) < afterStep {
			return
		}
		if sigmas < 1 || best.more < least {
			j.Above = 0
			return
		}
		if j.Above++; j.Above < leakageNights {
			return
		}
		j.Open = s.open(o, finding.LeakageRising, concluded.Add(-leakageNights*day), concluded, confidence(sigmas),
			finding.Evidence{Name: "leakage_at_saturation", Value: (best.own + best.more) * 1e3, Unit: "µA"},
			finding.Evidence{Name: "standard_error", Value: best.se * 1e3, Unit: "µA"},
			finding.Evidence{Name: "own_leakage_at_saturation", Value: best.own * 1e3, Unit: "µA"})
		j.Opened, j.Above, j.Found = newest, 0, [numWays]float64{}
		j.Found[best.way] = best.more
		return
	}
	if told && ended && s.Comb.Open == 0 {
		s.close(finding.LeakageRising, j.Open, concluded)
		j.Open, j.Since, j.Found = 0, newest+1, [numWays]float64{}
	}
}

// tellers are the last nights that would show so much more than the station's
// own: by them a leakage ends, not by nights that say nothing.
func tellers(list []sums, own *fit, much float64) []sums {
	var of []sums
	for k := len(list) - 1; k >= 0 && len(of) < endNights; k-- {
		if _, tells := own.score(&list[k], own.G); much*math.Sqrt(tells) > nightSigmas*own.Scatter {
			of = append(of, list[k])
		}
	}
	return of
}

// confidence is 0.5 at the limit, 1, and goes to 1 beyond it.
func confidence(of float64) float64 { return 1 - 0.5*math.Exp(1-max(of, 1)) }
