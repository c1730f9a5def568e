package finding

import (
	"cmp"
	"math"
	"slices"
	"time"

	"dewpost/rules/equal"
	"dewpost/rules/exposure"
	"dewpost/rules/unit"
)

// Limits of damp_week. Judgement values: what is normal is the station's own
// past, in weeks that end when the judged week begins.
const (
	week          = 7
	day           = 24 * time.Hour
	normalWeeks   = 12   // the past that is looked at, in weeks
	minWeeks      = 3    // fewer known weeks than this say nothing of what is normal
	minKnown      = 0.7  // share of a week that must be known
	dampExcess    = 45.0 // h above normal, at least
	dampSpread    = 3.0  // robust standard deviations above normal, at least
	dampDeadband  = 12.0 // h below the limit at which the finding ends
	dampDelay     = 2    // days in a row that say so before it begins, or ends
	hoursPerWeek  = 168.0
	sigmaOfMAD    = 1.4826 // of a normal distribution
	dampConfident = 0.8
)

// DampWeeks concludes, at the end of each UTC day, whether the station's hours
// at risk in the last seven days were above its own normal: the median of its
// earlier weeks by more than dampExcess and by more than dampSpread robust
// standard deviations, on dampDelay days in a row. It ends when they are
// dampDeadband below that limit for as long. Weeks are scaled to full
// knowledge. While a finding lasts its limit stays that of its beginning.
//
// Where the air outdoors is known the week must be damp for its weather too: more
// than on the days of the last year, not those of the week itself, on which the
// weather was alike (package equal), by more than what such days differ among
// themselves, nineteen times in twenty.
//
// hours is the whole ledger in order; a day is judged only once all of it has
// been heard. air is what is known of the air outdoors, in order.
func DampWeeks(hours []exposure.Hour, air []equal.Air) []Finding {
	days := dailyRisk(hours)
	weather(days, air)
	var w dampWatch
	for i := range days {
		if risk, ok := weekEnding(days, i); ok && days[i].complete {
			w.judge(days, i, risk)
		}
	}
	return w.found
}

// dampWatch goes from day to day.
type dampWatch struct {
	found   []Finding
	lasting bool
	limit   float64 // h in seven days
	running int     // days in a row that speak for a change
}

func (w *dampWatch) judge(days []riskDay, i int, risk float64) {
	end := days[i].start.Add(day)
	if w.lasting {
		if w.delayed(risk < w.limit-dampDeadband) {
			w.found[len(w.found)-1].To = end
			w.lasting = false
		}
		return
	}
	normal, spread, ok := normalBefore(days, i-week+1)
	limit := normal + max(dampExcess, dampSpread*spread)
	says := ok && risk > limit
	evidence := []Evidence{
		{Name: "at_risk_7_days", Value: risk, Unit: "h"},
		{Name: "normal_7_days", Value: normal, Unit: "h"},
		{Name: "limit_7_days", Value: limit, Unit: "h"},
	}
	if says {
		if usual, bound, known := equalNormal(days, i); known {
			says = risk > usual+bound
			evidence = append(evidence, Evidence{Name: "equal_weather_7_days", Value: usual, Unit: "h"}, Evidence{Name: "equal_weather_bound", Value: bound, Unit: "h"})
		}
	}
	if !w.delayed(says) {
		return
	}
	w.lasting, w.limit = true, limit
	w.found = append(w.found, Finding{
		Kind: DampWeek, From: end.Add(-week * day), Concluded: days[i].until, Confidence: dampConfident,
		Evidence: evidence,
	})
}

// delayed tells whether enough days in a row have said so.
func (w *dampWatch) delayed(says bool) bool {
	if !says {
		w.running = 0
		return false
	}
	if w.running++; w.running < dampDelay {
		return false
	}
	w.running = 0
	return true
}

// EndsDay tells whether hours complete a UTC day: else DampWeeks has nothing
// new to say.
func EndsDay(hours []exposure.Hour) bool {
	for i := range hours {
		if h := &hours[i]; h.Start.Add(time.Hour).Floor(day) == h.Start.Add(time.Hour) && h.Until >= h.Start.Add(time.Hour) {
			return true
		}
	}
	return false
}

// riskDay is one UTC day of the ledger.
type riskDay struct {
	start         unit.Instant
	atRisk, known time.Duration
	complete      bool         // the ledger covers it to its end
	until         unit.Instant // the reading that completed it
	weather       *equal.Weather
}

