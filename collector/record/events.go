package record

import (
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

// eventsOf says what a visit did to the box.
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
	for i := range d.Findings {
		if f := &d.Findings[i]; d.Kind != bench.Photos && f.Inside() {
			add(bench.Opened, f.At)
			opened = true
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
