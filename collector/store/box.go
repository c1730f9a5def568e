package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/breathing"
	"dewpost/rules/equal"
	"dewpost/rules/sensing"
	"dewpost/rules/unit"
)

// BoxRun returns up to where a station's box was followed, with the newest
// state from before an instant.
func (s *Store) BoxRun(ctx context.Context, station string, before unit.Instant) (r record.BoxRun, err error) {
	err = s.snapshot(ctx, func(q query) error {
		if err := each(q, `select r.upto_ns, r.version from box_run r join station s on s.id = r.station where s.name = ?`,
			[]any{station}, func(rows *sql.Rows) error { return rows.Scan(&r.Upto, &r.Version) }); err != nil {
			return err
		}
		return each(q, `select b.at_ns, b.body from box_state b join station s on s.id = b.station
			where s.name = ? and b.at_ns < ? order by b.at_ns desc limit 1`,
			[]any{station, before}, func(rows *sql.Rows) error { return rows.Scan(&r.State.At, &r.State.Body) })
	})
	if err != nil {
		return record.BoxRun{}, fmt.Errorf("read up to where the box of %s was followed: %w", station, err)
	}
	return r, nil
}

// BoxStates returns the instants of the states that are kept of a station's
// box, ascending.
func (s *Store) BoxStates(ctx context.Context, station string) ([]unit.Instant, error) {
	var list []unit.Instant
	err := each(reader{ctx, s}, `select b.at_ns from box_state b join station s on s.id = b.station where s.name = ? order by b.at_ns`,
		[]any{station}, func(rows *sql.Rows) error {
			var at unit.Instant
			err := rows.Scan(&at)
			list = append(list, at)
			return err
		})
	if err != nil {
		return nil, fmt.Errorf("list states of the box of %s: %w", station, err)
	}
	return list, nil
}

// Breathing returns the breathing time of a station's box for UTC days from
// "2006-01-02" up to another one, that one left out; at most limit of them.
func (s *Store) Breathing(ctx context.Context, station, from, to string, limit int) ([]breathing.Day, error) {
	return s.breathing(ctx, station, `b.day >= ? and b.day < ? order by b.day limit ?`, from, to, limit)
}

// BreathingNow returns the newest breathing time and how the box breathed when
// its baseline was taken; nil for what is not known.
func (s *Store) BreathingNow(ctx context.Context, station string) (now *breathing.Day, usual *breathing.Usual, err error) {
	days, err := s.breathing(ctx, station, `1 = 1 order by b.day desc limit 1`)
	if err != nil {
		return nil, nil, err
	}
	if len(days) > 0 {
		now = &days[0]
	}
	err = each(reader{ctx, s}, `select r.usual from box_run r join station s on s.id = r.station where s.name = ? and r.usual <> ''`,
		[]any{station}, func(rows *sql.Rows) error {
			var text []byte
			if err := rows.Scan(&text); err != nil {
				return err
			}
			return json.Unmarshal(text, &usual)
		})
	if err != nil {
		return nil, nil, fmt.Errorf("read how %s breathed: %w", station, err)
	}
	return now, usual, nil
}

