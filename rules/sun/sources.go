package sun

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
	"NOAA-SOLCALC": {
		Title:   "NOAA Global Monitoring Laboratory, solar calculator",
		Edition: "online calculator and spreadsheet, undated; the low-precision series of Meeus, Astronomical Algorithms, second edition, 1998",
		Part:    "position of the sun, equation of time, hour angle of sunrise; equations seen second hand",
	},
}
