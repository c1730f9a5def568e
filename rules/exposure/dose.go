package exposure

import "math"

// DoseSpread is what a sensor's ±2 %RH make of a dose, whose rate grows tenfold in
// doseDecade.
var DoseSpread = math.Pow(10, 2/doseDecade)

// A surface that was not measured but taken from the air may have been colder: by so
// much more a dose may be. A judgement value.
const airDose = 2.0

// DoseRange returns the range of a dose by what stood in for the surface.
func DoseRange(dose float64, basis Basis) (low, high float64) {
	if basis == BasisAir || basis == BasisMixed {
		return dose / DoseSpread, dose * airDose
	}
	return dose / DoseSpread, dose * DoseSpread
}
