package view

import (
	"cmp"
	"context"
	"slices"
	"time"

	"dewpost/rules/alarm"
	"dewpost/rules/exposure"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Lists of the API. Intervals are [from, to), with Beginning and End where
// there is no bound. Each call returns at most limit items and where the next
// begins.

// Stations describes all stations by id, retired ones included, with their
// newest reading and needs, without nights.
func (v *View) Stations(ctx context.Context) ([]Row, error) {
	b := v.books()
	rows, err := v.rows(ctx, b)
	if err != nil {
		return nil, err
	}
	open, err := v.store.OpenOccurrences(ctx)
	if err != nil {
		return nil, err
	}
	for i := range rows {
		r := &rows[i]
		if r.Now, err = v.newest(ctx, &r.Station, r.Now.At); err != nil {
			return nil, err
		}
		r.Needs = needsOf(ofStation(open, r.Station.ID), nil)
	}
	return rows, nil
}

// Station describes one station as Stations does, and tells when its record
// begins; record.ErrNotFound when there is no such station.
func (v *View) Station(ctx context.Context, id string) (Row, unit.Instant, error) {
	r, err := v.store.Station(ctx, id)
	if err != nil {
		return Row{}, 0, err
	}
	b := v.books()
	s, err := b.station(ctx, r)
	if err != nil {
		return Row{}, 0, err
	}
	first, last, _, err := v.store.Span(ctx, id)
	if err != nil {
		return Row{}, 0, err
	}
	row := Row{Station: s, Heard: s.heard(last, b.at), Current: s.current(last, b.at)}
	if row.Now, err = v.newest(ctx, &s, last); err != nil {
		return row, 0, err
	}
	own, err := v.store.Occurrences(ctx, id)
	row.Needs = needsOf(own, nil)
	return row, first, err
}

// Sites describes all sites, with the ids of the stations that hang there now.
func (v *View) Sites(ctx context.Context) ([]Site, map[string][]string, error) {
	b := v.books()
	ids, err := v.store.Sites(ctx)
	if err != nil {
		return nil, nil, err
	}
	sites := make([]Site, 0, len(ids))
	for _, id := range ids {
		s, err := b.site(ctx, id)
		if err != nil {
			return nil, nil, err
		}
		sites = append(sites, s)
	}
	stations, err := v.store.Stations(ctx)
	if err != nil {
		return nil, nil, err
	}
	hang := make(map[string][]string)
	for _, r := range stations {
		s, err := b.station(ctx, r)
		if err != nil {
			return nil, nil, err
		}
		if s.Retired == 0 && s.Site.ID != "" {
			hang[s.Site.ID] = append(hang[s.Site.ID], s.ID)
		}
	}
	return sites, hang, nil
}

// Place is where a list of readings goes on: Skip readings of the instant At
// were given already. Several readings may have one instant.
type Place struct {
	At   unit.Instant
	Skip int
}

// Readings lists a station's readings as they are stored, not merged. next is
// nil at the end.
func (v *View) Readings(ctx context.Context, id string, from Place, to unit.Instant, limit int) (list []reading.Reading, next *Place, err error) {
	if _, err := v.store.Station(ctx, id); err != nil {
		return nil, nil, err
	}
	first, last, ok, err := v.store.Span(ctx, id)
	if err != nil || !ok {
		return nil, nil, err
	}
	end := min(last+1, to)
	begin := from
	if begin.At < first {
		begin = Place{At: first}
	}
	for at, step := begin.At, day; at < end && len(list) <= begin.Skip+limit; step *= 2 {
		upto := end
		if step < end.Sub(at) {
			upto = at.Add(step)
		}
		more, err := v.store.Readings(ctx, id, at, upto)
		if err != nil {
			return nil, nil, err
		}
		list = append(list, more...)
		at = upto
	}
	list = list[min(begin.Skip, len(list)):]
	if len(list) <= limit {
		return list, nil, nil
	}
	next = &Place{At: list[limit].Time}
	list = list[:limit]
	for i := limit - 1; i >= 0 && list[i].Time == next.At; i-- {
		next.Skip++
	}
	if next.At == begin.At {
		next.Skip += begin.Skip
	}
	return list, next, nil
}

// Hours lists a station's ledger. next is 0 at the end; a list may be shorter
// than limit before that.
func (v *View) Hours(ctx context.Context, id string, from, to unit.Instant, limit int) (list []exposure.Hour, next unit.Instant, err error) {
	if _, err := v.store.Station(ctx, id); err != nil {
		return nil, 0, err
	}
	first, last, ok, err := v.store.Span(ctx, id)
	if err != nil || !ok {
		return nil, 0, err
	}
	end := min(last+1, to)
	begin := max(from, first.Floor(time.Hour))
	if begin >= end {
		return nil, 0, nil
	}
	upto := end
	if n := begin.Add(time.Duration(limit) * time.Hour); n < end {
		upto, next = n, n
	}
	list, err = v.store.Hours(ctx, id, begin, upto)
	return list, next, err
}

// After is where a list of occurrences goes on: behind this one.
type After struct {
	From          unit.Instant
	Station, Kind string
	Number        int64
}

func after(o *alarm.Occurrence) After {
	return After{o.Finding.From, o.Station, string(o.Finding.Kind), o.Number}
}

func (a After) compare(b After) int {
	return cmp.Or(cmp.Compare(a.From, b.From), cmp.Compare(a.Station, b.Station),
		cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Number, b.Number))
}

// Findings lists the occurrences of a station that touch [from, to), by onset.
// next is nil at the end.
func (v *View) Findings(ctx context.Context, id string, from, to unit.Instant, behind *After, limit int) (list []alarm.Occurrence, next *After, err error) {
	if _, err := v.store.Station(ctx, id); err != nil {
		return nil, nil, err
	}
	all, err := v.store.Occurrences(ctx, id)
	if err != nil {
		return nil, nil, err
	}
	all = slices.DeleteFunc(all, func(o alarm.Occurrence) bool {
		f := &o.Finding
		return f.To != 0 && f.To <= from || f.From >= to
	})
	list, next = pageOf(all, behind, limit)
	return list, next, nil
}

// Alarms lists what lasts or has not been seen, of all stations, by onset.
func (v *View) Alarms(ctx context.Context, behind *After, limit int) (list []alarm.Occurrence, next *After, err error) {
	all, err := v.store.OpenOccurrences(ctx)
	if err != nil {
		return nil, nil, err
	}
	list, next = pageOf(all, behind, limit)
	return list, next, nil
}

// pageOf returns the first limit occurrences behind the given one.
func pageOf(all []alarm.Occurrence, behind *After, limit int) ([]alarm.Occurrence, *After) {
	slices.SortFunc(all, func(a, b alarm.Occurrence) int { return after(&a).compare(after(&b)) })
	if behind != nil {
		all = slices.DeleteFunc(all, func(o alarm.Occurrence) bool { return after(&o).compare(*behind) <= 0 })
	}
	if len(all) <= limit {
		return all, nil
	}
	last := after(&all[limit-1])
	return all[:limit], &last
}

// Names describes all stations by id, retired ones included, with the time of
// their newest reading and nothing else of it.
func (v *View) Names(ctx context.Context) ([]Row, error) { return v.rows(ctx, v.books()) }
