package store

import (
	"cmp"
	"fmt"
	"maps"
	"slices"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// runRows are runs that get a row, runs whose row changes, and runs whose
// readings were not all new: few, so that the many pay nothing for them.
type runRows struct{ add, change, count bulk }

func newRunRows() runRows {
	// A sum is no column that SQLite would make an index of, and then go through all runs.
	return runRows{
		add: bulk{columns: 9, types: []string{"bigint", "blob", "bigint", "bigint", "bigint", "bigint", "bigint", "text", "bigint"}, head: `insert into run (oldest, seen, newest_ns, tail, stored, id, station, run, first_ns)`},
		change: bulk{
			columns: 6, types: []string{"bigint", "blob", "bigint", "bigint", "bigint", "bigint"}, head: `with v (oldest, seen, newest_ns, tail, stored, id) as (`,
			foot: `) update run set oldest = v.oldest, seen = v.seen, newest_ns = v.newest_ns, tail = v.tail,
				stored = run.stored + v.stored
				from v where run.id = v.id + 0`,
		},
		count: bulk{
			columns: 5, types: []string{"bigint", "bigint", "bigint", "bigint", "bigint"}, head: `with v (beyond, released, repeated, refused, id) as (`,
			foot: `) update run set beyond = run.beyond + v.beyond, released = run.released + v.released, repeated = run.repeated + v.repeated, refused = run.refused + v.refused
				from v where run.id = v.id + 0`,
		},
	}
}

// finish writes what was collected, at the latest with the commit.
func (c *intake) finish() error {
	runs := newRunRows()
	batches := newBatchRows(c.lastBody + 1)
	marks, feed := newMarks(), newFeedMarks()
	for _, st := range c.order {
		for _, r := range st.runs {
			if !r.changed {
				continue
			}
			if err := c.addRun(st, r, &runs, &batches); err != nil {
				return fmt.Errorf("station %s run %q: %w", st.name, r.name, err)
			}
		}
		c.addMark(st, &marks, &feed)
	}
	for _, rows := range []struct {
		what string
		bulk *bulk
	}{
		{"write runs", &runs.add},
		{"write runs", &runs.change},
		{"write runs", &runs.count},
		{"write readings", &batches.add},
		{"write readings", &batches.grow},
		{"mark to fold", &marks.bulk},
		{"mark to be sent on", &feed},
		{"count quarantine", c.dayRows()},
		{"write totals", c.sums()},
	} {
		c.t.later(rows.bulk.statements(c.t.w.d, rows.what, nil)...)
	}
	return nil
}

// sums are the rows of totals.
func (c *intake) sums() *bulk {
	totals := bulk{
		columns: 2, types: []string{"text", "bigint"}, head: `insert into total (name, n)`,
		foot: `on conflict (name) do update set n = total.n + excluded.n`,
	}
	for _, name := range slices.Sorted(maps.Keys(c.totals)) {
		if n := c.totals[name]; n != 0 {
			totals.add(name, n)
		}
	}
	return &totals
}

// addRun adds the rows of a run and of its new readings.
func (c *intake) addRun(st *station, r *run, runs *runRows, batches *batchRows) error {
	known := r.id != 0
	if !known {
		c.lastRun++
		r.id = c.lastRun
	}
	for _, part := range r.parts() {
		b, err := c.batch(r, part)
		if err != nil {
			return err
		}
		batches.put(&b, st.id, r.id)
	}
	discarded := r.seen.discarded(r.oldest)
	c.totals[totalDiscarded] += discarded - r.discarded
	var newest any
	if r.newest.Valid {
		newest = r.newest.Int64
	}
	n := &r.tally
	if known {
		runs.change.add(r.oldest, r.seen.encode(), newest, orNull(r.tail.id),
			n.stored, r.id)
	} else {
		runs.add.add(r.oldest, r.seen.encode(), newest, orNull(r.tail.id),
			n.stored, r.id, st.id, r.name, int64(r.first))
	}
	if beyond := n.received - n.stored; beyond|n.released|n.repeated|n.refused != 0 {
		runs.count.add(beyond, n.released, n.repeated, n.refused, r.id)
	}
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

// A batch that begins with fewer than growBelow readings grows by what comes next
// in its run and day until it has growTo. So a station that sends each reading by
// itself gets batches of that size; each commit unpacks half of one. What comes in
// larger messages stays in their rows until its day is packed: a row that is read,
// changed and written again costs more than another one.
const growBelow, growTo = 8, 16

// batch is a row of packed readings.
type batch struct {
	id, day        int64
	keyMin, keyMax int64
	tMin, tMax     int64
	n              int
	body           []byte
}

// batchRows are batches that get a row, and those whose row grows.
type batchRows struct {
	add, grow bulk
	first     int64 // id of those that get one
}

func newBatchRows(first int64) batchRows {
	add := bulk{columns: 10, types: append(slices.Repeat([]string{"bigint"}, 9), "blob"), head: `insert into batch (id, station, day, run, key_min, key_max, t_min, t_max, n, body)`}
	grow := add
	// By its key, whatever the engine thinks of the table's size.
	grow.foot = `on conflict (id) do update set key_min = excluded.key_min, key_max = excluded.key_max,
		t_min = excluded.t_min, t_max = excluded.t_max, n = excluded.n, body = excluded.body`
	return batchRows{add, grow, first}
}

func (rows *batchRows) put(b *batch, station, run int64) {
	to := &rows.add
	if b.id < rows.first {
		to = &rows.grow
	}
	to.add(b.id, station, b.day, run, b.keyMin, b.keyMax, b.tMin, b.tMax, int64(b.n), b.body)
}

// widen takes a reading's key and time into those that the row names.
func (b *batch) widen(x *reading.Reading) {
	k, t := keyOf(x), int64(x.Time)
	if b.n == 0 {
		b.keyMin, b.keyMax, b.tMin, b.tMax = k, k, t, t
	}
	b.keyMin, b.keyMax = min(b.keyMin, k), max(b.keyMax, k)
	b.tMin, b.tMax = min(b.tMin, t), max(b.tMax, t)
	b.n++
}

// batch packs a part of a run's new readings: behind the run's tail if it is
// of that day, else as a batch of its own.
func (c *intake) batch(r *run, part []*reading.Reading) (batch, error) {
	b := batch{day: dayOf(part[0].Time)}
	if r.tail.id != 0 && r.tail.day == b.day {
		var s series
		var err error
		if c.scratch, s, err = unpackSeries(c.scratch[:0], r.name, r.tail.body); err != nil {
			return b, fmt.Errorf("batch %d: %w", r.tail.id, err)
		}
		for i := range c.scratch {
			b.widen(&c.scratch[i])
		}
		b.id, b.body = r.tail.id, packMore(&s, r.tail.body, part)
	} else {
		c.lastBody++
		b.id, b.body = c.lastBody, pack(r.name, part)
	}
	for _, x := range part {
		b.widen(x)
	}
	switch grown := b.id == r.tail.id; {
	case grown && b.n >= growTo:
		r.tail = tail{}
	case grown, b.n < growBelow && b.day >= r.tail.day:
		r.tail = tail{b.id, b.day, b.body}
	}
	return b, nil
}

func (c *intake) addMark(st *station, marks *markRows, feed *bulk) {
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
		return
	}
	c.totals[markVersion] = 1 // it is taken
	marks.add(st.id, from, to, c.version)
	if c.feeds > 0 {
		addFeedMark(feed, record.FeedReadings, st.id, from, to, c.version)
	}
	c.t.toFold = true
}
