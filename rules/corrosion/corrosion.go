// Package corrosion says how fast an openly exposed metal corrodes in outdoor
// air, after ISO 9223 and ISO 9224: the loss of the first year from means of
// temperature, humidity and deposits, its category C1 to CX, and the loss of
// later years.
//
// The standards speak of metal in the open. What happens to a board in a box
// is the business of packages exposure and life; nothing here feeds them.
//
// Outside the standard's validity range the formula's value is given as it
// is, never clipped, and Loss.Outside says what lies outside.
package corrosion

import (
	"fmt"
	"math"
)

// Metal is one of the standard's four metals.
type Metal string

// The metals.
const (
	Steel     Metal = "steel"
	Zinc      Metal = "zinc"
	Copper    Metal = "copper"
	Aluminium Metal = "aluminium"
)

// Metals are all metals, in the standard's order.
var Metals = []Metal{Steel, Zinc, Copper, Aluminium}

// term is one of the two terms of a dose-response function.
type term struct{ factor, power, rh, t float64 }

// law is what the standards say of one metal.
type law struct {
	sulphur      term    // t is unused: see cold and warm
	cold, warm   float64 // per °C from 10 °C, below and above
	chloride     term
	memory       bool       // coefficients from memory
	density      float64    // g/cm³, common handbook value
	limitsUm     [6]float64 // µm/a, upper, inclusive, C1 to CX; steel's, copper's from memory
	limitsG      [6]float64 // g/(m² a), upper; all but steel's from memory
	b1, b2       float64    // exponents [ISO9224-2012] Table 2
	below, above float64    // of the estimate, as factors [ISO9223-2012] Annex A, from memory
}

var laws = map[Metal]law{
	Steel: { // [ISO9223-2012] eq. 1
		sulphur: term{1.77, 0.52, 0.020, 0}, cold: 0.150, warm: -0.054,
		chloride: term{0.102, 0.62, 0.033, 0.040}, density: 7.86,
		limitsUm: [6]float64{1.3, 25, 50, 80, 200, 700}, limitsG: [6]float64{10, 200, 400, 650, 1500, 5500},
		b1: 0.523, b2: 0.575, below: 0.67, above: 1.5,
	},
	Zinc: { // [ISO9223-2012] eq. 2
		sulphur: term{0.0129, 0.44, 0.046, 0}, cold: 0.038, warm: -0.071,
		chloride: term{0.0175, 0.57, 0.008, 0.085}, density: 7.14,
		limitsUm: [6]float64{0.1, 0.7, 2.1, 4.2, 8.4, 25}, limitsG: [6]float64{0.7, 5, 15, 30, 60, 180},
		b1: 0.813, b2: 0.873, below: 0.67, above: 1.5,
	},
	Copper: { // [ISO9223-2012] eq. 3, from memory
		sulphur: term{0.0053, 0.26, 0.059, 0}, cold: 0.126, warm: -0.080,
		chloride: term{0.01025, 0.27, 0.036, 0.049}, density: 8.96, memory: true,
		limitsUm: [6]float64{0.1, 0.6, 1.3, 2.8, 5.6, 10}, limitsG: [6]float64{0.9, 5, 12, 25, 50, 90},
		b1: 0.667, b2: 0.726, below: 0.67, above: 1.5,
	},
	Aluminium: { // [ISO9223-2012] eq. 4, from memory; it has no limits in depth
		sulphur: term{0.0042, 0.73, 0.025, 0}, cold: 0.009, warm: -0.043,
		chloride: term{0.0018, 0.60, 0.020, 0.094}, density: 2.70, memory: true,
		limitsG: [6]float64{0, 0.6, 2, 5, 10, math.Inf(1)},
		b1:      0.728, b2: 0.807, below: 0.5, above: 2,
	},
}

// Air is a year's means of outdoor air.
type Air struct {
	Temp     float64 // °C
	RH       float64 // %
	Sulphur  float64 // deposited, mg SO₂/(m² d)
	Chloride float64 // deposited, mg Cl⁻/(m² d)
}

// limit is the range of one mean for which the standard's formulas hold.
type limit struct {
	name      string
	low, high float64
	unit      string
	of        func(Air) float64
}

