package store

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// model is what a store should hold, in plain maps: no packing, no spans, no
// transactions, one reading at a time.
type model struct {
	stations map[string]*modelStation
	held     []modelRefusal // quarantine, in order
	counts   record.Counts
	before   int64 // discarded in the rounds before
	own      map[string]*record.Custody
}

// of returns a station's own counts.
func (m *model) of(o *record.Outcome) *record.Custody {
	if m.own[o.Station] == nil {
		m.own[o.Station] = &record.Custody{Station: o.Station}
	}
	return m.own[o.Station]
}

type modelStation struct {
	retired bool
	runs    map[string]*modelRun
	unkeyed []reading.Reading
	from    unit.Instant // of the mark; both 0 without one
	to      unit.Instant
}

type modelRun struct {
	seen   map[int64]bool
	oldest int64
	stored map[int64]reading.Reading
}

type modelRefusal struct {
	station, run, raw string
	seq               int64
	reason            reading.Reason
	later             *reading.Reading
	at                unit.Instant
	released          bool
}

func newModel(stations ...string) *model {
	m := &model{stations: make(map[string]*modelStation), own: make(map[string]*record.Custody)}
	for _, id := range stations {
		m.stations[id] = &modelStation{runs: make(map[string]*modelRun)}
	}
	return m
}

// startFrom takes over what the store counted before.
func (m *model) startFrom(c record.Counts) {
	m.counts, m.before = c, c.Discarded
	m.counts.Refused = maps.Clone(c.Refused)
}

func (st *modelStation) run(name string) *modelRun {
	if st.runs[name] == nil {
		st.runs[name] = &modelRun{seen: make(map[int64]bool), stored: make(map[int64]reading.Reading)}
	}
	return st.runs[name]
}

// upto and discarded count one by one.
func (r *modelRun) upto() int64 {
	u := int64(0)
	for r.seen[u+1] || u+1 < r.oldest {
		u++
	}
	return u
}

func (r *modelRun) discarded() (n int64) {
	for seq := int64(1); seq < r.oldest; seq++ {
		if !r.seen[seq] {
			n++
		}
	}
	return n
}

func (st *modelStation) changed(t unit.Instant) {
	if st.from == 0 {
		st.from, st.to = t, t
	}
	st.from, st.to = min(st.from, t), max(st.to, t)
}

func (m *model) refuse(o *record.Outcome, q modelRefusal) {
	m.held = append(m.held, q)
	m.counts.Refused[q.reason]++
	m.of(o).Refused++
	o.Refused++
}

func (m *model) repeat(o *record.Outcome) {
	m.counts.Repeated++
	m.of(o).Repeated++
	o.Repeated++
}

func (m *model) store(o *record.Outcome, st *modelStation, x reading.Reading) {
	if x.Keyed() {
		st.run(x.Run).stored[x.Seq] = x
	} else {
		st.unkeyed = append(st.unkeyed, x)
	}
	st.changed(x.Time)
	m.counts.Stored++
	m.of(o).Stored++
	o.Stored++
}

// refusedBefore tells whether the same line, or one with the same reading, is
// in quarantine under this key; any tells whether anything is.
func (m *model) refusedBefore(station, run string, seq int64, raw string, x *reading.Reading) (same, any bool) {
	for _, q := range m.held {
		if q.station != station || q.run != run || q.seq != seq {
			continue
		}
		any = true
		if q.raw == raw || x != nil && q.later != nil && q.later.SameContent(x) {
			same = true
		}
	}
	return same, any
}

func rawOf(station string, x reading.Reading) string {
	b, err := reading.AppendLine(nil, station, &x, 0)
	if err != nil {
		b = reading.AppendCanonical(nil, station, &x)
	}
	return string(b)
}

