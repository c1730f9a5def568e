package store

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"slices"
	"time"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

const day = 24 * time.Hour

// dayOf returns the UTC day number of t, whatever t.
func dayOf(t unit.Instant) int64 {
	d := int64(t) / int64(day)
	if int64(t)%int64(day) < 0 {
		d--
	}
	return d
}

// Readings returns the station's stored readings with from <= time < to, by
// time, then run and seq. Several may have one instant.
func (s *Store) Readings(ctx context.Context, station string, from, to unit.Instant) ([]reading.Reading, error) {
	list, err := s.readings(reader{ctx, s}, station, from, to)
	if err != nil {
		return nil, fmt.Errorf("read readings of %s: %w", station, err)
	}
	return list, nil
}

func (s *Store) readings(q query, station string, from, to unit.Instant) ([]reading.Reading, error) {
	if from >= to {
		return nil, nil
	}
	runs := make(map[int64]string)
	size := 0
	type packed struct {
		run  int64
		body []byte
	}
	var all []packed
	err := each(q, `select b.run, r.run, b.n, b.body from batch b join run r on r.id = b.run
		where b.`+ofStation+` and b.day between ? and ? and b.t_min < ? and b.t_max >= ?
		order by b.day`,
		[]any{station, dayOf(from), dayOf(to - 1), to, from}, func(rows *sql.Rows) error {
			var p packed
			var run sql.RawBytes
			var n int
			if err := rows.Scan(&p.run, &run, &n, &p.body); err != nil {
				return err
			}
			if _, ok := runs[p.run]; !ok {
				runs[p.run] = string(run)
			}
			size += n
			all = append(all, p)
			return nil
		})
	if err != nil {
		return nil, err
	}
	list := make([]reading.Reading, 0, size)
	for _, p := range all {
		if list, err = unpack(list, runs[p.run], p.body); err != nil {
			return nil, err
		}
	}
	list = slices.DeleteFunc(list, func(r reading.Reading) bool { return r.Time < from || r.Time >= to })
	if !slices.IsSortedFunc(list, byTime) {
		slices.SortStableFunc(list, byTime)
	}
	return list, nil
}

func byTime(a, b reading.Reading) int {
	return cmp.Or(cmp.Compare(a.Time, b.Time), cmp.Compare(a.Run, b.Run), cmp.Compare(a.Seq, b.Seq))
}

// InstantBefore returns the time of the station's newest stored reading before
// t; false when there is none.
func (s *Store) InstantBefore(ctx context.Context, station string, t unit.Instant) (unit.Instant, bool, error) {
	at, ok, err := s.nearest(ctx, station, t, beforeDay)
	if err != nil {
		return 0, false, fmt.Errorf("read newest reading of %s before %s: %w", station, t, err)
	}
	return at, ok, nil
}

// InstantAfter returns the time of the station's first stored reading after t;
// false when there is none.
func (s *Store) InstantAfter(ctx context.Context, station string, t unit.Instant) (unit.Instant, bool, error) {
	at, ok, err := s.nearest(ctx, station, t, afterDay)
	if err != nil {
		return 0, false, fmt.Errorf("read first reading of %s after %s: %w", station, t, err)
	}
	return at, ok, nil
}

// direction is how to look for the nearest reading before or after an instant.
type direction struct {
	whole    string // nearest end of a batch of the day that lies in that direction
	straddle string // batches of the day on both sides
	beyond   string // nearest end of a batch on another day in that direction
	nearest  func(a, b unit.Instant) unit.Instant
	within   func(r, t unit.Instant) bool
}

const ofStation = `station = (select id from station where name = ?)`

