package fold

import (
	"context"
	"slices"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/box"
	"dewpost/rules/current"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// lines are the lines that a station was ever on.
type lines []record.Line

func (f *Folder) lines(ctx context.Context, own []fact.Fact) (all lines, err error) {
	for _, held := range fact.Intervals(own, fact.Line) {
		if held.Value == fact.None || slices.ContainsFunc(all, func(l record.Line) bool { return l.ID == held.Value }) {
			continue
		}
		l, err := f.cfg.Store.Line(ctx, held.Value)
		if err != nil {
			return nil, err
		}
		all = append(all, l)
	}
	return all, nil
}

// of returns who is on the station's line at an instant, itself included, and
// which of them reads its current; nobody when it is on none.
func (all lines) of(station string, t unit.Instant) (stations []string, meter string) {
	for i := range all {
		if on, meter := all[i].At(t); slices.Contains(on, station) {
			return on, meter
		}
	}
	return nil, ""
}

// at is what the station's line is for the rules.
func (all lines) at(station string, t unit.Instant) box.Line {
	on, meter := all.of(station, t)
	return box.Line{Stations: len(on), Elsewhere: meter != "" && meter != station}
}

// feeding lists the stations that the line feeds of which an occurrence tells;
// none where it tells of one station only.
func (all lines) feeding(o *alarm.Occurrence) []string {
	if on, _ := all.of(o.Station, o.Finding.From); len(on) > 1 && current.OfLine(&o.Finding) {
		return on
	}
	return nil
}

// again returns whose findings rest on what changed in the occurrences of a
// station: the others of its line, for what happens to that is told once.
func (all lines) again(station string, changed []alarm.Occurrence) (others []record.Again) {
	for i := range changed {
		o := &changed[i]
		for _, other := range all.feeding(o) {
			a := record.Again{Station: other, From: o.Finding.From}
			if other != station && !slices.Contains(others, a) {
				others = append(others, a)
			}
		}
	}
	return others
}

// shared is what is found at a station, seen together with what others of its
// line tell.
type shared struct {
	own  []finding.Finding  // without what another station of the line told first
	said []alarm.Occurrence // that people were told of, withdrawn ones too: the station's own and those of others on its line
}

// ofLine leaves to another station of the line what it told first. Only what
// others tell of the line while both are on it counts. What is found in the end
// is the same in whatever order stations are folded: what a station tells rests
// on what others concluded earlier, and when that changes it is judged again.
func (f *Folder) ofLine(ctx context.Context, all lines, station string, found []finding.Finding, recorded []alarm.Occurrence) (shared, error) {
	s := shared{own: found}
	var others []current.On
	for i := range recorded {
		if recorded[i].Told {
			s.said = append(s.said, recorded[i])
		}
	}
	asked := map[string]bool{station: true}
	for i := range found {
		for _, other := range all.feeding(&alarm.Occurrence{Station: station, Finding: found[i]}) {
			if asked[other] {
				continue
			}
			asked[other] = true
			theirs, err := f.cfg.Store.Occurrences(ctx, other)
			if err != nil {
				return s, err
			}
			for _, o := range theirs {
				if !slices.Contains(all.feeding(&o), station) {
					continue
				}
				if o.Told {
					s.said = append(s.said, o)
				}
				if !o.Revised {
					others = append(others, current.On{Station: other, Finding: o.Finding})
				}
			}
		}
	}
	if len(others) == 0 {
		return s, nil
	}
	on := others
	for i := range found {
		on = append(on, current.On{Station: station, Finding: found[i]})
	}
	first := map[unit.Instant]map[finding.Kind]bool{} // what this station tells first, by onset and kind
	for _, e := range current.Merge(on) {
		if e.Station != station {
			continue
		}
		if first[e.From] == nil {
			first[e.From] = map[finding.Kind]bool{}
		}
		first[e.From][e.Kind] = true
	}
	s.own = slices.DeleteFunc(slices.Clone(found), func(f finding.Finding) bool {
		return current.OfLine(&f) && !first[f.From][f.Kind]
	})
	return s, nil
}

// told tells whether people were told of what an occurrence tells: by another
// station of its line, or by this one before it was withdrawn and found again,
// as when facts about the line were corrected.
func (s *shared) told(o alarm.Occurrence) bool {
	return current.OfLine(&o.Finding) && slices.ContainsFunc(s.said, func(x alarm.Occurrence) bool {
		if x.Station == o.Station {
			return x.Finding.Kind == o.Finding.Kind && x.Finding.From == o.Finding.From
		}
		return len(current.Merge([]current.On{{Station: o.Station, Finding: o.Finding}, {Station: x.Station, Finding: x.Finding}})) == 1
	})
}
