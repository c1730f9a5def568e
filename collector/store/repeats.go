package store

import (
	"bytes"
	"database/sql"
	"fmt"
	"maps"
	"slices"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// takeUnkeyed takes readings without run and seq in, unless the station has
// the same content at the same instant.
func (c *intake) takeUnkeyed(st *station, r *run, list []*reading.Reading, at unit.Instant, o *record.Outcome) error {
	if len(list) == 0 {
		return nil
	}
	if st.unkeyed == nil {
		st.unkeyed = make(map[reading.Reading]struct{})
	}
	for d, want := range byDay(list) {
		stored, err := c.stored(r, want, `select id, key_min, key_max from batch
			where station = ? and day = ? and run = ? and key_min <= ? and key_max >= ?`, st.id, d, r.id)
		if err != nil {
			return err
		}
		there := make(map[reading.Reading]struct{}, len(stored))
		for _, x := range stored {
			there[x] = struct{}{}
		}
		for _, x := range want {
			_, before := there[*x]
			if _, now := st.unkeyed[*x]; before || now {
				c.repeated(r, o)
				continue
			}
			if st.late(x) {
				if err := c.unkeyedTooLate(st, r, x, at, o); err != nil {
					return err
				}
				continue
			}
			st.unkeyed[*x] = struct{}{}
			c.take(r, x, o)
		}
	}
	return nil
}

// unkeyedTooLate refuses a reading without run and seq that is of a frozen hour,
// unless it was refused before.
func (c *intake) unkeyedTooLate(st *station, r *run, x *reading.Reading, at unit.Instant, o *record.Outcome) error {
	raw, again := line(st.name, x), false
	err := each(c.t, `select raw from quarantine where station = ? and reading_ns = ? and run is null`, []any{st.name, x.Time}, func(rows *sql.Rows) error {
		var before sql.RawBytes
		err := rows.Scan(&before)
		again = again || bytes.Equal(before, raw)
		return err
	})
	if err != nil {
		return fmt.Errorf("look into quarantine: %w", err)
	}
	if again {
		c.repeated(r, o)
		return nil
	}
	return c.tooLate(st, r, x, at, o)
}

// repeat is a reading of a run whose seq was seen before.
type repeat struct {
	*reading.Reading
	of *run
}

// repeats decides what readings are whose seq was seen before: the same again,
// or a conflict.
func (c *intake) repeats(st *station, at unit.Instant, list []repeat, o *record.Outcome) error {
	if len(list) == 0 {
		return nil
	}
	held, err := c.held(st, list)
	if err != nil {
		return err
	}
	for _, x := range list {
		h, stored := held[place{x.Run, x.Seq}]
		if stored && h.SameContent(x.Reading) {
			c.repeated(x.of, o)
			continue
		}
		raw := line(st.name, x.Reading)
		before, err := c.quarantined(st.name, x.Run, x.Seq)
		if err != nil {
			return err
		}
		if before.has(raw, x.Reading) || !stored && len(before.rows) == 0 {
			// Refused before, or no longer held: nothing to compare with.
			c.repeated(x.of, o)
			continue
		}
		detail := fmt.Sprintf("run %s seq %d: not what came first under this number; the first stays", x.Run, x.Seq)
		q := quarantineRow{station: st.name, at: at, reason: reading.ReasonConflict, detail: detail, raw: raw, run: x.Run, seq: x.Seq, of: x.of, full: before.full()}
		if err := c.quarantine(&q, o); err != nil {
			return err
		}
		o.Conflicts++
	}
	return nil
}

// place is where a reading stands among its station's.
type place struct {
	run string
	seq int64
}

// held finds the stored readings with the keys of list: those of this
// transaction, then those of the day on which they lie if they are the same
// again, then those of any day.
func (c *intake) held(st *station, list []repeat) (map[place]*reading.Reading, error) {
	found := make(map[place]*reading.Reading, len(list))
	for _, r := range st.runs {
		want := make(map[int64]*reading.Reading) // by seq, not found yet
		for _, x := range list {
			if x.Run == r.name {
				want[x.Seq] = x.Reading
			}
		}
		note := func(x *reading.Reading) {
			if want[x.Seq] != nil {
				found[place{r.name, x.Seq}] = x
				delete(want, x.Seq)
			}
		}
		if len(want) == 0 {
			continue
		}
		for _, x := range r.fresh {
			note(x)
		}
		for d, part := range byDay(slices.Collect(maps.Values(want))) {
			stored, err := c.stored(r, part, `select id, key_min, key_max from batch
				where station = ? and day = ? and run = ? and key_min <= ? and key_max >= ?`, st.id, d, r.id)
			if err != nil {
				return nil, err
			}
			for i := range stored {
				note(&stored[i])
			}
		}
		stored, err := c.stored(r, slices.Collect(maps.Values(want)), `select id, key_min, key_max from batch
			where station = ? and run = ? and key_min <= ? and key_max >= ?`, st.id, r.id)
		if err != nil {
			return nil, err
		}
		for i := range stored {
			note(&stored[i])
		}
	}
	return found, nil
}

// stored returns the readings of those batches that may hold one with a key of
// list. query takes args and the largest and the smallest of these keys;
// bodies are read only of batches that such a key lies in, however far apart
// the keys are.
func (c *intake) stored(r *run, list []*reading.Reading, query string, args ...any) ([]reading.Reading, error) {
	if r.id == 0 || len(list) == 0 {
		return nil, nil
	}
	keys := make([]int64, len(list))
	for i, x := range list {
		keys[i] = keyOf(x)
	}
	slices.Sort(keys)
	var ids []int64
	err := each(c.t, query, append(args, keys[len(keys)-1], keys[0]), func(rows *sql.Rows) error {
		var id, lo, hi int64
		if err := rows.Scan(&id, &lo, &hi); err != nil {
			return err
		}
		if i, _ := slices.BinarySearch(keys, lo); i < len(keys) && keys[i] <= hi {
			ids = append(ids, id)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	var found []reading.Reading
	for _, id := range ids {
		err := each(c.t, `select body from batch where id = ?`, []any{id}, func(rows *sql.Rows) error {
			var body sql.RawBytes
			if err := rows.Scan(&body); err != nil {
				return err
			}
			var err error
			found, err = unpack(found, r.name, body)
			return err
		})
		if err != nil {
			return nil, fmt.Errorf("batch %d: %w", id, err)
		}
	}
	return found, nil
}

// keyOf returns seq, or the time of a reading without.
func keyOf(x *reading.Reading) int64 {
	if x.Keyed() {
		return x.Seq
	}
	return int64(x.Time)
}

func byDay(list []*reading.Reading) map[int64][]*reading.Reading {
	days := make(map[int64][]*reading.Reading, 1)
	for _, x := range list {
		d := dayOf(x.Time)
		days[d] = append(days[d], x)
	}
	return days
}
