package store

import (
	"cmp"
	"fmt"
	"maps"
	"slices"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// finish writes what was collected.
func (c *intake) finish() error {
	runs := bulk{
		columns: 7, head: `insert into run (id, station, run, oldest, seen, newest_ns, tail)`,
		foot: `on conflict (id) do update set oldest = excluded.oldest, seen = excluded.seen,
			newest_ns = excluded.newest_ns, tail = excluded.tail`,
	}
	batches := bulk{
		columns: 10, head: `insert into batch (id, station, day, run, key_min, key_max, t_min, t_max, n, body)`,
		foot: `on conflict (id) do update set key_min = excluded.key_min, key_max = excluded.key_max,
			t_min = excluded.t_min, t_max = excluded.t_max, n = excluded.n, body = excluded.body`,
	}
	marks := newMarks()
	for _, st := range c.order {
		for _, r := range st.runs {
			if !r.changed {
				continue
			}
			if err := c.addRun(st, r, &runs, &batches); err != nil {
				return fmt.Errorf("station %s run %q: %w", st.name, r.name, err)
			}
		}
		if err := c.addMark(st, &marks); err != nil {
			return err
		}
	}
	if err := runs.write(c.t); err != nil {
		return fmt.Errorf("write runs: %w", err)
	}
	if err := batches.write(c.t); err != nil {
		return fmt.Errorf("write readings: %w", err)
	}
	if err := marks.write(c.t); err != nil {
		return fmt.Errorf("mark to fold: %w", err)
	}
	return c.writeTotals()
}

func (c *intake) writeTotals() error {
	totals := bulk{
		columns: 2, head: `insert into total (name, n)`,
		foot: `on conflict (name) do update set n = total.n + excluded.n`,
	}
	for _, name := range slices.Sorted(maps.Keys(c.totals)) {
		if n := c.totals[name]; n != 0 {
			totals.add(name, n)
		}
	}
	if err := totals.write(c.t); err != nil {
		return fmt.Errorf("write totals: %w", err)
	}
	return nil
}

// addRun adds the rows of a run and of its new readings.
func (c *intake) addRun(st *station, r *run, runs, batches *bulk) error {
	if r.id == 0 {
		c.lastRun++
		r.id = c.lastRun
	}
	for _, part := range r.parts() {
		b, err := c.batch(r, part)
		if err != nil {
			return err
		}
		batches.add(b.id, st.id, b.day, r.id, b.keyMin, b.keyMax, b.tMin, b.tMax, b.n, b.body)
	}
	discarded := r.seen.discarded(r.oldest)
	c.totals[totalDiscarded] += discarded - r.discarded
	var newest any
	if r.newest.Valid {
		newest = r.newest.Int64
	}
	runs.add(r.id, st.id, r.name, r.oldest, r.seen.encode(), newest, orNull(r.tail.id))
	return nil
}

// parts cuts the new readings of a run into those that become one batch each:
// of one UTC day, in order of keys.
func (r *run) parts() [][]*reading.Reading {
	order := func(a, b *reading.Reading) int {
		return cmp.Or(cmp.Compare(dayOf(a.Time), dayOf(b.Time)), cmp.Compare(keyOf(a), keyOf(b)))
	}
	if !slices.IsSortedFunc(r.fresh, order) {
		slices.SortStableFunc(r.fresh, order)
	}
	var parts [][]*reading.Reading
	for rest := r.fresh; len(rest) > 0; {
		n := 1
		for n < len(rest) && n < maxPacked && dayOf(rest[n].Time) == dayOf(rest[0].Time) {
			n++
		}
		parts = append(parts, rest[:n])
		rest = rest[n:]
	}
	return parts
}

// A batch with fewer readings than this grows by what comes next in its run
// and day. A station that sends each reading by itself gets batches of this
// size; each commit unpacks half of one.
const growTo = 32

// batch packs a part of a run's new readings: behind the run's tail if it is
// of that day, else as a batch of its own.
func (c *intake) batch(r *run, part []*reading.Reading) (batch, error) {
	day, n := dayOf(part[0].Time), len(part)
	b := batch{day: day, keyMin: keyOf(part[0]), keyMax: keyOf(part[n-1]), tMin: int64(part[0].Time), tMax: int64(part[0].Time), n: n}
	for _, x := range part {
		b.tMin, b.tMax = min(b.tMin, int64(x.Time)), max(b.tMax, int64(x.Time))
	}
	if old := &r.tail; old.id != 0 && old.day == day {
		var s series
		var err error
		if c.scratch, s, err = unpackSeries(c.scratch[:0], r.name, old.body); err != nil {
			return b, fmt.Errorf("batch %d: %w", old.id, err)
		}
		b.id, b.n = old.id, old.n+n
		b.keyMin, b.keyMax = min(b.keyMin, old.keyMin), max(b.keyMax, old.keyMax)
		b.tMin, b.tMax = min(b.tMin, old.tMin), max(b.tMax, old.tMax)
		b.body = packMore(&s, old.body, part)
	} else {
		c.lastBody++
		b.id = c.lastBody
		b.body = pack(r.name, part)
	}
	switch {
	case b.n >= growTo && b.id == r.tail.id:
		r.tail = batch{}
	case b.n < growTo && (r.tail.id == 0 || day >= r.tail.day):
		r.tail = b
	}
	return b, nil
}

func (c *intake) addMark(st *station, marks *bulk) error {
	stored := false
	var from, to unit.Instant
	for _, r := range st.runs {
		for _, x := range r.fresh {
			if !stored {
				stored, from, to = true, x.Time, x.Time
			}
			from, to = min(from, x.Time), max(to, x.Time)
		}
	}
	if !stored {
		return nil
	}
	if c.version == 0 {
		var err error
		if c.version, err = nextVersion(c.t); err != nil {
			return err
		}
	}
	marks.add(st.id, int64(from), int64(to), c.version)
	return nil
}
