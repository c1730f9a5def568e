package view

import (
	"context"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/unit"
)

// ClockOff is how far a station's clock may be from the collector's before a
// page points at it. A report takes a moment to arrive; readings a few seconds
// out are as good as any.
const ClockOff = 5 * time.Second

// Kept says what became of all readings, at the stations and here.
type Kept struct {
	At       unit.Instant
	Zone     *time.Location
	Stations []KeptStation  // in service, by id
	Others   record.Custody // readings of those who are not
	All      record.Custody // the sum of all of them
	Lost     []KeptStation  // agents that were told of readings as safe which are not here
	Uneven   []KeptStation  // agents whose own counts don't add up
	Clocks   []KeptStation  // clocks that are off
	Unheard  int            // stations whose agent said nothing of its readings yet
}

// KeptStation is one station's part.
type KeptStation struct {
	Station Station
	record.Custody
}

// ClockOff tells whether the station's clock is to be pointed at.
func (s *KeptStation) ClockOff() bool {
	return s.State != nil && s.State.Timed && s.State.Offset.Abs() >= ClockOff
}

// Kept assembles what became of the readings.
func (v *View) Kept(ctx context.Context) (Kept, error) {
	b := v.books()
	k := Kept{At: b.at, Zone: time.UTC}
	list, err := v.store.Custody(ctx)
	if err != nil {
		return k, err
	}
	records, err := v.store.Stations(ctx)
	if err != nil {
		return k, err
	}
	byID := make(map[string]record.Station, len(records))
	for _, r := range records {
		byID[r.ID] = r
	}
	var rows []Row
	for _, c := range list {
		add(&k.All, &c)
		if c.Station == "" {
			k.Others = c
			continue
		}
		s, err := b.station(ctx, byID[c.Station])
		if err != nil {
			return k, err
		}
		rows = append(rows, Row{Station: s})
		k.Stations = append(k.Stations, KeptStation{s, c})
	}
	for _, s := range k.Stations {
		switch {
		case s.State == nil || s.State.Report.Readings == nil:
			k.Unheard++
		case s.State.Report.Readings.Missing() != 0:
			k.Uneven = append(k.Uneven, s)
		}
		if s.Lost() != 0 {
			k.Lost = append(k.Lost, s)
		}
		if s.ClockOff() {
			k.Clocks = append(k.Clocks, s)
		}
	}
	k.Zone = commonZone(rows)
	return k, nil
}

// add sums counts; quarantine by reason, in the order of first mention.
func add(sum, c *record.Custody) {
	sum.Received += c.Received
	sum.Released += c.Released
	sum.Stored += c.Stored
	sum.Repeated += c.Repeated
	sum.Refused += c.Refused
	sum.Discarded += c.Discarded
next:
	for _, h := range c.Held {
		for i := range sum.Held {
			if sum.Held[i].Reason == h.Reason {
				sum.Held[i].Kept += h.Kept
				sum.Held[i].Unkept += h.Unkept
				continue next
			}
		}
		sum.Held = append(sum.Held, h)
	}
}

// Quarantine lists refused readings that were not stored after all, newest
// first. next is where the list goes on, 0 at the end.
func (v *View) Quarantine(ctx context.Context, want record.QuarantineQuery) (list []record.Quarantined, next int64, err error) {
	limit := want.Limit
	want.Limit++
	if list, err = v.store.Quarantine(ctx, want); err != nil || len(list) <= limit {
		return list, 0, err
	}
	return list[:limit], list[limit-1].ID, nil
}
