package view

import (
	"cmp"
	"context"
	"slices"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/breathing"
	"dewpost/rules/equal"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/life"
	"dewpost/rules/outlook"
	"dewpost/rules/reading"
	"dewpost/rules/sensing"
	"dewpost/rules/unit"
)

// fake keeps in memory what a store would. Its ledger is folded from its
// readings when asked for.
type fake struct {
	outlooks    []record.Outlook
	scored      int // times that all outlooks were gone through
	looks       map[string][]life.Look
	stations    []record.Station
	facts       map[fact.Subject][]fact.Fact
	readings    map[string][]reading.Reading // by time, run, seq
	occurrences []alarm.Occurrence
	custody     []record.Custody
	refused     []record.Quarantined
	breathing   []breathing.Day
	near        []record.Neighbour
	visits      []record.VisitDetails
	burst       *sensing.Burst
	box         record.BoxRun
	frozen      unit.Instant
}

func newFake() *fake {
	return &fake{facts: map[fact.Subject][]fact.Fact{}, readings: map[string][]reading.Reading{}}
}

func (f *fake) Neighbours(_ context.Context, _ string, from, to unit.Instant) ([]record.Neighbour, error) {
	return slices.DeleteFunc(slices.Clone(f.near), func(n record.Neighbour) bool { return n.Hour < from || n.Hour >= to }), nil
}

func (f *fake) Outdoors(_ context.Context, station string, from, to unit.Instant) (list []equal.Air, _ error) {
	for _, n := range f.near {
		if n.Station == station && n.Hour >= from && n.Hour < to {
			list = append(list, n.Air)
		}
	}
	return list, nil
}

func (f *fake) Burst(context.Context, string) (*sensing.Burst, error) { return f.burst, nil }

func (f *fake) FrozenBefore(context.Context, string) (unit.Instant, error) { return f.frozen, nil }

func (f *fake) BoxRun(context.Context, string, unit.Instant) (record.BoxRun, error) {
	return f.box, nil
}

func (f *fake) VisitsOf(_ context.Context, station string) ([]record.VisitDetails, error) {
	return slices.DeleteFunc(slices.Clone(f.visits), func(v record.VisitDetails) bool { return v.Station != station }), nil
}

func (f *fake) Line(_ context.Context, id string) (record.Line, error) {
	l := record.Line{ID: id, Facts: f.facts[fact.Subject{Kind: fact.KindLine, ID: id}]}
	for _, s := range f.stations {
		l.Stations = append(l.Stations, record.OnLine{Station: s.ID, Retired: s.Retired, Facts: f.facts[fact.Subject{Kind: fact.KindStation, ID: s.ID}]})
	}
	return l, nil
}

func (f *fake) Breathing(_ context.Context, _, from, to string, limit int) ([]breathing.Day, error) {
	list := slices.DeleteFunc(slices.Clone(f.breathing), func(d breathing.Day) bool { return d.Day < from || d.Day >= to })
	return list[:min(limit, len(list))], nil
}

func (f *fake) BreathingNow(context.Context, string) (*breathing.Day, *breathing.Usual, error) {
	if n := len(f.breathing); n > 0 {
		return &f.breathing[n-1], &breathing.Usual{Day: "2025-03-02", TauH: 60}, nil
	}
	return nil, nil, nil
}

func (f *fake) add(id string, facts map[string]string, rs ...reading.Reading) {
	f.stations = append(f.stations, record.Station{ID: id})
	f.set(fact.KindStation, id, facts)
	slices.SortStableFunc(rs, func(a, b reading.Reading) int { return cmp.Compare(a.Time, b.Time) })
	f.readings[id] = rs
}

func (f *fake) set(kind, id string, facts map[string]string) {
	subject := fact.Subject{Kind: kind, ID: id}
	for name, value := range facts {
		f.facts[subject] = append(f.facts[subject], fact.Fact{Subject: subject, Name: name, From: fact.Always, Value: value})
	}
}

func (f *fake) Stations(context.Context) ([]record.Station, error) { return f.stations, nil }

func (f *fake) Station(_ context.Context, id string) (record.Station, error) {
	for _, s := range f.stations {
		if s.ID == id {
			return s, nil
		}
	}
	return record.Station{}, record.ErrNotFound
}