// Burst returns what came of the newest burst of the heater of a station's
// inside sensor; nil when there was none.
func (s *Store) Burst(ctx context.Context, station string) (burst *sensing.Burst, err error) {
	err = each(reader{ctx, s}, `select b.at_ns, b.result, b.fell_pct, b.expected_pct, b.warmed_k, b.back_pct
		from heater_burst b join station s on s.id = b.station where s.name = ?`, []any{station}, func(rows *sql.Rows) error {
		var x sensing.Burst
		var back sql.NullFloat64
		err := rows.Scan(&x.At, &x.Result, &x.Fell, &x.Due, &x.WarmedK, &back)
		if back.Valid {
			x.Back = &back.Float64
		}
		burst = &x
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read what the heater of %s said: %w", station, err)
	}
	return burst, nil
}

func (s *Store) breathing(ctx context.Context, station, which string, args ...any) ([]breathing.Day, error) {
	var list []breathing.Day
	err := each(reader{ctx, s}, `select b.day, b.tau_h, b.low_h, b.high_h, b.window_d, b.basis
		from breathing_day b join station s on s.id = b.station where s.name = ? and `+which,
		append([]any{station}, args...), func(rows *sql.Rows) error {
			var d breathing.Day
			var high sql.NullFloat64
			err := rows.Scan(&d.Day, &d.TauH, &d.LowH, &high, &d.WindowD, &d.Basis)
			if high.Valid {
				d.HighH = &high.Float64
			}
			list = append(list, d)
			return err
		})
	if err != nil {
		return nil, fmt.Errorf("read breathing time of %s: %w", station, err)
	}
	return list, nil
}

func putBurst(t *tx, station int64, b *sensing.Burst) error {
	if b == nil {
		return t.exec(`delete from heater_burst where station = ?`, station)
	}
	var back any
	if b.Back != nil {
		back = *b.Back
	}
	return t.exec(`insert into heater_burst (station, at_ns, result, fell_pct, expected_pct, warmed_k, back_pct) values (?, ?, ?, ?, ?, ?, ?)
		on conflict (station) do update set at_ns = excluded.at_ns, result = excluded.result, fell_pct = excluded.fell_pct,
			expected_pct = excluded.expected_pct, warmed_k = excluded.warmed_k, back_pct = excluded.back_pct`,
		station, b.At, string(b.Result), b.Fell, b.Due, b.WarmedK, back)
}

// putBox writes what a fold found of a box.
func putBox(t *tx, station int64, b *record.Box) error {
	usual := ""
	if b.Usual != nil {
		text, err := json.Marshal(b.Usual)
		if err != nil {
			return err
		}
		usual = string(text)
	}
	if err := t.exec(`insert into box_run (station, upto_ns, version, usual) values (?, ?, ?, ?)
		on conflict (station) do update set upto_ns = excluded.upto_ns, version = excluded.version, usual = excluded.usual`,
		station, b.Upto, b.Version, usual); err != nil {
		return err
	}
	if err := putBurst(t, station, b.Heater); err != nil {
		return fmt.Errorf("heater: %w", err)
	}
	if err := t.exec(`delete from box_state where station = ? and at_ns > ?`, station, b.Since); err != nil {
		return err
	}
	for _, at := range b.Drop {
		if err := t.exec(`delete from box_state where station = ? and at_ns = ?`, station, at); err != nil {
			return err
		}
	}
	for _, st := range b.States {
		if err := t.exec(`insert into box_state (station, at_ns, body) values (?, ?, ?)`, station, st.At, st.Body); err != nil {
			return err
		}
	}
	since := max(b.Since, b.Frozen)
	if err := t.exec(`delete from breathing_day where station = ? and day >= ?`, station, since.Time().UTC().Format("2006-01-02")); err != nil {
		return err
	}
	if err := putOutdoors(t, station, b); err != nil {
		return fmt.Errorf("outdoors: %w", err)
	}
	rows := bulk{columns: 7, head: `insert into breathing_day (station, day, tau_h, low_h, high_h, window_d, basis)`}
	for i := range b.Days {
		d := &b.Days[i]
		var high any
		if d.HighH != nil {
			high = *d.HighH
		}
		rows.add(station, d.Day, d.TauH, d.LowH, high, d.WindowD, string(d.Basis))
	}
	return rows.write(t)
}

// Neighbours returns what outdoor sensors of stations that ever hung on a site
// said of the hours with from <= start < to, by hour, then by the station's
// name.
func (s *Store) Neighbours(ctx context.Context, site string, from, to unit.Instant) ([]record.Neighbour, error) {
	var list []record.Neighbour
	err := each(reader{ctx, s}, `select s.name, o.hour_ns, o.temp_c, o.rh_pct from outdoor_hour o join station s on s.id = o.station
		where o.hour_ns >= ? and o.hour_ns < ?
			and s.name in (select subject from fact where kind = 'station' and name = 'site' and value = ?)
		order by o.hour_ns, s.name`, []any{from, to, site}, func(rows *sql.Rows) error {
		var n record.Neighbour
		err := rows.Scan(&n.Station, &n.Hour, &n.Temp, &n.RH)
		list = append(list, n)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read what was heard outdoors at %s: %w", site, err)
	}
	return list, nil
}

// Outdoors returns what a station's outdoor sensor said of the hours with from <=
// start < to, in order.
func (s *Store) Outdoors(ctx context.Context, station string, from, to unit.Instant) ([]equal.Air, error) {
	var list []equal.Air
	err := each(reader{ctx, s}, `select o.hour_ns, o.temp_c, o.rh_pct from outdoor_hour o join station s on s.id = o.station
		where s.name = ? and o.hour_ns >= ? and o.hour_ns < ? order by o.hour_ns`, []any{station, from, to}, func(rows *sql.Rows) error {
		var a equal.Air
		err := rows.Scan(&a.Hour, &a.Temp, &a.RH)
		list = append(list, a)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read what %s heard outdoors: %w", station, err)
	}
	return list, nil
}

// putOutdoors replaces what a station's outdoor sensor said from b.Since on.
// Where that changes anything, the others of its sites are folded again.
func putOutdoors(t *tx, station int64, b *record.Box) error {
	from := max(b.Since, b.Frozen)
	if from > math.MinInt64 {
		from = from.Floor(time.Hour)
	}
	there := make(map[unit.Instant]equal.Air)
	err := each(t, `select hour_ns, temp_c, rh_pct from outdoor_hour where station = ? and hour_ns >= ?`, []any{station, from}, func(rows *sql.Rows) error {
		var o equal.Air
		err := rows.Scan(&o.Hour, &o.Temp, &o.RH)
		there[o.Hour] = o
		return err
	})
	if err != nil {
		return err
	}
	rows := bulk{
		columns: 4, head: `insert into outdoor_hour (station, hour_ns, temp_c, rh_pct)`,
		foot: `on conflict (station, hour_ns) do update set temp_c = excluded.temp_c, rh_pct = excluded.rh_pct`,
	}
	first, last := unit.Instant(math.MaxInt64), unit.Instant(math.MinInt64)
	for _, o := range b.Outdoors {
		old, known := there[o.Hour]
		delete(there, o.Hour)
		if known && old == o {
			continue
		}
		first, last = min(first, o.Hour), max(last, o.Hour)
		rows.add(station, o.Hour, float64(o.Temp), float64(o.RH))
	}
	if err := rows.write(t); err != nil {
		return err
	}
	for _, hour := range slices.Sorted(maps.Keys(there)) {
		first, last = min(first, hour), max(last, hour)
		if err := t.exec(`delete from outdoor_hour where station = ? and hour_ns = ?`, station, hour); err != nil {
			return err
		}
	}
	if first > last {
		return nil
	}
	ids, err := ids(t, `select distinct s.id from fact f join station s on s.name = f.subject
		where f.kind = 'station' and f.name = 'site' and s.id <> ? and f.value in (
			select g.value from fact g join station p on p.name = g.subject where g.kind = 'station' and g.name = 'site' and p.id = ?)
		order by s.id`, station, station)
	for _, id := range ids {
		err = errors.Join(err, markSpan(t, id, first, last.Add(time.Hour)))
	}
	return err
}
