package store

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// said is a state as intake hands it over.
func said(station, run string, conn int64, uptime float64, at unit.Instant) record.State {
	now := at.Time().Add(-1500 * time.Millisecond)
	st := record.State{
		Station: station, At: at, Timed: true, Offset: 1500 * time.Millisecond,
		Report: record.Report{Run: run, Conn: conn, Uptime: uptime, Clock: record.Clock{Now: &now, Set: true}},
	}
	return withBody(st)
}

func withBody(st record.State) record.State {
	body, err := json.Marshal(st.Report)
	if err != nil {
		panic(err)
	}
	st.Body = body
	return st
}

func gone(station, run string, conn int64, at unit.Instant) record.State {
	return withBody(record.State{Station: station, At: at, Report: record.Report{Run: run, Conn: conn, Gone: true}})
}

// keep tells how many of the states were kept.
func keep(t *testing.T, s storage, list ...record.State) int {
	t.Helper()
	n, err := s.KeepStates(t.Context(), list)
	require.NoError(t, err)
	return n
}

func stateOf(t *testing.T, s storage, station string) *record.State {
	t.Helper()
	_, own := balance(t, s)
	return own[station].State
}

func testStates(t *testing.T, e engine) {
	s := e.new(t, "a", "gone")
	require.NoError(t, s.Retire(t.Context(), "gone", t0, "test"))
	require.Nil(t, stateOf(t, s, "a"))
	require.Zero(t, keep(t, s, gone("a", runA, 1, t0)), "nothing was there to leave")
	require.Zero(t, keep(t, s, said("gone", runA, 1, 1, t0), said("nobody", runA, 1, 1, t0)))

	first := said("a", runA, 3, 100, t0)
	require.Equal(t, 1, keep(t, s, first))
	got := stateOf(t, s, "a")
	require.JSONEq(t, string(first.Body), string(got.Body))
	require.Equal(t, t0, got.At)
	require.Zero(t, got.Gone)
	require.True(t, got.Timed)
	require.Equal(t, 1500*time.Millisecond, got.Offset)
	require.Equal(t, int64(3), got.Report.Conn)

	retained := func(st record.State) record.State {
		st.Retained, st.Timed, st.Offset = true, false, 0
		return st
	}
	for name, c := range map[string]struct {
		said record.State
		kept bool
	}{
		"of an earlier connection":              {said("a", runA, 2, 900, t0+1), false},
		"earlier in the connection":             {said("a", runA, 3, 99, t0+1), false},
		"the same again":                        {said("a", runA, 3, 100, t0+1), false},
		"later in the connection":               {said("a", runA, 3, 101, t0+1), true},
		"of a later connection":                 {said("a", runA, 4, 0, t0+1), true},
		"of another run":                        {said("a", runB, 1, 0, t0+1), true},
		"retained, of an earlier connection":    {retained(said("a", runA, 2, 900, t0+1)), false},
		"retained, of a later connection":       {retained(said("a", runA, 4, 900, t0+1)), true},
		"retained, another run, earlier by its": {retained(said("a", runB, 9, 0, t0-1)), false},
		"retained, another run, later by its":   {retained(said("a", runB, 9, 0, t0+1)), true},
		"retained, another run, without a clock": {func() record.State {
			st := retained(said("a", runB, 9, 0, t0+1))
			st.Report.Clock.Now = nil
			return withBody(st)
		}(), false},
		"gone":                          {gone("a", runA, 3, t0+1), true},
		"gone, of an earlier one":       {gone("a", runA, 2, t0+1), false},
		"gone, of one never heard":      {gone("a", runA, 4, t0+1), false},
		"gone, of another run":          {gone("a", runB, 3, t0+1), false},
		"gone, retained":                {retained(gone("a", runA, 3, t0+1)), true},
		"gone, retained, of an old one": {retained(gone("a", runA, 1, t0+1)), false},
	} {
		t.Run(name, func(t *testing.T) {
			s := e.new(t, "a")
			require.Equal(t, 1, keep(t, s, first))
			want := 0
			if c.kept {
				want = 1
			}
			require.Equal(t, want, keep(t, s, c.said))
			got := stateOf(t, s, "a")
			switch {
			case !c.kept:
				require.Equal(t, t0, got.At)
				require.Zero(t, got.Gone)
				require.JSONEq(t, string(first.Body), string(got.Body))
			case c.said.Report.Gone:
				require.Equal(t, c.said.At, got.Gone)
				require.Equal(t, t0, got.At, "when it was last there")
				require.JSONEq(t, string(first.Body), string(got.Body))
			default:
				require.Equal(t, c.said.At, got.At)
				require.Zero(t, got.Gone)
				require.JSONEq(t, string(c.said.Body), string(got.Body))
				require.Equal(t, c.said.Timed, got.Timed)
			}
		})
	}

	// It leaves, once; what its last connection said and came late doesn't bring
	// it back, the next connection does.
	require.Equal(t, 1, keep(t, s, gone("a", runA, 3, t0+5), gone("a", runA, 3, t0+9)))
	require.Equal(t, t0+5, stateOf(t, s, "a").Gone)
	require.Equal(t, 1, keep(t, s, said("a", runA, 3, 110, t0+6)))
	require.Equal(t, t0+5, stateOf(t, s, "a").Gone)
	require.Equal(t, 1, keep(t, s, said("a", runA, 4, 120, t0+7)))
	require.Zero(t, stateOf(t, s, "a").Gone)
}

