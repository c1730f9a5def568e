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

	CoverDue  Kind = "cover_due"  // the cover is as old as covers are that crack
	BudgetLow Kind = "budget_low" // little of the board's life is left

	DewTonight Kind = "dew_tonight" // the coming night is foretold to be wet: advice, of which nothing is recorded

	LeakageRising    Kind = "leakage_rising"      // current or comb conductance that rises with surface humidity grew
	CurrentStepUp    Kind = "current_step_up"     // the standby current rose at once, and stayed
	CurrentStepDown  Kind = "current_step_down"   // … fell
	NoCurrent        Kind = "no_current"          // no standby current
	LineVoltageLow   Kind = "line_voltage_low"    // the line's voltage is far below the usual
	SealOpened       Kind = "seal_opened"         // the box breathes faster than it did
	WaterInside      Kind = "water_inside"        // liquid water feeds the air in the box
	MoistAirFromWall Kind = "moist_air_from_wall" // house air enters through the cable entry
	SensorSuspect    Kind = "sensor_suspect"      // a sensor does not tell the truth
)

// Evidence is one number that a finding rests on.
type Evidence struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
}

// Counts tells whether the number counts something, and so has no decimals.
func (e *Evidence) Counts() bool { return e.Unit == "" || e.Unit == "d" || e.Unit == "stations" }

// Finding is one conclusion about one station.
type Finding struct {
	Kind       Kind
	From       unit.Instant // estimated onset
	To         unit.Instant // 0 while it lasts
	Concluded  unit.Instant // time of the last reading used to conclude it
	Confidence float64      // 0…1
	Evidence   []Evidence
}

// hours is an estimated number of hours with its range, as evidence: what a
// humidity sensor may be off and, where none measures the surface, what that may be
// colder.
func hours(name string, of func(end) float64) []Evidence {
	return []Evidence{
		{Name: name, Value: of(mid), Unit: "h"},
		{Name: name + "_low", Value: of(low), Unit: "h"},
		{Name: name + "_high", Value: of(high), Unit: "h"},
	}
}

// end is the middle figure of an estimated number of hours, or an end of its range.
type end int

const (
	mid end = iota
	low
	high
	ends
)
