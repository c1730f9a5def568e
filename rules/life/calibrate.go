package life

import (
	"fmt"
	"math"
	"time"

	"dewpost/rules/exposure"
)

// calibrateLeast is how much of a log must be known: less than a year's
// seasons would lean the budget.
const calibrateLeast = 7000 * time.Hour

const roundBudget = 50.0 // h eq: the practice behind it is no sharper

// Calibrated is the budget of an uncoated board, and what it was made of.
type Calibrated struct {
	Logs   []HalfYear
	Middle float64 // geometric mean of the half years, equivalent hours at saturation
	Budget float64 // that, rounded to 50
	InUse  float64 // the budget that this program works with
}

// HalfYear is what one log of outdoor air holds.
type HalfYear struct {
	KnownH  float64
	DoseHEq float64 // equivalent hours at saturation in the known time
	HEq     float64 // the same, scaled to half a mean year of 4,383 h
}

// Calibrate makes the budget of an uncoated board from ledgers of outdoor air
// that was taken as the air in a box and at its board: the dose of half a year.
// Each ledger must know 7,000 h at least, of about a year.
//
// Source: common practice, no source, that such a board lasts half a year.
func Calibrate(ledgers [][]exposure.Hour) (Calibrated, error) {
	c := Calibrated{InUse: uncoated}
	var logs float64
	for i, hours := range ledgers {
		var sum exposure.Hour
		for j := range hours {
			sum.Add(&hours[j])
		}
		if known := time.Duration(sum.Known); known < calibrateLeast || sum.Dose == 0 {
			return c, fmt.Errorf("log %d holds %.0f known hours of %.0f that are needed, with a dose: give a log of a year of outdoor air", i+1, known.Hours(), calibrateLeast.Hours())
		}
		half := HalfYear{KnownH: time.Duration(sum.Known).Hours(), DoseHEq: float64(sum.Dose) / 1e9}
		half.HEq = half.DoseHEq / half.KnownH * year.Hours() / 2
		c.Logs = append(c.Logs, half)
		logs += math.Log(half.HEq)
	}
	c.Middle = math.Exp(logs / float64(len(ledgers)))
	c.Budget = math.Round(c.Middle/roundBudget) * roundBudget
	return c, nil
}