// A state that can't be read, in a damaged file, is replaced by the next.
func testDamagedState(t *testing.T, e engine) {
	where := e.fresh(t)
	s := e.openAt(t, where, "a")
	keep(t, s, said("a", runA, 3, 100, t0))
	exec(t, e.raw(t, where), `update station_state set body = '{"run": 7}'`)
	_, err := s.Custody(t.Context())
	require.ErrorContains(t, err, "state of a")
	require.Equal(t, 1, keep(t, s, said("a", runA, 3, 100, t0+1)))
	require.Equal(t, t0+1, stateOf(t, s, "a").At)
}

func testCustody(t *testing.T, e engine) {
	s := e.new(t, "a", "b", "gone")
	st := said("a", runA, 1, 1, t0)
	st.Report.Spool = record.Spool{Last: 9, Upto: 7}
	st.Report.Readings = &record.Tally{Sampled: 12, Receipted: 6, Queued: 2, Waiting: 1, Discarded: map[string]int64{"size": 2, "age": 1}}
	keep(t, s, withBody(st))

	commit(t, s, withOldest(seqs("a", runA, 1, 2, 4, 5, 9), runA, 4), seqs("a", runB, 1, 3), seqs("a", runA, 5), arrival("a", unkeyed(1, 5)),
		seqs("gone", runA, 1), seqs("nobody", runA, 1))
	bad := arrival("a")
	bad.Batch.Refused = []reading.Refusal{refused(reading.ReasonMalformed, "no key", "", 0)}
	commit(t, s, bad)
	require.NoError(t, s.Retire(t.Context(), "gone", t0, "test"))
	commit(t, s, seqs("gone", runA, 2))

	list, err := s.Custody(t.Context())
	require.NoError(t, err)
	require.Len(t, list, 3)
	a, b, rest := list[0], list[1], list[2]
	require.Equal(t, "a", a.Station)
	require.Equal(t, []int64{10, 0, 8, 1, 1, 1}, []int64{a.Received, a.Released, a.Stored, a.Repeated, a.Refused, a.Discarded})
	require.Equal(t, []record.Held{{Reason: reading.ReasonMalformed, Kept: 1}}, a.Held)
	require.Equal(t, int64(4), a.Seen, "1, 2, 4 and 5 of up to 7")
	require.Equal(t, int64(5), a.Upto)
	require.Equal(t, int64(2), a.Lost(), "it says 6 of them are safe")
	require.Zero(t, a.State.Report.Readings.Missing())
	require.Equal(t, record.Custody{Station: "b"}, b)
	require.Zero(t, b.Lost())
	require.Equal(t, []int64{3, 1, 0, 2, 0}, []int64{rest.Received, rest.Stored, rest.Repeated, rest.Refused, rest.Discarded})
	require.Equal(t, []record.Held{{Reason: reading.ReasonUnknown, Kept: 2}}, rest.Held)
	for atOnce := range 3 { // it is the same, however many are read at once
		var again []record.Custody
		require.NoError(t, s.(*Store).snapshot(t.Context(), func(q query) error {
			return custody(q, atOnce+1, func(c *record.Custody) { again = append(again, *c) })
		}))
		require.Equal(t, list, again)
	}
	balance(t, s)
}

