package record

import (
	"dewpost/rules/breathing"
	"dewpost/rules/equal"
	"dewpost/rules/sensing"
	"dewpost/rules/unit"
)

// BoxState is what is remembered of a box where a reading completed the hours
// before it.
type BoxState struct {
	At   unit.Instant // of that reading; 0: nothing is remembered
	Body []byte
}

// BoxRun is up to where a box was followed.
type BoxRun struct {
	Upto    unit.Instant // the reading up to which findings are concluded; 0: none are
	Version int          // of the rules
	State   BoxState     // the newest from before the asked instant
}

// Neighbour is what the outdoor sensor of a station said of an hour.
type Neighbour struct {
	Station string
	equal.Air
}

// Box is what a fold found when it followed a box. All that was kept from after
// Since is replaced.
type Box struct {
	Since    unit.Instant // where it went on; math.MinInt64 for the beginning
	Frozen   unit.Instant // what is known of days and hours before this stays; 0: of all
	Upto     unit.Instant
	Version  int
	States   []BoxState       // those to keep, ascending
	Drop     []unit.Instant   // those from before Since that are kept no longer
	Days     []breathing.Day  // from the UTC day of Since, or Frozen, on
	Usual    *breathing.Usual // nil: not known yet
	Heater   *sensing.Burst   // the newest; nil: none
	Outdoors []equal.Air      // from the hour of Since, or Frozen, on: what the station's outdoor sensor said
}
