package finding

import (
	"math"
	"slices"
	"time"

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
// hours is the whole ledger in order; a day is judged only once all of it has
// been heard.
func DampWeeks(hours []exposure.Hour) []Finding {
	days := dailyRisk(hours)
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
	if !w.delayed(ok && risk > limit) {
		return
	}
	w.lasting, w.limit = true, limit
	w.found = append(w.found, Finding{
		Kind: DampWeek, From: end.Add(-week * day), Concluded: days[i].until, Confidence: dampConfident,
		Evidence: []Evidence{
			{Name: "at_risk_7_days", Value: risk, Unit: "h"},
			{Name: "normal_7_days", Value: normal, Unit: "h"},
			{Name: "limit_7_days", Value: limit, Unit: "h"},
		},
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
