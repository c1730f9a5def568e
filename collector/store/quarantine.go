package store

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// quarantineRow is a refused reading on its way into the table.
type quarantineRow struct {
	station string
	at      unit.Instant
	reason  reading.Reason
	detail  string
	raw     []byte
	run     string // "" when it can't be told
	seq     int64
	due     *reading.Reading // stored later; nil: never
}

// quarantine writes a refused reading and counts it.
func (c *intake) quarantine(q *quarantineRow, o *record.Outcome) error {
	var run, seq, body, due any
	if q.run != "" && q.seq > 0 {
		run, seq = q.run, q.seq
	}
	if q.due != nil {
		body = pack(q.due.Run, []*reading.Reading{q.due})
		if q.due.Time > q.at { // one from before 2000 waits for a person
			due = q.due.Time
		}
	}
	raw := q.raw
	if raw == nil {
		raw = []byte{}
	}
	if err := c.t.exec(`insert into quarantine (station, arrived_ns, reason, detail, raw, run, seq, body, due_ns) values (?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		q.station, q.at, string(q.reason), q.detail, raw, run, seq, body, due); err != nil {
		return fmt.Errorf("quarantine: %w", err)
	}
	o.Refused++
	c.totals[totalRefused+string(q.reason)]++
	return nil
}

// earlier is what quarantine holds under one key.
type earlier []struct {
	raw  []byte
	body []byte // nil for what can't be stored
	run  string
}

// quarantined returns what was refused under a station's run and seq.
func (c *intake) quarantined(station, run string, seq int64) (earlier, error) {
	var list earlier
	err := each(c.t, `select raw, body from quarantine where station = ? and run = ? and seq = ?`, []any{station, run, seq},
		func(rows *sql.Rows) error {
			list = append(list, earlier{{run: run}}...)
			e := &list[len(list)-1]
			return rows.Scan(&e.raw, &e.body)
		})
	if err != nil {
		return nil, fmt.Errorf("look into quarantine: %w", err)
	}
	return list, nil
}

// has tells whether a line, or the reading that it holds (nil if none), was
// refused before.
func (list earlier) has(raw []byte, x *reading.Reading) bool {
	for i := range list {
		e := &list[i]
		if bytes.Equal(withoutOldest(e.raw), withoutOldest(raw)) {
			return true
		}
		if x == nil || e.body == nil {
			continue
		}
		if held, err := unpack(nil, e.run, e.body); err == nil && len(held) == 1 && held[0].SameContent(x) {
			return true
		}
	}
	return false
}

// withoutOldest cuts oldest, which belongs to the message and not to the
// reading, out of a line.
func withoutOldest(line []byte) []byte {
	before, rest, ok := bytes.Cut(line, []byte(",oldest="))
	if !ok {
		return line
	}
	n := 0
	for n < len(rest) && rest[n] >= '0' && rest[n] <= '9' {
		n++
	}
	if n == 0 || n == len(rest) || rest[n] != 'i' {
		return line
	}
	return append(bytes.Clone(before), rest[n+1:]...)
}

// line returns a reading's line for quarantine.
func line(station string, x *reading.Reading) []byte {
	b, err := reading.AppendLine(nil, station, x, 0)
	if err != nil {
		// Nothing that line protocol can say; the canonical bytes can.
		return reading.AppendCanonical(nil, station, x)
	}
	return b
}

// refusal takes a refused line in: into quarantine, and its seq, if it can be
// told, among those seen, so that the station need not send it for ever.
func (c *intake) refusal(st *station, at unit.Instant, f *reading.Refusal, o *record.Outcome) error {
	q := quarantineRow{station: st.name, at: at, reason: f.Reason, detail: f.Detail, raw: f.Raw, run: f.Run, seq: f.Seq}
	if f.Reason == reading.ReasonTime {
		q.due = f.Reading
	}
	if f.Run == "" || f.Seq < 1 {
		return c.quarantine(&q, o)
	}
	r, err := st.run(f.Run)
	if err != nil {
		return err
	}
	if r.seen.add(f.Seq) {
		r.changed = true
		return c.quarantine(&q, o)
	}
	if q.due != nil {
		// Only what came first under a number may be stored later.
		return c.repeats(st, at, []*reading.Reading{q.due}, o)
	}
	before, err := c.quarantined(st.name, f.Run, f.Seq)
	if err != nil {
		return err
	}
	if before.has(f.Raw, nil) {
		c.repeated(o)
		return nil
	}
	return c.quarantine(&q, o)
}

// stranger puts all that a station sent which is not in service into
// quarantine.
func (c *intake) stranger(a *record.Arrival, o *record.Outcome) error {
	put := func(raw []byte, run string, seq int64) error {
		if run != "" && seq > 0 {
			// It gets no receipts and may send the same for ever.
			before, err := c.quarantined(a.Station, run, seq)
			if err != nil {
				return err
			}
			if before.has(raw, nil) {
				c.repeated(o)
				return nil
			}
		}
		return c.quarantine(&quarantineRow{
			station: a.Station, at: a.At, reason: reading.ReasonUnknown,
			detail: fmt.Sprintf("station %q is not enrolled, or retired: enrol it", a.Station),
			raw:    raw, run: run, seq: seq,
		}, o)
	}
	for i := range a.Batch.Readings {
		x := &a.Batch.Readings[i]
		if err := put(line(a.Station, x), x.Run, x.Seq); err != nil {
			return err
		}
	}
	for i := range a.Batch.Refused {
		f := &a.Batch.Refused[i]
		if err := put(f.Raw, f.Run, f.Seq); err != nil {
			return err
		}
	}
	return nil
}

// Quarantine returns the newest refused readings of a station that were not
// stored after all, newest first; of all stations if station is "".
func (s *Store) Quarantine(ctx context.Context, station string, limit int) ([]record.Quarantined, error) {
	query, args := `select id, station, arrived_ns, reason, detail, raw from quarantine
		where released_ns is null order by id desc limit ?`, []any{limit}
	if station != "" {
		query, args = `select id, station, arrived_ns, reason, detail, raw from quarantine
			where station = ? and released_ns is null order by id desc limit ?`, []any{station, limit}
	}
	var list []record.Quarantined
	err := each(reader{ctx, s}, query, args, func(rows *sql.Rows) error {
		var q record.Quarantined
		err := rows.Scan(&q.ID, &q.Station, &q.At, &q.Reason, &q.Detail, &q.Raw)
		list = append(list, q)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read quarantine: %w", err)
	}
	return list, nil
}

// releaseAtOnce bounds the readings that one transaction releases.
const releaseAtOnce = 1000

// ReleaseDue stores the readings that were refused because their time lay
// ahead, and whose time is now reached. It returns how many left quarantine.
func (s *Store) ReleaseDue(ctx context.Context, now unit.Instant) (int, error) {
	total := 0
	for {
		var n int
		err := s.inTx(ctx, func(t *tx) (err error) {
			n, err = releaseDue(t, now)
			return err
		})
		if err != nil {
			return total, fmt.Errorf("release readings that are due: %w", err)
		}
		if total += n; n < releaseAtOnce {
			return total, nil
		}
	}
}

func releaseDue(t *tx, now unit.Instant) (int, error) {
	type dueRow struct {
		id      int64
		station string
		run     sql.NullString
		body    []byte
	}
	var due []dueRow
	err := each(t, `select id, station, run, body from quarantine
		where due_ns is not null and due_ns <= ? and released_ns is null order by due_ns, id limit ?`, []any{now, releaseAtOnce},
		func(rows *sql.Rows) error {
			var d dueRow
			err := rows.Scan(&d.id, &d.station, &d.run, &d.body)
			due = append(due, d)
			return err
		})
	if err != nil || len(due) == 0 {
		return 0, err
	}
	c := newIntake(t)
	want := make([]key, len(due))
	for i, d := range due {
		want[i] = key{d.station, d.run.String}
	}
	if err := c.load(want); err != nil {
		return 0, err
	}
	for _, d := range due {
		list, err := unpack(nil, d.run.String, d.body)
		if err != nil {
			return 0, fmt.Errorf("quarantine %d: %w", d.id, err)
		}
		if err := c.release(d.station, &list[0]); err != nil {
			return 0, fmt.Errorf("quarantine %d: %w", d.id, err)
		}
		if err := t.exec(`update quarantine set released_ns = ? where id = ?`, now, d.id); err != nil {
			return 0, err
		}
	}
	return len(due), c.finish()
}

// release stores a reading out of quarantine. Its seq was seen when it was
// refused and decides nothing here.
func (c *intake) release(name string, x *reading.Reading) error {
	st := c.stations[name] // it may have retired meanwhile
	if st == nil {
		return fmt.Errorf("station %s: %w", name, record.ErrNotFound)
	}
	c.totals[totalReleased]++
	var o record.Outcome
	if !x.Keyed() {
		return c.takeUnkeyed(st, []*reading.Reading{x}, &o)
	}
	r, err := st.run(x.Run)
	if err != nil {
		return err
	}
	c.take(r, x, &o)
	return nil
}
