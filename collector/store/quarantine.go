package store

import (
	"bytes"
	"database/sql"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

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
	of      *run             // whose tally it counts in; nil: a stranger's
	full    bool             // nothing more is kept under its number
	late    unit.Instant     // when it was taken, of one that came too late
}

// maxDetail bounds the bytes of a detail: it may cite the line.
const maxDetail = 500

// quarantine writes a refused reading and counts it; beyond a bound it is
// counted only.
func (c *intake) quarantine(q *quarantineRow, o *record.Outcome) error {
	o.Refused++
	c.totals[totalRefused+string(q.reason)]++
	k := dayKey{"", dayOf(q.at)}
	if q.of != nil {
		q.of.changed = true
		q.of.tally.refused++
		k.station = q.station
	}
	day, err := c.quarantineDay(k)
	if err != nil {
		return err
	}
	q.detail = clean(q.detail)
	var body []byte
	var run, seq, due, late any
	if q.run != "" && q.seq > 0 {
		run, seq = q.run, q.seq
	}
	if q.due != nil {
		body = pack(q.due.Run, []*reading.Reading{q.due})
		if q.due.Time > q.at { // one from before 2000 waits for a person
			due = q.due.Time
		}
	}
	if q.reason == reading.ReasonTooLate {
		late = q.late
	}
	raw := q.raw
	if raw == nil {
		raw = []byte{}
	}
	size := int64(len(raw) + len(body) + len(q.detail) + rowBytes)
	n := day.count(q.reason)
	// A station forgets what is receipted: a reading that can still be stored is
	// kept as one that was stored would be.
	kept := q.due != nil && run != nil
	if q.full || !kept && day.bytes+size > c.limits.quarantined {
		n.unkept++
		return nil
	}
	day.bytes += size
	n.kept++
	n.bytes += size
	if err := c.t.exec(`insert into quarantine (station, arrived_ns, reason, detail, raw, run, seq, body, due_ns, reading_ns) values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		q.station, q.at, string(q.reason), q.detail, raw, run, seq, body, due, late); err != nil {
		return fmt.Errorf("quarantine: %w", err)
	}
	return nil
}

// tooLate refuses a reading of a frozen hour. Its number is among those seen:
// the station need not keep it.
func (c *intake) tooLate(st *station, r *run, x *reading.Reading, at unit.Instant, o *record.Outcome) error {
	o.TooLate++
	return c.quarantine(&quarantineRow{
		station: st.name, at: at, reason: reading.ReasonTooLate, detail: lateDetail(x.Time, st.frozen),
		raw: line(st.name, x), run: x.Run, seq: x.Seq, of: r, late: x.Time,
	}, o)
}

func lateDetail(at, frozen unit.Instant) string {
	return fmt.Sprintf("its time is %s: hours before %s are frozen, as readings of that time were let go", at, frozen)
}

// clean makes a detail short and visible: it may cite what was sent.
func clean(detail string) string {
	if len(detail) > maxDetail {
		detail = strings.ToValidUTF8(detail[:maxDetail], "") + "…"
	}
	return strings.Map(func(r rune) rune {
		if r == utf8.RuneError || !unicode.IsPrint(r) {
			return '?'
		}
		return r
	}, detail)
}

// earlier is what quarantine holds under one key.
type earlier struct {
	rows []earlierRow
	most int // that are kept
}

type earlierRow struct {
	raw  []byte
	body []byte // nil for what can't be stored
	run  string
}

// full tells whether no more are kept.
func (list *earlier) full() bool { return len(list.rows) >= list.most }

// quarantined returns what was refused under a station's run and seq.
func (c *intake) quarantined(station, run string, seq int64) (earlier, error) {
	list := earlier{most: c.limits.contents}
	err := each(c.t, `select raw, body from quarantine where station = ? and run = ? and seq = ?`, []any{station, run, seq},
		func(rows *sql.Rows) error {
			e := earlierRow{run: run}
			err := rows.Scan(&e.raw, &e.body)
			list.rows = append(list.rows, e)
			return err
		})
	if err != nil {
		return list, fmt.Errorf("look into quarantine: %w", err)
	}
	return list, nil
}

// has tells whether a line, or the reading that it holds (nil if none), was
// refused before.
func (list *earlier) has(raw []byte, x *reading.Reading) bool {
	for i := range list.rows {
		e := &list.rows[i]
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
	name := keyedRun(f)
	r, err := c.admitted(st, name, at)
	if err != nil {
		return err
	}
	r.tally.received++
	q := quarantineRow{station: st.name, at: at, reason: f.Reason, detail: f.Detail, raw: f.Raw, run: f.Run, seq: f.Seq, of: r}
	if f.Reason == reading.ReasonTime {
		q.due = f.Reading
	}
	if name == "" && q.due != nil {
		waits, err := awaitsTime(c.t, st.name, q.due.Time, f.Raw)
		if err != nil {
			return err
		}
		if waits {
			c.repeated(r, o)
			return nil
		}
	}
	if name == "" {
		return c.quarantine(&q, o)
	}
	if r.admission == turnedAway || c.full(r, f.Seq) {
		return c.tooMany(st, r, at, f.Raw, f.Seq, o)
	}
	if r.seen.add(f.Seq) {
		r.changed = true
		return c.quarantine(&q, o)
	}
	if q.due != nil {
		// Only what came first under a number may be stored later.
		return c.repeats(st, at, []repeat{{q.due, r}}, o)
	}
	before, err := c.quarantined(st.name, f.Run, f.Seq)
	if err != nil {
		return err
	}
	if before.has(f.Raw, nil) {
		c.repeated(r, o)
		return nil
	}
	q.full = before.full()
	return c.quarantine(&q, o)
}

// stranger puts all that a station sent which is not in service into
// quarantine.
func (c *intake) stranger(a *record.Arrival, o *record.Outcome) error {
	put := func(raw []byte, run string, seq int64) error {
		full := false
		if run != "" && seq > 0 {
			// It gets no receipts and may send the same for ever.
			before, err := c.quarantined(a.Station, run, seq)
			if err != nil {
				return err
			}
			if before.has(raw, nil) {
				c.repeated(nil, o)
				return nil
			}
			full = before.full()
		}
		return c.quarantine(&quarantineRow{
			station: a.Station, at: a.At, reason: reading.ReasonUnknown,
			detail: fmt.Sprintf("station %q is not enrolled, or retired: enrol it", a.Station),
			raw:    raw, run: run, seq: seq, full: full,
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
