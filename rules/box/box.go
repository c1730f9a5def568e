// Package box follows one box through its ten-minute means: how it breathes,
// what its line draws, and what is wrong with it. The collector's fold and the
// offline assessment of a log both go through it, and so say the same.
package box

import (
	"slices"

	"dewpost/rules/breathing"
	"dewpost/rules/current"
	"dewpost/rules/finding"
	"dewpost/rules/means"
	"dewpost/rules/sun"
)

// Facts are what is known beside the readings, valid at a slot.
type Facts struct {
	Place *sun.Place // nil: not known
	Air   breathing.Facts
}

// State is all that is remembered of a box. The zero value is ready. Encoded as
// JSON and decoded it goes on as if it had not been.
type State struct {
	Breathing breathing.State `json:"breathing"`
	Current   current.State   `json:"current"`
}

// Step takes the next slot that is done; slots ascend.
func (s *State) Step(m *means.Mean, f Facts) {
	s.Breathing.Step(m, f.Air)
	s.Current.Add(current.Options{Place: f.Place}, m)
}

// Findings returns all that was found, ended ones too, each detector's in the
// order in which it concluded them.
func (s *State) Findings() []finding.Finding {
	return slices.Concat(s.Breathing.Findings(), s.Current.Found)
}