func (m *model) arrive(a record.Arrival) record.Outcome {
	o := record.Outcome{Station: a.Station}
	m.counts.Received += int64(len(a.Batch.Readings) + len(a.Batch.Refused))
	m.of(&o).Received += int64(len(a.Batch.Readings) + len(a.Batch.Refused))
	st := m.stations[a.Station]
	if st == nil || st.retired {
		m.stranger(&o, a)
		return o
	}
	for run, n := range a.Batch.Oldest {
		st.run(run).oldest = max(st.run(run).oldest, n)
	}
	for _, x := range a.Batch.Readings {
		switch {
		case !x.Keyed() && slices.Contains(st.unkeyed, x):
			m.repeat(&o)
		case !x.Keyed():
			m.store(&o, st, x)
		case !st.run(x.Run).seen[x.Seq]:
			st.run(x.Run).seen[x.Seq] = true
			m.store(&o, st, x)
		default:
			m.again(&o, a, st, x)
		}
	}
	for _, f := range a.Batch.Refused {
		m.refusal(&o, a, st, f)
	}
	return o
}

func (m *model) again(o *record.Outcome, a record.Arrival, st *modelStation, x reading.Reading) {
	first, stored := st.run(x.Run).stored[x.Seq]
	raw := rawOf(a.Station, x)
	same, any := m.refusedBefore(a.Station, x.Run, x.Seq, raw, &x)
	if stored && first.SameContent(&x) || same || !stored && !any {
		m.repeat(o)
		return
	}
	m.refuse(o, modelRefusal{station: a.Station, run: x.Run, seq: x.Seq, raw: raw, reason: reading.ReasonConflict, at: a.At})
	o.Conflicts++
}

func (m *model) refusal(o *record.Outcome, a record.Arrival, st *modelStation, f reading.Refusal) {
	q := modelRefusal{station: a.Station, run: f.Run, seq: f.Seq, raw: string(f.Raw), reason: f.Reason, later: f.Reading, at: a.At}
	if f.Run != "" {
		seen := st.run(f.Run).seen
		if seen[f.Seq] && f.Reading != nil {
			m.again(o, a, st, *f.Reading)
			return
		}
		same, _ := m.refusedBefore(a.Station, f.Run, f.Seq, q.raw, nil)
		if seen[f.Seq] && same {
			m.repeat(o)
			return
		}
		seen[f.Seq] = true
	} else if f.Reading != nil && slices.ContainsFunc(m.held, func(h modelRefusal) bool {
		return h.station == a.Station && h.run == "" && h.raw == q.raw && !h.released && h.later != nil && h.later.Time > h.at && h.later.Time == f.Reading.Time
	}) {
		m.repeat(o) // it waits for its time already
		return
	}
	m.refuse(o, q)
}

func (m *model) stranger(o *record.Outcome, a record.Arrival) {
	put := func(run string, seq int64, raw string) {
		if same, _ := m.refusedBefore(a.Station, run, seq, raw, nil); same && run != "" {
			m.repeat(o)
			return
		}
		m.refuse(o, modelRefusal{station: a.Station, run: run, seq: seq, raw: raw, reason: reading.ReasonUnknown, at: a.At})
	}
	for _, x := range a.Batch.Readings {
		put(x.Run, x.Seq, rawOf(a.Station, x))
	}
	for _, f := range a.Batch.Refused {
		put(f.Run, f.Seq, string(f.Raw))
	}
}

func (m *model) release(now unit.Instant) (n int) {
	for i := range m.held {
		q := &m.held[i]
		if q.later == nil || q.released || q.later.Time <= q.at || q.later.Time > now {
			continue
		}
		n++
		q.released = true
		m.counts.Released++
		st := m.stations[q.station]
		o := record.Outcome{Station: q.station}
		m.of(&o).Released++
		if !q.later.Keyed() && slices.Contains(st.unkeyed, *q.later) {
			m.repeat(&o)
		} else {
			m.store(&o, st, *q.later)
		}
	}
	return n
}

// drawReading draws one of few readings, so that most come more than once:
// variants of a seq are conflicts, in value, in time or in both.
func drawReading(t *rapid.T) reading.Reading {
	var r reading.Reading
	r.Run = rapid.SampledFrom([]string{runA, runA, runB, ""}).Draw(t, "run")
	n := rapid.Int64Range(1, 30).Draw(t, "n")
	variant := rapid.SampledFrom([]int64{0, 0, 0, 0, 0, 0, 1, 2}).Draw(t, "variant")
	if r.Run != "" {
		r.Seq = n
	}
	r.Time = t0.Add(time.Duration(n*3+variant/2*40) * time.Hour)
	if n%4 != 0 {
		r.Set(reading.InsideTemp, float64(n)+float64(variant))
	} else {
		r.Flags = strings.Repeat("x", int(variant)+1)
	}
	return r
}

