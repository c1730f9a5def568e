package boxsim

import "math"

func satWater(t float64) float64 { return 6.112 * math.Exp(17.62*t/(243.12+t)) }

// satSurface is the vapour pressure of wet or iced surface at t.
func satSurface(t float64) float64 {
	if t < 0 {
		return 6.112 * math.Exp(22.46*t/(272.62+t))
	}
	return satWater(t)
}

func dewPoint(t, rh float64) float64 {
	x := 17.62*t/(243.12+t) + math.Log(rh/100)
	return 243.12 * x / (17.62 - x)
}

func relativeHumidity(t, dew float64) float64 {
	return min(100, 100*math.Exp(17.62*dew/(243.12+dew)-17.62*t/(243.12+t)))
}
