// Package alarm turns findings into occurrences with the states of IEC 62682
// (ISA-18.2): what needed a person, since when, and whether somebody has seen
// it. All times are reading times; a clock only decides whether a reading is
// fresh enough to tell anybody.
package alarm

import (
	"fmt"
	"slices"
	"time"

	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// State is an alarm state of IEC 62682 / ISA-18.2.
type State string

// The states in use; letters are those of ISA-18.2.
const (
	Normal         State = "normal"                  // A
	Unacknowledged State = "unacknowledged"          // B
	Acknowledged   State = "acknowledged"            // C
	Returned       State = "returned_unacknowledged" // D
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
	Told    bool  // people were told that it began
	Steps   int64 // transitions so far; numbers the events
}

// ID names the occurrence; it is also the id under which people are told of
// its beginning, the same on every attempt.
func (o *Occurrence) ID() string {
	return fmt.Sprintf("%s:%s:%d", o.Station, o.Finding.Kind, o.Number)
}

// Lasting tells whether the condition still holds.
func (o *Occurrence) Lasting() bool { return o.Finding.To == 0 && !o.Revised }

// Event is one transition of an occurrence.
type Event struct {
	ID       string // unique: the occurrence's ID and the transition's number
	Station  string
	Kind     finding.Kind
	Number   int64
	From, To State
	At       unit.Instant // reading time
	Recorded unit.Instant // collector's clock
	Who, Why string
}

// Judgement is what the rules concluded about one station anew, for some kinds,
// and for all that lasted at or after Since and began before Until.
type Judgement struct {
	Station  string
	Kinds    []finding.Kind
	Since    unit.Instant
	Until    unit.Instant
	Findings []finding.Finding
	Newest   unit.Instant  // the station's newest reading
	Now      unit.Instant  // collector's clock
	Fresh    time.Duration // age up to which the newest reading speaks for now
}

// Changes is what a judgement changes in the record.
type Changes struct {
	Occurrences []Occurrence
	Events      []Event
	Tell        []Occurrence // people should hear that these began
}

// Add adds what another judgement of the same station, about other kinds,
// changes.
func (c *Changes) Add(o Changes) {
	c.Occurrences = append(c.Occurrences, o.Occurrences...)
	c.Events = append(c.Events, o.Events...)
	c.Tell = append(c.Tell, o.Tell...)
}

// Reconcile compares a judgement with the recorded occurrences of the station.
// A finding continues the occurrence that it overlaps, else it is a new one. A
// recorded occurrence that no finding continues is closed as revised. People
// are told of an occurrence once, and only while it holds at the station's
// newest reading and that reading is fresh.
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
	var last int64
	var open []Occurrence // may be continued
	for _, o := range recorded {
		if o.Finding.Kind != kind {
			continue
		}
		last = max(last, o.Number)
		if !o.Revised && o.Finding.From < r.j.Until && (o.Finding.To == 0 || o.Finding.To >= r.j.Since) {
			open = append(open, o)
		}
	}
	for _, f := range r.j.Findings {
		if f.Kind != kind {
			continue
		}
		i := continued(open, f)
		if i < 0 {
			last++
			r.begin(f, last)
			continue
		}
		r.proceed(open[i], f)
		open = append(open[:i], open[i+1:]...)
	}
	for _, o := range open {
		r.revise(o)
	}
}

// continued returns the index of the occurrence that f continues, or -1: the
// one with the same onset, else the first that overlaps.
func continued(open []Occurrence, f finding.Finding) int {
	found := -1
	for i := range open {
		o := &open[i].Finding
		if o.From == f.From {
			return i
		}
		overlaps := (f.To == 0 || o.From < f.To) && (o.To == 0 || f.From < o.To)
		if found < 0 && overlaps {
			found = i
		}
	}
	return found
}

func (r *reconciler) begin(f finding.Finding, number int64) {
	o := Occurrence{Station: r.j.Station, Number: number, Finding: f, State: Normal}
	r.move(&o, Unacknowledged, f.Concluded, "concluded")
	r.tell(&o)
	if f.To != 0 {
		r.move(&o, Returned, f.To, "ended")
	}
	r.changes.Occurrences = append(r.changes.Occurrences, o)
}

func (r *reconciler) proceed(o Occurrence, f finding.Finding) {
	before := o.Finding
	o.Finding = f
	changed := before.From != f.From || before.To != f.To || before.Concluded != f.Concluded ||
		before.Confidence != f.Confidence || !slices.Equal(before.Evidence, f.Evidence)
	switch {
	case before.To == 0 && f.To != 0:
		r.end(&o, f.To, "ended")
	case before.To != 0 && f.To == 0:
		r.move(&o, Unacknowledged, f.Concluded, "later data: it had not ended")
	}
	if r.tell(&o) || changed {
		r.changes.Occurrences = append(r.changes.Occurrences, o)
	}
}

// tell marks an occurrence that people should hear of now.
func (r *reconciler) tell(o *Occurrence) bool {
	if o.Told || !o.Lasting() || r.j.Now.Sub(r.j.Newest) > r.j.Fresh {
		return false
	}
	o.Told = true
	r.changes.Tell = append(r.changes.Tell, *o)
	return true
}

func (r *reconciler) revise(o Occurrence) {
	if o.Finding.To == 0 {
		o.Finding.To = max(o.Finding.From, r.j.Newest)
		r.end(&o, o.Finding.To, "later data withdrew it")
	}
	o.Revised = true
	r.changes.Occurrences = append(r.changes.Occurrences, o)
}

func (r *reconciler) end(o *Occurrence, at unit.Instant, why string) {
	to := Returned
	if o.State == Acknowledged {
		to = Normal
	}
	r.move(o, to, at, why)
}

func (r *reconciler) move(o *Occurrence, to State, at unit.Instant, why string) {
	o.Steps++
	r.changes.Events = append(r.changes.Events, Event{
		ID:      fmt.Sprintf("%s:%d", o.ID(), o.Steps),
		Station: o.Station, Kind: o.Finding.Kind, Number: o.Number,
		From: o.State, To: to, At: at, Recorded: r.j.Now,
		Who: "rules", Why: why,
	})
	o.State = to
}
