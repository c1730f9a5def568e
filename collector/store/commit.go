package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"slices"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Commit takes arrivals in, in order: commit (a). When it returns without an
// error all of them are on disk; with an error none is, unless the commit
// itself failed, when it may be either: the same arrivals again do no harm.
// The outcomes stand in the order of the arrivals; how far a run is settled is
// told as of the end of all of them.
func (s *Store) Commit(ctx context.Context, arrivals []record.Arrival) ([]record.Outcome, error) {
	if len(arrivals) == 0 {
		return nil, nil
	}
	outcomes := make([]record.Outcome, len(arrivals))
	err := s.inTx(ctx, func(t *tx) error {
		c := newIntake(t)
		for i := range arrivals {
			if err := c.arrival(&arrivals[i], &outcomes[i]); err != nil {
				return fmt.Errorf("arrival of %s: %w", arrivals[i].Station, err)
			}
		}
		if err := c.finish(); err != nil {
			return err
		}
		for i := range arrivals {
			c.settled(&arrivals[i], &outcomes[i])
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("commit %d arrivals: %w", len(arrivals), err)
	}
	return outcomes, nil
}

// intake is one transaction that takes readings in. What is new is collected
// by station and run, and written by finish; quarantine is written at once.
type intake struct {
	t        *tx
	stations map[string]*station
	order    []*station // in order of appearance
	totals   map[string]int64
	version  int64 // of this transaction's marks; 0 before the first
}

type station struct {
	id   int64 // 0 for nobody in service
	name string
	runs []*run

	// Readings without run and seq that are stored, of the times looked up so
	// far, and those that came in this transaction.
	unkeyed map[reading.Reading]struct{}
}

type run struct {
	id        int64 // 0 while it has no row
	name      string
	oldest    int64
	seen      spans
	discarded int64 // as counted in the total
	newest    sql.NullInt64
	changed   bool
	fresh     []*reading.Reading // to be stored
}

func newIntake(t *tx) *intake {
	return &intake{t: t, stations: make(map[string]*station), totals: make(map[string]int64)}
}

// Names of totals.
const (
	totalReceived  = "received"
	totalStored    = "stored"
	totalRepeated  = "repeated"
	totalReleased  = "released"
	totalDiscarded = "discarded"
	totalUnknown   = "unknown_fields"
	totalRefused   = "refused:" // followed by the reason
	totalValue     = "value:"   // followed by the channel
)

func (c *intake) arrival(a *record.Arrival, o *record.Outcome) error {
	o.Station = a.Station
	b := &a.Batch
	c.totals[totalReceived] += int64(len(b.Readings) + len(b.Refused))
	c.totals[totalUnknown] += int64(b.UnknownFields)
	for ch, n := range b.RefusedValues {
		if n > 0 {
			c.totals[totalValue+reading.Channel(ch).Name()] += int64(n)
		}
	}
	st, err := c.station(a.Station, false)
	if err != nil {
		return err
	}
	if st.id == 0 {
		return c.stranger(a, o)
	}
	for name, oldest := range b.Oldest {
		r, err := c.run(st, name)
		if err != nil {
			return err
		}
		if oldest > r.oldest {
			r.oldest, r.changed = oldest, true
		}
	}
	// Good lines before bad ones: where both have one seq the good one counts
	// as the first.
	if err := c.readings(st, a, o); err != nil {
		return err
	}
	for i := range b.Refused {
		if err := c.refusal(st, a.At, &b.Refused[i], o); err != nil {
			return err
		}
	}
	return nil
}

// station returns the station with the given name; its id is 0 when there is
// none in service (retired counts only with evenRetired).
func (c *intake) station(name string, evenRetired bool) (*station, error) {
	if st, ok := c.stations[name]; ok {
		return st, nil
	}
	st := &station{name: name}
	var retired sql.NullInt64
	err := c.t.row(`select id, retired_ns from station where name = ?`, []any{name}, &st.id, &retired)
	switch {
	case errors.Is(err, sql.ErrNoRows):
	case err != nil:
		return nil, err
	case retired.Valid && !evenRetired:
		st.id = 0
	}
	c.stations[name] = st
	c.order = append(c.order, st)
	return st, nil
}

// run returns the station's run with the given name, "" for readings without
// run.
func (c *intake) run(st *station, name string) (*run, error) {
	if r := st.run(name); r != nil {
		return r, nil
	}
	r := &run{name: name}
	err := each(c.t, `select id, oldest, newest_ns, seen from run where station = ? and run = ?`, []any{st.id, name},
		func(rows *sql.Rows) error {
			var seen sql.RawBytes
			if err := rows.Scan(&r.id, &r.oldest, &r.newest, &seen); err != nil {
				return err
			}
			var err error
			r.seen, err = decodeSpans(seen)
			return err
		})
	if err != nil {
		return nil, fmt.Errorf("run %q: %w", name, err)
	}
	r.discarded = r.seen.discarded(r.oldest)
	st.runs = append(st.runs, r)
	return r, nil
}

// run returns a run that was looked up before, or nil. A station has one or
// two in a transaction.
func (st *station) run(name string) *run {
	for _, r := range st.runs {
		if r.name == name {
			return r
		}
	}
	return nil
}

// readings takes the good readings of an arrival in.
func (c *intake) readings(st *station, a *record.Arrival, o *record.Outcome) error {
	var again, unkeyed []*reading.Reading
	var r *run
	for i := range a.Batch.Readings {
		x := &a.Batch.Readings[i]
		if !x.Keyed() {
			unkeyed = append(unkeyed, x)
			continue
		}
		if r == nil || r.name != x.Run {
			var err error
			if r, err = c.run(st, x.Run); err != nil {
				return err
			}
		}
		if !r.seen.add(x.Seq) {
			again = append(again, x)
			continue
		}
		c.take(r, x, o)
	}
	if err := c.takeUnkeyed(st, unkeyed, o); err != nil {
		return err
	}
	return c.repeats(st, a.At, again, o)
}

// take notes a reading to be stored.
func (c *intake) take(r *run, x *reading.Reading, o *record.Outcome) {
	r.fresh = append(r.fresh, x)
	r.changed = true
	if !r.newest.Valid || int64(x.Time) > r.newest.Int64 {
		r.newest = sql.NullInt64{Int64: int64(x.Time), Valid: true}
	}
	o.Stored++
	c.totals[totalStored]++
}

func (c *intake) repeated(o *record.Outcome) {
	o.Repeated++
	c.totals[totalRepeated]++
}

// takeUnkeyed takes readings without run and seq in, unless the station has
// the same content at the same instant.
func (c *intake) takeUnkeyed(st *station, list []*reading.Reading, o *record.Outcome) error {
	if len(list) == 0 {
		return nil
	}
	r, err := c.run(st, "")
	if err != nil {
		return err
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
		for _, x := range stored {
			st.unkeyed[x] = struct{}{}
		}
	}
	for _, x := range list {
		if _, ok := st.unkeyed[*x]; ok {
			c.repeated(o)
			continue
		}
		st.unkeyed[*x] = struct{}{}
		c.take(r, x, o)
	}
	return nil
}

// repeats decides what readings are whose seq was seen before: the same again,
// or a conflict.
func (c *intake) repeats(st *station, at unit.Instant, list []*reading.Reading, o *record.Outcome) error {
	if len(list) == 0 {
		return nil
	}
	held, err := c.held(st, list)
	if err != nil {
		return err
	}
	for _, x := range list {
		h, stored := held[key{x.Run, x.Seq}]
		if stored && h.SameContent(x) {
			c.repeated(o)
			continue
		}
		raw := line(st.name, x)
		before, err := c.quarantined(st.name, x.Run, x.Seq)
		if err != nil {
			return err
		}
		if before.has(raw, x) || !stored && len(before) == 0 {
			// Refused before, or no longer held: nothing to compare with.
			c.repeated(o)
			continue
		}
		detail := fmt.Sprintf("run %s seq %d: not what came first under this number; the first stays", x.Run, x.Seq)
		q := quarantineRow{station: st.name, at: at, reason: reading.ReasonConflict, detail: detail, raw: raw, run: x.Run, seq: x.Seq}
		if err := c.quarantine(&q, o); err != nil {
			return err
		}
		o.Conflicts++
	}
	return nil
}

type key struct {
	run string
	seq int64
}

// held finds the stored readings with the keys of list: those of this
// transaction, then those of the day on which they lie if they are the same
// again, then those of any day.
func (c *intake) held(st *station, list []*reading.Reading) (map[key]*reading.Reading, error) {
	found := make(map[key]*reading.Reading, len(list))
	for _, r := range st.runs {
		want := make(map[int64]*reading.Reading) // by seq, not found yet
		for _, x := range list {
			if x.Run == r.name {
				want[x.Seq] = x
			}
		}
		note := func(x *reading.Reading) {
			if want[x.Seq] != nil {
				found[key{r.name, x.Seq}] = x
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

// finish writes what was collected.
func (c *intake) finish() error {
	for _, st := range c.order {
		if err := c.finishStation(st); err != nil {
			return fmt.Errorf("station %s: %w", st.name, err)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(c.totals)) {
		if c.totals[name] == 0 {
			continue
		}
		if err := c.t.exec(`insert into total (name, n) values (?, ?)
			on conflict (name) do update set n = total.n + excluded.n`, name, c.totals[name]); err != nil {
			return fmt.Errorf("total %s: %w", name, err)
		}
	}
	return nil
}

func (c *intake) finishStation(st *station) error {
	stored := false
	var from, to unit.Instant
	for _, r := range st.runs {
		if !r.changed {
			continue
		}
		if err := c.writeRun(st, r); err != nil {
			return fmt.Errorf("run %q: %w", r.name, err)
		}
		for _, x := range r.fresh {
			if !stored {
				stored, from, to = true, x.Time, x.Time
			}
			from, to = min(from, x.Time), max(to, x.Time)
		}
		if err := c.writeFresh(st, r); err != nil {
			return fmt.Errorf("run %q: %w", r.name, err)
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
	return mark(c.t, st.id, from, to, c.version)
}

func (c *intake) writeRun(st *station, r *run) error {
	discarded := r.seen.discarded(r.oldest)
	c.totals[totalDiscarded] += discarded - r.discarded
	var newest any
	if r.newest.Valid {
		newest = r.newest.Int64
	}
	if r.id != 0 {
		return c.t.exec(`update run set oldest = ?, seen = ?, newest_ns = ? where id = ?`, r.oldest, r.seen.encode(), newest, r.id)
	}
	return c.t.row(`insert into run (station, run, oldest, seen, newest_ns) values (?, ?, ?, ?, ?) returning id`,
		[]any{st.id, r.name, r.oldest, r.seen.encode(), newest}, &r.id)
}

// writeFresh packs the new readings of a run: batches of one UTC day each, in
// order of seq or time.
func (c *intake) writeFresh(st *station, r *run) error {
	less := func(a, b *reading.Reading) int {
		return cmp.Or(cmp.Compare(dayOf(a.Time), dayOf(b.Time)), cmp.Compare(keyOf(a), keyOf(b)))
	}
	if !slices.IsSortedFunc(r.fresh, less) {
		slices.SortStableFunc(r.fresh, less)
	}
	for rest := r.fresh; len(rest) > 0; {
		d, n := dayOf(rest[0].Time), 1
		lo, hi := rest[0].Time, rest[0].Time
		for n < len(rest) && n < maxPacked && dayOf(rest[n].Time) == d {
			lo, hi = min(lo, rest[n].Time), max(hi, rest[n].Time)
			n++
		}
		part := rest[:n]
		rest = rest[n:]
		if err := c.t.exec(`insert into batch (station, day, run, key_min, key_max, t_min, t_max, n, body) values (?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			st.id, d, r.id, keyOf(part[0]), keyOf(part[n-1]), int64(lo), int64(hi), n, pack(r.name, part)); err != nil {
			return err
		}
	}
	return nil
}

// settled tells how far the runs named in an arrival are settled.
func (c *intake) settled(a *record.Arrival, o *record.Outcome) {
	st := c.stations[a.Station]
	if st.id == 0 {
		return
	}
	named := make(map[string]struct{}, 1)
	for i := range a.Batch.Readings {
		named[a.Batch.Readings[i].Run] = struct{}{}
	}
	for i := range a.Batch.Refused {
		named[a.Batch.Refused[i].Run] = struct{}{}
	}
	for name := range a.Batch.Oldest {
		named[name] = struct{}{}
	}
	delete(named, "")
	for _, name := range slices.Sorted(maps.Keys(named)) {
		if r := st.run(name); r != nil {
			o.Runs = append(o.Runs, record.RunState{Run: name, Upto: r.seen.upto(r.oldest)})
		}
	}
}
