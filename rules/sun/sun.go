// Package sun computes sunrise and sunset, and which instants are night.
//
// Days are local solar days: from midnight to midnight of the mean solar time
// of the place's longitude, whatever its civil time. On each of them the sun
// is up from sunrise to sunset, or all day, or not at all; its position at noon
// decides. Night is the rest.
//
// The series are good to a minute (sunrise varies by more than that with the
// air's refraction) and agree with an exact ephemeris within some seconds.
// Events are whole seconds. The height of the place is left out on purpose: its
// effect, the dip of the horizon, is a matter of what stands on the horizon.
package sun

import (
	"fmt"
	"math"
	"time"

	"dewpost/rules/unit"
)

// Place is a point on the earth, in degrees.
type Place struct {
	Lat float64 // -90..90, north positive
	Lon float64 // -180..180, east positive
}

// Validate returns an error that names the coordinate that is out of range.
func (p Place) Validate() error {
	if !(math.Abs(p.Lat) <= 90) { // also NaN
		return fmt.Errorf("latitude %v is out of range: write -90 to 90 degrees, north positive", p.Lat)
	}
	if !(math.Abs(p.Lon) <= 180) {
		return fmt.Errorf("longitude %v is out of range: write -180 to 180 degrees, east positive", p.Lon)
	}
	return nil
}

// Sunrise returns the sunrise of the local solar day that contains near; false
// when the sun doesn't cross the horizon on that day. The upper limb touches the
// horizon then, in air of usual refraction: the centre is 0.833° below. Near the
// pole a sunrise close to midnight can lie some minutes outside its day, since
// noon moves against mean time.
//
// Source: [NOAA-SOLCALC] sunrise
func (p Place) Sunrise(near unit.Instant) (unit.Instant, bool) {
	d := p.lightOf(p.dayOf(near))
	return d.rise, d.crosses
}

// Sunset returns the sunset of the local solar day that contains near, as
// Sunrise does.
//
// Source: [NOAA-SOLCALC] sunset
func (p Place) Sunset(near unit.Instant) (unit.Instant, bool) {
	d := p.lightOf(p.dayOf(near))
	return d.set, d.crosses
}

// NextSunrise returns the first sunrise strictly after an instant; false when
// there is none within 36 h.
//
// Source: [NOAA-SOLCALC] sunrise
func (p Place) NextSunrise(after unit.Instant) (unit.Instant, bool) {
	const within = 36 * time.Hour
	day := p.dayOf(after)
	for d := day; d <= day+2; d++ { // the sun never rises after noon
		l := p.lightOf(d)
		if l.crosses && l.rise > after {
			return l.rise, l.rise.Sub(after) <= within
		}
	}
	return 0, false
}
