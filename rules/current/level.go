package current

import (
	"math"
	"slices"
	"time"

	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// block is what the slots of a quarter of a solar day say.
type block [numOfBlock]float32

const (
	blockNumber = iota
	blockLow    // current that a quarter of the slots is below, mA: calls only add
	blockTemp   // means over the half of the slots with the least current
	blockFilm
	blockVolts
	numOfBlock
)

func blockOf(number int32, list []slot) block {
	b := block{float32(number), absent, absent, absent, absent}
	var volts, current []float64
	for i := range list {
		if list[i].has(slotVolts) {
			volts = append(volts, list[i].is(slotVolts))
		}
		if list[i].has(slotCurrent) {
			current = append(current, list[i].is(slotCurrent))
		}
	}
	if len(volts) >= blockSlots {
		b[blockVolts] = float32(quantile(volts, 0.5))
	}
	if len(current) < blockSlots {
		return b
	}
	b[blockLow] = float32(quantile(current, 0.25))
	half := float32(quantile(current, 0.5))
	for _, f := range []struct{ of, to int }{{slotTemp, blockTemp}, {slotFilm, blockFilm}} {
		sum, n := 0.0, 0.0
		for i := range list {
			if list[i].has(slotCurrent) && list[i][slotCurrent] <= half && list[i].has(f.of) {
				sum += list[i].is(f.of)
				n++
			}
		}
		if n > 0 {
			b[f.to] = float32(sum / n)
		}
	}
	return b
}

// lessTold is the current less what a fit puts down to temperature and film.
func (f *fit) lessTold(current, temp, film float32) float64 {
	x := float64(current)
	if f == nil {
		return x
	}
	if temp != absent {
		x -= f.A * (float64(temp) - 20)
	}
	if film != absent {
		x -= f.G * float64(film)
	}
	return x
}

// steps looks for steps of the level.
type steps struct {
	Since int32 // block that the present level began with
	Open  int64 // finding
	Size  float64
	Old   [blocksADay]float64 // level before the open step, by the kind of block
	A     float64             // mA/K that it was told with

	Sudden bool `json:",omitempty"` // the open one came out of a drift that goes as far
}

// level is the median of the last days' blocks in mA, NaN before there are some.
func (s *State) level() float64 {
	var list []float64
	for i := range s.Blocks {
		if b := &s.Blocks[i]; b[blockLow] != absent && int32(b[blockNumber]) >= s.Steps.Since {
			list = append(list, float64(b[blockLow]))
		}
	}
	return quantile(list, 0.5)
}

// levels are blocks of one level and the day after it.
type levels struct {
	kind   [blocksADay]float64 // usual, by the kind of block
	usual  float64
	sigma  float64 // usual move in the time between before and after
	quick  float64 // … from a quarter to the next
	recent float64 // the last day of before, above the usual
	least  float64 // … the least of its quarters; 0 where few are known
	after  []moved
}

type moved struct {
	*block
	by float64 // above the usual
}

// dayAfter is the number of the block that the last day with readings begins with:
// while a station isn't heard no time passes for what is looked for after a step.
func (s *State) dayAfter(now int32) int32 {
	first, n := now-blocksADay+1, 0
	for i := len(s.Blocks) - 1; i >= 0 && n < blocksADay; i-- {
		number := int32(s.Blocks[i][blockNumber])
		if now-number >= longestAfter*blocksADay || number < s.Steps.Since {
			break
		}
		if s.Blocks[i][blockLow] != absent {
			n, first = n+1, min(first, number)
		}
	}
	return first
}

// levelsBy takes the fits before and after apart: film may tell other.
func (s *State) levelsBy(now int32, before, after *fit) (v levels, ok bool) {
	first := s.dayAfter(now)
	var kinds [blocksADay][]float64
	var all, moves []float64
	list := make([]float64, len(s.Blocks))
	n, newest := 0, int32(0) // blocks of before
	for i := range s.Blocks {
		b := &s.Blocks[i]
		number := int32(b[blockNumber])
		if b[blockLow] == absent || number < s.Steps.Since {
			continue
		}
		f := before
		if number >= first {
			f = after
		}
		list[i] = f.lessTold(b[blockLow], b[blockTemp], b[blockFilm])
		if number >= first-1 {
			continue
		}
		n, newest = n+1, number
		k := kindOf(number)
		kinds[k] = append(kinds[k], list[i])
		all = append(all, list[i])
	}
	if n < leastBlocks {
		return v, false
	}
	v.usual = quantile(all, 0.5)
	for k := range kinds {
		if v.kind[k] = v.usual; len(kinds[k]) >= 3 {
			v.kind[k] = quantile(kinds[k], 0.5)
		}
	}
	var recent, off, next []float64
	for i := range s.Blocks {
		b := &s.Blocks[i]
		number := int32(b[blockNumber])
		if b[blockLow] == absent || number < s.Steps.Since {
			continue
		}
		by := list[i] - v.kind[kindOf(number)]
		if number >= first {
			v.after = append(v.after, moved{b, by})
			continue
		}
		if number == first-1 {
			continue
		}
		off = append(off, by)
		if number >= first-1-blocksADay {
			recent = append(recent, by)
		}
		if i > 0 && s.Blocks[i-1][blockNumber] == b[blockNumber]-1 && s.Blocks[i-1][blockLow] != absent && number > s.Steps.Since {
			next = append(next, by-(list[i-1]-v.kind[kindOf(number-1)]))
		}
		for k := i - 1; k >= 0; k-- {
			if c := &s.Blocks[k]; int32(c[blockNumber]) == number-blocksADay-1 && c[blockLow] != absent && int32(c[blockNumber]) >= s.Steps.Since {
				moves = append(moves, by-(list[k]-v.kind[kindOf(number-blocksADay-1)]))
			}
		}
	}
	if len(recent) > 0 {
		v.recent = quantile(recent, 0.5)
	}
	if len(recent) >= blocksADay-1 {
		v.least = slices.Min(recent)
	}
	few := 1 + 8/float64(n)
	if len(moves) == 0 {
		v.sigma = few * scatter(off)
	} else {
		v.sigma = few * max(scatter(moves), scatter(off)/2)
	}
	// The longer a drift has, the farther it goes.
	v.sigma *= math.Sqrt(max(1, float64(now-newest)/(blocksADay+1)))
	if v.quick = v.sigma; len(next) >= leastBlocks/2 {
		v.quick = min(v.quick, few*scatter(next))
	}
	return v, len(v.after) >= blocksADay-1
}

// beside is how far the day after lies beside the usual and beside the day
// before: a drift is no step.
func (v *levels) beside() (kind finding.Kind, size float64) {
	up, down := v.sides()
	up -= max(0, v.recent)
	down -= max(0, -v.recent)
	if down > up {
		return finding.CurrentStepDown, down
	}
	return finding.CurrentStepUp, up
}

// sides is how far the day after lies above and below the usual. As use only adds,
// one quarter of four may be in the way of a step down.
func (v *levels) sides() (up, down float64) {
	by := make([]float64, len(v.after))
	for i, m := range v.after {
		by[i] = m.by
	}
	slices.Sort(by)
	return by[0], -by[min(len(by), blocksADay-1)-1]
}

// judgeStep looks whether the last day lies beside those before it.
func (s *State) judgeStep(o Options, now int32, concluded unit.Instant) {
	k := &s.Steps
	if k.Open != 0 && s.isBack(o, now) {
		return
	}
	// A leakage may have come, or gone, that the fit doesn't know yet.
	dry := s.Fit
	if dry != nil {
		dry = &fit{A: dry.A}
	}
	v, ok := s.levelsBy(now, s.Fit, s.Fit)
	if !ok {
		return
	}
	first := int32(v.after[0].block[blockNumber])
	kind, size := v.beside()
	// What comes at once may be less than what drifts in days.
	least := max(stepSigma*v.quick, quickSigma*v.sigma, stepLeast, stepShare*math.Abs(v.usual))
	slowly := max(stepSigma*v.sigma, least)
	once := sudden{}
	if size < least {
		// What never went back at once may be less still.
		once, kind, size = s.suddenly(o, &v)
		least = v.leastSudden()
		if size < least {
			return
		}
	}
	for _, other := range []*fit{dry, s.ownFit()} {
		u, _ := s.levelsBy(now, s.Fit, other)
		w, _ := s.levelsBy(now, other, other)
		for _, x := range []*levels{&u, &w} {
			if kind == finding.CurrentStepUp && x == &u {
				continue // more by all that leaks
			}
			same, size := x.beside()
			limit := max(stepSigma*x.quick, quickSigma*x.sigma, stepLeast, stepShare*math.Abs(v.usual))
			if once.size != 0 {
				same, size = kind, x.besideDayBefore(kind)
				limit = x.leastSudden()
			}
			if same != kind || size < limit*0.8 {
				return
			}
		}
	}
	sign := 1.0
	if kind == finding.CurrentStepDown {
		sign = -1
	}
	var moves []float64
	for _, m := range v.after {
		moves = append(moves, m.by)
	}
	slices.Sort(moves)
	before, after := v.usual, v.usual+moves[(len(moves)-1)/2] // use only adds
	at := once.at
	if once.size == 0 {
		at = s.when(v.usual+v.recent, after)
	} else {
		before, after = v.usual+v.recent, v.usual+v.recent+once.size
	}
	most := s.mostQuiet(before, after)
	sharp, known := s.sharp(at, false, size, most, sharpWindow, 2*sharpWindow)
	raw, _ := s.sharp(at, true, size, most, sharpWindow, 2*sharpWindow)
	if s.Volts != 0 && known && sign*raw < stepSharp*size {
		return // the supply's doing: the current did not follow it
	}
	if once.size == 0 {
		atOnce, near := s.sharp(at, false, size, most, onceWindow)
		switch {
		case near && sign*atOnce < stepSharp*size, !near && s.beyondDrift(at, sign, size, most) < stepSharp*size:
			return // the supply drifts by as much in a day
		case !near && known && sign*sharp < hiddenShare*math.Abs(v.usual):
			return // somebody talks just then, and the supply drifts meanwhile
		case known && sign*sharp < stepSharp*size, size < slowly && !(known && sign*sharp >= least):
			return
		case !known && (size < 2*least || at < o.clock().start(first-1)):
			return // no gap, but too long ago: it was looked at when it came
		}
	}
	if size < notFilm*math.Abs(v.usual) && s.filmDid(&v, at, sign, (0.65+0.15*sign)*size, most) {
		return
	}
	if k.Open != 0 {
		s.close(s.stepKind(), k.Open, at)
	}
	k.Open = s.open(o, kind, at, concluded, confidence(size/least),
		finding.Evidence{Name: "step", Value: after - before, Unit: "mA"},
		finding.Evidence{Name: "level_before", Value: before, Unit: "mA"},
		finding.Evidence{Name: "step_limit", Value: least, Unit: "mA"})
	k.Old, k.Size, k.A = v.kind, after-before, 0
	if s.Fit != nil {
		k.A = s.Fit.A
	}
	k.Sudden = once.size != 0
	k.Since = first
}

// filmDid tells whether film could have made a step. It could not where slots
// after it lie beside those before it that were as damp or damper, or as dry or
// drier for a step down; it could where they don't. Where none were, days tell.
func (s *State) filmDid(v *levels, at unit.Instant, sign, size, most float64) bool {
	var before, after []*slot
	for i := range s.Recent {
		switch x := &s.Recent[i]; {
		case !s.quiet(x, most) || !x.has(slotFilm):
		case x.at() >= at:
			after = append(after, x)
		case at.Sub(x.at()) <= alikeFor:
			before = append(before, x)
		}
	}
	var off, alike []float64
	for _, x := range after {
		alike = alike[:0]
		for _, y := range before {
			if sign*(x.is(slotFilm)-y.is(slotFilm)) <= alikeFilm {
				alike = append(alike, y.is(slotCurrent))
			}
		}
		if len(alike) >= leastAlike {
			off = append(off, sign*(x.is(slotCurrent)-quantile(alike, 0.5)))
		}
	}
	if len(off) < leastAlike {
		return s.mayBeFilm(v, sign, size)
	}
	return quantile(off, 0.5-0.25*sign) < size
}

// mayBeFilm tells whether the blocks after could be so because of the film on
// them: one of them is not beside the blocks before that were as damp; or there
// were none as damp as any of them, and in none hardly anything leaks.
func (s *State) mayBeFilm(v *levels, sign, size float64) bool {
	dry := &fit{}
	if s.Fit != nil {
		dry.A = s.Fit.A
	}
	told := false
	for _, m := range v.after {
		film := m.block[blockFilm]
		if film == absent || film < dryFilm && sign > 0 {
			told = true
			continue
		}
		var alike []float64
		for i := range s.Blocks {
			b := &s.Blocks[i]
			if n := b[blockNumber]; b[blockLow] == absent || int32(n) < s.Steps.Since || n >= v.after[0].block[blockNumber]-1 {
				continue
			}
			if sign > 0 && b[blockFilm] >= film-0.02 || sign < 0 && b[blockFilm] <= film+dryFilm {
				alike = append(alike, dry.lessTold(b[blockLow], b[blockTemp], absent)-v.kind[kindOf(int32(b[blockNumber]))])
			}
		}
		if len(alike) < 3 {
			continue
		}
		told = true
		here := dry.lessTold(m.block[blockLow], m.block[blockTemp], absent) - v.kind[kindOf(int32(m.block[blockNumber]))]
		if sign*(here-quantile(alike, 0.5+0.25*sign)) < size {
			return true
		}
	}
	return !told
}

func (s *State) stepKind() finding.Kind {
	if s.Steps.Size < 0 {
		return finding.CurrentStepDown
	}
	return finding.CurrentStepUp
}

// ownFit is the station's own leakage, with the temperature's part of today.
func (s *State) ownFit() *fit {
	own := s.Leakage.Own[fast]
	if own == nil || s.Fit == nil {
		return nil
	}
	return &fit{G: own.G, A: s.Fit.A}
}

// isBack closes the open step when the last day is nearer to the old level than
// to the new one. Of a step that a drift may hide, it is when it went back at once,
// or when that many days tell of it.
func (s *State) isBack(o Options, now int32) bool {
	k := &s.Steps
	last := int32(blocksADay)
	if k.Sudden {
		at, back, known := s.wentBack(o, now)
		if back {
			return s.endStep(now, at)
		}
		if known {
			last = suddenLong
		}
	}
	f := &fit{A: k.A}
	if own := s.Leakage.Own[fast]; own != nil {
		f.G = own.G
	}
	n, away := 0, 0
	for i := range s.Blocks {
		b := &s.Blocks[i]
		number := int32(b[blockNumber])
		if number <= now-last || number < k.Since+1 || b[blockLow] == absent {
			continue
		}
		off := f.lessTold(b[blockLow], b[blockTemp], b[blockFilm]) - k.Old[kindOf(number)]
		if math.Abs(off) >= math.Abs(off-k.Size) {
			away++
		}
		n++
	}
	switch {
	case last == suddenLong:
		if n < suddenLong*3/4 || away > n/8 {
			return false
		}
	case n < blocksADay-1 || away > 1 || away == 1 && (k.Size < 0 || n < blocksADay):
		return false // a quarter with use is in the way of none that goes down
	}
	var old float64
	for _, x := range k.Old {
		old += x / blocksADay
	}
	return s.endStep(now, s.when(old+k.Size, old))
}

func (s *State) endStep(now int32, at unit.Instant) bool {
	s.close(s.stepKind(), s.Steps.Open, at)
	s.Steps.Open, s.Steps.Since = 0, now-blocksADay+1
	return true
}

// when finds the slot at which the current left the level before for the level
// after.
func (s *State) when(before, after float64) unit.Instant {
	var at []unit.Instant
	var values []float64
	for i := range s.Recent {
		if x := &s.Recent[i]; x.has(slotCurrent) {
			at, values = append(at, x.at()), append(values, s.Fit.lessTold(x[slotCurrent], x[slotTemp], x[slotFilm]))
		}
	}
	return parted(at, values, before, after, s.mostQuiet(before, after))
}

// mostQuiet is the current above which somebody talks, whichever of two levels the
// line has: by such a slot neither is told.
func (s *State) mostQuiet(before, after float64) float64 {
	return max(before, after) + max(talkShare*math.Abs(after-before), talkSigma*s.Walk.Noise)
}

// quiet tells whether a slot has a current up to that.
func (s *State) quiet(x *slot, most float64) bool {
	return x.has(slotCurrent) && s.Fit.lessTold(x[slotCurrent], x[slotTemp], x[slotFilm]) <= most
}

// sharp is by how much the current is other in the hours after an instant than in
// those before it, talk left out: at State.Volts, or as measured. Where too little is
// left, or it is by far more than size, the next window is looked at.
func (s *State) sharp(at unit.Instant, measured bool, size, most float64, windows ...time.Duration) (by float64, known bool) {
	for _, window := range windows {
		var before, after []float64
		for i := range s.Recent {
			x := &s.Recent[i]
			since := x.at().Sub(at)
			if !s.quiet(x, most) || since < -window || since >= window {
				continue
			}
			current := x[slotCurrent]
			if measured && x.has(slotVolts) && s.Volts != 0 {
				current *= x[slotVolts] / float32(s.Volts)
			}
			v := s.Fit.lessTold(current, x[slotTemp], x[slotFilm])
			if since < 0 {
				before = append(before, v)
			} else {
				after = append(after, v)
			}
		}
		if len(before) < 3 || len(after) < 3 {
			continue
		}
		by = quantile(after, 0.25) - quantile(before, 0.25) // use only adds
		if math.Abs(by) <= sharpMost*size {
			return by, true
		}
	}
	return 0, false
}

// goneJudge looks for a current that is gone.
type goneJudge struct {
	Since int64 // slot, of those without current on end; 0: there is some
	Back  int64 // slot, of those with a current on end
	Open  int64
	Until int32 // block up to which levels say nothing
}

// judgeGone takes the current as measured.
func (s *State) judgeGone(o Options, at, done unit.Instant, current float64) {
	z := &s.Gone
	usual := s.Usual
	if math.IsNaN(current) || usual == 0 {
		return
	}
	none := math.Abs(current) < min(max(goneMost, goneMeter*math.Abs(usual)), goneShare*math.Abs(usual))
	switch {
	case none && z.Open == 0:
		if z.Since == 0 {
			z.Since = int64(at)
		}
		if done.Sub(unit.Instant(z.Since)) >= goneFor {
			z.Open = s.open(o, finding.NoCurrent, unit.Instant(z.Since), done, 0.95,
				finding.Evidence{Name: "current", Value: current, Unit: "mA"},
				finding.Evidence{Name: "level_before", Value: usual, Unit: "mA"})
		}
		z.Back = 0
	case none:
		z.Back = 0
	case z.Open == 0:
		z.Since = 0
	default:
		if z.Back == 0 {
			z.Back = int64(at)
		}
		if done.Sub(unit.Instant(z.Back)) >= backFor {
			s.close(finding.NoCurrent, z.Open, unit.Instant(z.Back))
			z.Open, z.Since, z.Until = 0, 0, o.clock().block(at)+1
		}
	}
}

// voltsJudge compares the voltage of a day with the usual one.
type voltsJudge struct {
	Base  []float32 `json:",omitempty"`
	Usual float64
	Open  int64
}

func (s *State) judgeVolts(o Options, now int32, concluded unit.Instant) {
	j := &s.Supply
	v := s.Blocks[len(s.Blocks)-1][blockVolts]
	if v == absent {
		return
	}
	if j.Usual == 0 {
		if j.Base = append(j.Base, v); len(j.Base) == leastBlocks {
			slices.Sort(j.Base)
			j.Usual, j.Base = float64(j.Base[leastBlocks/2]), nil
		}
		return
	}
	low, high, n := true, true, 0
	from := unit.Instant(0)
	for i := range s.Blocks {
		b := &s.Blocks[i]
		if k := int32(b[blockNumber]); k <= now-blocksADay || k < s.Gone.Until || b[blockVolts] == absent {
			continue
		}
		if n++; n == 1 {
			from = o.clock().start(int32(b[blockNumber]))
		}
		is := float64(b[blockVolts]) < voltageLow*j.Usual
		low, high = low && is, high && !is
	}
	switch {
	case n < blocksADay-1:
	case low && j.Open == 0 && s.Gone.Open == 0:
		j.Open = s.open(o, finding.LineVoltageLow, from, concluded, 0.9,
			finding.Evidence{Name: "voltage", Value: float64(v), Unit: "V"},
			finding.Evidence{Name: "usual_voltage", Value: j.Usual, Unit: "V"})
	case high && j.Open != 0:
		s.close(finding.LineVoltageLow, j.Open, from)
		j.Open = 0
	}
}

// beyondDrift is by how much the current after an instant is other than if it had gone
// on as in the hours before, use left out: where somebody talks just then, a supply
// that drifts meanwhile looks like a step. Infinite where too little is known, or the
// hours before don't tell how it would have gone on.
func (s *State) beyondDrift(at unit.Instant, sign, size, most float64) float64 {
	const window = 2 * sharpWindow
	type point struct{ h, v float64 }
	var sides [2][]point // before and after
	for i := range s.Recent {
		x := &s.Recent[i]
		since := x.at().Sub(at)
		if !s.quiet(x, most) || since < -window || since >= window {
			continue
		}
		side := 0
		if since >= 0 {
			side = 1
		}
		sides[side] = append(sides[side], point{since.Hours(), s.Fit.lessTold(x[slotCurrent], x[slotTemp], x[slotFilm])})
	}
	for k, list := range sides {
		values := make([]float64, len(list))
		for i := range list {
			values[i] = list[i].v
		}
		low := quantile(values, 0.1)
		sides[k] = slices.DeleteFunc(list, func(p point) bool { return p.v > low+size })
		if len(sides[k]) < onceSlots {
			return math.Inf(1)
		}
	}
	var n, h, v, hh, hv float64
	for _, p := range sides[0] {
		n, h, v, hh, hv = n+1, h+p.h, v+p.v, hh+p.h*p.h, hv+p.h*p.v
	}
	h, v, hh, hv = h/n, v/n, hh-h*h/n, hv-h*v/n
	slope := hv / max(hh, 1e-9)
	off, later := make([]float64, len(sides[1])), 0.0
	for i, p := range sides[1] {
		off[i] = p.v - v - slope*(p.h-h)
		later += (p.h - h) / float64(len(off))
	}
	left := 0.0
	for _, p := range sides[0] {
		d := p.v - v - slope*(p.h-h)
		left += d * d / (n - 2)
	}
	if math.Sqrt(left/max(hh, 1e-9))*later > slopeMost*size {
		return math.Inf(1)
	}
	return sign * quantile(off, 0.5)
}
