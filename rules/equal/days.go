package equal

import (
	"math"
	"slices"
	"time"

	"dewpost/rules/exposure"
	"dewpost/rules/moistair"
	"dewpost/rules/unit"
)

const (
	dayLength = 24 * time.Hour
	leastOut  = 18 // hours of a day of which the air outdoors must be known
)

// Air is what is known of the air outdoors in a UTC hour.
type Air struct {
	Hour unit.Instant // start
	Temp unit.Celsius
	RH   unit.Percent // over water, more than 0
}

// Days sums a ledger's hours and the air outdoors by day, from noon to noon of
// mean solar time at a longitude. Both are in time order.
func Days(hours []exposure.Hour, air []Air, lon float64) []Day {
	if len(hours) == 0 {
		return nil
	}
	ahead := time.Duration(lon*float64(4*time.Minute)).Round(time.Hour) - 12*time.Hour
	dayOf := func(t unit.Instant) unit.Instant { return t.Add(ahead).Floor(dayLength).Add(-ahead) }
	var days []Day
	for i := range hours {
		h := &hours[i]
		start := dayOf(h.Start)
		if n := len(days); n == 0 || days[n-1].Start != start {
			days = append(days, Day{Start: start})
		}
		d := &days[len(days)-1]
		d.Known += float64(h.Known) / 3.6e12
		d.Condensing.add(h.Condensing, h.CondensingLow, h.CondensingHigh)
		d.AtRisk.add(h.AtRisk, h.AtRiskLow, h.AtRiskHigh)
	}
	at := func(t unit.Instant) int {
		n, _ := slices.BinarySearchFunc(air, t, func(a Air, t unit.Instant) int { return int(max(-1, min(1, a.Hour-t))) })
		return n
	}
	for i := range days {
		start := days[i].Start
		days[i].Weather = WeatherOf(air[at(start):at(start.Add(dayLength))], air[at(start.Add(-dayLength)):at(start)])
	}
	return days
}

// add takes ns.
func (h *Hours) add(mid, low, high int64) {
	h.Mid, h.Low, h.High = h.Mid+float64(mid)/3.6e12, h.Low+float64(low)/3.6e12, h.High+float64(high)/3.6e12
}

// WeatherOf returns the weather of a day from the hours of it and of the day
// before; nil where less than three quarters of either are known.
func WeatherOf(today, before []Air) *Weather {
	if len(today) < leastOut || len(before) < leastOut {
		return nil
	}
	w := Weather{Closest: math.Inf(1)}
	coldest, vapour := math.Inf(1), 0.0
	for i := range today {
		a := &today[i]
		depression := float64(a.Temp - moistair.DewPoint(a.Temp, min(a.RH, 100)))
		w.Closest = min(w.Closest, depression)
		w.Mean += depression / float64(len(today))
		w.Temp += float64(a.Temp) / float64(len(today))
		coldest = min(coldest, float64(a.Temp))
	}
	for i := range before {
		vapour += float64(moistair.DewPoint(before[i].Temp, min(before[i].RH, 100))) / float64(len(before))
	}
	w.Cold = coldest - vapour
	return &w
}
