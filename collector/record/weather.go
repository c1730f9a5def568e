package record

import "dewpost/rules/unit"

// Maybe is a value that may be absent.
type Maybe struct {
	Value float64
	There bool
}

// Some is a value that is there.
func Some(v float64) Maybe { return Maybe{v, true} }

// Weather is what was observed for a site at one instant: by a source that is
// not the site's own, such as a weather station some way off.
type Weather struct {
	Time     unit.Instant
	Source   string
	Distance Maybe // km from the source to the site

	Temp     Maybe // °C
	RH       Maybe // %RH over water
	DewPoint Maybe // °C, over water
	Rain     Maybe // mm, in the interval that ends at Time
	Wind     Maybe // m/s
	Cloud    Maybe // % of the sky

	// RHComputed and DewPointComputed say that the value was not observed but
	// follows from the other one and Temp.
	RHComputed, DewPointComputed bool
}

// SameObserved tells whether two rows observe the same at the same instant,
// whoever did; what is computed doesn't count.
func (w *Weather) SameObserved(o *Weather) bool { return observed(*w) == observed(*o) }

func observed(w Weather) Weather {
	w.Source, w.Distance = "", Maybe{}
	if w.RHComputed {
		w.RH, w.RHComputed = Maybe{}, false
	}
	if w.DewPointComputed {
		w.DewPoint, w.DewPointComputed = Maybe{}, false
	}
	return w
}

// WeatherSource is who observed.
type WeatherSource struct {
	Name     string
	Distance Maybe // km
}

// WeatherOutcome says what became of rows of weather.
type WeatherOutcome struct {
	Stored, Repeated, Replaced int
	Conflicts                  []unit.Instant // other than what is recorded, which stays
}
