package store

import (
	"context"
	"database/sql"
	"fmt"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

const selectQuarantined = `select id, station, arrived_ns, reason, detail, raw, run, seq, body, due_ns, released_ns from quarantine `

// quarantinedRow is a row of quarantine with what concerns its release.
type quarantinedRow struct {
	record.Quarantined
	released bool
}

func scanQuarantined(rows *sql.Rows) (q quarantinedRow, err error) {
	var run sql.NullString
	var seq, due, released sql.NullInt64
	var body []byte
	if err := rows.Scan(&q.ID, &q.Station, &q.At, &q.Reason, &q.Detail, &q.Raw, &run, &seq, &body, &due, &released); err != nil {
		return q, err
	}
	q.Run, q.Seq, q.Due, q.released = run.String, seq.Int64, unit.Instant(due.Int64), released.Valid
	if body == nil {
		return q, nil
	}
	list, err := unpack(nil, q.Run, body)
	if err == nil && len(list) != 1 {
		err = errPacked
	}
	if err != nil {
		return q, fmt.Errorf("quarantine %d: %w", q.ID, err)
	}
	q.Reading = &list[0]
	q.Waits = stays(&q) == ""
	return q, nil
}

// Quarantine returns refused readings that were not stored after all, newest
// first.
func (s *Store) Quarantine(ctx context.Context, want record.QuarantineQuery) ([]record.Quarantined, error) {
	text, args := selectQuarantined+`where released_ns is null`, []any{}
	for _, f := range []struct {
		given bool
		text  string
		value any
	}{
		{want.Station != "", ` and station = ?`, want.Station},
		{want.Reason != "", ` and reason = ?`, string(want.Reason)},
		{want.Before != 0, ` and id < ?`, want.Before},
	} {
		if f.given {
			text, args = text+f.text, append(args, f.value)
		}
	}
	var list []record.Quarantined
	err := each(reader{ctx, s}, text+` order by id desc limit ?`, append(args, want.Limit), func(rows *sql.Rows) error {
		q, err := scanQuarantined(rows)
		list = append(list, q.Quarantined)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read quarantine: %w", err)
	}
	return list, nil
}

// Refused returns one refused reading, or record.ErrNotFound; also when it was
// stored after all.
func (s *Store) Refused(ctx context.Context, id int64) (q record.Quarantined, err error) {
	found := false
	err = each(reader{ctx, s}, selectQuarantined+`where id = ?`, []any{id}, func(rows *sql.Rows) error {
		row, err := scanQuarantined(rows)
		found, q = true, row.Quarantined
		return err
	})
	if err == nil && !found {
		err = record.ErrNotFound
	}
	if err != nil {
		return q, fmt.Errorf("read quarantine %d: %w", id, err)
	}
	return q, nil
}

// releaseAtOnce bounds the readings that one transaction releases.
const releaseAtOnce = 1000

// ReleaseDue stores the readings that were refused because their time lay
// ahead, and whose time is now reached. It returns how many left quarantine.
func (s *Store) ReleaseDue(ctx context.Context, now unit.Instant) (int, error) {
	total := 0
	for {
		n := 0
		err := s.inTx(ctx, func(t *tx) error {
			due, err := selectRows(t, selectQuarantined+`where due_ns is not null and due_ns <= ? and released_ns is null
				order by due_ns, id limit ?`, now, releaseAtOnce)
			if n = len(due); err != nil || n == 0 {
				return err
			}
			return release(t, s.limits, due, now)
		})
		if err != nil {
			return total, fmt.Errorf("release readings that are due: %w", err)
		}
		if total += n; n < releaseAtOnce {
			return total, nil
		}
	}
}

// firstTime is the earliest time with which a person may let a reading out: a
// ledger begins with its first reading, and an hour is a record in it.
const firstTime = unit.Instant(0)

// Release stores, all or none, readings that were refused because their time
// lies before 2000, on somebody's word and with the time that they have. Those
// whose time lies ahead are stored by themselves, and never before.
func (s *Store) Release(ctx context.Context, ids []int64, at unit.Instant, author string) error {
	err := s.inTx(ctx, func(t *tx) error {
		var list []quarantinedRow
		for _, id := range ids {
			rows, err := selectRows(t, selectQuarantined+`where id = ?`, id)
			if err != nil {
				return err
			}
			if len(rows) == 0 {
				return fmt.Errorf("number %d: %w", id, record.ErrNotFound)
			}
			why := stays(&rows[0])
			if why == "" {
				if why, err = staysFrozen(t, &rows[0]); err != nil {
					return err
				}
			}
			if why != "" {
				return fmt.Errorf("number %d: %w: %s", id, record.ErrStays, why)
			}
			list = append(list, rows[0])
			if err := audit(t, at, author, "release", fmt.Sprintf("number %d of %s", id, rows[0].Station)); err != nil {
				return err
			}
		}
		return release(t, s.limits, list, at)
	})
	if err != nil {
		return fmt.Errorf("release: %w", err)
	}
	return nil
}

// stays says why a reading can't be released; "" when it can.
func stays(q *quarantinedRow) string {
	switch {
	case q.released:
		return "it was stored after all, there is nothing left to release"
	case q.Reason != reading.ReasonTime || q.Reading == nil:
		return fmt.Sprintf("it was refused as %s, and only readings refused for their time can be stored as they are", q.Reason)
	case q.Due != 0:
		return fmt.Sprintf("its time lies ahead, and it is stored by itself when that is reached, at %s", q.Due)
	case q.Reading.Time < firstTime:
		return fmt.Sprintf("its time is %s, and no ledger can begin before 1970", q.Reading.Time)
	default:
		return ""
	}
}

// staysFrozen says that a reading is of a frozen hour; "" when it isn't.
func staysFrozen(q query, x *quarantinedRow) (why string, err error) {
	list, err := ids(q, `select id from station where name = ?`, x.Station)
	for i := 0; err == nil && i < len(list); i++ {
		var z frozen
		if z, err = frozenOf(q, list[i]); z.At != 0 && x.Reading.Time < z.Before {
			why = lateDetail(x.Reading.Time, z.Before)
		}
	}
	return why, err
}

func selectRows(t *tx, text string, args ...any) (list []quarantinedRow, err error) {
	err = each(t, text, args, func(rows *sql.Rows) error {
		q, err := scanQuarantined(rows)
		list = append(list, q)
		return err
	})
	return list, err
}

// release stores readings out of quarantine as an arrival does.
func release(t *tx, lim limits, list []quarantinedRow, at unit.Instant) error {
	c := newIntake(lim)
	c.t = t
	want := make([]key, len(list))
	for i := range list {
		want[i] = key{list[i].Station, list[i].Run}
	}
	if _, err := t.together(c.load(t.w.d, want)...); err != nil {
		return err
	}
	for i := range list {
		q := &list[i]
		if q.Reading == nil {
			return fmt.Errorf("quarantine %d: it holds no reading", q.ID)
		}
		if st := c.stations[q.Station]; st != nil && st.late(q.Reading) {
			if err := c.passed(q, st); err != nil {
				return fmt.Errorf("quarantine %d: %w", q.ID, err)
			}
			continue
		}
		if err := c.release(q); err != nil {
			return fmt.Errorf("quarantine %d: %w", q.ID, err)
		}
		n, err := t.changed(`update quarantine set released_ns = ? where id = ? and released_ns is null`, at, q.ID)
		if err != nil {
			return err
		}
		if n == 0 {
			return fmt.Errorf("number %d: %w: it is named twice", q.ID, record.ErrStays)
		}
	}
	return c.finish()
}

// passed leaves a reading in quarantine whose time was reached and, before
// anybody let it out, frozen.
func (c *intake) passed(q *quarantinedRow, st *station) error {
	day, err := c.quarantineDay(dayKey{q.Station, dayOf(q.At)})
	if err != nil {
		return err
	}
	day.count(q.Reason).kept--
	day.count(reading.ReasonTooLate).kept++
	c.totals[totalRefused+string(q.Reason)]--
	c.totals[totalRefused+string(reading.ReasonTooLate)]++
	return c.t.exec(`update quarantine set reason = ?, detail = ?, body = null, due_ns = null, reading_ns = ? where id = ?`,
		string(reading.ReasonTooLate), lateDetail(q.Reading.Time, st.frozen), q.Reading.Time, q.ID)
}

// release stores a reading out of quarantine. Its seq was seen when it was
// refused and decides nothing here.
func (c *intake) release(q *quarantinedRow) error {
	st := c.stations[q.Station] // it may have retired meanwhile
	if st == nil {
		return fmt.Errorf("station %s: %w", q.Station, record.ErrNotFound)
	}
	r, err := st.run(q.Run)
	if err != nil {
		return err
	}
	day, err := c.quarantineDay(dayKey{q.Station, dayOf(q.At)})
	if err != nil {
		return err
	}
	day.count(q.Reason).kept--
	c.totals[totalReleased]++
	r.tally.released++
	r.changed = true
	var o record.Outcome
	if !q.Reading.Keyed() {
		return c.takeUnkeyed(st, r, []*reading.Reading{q.Reading}, q.At, &o)
	}
	c.take(r, q.Reading, &o)
	return nil
}
