// Package detect is the proof that troubles of a box are found in time, each
// under its own name, and that sound boxes are left alone. All of it is test
// code: fleets of simulated boxes with faults on known days, in made-up and in
// measured weather, are assessed as a person's log would be, and what was
// concluded is held against what was done to the box. Run it with
//
//	bash deploy/prove.sh detection [--quick] [--seed N] [--n BOXES]
//
// A finding counts on the day it was concluded, not on the onset that it
// claims. Findings that say how wet a board is (board_wet, damp_week) follow
// from weather as well as from faults; they are counted apart and are never
// false.
package detect