func drawArrival(t *rapid.T, now unit.Instant, id func(string) string) record.Arrival {
	a := record.Arrival{Station: id(rapid.SampledFrom([]string{"a", "a", "b", "gone", "nobody"}).Draw(t, "station")), At: now}
	a.Batch.Readings = rapid.SliceOfN(rapid.Custom(drawReading), 0, 8).Draw(t, "readings")
	for range rapid.SampledFrom([]int{0, 0, 1, 2}).Draw(t, "refusals") {
		x := drawReading(t)
		switch rapid.IntRange(0, 2).Draw(t, "refusal") {
		case 0:
			a.Batch.Refused = append(a.Batch.Refused, refused(reading.ReasonMalformed, fmt.Sprint("bad ", x.Time), x.Run, x.Seq))
		case 1:
			a.Batch.Refused = append(a.Batch.Refused, refused(reading.ReasonMalformed, "no key", "", 0))
		case 2: // ahead of the clock by days, or long past
			x.Time += unit.Instant(rapid.SampledFrom([]time.Duration{100 * day, 100 * day, 110 * day, -30 * 365 * day}).Draw(t, "ahead"))
			a.Batch.Refused = append(a.Batch.Refused, early(0, x))
		}
	}
	if rapid.IntRange(0, 3).Draw(t, "says oldest") == 0 {
		a.Batch.Oldest = map[string]int64{rapid.SampledFrom([]string{runA, runB}).Draw(t, "of"): rapid.Int64Range(1, 25).Draw(t, "oldest")}
	}
	return a
}

// testAgainstModel sends random arrivals, with loss, repeats, reordering and
// conflicts, to a store and to the model and compares all that they say. The
// rounds share a store, each with stations of its own.
func testAgainstModel(t *testing.T, e engine) {
	ctx := context.Background()
	where := e.fresh(t)
	s, err := e.open(ctx, where)
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	round := 0
	rapid.Check(t, func(rt *rapid.T) {
		round++
		id := func(name string) string { return fmt.Sprintf("%s-%d", name, round) }
		for _, name := range []string{"a", "b", "gone"} {
			enrol(t, s, id(name))
		}
		m := newModel(id("a"), id("b"), id("gone"))
		before, err := s.Counts(ctx)
		require.NoError(rt, err)
		m.startFrom(before)
		retire := rapid.IntRange(0, 10).Draw(rt, "retire after")
		now := t0.Add(50 * day)
		steps := rapid.IntRange(1, 12).Draw(rt, "steps")
		for step := range steps {
			if step == retire {
				require.NoError(rt, s.Retire(ctx, id("gone"), now, "test"))
				m.stations[id("gone")].retired = true
			}
			switch rapid.IntRange(0, 19).Draw(rt, "action") {
			case 0:
				require.NoError(rt, s.Close())
				s, err = e.open(ctx, where)
				require.NoError(rt, err)
			case 1, 2:
				now = now.Add(rapid.SampledFrom([]time.Duration{time.Hour, 51 * day, 60 * day}).Draw(rt, "later"))
				n, err := s.ReleaseDue(ctx, now)
				require.NoError(rt, err)
				require.Equal(rt, m.release(now), n, "released")
			case 3, 4:
				foldAll(rt, s, m)
			case 5, 6, 7:
				_, _, err := s.PackDays(ctx, t0.Add(time.Duration(rapid.IntRange(0, 6).Draw(rt, "closed"))*day), "", 1<<20)
				require.NoError(rt, err)
			default:
				commitBoth(rt, s, m, now, id)
			}
			compareCounts(rt, s, m)
			if step%4 == 3 || step == steps-1 {
				compare(rt, s, m)
			}
		}
		_, err = s.ReleaseDue(ctx, never) // leave nothing to the next round
		require.NoError(rt, err)
	})
	_, own := balance(t, s)
	quarantineIsCounted(t, s, own)
}

