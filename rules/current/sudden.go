package current

import (
	"math"
	"slices"
	"time"

	"dewpost/rules/finding"
	"dewpost/rules/means"
	"dewpost/rules/unit"
)

// Judgement values.
const (
	suddenQuick    = 5.0           // of the usual move from a slot to the next: more is at once
	suddenTellable = 0.3           // of a step, that what is at once must be less than
	suddenStays    = 0.6           // of a step, that must be left in the quarters after it
	suddenSigma    = 2.0           // of what is usual from a quarter to the next, that the quarters must have moved
	suddenDays     = 0.5           // … and of what is usual in a day and a half
	suddenShare    = 0.015         // … and of the level
	suddenMoved    = 0.5           // … and of what came at once
	suddenMost     = 1.5           // times its size, that may go back: more is use that ended
	suddenSpan     = 3 * time.Hour // more is unknown
	suddenBefore   = 2             // sums before the day before, that must be known

	// Where slots scatter too far, what several say is taken together. It scatters
	// less, so less of it may be told from a step.
	leastTogether     = 2
	suddenSharp       = 0.7 // of its size, that comes with the slots next to it
	suddenFew         = 8   // moves that tell what is usual; of slots onceSlots
	suddenQuickFew    = 4.0 // as suddenQuick
	suddenTellableFew = 0.5 // as suddenTellable

	levelApart = (blocksADay + 1) * blockLen // between a quarter and that of a day and a half before
	suddenLong = 14 * blocksADay             // quarters: in so many a drift comes and goes
)

var suddenSpans = []time.Duration{time.Hour / 2, time.Hour, 2 * time.Hour}

// sudden is a step that stands out of a drift that goes as far in a day: it came at
// once, and nothing of it went back at once.
type sudden struct {
	at   unit.Instant
	size float64 // mA; 0: there is none
}

// leastSudden is by how much the quarters must have moved at least.
func (v *levels) leastSudden() float64 {
	return max(suddenSigma*v.quick, suddenDays*v.sigma, stepLeast, suddenShare*math.Abs(v.usual))
}

// besideDayBefore is how far the day after lies beside the day before. A day
// before that lay the other way lets a step begin there; but what lay above the
// usual in only a part of it was use, and no step down when it ended.
func (v *levels) besideDayBefore(kind finding.Kind) float64 {
	up, down := v.sides()
	if kind == finding.CurrentStepDown {
		return down + max(v.least, min(v.recent, 0))
	}
	return up - v.recent
}

// suddenly looks for a jump between the days of v.
func (s *State) suddenly(o Options, v *levels) (sudden, finding.Kind, float64) {
	kind := finding.CurrentStepUp
	size := v.besideDayBefore(kind)
	if down := v.besideDayBefore(finding.CurrentStepDown); down > size {
		kind, size = finding.CurrentStepDown, down
	}
	if size < v.leastSudden() {
		return sudden{}, kind, 0
	}
	first := int32(v.after[0].block[blockNumber])
	m, ok := s.movedAtOnce(o, first, kind == finding.CurrentStepUp, size)
	switch {
	case !ok, s.mayFreeze(m.at),
		size < quickSigma*v.sigma*math.Sqrt(min(1, m.unknown.Hours()/levelApart.Hours())),
		size < suddenMoved*m.size, m.stays < max(v.leastSudden(), suddenStays*m.size):
		return sudden{}, kind, 0
	}
	return m.sudden, kind, min(size, m.stays)
}

// mayFreeze tells whether a film may have frozen or thawed at an instant: what it
// leaks then goes or comes at once.
func (s *State) mayFreeze(at unit.Instant) bool {
	for i := range s.Recent {
		x := &s.Recent[i]
		if off := x.at().Sub(at); -onceWindow <= off && off < onceWindow &&
			x.has(slotFilm) && x.is(slotFilm) >= dryFilm && x.is(slotTemp) < thawed+coolerBy {
			return true
		}
	}
	return false
}

// atOnce is what came at once between two days.
type atOnce struct {
	sudden                // the size is what half of the quarters after it show
	stays   float64       // what all of them show, but for one that use may hide
	unknown time.Duration // in which it may have moved as a drift does
}

// movedAtOnce looks for what came at once, up or down, before the day that a block
// begins. It is not ok where a step of that size can't be told so.
func (s *State) movedAtOnce(o Options, first int32, up bool, size float64) (m atOnce, ok bool) {
	sign, use := 1.0, 0.25
	if !up {
		sign, use = -1, 0.1 // what use added before goes with it
	}
	at, sums, unknown := s.sumAtOnce(o, first, sign, size)
	if at == nil {
		return m, false
	}
	c := o.clock()
	var before []float64
	after := map[int32][]float64{}
	for i, sum := range sums {
		switch n := c.block(at[i]); {
		case n >= first:
			after[n] = append(after[n], sum)
		case n < first-1:
			before = append(before, sum)
		}
	}
	if len(before) < suddenBefore || len(after) < blocksADay-1 {
		return m, false
	}
	from := quantile(before, use)
	var quarters []float64
	for _, list := range after {
		quarters = append(quarters, sign*(quantile(list, 0.25)-from))
	}
	slices.Sort(quarters)
	m.unknown, m.size, m.stays = unknown, quantile(quarters, 0.5), quarters[0]
	if !up {
		m.stays = quarters[len(quarters)-min(len(quarters), blocksADay-1)]
	}
	m.size *= sign
	m.at = parted(at, sums, from, from+m.size, s.mostQuiet(from, from+m.size))
	return m, true
}

