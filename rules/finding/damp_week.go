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
	dampBroken    = 30 * day // without a week that is known: days are not in a row
)

// Lookback is how far before the first day that is judged the ledger, and the air
// outdoors, tell what is normal.
const Lookback = (equalPast+2*week)*day + dampBroken

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
	return DampWeeksSince(hours, air, math.MinInt64, nil)
}

// DampWeeksSince goes on where DampWeeks had judged the days before since: before
// are the findings that it made of them, of which the one that lasts at since
// comes back. Hours and air from Lookback before since are enough.
func DampWeeksSince(hours []exposure.Hour, air []equal.Air, since unit.Instant, before []Finding) []Finding {
	if since > math.MinInt64 {
		since = since.Floor(day)
	}
	days := dailyRisk(hours)
	weather(days, air)
	w := dampWatch{}
	first, last := 0, -1 // the first day to judge; the last one before that could be
	for ; first < len(days) && days[first].start < since; first++ {
		if _, ok := weekEnding(days, first, mid); ok && days[first].complete {
			last = first
		}
	}
	w.resume(days, last, since, before)
	for i := first; i < len(days); i++ {
		if risk, ok := weekEnding(days, i, mid); ok && days[i].complete {
			w.judge(days, i, risk)
		}
	}
	return w.found
}

// resume takes up the state behind the last day that was judged before since; -1:
// none of the ledger at hand was.
func (w *dampWatch) resume(days []riskDay, last int, since unit.Instant, before []Finding) {
	changed := unit.Instant(math.MinInt64) // the end of the day with which it last began or ended
	for i := range before {
		f := &before[i]
		began := f.From.Add(week * day)
		if began > since {
			continue
		}
		if changed = max(changed, began); f.To != 0 && f.To <= since {
			changed = max(changed, f.To)
			continue
		}
		open := *f
		open.To = 0
		w.found, w.lasting, w.limit = []Finding{open}, true, limitOf(f)
	}
	if last < 0 || days[last].start.Add(day) <= changed {
		return
	}
	w.judged = days[last].start
	risk, _ := weekEnding(days, last, mid)
	says := risk < w.limit-dampDeadband
	if !w.lasting {
		says, _, _ = damp(days, last, risk)
	}
	if says { // a second such day would have changed it
		w.running = 1
	}
}

func limitOf(f *Finding) float64 {
	for _, e := range f.Evidence {
		if e.Name == "limit_7_days" {
			return e.Value
		}
	}
	return 0
}

// dampWatch goes from day to day.
type dampWatch struct {
	found   []Finding
	lasting bool
	limit   float64      // h in seven days
	running int          // days in a row that speak for a change
	judged  unit.Instant // the day that was judged last
}

func (w *dampWatch) judge(days []riskDay, i int, risk float64) {
	end := days[i].start.Add(day)
	if days[i].start.Sub(w.judged) > dampBroken {
		w.running = 0
	}
	w.judged = days[i].start
	if w.lasting {
		if w.delayed(risk < w.limit-dampDeadband) {
			w.found[len(w.found)-1].To = end
			w.lasting = false
		}
		return
	}
	says, limit, evidence := damp(days, i, risk)
	if !w.delayed(says) {
		return
	}
	w.lasting, w.limit = true, limit
	w.found = append(w.found, Finding{
		Kind: DampWeek, From: end.Add(-week * day), Concluded: days[i].until, Confidence: dampConfident,
		Evidence: evidence,
	})
}

// damp tells whether the week that ends with day i is beyond what is normal, with
// what speaks for it.
func damp(days []riskDay, i int, risk float64) (says bool, limit float64, evidence []Evidence) {
	normal, spread, ok := normalBefore(days, i-week+1, mid)
	limit = normal + max(dampExcess, dampSpread*spread)
	says = ok && risk > limit
	if !says {
		return false, limit, nil
	}
	evidence = slices.Concat(
		hours("at_risk_7_days", func(e end) float64 { h, _ := weekEnding(days, i, e); return h }),
		hours("normal_7_days", func(e end) float64 { h, _, _ := normalBefore(days, i-week+1, e); return h }),
		[]Evidence{{Name: "limit_7_days", Value: limit, Unit: "h"}})
	if usual, bound, known := equalNormal(days, i, mid); known {
		says = risk > usual+bound
		evidence = append(evidence, hours("equal_weather_7_days", func(e end) float64 { h, _, _ := equalNormal(days, i, e); return h })...)
		evidence = append(evidence, Evidence{Name: "equal_weather_bound", Value: bound, Unit: "h"})
	}
	return says, limit, evidence
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
	start    unit.Instant
	atRisk   [ends]time.Duration
	known    time.Duration
	complete bool         // the ledger covers it to its end
	until    unit.Instant // the reading that completed it
	weather  *equal.Weather
}

// rate is the day's hours at risk, scaled to full knowledge; false when too
// little is known.
func (d *riskDay) rate(e end) (float64, bool) {
	return d.atRisk[e].Hours() * 24 / d.known.Hours(), d.known.Hours() >= minKnown*24
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
func equalNormal(days []riskDay, i int, e end) (usual, bound float64, ok bool) {
	first := i - week + 1
	past := days[max(0, first-equalPast):first]
	weathers := make([]*equal.Weather, len(past))
	for j := range past {
		if _, known := past[j].rate(e); known {
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
			r, _ := past[j].rate(e)
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
		d.atRisk[mid] += time.Duration(h.AtRisk)
		d.atRisk[low] += time.Duration(h.AtRiskLow)
		d.atRisk[high] += time.Duration(h.AtRiskHigh)
		d.known += time.Duration(h.Known)
		d.until = h.Until
		d.complete = h.Start == start.Add(23*time.Hour) && h.Until >= start.Add(day)
	}
	return days
}

// weekEnding returns the hours at risk of the seven days that end with day i,
// scaled to full knowledge; false when too little is known.
func weekEnding(days []riskDay, i int, e end) (float64, bool) {
	if i < week-1 {
		return 0, false
	}
	var risk, known time.Duration
	for _, d := range days[i-week+1 : i+1] {
		risk += d.atRisk[e]
		known += d.known
	}
	if known.Hours() < minKnown*hoursPerWeek {
		return 0, false
	}
	return risk.Hours() * hoursPerWeek / known.Hours(), true
}

// normalBefore returns median and robust standard deviation of the whole weeks
// that end before day i.
func normalBefore(days []riskDay, i int, e end) (median, sigma float64, ok bool) {
	var weeks []float64
	for n, last := 0, i-1; n < normalWeeks && last >= week-1; n, last = n+1, last-week {
		if w, ok := weekEnding(days, last, e); ok {
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