func testSettled(t *testing.T, e engine) {
	s := e.new(t, "a", "b", "c", "gone", "silent")
	commit(t, s, seqs("gone", runA, 1), seqs("a", runB, 1, 2), arrival("c", unkeyed(1, 5)))
	commit(t, s, withOldest(seqs("a", runA, 4, 7), runA, 4), seqs("b", runA, 1, 2, 3))
	commit(t, s, seqs("a", runB, 3), arrival("b", unkeyed(1, 5)), seqs("c", runA, 2))
	require.NoError(t, s.Retire(t.Context(), "gone", t0, "test"))
	want := []record.Outcome{
		{Station: "a", Runs: []record.RunState{{Run: runA, Upto: 4}}}, // begun last, though another spoke last
		{Station: "b", Runs: []record.RunState{{Run: runA, Upto: 3}}},
		{Station: "c", Runs: []record.RunState{{Run: runA, Upto: 0}}},
	}
	got, err := s.Settled(t.Context(), "", 10)
	require.NoError(t, err)
	require.Equal(t, want, got)
	got, err = s.Settled(t.Context(), "a", 1)
	require.NoError(t, err)
	require.Equal(t, want[1:2], got)
	got, err = s.Settled(t.Context(), "c", 10)
	require.NoError(t, err)
	require.Empty(t, got)
}

func testQuarantinePages(t *testing.T, e engine) {
	s := e.new(t, "a", "b")
	for i := range int64(10) {
		a := arrival([]string{"a", "b"}[i%2])
		a.Batch.Refused = []reading.Refusal{refused([]reading.Reason{reading.ReasonMalformed, reading.ReasonStation}[i/2%2], fmt.Sprint("raw ", i), "", 0)}
		commit(t, s, a)
	}
	list := func(q record.QuarantineQuery) (raw []string) {
		t.Helper()
		rows, err := s.Quarantine(t.Context(), q)
		require.NoError(t, err)
		for _, r := range rows {
			raw = append(raw, strings.TrimPrefix(string(r.Raw), "raw "))
		}
		return raw
	}
	require.Equal(t, []string{"9", "8", "7"}, list(record.QuarantineQuery{Limit: 3}))
	require.Equal(t, []string{"8", "6", "4", "2", "0"}, list(record.QuarantineQuery{Station: "a", Limit: 9}))
	require.Equal(t, []string{"9", "8", "5", "4", "1", "0"}, list(record.QuarantineQuery{Reason: reading.ReasonMalformed, Limit: 9}))
	require.Equal(t, []string{"4", "0"}, list(record.QuarantineQuery{Station: "a", Reason: reading.ReasonMalformed, Before: 7, Limit: 9}))

	rows, err := s.Quarantine(t.Context(), record.QuarantineQuery{Limit: 1})
	require.NoError(t, err)
	one, err := s.Refused(t.Context(), rows[0].ID)
	require.NoError(t, err)
	require.Equal(t, rows[0], one)
	_, err = s.Refused(t.Context(), 99)
	require.ErrorIs(t, err, record.ErrNotFound)
}

