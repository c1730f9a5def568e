// Package fact holds what the workshop knows about owners, sites, lines,
// stations and sensors, each fact with the instant from which it is valid. It
// says how facts are written, which of them can't be true together, and turns
// a station's facts into the timeline that the ledger is computed with.
package fact

import (
	"fmt"

	"dewpost/rules/unit"
)

// Subject is what a fact is about.
type Subject struct {
	Kind string // one of Kinds
	ID   string
}

func (s Subject) String() string { return s.Kind + " " + s.ID }

// Fact is one statement, valid until the next one of the same name. Facts are
// never changed: a correction is a fact with the same From, recorded later.
type Fact struct {
	Subject  Subject
	Name     string // see Names
	From     unit.Instant
	Value    string
	Author   string
	Recorded unit.Instant
}

// Refused says why a fact can't be recorded, and what to write instead.
type Refused struct {
	Subject          Subject
	Name, Value, Fix string
}

// Error begins with the subject.
func (r Refused) Error() string {
	return fmt.Sprintf("%s: %s %.40q: %s", r.Subject, r.Name, r.Value, r.Fix)
}

func (f *Fact) refuse(fix string) error { return Refused{f.Subject, f.Name, f.Value, fix} }

// Since says from when on something holds.
func Since(from unit.Instant) string {
	if from == Always {
		return "from the beginning on"
	}
	return "from " + from.String() + " on"
}
