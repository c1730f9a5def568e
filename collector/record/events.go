package record

import (
	"math"
	"slices"
	"time"

	"dewpost/rules/bench"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// BoxEvents says what was done to a station's box, by its visits and by the day
// on which it went on the wall. zone tells the time zone of an instant there.
func BoxEvents(visits []VisitDetails, facts []fact.Fact, zone func(unit.Instant) *time.Location) []bench.Event {
	hung := make(map[string]bool) // days
	var events []bench.Event
	for i := range visits {
		events = append(events, eventsOf(&visits[i], zone)...)
		for _, w := range visits[i].Work {
			if w.Code == bench.Hung {
				hung[w.At.Time().In(zone(w.At)).Format(time.DateOnly)] = true
			}
		}
	}
	for _, in := range fact.Intervals(facts, fact.Installed) {
		// Of the day nothing more is known than that it hung at its end.
		day, err := time.Parse(time.DateOnly, in.Value)
		if err != nil || hung[in.Value] {
			continue
		}
		y, m, d := day.Date()
		events = append(events, bench.Event{What: bench.OnWall, At: unit.At(time.Date(y, m, d+1, 0, 0, 0, 0, zone(unit.At(day))))})
	}
	return events
}

// eventsOf says what a visit did to the box. Who looks inside, and closes it as it
// was, does nothing to it: what was known of how it breathes stays good.
func eventsOf(d *VisitDetails, zone func(unit.Instant) *time.Location) []bench.Event {
	var all []bench.Event
	add := func(what bench.What, at unit.Instant) { all = append(all, bench.Event{What: what, At: at}) }
	opened, moved := false, d.Kind == bench.SendIn
	for i := range d.Work {
		w := &d.Work[i]
		switch {
		case w.Code == bench.Recoated:
			all = append(all, bench.Event{What: bench.Coating, At: w.At, Cured: w.CureEnds(zone(w.At))})
			opened = true
		case w.Code.Opens():
			add(bench.Opened, w.At)
			opened = true
		case w.Code == bench.Hung:
			add(bench.OnWall, w.At)
			moved = true
		case w.Code == bench.TakenDown:
			add(bench.OffWall, w.At)
			moved = true
		}
	}
	for _, j := range d.Jars {
		all = append(all, bench.Event{What: bench.JarBegins, At: j.Begin, Note: j.Inside})
		if j.End != 0 {
			add(bench.JarEnds, j.End)
		}
	}
	for _, s := range d.Steps {
		switch {
		case s.State == bench.Posted || s.State == bench.Arrived && d.Kind == bench.SendIn:
			add(bench.OffWall, s.At)
		case s.State == bench.Done && opened && !moved:
			add(bench.OnWall, s.At) // closed again where it hangs
		}
	}
	return all
}

// Around is the time before and after what a visit did to a box, from the first
// thing that was done to it until it was back where it hangs, each up to a number
// of days and not beyond what other visits did.
type Around struct {
	Visit                  int64
	From, Began, Ended, To unit.Instant
	Work                   []bench.Code // in order, each once
}

// AroundVisit returns the time around a visit; false when it did nothing to the
// box, or has not ended.
func AroundVisit(visits []VisitDetails, number int64, most time.Duration, zone func(unit.Instant) *time.Location) (a Around, ok bool) {
	a = Around{Visit: number, From: math.MinInt64, To: math.MaxInt64}
	for i := range visits {
		v := &visits[i]
		if v.Number != number {
			continue
		}
		a.Began, a.Ended = span(eventsOf(v, zone))
		for _, w := range v.Work {
			if w.Code.Opens() && !slices.Contains(a.Work, w.Code) {
				a.Work = append(a.Work, w.Code)
			}
		}
		ok = a.Began <= a.Ended && v.State == bench.Done
	}
	if !ok {
		return Around{}, false
	}
	for i := range visits {
		if visits[i].Number == number {
			continue
		}
		first, last := span(eventsOf(&visits[i], zone))
		if last <= a.Began {
			a.From = max(a.From, last)
		}
		if first >= a.Ended {
			a.To = min(a.To, first)
		}
	}
	a.From, a.To = max(a.From, a.Began.Add(-most)), min(a.To, a.Ended.Add(most))
	return a, true
}

// LastRepair returns the visit that did something to the box last, of those that
// ended; false for none.
func LastRepair(visits []VisitDetails, most time.Duration, zone func(unit.Instant) *time.Location) (last Around, ok bool) {
	for i := range visits {
		if a, did := AroundVisit(visits, visits[i].Number, most, zone); did && (!ok || a.Ended > last.Ended) {
			last, ok = a, true
		}
	}
	return last, ok
}

// SensorChanged tells whether a sensor of a station was changed in [from, to).
func SensorChanged(visits []VisitDetails, from, to unit.Instant) bool {
	for i := range visits {
		for _, w := range visits[i].Work {
			if w.Code == bench.SensorChanged && w.At >= from && w.At < to {
				return true
			}
		}
	}
	return false
}

// span is the time from the first event to the last; without any the last is
// before the first.
func span(events []bench.Event) (first, last unit.Instant) {
	first, last = math.MaxInt64, math.MinInt64
	for _, e := range events {
		first, last = min(first, e.At), max(last, e.At, e.Cured)
	}
	return first, last
}

// Repaired returns when a box was back where it hangs after visits that did
// something to it.
func Repaired(visits []VisitDetails, zone func(unit.Instant) *time.Location) (at []unit.Instant) {
	for i := range visits {
		if first, last := span(eventsOf(&visits[i], zone)); first <= last && visits[i].State == bench.Done {
			at = append(at, last)
		}
	}
	return at
}
