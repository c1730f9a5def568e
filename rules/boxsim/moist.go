package boxsim

import (
	"dewpost/rules/moistair"
	"dewpost/rules/unit"
)

// The formulas of moistair on the plain numbers that the physics is made of:
// °C, hPa and %RH over water.

func satWater(t float64) float64 { return float64(moistair.SaturationWater(unit.Celsius(t))) }

func dewPoint(t, rh float64) float64 {
	return float64(moistair.DewPoint(unit.Celsius(t), unit.Percent(rh)))
}

// satSurface is the vapour pressure at a surface with water on it, or frost
// below 0 °C.
func satSurface(t float64) float64 {
	if t < 0 {
		return float64(moistair.SaturationIce(unit.Celsius(t)))
	}
	return satWater(t)
}
