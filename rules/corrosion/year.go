package corrosion

import (
	"fmt"
	"time"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// monthLeast is how much of every calendar month must be known before its
// mean stands for it; a judgement value, a third of a month.
const monthLeast = 240 * time.Hour

// Days of the calendar months in a mean year.
var monthDays = [12]float64{31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31}

// Year gathers a year's means of the outdoor channels. A log that is longer
// than a year leans to no season: each calendar month counts by its length,
// not by how often it is in the log. The zero value is ready but for MaxGap.
type Year struct {
	MaxGap time.Duration // longest step between readings that is known
	months [12]struct{ known, t, rh float64 }

	at    unit.Instant
	t, rh float64
	valid bool
}

// Add adds the time between the last reading and r. Readings come in time
// order, each instant once.
func (y *Year) Add(r *reading.Reading) {
	t, okT := r.Get(reading.OutsideTemp)
	rh, okR := r.Get(reading.OutsideRH)
	rh = min(rh, 100)
	valid := okT && okR && rh > 0
	if step := r.Time.Sub(y.at); valid && y.valid && step <= y.MaxGap {
		m := &y.months[y.at.Time().Month()-1]
		m.known += float64(step)
		m.t += float64((t + y.t) / 2 * float64(step))
		m.rh += float64((rh + y.rh) / 2 * float64(step))
	}
	y.at, y.t, y.rh, y.valid = r.Time, t, rh, valid
}

// Mean returns the means of a year in °C and %RH; an error while a calendar
// month is not known well enough.
func (y *Year) Mean() (temp, rh float64, err error) {
	var days float64
	for i := range y.months {
		m := &y.months[i]
		if m.known < float64(monthLeast) {
			return 0, 0, fmt.Errorf("the air of %s is known for %.0f h of at least %.0f: add a log with it", time.Month(i+1), m.known/float64(time.Hour), monthLeast.Hours())
		}
		temp += float64(m.t / m.known * monthDays[i])
		rh += float64(m.rh / m.known * monthDays[i])
		days += monthDays[i]
	}
	return temp / days, rh / days, nil
}