func commitBoth(rt *rapid.T, s storage, m *model, now unit.Instant, id func(string) string) {
	as := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) record.Arrival { return drawArrival(t, now, id) }), 1, 4).Draw(rt, "arrivals")
	got, err := s.Commit(context.Background(), as)
	require.NoError(rt, err)
	want := make([]record.Outcome, len(as))
	for i, a := range as {
		want[i] = m.arrive(a)
	}
	for i, a := range as {
		st := m.stations[a.Station]
		if st == nil || st.retired {
			continue
		}
		named := make(map[string]bool)
		for _, x := range a.Batch.Readings {
			named[x.Run] = true
		}
		for _, f := range a.Batch.Refused {
			named[f.Run] = true
		}
		for run := range a.Batch.Oldest {
			named[run] = true
		}
		for _, run := range slices.Sorted(maps.Keys(named)) {
			if run != "" {
				want[i].Runs = append(want[i].Runs, record.RunState{Run: run, Upto: st.run(run).upto()})
			}
		}
	}
	require.Equal(rt, want, got)
}

func foldAll(rt *rapid.T, s storage, m *model) {
	list, err := s.Marks(context.Background(), 100_000)
	require.NoError(rt, err)
	for _, mark := range list {
		require.NoError(rt, s.CommitFold(context.Background(), record.Folded{Mark: mark}))
		if st := m.stations[mark.Station]; st != nil {
			st.from, st.to = 0, 0
		}
	}
}

// compareCounts compares the counts of all and of each station.
func compareCounts(rt *rapid.T, s storage, m *model) {
	counts, own := balance(rt, s)
	m.counts.Discarded = m.before
	for id, st := range m.stations {
		want := m.of(&record.Outcome{Station: id})
		want.Discarded = 0
		for _, r := range st.runs {
			want.Discarded += r.discarded()
		}
		m.counts.Discarded += want.Discarded
		if st.retired {
			continue // its counts are among the others'
		}
		got := own[id]
		got.Held = nil
		require.Equal(rt, *want, got)
	}
	require.Equal(rt, m.counts, counts)
}

func compare(rt *rapid.T, s storage, m *model) {
	ctx := context.Background()
	marks, err := s.Marks(ctx, 100_000)
	require.NoError(rt, err)
	latest, err := s.Latest(ctx)
	require.NoError(rt, err)
	for id, st := range m.stations {
		want := slices.Clone(st.unkeyed)
		for _, r := range st.runs {
			want = slices.AppendSeq(want, maps.Values(r.stored))
		}
		got, err := s.Readings(ctx, id, always, never)
		require.NoError(rt, err)
		require.True(rt, slices.IsSortedFunc(got, byTime))
		require.ElementsMatch(rt, want, got, id)

		newest, heard := unit.Instant(0), len(want) > 0
		for _, x := range want {
			newest = max(newest, x.Time)
		}
		at, ok := latest[id]
		require.Equal(rt, heard, ok)
		require.Equal(rt, newest, at)

		i := slices.IndexFunc(marks, func(m record.Mark) bool { return m.Station == id })
		require.Equal(rt, st.from != 0, i >= 0, "mark of %s", id)
		if i >= 0 {
			require.Equal(rt, []unit.Instant{st.from, st.to}, []unit.Instant{marks[i].From, marks[i].To})
		}
	}
	want := make(map[string][]string)
	for _, q := range slices.Backward(m.held) {
		if !q.released {
			want[q.station] = append(want[q.station], fmt.Sprint(q.reason, string(q.raw)))
		}
	}
	for id := range want {
		held, err := s.Quarantine(ctx, record.QuarantineQuery{Station: id, Limit: 100_000})
		require.NoError(rt, err)
		var got []string
		for _, q := range held {
			got = append(got, fmt.Sprint(q.Reason, string(q.Raw)))
		}
		require.Equal(rt, want[id], got)
	}
}
