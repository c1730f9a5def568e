package bench

import (
	"maps"
	"slices"
	"strconv"
)

// Moisture is how wet the inside was.
type Moisture string

// Corrosion is how far a part is eaten.
type Corrosion string

// Condition is the state of a cover, a gasket or a coating.
type Condition string

// The shop's terms for what is found.
var (
	Moistures        = []Moisture{"dry", "damp", "water"}
	Corrosions       = []Corrosion{"none", "trace", "moderate", "severe"}
	Places           = []string{"board", "contacts", "connector", "terminals", "keypad", "lamp", "speaker", "microphone", "address-switch", "cable-entry", "screws", "other"}
	CoverConditions  = []Condition{"sound", "crazed", "cracked", "missing"}
	GasketConditions = []Condition{"sound", "hard", "torn", "missing"}
	CoatConditions   = []Condition{"whole", "lifted", "bare-spots"}
)

const waterMost = 5000 // ml

// Findings are what somebody found in a unit. What was not looked at is "".
type Findings struct {
	Moisture  Moisture
	WaterML   *int64               // drained; nil: not said
	Corrosion map[string]Corrosion // by place
	Cover     Condition
	Gasket    Condition
	Coating   Condition
	Note      string
}

// Check returns a Wrong for what is not in the shop's terms, or when nothing
// is said at all.
func (f *Findings) Check() error {
	if f.Moisture == "" && f.WaterML == nil && len(f.Corrosion) == 0 && f.Cover == "" && f.Gasket == "" && f.Coating == "" && f.Note == "" {
		return Wrong{"findings", "", "say at least one thing that was found"}
	}
	for _, err := range []error{
		perhaps("moisture", f.Moisture, Moistures), perhaps("cover", f.Cover, CoverConditions),
		perhaps("gasket", f.Gasket, GasketConditions), perhaps("coating", f.Coating, CoatConditions),
	} {
		if err != nil {
			return err
		}
	}
	if w := f.WaterML; w != nil && (*w < 0 || *w > waterMost) {
		return Wrong{"water_ml", strconv.FormatInt(*w, 10), "write whole millilitres from 0 to " + strconv.Itoa(waterMost)}
	}
	if w := f.WaterML; w != nil && *w > 0 && (f.Moisture == "dry" || f.Moisture == "damp") {
		return Wrong{"moisture", string(f.Moisture), "write water: some was drained"}
	}
	for _, place := range slices.Sorted(maps.Keys(f.Corrosion)) {
		if err := one("corrosion", place, Places); err != nil {
			return err
		}
		if err := one("corrosion."+place, f.Corrosion[place], Corrosions); err != nil {
			return err
		}
	}
	return nil
}

// Symptom is what people notice.
type Symptom string

// Symptoms are what people report.
var Symptoms = []Symptom{"ghost-calls", "dead-key", "weak-audio", "dark-lamp", "hum", "no-ring", "other"}

// CheckSymptom returns a Wrong unless the symptom is known.
func CheckSymptom(s Symptom) error { return one("kind", s, Symptoms) }

// CheckKind returns a Wrong unless the kind of visit is known.
func CheckKind(k Kind) error { return one("kind", k, Kinds) }

// Words are the findings in the shop's terms, in the order in which people say
// them. The note is not among them.
func (f *Findings) Words() []string {
	var all []string
	if f.Moisture != "" {
		all = append(all, string(f.Moisture))
	}
	if f.WaterML != nil {
		all = append(all, strconv.FormatInt(*f.WaterML, 10)+" ml drained")
	}
	for _, place := range slices.Sorted(maps.Keys(f.Corrosion)) {
		all = append(all, "corrosion "+string(f.Corrosion[place])+" at "+place)
	}
	for _, c := range []struct {
		what string
		is   Condition
	}{{"cover", f.Cover}, {"gasket", f.Gasket}, {"coating", f.Coating}} {
		if c.is != "" {
			all = append(all, c.what+" "+string(c.is))
		}
	}
	return all
}

// Outcome is what came of a finding that somebody looked after.
type Outcome string

// Outcomes.
const (
	PutRight    Outcome = "put-right"    // its cause was found and mended
	NothingSeen Outcome = "nothing-seen" // somebody looked and saw nothing of it
	StillToDo   Outcome = "still-to-do"
)

// Outcomes are all of them.
var Outcomes = []Outcome{PutRight, NothingSeen, StillToDo}

// Closes tells whether nothing more is to be done about the finding.
func (o Outcome) Closes() bool { return o == PutRight || o == NothingSeen }

// CheckOutcome returns a Wrong unless the outcome is known and, where it closes
// a finding, a reason is given.
func CheckOutcome(o Outcome, reason string) error {
	if err := one("outcome", o, Outcomes); err != nil {
		return err
	}
	if o.Closes() && reason == "" {
		return Wrong{"reason", "", "say in a few words why nothing more is to be done about it, such as what was put right"}
	}
	return nil
}

// CheckState returns a Wrong unless the state is known.
func CheckState(s State) error { return one("state", s, States) }
