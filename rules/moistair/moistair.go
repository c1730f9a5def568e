// Package moistair holds the formulas of humid air, each with its source.
package moistair

import (
	"math"

	"dewpost/rules/unit"
)

const (
	e0   = 6.112
	aW   = 17.62
	bW   = 243.12
	aI   = 22.46
	bI   = 272.62
	absC = 216.679
)

// SaturationWater returns the saturation vapour pressure over water.
func SaturationWater(t unit.Celsius) unit.Hectopascal {
	return unit.Hectopascal(e0 * math.Exp(aW*float64(t)/(bW+float64(t))))
}

// DewPoint returns the dew point over water.
func DewPoint(t unit.Celsius, rh unit.Percent) unit.Celsius {
	x := aW*float64(t)/(bW+float64(t)) + math.Log(float64(rh)/100)
	return unit.Celsius(bW * x / (aW - x))
}

// FrostPoint returns the frost point over ice.
func FrostPoint(t unit.Celsius, rh unit.Percent) unit.Celsius {
	x := aW*float64(t)/(bW+float64(t)) + math.Log(float64(rh)/100)
	return unit.Celsius(bI * x / (aI - x))
}

// SurfaceRH returns the relative humidity at a surface, at most 100.
func SurfaceRH(t unit.Celsius, rh unit.Percent, surface unit.Celsius) unit.Percent {
	return unit.Percent(math.Min(100, float64(rh)*math.Exp(aW*float64(t)/(bW+float64(t))-aW*float64(surface)/(bW+float64(surface)))))
}
