package record

import "dewpost/rules/unit"

// Frozen says what of a station's record stays as it is, as readings were let
// go that it was computed from.
type Frozen struct {
	Station string
	Before  unit.Instant // hours that begin before this are frozen
	Kept    unit.Instant // no reading from before this is held
	First   unit.Instant // the first reading that there was

	// Let go in all: days, the readings of them, and the bytes that they took;
	// and the hours that are frozen.
	Days, Readings, Bytes, Hours int64

	At unit.Instant // when readings were let go last
}

// Going is what goes next of a station's readings, or went.
type Going struct {
	Station  string
	From, To unit.Instant // the readings in [From, To) go: whole UTC days

	Days, Readings, Bytes int64

	Before unit.Instant // hours that begin before this are frozen then
	Hours  int64        // of them, those that were not before
	Rules  []int        // by which versions of the rules these were made, ascending

	Waits string // why nothing of it goes now; "" where nothing is in the way
}
