// Package alarm turns findings into occurrences with the states of IEC 62682
// (ISA-18.2): what needed a person, since when, whether somebody has seen it,
// and what people are told. Times are reading times; a clock decides whether a
// reading is fresh enough to tell anybody, and what is judged by the clock.
package alarm

import (
	"fmt"
	"slices"
	"time"

	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// Occurrence is one time that a finding needed a person. It is known by
// station, kind and number, and keeps that identity when late data move its
// ends.
type Occurrence struct {
	Station string
	Number  int64 // 1, 2, 3 … for each station and kind
	Finding finding.Finding
	State   State
	Revised bool  // closed because later data withdrew it
	Told    bool  // people were told that it began, by itself or with a common cause
	Steps   int64 // transitions so far; numbers the events
	Rings   int64 // how often people were told of it by itself
	Cause   int64 // number of the common cause that it is part of; 0: none
}

// ID names the occurrence.
func (o *Occurrence) ID() string { return id(o.Station, o.Finding.Kind, o.Number) }

func id(station string, kind finding.Kind, number int64) string {
	return fmt.Sprintf("%s:%s:%d", station, kind, number)
}

// TellingID is the id under which people are told of it next, the same on every
// attempt: the occurrence's ID, and when it rings again after it was put aside,
// a number behind it.
func (o *Occurrence) TellingID() string {
	if o.Rings == 0 {
		return o.ID()
	}
	return fmt.Sprintf("%s:again:%d", o.ID(), o.Rings)
}

// Lasting tells whether the condition still holds.
func (o *Occurrence) Lasting() bool { return o.Finding.To == 0 && !o.Revised }

// Needs tells whether the occurrence needs a person: its condition holds, or it
// is latched; and nobody has put it aside.
func (o *Occurrence) Needs() bool {
	return !o.Revised && !o.State.Held() && (o.Finding.To == 0 || o.State.Latching())
}

// Event is one transition of an occurrence.
type Event struct {
	ID       string // unique: the occurrence's ID and the transition's number
	Station  string
	Kind     finding.Kind
	Number   int64
	From, To State
	At       unit.Instant // reading time; of what people did, the collector's clock
	Recorded unit.Instant // collector's clock
	Who, Why string
}

// Occurrence is the ID of the occurrence that made the transition.
func (e *Event) Occurrence() string { return id(e.Station, e.Kind, e.Number) }

// Rules is who did what the rules did.
const Rules = "rules"

// Hold keeps a station's alarms quiet: those of one kind, or all.
type Hold struct {
	Number   int64
	Station  string
	Kind     finding.Kind // "" for all
	State    State        // Shelved, Suppressed or OutOfService
	From     unit.Instant
	Until    unit.Instant // 0: until it is ended
	Who, Why string
	Ended    unit.Instant // 0: in force
	EndedBy  string
	EndedWhy string
}

// At tells whether the hold is in force at an instant for a kind.
func (h *Hold) At(now unit.Instant, kind finding.Kind) bool {
	return (h.Kind == "" || h.Kind == kind) && h.From <= now && (h.Ended == 0 || now < h.Ended) && (h.Until == 0 || now < h.Until)
}

// rank says which of several holds counts.
var rank = map[State]int{Shelved: 1, Suppressed: 2, OutOfService: 3}

// holding returns the hold that counts for a kind at an instant; nil: none.
func holding(holds []Hold, now unit.Instant, kind finding.Kind) *Hold {
	var best *Hold
	for i := range holds {
		if h := &holds[i]; h.At(now, kind) && (best == nil || rank[h.State] > rank[best.State]) {
			best = h
		}
	}
	return best
}

// Judgement is what the rules concluded about one station anew, for some kinds,
// and for all that lasted at or after Since and began before Until.
type Judgement struct {
	Station  string
	Kinds    []finding.Kind
	Since    unit.Instant
	Until    unit.Instant
	Findings []finding.Finding
	Newest   unit.Instant // the station's newest reading
	Now      unit.Instant // collector's clock
	Limits   Table
	Holds    []Hold       // of the station
	Retired  unit.Instant // of the station: what lasts ends there; 0: it is in service
}

// Changes is what a judgement, or a person, changes in the record.
type Changes struct {
	Occurrences []Occurrence
	Events      []Event
}

// Add adds what another judgement of the same station, about other kinds,
// changes.
func (c *Changes) Add(o Changes) {
	c.Occurrences = append(c.Occurrences, o.Occurrences...)
	c.Events = append(c.Events, o.Events...)
}

// move takes an occurrence to another state.
func (c *Changes) move(o *Occurrence, to State, at, now unit.Instant, who, why string) {
	o.Steps++
	c.Events = append(c.Events, Event{
		ID:      fmt.Sprintf("%s:%d", o.ID(), o.Steps),
		Station: o.Station, Kind: o.Finding.Kind, Number: o.Number,
		From: o.State, To: to, At: at, Recorded: now, Who: who, Why: why,
	})
	o.State = to
}

// Reconcile compares a judgement with the recorded occurrences of the station.
// A finding continues the occurrence that it overlaps, or that ended less than
// its kind's off-delay before it; else it is a new one, once it has lasted for
// its on-delay. A recorded occurrence that no finding continues is closed as
// revised.
func Reconcile(j Judgement, recorded []Occurrence) Changes {
	r := reconciler{j: j}
	for _, kind := range j.Kinds {
		r.kind(kind, recorded)
	}
	return r.changes
}

type reconciler struct {
	j       Judgement
	changes Changes
}

func (r *reconciler) kind(kind finding.Kind, recorded []Occurrence) {
	limits := r.j.Limits.Of(kind)
	var last int64
	var ended *finding.Finding // of the newest occurrence
	var open []Occurrence      // may be continued
	for i := range recorded {
		o := &recorded[i]
		if o.Finding.Kind != kind {
			continue
		}
		last = max(last, o.Number)
		if o.Revised {
			continue
		}
		if ended == nil || o.Finding.From >= ended.From {
			ended = &o.Finding
		}
		if o.Finding.From < r.j.Until {
			open = append(open, *o)
		}
	}
	for _, f := range Damped(r.j.Findings, kind, limits) {
		if r.j.Retired != 0 {
			f = retired(f, r.j.Retired)
		}
		if i := r.continued(open, f, limits.OffDelay); i >= 0 {
			r.proceed(open[i], f, limits)
			open = slices.Delete(open, i, i+1)
			continue
		}
		if r.begins(&f, ended, limits) {
			last++
			r.begin(f, last, limits)
		}
	}
	for _, o := range open {
		if r.judged(&o) {
			r.revise(o)
		}
	}
}

// Damped returns the findings of one kind, where those that come back within the
// off-delay are one: it begins and was concluded as the first, and ends as the
// last.
func Damped(all []finding.Finding, kind finding.Kind, limits Limits) (list []finding.Finding) {
	for _, f := range all {
		if f.Kind != kind {
			continue
		}
		if n := len(list) - 1; n >= 0 && limits.OffDelay > 0 && list[n].To != 0 && f.From >= list[n].To && f.From.Sub(list[n].To) <= limits.OffDelay {
			f.From, f.Concluded = list[n].From, list[n].Concluded
			list[n] = f
			continue
		}
		list = append(list, f)
	}
	return list
}

// judged tells whether a recorded occurrence lies in what was judged anew. Others
// are there only to be continued.
func (r *reconciler) judged(o *Occurrence) bool {
	return o.Finding.To == 0 || o.Finding.To >= r.j.Since
}

// continued returns the index of the occurrence that f continues, or -1: the
// one with the same onset, else the first that overlaps, else the newest of which
// it comes back within the off-delay.
func (r *reconciler) continued(open []Occurrence, f finding.Finding, offDelay time.Duration) int {
	found, back := -1, -1
	for i := range open {
		o := &open[i].Finding
		if judged := r.judged(&open[i]); judged && o.From == f.From {
			return i
		} else if overlaps := (f.To == 0 || o.From < f.To) && (o.To == 0 || f.From < o.To); judged && found < 0 && overlaps {
			found = i
		}
		if offDelay > 0 && o.To != 0 && f.From >= o.To && f.From.Sub(o.To) <= offDelay && (back < 0 || o.To > open[back].Finding.To) {
			back = i
		}
	}
	if found < 0 {
		return back
	}
	return found
}

// begins tells whether a finding makes a new occurrence: it is sure enough, has
// lasted for the on-delay, and soon after an end of the same kind it is beyond
// its limit by the deadband.
func (r *reconciler) begins(f, before *finding.Finding, limits Limits) bool {
	if f.Confidence < limits.Confidence {
		return false
	}
	if ready := f.Concluded.Add(limits.OnDelay); limits.OnDelay > 0 && (r.j.Newest < ready || f.To != 0 && f.To < ready) {
		return false
	}
	return Beyond(f, before, limits)
}

// Beyond tells whether a finding is beyond its limit by the deadband, where that
// counts because the one before it ended not long ago.
func Beyond(f, before *finding.Finding, limits Limits) bool {
	if limits.Deadband == 0 || before == nil || before.To == 0 || f.From < before.To || f.From.Sub(before.To) > DeadbandFor {
		return true
	}
	names := Of(f.Kind).Measured
	value, known := evidence(f, names[0])
	limit, given := evidence(f, names[1])
	return !known || !given || value >= limit*(1+limits.Deadband)
}

func evidence(f *finding.Finding, name string) (float64, bool) {
	for _, e := range f.Evidence {
		if name != "" && e.Name == name {
			return e.Value, true
		}
	}
	return 0, false
}

func (r *reconciler) begin(f finding.Finding, number int64, limits Limits) {
	o := Occurrence{Station: r.j.Station, Number: number, Finding: f, State: Normal}
	at := f.Concluded.Add(limits.OnDelay)
	if h := holding(r.j.Holds, r.j.Now, f.Kind); h != nil {
		r.changes.move(&o, h.State, at, r.j.Now, Rules, "concluded; "+h.Why)
	} else {
		r.changes.move(&o, Unacknowledged, at, r.j.Now, Rules, "concluded")
	}
	r.clear(&o, limits)
	r.changes.Occurrences = append(r.changes.Occurrences, o)
}

func (r *reconciler) proceed(o Occurrence, f finding.Finding, limits Limits) {
	before := o.Finding
	earlier := before.From < r.j.Since && r.j.Since <= f.From // it began before what was judged
	back := before.To != 0 && before.To <= f.From
	// Only what comes back within an off-delay is one with what was; a silence
	// begins with the last reading.
	if (earlier || back) && limits.OffDelay > 0 && !Of(f.Kind).Clock {
		f.From, f.Concluded = before.From, before.Concluded
	}
	o.Finding = f
	steps := o.Steps
	switch {
	case before.To != 0 && f.To == 0:
		r.again(&o, before.To, limits)
	case before.To == 0 && f.To != 0:
		r.changes.move(&o, o.State, f.To, r.j.Now, Rules, OverWhy)
	}
	r.clear(&o, limits)
	if o.Steps != steps || before.From != f.From || before.To != f.To || before.Concluded != f.Concluded ||
		before.Confidence != f.Confidence || !slices.Equal(before.Evidence, f.Evidence) {
		r.changes.Occurrences = append(r.changes.Occurrences, o)
	}
}

// again records that a condition that was over holds again, or still: within its
// off-delay that is no new alarm, only a trace of it.
func (r *reconciler) again(o *Occurrence, ended unit.Instant, limits Limits) {
	if to, ok := Next(o.State, Raise, Of(o.Finding.Kind).Latches, true); ok {
		r.changes.move(o, to, max(o.Finding.Concluded, ended), r.j.Now, Rules, "later data: it had not ended")
		return
	}
	if limits.OffDelay > 0 {
		r.changes.move(o, o.State, max(o.Finding.Concluded, ended), r.j.Now, Rules, BackSoon)
	}
}

// BackSoon is why an occurrence stays as it is when its condition comes back
// within the off-delay.
const BackSoon = "came back within its off-delay"

// OverWhy is why an occurrence stays as it is when it becomes known that its
// condition is over: letters go by when that was, for the end may lie days back.
const OverWhy = "its condition is over"

// clear ends an occurrence whose condition has been over for the off-delay.
func (r *reconciler) clear(o *Occurrence, limits Limits) {
	clearAt(&r.changes, o, limits, r.j.Newest, r.j.Now)
}

func clearAt(c *Changes, o *Occurrence, limits Limits, newest, now unit.Instant) (ended bool) {
	if o.Finding.To == 0 || newest < o.Finding.To.Add(limits.OffDelay) {
		return false
	}
	to, ok := Next(o.State, Clear, Of(o.Finding.Kind).Latches, false)
	if !ok {
		return false
	}
	c.move(o, to, o.Finding.To.Add(limits.OffDelay), now, Rules, "ended")
	return true
}

func (r *reconciler) revise(o Occurrence) {
	if o.Finding.To == 0 {
		o.Finding.To = max(o.Finding.From, r.j.Newest)
		if to, ok := Next(o.State, Clear, false, false); ok {
			r.changes.move(&o, to, o.Finding.To, r.j.Now, Rules, "later data withdrew it")
		}
	}
	o.Revised = true
	r.changes.Occurrences = append(r.changes.Occurrences, o)
}
