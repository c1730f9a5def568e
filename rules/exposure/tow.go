package exposure

import (
	"time"

	"dewpost/rules/reading"
)

// Outdoor hours of a year, and how many must be known to class a year.
const (
	yearHours   = 8766.0
	minTowHours = 7000.0
)

// towLimits are the upper limits of the classes τ1 to τ4, in hours a year,
// inclusive [ISO9223-2012] (informative; 5500 from memory).
var towLimits = [...]float64{10, 250, 2500, 5500}

// TowClass returns the class of time of wetness, 1 to 5, of the outdoor
// channels: hours with RH > 80 % and t > 0 °C, scaled to a year of 8,766 known
// outdoor hours; nil when fewer than 7,000 are known. rs as reading.Merge
// leaves them.
//
// Source: [ISO9223-2012] time of wetness.
func TowClass(rs []reading.Reading, maxGap time.Duration) *int {
	var wet, known int64
	for i := 1; i < len(rs); i++ {
		a, b := &rs[i-1], &rs[i]
		ta, ok1 := a.Get(reading.OutsideTemp)
		tb, ok2 := b.Get(reading.OutsideTemp)
		ra, ok3 := a.Get(reading.OutsideRH)
		rb, ok4 := b.Get(reading.OutsideRH)
		if !ok1 || !ok2 || !ok3 || !ok4 || ra <= 0 || rb <= 0 || b.Time.Sub(a.Time) > maxGap {
			continue
		}
		g := segment{t0: int64(a.Time), t1: int64(b.Time)}
		w := g.above(ra, rb, TowRH).and(g.above(ta, tb, TowTemp))
		wet += w.to - w.from
		known += g.t1 - g.t0
	}
	h := time.Duration(known).Hours()
	if h < minTowHours {
		return nil
	}
	year := time.Duration(wet).Hours() / h * yearHours
	class := 1
	for class <= len(towLimits) && year > towLimits[class-1] {
		class++
	}
	return &class
}
