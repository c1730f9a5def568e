package exposure

import (
	"time"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Outdoor hours of a year, and how many must be known to class a year.
const (
	yearHours   = 8766.0
	minTowHours = 7000.0
)

// towLimits are the upper limits of the classes τ1 to τ4, in hours a year,
// inclusive [ISO9223-2012] (informative; 5500 from memory).
var towLimits = [...]float64{10, 250, 2500, 5500}

// Outdoors adds up the time of wetness of the outdoor channels: RH > 80 % and
// t > 0 °C. The zero value is ready but for MaxGap.
type Outdoors struct {
	MaxGap     time.Duration
	wet, known int64

	at    unit.Instant // of the last reading
	t, rh float64
	valid bool
}

// Add adds the time between the last reading and r. Readings come in time
// order, as reading.Merge leaves them.
func (o *Outdoors) Add(r *reading.Reading) {
	t, okT := r.Get(reading.OutsideTemp)
	rh, okR := r.Get(reading.OutsideRH)
	valid := okT && okR && rh > 0
	if valid && o.valid && r.Time.Sub(o.at) <= o.MaxGap {
		g := segment{t0: int64(o.at), t1: int64(r.Time)}
		w := g.above(o.rh, rh, TowRH).and(g.above(o.t, t, TowTemp))
		o.wet += w.to - w.from
		o.known += g.t1 - g.t0
	}
	o.at, o.t, o.rh, o.valid = r.Time, t, rh, valid
}

// Year returns the time of wetness of a year: hours scaled to 8,766 known
// outdoor hours; false when fewer than 7,000 are known, and how many are.
//
// Source: [ISO9223-2012] time of wetness.
func (o *Outdoors) Year() (wet, known float64, ok bool) {
	known = time.Duration(o.known).Hours()
	if known < minTowHours {
		return 0, known, false
	}
	return time.Duration(o.wet).Hours() / known * yearHours, known, true
}

// TowClass returns the class, 1 to 5, of a year with that many hours of
// wetness.
//
// Source: [ISO9223-2012] time of wetness.
func TowClass(year float64) int {
	class := 1
	for class <= len(towLimits) && year > towLimits[class-1] {
		class++
	}
	return class
}

// Class returns the class of time of wetness, 1 to 5, of what Year returns; nil
// when too little is known.
func (o *Outdoors) Class() *int {
	year, _, ok := o.Year()
	if !ok {
		return nil
	}
	class := TowClass(year)
	return &class
}