func testRelease(t *testing.T, e engine) {
	where := e.fresh(t)
	s := e.openAt(t, where, "a", "b")
	past := keyed(runA, 2)
	past.Time = unit.Instant(30 * 24 * time.Hour)
	alone := unkeyed(0, 5)
	alone.Time = unit.Instant(31 * 24 * time.Hour)
	ancient := keyed(runA, 3)
	ancient.Time = -1
	ahead := keyed(runA, 4)
	ahead.Time = t0.Add(day)
	a := seqs("a", runA, 1)
	a.Batch.Refused = []reading.Refusal{
		early(a.At, past), early(a.At, alone), early(a.At, ancient), early(a.At, ahead), refused(reading.ReasonMalformed, "bad", "", 0),
	}
	a.At = t0
	commit(t, s, a)
	held := quarantine(t, s, "a")
	require.Len(t, held, 5)
	id := func(n int) int64 { return held[len(held)-1-n].ID } // as refused
	one, err := s.Refused(t.Context(), id(0))
	require.NoError(t, err)
	require.Equal(t, &past, one.Reading)
	require.Equal(t, []any{runA, int64(2), unit.Instant(0)}, []any{one.Run, one.Seq, one.Due})
	one, err = s.Refused(t.Context(), id(3))
	require.NoError(t, err)
	require.Equal(t, ahead.Time, one.Due)

	before := everything(t, s, "a")
	for name, c := range map[string]struct {
		ids  []int64
		err  error
		says string
	}{
		"malformed":       {[]int64{id(0), id(4)}, record.ErrStays, "refused as malformed"},
		"ahead":           {[]int64{id(3)}, record.ErrStays, "stored by itself"},
		"before 1970":     {[]int64{id(2)}, record.ErrStays, "before 1970"},
		"nothing":         {[]int64{id(0), 999}, record.ErrNotFound, "number 999"},
		"twice at a time": {[]int64{id(0), id(0)}, record.ErrStays, "named twice"},
	} {
		err := s.Release(t.Context(), c.ids, t0, "Ida")
		require.ErrorIs(t, err, c.err, name)
		require.ErrorContains(t, err, c.says, name)
	}
	require.Equal(t, before, everything(t, s, "a"), "all or none")

	marks, err := s.Marks(t.Context(), 10)
	require.NoError(t, err)
	require.NoError(t, s.CommitFold(t.Context(), record.Folded{Mark: marks[0]}))
	require.NoError(t, s.Release(t.Context(), []int64{id(0), id(1)}, t0.Add(time.Hour), "Ida"))
	require.Equal(t, []reading.Reading{past, alone, keyed(runA, 1)}, readAll(t, s, "a"))
	require.Len(t, quarantine(t, s, "a"), 3)
	_, err = s.Refused(t.Context(), id(0))
	require.NoError(t, err, "it can still be looked at")
	require.ErrorContains(t, s.Release(t.Context(), []int64{id(0)}, t0, "Ida"), "was stored after all")
	marks, err = s.Marks(t.Context(), 10)
	require.NoError(t, err)
	require.Len(t, marks, 1)
	require.Equal(t, []unit.Instant{past.Time, alone.Time}, []unit.Instant{marks[0].From, marks[0].To})
	c, own := balance(t, s)
	require.Equal(t, int64(2), c.Released)
	require.Equal(t, int64(2), own["a"].Released)
	require.Equal(t, 1, commit(t, s, arrival("a", past))[0].Repeated, "sent again")

	var n int
	require.NoError(t, e.raw(t, where).QueryRowContext(t.Context(), `select count(*) from audit where author = 'Ida' and action = 'release' and object like 'number % of a'`).Scan(&n))
	require.Equal(t, 2, n)
}

// withLimits opens a store with bounds that a test can meet.
func withLimits(t *testing.T, e engine, lim limits, stations ...string) storage {
	t.Helper()
	s := e.new(t, stations...)
	s.(*Store).limits = lim
	return s
}

// tight bounds of a test; what isn't tested is generous.
func tight(change func(*limits)) limits {
	lim := generous
	change(&lim)
	return lim
}

func testTooManyGaps(t *testing.T, e engine) {
	s := withLimits(t, e, tight(func(l *limits) { l.spans = 3 }), "a")
	got := commit(t, s, seqs("a", runA, 1, 3, 5, 7, 9))
	require.Equal(t, record.Outcome{Station: "a", Runs: []record.RunState{{Run: runA, Upto: 1}}, Stored: 3, Refused: 2}, got[0])
	require.Equal(t, map[reading.Reason]int64{reading.ReasonGaps: 2}, counts(t, s).Refused)

	// What fits to a stretch is stored, whatever its place; so is what closes
	// two together, and makes room.
	got = commit(t, s, seqs("a", runA, 6, 7, 2))
	require.Equal(t, record.Outcome{Station: "a", Runs: []record.RunState{{Run: runA, Upto: 3}}, Stored: 3}, got[0])
	got = commit(t, s, seqs("a", runA, 9, 11, 9))
	require.Equal(t, record.Outcome{Station: "a", Runs: []record.RunState{{Run: runA, Upto: 3}}, Stored: 1, Repeated: 1, Refused: 1}, got[0],
		"9 is not settled by having been refused; 11 is the fourth stretch")
	got = commit(t, s, seqs("a", runA, 11))
	require.Equal(t, 1, got[0].Repeated, "the same again")
	bad := arrival("a")
	bad.Batch.Refused = []reading.Refusal{
		refused(reading.ReasonMalformed, "bad 20", runA, 20), refused(reading.ReasonMalformed, "bad 10", runA, 10), early(t0, keyed(runA, 30)),
	}
	got = commit(t, s, bad)
	require.Equal(t, 3, got[0].Refused)
	require.Equal(t, map[reading.Reason]int64{reading.ReasonGaps: 5, reading.ReasonMalformed: 1}, counts(t, s).Refused)
	n, err := s.ReleaseDue(t.Context(), never)
	require.NoError(t, err)
	require.Zero(t, n, "what is not settled is not stored by itself: it may come again")
	got = commit(t, s, seqs("a", runA, 4, 8, 11))
	require.Equal(t, int64(11), got[0].Runs[0].Upto)
	require.Equal(t, 3, got[0].Stored)
}

