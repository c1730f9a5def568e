// Package sun computes sunrise and sunset.
package sun

import "dewpost/rules/unit"

// Place is a point on the earth: latitude north and longitude east positive,
// in degrees. Elevation is left out on purpose (see reference notes on dip).
type Place struct {
	Lat, Lon float64
}

// Nights is a placeholder until the real thing arrives.
type Nights struct{ p *Place }

// NewNights …
func NewNights(p *Place) *Nights { return &Nights{p} }

// At …
func (n *Nights) At(t unit.Instant) bool { return true }

// NextSunrise …
func (p Place) NextSunrise(after unit.Instant) (unit.Instant, bool) { return 0, false }

// Validate …
func (p Place) Validate() error { return nil }
