package life

import (
	"sort"
	"time"

	"dewpost/rules/alarm"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// Judgement values of the board's clock.
const (
	waterWeight = 2.0            // of a dose while there is water in the box: drops bridge tracks that a film does not
	monthKnown  = 72 * time.Hour // of a calendar month that must be known before its rate is one
	dateKnown   = 28 * day       // that must be known before a date is told
	boardLead   = 90 * day       // before the date, budget_low begins
	boardWell   = 120 * day      // and ends
	boardLow    = 0.8            // of life used, budget_low begins
	boardRaised = 0.7            // and below it ends
	blindCover  = 365 * day      // how far ahead a date goes while the cover's age is not known
	horizon     = 30 * 365.25 * 24 * time.Hour
	guessLow    = 0.5 // of the dose that an unknown time is taken to have had
	guessHigh   = 2.0
)

// Life that is gone from a board that was used before, by its bench grade, with
// a range. Judgement values.
var grades = map[string][3]float64{
	"a": {0, 0.1, 0.2},
	"b": {0.15, 0.3, 0.45},
	"c": {0.35, 0.5, 0.65},
	"d": {0.6, 0.75, 0.9},
}

// Span is a time [From, To); To 0: it lasts.
type Span struct{ From, To unit.Instant }

// Water returns the times with water inside that occurrences tell of.
func Water(recorded []alarm.Occurrence) (all []Span) {
	for i := range recorded {
		if o := &recorded[i]; o.Finding.Kind == finding.WaterInside && !o.Revised {
			all = append(all, Span{o.Finding.From, o.Finding.To})
		}
	}
	return all
}

// Trusted returns a ledger in which nothing is known of the hours in which a sensor
// that they rest on was in doubt, from the onset of what was found of it: what it
// showed makes no dose.
func Trusted(hours []exposure.Hour, recorded []alarm.Occurrence) []exposure.Hour {
	var found []finding.Finding
	for i := range recorded {
		if f := recorded[i].Finding; !recorded[i].Revised {
			f.Concluded = f.From
			found = append(found, f)
		}
	}
	return finding.Trusted(hours, finding.Doubts(found))
}

// Outlook says when a board's life will be used up.
type Outlook string

// Outlooks.
const (
	NotKnownYet Outlook = "not known yet"
	OnDate      Outlook = "date"
	BeyondCover Outlook = "beyond cover age" // the cover cracks first, and then all is different
	BeforeCover Outlook = "before cover age" // of a coated board: too uncertain for a date, but look at it
	UsedUp      Outlook = "used up"
)

// Board is how much of a board's life is used at an instant.
type Board struct {
	Missing []string // facts that somebody must record before Fraction is known
	Build   string
	Since   unit.Instant // when it was fitted, else the first reading

	Known    bool    // Fraction, Low and High are: nothing is missing, and enough was heard
	Fraction float64 // used: 1 is the budget
	Low      float64
	High     float64
	Learned  *Learned // what looks at boards of the build taught of its budget; nil: nothing yet
	Corroded *float64 // chance that it is corroded by now; nil: not known

	Start     float64 // of Fraction, before it was fitted
	Dose      float64 // of Fraction, collected in known time
	Estimated float64 // of Fraction, taken for unknown time
	KnownH    float64 // since it was fitted
	UnknownH  float64 // … outdoors, the time since the last reading included

	Outlook           Outlook
	Date, Early, Late unit.Instant // with OnDate; Late 0: beyond cover age
}

// BoardAt returns how much of the board's life is used at now: the dose of each
// hour against the budget of the build valid then. Unknown time counts at the
// mean rate of the known time in the same calendar month, else of that under
// the same build; on no site it counts nothing. hours is the whole ledger in
// order, see Trusted, water the times with water inside. A coat doesn't set the
// count back; another board does.
//
// The range holds what ±2 %RH make of the dose, that a surface may be colder
// than the air that stands for it, that unknown time may have been half or
// twice as wet, and how little a bench grade says. It does not hold that the
// budget itself is a judgement, until enough boards of the build were looked at
// (see Learn): then the range is multiplied by the budget's 80 % interval too.
//
// Source: judgement values, no source, until looks taught otherwise.
func (h *History) BoardAt(hours []exposure.Hour, water []Span, now unit.Instant) Board {
	b := Board{Outlook: NotKnownYet}
	start := h.start(&b, hours, now)
	l := newLedger(h, hours, water)
	sum := l.used(b.Since, now)
	b.Start, b.Dose, b.Estimated = start[1], sum.known, sum.guess
	b.KnownH, b.UnknownH = sum.knownTime.Hours(), sum.unknownTime.Hours()
	b.Fraction = b.Start + sum.known + sum.guess
	b.Low = start[0] + sum.knownLow + guessLow*sum.guess
	b.High = start[2] + sum.knownHigh + guessHigh*sum.guess
	b.Known = len(b.Missing) == 0 && !sum.blind && b.KnownH > 0
	if !b.Known {
		b.Fraction, b.Low, b.High = 0, 0, 0
		return b
	}
	if b.Learned = h.learned(b.Build); b.Learned != nil {
		b.Low *= b.Learned.Middle / b.Learned.High
		b.High *= b.Learned.Middle / b.Learned.Low
		chance := b.Learned.HappenedBy(b.Fraction * b.Learned.Middle)
		b.Corroded = &chance
	}
	h.ahead(&b, l, now)
	return b
}

// start tells since when the board is there, what it began with, and what is
// missing.
func (h *History) start(b *Board, hours []exposure.Hour, now unit.Instant) (used [3]float64) {
	b.Build = h.stretch[h.at(now)].build
	if !h.anyBuild {
		b.Missing = append(b.Missing, fact.Build)
	}
	b.Since = now
	if len(hours) > 0 {
		first := &hours[0]
		b.Since = first.Start.Add(time.Hour - time.Duration(first.Known+first.Unknown))
	}
	if date, ok := fact.At(h.own, fact.BoardFitted, now); ok {
		if fitted, ok := dateOf(date); ok {
			b.Since = min(fitted, now)
		}
	}
	switch board, _ := fact.At(h.own, fact.Board, now); board {
	case "":
		b.Missing = append(b.Missing, fact.Board)
	case "new":
	default:
		grade, _ := fact.At(h.own, fact.BoardGrade, now)
		var ok bool
		if used, ok = grades[grade]; !ok {
			b.Missing = append(b.Missing, fact.BoardGrade)
		}
	}
	return used
}

// rate is a dose rate in known time, equivalent hours at saturation an hour.
type rate struct {
	dose  float64
	known time.Duration
}

func (r *rate) add(h *exposure.Hour) {
	r.dose += float64(h.Dose) / 1e9
	r.known += time.Duration(h.Known)
}

// ledger is a station's hours with the rates that stand for what they leave
// open.
type ledger struct {
	h      *History
	hours  []exposure.Hour
	water  []Span
	months [12]rate
	builds map[string]*rate
	all    rate
}

func newLedger(h *History, hours []exposure.Hour, water []Span) *ledger {
	l := &ledger{h: h, hours: hours, water: water, builds: map[string]*rate{}}
	for i := range hours {
		hour := &hours[i]
		st := &h.stretch[h.at(hour.Start)]
		if st.sun == 0 {
			continue // on the bench: nothing of it stands for the wall
		}
		l.all.add(hour)
		l.months[hour.Start.Time().Month()-1].add(hour)
		if l.builds[st.build] == nil {
			l.builds[st.build] = &rate{}
		}
		l.builds[st.build].add(hour)
	}
	return l
}

// rateAt returns the mean known rate of t's calendar month, else that of its
// build, else of all; month tells that it is the first, ok that there is any.
func (l *ledger) rateAt(t unit.Instant, build string) (perHour float64, month, ok bool) {
	if m := &l.months[t.Time().Month()-1]; m.known >= monthKnown {
		return m.dose / m.known.Hours(), true, true
	}
	if b := l.builds[build]; b != nil && b.known > 0 {
		return b.dose / b.known.Hours(), false, true
	}
	if l.all.known > 0 {
		return l.all.dose / l.all.known.Hours(), false, true
	}
	return 0, false, false
}

// sums are shares of budgets.
type sums struct {
	known, knownLow, knownHigh, guess float64

	knownTime, unknownTime time.Duration
	blind                  bool // for some unknown time there was no rate
}

// used adds up [from, to).
func (l *ledger) used(from, to unit.Instant) sums {
	var s sums
	at := from
	i := sort.Search(len(l.hours), func(i int) bool { return l.hours[i].Start.Add(time.Hour) > from })
	for ; i < len(l.hours) && l.hours[i].Start < to; i++ {
		hour := &l.hours[i]
		l.guess(&s, at, hour.Start)
		begin, end := max(hour.Start, from), min(hour.Start.Add(time.Hour), to)
		l.hour(&s, i, begin, end)
		at = end
	}
	l.guess(&s, at, to)
	return s
}

// hour adds the part [from, to) of an hour. What is known of it lies evenly in
// the time that the ledger holds of it: of its first hour the end, of its last
// the beginning.
func (l *ledger) hour(s *sums, i int, from, to unit.Instant) {
	hour := &l.hours[i]
	st := &l.h.stretch[l.h.at(hour.Start)]
	budget, ok := l.h.budget(st.build)
	if !ok {
		return // nobody said; Board.Missing tells
	}
	held := time.Duration(hour.Known + hour.Unknown)
	begin := hour.Start
	if i == 0 {
		begin = hour.Start.Add(time.Hour - held)
	}
	share := 0.0
	if in := min(to, begin.Add(held)).Sub(max(from, begin)); in > 0 {
		share = float64(in) / float64(held)
	}
	known := time.Duration(share * float64(hour.Known))
	s.knownTime += known
	weight := l.weight(hour.Start) / budget
	dose := weight * share * float64(hour.Dose) / 1e9
	s.known += dose
	low, high := exposure.DoseRange(dose, hour.Basis)
	s.knownLow, s.knownHigh = s.knownLow+low, s.knownHigh+high
	l.unknown(s, st, hour.Start, to.Sub(from)-known, weight)
}

// unknown adds time of which nothing is known.
func (l *ledger) unknown(s *sums, st *stretch, t unit.Instant, length time.Duration, weight float64) {
	if length <= 0 || st.sun == 0 {
		return
	}
	perHour, _, ok := l.rateAt(t, st.build)
	s.unknownTime += length
	s.blind = s.blind || !ok
	s.guess += weight * perHour * length.Hours()
}

// guess adds a time without a row in the ledger, in pieces of one month, one
// build and one site at most.
func (l *ledger) guess(s *sums, from, to unit.Instant) {
	for from < to {
		st := &l.h.stretch[l.h.at(from)]
		end := min(to, st.to, from.Floor(day).Add(day))
		budget, ok := l.h.budget(st.build)
		if !ok {
			return
		}
		l.unknown(s, st, from, end.Sub(from), l.weight(from)/budget)
		from = end
	}
}

// weight is what a dose at t counts: more while there is water inside.
func (l *ledger) weight(t unit.Instant) float64 {
	for _, w := range l.water {
		if w.From.Floor(time.Hour) <= t && (w.To == 0 || t < w.To) {
			return waterWeight
		}
	}
	return 1
}

// ahead says when the rest will be used, day by day at the rates of the past.
// A date is never beyond the age at which the cover is more likely cracked
// than not, and a coated board behind a cover that is whole has none at all.
func (h *History) ahead(b *Board, l *ledger, now unit.Instant) {
	st := &h.stretch[h.at(now)]
	switch {
	case b.Fraction >= 1:
		b.Outlook = UsedUp
		return
	case st.sun == 0 || b.KnownH < dateKnown.Hours():
		return
	}
	limit := now.Add(blindCover)
	c := h.CoverAt(now)
	blind := len(c.Missing) > 0 && !c.Cracked
	switch {
	case c.Cracked:
		limit = now.Add(horizon)
	case !blind:
		limit = min(h.half(now, &c), now.Add(horizon))
	}
	date := l.ends(now, b.Fraction, st.build, func(r float64, _ bool) float64 { return r })
	coated := st.build == "coated" || st.build == "coated-new-cover"
	switch {
	case coated && !c.Cracked && (blind || date > limit):
		b.Outlook = BeyondCover
	case coated && !c.Cracked:
		b.Outlook = BeforeCover
	case date <= limit:
		b.Outlook, b.Date = OnDate, date
		small, large := 1.0, 1.0 // the budget, of the one that is reckoned with
		if b.Learned != nil {
			small, large = b.Learned.Low/b.Learned.Middle, b.Learned.High/b.Learned.Middle
		}
		b.Early = l.ends(now, b.High, st.build, func(r float64, month bool) float64 { return r / small * pick(month, exposure.DoseSpread, guessHigh) })
		if late := l.ends(now, b.Low, st.build, func(r float64, month bool) float64 { return r / large * pick(month, 1/exposure.DoseSpread, guessLow) }); late <= limit {
			b.Late = late
		}
	case blind:
		b.Missing = append(b.Missing, fact.CoverNew)
	case !c.Cracked:
		b.Outlook = BeyondCover
	}
}

// half returns when a cover that is whole now is as likely cracked as not.
func (h *History) half(now unit.Instant, c *Cover) unit.Instant {
	whole := *c
	whole.SeenSound = c.Age
	return whole.when(h, now, 0.5)
}

func pick(first bool, a, b float64) float64 {
	if first {
		return a
	}
	return b
}

// ends returns the day on which a life of which some is used will be used up.
// rate changes the rate of a day. Forever: not within the horizon.
func (l *ledger) ends(from unit.Instant, used float64, build string, rate func(perHour float64, month bool) float64) unit.Instant {
	budget, _ := l.h.budget(build) // that there is one is asked before
	for t := from; t < from.Add(horizon); t = t.Add(day) {
		if used >= 1 {
			return t
		}
		perHour, month, _ := l.rateAt(t, build)
		used += l.weight(t) * rate(perHour, month) * day.Hours() / budget
	}
	return fact.Forever
}

// Short concludes whether little of the board's life is left, given what was
// concluded before and lasts, if anything: its numbers stay those of its
// beginning. last is the station's newest reading. A lasting one ends with
// another board or when there is more time than was thought; found is false
// when it is not short, and when nothing is known any more.
func (b *Board) Short(now, last unit.Instant, lasting *finding.Finding) (f finding.Finding, found bool) {
	limit, lead := boardLow, boardLead
	if lasting != nil {
		limit, lead = boardRaised, boardWell
	}
	short := b.Known && (b.Fraction >= limit || b.Outlook == OnDate && b.Date.Sub(now) <= lead)
	switch {
	case lasting != nil && short:
		return *lasting, true
	case lasting != nil:
		f = *lasting
		if f.To = last; b.Since > f.From {
			f.To = b.Since
		}
		return f, f.To > f.From && (b.Known || b.Since > f.From)
	case !short:
		return f, false
	}
	return finding.Finding{Kind: finding.BudgetLow, From: last, Concluded: last, Confidence: 0.6, Evidence: []finding.Evidence{
		{Name: "life_used", Value: 100 * b.Fraction, Unit: "%"},
		{Name: "life_used_low", Value: 100 * b.Low, Unit: "%"},
		{Name: "life_used_high", Value: 100 * b.High, Unit: "%"},
	}}, true
}
