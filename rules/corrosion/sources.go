package corrosion

// Sources are the publications that this package cites, by the key that stands
// in brackets beside a value. None of their texts was at hand; what was seen
// is told here, and what is from memory is told beside the value.
var Sources = map[string]string{
	"ISO9223-2012": "ISO 9223:2012, corrosivity of atmospheres: classification, determination and estimation. Dose-response of steel and zinc, Table 3 and steel's limits in mass as public implementations and transcriptions give them; the rest from memory",
	"ISO9224-2012": "ISO 9224:2012, guiding values for the corrosivity categories. Exponents and Table 3 from a public transcription, the clause for more than 20 years from two public implementations",
}
