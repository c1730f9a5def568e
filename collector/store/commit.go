package store

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
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
	c := newIntake(s.limits)
	want := make([]key, 0, len(arrivals))
	for i := range arrivals {
		want = appendRuns(want, &arrivals[i])
	}
	err := s.inTxAfter(ctx, c.load(s.d, want), func(t *tx) error {
		c.t = t
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
	limits   limits
	days     map[dayKey]*quarantineDay
	stations map[string]*station
	order    []*station // as loaded
	totals   map[string]int64
	lastRun  int64 // largest id of a run so far
	lastBody int64 // largest id of a batch so far
	version  int64 // of this transaction's marks
	feeds    int64 // 1: readings are sent on
	scratch  []reading.Reading
}

// station is a station in service, or, to release what it sent, a retired one.
type station struct {
	id      int64
	name    string
	retired bool
	frozen  unit.Instant // hours before this are frozen; 0: none
	runs    []*run       // those loaded; one or two

	// Readings without run and seq that came in this transaction.
	unkeyed map[reading.Reading]struct{}

	newRuns    int  // of today, recorded; with those of this transaction
	runsWanted bool // newRuns was read
}

// run is a station's run; that without name has the readings without run.
type run struct {
	id        int64
	name      string
	oldest    int64
	seen      spans
	discarded int64 // as counted in the total
	newest    sql.NullInt64
	tail      tail // grows by what comes next; id 0: none
	changed   bool
	fresh     []*reading.Reading // to be stored
	tally     tally
	first     unit.Instant // arrival of the first message that named it
	admission admission
}

// tally says what became of the readings of a run: in the row, and, here, in
// this transaction.
type tally struct{ received, released, stored, repeated, refused int64 }

// tail is a batch that may still grow.
type tail struct {
	id, day int64
	body    []byte
}

// late tells whether a reading is of a frozen hour.
func (st *station) late(x *reading.Reading) bool { return st.frozen != 0 && x.Time < st.frozen }

func newIntake(lim limits) *intake {
	return &intake{
		limits: lim, stations: make(map[string]*station), totals: make(map[string]int64),
		days: make(map[dayKey]*quarantineDay),
	}
}

// key names a run of a station.
type key struct{ station, run string }

// appendRuns appends the runs that an arrival names; its station's run "" if
// it names none.
func appendRuns(list []key, a *record.Arrival) []key {
	n := len(list)
	add := func(run string) {
		if k := (key{a.Station, run}); len(list) == n || list[len(list)-1] != k {
			list = append(list, k)
		}
	}
	for i := range a.Batch.Readings {
		add(a.Batch.Readings[i].Run)
	}
	for i := range a.Batch.Refused {
		add(keyedRun(&a.Batch.Refused[i]))
	}
	for run := range a.Batch.Oldest {
		add(run)
	}
	if len(list) == n {
		add("")
	}
	return list
}

// keyedRun returns the run among whose numbers a refused line's is; "" when the
// number can't be told.
func keyedRun(f *reading.Refusal) string {
	if f.Seq < 1 {
		return ""
	}
	return f.Run
}

// load reads stations and runs; those of nobody it leaves out.
func (c *intake) load(d *dialect, want []key) []statement {
	return append(c.loadRuns(d, want), statement{
		what: "read largest ids",
		text: `select coalesce((select max(id) from run), 0), coalesce((select max(id) from batch), 0),
			coalesce((select n from total where name = ?), 0) + 1, (select count(*) from feed where what = 'readings')`,
		args: []any{markVersion},
		scan: func(r row) error { return r.Scan(&c.lastRun, &c.lastBody, &c.version, &c.feeds) },
	})
}

func (c *intake) loadRuns(d *dialect, want []key) []statement {
	// A cross join keeps SQLite from going through all stations.
	q := bulk{columns: 2, types: []string{"text", "text"}, head: `with w (station, run) as (`, foot: `)
		select w.station, w.run, s.id, s.retired_ns, coalesce(z.before_ns, 0), r.id, r.oldest, r.newest_ns, r.seen,
			b.id, b.day, b.body
		from w cross join station s
			left join frozen z on z.station = s.id
			left join run r on r.station = s.id and r.run = w.run
			left join batch b on b.id = r.tail and b.run = r.id
		where s.name = w.station`}
	loaded := make(map[key]struct{}, len(want))
	for _, k := range want {
		if _, ok := loaded[k]; !ok {
			loaded[k] = struct{}{}
			q.add(k.station, k.run)
		}
	}
	return q.statements(d, "read runs", c.loadRow)
}

func (c *intake) loadRow(rows row) error {
	var r run
	var stationID int64
	var name, seen []byte
	var retired, id, oldest, tail, day sql.NullInt64
	var frozen unit.Instant
	if err := rows.Scan(&name, &r.name, &stationID, &retired, &frozen, &id, &oldest, &r.newest, &seen, &tail, &day, &r.tail.body); err != nil {
		return err
	}
	st := c.stations[string(name)]
	if st == nil {
		st = &station{id: stationID, name: string(name), retired: retired.Valid, frozen: frozen}
		c.stations[st.name] = st
		c.order = append(c.order, st)
	}
	st.runs = append(st.runs, &r)
	if !id.Valid {
		return nil
	}
	r.id, r.oldest = id.Int64, oldest.Int64
	r.tail.id, r.tail.day = tail.Int64, day.Int64
	var err error
	if r.seen, err = decodeSpans(seen); err != nil {
		return fmt.Errorf("station %s run %q: %w", st.name, r.name, err)
	}
	r.discarded = r.seen.discarded(r.oldest)
	return nil
}

// run returns a run that was loaded: those that an arrival names are.
func (st *station) run(name string) (*run, error) {
	for _, r := range st.runs {
		if r.name == name {
			return r, nil
		}
	}
	return nil, fmt.Errorf("run %q was not loaded", name)
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
	if a.Station == record.WatchStation {
		return c.round(a)
	}
	b := &a.Batch
	c.totals[totalReceived] += int64(len(b.Readings) + len(b.Refused))
	c.totals[totalUnknown] += int64(b.UnknownFields)
	for ch, n := range b.RefusedValues {
		if n > 0 {
			c.totals[totalValue+reading.Channel(ch).Name()] += int64(n)
		}
	}
	st := c.stations[a.Station]
	if st == nil || st.retired {
		return c.stranger(a, o)
	}
	for name, oldest := range b.Oldest {
		r, err := c.admitted(st, name, a.At)
		if err != nil {
			return err
		}
		if r.admission != turnedAway && oldest > r.oldest {
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

// readings takes the good readings of an arrival in.
func (c *intake) readings(st *station, a *record.Arrival, o *record.Outcome) error {
	var again []repeat
	var unkeyed []*reading.Reading
	var r, runless *run
	for i := range a.Batch.Readings {
		x := &a.Batch.Readings[i]
		if r == nil || r.name != x.Run {
			var err error
			if r, err = c.admitted(st, x.Run, a.At); err != nil {
				return err
			}
		}
		r.tally.received++
		switch {
		case !x.Keyed():
			unkeyed, runless = append(unkeyed, x), r
		case r.admission == turnedAway || c.full(r, x.Seq):
			if err := c.tooMany(st, r, a.At, line(st.name, x), x.Seq, o); err != nil {
				return err
			}
		case !r.seen.add(x.Seq):
			again = append(again, repeat{x, r})
		case st.late(x):
			if err := c.tooLate(st, r, x, a.At, o); err != nil {
				return err
			}
		default:
			c.take(r, x, o)
		}
	}
	if err := c.takeUnkeyed(st, runless, unkeyed, a.At, o); err != nil {
		return err
	}
	return c.repeats(st, a.At, again, o)
}

// take notes a reading to be stored.
func (c *intake) take(r *run, x *reading.Reading, o *record.Outcome) {
	r.fresh = append(r.fresh, x)
	r.changed = true
	r.tally.stored++
	if !r.newest.Valid || int64(x.Time) > r.newest.Int64 {
		r.newest = sql.NullInt64{Int64: int64(x.Time), Valid: true}
	}
	o.Stored++
	c.totals[totalStored]++
}

// repeated counts a reading that came again; r is nil for one of nobody's.
func (c *intake) repeated(r *run, o *record.Outcome) {
	if r != nil {
		r.changed = true
		r.tally.repeated++
	}
	o.Repeated++
	c.totals[totalRepeated]++
}

// settled tells how far the runs named in an arrival are settled.
func (c *intake) settled(a *record.Arrival, o *record.Outcome) {
	st := c.stations[a.Station]
	if st == nil || st.retired {
		return
	}
	var few [4]key
	named := appendRuns(few[:0], a)
	slices.SortFunc(named, func(a, b key) int { return cmp.Compare(a.run, b.run) })
	for _, k := range slices.Compact(named) {
		for _, r := range st.runs {
			// Of a run that was turned away nothing is settled.
			if r.name == k.run && r.name != "" && r.admission != turnedAway {
				o.Runs = append(o.Runs, record.RunState{Run: r.name, Upto: r.seen.upto(r.oldest)})
			}
		}
	}
}
