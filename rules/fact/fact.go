// Package fact holds what the workshop knows about sites and stations, each
// fact with the instant from which it is valid, and turns a station's facts
// into the timeline that the ledger is computed with.
package fact

import "dewpost/rules/unit"

// Subject is what a fact is about.
type Subject struct {
	Kind string // "site" or "station"
	ID   string
}

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
