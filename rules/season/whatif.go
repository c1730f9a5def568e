package season

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"dewpost/rules/moistair"
	"dewpost/rules/unit"
)

// Hour is an hour of a box and of the air outdoors.
type Hour struct {
	Start unit.Instant
	Temp  float64  // °C, inside
	RH    float64  // %, inside
	Out   *float64 // hPa, vapour pressure outdoors; nil: not known
	Cold  float64  // K that the board is taken to be colder than the air inside
	Night bool
}

// Box is the box as it is.
type Box struct {
	Tau   float64 // h, breathing time; 0: not known
	Build string
}

// Change is something that could be done to a box.
type Change string

// Changes.
const (
	Coat     Change = "coat"
	NewCover Change = "new-cover"
	Seal     Change = "seal-entry"
	Vent     Change = "vent-membrane"
	Heater   Change = "heater"
	Eave     Change = "under-eave"
)

// guess is the number that nobody has measured, with its range.
type guess struct{ low, middle, high float64 }

type change struct {
	name    Change
	what    string
	guess   guess
	assumes string // with the three numbers
	caution string
}

var changes = []change{
	{
		Coat, "coat the board",
		guess{10, 40, 100},
		"a coated board takes %[2]g times the dose of a bare one (%[1]g to %[3]g); the air stays as it is",
		"Solvents and coatings want air, gloves and no flame; the coating maker's sheet decides.",
	},
	{
		NewCover, "fit a new cover",
		guess{1.5, 3, 10},
		"vapour takes %[2]g times as long to get in as past a cracked cover (%[1]g to %[3]g); past a sound one nothing changes but its age; rain is not in it",
		"Take it off its supply first; local codes decide who may.",
	},
	{
		Seal, "seal the cable entry",
		guess{1.1, 1.5, 3},
		"the box breathes %[2]g times as slowly (%[1]g to %[3]g); house air that enters today stays out, which is not in it; a box that is tighter keeps water longer",
		"Leave a weep hole open; a fire-rated wall wants a licensed person.",
	},
	{
		Vent, "fit a vent membrane",
		guess{30, 10, 3},
		"vapour has one more way, on which the box alone would breathe in %[2]g h (%[1]g to %[3]g)",
		"Drill nothing under which live parts lie.",
	},
	{
		Heater, "fit a small heating resistor",
		guess{0.5, 1.5, 3},
		"board and the air at it are %[2]g K warmer, day and night (%[1]g to %[3]g)",
		"It is fed from a supply of its own, fused, never from the intercom line; hot parts keep away from plastic; local codes decide.",
	},
	{
		Eave, "hang it under an eave",
		guess{0.5, 1, 2},
		"by night the board is %[2]g K less cold, for it sees less sky (%[1]g to %[3]g); less rain and sun are not in it",
		"A ladder stands on firm ground, held by a second person.",
	},
}

// Changes are all changes, in the order in which they are told.
var Changes = func() (all []Change) {
	for i := range changes {
		all = append(all, changes[i].name)
	}
	return all
}()

// What says what a change is, in words; "" of one that nobody knows.
func What(name Change) string {
	for i := range changes {
		if changes[i].name == name {
			return changes[i].what
		}
	}
	return ""
}

// Result is what a change would have made of the same weather.
type Result struct {
	Change  Change  `json:"change"`
	What    string  `json:"what"`
	Assumes string  `json:"assumes"`
	Caution string  `json:"caution"`
	Hours   float64 `json:"hours"`    // of weather that it is from
	WhyNot  string  `json:"why_not"`  // "": the figures are known
	Dose    float64 `json:"dose"`     // dose afterwards, as a share of that without the change
	DoseLow float64 `json:"dose_low"` // with the range of what is assumed
	DoseTop float64 `json:"dose_high"`
	Wear    float64 `json:"wear"` // share of a budget used, as a share of that without the change
	WearLow float64 `json:"wear_low"`
	WearTop float64 `json:"wear_high"`
}

// Judge reckons changes on hours in order. An unknown change is an Unknown.
func Judge(hours []Hour, box Box, want []Change) ([]Result, error) {
	var all []Result
	for _, name := range want {
		i := slices.IndexFunc(changes, func(c change) bool { return c.name == name })
		if i < 0 {
			var known []string
			for _, c := range Changes {
				known = append(known, string(c))
			}
			return nil, Unknown{string(name), "write " + strings.Join(known, ", ")}
		}
		all = append(all, changes[i].judge(hours, box))
	}
	return all, nil
}

// Unknown is a change that nobody knows.
type Unknown struct{ Name, Fix string }

func (u Unknown) Error() string { return fmt.Sprintf("what if %q: %s", u.Name, u.Fix) }

const leastHours = 28 * 24 // of weather before anything is reckoned

