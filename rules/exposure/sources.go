package exposure

// Sources are the publications that this package cites, by the key that stands
// in brackets beside a limit. None of their texts was at hand; the values were
// seen on public pages that quote them.
var Sources = map[string]string{
	"ISO8502-4":      "ISO 8502-4, guidance on the estimation of the probability of condensation prior to paint application: 3 K above the dew point",
	"ISO9223-2012":   "ISO 9223:2012, corrosivity of atmospheres, time of wetness: hours with RH > 80 % and t > 0 °C; classes τ1 to τ5, of which the limit 5,500 h is from memory",
	"GREENSPAN-1977": "L. Greenspan, Humidity fixed points of binary saturated aqueous solutions, J. Res. NBS 81A (1977) 89: NaCl 75.3 % at 25 °C",
}