// rate is the day's hours at risk, scaled to full knowledge; false when too
// little is known.
func (d *riskDay) rate() (float64, bool) {
	return d.atRisk.Hours() * 24 / d.known.Hours(), d.known.Hours() >= minKnown*24
}

// weather finds the weather of each day.
func weather(days []riskDay, air []equal.Air) {
	at := func(t unit.Instant) int {
		n, _ := slices.BinarySearchFunc(air, t, func(a equal.Air, t unit.Instant) int { return cmp.Compare(a.Hour, t) })
		return n
	}
	for i := range days {
		start := days[i].start
		days[i].weather = equal.WeatherOf(air[at(start):at(start.Add(day))], air[at(start.Add(-day)):at(start)])
	}
}

// Limits of the equal-weather normal. Judgement values.
const (
	equalPast   = 365          // days looked back on
	equalLeast  = 5            // days of the week with weather, and like days for each
	equalBound  = 1.65         // standard deviations, nineteen times in twenty on one side
	equalFloor  = dampDeadband // h, at least
	equalInRuns = 1.5          // … of a week's mean, more than of seven days apart, for wet days come in runs
)

// equalNormal returns what hours at risk the week that ends with day i would
// have had, by the days before it with weather like its own, and how far beyond
// that chance goes; false where too little is known.
func equalNormal(days []riskDay, i int) (usual, bound float64, ok bool) {
	first := i - week + 1
	past := days[max(0, first-equalPast):first]
	weathers := make([]*equal.Weather, len(past))
	for j := range past {
		if _, known := past[j].rate(); known {
			weathers[j] = past[j].weather
		}
	}
	n, sum, squares := 0, 0.0, 0.0
	for k := first; k <= i; k++ {
		if days[k].weather == nil {
			continue
		}
		like := equal.Like(days[k].weather, weathers)
		if len(like) < equalLeast {
			continue
		}
		mean, square := 0.0, 0.0
		for _, j := range like {
			r, _ := past[j].rate()
			mean, square = mean+r/float64(len(like)), square+r*r/float64(len(like))
		}
		n, sum, squares = n+1, sum+mean, squares+max(0, square-mean*mean)
	}
	if n < equalLeast {
		return 0, 0, false
	}
	perDay := math.Sqrt(squares / float64(n))
	return sum * week / float64(n), max(equalFloor, equalBound*equalInRuns*perDay*math.Sqrt(week)), true
}

// dailyRisk sums the ledger by UTC day, days without hours included.
func dailyRisk(hours []exposure.Hour) []riskDay {
	var days []riskDay
	for i := range hours {
		h := &hours[i]
		start := h.Start.Floor(day)
		for len(days) == 0 || days[len(days)-1].start < start {
			next := start
			if len(days) > 0 {
				next = days[len(days)-1].start.Add(day)
			}
			days = append(days, riskDay{start: next})
		}
		d := &days[len(days)-1]
		d.atRisk += time.Duration(h.AtRisk)
		d.known += time.Duration(h.Known)
		d.until = h.Until
		d.complete = h.Start == start.Add(23*time.Hour) && h.Until >= start.Add(day)
	}
	return days
}

// weekEnding returns the hours at risk of the seven days that end with day i,
// scaled to full knowledge; false when too little is known.
func weekEnding(days []riskDay, i int) (float64, bool) {
	if i < week-1 {
		return 0, false
	}
	var risk, known time.Duration
	for _, d := range days[i-week+1 : i+1] {
		risk += d.atRisk
		known += d.known
	}
	if known.Hours() < minKnown*hoursPerWeek {
		return 0, false
	}
	return risk.Hours() * hoursPerWeek / known.Hours(), true
}

// normalBefore returns median and robust standard deviation of the whole weeks
// that end before day i.
func normalBefore(days []riskDay, i int) (median, sigma float64, ok bool) {
	var weeks []float64
	for n, end := 0, i-1; n < normalWeeks && end >= week-1; n, end = n+1, end-week {
		if w, ok := weekEnding(days, end); ok {
			weeks = append(weeks, w)
		}
	}
	if len(weeks) < minWeeks {
		return 0, 0, false
	}
	median = medianOf(weeks)
	for j, w := range weeks {
		weeks[j] = math.Abs(w - median)
	}
	return median, sigmaOfMAD * medianOf(weeks), true
}

// medianOf sorts x.
func medianOf(x []float64) float64 {
	slices.Sort(x)
	n := len(x)
	return (x[(n-1)/2] + x[n/2]) / 2
}
