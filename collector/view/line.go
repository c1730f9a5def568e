package view

import (
	"context"

	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// OnLine is a line that a station shares with others.
type OnLine struct {
	ID, Name string
	Others   []string // names of the other stations that it feeds, by id
	Stations []string // ids of all that it feeds
	MeterID  string   // "" when nobody said
	Meter    string   // name of the station that is said to read its current; "" when nobody said
	Here     bool     // this station is said to read it
}

// onLine describes the line that a station is on; nil when it shares none.
func (v *View) onLine(ctx context.Context, s *Station, at unit.Instant) (*OnLine, error) {
	if s.Line == "" {
		return nil, nil
	}
	line, err := v.store.Line(ctx, s.Line)
	if err != nil {
		return nil, err
	}
	on, meter := line.At(at)
	l := &OnLine{ID: s.Line, Name: s.Line, Stations: on, MeterID: meter, Here: meter == s.ID}
	if name, ok := fact.At(line.Facts, fact.Name, at); ok {
		l.Name = name
	}
	for _, id := range on {
		if id == s.ID {
			continue
		}
		facts, err := v.store.Facts(ctx, fact.Subject{Kind: fact.KindStation, ID: id})
		if err != nil {
			return nil, err
		}
		name, ok := fact.At(facts, fact.Name, at)
		if !ok {
			name = id
		}
		if l.Others = append(l.Others, name); id == meter {
			l.Meter = name
		}
	}
	if len(l.Others) == 0 {
		return nil, nil
	}
	return l, nil
}
