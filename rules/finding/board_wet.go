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

// wetBoard is the finding of a spell. The limit is a judgement value: a sound box
// has dried four hours after sunrise.
func wetBoard(s exposure.Spell) Finding {
	return Finding{
		Kind: BoardWet, From: s.From, To: s.To, Concluded: s.Concluded,
		Confidence: 0.9,
		Evidence: []Evidence{
			{Name: "condensing_on_end", Value: s.Concluded.Sub(s.From).Hours(), Unit: "h"},
		},
	}
}

// Limits of the equal-weather normal of a wet board. Judgement values.
const (
	wetRepaired = 30 * day // after a repair every wet board is looked at
	wetPast     = 30       // days with their weather that must be known
	wetLeast    = 8        // … of them with weather like that of the day judged
	wetFloor    = 2.0      // h beyond the mean of those, at least
	wetOnEnd    = 2 * day  // no weather makes this normal
)

// WetBoards turns wet spells into findings of kind board_wet. Where the air
// outdoors is known the board must have been wet beyond what is normal in such
// weather: longer, in the 24 hours before the spell had lasted long enough, than
// on the days of the year before with weather alike (package equal), by more than
// what such days differ among themselves, nineteen times in twenty. Near the sea
// a sound box is wet till noon on many days. Within thirty days of a repair it is
// a finding all the same, and so it is while too little is known of what is
// normal, and when it has not dried for two days and nights.
//
// hours is the ledger, in order, from Lookback before the first spell; air what is
// known of the air outdoors, in order; repaired is when a box was back where it
// hangs.
func WetBoards(spells []exposure.Spell, hours []exposure.Hour, air []equal.Air, repaired []unit.Instant) []Finding {
	out := make([]Finding, 0, len(spells))
	past := wetDays{hours, air, map[unit.Instant]wetDay{}}
	for _, s := range spells {
		f := wetBoard(s)
		beyond, evidence := past.beyondNormal(s.Concluded)
		f.Evidence = append(f.Evidence, evidence...)
		switch {
		case beyond || slices.ContainsFunc(repaired, func(t unit.Instant) bool { return t <= s.Concluded && s.Concluded.Sub(t) <= wetRepaired }):
			out = append(out, f)
		default:
			if at, ok := onEnd(&s, hours); ok {
				f.Concluded = at
				f.Evidence[0].Value = wetOnEnd.Hours()
				out = append(out, f)
			}
		}
	}
	return out
}

// BesideWater leaves out wet boards that were concluded while water was known to be in
// the box: as long as nobody drains it they are the same event.
func BesideWater(wet, found []Finding) []Finding {
	return slices.DeleteFunc(wet, func(w Finding) bool {
		return slices.ContainsFunc(found, func(f Finding) bool {
			return f.Kind == WaterInside && f.Concluded <= w.Concluded && (f.To == 0 || f.To > w.Concluded)
		})
	})
}

// onEnd returns the reading with which the ledger holds so much of a spell that no
// weather excuses it: the one that completes the hour in which that was so.
func onEnd(s *exposure.Spell, hours []exposure.Hour) (at unit.Instant, ok bool) {
	long := s.From.Add(wetOnEnd)
	if s.Concluded >= long || s.To != 0 && s.To < long {
		return 0, false
	}
	i, _ := slices.BinarySearchFunc(hours, long, func(h exposure.Hour, t unit.Instant) int { return cmp.Compare(h.Start.Add(time.Hour), t) })
	for ; i < len(hours); i++ {
		if hours[i].Until >= hours[i].Start.Add(time.Hour) {
			return hours[i].Until, true
		}
	}
	return 0, false
}

// StillNormal tells whether a wet spell that was not beyond its normal can be no
// finding yet, with a ledger that ends then: it need not be judged again.
func StillNormal(s *exposure.Spell, end unit.Instant) bool { return end < s.From.Add(wetOnEnd) }

// wetDays are days of a ledger with their weather, each reckoned once.
type wetDays struct {
	hours []exposure.Hour
	air   []equal.Air
	known map[unit.Instant]wetDay // by end
}

type wetDay struct {
	rate    [ends]float64  // h condensing, scaled to full knowledge
	weather *equal.Weather // nil: it, or the box, is not known
}

// beyondNormal tells whether the last 24 whole hours before an instant were wetter
// than is normal in their weather; true while that is not known.
func (w *wetDays) beyondNormal(at unit.Instant) (bool, []Evidence) {
	to := at.Floor(time.Hour)
	now := w.before(to)
	if now.weather == nil {
		return true, nil
	}
	var past []*equal.Weather
	var rates [][ends]float64
	for k := 1; k <= equalPast; k++ {
		if d := w.before(to.Add(-time.Duration(k) * day)); d.weather != nil {
			past, rates = append(past, d.weather), append(rates, d.rate)
		}
	}
	like := equal.Like(now.weather, past)
	if len(past) < wetPast || len(like) < wetLeast {
		return true, nil
	}
	n, mean, square := float64(len(like)), 0.0, 0.0
	for _, j := range like {
		mean, square = mean+rates[j][mid]/n, square+rates[j][mid]*rates[j][mid]/n
	}
	spread := math.Sqrt(max(0, square-mean*mean) * n / (n - 1) * (1 + 1/n))
	bound := max(wetFloor, equalBound*spread)
	evidence := append(hours("condensing_24_h", func(e end) float64 { return now.rate[e] }),
		hours("equal_weather_24_h", func(e end) (sum float64) {
			for _, j := range like {
				sum += rates[j][e] / n
			}
			return sum
		})...)
	return now.rate[mid] > mean+bound, append(evidence, Evidence{Name: "equal_weather_bound_24_h", Value: bound, Unit: "h"})
}

// before is the 24 hours before an instant.
func (w *wetDays) before(to unit.Instant) (d wetDay) {
	if d, there := w.known[to]; there {
		return d
	}
	defer func() { w.known[to] = d }()
	hour := func(t unit.Instant) int {
		n, _ := slices.BinarySearchFunc(w.hours, t, func(h exposure.Hour, t unit.Instant) int { return cmp.Compare(h.Start, t) })
		return n
	}
	air := func(t unit.Instant) int {
		n, _ := slices.BinarySearchFunc(w.air, t, func(a equal.Air, t unit.Instant) int { return cmp.Compare(a.Hour, t) })
		return n
	}
	var wet [ends]int64
	var known int64
	for i := hour(to.Add(-day)); i < len(w.hours) && w.hours[i].Start < to; i++ {
		h := &w.hours[i]
		known += h.Known
		for e, ns := range [ends]int64{mid: h.Condensing, low: h.CondensingLow, high: h.CondensingHigh} {
			wet[e] += ns
		}
	}
	share := float64(known) / float64(day)
	if share < minKnown {
		return d
	}
	today := air(to.Add(-day))
	for e, ns := range wet {
		d.rate[e] = float64(ns) / float64(time.Hour) / share
	}
	d.weather = equal.WeatherOf(w.air[today:air(to)], w.air[air(to.Add(-2*day)):today])
	return d
}
