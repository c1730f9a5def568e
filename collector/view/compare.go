package view

import (
	"context"
	"errors"
	"slices"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/box"
	"dewpost/rules/equal"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// Compared is how wet a box was in two periods, in equal weather.
type Compared struct {
	Station    Station
	Condensing equal.Comparison
	AtRisk     equal.Comparison
	// A sensor was changed from the one period to the other. Two of them may differ by
	// what each may be off, which the intervals don't hold.
	SensorChanged bool
}

// compareSeed draws the same intervals each time that one asks.
const compareSeed = 1

// Compare holds two periods of a station together.
func (v *View) Compare(ctx context.Context, id string, before, after Interval) (Compared, error) {
	r, err := v.store.Station(ctx, id)
	if err != nil {
		return Compared{}, err
	}
	s, err := v.books().station(ctx, r)
	if err != nil {
		return Compared{}, err
	}
	b, err := v.equalDays(ctx, &s, before)
	if err != nil {
		return Compared{}, err
	}
	a, err := v.equalDays(ctx, &s, after)
	if err != nil {
		return Compared{}, err
	}
	visits, err := v.store.VisitsOf(ctx, id)
	if err != nil {
		return Compared{}, err
	}
	return Compared{
		SensorChanged: record.SensorChanged(visits, before.From, after.To),

		Station:    s,
		Condensing: equal.Compare(b, a, func(d *equal.Day) equal.Hours { return d.Condensing }, compareSeed),
		AtRisk:     equal.Compare(b, a, func(d *equal.Day) equal.Hours { return d.AtRisk }, compareSeed),
	}, nil
}

// ComparedDays is how long the periods are where none are asked for.
const ComparedDays = 60 * day

// ErrNoRepair is for a visit that did nothing to the box, or has not ended.
var ErrNoRepair = errors.New("that visit did nothing to the box that could be compared, or has not ended")

// CompareVisit holds the sixty days before a visit against the sixty after it,
// each no longer than to what another visit did to the box.
func (v *View) CompareVisit(ctx context.Context, id string, number int64) (Compared, error) {
	r, err := v.store.Station(ctx, id)
	if err != nil {
		return Compared{}, err
	}
	s, err := v.books().station(ctx, r)
	if err != nil {
		return Compared{}, err
	}
	visits, err := v.store.VisitsOf(ctx, id)
	if err != nil {
		return Compared{}, err
	}
	a, ok := record.AroundVisit(visits, number, ComparedDays, s.zoneAt)
	if !ok {
		return Compared{}, ErrNoRepair
	}
	return v.Compare(ctx, id, Interval{a.From, a.Began}, Interval{a.Ended, a.To})
}

// Repair is what the last repair of a box did to how wet it is.
type Repair struct {
	record.Around
	Compared
}

// repair compares what was before and after the last visit that did something to
// the box; nil when there was none.
func (v *View) repair(ctx context.Context, s *Station, visits []record.VisitDetails) (*Repair, error) {
	a, ok := record.LastRepair(visits, ComparedDays, s.zoneAt)
	if !ok {
		return nil, nil
	}
	c, err := v.Compare(ctx, s.ID, Interval{a.From, a.Began}, Interval{a.Ended, a.To})
	return &Repair{a, c}, err
}

func (s *Station) zoneAt(unit.Instant) *time.Location { return s.Site.Zone }

// equalDays are the days of a period, whole ones.
func (v *View) equalDays(ctx context.Context, s *Station, i Interval) ([]equal.Day, error) {
	first, last, ok, err := v.store.Span(ctx, s.ID)
	if err != nil || !ok {
		return nil, err
	}
	from, to := max(i.From, first.Floor(time.Hour)), min(i.To, last+1)
	if from >= to {
		return nil, nil
	}
	hours, err := v.trusted(ctx, s.ID, from, to)
	if err != nil {
		return nil, err
	}
	air, err := v.outdoors(ctx, s, from.Add(-2*day), to)
	if err != nil {
		return nil, err
	}
	facts := s.factsAt(to - 1)
	lon := 0.0
	if facts.Place != nil {
		lon = facts.Place.Lon
	}
	return slices.DeleteFunc(equal.Days(hours, air, lon), func(d equal.Day) bool { return d.Start < from || d.Start.Add(day) > to }), nil
}

// outdoors is the air outdoors by hour: of the station's own sensor, else of
// another one that hung on its site then, else as weather was observed there.
func (v *View) outdoors(ctx context.Context, s *Station, from, to unit.Instant) ([]equal.Air, error) {
	own, err := v.store.Outdoors(ctx, s.ID, from, to)
	if err != nil || s.Site.ID == "" {
		return own, err
	}
	rows, err := v.store.WeatherPage(ctx, s.Site.ID, from, to, 0, int(to.Sub(from)/time.Minute)+1)
	if err != nil {
		return nil, err
	}
	all, err := v.store.Neighbours(ctx, s.Site.ID, from, to)
	if err != nil {
		return nil, err
	}
	near, err := record.OnSite(all, s.Site.ID, s.ID, func(station string) ([]fact.Fact, error) {
		return v.store.Facts(ctx, fact.Subject{Kind: fact.KindStation, ID: station})
	})
	return box.Outdoors(own, near, record.Observed(rows)), err
}
