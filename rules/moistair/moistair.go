// Package moistair holds the formulas of humid air, each with its source.
//
// Relative humidity is over water at every temperature, as meteorology defines
// it and humidity sensors report it. The dew point is over water and the frost
// point over ice; below 0 °C they differ (by 1.4 K in air of -10 °C and 80 %)
// and neither stands in for the other. Pressures are those of the pure phase,
// without the enhancement factor of moist air (0.5 % at sea level), which
// cancels in a dew point and in a relative humidity.
//
// No function refuses its input. Where there is no answer, as for a relative
// humidity or a vapour pressure that is not positive, the result is NaN.
package moistair

import (
	"math"

	"dewpost/rules/unit"
)

// The Magnus formula e = e0 exp(a t/(b+t)), fitted for -45..60 °C over water
// and for -65..0 °C over ice.
const (
	saturation0 = 6.112  // hPa, saturation pressure at 0 °C [WMO8-2008]
	waterA      = 17.62  // 1 [WMO8-2008]
	waterB      = 243.12 // °C [WMO8-2008]
	iceA        = 22.46  // 1 [WMO8-2008]
	iceB        = 272.62 // °C [WMO8-2008]
)

// SaturationWater returns the saturation vapour pressure over water, hPa, at
// t °C: 6.112 exp(17.62 t/(243.12+t)). Fitted for -45..60 °C, extrapolated
// beyond. Within 0.4 % of the exact formulations for -20..60 °C, most at 25 °C
// (-0.31 %); +0.75 % at -45 °C.
//
// Source: [WMO8-2008] Annex 4.B, pure phase, water
func SaturationWater(t unit.Celsius) unit.Hectopascal {
	return unit.Hectopascal(saturation0 * math.Exp(exponentWater(float64(t))))
}

// SaturationIce returns the saturation vapour pressure over ice, hPa, at t °C:
// 6.112 exp(22.46 t/(272.62+t)). Fitted for -65..0 °C, extrapolated beyond.
// Within 0.1 % of the exact formulations down to -55 °C, -0.25 % at -65 °C.
//
// Source: [WMO8-2008] Annex 4.B, pure phase, ice
func SaturationIce(t unit.Celsius) unit.Hectopascal {
	return unit.Hectopascal(saturation0 * math.Exp(iceA*float64(t)/(iceB+float64(t))))
}

// DewPoint returns the dew point over water, °C, of air of t °C and rh %:
// 243.12 x/(17.62-x), x = 17.62 t/(243.12+t) + ln(rh/100), the closed inverse
// of SaturationWater. At 100 % it is t. NaN when rh is not positive. Within
// 0.1 K of the exact formulations for dew points of -45..60 °C.
//
// Source: [WMO8-2008] Annex 4.B, inverted
func DewPoint(t unit.Celsius, rh unit.Percent) unit.Celsius {
	return dewPoint(exponentWater(float64(t)) + math.Log(float64(rh)/100))
}

// FrostPoint returns the frost point over ice, °C, of air of t °C and rh %
// over water: 272.62 x/(22.46-x), x as for DewPoint. Above 0 °C, where there is
// no ice, it has no meaning. NaN when rh is not positive. Within 0.1 K of the
// exact formulations for frost points of -65..0 °C.
//
// Source: [WMO8-2008] Annex 4.B, ice, inverted
func FrostPoint(t unit.Celsius, rh unit.Percent) unit.Celsius {
	return frostPoint(exponentWater(float64(t)) + math.Log(float64(rh)/100))
}

// SurfaceRH returns the relative humidity over water, %, that air of t °C and
// rh % has at a surface of another temperature, °C; at most 100, where water
// condenses. Exactly rh when the surface is as warm as the air. It is the ratio
// of two saturation pressures, in which their deviation all but cancels.
//
// Source: [WMO8-2008] Annex 4.B, quotient of two saturation pressures
func SurfaceRH(t unit.Celsius, rh unit.Percent, surface unit.Celsius) unit.Percent {
	at := float64(rh) * math.Exp(exponentWater(float64(t))-exponentWater(float64(surface)))
	return unit.Percent(min(100, at))
}

// exponentWater returns ln(SaturationWater(t)/6.112).
func exponentWater(t float64) float64 { return waterA * t / (waterB + t) }

// dewPoint inverts exponentWater.
func dewPoint(x float64) unit.Celsius { return unit.Celsius(waterB * x / (waterA - x)) }

func frostPoint(x float64) unit.Celsius { return unit.Celsius(iceB * x / (iceA - x)) }
