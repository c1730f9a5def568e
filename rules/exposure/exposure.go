// Package exposure turns a station's readings into its ledger: for each UTC
// hour the time in each condition, the dose and the means.
//
// The ledger is a function of the set of readings, the facts valid then and
// Version. Between two adjacent readings at most Facts.MaxGap apart lies a
// segment, in which temperature, RH, surface and margin are linear. Crossings
// are solved and rounded once to whole nanoseconds; after that all is integer
// arithmetic, so sums do not depend on how a log was cut. Products that feed
// float sums are wrapped in float64() so that no compiler fuses them: the
// ledger is bit-identical on one architecture.
//
// Limits: margin from ISO 8502-4 (3 K); tow from ISO 9223 (RH > 80 % and
// t > 0 °C), applied inside a box; salt_wet from the deliquescence of sodium
// chloride (Greenspan 1977: 75.3 % at 25 °C); dose slope and thaw limit are
// judgement values without a source.
package exposure

import (
	"math"
	"time"

	"dewpost/rules/moistair"
	"dewpost/rules/unit"
)

// Limits of the conditions.
const (
	RiskMargin = 3.0  // K, at_risk at or below [ISO8502-4]
	TowRH      = 80.0 // %RH, tow above [ISO9223-2012]
	TowTemp    = 0.0  // °C, tow above [ISO9223-2012]
	SaltRH     = 75.0 // %RH, salt_wet at or above [GREENSPAN-1977]

	doseDecade = 15.0 // %RH for a factor of ten in dose; judgement value
	rangeRH    = 2.0  // %RH either way, for the range
	rangeNight = 2.0  // K of undercooling that a station without a board sensor may have at night
	minRH      = 0.01 // %RH, floor of the range's RH
	thawLimit  = int64(2 * time.Hour)
)

// DefaultMaxGap is the longest segment that is known, unless a fact says
// otherwise.
const DefaultMaxGap = 30 * time.Minute

// Margin returns surface temperature minus dew point, or minus frost point
// when the surface is below 0 °C, in K rounded to 1e-9 K: saturated air at the
// surface's own temperature has margin 0 exactly. NaN when rh is not positive.
func Margin(surface, t unit.Celsius, rh unit.Percent) unit.Kelvin {
	point := moistair.DewPoint
	if surface < 0 {
		point = moistair.FrostPoint
	}
	return unit.Kelvin(round9(float64(surface - point(t, rh))))
}

// round9 rounds to 1e-9 and turns negative zero into zero.
func round9(x float64) float64 { return math.Round(x*1e9)/1e9 + 0 }

// doseRate returns the dose rate in equivalent hours at saturation per hour:
// 10^((RHs-100)/15), RHs the RH at the surface; 0 below 0 °C. A judgement
// value: film conductivity rises by decades between 60 % and 100 %RH.
func doseRate(t, rh, surface float64) float64 {
	if surface < 0 {
		return 0
	}
	return math.Exp((surfaceRH(t, rh, surface) - 100) * (math.Ln10 / doseDecade))
}

func surfaceRH(t, rh, surface float64) float64 {
	if surface == t {
		return rh // already clamped to 100
	}
	return float64(moistair.SurfaceRH(unit.Celsius(t), unit.Percent(rh), unit.Celsius(surface)))
}