func testTooManyRuns(t *testing.T, e engine) {
	s := withLimits(t, e, tight(func(l *limits) { l.runs = 2 }), "a", "b")
	runOf := func(i int) string { return fmt.Sprintf("%016x", i) }
	at := func(a record.Arrival, at unit.Instant) record.Arrival { a.At = at; return a }
	got := commit(t, s, at(seqs("a", runOf(1), 1), t0), at(seqs("a", runOf(2), 1), t0), at(withOldest(seqs("a", runOf(3), 4), runOf(3), 4), t0),
		at(seqs("b", runOf(3), 1), t0), at(arrival("a", unkeyed(1, 5)), t0))
	require.Equal(t, record.Outcome{Station: "a", Refused: 1}, got[2], "and no receipt")
	require.Equal(t, 1, got[3].Stored, "others have their own")
	require.Equal(t, 1, got[4].Stored)
	require.Equal(t, map[reading.Reason]int64{reading.ReasonRuns: 1}, counts(t, s).Refused)

	bad := at(seqs("a", runOf(3), 4), t0.Add(time.Hour)) // in another transaction
	bad.Batch.Refused = []reading.Refusal{refused(reading.ReasonMalformed, "bad", runOf(3), 5), refused(reading.ReasonMalformed, "bad", runOf(2), 2)}
	got = commit(t, s, bad)
	require.Equal(t, record.Outcome{Station: "a", Runs: []record.RunState{{Run: runOf(2), Upto: 2}}, Repeated: 1, Refused: 2}, got[0])
	require.Equal(t, map[reading.Reason]int64{reading.ReasonRuns: 2, reading.ReasonMalformed: 1}, counts(t, s).Refused)

	got = commit(t, s, at(withOldest(seqs("a", runOf(3), 4), runOf(3), 4), t0.Add(day)))
	require.Equal(t, record.Outcome{Station: "a", Runs: []record.RunState{{Run: runOf(3), Upto: 4}}, Stored: 1}, got[0], "tomorrow it may begin")
	counts(t, s)
}

func testTooMuchQuarantine(t *testing.T, e engine) {
	const size = 100 + rowBytes + 3 // "why"
	s := withLimits(t, e, tight(func(l *limits) { l.quarantined = 3*size + 10 }), "a", "b")
	send := func(station string, at unit.Instant, n int) record.Outcome {
		t.Helper()
		a := arrival(station)
		a.At = at
		for range n {
			a.Batch.Refused = append(a.Batch.Refused, refused(reading.ReasonMalformed, strings.Repeat("x", 100), "", 0))
		}
		return commit(t, s, a)[0]
	}
	require.Equal(t, 5, send("a", t0, 5).Refused, "all are counted")
	require.Len(t, quarantine(t, s, "a"), 3)
	require.Equal(t, 2, send("a", t0.Add(time.Hour), 2).Refused)
	require.Len(t, quarantine(t, s, "a"), 3)
	_, own := balance(t, s)
	require.Equal(t, []record.Held{{Reason: reading.ReasonMalformed, Kept: 3, Unkept: 4}}, own["a"].Held)
	send("b", t0, 1)
	require.Len(t, quarantine(t, s, "b"), 1, "others have their own")
	send("a", t0.Add(day), 1)
	require.Len(t, quarantine(t, s, "a"), 4, "tomorrow it goes on")
	for i := range 9 {
		send(fmt.Sprint("nobody-", i), t0, 1)
	}
	_, own = balance(t, s)
	held := own[""].Held
	require.Len(t, held, 1)
	require.Equal(t, int64(9), held[0].Kept+held[0].Unkept)
	require.Less(t, held[0].Kept, int64(4), "all who are not enrolled share one bound")
}