func (c *change) judge(hours []Hour, box Box) Result {
	r := Result{Change: c.name, What: c.what, Assumes: fmt.Sprintf(c.assumes, c.guess.low, c.guess.middle, c.guess.high), Caution: c.caution, Dose: 1, DoseLow: 1, DoseTop: 1, Wear: 1, WearLow: 1, WearTop: 1}
	var outdoors []Hour
	for i := range hours {
		if hours[i].Out != nil {
			outdoors = append(outdoors, hours[i])
		}
	}
	exchange := c.name == Seal || c.name == Vent || c.name == NewCover && box.Build == "cracked-cover"
	used := hours
	if exchange {
		used = outdoors
	}
	r.Hours = float64(len(used))
	switch {
	case len(used) < leastHours && exchange:
		r.WhyNot = fmt.Sprintf("the air outdoors is known for %d hours of the station's, of %d that are needed: import weather, or give a station of the site an outdoor sensor", len(used), leastHours)
	case len(used) < leastHours:
		r.WhyNot = fmt.Sprintf("the station was heard for %d hours, of %d that are needed", len(used), leastHours)
	case exchange && box.Tau == 0:
		r.WhyNot = "how open the box is, is not known yet"
	case c.name == Coat && box.Build != "uncoated":
		r.WhyNot = "the board is coated already, or its build is not recorded"
	}
	if r.WhyNot != "" {
		return r
	}
	of := func(x float64) (dose, wear float64) {
		switch c.name {
		case Coat:
			return 1, 1 / x
		case Heater:
			dose = measured(used, func(*Hour) float64 { return x }) / measured(used, nil)
		case Eave:
			dose = measured(used, func(h *Hour) float64 {
				if h.Night {
					return x
				}
				return 0
			}) / measured(used, nil)
		case Seal:
			dose = exchanged(used, box.Tau*x) / exchanged(used, box.Tau)
		case Vent:
			dose = exchanged(used, 1/(1/box.Tau+1/x)) / exchanged(used, box.Tau)
		case NewCover:
			if dose = 1; exchange {
				dose = exchanged(used, box.Tau*x) / exchanged(used, box.Tau)
				return dose, dose / crackedTakes
			}
		}
		return dose, dose
	}
	r.Dose, r.Wear = of(c.guess.middle)
	r.DoseLow, r.DoseTop, r.WearLow, r.WearTop = r.Dose, r.Dose, r.Wear, r.Wear
	for _, x := range []float64{c.guess.low, c.guess.high} {
		dose, wear := of(x)
		r.DoseLow, r.DoseTop = min(r.DoseLow, dose), max(r.DoseTop, dose)
		r.WearLow, r.WearTop = min(r.WearLow, wear), max(r.WearTop, wear)
	}
	if math.IsNaN(r.Dose) || math.IsInf(r.DoseTop, 0) {
		r = Result{Change: r.Change, What: r.What, Assumes: r.Assumes, Caution: r.Caution, Hours: r.Hours, WhyNot: "there was no dose in this weather", Dose: 1, DoseLow: 1, DoseTop: 1, Wear: 1, WearLow: 1, WearTop: 1}
	}
	return r
}

// crackedTakes is how many times the dose of a cracked cover's budget one behind a
// sound cover takes: the quotient of both budgets in package life.
const crackedTakes = 4

// rate is the dose rate at a surface of a temperature in air of a vapour pressure,
// as in package exposure.
func rate(e, surface float64) float64 {
	if surface < 0 {
		return 0
	}
	rh := min(100, 100*e/float64(moistair.SaturationWater(unit.Celsius(surface))))
	return math.Pow(10, (rh-100)/15)
}

// measured is the dose of the measured air at a board that is warmer by some
// kelvins than it was.
func measured(hours []Hour, warmer func(*Hour) float64) (dose float64) {
	for i := range hours {
		h := &hours[i]
		surface := h.Temp - h.Cold
		if warmer != nil {
			surface += warmer(h)
		}
		dose += rate(Vapour(unit.Celsius(h.Temp), unit.Percent(h.RH)), surface)
	}
	return dose
}

// Of exchange.
const (
	longestGap = 6 * time.Hour // over which the box goes on; behind a longer one it begins with outdoor air
	mostWater  = 40.0          // hPa of vapour that as much water on the walls would make; more runs out
)

// exchanged is the dose in a box that breathes in tau hours, in the measured
// temperatures.
func exchanged(hours []Hour, tau float64) (dose float64) {
	var e, water float64
	last := unit.Instant(math.MinInt64)
	for i := range hours {
		h := &hours[i]
		step := h.Start.Sub(last)
		if last == math.MinInt64 || step > longestGap {
			e, water, step = *h.Out, 0, time.Hour
		}
		last = h.Start
		e += (*h.Out - e) * (1 - math.Exp(-step.Hours()/tau))
		surface := h.Temp - h.Cold
		most := float64(moistair.SaturationWater(unit.Celsius(surface)))
		if surface < 0 {
			most = float64(moistair.SaturationIce(unit.Celsius(surface)))
		}
		moved := max(e-most, -water) // on to the board, or back from it
		e, water = e-moved, min(mostWater, water+moved)
		dose += rate(e, surface)
	}
	return dose
}
