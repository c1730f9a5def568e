package exposure

import (
	"math"
	"time"

	"dewpost/rules/reading"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

const hourNS = int64(time.Hour)

// Part says which hours to fold, and the state in which they begin.
type Part struct {
	From, To unit.Instant // whole hours, [From, To); zero To: to the end
	Begin    Carry        // End of the hour before From; zero at the ledger's beginning
}

// Folded is a stretch of ledger.
type Folded struct {
	Hours  []Hour
	Spells []Spell // concluded ones that touch the stretch, in time order
}

// Fold computes the hours of part from readings as reading.Merge leaves them.
// To fold hours from the middle of a ledger, rs must begin with the last
// reading at or before part.From, or UndercoolingReach before it where an
// allowance is learned, and must go one reading beyond part.To where there is
// one. facts is sorted by From; the first holds from the beginning,
// and none at all means the defaults.
//
// Hours without readings inside a gap appear as unknown. No readings or one:
// no hours.
func Fold(rs []reading.Reading, facts []Valid, part Part) Folded {
	s := NewStream(facts, part)
	for i := range rs {
		s.Add(&rs[i])
	}
	return s.Close()
}

// Stream folds readings one by one, in the order that Fold wants.
type Stream struct {
	f      folder
	points [2]point // the last reading's, at index n%2 of its number
	n      int
	past   *Past // nil where no surface is guessed from it
}

// NewStream begins a Stream; see Fold.
func NewStream(facts []Valid, part Part) *Stream {
	if part.To == 0 {
		part.To = math.MaxInt64
	}
	s := &Stream{f: folder{part: part, facts: newTimeline(facts), carry: part.Begin}}
	for i := range facts {
		if facts[i].Learned != nil {
			s.past = &Past{}
		}
	}
	return s
}

// Add folds the segment that ends with r.
func (s *Stream) Add(r *reading.Reading) {
	a, b := &s.points[(s.n+1)%2], &s.points[s.n%2]
	b.set(r)
	if s.past != nil && b.known {
		b.coolHour, b.coolSix = s.past.Cooling(r.Time, b.t)
	}
	if s.n > 0 && b.at > int64(s.f.part.From) && a.at < int64(s.f.part.To) {
		s.f.step(a, b)
	}
	s.n++
}

// DewPoint returns the dew point over water in the air inside at the last
// reading, °C; ok is false where it is not known.
func (s *Stream) DewPoint() (c unit.Celsius, ok bool) {
	p := &s.points[(s.n+1)%2]
	return unit.Celsius(p.dew), s.n > 0 && p.known
}

// Air returns what the ledger has at the last reading: temperature and dew point
// over water of the air inside, and the margin of the surface, the board's where
// it was measured. ok is false where it is not known.
func (s *Stream) Air() (temp, dew unit.Celsius, margin unit.Kelvin, ok bool) {
	p := &s.points[(s.n+1)%2]
	if s.n == 0 || !p.known {
		return 0, 0, 0, false
	}
	key := surfaceKey{BasisAir, s.f.facts.at(unit.Instant(p.at))}
	if p.hasBoard {
		key.basis = BasisBoard
	}
	return unit.Celsius(p.t), unit.Celsius(p.dew), unit.Kelvin(p.surfaceFor(key).margin), true
}

// Close ends the ledger with the last reading.
func (s *Stream) Close() Folded {
	s.f.finish()
	return Folded{Hours: s.f.hours, Spells: s.f.spells}
}

// timeline finds the facts valid at an instant.
type timeline struct {
	all  []validity
	last int
}

type validity struct {
	Valid
	hash   string
	nights *sun.Nights
}

func newTimeline(facts []Valid) *timeline {
	if len(facts) == 0 {
		facts = []Valid{{From: math.MinInt64, Facts: Facts{MaxGap: DefaultMaxGap}}}
	}
	tl := &timeline{all: make([]validity, len(facts))}
	for i, v := range facts {
		tl.all[i] = validity{v, v.Hash(), sun.NewNights(v.Place)}
	}
	return tl
}

func (tl *timeline) at(t unit.Instant) *validity {
	if tl.last > 0 && tl.all[tl.last].From > t {
		tl.last = 0
	}
	for tl.last+1 < len(tl.all) && tl.all[tl.last+1].From <= t {
		tl.last++
	}
	return &tl.all[tl.last]
}

// folder walks through segments in time order.
type folder struct {
	part   Part
	facts  *timeline
	hours  []Hour
	spells []Spell

	cur    Hour // being filled when open
	open   bool
	tempNS float64 // integral of inside temperature over cur's known time, °C·ns
	rhNS   float64
	carry  Carry
	theta  theta

	segment segment // the one being folded
}

// step folds the segment between two adjacent readings.
func (f *folder) step(a, b *point) {
	v := f.facts.at(unit.Instant(a.at))
	known := a.known && b.known && b.at-a.at <= int64(v.MaxGap)
	g := &f.segment
	if known {
		g.set(a, b, v)
	}
	from, end := max(a.at, int64(f.part.From)), min(b.at, int64(f.part.To))
	for from < end {
		start := int64(unit.Instant(from).Floor(time.Hour))
		to := min(end, start+hourNS)
		f.hour(start, v)
		f.cur.Until = unit.Instant(b.at)
		if known {
			f.knownPiece(g, from, to, v)
		} else {
			f.cur.Unknown += to - from
			f.carry.FrostOpen, f.carry.ThawUsed = false, 0
			f.dryPiece(from, to)
		}
		from = to
	}
}

// hour makes the hour that begins at start the current one.
func (f *folder) hour(start int64, v *validity) {
	if f.open && int64(f.cur.Start) == start {
		if f.cur.FactsHash != v.hash && !endsWith(f.cur.FactsHash, v.hash) {
			f.cur.FactsHash += "+" + v.hash
		}
		return
	}
	f.close()
	f.cur = Hour{
		Start: unit.Instant(start), FactsHash: v.hash, Rules: Version,
		MarginMin: math.Inf(1),
	}
	f.open, f.tempNS, f.rhNS = true, 0, 0
}

func endsWith(s, end string) bool { return len(s) >= len(end) && s[len(s)-len(end):] == end }

func (f *folder) close() {
	if !f.open {
		return
	}
	h := &f.cur
	known := float64(h.Known)
	h.InsideTempMean, h.InsideRHMean = f.tempNS/known, f.rhNS/known
	if h.Known == 0 {
		h.InsideTempMean, h.InsideRHMean, h.MarginMin = math.NaN(), math.NaN(), math.NaN()
	}
	h.End = f.carry
	f.hours = append(f.hours, *h)
	f.open = false
}

func (f *folder) finish() {
	f.close()
	if f.carry.WetConcluded != 0 {
		f.spells = append(f.spells, Spell{From: f.carry.WetSince, Concluded: f.carry.WetConcluded})
	}
}

// knownPiece adds [from, to), which lies in the current hour, to it.
func (f *folder) knownPiece(g *segment, from, to int64, v *validity) {
	h := &f.cur
	h.Known += to - from
	h.Condensing += g.wet.within(from, to)
	h.CondensingLow += g.wetL.within(from, to)
	h.CondensingHigh += g.wetH.within(from, to)
	h.AtRisk += g.risk.within(from, to)
	h.AtRiskLow += g.riskL.within(from, to)
	h.AtRiskHigh += g.riskH.within(from, to)
	h.Tow += g.tow.within(from, to)
	h.Frost += g.frost.within(from, to)
	if g.hasCover {
		h.HasCover = true
		h.CoverWet += g.coverWet.within(from, to)
	}
	if g.hasSalt {
		h.HasSalt = true
		h.SaltWet += g.salt.within(from, to)
	}
	h.Basis = h.Basis.and(g.basis)

	length := float64(to - from)
	rate := float64(g.rateAt(from) + g.rateAt(to))
	h.Dose += int64(math.Round(float64(rate/2*length) / float64(hourNS) * 1e9))
	f.tempNS += float64((g.at(from, g.a.t, g.b.t) + g.at(to, g.a.t, g.b.t)) / 2 * length)
	f.rhNS += float64((g.at(from, g.a.rh, g.b.rh) + g.at(to, g.a.rh, g.b.rh)) / 2 * length)
	h.MarginMin = min(h.MarginMin, g.at(from, g.sa.margin, g.sb.margin), g.at(to, g.sa.margin, g.sb.margin))

	f.thaw(g, from, to)
	f.wetPiece(g, from, to, v)
}

// thaw counts the time in which ice from an open frost melts on the surface.
func (f *folder) thaw(g *segment, from, to int64) {
	if !f.carry.FrostOpen && g.frost.within(from, to) == 0 {
		return
	}
	cuts := cutsOf(from, to, g.frost, g.risk, g.warm)
	for i := 1; i < len(cuts); i++ {
		a, b := cuts[i-1], cuts[i]
		switch {
		case !g.risk.holds(a): // margin > 3 K: dried off
			f.carry.FrostOpen, f.carry.ThawUsed = false, 0
		case g.frost.holds(a) && !f.carry.FrostOpen:
			f.carry.FrostOpen, f.carry.ThawUsed = true, 0
		case f.carry.FrostOpen && g.warm.holds(a):
			n := min(b-a, thawLimit-f.carry.ThawUsed)
			f.cur.Thaw += n
			if f.carry.ThawUsed += n; f.carry.ThawUsed == thawLimit {
				f.carry.FrostOpen, f.carry.ThawUsed = false, 0
			}
		}
	}
}

// cutsOf returns the instants in [from, to] between which no span begins or
// ends, from and to included, in order.
func cutsOf(from, to int64, spans ...span) []int64 {
	cuts := make([]int64, 1, 8)
	cuts[0] = from
	for _, s := range spans {
		for _, t := range [2]int64{s.from, s.to} {
			if from < t && t < to {
				cuts = insert(cuts, t)
			}
		}
	}
	return append(cuts, to)
}

// insert keeps cuts sorted and free of doubles.
func insert(cuts []int64, t int64) []int64 {
	i := len(cuts)
	for i > 0 && cuts[i-1] >= t {
		i--
	}
	if i < len(cuts) && cuts[i] == t {
		return cuts
	}
	cuts = append(cuts, 0)
	copy(cuts[i+1:], cuts[i:])
	cuts[i] = t
	return cuts
}