var (
	beforeDay = direction{
		whole: `select max(t_max) from batch where ` + ofStation + ` and day = ? and t_max < ?`,
		straddle: `select r.run, b.body from batch b join run r on r.id = b.run
			where b.` + ofStation + ` and b.day = ? and b.t_min < ? and b.t_max >= ?`,
		beyond: `select max(t_max) from batch where ` + ofStation + `
			and day = (select max(day) from batch where ` + ofStation + ` and day < ?)`,
		nearest: func(a, b unit.Instant) unit.Instant { return max(a, b) },
		within:  func(r, t unit.Instant) bool { return r < t },
	}
	afterDay = direction{
		whole: `select min(t_min) from batch where ` + ofStation + ` and day = ? and t_min > ?`,
		straddle: `select r.run, b.body from batch b join run r on r.id = b.run
			where b.` + ofStation + ` and b.day = ? and b.t_max > ? and b.t_min <= ?`,
		beyond: `select min(t_min) from batch where ` + ofStation + `
			and day = (select min(day) from batch where ` + ofStation + ` and day > ?)`,
		nearest: func(a, b unit.Instant) unit.Instant { return min(a, b) },
		within:  func(r, t unit.Instant) bool { return r > t },
	}
)

func (s *Store) nearest(ctx context.Context, station string, t unit.Instant, d direction) (unit.Instant, bool, error) {
	q := reader{ctx, s}
	at, err := instant(q, d.whole, station, dayOf(t), t)
	if err != nil {
		return 0, false, err
	}
	var list []reading.Reading
	err = each(q, d.straddle, []any{station, dayOf(t), t, t}, func(rows *sql.Rows) error {
		var run string
		var body sql.RawBytes
		if err := rows.Scan(&run, &body); err != nil {
			return err
		}
		var err error
		list, err = unpack(list, run, body)
		return err
	})
	if err != nil {
		return 0, false, err
	}
	for i := range list {
		switch r := list[i].Time; {
		case !d.within(r, t):
		case !at.Valid:
			at = sql.NullInt64{Int64: int64(r), Valid: true}
		default:
			at.Int64 = int64(d.nearest(unit.Instant(at.Int64), r))
		}
	}
	if !at.Valid {
		at, err = instant(q, d.beyond, station, station, dayOf(t))
	}
	return unit.Instant(at.Int64), at.Valid, err
}

// instant reads one instant, null without rows.
func instant(q query, text string, args ...any) (sql.NullInt64, error) {
	var at sql.NullInt64
	err := each(q, text, args, func(rows *sql.Rows) error { return rows.Scan(&at) })
	return at, err
}

// Span returns the times of the station's first and last stored reading, those
// that were let go included; ok is false when there is none.
func (s *Store) Span(ctx context.Context, station string) (first, last unit.Instant, ok bool, err error) {
	q := reader{ctx, s}
	var id int64
	err = each(q, `select id from station where name = ?`, []any{station}, func(rows *sql.Rows) error { return rows.Scan(&id) })
	if err == nil {
		first, last, ok, err = extent(q, id)
	}
	if err != nil {
		return 0, 0, false, fmt.Errorf("read span of %s: %w", station, err)
	}
	return first, last, ok, nil
}

func extent(q query, station int64) (first, last unit.Instant, ok bool, err error) {
	lo, err := instant(q, `select coalesce((select first_ns from frozen where station = ?), (select min(t_min) from batch where station = ?
		and day = (select min(day) from batch where station = ?)))`, station, station, station)
	if err != nil {
		return 0, 0, false, err
	}
	hi, err := instant(q, `select max(newest_ns) from run where station = ?`, station)
	return unit.Instant(lo.Int64), unit.Instant(hi.Int64), lo.Valid && hi.Valid, err
}

// Latest returns, for every station that was heard, the time of its newest
// stored reading.
func (s *Store) Latest(ctx context.Context) (map[string]unit.Instant, error) {
	latest := make(map[string]unit.Instant)
	err := each(reader{ctx, s}, `select s.name, max(r.newest_ns) from run r join station s on s.id = r.station
		where r.newest_ns is not null group by s.name`, nil, func(rows *sql.Rows) error {
		var station string
		var t unit.Instant
		err := rows.Scan(&station, &t)
		latest[station] = t
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read newest readings: %w", err)
	}
	return latest, nil
}
