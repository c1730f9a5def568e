package view

import (
	"cmp"
	"context"
	"maps"
	"slices"
	"time"

	"dewpost/rules/equal"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// Compared is how wet a box was in two periods, in equal weather.
type Compared struct {
	Station    Station
	Condensing equal.Comparison
	AtRisk     equal.Comparison
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
	return Compared{
		Station:    s,
		Condensing: equal.Compare(b, a, func(d *equal.Day) float64 { return d.Condensing }, compareSeed),
		AtRisk:     equal.Compare(b, a, func(d *equal.Day) float64 { return d.AtRisk }, compareSeed),
	}, nil
}

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
	hours, err := v.store.Hours(ctx, s.ID, from, to)
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
	best := map[unit.Instant]equal.Air{}
	if s.Site.ID != "" {
		if err := v.borrowed(ctx, s, from, to, best); err != nil {
			return nil, err
		}
	}
	own, err := v.store.Outdoors(ctx, s.ID, to)
	if err != nil {
		return nil, err
	}
	for _, a := range own {
		if a.Hour >= from {
			best[a.Hour] = a
		}
	}
	return slices.SortedFunc(maps.Values(best), func(a, b equal.Air) int { return cmp.Compare(a.Hour, b.Hour) }), nil
}

// borrowed fills best with what others than the station know of its site.
func (v *View) borrowed(ctx context.Context, s *Station, from, to unit.Instant, best map[unit.Instant]equal.Air) error {
	rows, err := v.store.WeatherPage(ctx, s.Site.ID, from, to, 0, int(to.Sub(from)/time.Minute)+1)
	if err != nil {
		return err
	}
	for i := range rows {
		w := &rows[i]
		hour := w.Time.Floor(time.Hour)
		if _, there := best[hour]; !there && w.Temp.There && w.RH.There && w.RH.Value > 0 {
			best[hour] = equal.Air{Hour: hour, Temp: unit.Celsius(w.Temp.Value), RH: unit.Percent(w.RH.Value)}
		}
	}
	near, err := v.store.Neighbours(ctx, s.Site.ID, from, to)
	if err != nil {
		return err
	}
	facts := map[string][]fact.Fact{}
	for i := len(near) - 1; i >= 0; i-- { // of an hour the first counts
		n := &near[i]
		if _, known := facts[n.Station]; !known {
			if facts[n.Station], err = v.store.Facts(ctx, fact.Subject{Kind: fact.KindStation, ID: n.Station}); err != nil {
				return err
			}
		}
		if site, _ := fact.At(facts[n.Station], fact.Site, n.Hour); site == s.Site.ID {
			best[n.Hour] = n.Air
		}
	}
	return nil
}
