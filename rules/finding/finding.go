// Package finding concludes from the ledger what is wrong with a box.
package finding

import "dewpost/rules/unit"

// Kind names what was concluded.
type Kind string

// The kinds concluded so far.
const (
	BoardWet Kind = "board_wet" // surface stays wet when it should have dried
	DampWeek Kind = "damp_week" // more hours at risk in 7 days than is normal here
	Silent   Kind = "silent"    // nothing heard for longer than allowed
)

// Evidence is one number that a finding rests on.
type Evidence struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
}

// Finding is one conclusion about one station.
type Finding struct {
	Kind       Kind
	From       unit.Instant // estimated onset
	To         unit.Instant // 0 while it lasts
	Concluded  unit.Instant // time of the last reading used to conclude it
	Confidence float64      // 0…1
	Evidence   []Evidence
}
