package sun

import (
	"math"
	"time"

	"dewpost/rules/unit"
)

const (
	// horizon is the sun's zenith distance at sunrise and sunset, degrees: its
	// radius of 16' and a refraction of 34' below the horizon [NOAA-SOLCALC].
	horizon = 90.833

	secondsADay = 86400
	degree      = math.Pi / 180
)

// light says when the sun is up on one local solar day: in [rise, set).
type light struct {
	rise, set unit.Instant
	crosses   bool // the sun rises and sets; else [rise, set) is the whole day or empty
}

// dayOf returns the local solar day that contains t: days since 1970-01-01, by
// the mean solar time of the longitude.
func (p Place) dayOf(t unit.Instant) int64 {
	const day = int64(24 * time.Hour)
	mean := t.Floor(24 * time.Hour)
	return int64(mean)/day + floorDiv(int64(t-mean)+p.ahead(), day)
}

// midnight returns the instant at which a local solar day begins.
func (p Place) midnight(day int64) unit.Instant {
	return unit.Instant(day*int64(24*time.Hour) - p.ahead())
}

// ahead is by how many nanoseconds mean solar time is ahead of UTC: 4 minutes
// a degree.
func (p Place) ahead() int64 { return int64(math.Round(p.Lon * float64(4*time.Minute))) }

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

// lightOf returns when the sun is up on a local solar day. Whether it crosses
// the horizon is decided by its declination at noon; events are then found with
// the position at the event itself, in two more passes. Where that differs so
// much that there is no event any more, within a day of polar day or night, the
// event stays at midnight or noon.
func (p Place) lightOf(day int64) light {
	noon := float64(day)*secondsADay + secondsADay/2 - p.Lon*240 // mean noon, seconds since 1970
	decl, eot := position(noon)
	switch c := p.cosHourAngle(decl); {
	case c > 1: // polar night
		return light{rise: p.midnight(day), set: p.midnight(day)}
	case c < -1: // polar day
		return light{rise: p.midnight(day), set: p.midnight(day + 1)}
	default:
		return light{rise: p.event(noon, decl, eot, -1), set: p.event(noon, decl, eot, 1), crosses: true}
	}
}

// event returns the sunrise (side -1) or sunset (side 1) of the day with the
// given mean noon and position of the sun then, rounded to a second.
func (p Place) event(noon, decl, eot float64, side float64) unit.Instant {
	var at float64
	for pass := 0; ; pass++ {
		cos := max(-1, min(1, p.cosHourAngle(decl)))
		at = noon - eot*60 + side*math.Acos(cos)/degree*240
		if pass == 2 {
			return unit.Instant(math.Round(at)) * unit.Instant(time.Second)
		}
		decl, eot = position(at)
	}
}

// cosHourAngle returns the cosine of the hour angle at which a sun of the given
// declination, radians, crosses the horizon; beyond 1 when it stays below and
// beyond -1 when it stays above.
func (p Place) cosHourAngle(decl float64) float64 {
	lat := p.Lat * degree
	return math.Cos(horizon*degree)/(math.Cos(lat)*math.Cos(decl)) - math.Tan(lat)*math.Tan(decl)
}

// position returns the sun's declination, radians, and the equation of time,
// minutes (apparent minus mean), at an instant in seconds since 1970
// [NOAA-SOLCALC].
func position(at float64) (decl, eot float64) {
	jc := (at/secondsADay - 10957.5) / 36525 // Julian centuries since 2000-01-01 12:00

	l0 := (280.46646 + jc*(36000.76983+0.0003032*jc)) * degree // mean longitude
	m := (357.52911 + jc*(35999.05029-0.0001537*jc)) * degree  // mean anomaly
	e := 0.016708634 - jc*(0.000042037+0.0000001267*jc)        // eccentricity of the orbit

	centre := math.Sin(m)*(1.914602-jc*(0.004817+0.000014*jc)) +
		math.Sin(2*m)*(0.019993-0.000101*jc) +
		0.000289*math.Sin(3*m)
	node := (125.04 - 1934.136*jc) * degree
	lambda := l0 + (centre-0.00569-0.00478*math.Sin(node))*degree // apparent longitude

	obliquity := 23 + (26+(21.448-jc*(46.815+jc*(0.00059-jc*0.001813)))/60)/60
	eps := (obliquity + 0.00256*math.Cos(node)) * degree
	decl = math.Asin(math.Sin(eps) * math.Sin(lambda))

	y := math.Tan(eps/2) * math.Tan(eps/2)
	eot = 4 / degree * (y*math.Sin(2*l0) - 2*e*math.Sin(m) + 4*e*y*math.Sin(m)*math.Cos(2*l0) -
		y*y/2*math.Sin(4*l0) - 1.25*e*e*math.Sin(2*m))
	return decl, eot
}
