// Package assess judges one log of readings without a collector: hours in each
// condition with their range, dose, dew point and findings. The hours are the
// same that a collector's ledger would hold for these readings and facts.
package assess

import (
	"cmp"
	"iter"
	"math"
	"slices"
	"time"

	"dewpost/rules/box"
	"dewpost/rules/breathing"
	"dewpost/rules/equal"
	"dewpost/rules/exposure"
	"dewpost/rules/finding"
	"dewpost/rules/outlook"
	"dewpost/rules/reading"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

// Options are what a log cannot say itself.
type Options struct {
	MaxGap    time.Duration          // longest known segment; 0: from the log's own steps
	Allowance unit.Kelvin            // how much colder than the air inside the surface is taken to be
	Learned   *exposure.Undercooling // … as a station with a sensor on its board taught; nil: Allowance
	Repaired  unit.Instant           // when the box was back where it hangs, and known to be good; 0: nothing was done to it
	Flush     bool                   // it is mounted into the wall, its back towards the house
	Post      bool                   // … on a post, behind which there is no house
	Place     *sun.Place             // nil: every instant counts as night, and no sunrise is known
	Build     string                 // whose budget the dose is held against; "" for none
	Budget    float64                // of Build, equivalent hours at saturation
}

// Assessment is what a log says. Its JSON form is a contract.
type Assessment struct {
	From     *unit.Instant `json:"from"`
	To       *unit.Instant `json:"to"`
	Readings int           `json:"readings"` // distinct instants
	Merged   int           `json:"merged"`   // rows beyond the first of an instant
	Refused  int           `json:"refused"`  // values out of range, for who read the log to fill in
	Coverage struct {
		KnownH   float64 `json:"known_h"`
		UnknownH float64 `json:"unknown_h"`
	} `json:"coverage"`
	Surface struct {
		Basis      *string `json:"basis"`
		AllowanceK float64 `json:"allowance_k"`
		Learned    string  `json:"undercooling,omitempty"` // terms, in the place of the allowance
	} `json:"surface"`
	Hours HoursIn `json:"hours"`
	Range struct {
		Condensing Range `json:"condensing"`
		AtRisk     Range `json:"at_risk"`
	} `json:"range"`
	DewPointC Extremes        `json:"dew_point_c"` // over water
	DoseHEq   float64         `json:"dose_h_eq"`
	Life      *Life           `json:"life"`
	TowClass  *int            `json:"tow_class"` // 1 to 5, from the outdoor channels
	Breathing []breathing.Day `json:"breathing"`
	Findings  []Finding       `json:"findings"`
	Outlook   []outlook.Night `json:"outlook"` // by night; needs a place

	BreathingUsual *breathing.Usual `json:"breathing_usual"` // of the baseline; nil while that is not known
	Current        *Current         `json:"current"`         // of line and comb; nil: nothing is known
	Compared       *Compared        `json:"compared"`        // before and after the repair; nil without one

	MaxGap time.Duration   `json:"-"` // as used
	Ledger []exposure.Hour `json:"-"`

	placed  bool           // a place was given
	basis   exposure.Basis // of all known time
	tonight *outlook.Night // nil: none
}

// Life is how much of a board's life the log's known time has used.
type Life struct {
	Build     string  `json:"build"`
	BudgetHEq float64 `json:"budget_h_eq"`
	Fraction  float64 `json:"fraction"`
}

// Current is what is known of the line's current and of the comb at the log's end.
// What isn't known is nil.
type Current struct {
	StandbyMA *float64 `json:"standby_ma"`                   // in the quiet hours of the night, median of the last days
	LeakMA    *float64 `json:"leakage_at_saturation_ma"`     // were the board saturated
	ErrorMA   *float64 `json:"leakage_standard_error_ma"`    // of that
	OwnMA     *float64 `json:"own_leakage_at_saturation_ma"` // usual for it
	PerK      *float64 `json:"change_ma_per_k"`
	CombUS    *float64 `json:"own_comb_at_saturation_us"` // usual for it
}

// Compared is how wet the box was before and after a repair, in equal weather.
type Compared struct {
	Condensing equal.Comparison `json:"condensing"`
	AtRisk     equal.Comparison `json:"at_risk"`
}

// HoursIn are hours in each condition.
type HoursIn struct {
	Condensing float64  `json:"condensing"`
	AtRisk     float64  `json:"at_risk"`
	Tow        float64  `json:"tow"`
	Frost      float64  `json:"frost"`
	Thaw       float64  `json:"thaw"`
	CoverWet   *float64 `json:"cover_wet"` // nil without a cover sensor
}

// Range is the low and high end of an estimated number of hours.
type Range struct {
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// Extremes of a quantity; nil without data.
type Extremes struct {
	Min  *float64 `json:"min"`
	Mean *float64 `json:"mean"`
	Max  *float64 `json:"max"`
}

// Finding is a finding in its JSON form.
type Finding struct {
	Kind       finding.Kind       `json:"kind"`
	From       unit.Instant       `json:"from"`
	To         *unit.Instant      `json:"to"` // nil while it lasts
	Concluded  unit.Instant       `json:"concluded"`
	Confidence float64            `json:"confidence"`
	Evidence   []finding.Evidence `json:"evidence"`
	How        string             `json:"how,omitempty"` // by what method and source; the caller's words
}

// Run assesses readings in any order. rs is used up.
func Run(rs []reading.Reading, opt Options) Assessment {
	rows := len(rs)
	merged := reading.Merge(rs)
	r := newRunner(merged, opt)
	r.add(merged)
	return r.finish(rows)
}

// Stream assesses readings that come in blocks, which it uses up. Blocks in
// time order are assessed as they come, so that the next can be read
// meanwhile; out of order they are kept and assessed together. The result is
// that of Run.
func Stream(blocks iter.Seq[[]reading.Reading], opt Options) Assessment {
	var kept [][]reading.Reading // all of them, merged
	var waiting []reading.Reading
	var r *runner
	last, rows, ordered := unit.Instant(math.MinInt64), 0, true
	for block := range blocks {
		rows += len(block)
		block = reading.Merge(block)
		kept = append(kept, block)
		if len(block) == 0 || !ordered {
			continue
		}
		if ordered = block[0].Time > last; !ordered {
			continue
		}
		last = block[len(block)-1].Time
		if r == nil {
			if waiting = append(waiting, block...); len(waiting) <= gapSteps {
				continue
			}
			r = newRunner(waiting, opt)
			block = waiting
		}
		r.add(block)
	}
	if ordered && r != nil {
		return r.finish(rows)
	}
	a := Run(slices.Concat(kept...), opt)
	a.Merged = rows - a.Readings
	return a
}

// runner assesses merged readings in time order.
type runner struct {
	opt    Options
	ledger *exposure.Stream
	out    exposure.Outdoors
	dew    dewPoint
	box    *box.Stream
	nights outlook.State
	n      int
	a      Assessment
}

// newRunner begins an assessment; first are enough of the first readings to
// propose a longest step.
func newRunner(first []reading.Reading, opt Options) *runner {
	if opt.MaxGap == 0 {
		times := make([]unit.Instant, min(len(first), GapInstants))
		for i := range times {
			times[i] = first[i].Time
		}
		opt.MaxGap = MaxGap(times)
	}
	r := &runner{opt: opt, out: exposure.Outdoors{MaxGap: opt.MaxGap}, dew: dewPoint{maxGap: opt.MaxGap}}
	known := box.Facts{Place: opt.Place, Air: breathing.Facts{Flush: opt.Flush, Post: opt.Post}}
	if opt.Repaired != 0 {
		known.Air.Baseline = []breathing.Span{{From: opt.Repaired}}
	}
	r.box = box.New(func(unit.Instant) box.Facts { return known })
	r.ledger = exposure.NewStream([]exposure.Valid{{From: math.MinInt64, Facts: exposure.Facts{
		MaxGap: opt.MaxGap, Allowance: opt.Allowance, Learned: opt.Learned, Place: opt.Place,
	}}}, exposure.Part{From: math.MinInt64})
	return r
}

func (r *runner) add(merged []reading.Reading) {
	for i := range merged {
		m := &merged[i]
		r.ledger.Add(m)
		r.out.Add(m)
		dew, ok := r.ledger.DewPoint()
		r.dew.add(m.Time, float64(dew), ok)
		r.box.Add(m)
		r.foretell(m)
	}
	if len(merged) == 0 {
		return
	}
	if r.n += len(merged); r.a.From == nil {
		from := merged[0].Time
		r.a.From = &from
	}
	to := merged[len(merged)-1].Time
	r.a.To = &to
}

// foretell hands a reading to the outlook, with the surface that the ledger takes.
func (r *runner) foretell(m *reading.Reading) {
	temp, dew, margin, ok := r.ledger.Air()
	if !ok || r.opt.Place == nil || r.doubted(m) {
		return
	}
	r.nights.Add(m.Time, temp, dew, margin, *r.opt.Place, r.opt.MaxGap)
}

// doubted tells whether a sensor that the outlook rests on is in doubt.
func (r *runner) doubted(m *reading.Reading) bool {
	s := &r.box.State.Sensing
	_, board := m.Get(reading.BoardTemp)
	return s.Suspect(reading.InsideTemp) || s.Suspect(reading.InsideRH) || board && s.Suspect(reading.BoardTemp)
}

func (r *runner) finish(rows int) Assessment {
	ledger := r.ledger.Close()
	a := &r.a
	a.Readings, a.Merged = r.n, rows-r.n
	a.MaxGap, a.Ledger, a.placed = r.opt.MaxGap, ledger.Hours, r.opt.Place != nil
	a.Breathing, a.Outlook = r.box.State.Breathing.Estimates(), append([]outlook.Night{}, r.nights.Nights...)
	if usual, ok := r.box.State.Breathing.Usual(); ok {
		a.BreathingUsual = &usual
	}
	if c := r.box.State.Current.Standing(); c != nil {
		a.Current = &Current{c.Level, c.Leak, c.Error, c.Own, c.PerK, c.Comb}
	}
	a.tonight = r.nights.Now()
	a.Surface.AllowanceK = float64(r.opt.Allowance)
	if r.opt.Learned != nil {
		a.Surface.Learned = r.opt.Learned.String()
	}
	a.sum(ledger.Hours)
	if r.opt.Build != "" {
		a.Life = &Life{r.opt.Build, r.opt.Budget, a.DoseHEq / r.opt.Budget}
	}
	a.DewPointC = r.dew.extremes()
	a.TowClass = r.out.Class()
	a.conclude(ledger, r.box, &r.opt)
	return *a
}

const gapSteps = 200

// GapInstants is how many of a log's first instants tell its longest step.
const GapInstants = gapSteps + 1

// MaxGap proposes the longest known segment for a log with these first
// instants, which are in order and each there once: 1.5 times the median of
// their steps, and at least the default. Instants beyond GapInstants don't
// count.
func MaxGap(first []unit.Instant) time.Duration {
	n := min(len(first)-1, gapSteps)
	if n < 1 {
		return exposure.DefaultMaxGap
	}
	steps := make([]time.Duration, n)
	for i := range steps {
		steps[i] = first[i+1].Sub(first[i])
	}
	slices.Sort(steps)
	median := steps[(n-1)/2]/2 + steps[n/2]/2
	return max(exposure.DefaultMaxGap, median+median/2)
}

func hours(ns int64) float64 { return float64(ns) / 3.6e12 }

func (a *Assessment) sum(ledger []exposure.Hour) {
	var t exposure.Hour
	for i := range ledger {
		t.Add(&ledger[i])
	}
	a.Coverage.KnownH, a.Coverage.UnknownH = hours(t.Known), hours(t.Unknown)
	if a.basis = t.Basis; t.Basis != exposure.BasisNone {
		basis := t.Basis.String()
		a.Surface.Basis = &basis
	}
	a.Hours = HoursIn{
		Condensing: hours(t.Condensing), AtRisk: hours(t.AtRisk), Tow: hours(t.Tow),
		Frost: hours(t.Frost), Thaw: hours(t.Thaw),
	}
	if t.HasCover {
		h := hours(t.CoverWet)
		a.Hours.CoverWet = &h
	}
	a.Range.Condensing = Range{hours(t.CondensingLow), hours(t.CondensingHigh)}
	a.Range.AtRisk = Range{hours(t.AtRiskLow), hours(t.AtRiskHigh)}
	a.DoseHEq = float64(t.Dose) / 1e9
}

// dewPoint finds the extremes over readings and the mean over known time.
type dewPoint struct {
	maxGap          time.Duration
	low, high       float64
	integral, known float64
	at              unit.Instant // of the last reading
	last            float64
	valid           bool // the last reading had a dew point
	any             bool
}

// add takes the dew point c of the reading at t, if it has one.
func (d *dewPoint) add(t unit.Instant, c float64, ok bool) {
	if !ok {
		d.valid = false
		return
	}
	if !d.any {
		d.low, d.high, d.any = c, c, true
	}
	d.low, d.high = min(d.low, c), max(d.high, c)
	if step := t.Sub(d.at); d.valid && step <= d.maxGap {
		d.integral += float64((d.last + c) / 2 * float64(step))
		d.known += float64(step)
	}
	d.at, d.last, d.valid = t, c, true
}

func (d *dewPoint) extremes() Extremes {
	var e Extremes
	if d.any {
		e.Min, e.Max = &d.low, &d.high
	}
	if d.known > 0 {
		mean := d.integral / d.known
		e.Mean = &mean
	}
	return e
}

// compareSeed draws the same intervals each time.
const compareSeed = 1

// conclude tells what is wrong with the box, and whether its repair held.
func (a *Assessment) conclude(ledger exposure.Folded, box *box.Stream, opt *Options) {
	ofBox := box.State.Findings()
	doubts := finding.Doubts(ofBox)
	hours, spells := finding.Trusted(ledger.Hours, doubts), finding.TrustedSpells(ledger.Spells, ledger.Hours, doubts)
	var repaired []unit.Instant
	if opt.Repaired != 0 {
		repaired = []unit.Instant{opt.Repaired}
		lon := 0.0
		if opt.Place != nil {
			lon = opt.Place.Lon
		}
		days := equal.Days(hours, box.Outdoors, lon)
		before := slices.DeleteFunc(slices.Clone(days), func(d equal.Day) bool { return d.Start.Add(24*time.Hour) > opt.Repaired })
		after := slices.DeleteFunc(days, func(d equal.Day) bool { return d.Start < opt.Repaired })
		a.Compared = &Compared{
			equal.Compare(before, after, func(d *equal.Day) equal.Hours { return d.Condensing }, compareSeed),
			equal.Compare(before, after, func(d *equal.Day) equal.Hours { return d.AtRisk }, compareSeed),
		}
	}
	wet := finding.BesideWater(finding.WetBoards(spells, hours, box.Outdoors, repaired), ofBox)
	all := slices.Concat(wet, finding.DampWeeks(hours, box.Outdoors), ofBox)
	slices.SortStableFunc(all, func(a, b finding.Finding) int { return cmp.Compare(a.From, b.From) })
	a.Findings = make([]Finding, 0, len(all))
	for _, f := range all {
		j := Finding{Kind: f.Kind, From: f.From, Concluded: f.Concluded, Confidence: f.Confidence, Evidence: f.Evidence}
		if f.To != 0 {
			to := f.To
			j.To = &to
		}
		a.Findings = append(a.Findings, j)
	}
}