func (f *fake) Sites(context.Context) ([]string, error) {
	var ids []string
	for subject := range f.facts {
		if subject.Kind == fact.KindSite {
			ids = append(ids, subject.ID)
		}
	}
	slices.Sort(ids)
	return ids, nil
}

func (f *fake) Facts(_ context.Context, s fact.Subject) ([]fact.Fact, error) { return f.facts[s], nil }

func (f *fake) Latest(context.Context) (map[string]unit.Instant, error) {
	latest := map[string]unit.Instant{}
	for id, rs := range f.readings {
		if len(rs) > 0 {
			latest[id] = rs[len(rs)-1].Time
		}
	}
	return latest, nil
}

func (f *fake) Span(_ context.Context, id string) (first, last unit.Instant, ok bool, err error) {
	rs := f.readings[id]
	if len(rs) == 0 {
		return 0, 0, false, nil
	}
	return rs[0].Time, rs[len(rs)-1].Time, true, nil
}

func (f *fake) Readings(_ context.Context, id string, from, to unit.Instant) ([]reading.Reading, error) {
	var list []reading.Reading
	for _, r := range f.readings[id] {
		if r.Time >= from && r.Time < to {
			list = append(list, r)
		}
	}
	return list, nil
}

func (f *fake) Hours(ctx context.Context, id string, from, to unit.Instant) ([]exposure.Hour, error) {
	timeline, err := fact.Timeline(f.facts[fact.Subject{Kind: fact.KindStation, ID: id}], func(site string) []fact.Fact {
		return f.facts[fact.Subject{Kind: fact.KindSite, ID: site}]
	})
	if err != nil {
		return nil, err
	}
	folded := exposure.Fold(reading.Merge(slices.Clone(f.readings[id])), timeline, exposure.Part{From: Beginning})
	return slices.DeleteFunc(folded.Hours, func(h exposure.Hour) bool { return h.Start < from || h.Start >= to }), nil
}

func (f *fake) Occurrences(_ context.Context, id string) ([]alarm.Occurrence, error) {
	return ofStation(f.occurrences, id), nil
}

func (f *fake) Custody(context.Context) ([]record.Custody, error) { return f.custody, nil }

func (f *fake) Quarantine(_ context.Context, want record.QuarantineQuery) ([]record.Quarantined, error) {
	return f.refused[:min(want.Limit, len(f.refused))], nil
}

func (f *fake) OpenOccurrences(context.Context) ([]alarm.Occurrence, error) {
	return slices.DeleteFunc(slices.Clone(f.occurrences), func(o alarm.Occurrence) bool {
		return o.State == alarm.Normal || o.Revised
	}), nil
}

// air is a reading of the air inside.
func air(at unit.Instant, t, rh float64) reading.Reading {
	r := reading.Reading{Time: at}
	r.Set(reading.InsideTemp, t)
	r.Set(reading.InsideRH, rh)
	return r
}

func at(year int, month time.Month, d, hour, minute int) unit.Instant {
	return unit.At(time.Date(year, month, d, hour, minute, 0, 0, time.UTC))
}

func viewAt(f *fake, now unit.Instant) *View { return New(f, now.Time) }

func (f *fake) Outlooks(_ context.Context, _ string, from, to unit.Instant, limit int) (list []record.Outlook, err error) {
	for _, o := range f.outlooks {
		if o.Issued >= from && o.Issued < to && len(list) < limit {
			list = append(list, o)
		}
	}
	return list, nil
}

func (f *fake) OutlookResults(_ context.Context, station string, issue outlook.Issue) (list []record.Outlook, err error) {
	for _, o := range f.outlooks {
		if o.Issue == issue && o.ObservedCondensing != nil && station == o.Station {
			list = append(list, o)
		}
	}
	return list, nil
}

func (f *fake) OutlookScore(_ context.Context, issue outlook.Issue) (outlook.Score, error) {
	f.scored++
	score := outlook.NewScore()
	for _, o := range f.outlooks {
		if o.Issue == issue && o.ObservedCondensing != nil {
			score.Add(o.PCondensing, *o.ObservedCondensing)
		}
	}
	return score, nil
}

func (f *fake) Looks(context.Context) (map[string][]life.Look, error) { return f.looks, nil }

func (f *fake) WeatherPage(context.Context, string, unit.Instant, unit.Instant, int, int) ([]record.Weather, error) {
	return nil, nil
}
