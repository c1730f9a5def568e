package moistair

// Source is a publication that a formula or constant was taken from.
type Source struct {
	Title   string
	Edition string
	Part    string // the part used, and how it was seen
}

// Sources are the publications that this package cites, by the key that
// stands in brackets beside a constant and in the last line of each formula's
// comment.
var Sources = map[string]Source{
	"WMO8-2008": {
		Title:   "WMO-No. 8, Guide to Meteorological Instruments and Methods of Observation",
		Edition: "seventh edition, 2008",
		Part:    "Part I, chapter 4, Annex 4.B: formulae for the computation of measures of humidity; coefficients seen second hand, in an instrument manual that cites the annex and in public code",
	},
	"ISO13788": {
		Title:   "ISO 13788, Hygrothermal performance of building components and building elements",
		Edition: "2012",
		Part:    "Annex A, internal humidity classes; from memory",
	},
}