// [ISO9223-2012] Table 3.
var limits = []limit{
	{"temperature", -17.1, 28.7, "°C", func(a Air) float64 { return a.Temp }},
	{"humidity", 34, 93, "%RH", func(a Air) float64 { return a.RH }},
	{"sulphur dioxide", 0.7, 150.4, "mg/(m² d)", func(a Air) float64 { return a.Sulphur }},
	{"chloride", 0.4, 760.5, "mg/(m² d)", func(a Air) float64 { return a.Chloride }},
}

// Outside names the means that lie outside of the range for which the
// standard's formulas hold, with that range.
//
// Source: [ISO9223-2012] Table 3.
func Outside(a Air) []string {
	var all []string
	for _, l := range limits {
		if x := l.of(a); !(x >= l.low && x <= l.high) {
			all = append(all, fmt.Sprintf("%s %.4g %s, outside of %g to %g", l.name, x, l.unit, l.low, l.high))
		}
	}
	return all
}

// Loss is what the first year takes from a metal.
type Loss struct {
	Um        float64 // µm/a
	Low, High float64 // µm/a, the standard's own uncertainty of the estimate, from memory
	G         float64 // g/(m² a), by the metal's density
	Memory    bool    // the metal's coefficients are from memory
}

// FirstYear returns the loss of the first year by the dose-response function.
//
// Source: [ISO9223-2012] eq. 1 to 4, Annex A.
func FirstYear(m Metal, a Air) Loss {
	l := laws[m]
	slope := l.cold
	if a.Temp > 10 {
		slope = l.warm
	}
	um := l.sulphur.factor*math.Pow(a.Sulphur, l.sulphur.power)*math.Exp(l.sulphur.rh*a.RH+slope*(a.Temp-10)) +
		l.chloride.factor*math.Pow(a.Chloride, l.chloride.power)*math.Exp(l.chloride.rh*a.RH+l.chloride.t*a.Temp)
	return Loss{Um: um, Low: l.below * um, High: l.above * um, G: um * l.density, Memory: l.memory}
}

// Category is a corrosivity category with its limits; a lower limit is
// exclusive, an upper inclusive.
type Category struct {
	Name       string  // C1 to CX
	FromG, ToG float64 // g/(m² a)
	Beyond     bool    // the loss is above CX's upper limit
}

var categories = [6]string{"C1", "C2", "C3", "C4", "C5", "CX"}

// CategoryOf returns the category of a first year's loss: decided in µm/a
// where the standard has them, since its two columns of steel don't agree, and
// in g/(m² a) for aluminium.
//
// Source: [ISO9223-2012] Table 2.
func CategoryOf(m Metal, loss Loss) Category {
	l := laws[m]
	x, upper := loss.Um, l.limitsUm
	if upper[0] == 0 {
		x, upper = loss.G, l.limitsG
	}
	i := 0
	for i < len(upper)-1 && x > upper[i] {
		i++
	}
	c := Category{Name: categories[i], ToG: l.limitsG[i], Beyond: x > upper[i]}
	if i > 0 {
		c.FromG = l.limitsG[i-1]
	}
	return c
}

// steady is from when on the loss grows by the same amount each year.
const steady = 20.0 // a

// Depth returns the loss after t years, in the unit of the first year's r: a
// power of time for 20 years and a straight line from there. conservative
// takes the exponent two standard deviations above the mean. t is not negative.
//
// Source: [ISO9224-2012] Table 2 and the clause on more than 20 years.
func Depth(m Metal, r, t float64, conservative bool) float64 {
	b := laws[m].b1
	if conservative {
		b = laws[m].b2
	}
	if t <= steady {
		return r * math.Pow(t, b)
	}
	return r * (math.Pow(steady, b) + b*math.Pow(steady, b-1)*(t-steady))
}

// Deposits come in units of their own.
const (
	// SulphurOfAir is the deposit in mg SO₂/(m² d) of 1 µg SO₂/m³ in the air
	// [ISO9223-2012], from memory.
	SulphurOfAir = 0.8
	// SulphurOfLoad is the deposit in mg SO₂/(m² d) of 1 kg sulphur/(ha a): two
	// of SO₂ for one of sulphur, 1e6 mg, 1e4 m², 365.25 d.
	SulphurOfLoad = 2 * 1e6 / 1e4 / 365.25
)
