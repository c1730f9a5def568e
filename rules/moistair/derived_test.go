package moistair

import (
	"math"

	"dewpost/rules/unit"
)

// What follows from the formulas in use, and is published more often than they
// are. No program needs it yet, so it lives with the checks.

// Humidity conversion formulas, technical note of a maker of humidity sensors
// (2013; year from memory): C = 2.16679 g K/J. M/R of water by CODATA is 2.16674.
const (
	vapourC  = 216.679 // g K/(m³ hPa), molar mass of water over the gas constant
	freezing = 273.15  // K, 0 °C
)

// VapourPressure returns the vapour pressure, hPa, of air of t °C and rh %:
// rh/100 times SaturationWater, also below 0 °C.
//
// Source: [WMO8-2008] Annex 4.B, relative humidity over water
func VapourPressure(t unit.Celsius, rh unit.Percent) unit.Hectopascal {
	return unit.Hectopascal(float64(rh) / 100 * float64(SaturationWater(t)))
}

// RelativeHumidity returns the relative humidity over water, %, of air of t °C
// with vapour pressure e hPa, also below 0 °C. Above 100 in supersaturated air.
//
// Source: [WMO8-2008] Annex 4.B, relative humidity over water
func RelativeHumidity(e unit.Hectopascal, t unit.Celsius) unit.Percent {
	return unit.Percent(100 * float64(e) / float64(SaturationWater(t)))
}

// DewPointOf returns the temperature, °C, at which vapour of e hPa is saturated
// over water. NaN when e is not positive.
//
// Source: [WMO8-2008] Annex 4.B, inverted
func DewPointOf(e unit.Hectopascal) unit.Celsius {
	return dewPoint(math.Log(float64(e) / saturation0))
}

// FrostPointOf returns the temperature, °C, at which vapour of e hPa is
// saturated over ice. NaN when e is not positive.
//
// Source: [WMO8-2008] Annex 4.B, ice, inverted
func FrostPointOf(e unit.Hectopascal) unit.Celsius {
	return frostPoint(math.Log(float64(e) / saturation0))
}

// AbsoluteHumidity returns the mass of vapour, g/m³, in air of t °C with vapour
// pressure e hPa, as an ideal gas: 216.679 e/(273.15+t).
//
// Source: the technical note above, absolute humidity.
func AbsoluteHumidity(e unit.Hectopascal, t unit.Celsius) unit.GramPerCubicMetre {
	return unit.GramPerCubicMetre(vapourC * float64(e) / (freezing + float64(t)))
}