// wentBack tells whether an open step that came at once went back so, and when. It
// isn't known where that can't be told.
func (s *State) wentBack(o Options, now int32) (at unit.Instant, back, known bool) {
	size := math.Abs(s.Steps.Size)
	m, ok := s.movedAtOnce(o, s.dayAfter(now), s.Steps.Size < 0, size)
	return m.at, ok && m.stays >= suddenStays*size && math.Abs(m.size) <= suddenMost*size, ok && m.unknown == 0
}

// sumAtOnce sums up what the current did at once, from its first slot kept on: a drift
// drops out, and so does use that ended. Nothing where a step of that size, with that
// sign, isn't told from what the current usually does meanwhile: from a slot to the next,
// or, where slots scatter too far for that, from what several say to the next several.
// What the current did in unknown hours is taken as it is.
func (s *State) sumAtOnce(o Options, first int32, sign, size float64) (at []unit.Instant, sums []float64, unknown time.Duration) {
	c := o.clock()
	list := make([]said, 0, len(s.Recent))
	var before []float64
	for i := range s.Recent {
		x := &s.Recent[i]
		if !x.has(slotCurrent) {
			continue
		}
		mA := s.Fit.lessTold(x[slotCurrent], x[slotTemp], x[slotFilm])
		list = append(list, said{x.at(), mA})
		if c.block(x.at()) < first-1 {
			before = append(before, mA)
		}
	}
	if len(before) < onceSlots {
		return nil, nil, 0
	}
	if at, sums, unknown = sumOf(list, size, means.Step, onceSlots, suddenQuick, suddenTellable); at != nil {
		return at, sums, unknown
	}
	values := make([]float64, len(list))
	at = make([]unit.Instant, len(list))
	for i, x := range list {
		at[i], values[i] = x.at, x.mA
	}
	from := quantile(before, 0.25)
	most := s.mostQuiet(from, from+sign*size)
	parts := parted(at, values, from, from+sign*size, most)
	by, near := s.sharp(parts, false, size, most, onceWindow)
	inside := parts.Sub(at[0]) >= onceWindow && at[len(at)-1].Sub(parts) >= onceWindow
	if !near && inside {
		return nil, nil, 0
	}
	for _, span := range suddenSpans {
		at, sums, unknown = sumOf(together(list, parts, span, most), size, span, suddenFew, suddenQuickFew, suddenTellableFew)
		if at != nil {
			break
		}
	}
	if !near || sign*by < suddenSharp*size { // it came within hours, if at all
		clear(sums)
	}
	return at, sums, unknown
}

// said is what the current was at an instant.
type said struct {
	at unit.Instant
	mA float64
}

// together takes together what is said within each span, counted from an instant on:
// the median of what isn't talk.
func together(list []said, from unit.Instant, span time.Duration, most float64) (few []said) {
	var values []float64
	last := 0
	end := func() {
		if len(values) >= leastTogether {
			few = append(few, said{from.Add(time.Duration(last) * span), quantile(values, 0.5)})
		}
		values = values[:0]
	}
	for _, x := range list {
		if n := int(math.Floor(float64(x.at.Sub(from)) / float64(span))); n != last {
			end()
			last = n
		}
		if x.mA <= most {
			values = append(values, x.mA)
		}
	}
	end()
	return few
}

// sumOf sums up the moves of a list, one for each step in time, that are more than quick
// times the usual one. Nothing where that isn't less than the tellable part of size, or
// fewer than least moves tell what is usual.
func sumOf(list []said, size float64, step time.Duration, least int, quick, tellable float64) (at []unit.Instant, sums []float64, unknown time.Duration) {
	type move struct{ by, root float64 }
	var moves []move
	var usual []float64
	for i, x := range list {
		m := move{}
		if i > 0 {
			since := x.at.Sub(list[i-1].at)
			m = move{x.mA - list[i-1].mA, math.Sqrt(float64(since) / float64(step))}
			if since > suddenSpan {
				unknown, m.root = unknown+since, 0
			} else {
				usual = append(usual, m.by/m.root)
			}
		}
		at, moves = append(at, x.at), append(moves, m)
	}
	if len(usual) < least {
		return nil, nil, 0
	}
	quick *= scatter(usual)
	if quick > tellable*size {
		return nil, nil, 0
	}
	sum := 0.0
	for _, m := range moves {
		if math.Abs(m.by) > min(quick*m.root, tellable*size) {
			sum += m.by
		}
		sums = append(sums, sum)
	}
	return at, sums, unknown
}

// parted is the instant that parts best what is near the one level from what is
// near the other. Above talk a value may be of either.
func parted(at []unit.Instant, values []float64, before, after, talk float64) unit.Instant {
	best, cost, when, next := 0.0, 0.0, at[0], false
	most := math.Abs(after - before)
	for i, x := range values {
		if x > talk {
			continue
		}
		if next {
			when, next = at[i], false
		}
		if cost += min(math.Abs(x-before), most) - min(math.Abs(x-after), most); cost < best {
			best, when, next = cost, at[i].Add(10*time.Minute), true
		}
	}
	return when
}
