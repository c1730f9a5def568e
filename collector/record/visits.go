package record

import (
	"errors"

	"dewpost/rules/bench"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// Errors of visits that callers tell apart.
var (
	// ErrChanged is returned when somebody else changed the thing meanwhile.
	ErrChanged = errors.New("somebody else changed it at this moment")
	// ErrOnlyTried is returned by what was asked to change nothing, and would
	// have worked.
	ErrOnlyTried = errors.New("only tried")
	// ErrSent is returned for a form that was written down before.
	ErrSent = errors.New("this form was written down before")
)

// Visit is one going to a station, or one stay of a unit at the bench.
type Visit struct {
	Number  int64
	Station string
	Kind    bench.Kind
	State   bench.State
	Who     string // goes there or has the unit on the bench; "" when nobody is named
	Planned string // date; "" when none is set
	Why     []Cause
	WhyText string
	Made    unit.Instant
	Author  string       // who wrote it down first
	Began   unit.Instant // 0 when it has not
	Ended   unit.Instant // 0 when it has not
	Version int64        // counts what was written down
}

// Cause is a finding that led to a visit.
type Cause struct {
	Kind   finding.Kind
	Number int64
}

// Entry says who wrote something down when.
type Entry struct {
	Author   string
	Recorded unit.Instant
}

// VisitStep is a change of a visit's state.
type VisitStep struct {
	bench.Step
	Note        string
	WithoutCard string // why it went on without a passed test card; "" when it need not
	Entry
}

// VisitFinding is what was found at one look.
type VisitFinding struct {
	At unit.Instant
	bench.Findings
	Entry
}

// VisitOutcome is what came of a finding at a visit.
type VisitOutcome struct {
	Cause
	Outcome bench.Outcome
	Reason  string // never "" where the outcome closes the finding
	At      unit.Instant
	Entry
}

// Came is what came of a finding, and at which visit.
type Came struct {
	Visit int64
	VisitOutcome
}

// OutcomesOf returns what came of a station's findings: the newest that was
// written down.
func OutcomesOf(visits []VisitDetails) map[Cause]Came {
	all := make(map[Cause]Came)
	for i := range visits {
		for _, o := range visits[i].Outcomes {
			if had, ok := all[o.Cause]; !ok || o.Recorded >= had.Recorded {
				all[o.Cause] = Came{visits[i].Number, o}
			}
		}
	}
	return all
}

// VisitWork is one thing that was done.
type VisitWork struct {
	bench.Work
	Note string
	Entry
}

// VisitPart is what was taken out of a lot for a visit.
type VisitPart struct {
	Lot, Quantity int64
	Kind          string // of part, of the lot
	Entry
}

// VisitPhoto is a picture without whatever else its file held.
type VisitPhoto struct {
	ID            int64
	Caption       string
	Taken         unit.Instant // 0 when nobody said
	Type          string       // media type
	Width, Height int          // px, before it is turned
	Size          int64        // bytes
	Body          []byte       // of single photos and of new ones only
	Entry
}

// VisitJar is a step in the humid jar.
type VisitJar struct {
	Begin  unit.Instant
	End    unit.Instant // 0 while it lasts
	Inside string       // what was in the jar
	Entry
}

// VisitCard is a filled-in test card as it was judged then.
type VisitCard struct {
	At     unit.Instant // of the test
	Card   bench.Card
	Result bench.Result
	Entry
}

// VisitDetails is all that is known of a visit, each list in the order in
// which it was written down, photos without their bodies.
type VisitDetails struct {
	Visit
	Steps    []VisitStep
	Findings []VisitFinding
	Outcomes []VisitOutcome
	Work     []VisitWork
	Parts    []VisitPart
	Photos   []VisitPhoto
	Jars     []VisitJar
	Cards    []VisitCard
	Symptoms []Symptom
}

// Symptom is what somebody noticed at a station.
type Symptom struct {
	ID         int64
	Station    string
	Visit      int64 // that it was told for; 0: none
	Kind       bench.Symptom
	Note       string
	ReportedBy string // personal
	Since      string // date; "" when nobody knows
	Entry
}

// VisitEntry is everything that is written down at once: all of it is kept, or
// nothing. The first part of it that says anything of a visit that is already
// there must have been decided with Visit.Version as it is in the store.
type VisitEntry struct {
	Entry
	Visit    Visit // Number 0: a new one; else Number, Version, and what Steps make of it
	Steps    []VisitStep
	Findings []VisitFinding
	Outcomes []VisitOutcome
	Work     []VisitWork
	Parts    []PartUse
	Photos   []VisitPhoto
	Jars     []VisitJar // one whose Begin is that of one without End ends it
	Cards    []VisitCard
	Symptoms []Symptom
	Facts    []fact.Fact // what all this says of the station and its sensors
	Try      bool        // change nothing, and return ErrOnlyTried if it would have worked
	Alarms   AlarmChange // what outcomes that close a finding make of its alarm
	Form     string      // id of the form that it came with; "": none. A form is written down once
}

// VisitQuery asks for visits; zero fields ask for all.
type VisitQuery struct {
	Station  string
	State    bench.State
	Open     bool         // those about which something is to be done
	From, To unit.Instant // when they are: when they began, else the day planned, else when they were made
	Before   int64        // numbers below this one
	Limit    int
}

// CalendarLink lets programs read the calendar of visits. Only the hash of the
// secret in its address is kept. Its name is unique without regard to case.
type CalendarLink struct {
	Name   string
	Author string // who made it
	Made   unit.Instant
}
