package sun

import "dewpost/rules/unit"

// Nights answers whether an instant is night at a place. It remembers the
// solar day that it was last asked about, so that a walk through time costs
// some comparisons per question; what it remembers never changes an answer.
// Not for use by several goroutines at once.
type Nights struct {
	place    *Place
	from, to unit.Instant // the solar day remembered
	light    light        // its light
}

// NewNights returns the nights of a place. Without a place it is always night.
func NewNights(p *Place) *Nights { return &Nights{place: p} }

// At returns whether t is night: sunset ≤ t < sunrise, with the sunrise and
// sunset of the solar day that contains t. A day without them is all night or
// all light.
//
// Source: [NOAA-SOLCALC] sunrise, sunset
func (n *Nights) At(t unit.Instant) bool {
	if n.place == nil {
		return true
	}
	if t < n.from || t >= n.to {
		day := n.place.dayOf(t)
		n.from, n.to = n.place.midnight(day), n.place.midnight(day+1)
		n.light = n.place.lightOf(day)
	}
	return t < n.light.rise || t >= n.light.set
}