// A collector whose clock is behind takes a whole spool for what lies ahead. Its
// stations forget what they sent, so all of it must be there when the clock is
// right, however much it is.
func testClockBehind(t *testing.T, e engine) {
	s := withLimits(t, e, tight(func(l *limits) { l.quarantined = 3 * rowBytes }), "a")
	a := arrival("a")
	a.At = t0
	const n = 50
	for seq := int64(1); seq <= n; seq++ {
		x := keyed(runA, seq)
		x.Time = x.Time.Add(day)
		a.Batch.Refused = append(a.Batch.Refused, early(a.At, x))
	}
	require.Equal(t, []record.RunState{{Run: runA, Upto: n}}, commit(t, s, a)[0].Runs)
	_, err := s.ReleaseDue(t.Context(), t0.Add(2*day))
	require.NoError(t, err)
	require.Len(t, readAll(t, s, "a"), n)
	balance(t, s)
}

func testTooManyContents(t *testing.T, e engine) {
	s := withLimits(t, e, tight(func(l *limits) { l.contents = 3 }), "a")
	commit(t, s, seqs("a", runA, 1))
	for i := range 6 {
		x := keyed(runA, 1)
		x.Set(reading.InsideTemp, float64(i-20))
		require.Equal(t, 1, commit(t, s, arrival("a", x))[0].Conflicts)
	}
	_, own := balance(t, s)
	require.Equal(t, []record.Held{{Reason: reading.ReasonConflict, Kept: 3, Unkept: 3}}, own["a"].Held)
	bad := func(station string, i int) record.Arrival {
		a := arrival(station)
		a.Batch.Refused = []reading.Refusal{refused(reading.ReasonMalformed, fmt.Sprint("bad ", i), runA, 2)}
		return a
	}
	for i := range 5 {
		require.Equal(t, 1, commit(t, s, bad("a", i))[0].Refused)
		require.Equal(t, 1, commit(t, s, bad("nobody", i))[0].Refused)
	}
	_, own = balance(t, s)
	require.Equal(t, record.Held{Reason: reading.ReasonMalformed, Kept: 3, Unkept: 2}, own["a"].Held[1])
	require.Equal(t, record.Held{Reason: reading.ReasonUnknown, Kept: 3, Unkept: 2}, own[""].Held[0])
}

// A detail that cites a hostile line is cut, at a whole letter.
func testLongDetail(t *testing.T, e engine) {
	s := e.new(t, "a")
	a := arrival("a")
	a.Batch.Refused = []reading.Refusal{refused(reading.ReasonMalformed, "x", "", 0)}
	a.Batch.Refused[0].Detail = "x" + strings.Repeat("é", 1000)
	commit(t, s, a)
	require.Equal(t, "x"+strings.Repeat("é", 249)+"…", quarantine(t, s, "a")[0].Detail)
	a.Batch.Refused[0].Detail = "cites \x1b[2J\xff\u202e"
	commit(t, s, a)
	require.Equal(t, "cites ?[2J??", quarantine(t, s, "a")[0].Detail)
}

// The marks with the shortest stretches and those that wait longest come in
// turn.
func testMarksInTurn(t *testing.T, e engine) {
	s := e.new(t, "a", "b", "c", "d", "e", "f")
	long := func(station string, hours int64) record.Arrival {
		x, y := keyed(runA, 1), keyed(runA, 2)
		y.Time = x.Time.Add(time.Duration(hours) * time.Hour)
		return arrival(station, x, y)
	}
	for i, station := range []string{"a", "b", "c", "d"} {
		commit(t, s, long(station, int64(100-i)))
	}
	commit(t, s, seqs("e", runA, 1))
	commit(t, s, seqs("f", runA, 1))
	var order []string
	for _, m := range marks(t, s) {
		order = append(order, m.Station)
	}
	require.Equal(t, []string{"e", "a", "f", "b", "d", "c"}, order)
	few, err := s.Marks(t.Context(), 2)
	require.NoError(t, err)
	require.Equal(t, []string{"e", "a"}, []string{few[0].Station, few[1].Station})
}

func TestSpansOpens(t *testing.T) {
	var s spans
	require.True(t, s.opens(1))
	for _, n := range []int64{3, 4, 9, math.MaxInt64 - 1} {
		s.add(n)
	}
	for n, want := range map[int64]bool{
		1: true, 2: false, 3: false, 4: false, 5: false, 6: true, 7: true, 8: false, 9: false, 10: false, 11: true,
		math.MaxInt64 - 3: true, math.MaxInt64 - 2: false, math.MaxInt64: false,
	} {
		require.Equal(t, want, s.opens(n), n)
	}
}
