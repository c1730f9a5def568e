package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/breathing"
	"dewpost/rules/equal"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/sensing"
	"dewpost/rules/unit"
)

// storage is what every engine does.
type storage interface {
	doorStorage
	Close() error
	AddStation(ctx context.Context, st record.Station, author string, facts ...fact.Fact) error
	identityStorage
	orderStorage
	importStorage
	boxStorage
	aheadStorage
	lineStorage
	Retire(ctx context.Context, id string, at unit.Instant, author string) error
	Stations(ctx context.Context) ([]record.Station, error)
	Station(ctx context.Context, id string) (record.Station, error)
	AddFacts(ctx context.Context, facts []fact.Fact) error
	Facts(ctx context.Context, subject fact.Subject) ([]fact.Fact, error)
	Sites(ctx context.Context) ([]string, error)
	Commit(ctx context.Context, arrivals []record.Arrival) ([]record.Outcome, error)
	Marks(ctx context.Context, limit int) ([]record.Mark, error)
	UseRules(ctx context.Context, version int) error
	Readings(ctx context.Context, station string, from, to unit.Instant) ([]reading.Reading, error)
	InstantBefore(ctx context.Context, station string, t unit.Instant) (unit.Instant, bool, error)
	InstantAfter(ctx context.Context, station string, t unit.Instant) (unit.Instant, bool, error)
	Span(ctx context.Context, station string) (first, last unit.Instant, ok bool, err error)
	Latest(ctx context.Context) (map[string]unit.Instant, error)
	CommitFold(ctx context.Context, f ...record.Folded) error
	Hours(ctx context.Context, station string, from, to unit.Instant) ([]exposure.Hour, error)
	Occurrences(ctx context.Context, station string) ([]alarm.Occurrence, error)
	OpenOccurrences(ctx context.Context) ([]alarm.Occurrence, error)
	Events(ctx context.Context, station string, kind finding.Kind, number int64) ([]alarm.Event, error)
	Unsent(ctx context.Context, limit int) ([]record.Message, error)
	MarkSent(ctx context.Context, eventID string, at unit.Instant) error
	Quarantine(ctx context.Context, want record.QuarantineQuery) ([]record.Quarantined, error)
	Refused(ctx context.Context, id int64) (record.Quarantined, error)
	Release(ctx context.Context, ids []int64, at unit.Instant, author string) error
	KeepStates(ctx context.Context, list []record.State) (int, error)
	Custody(ctx context.Context) ([]record.Custody, error)
	Settled(ctx context.Context, after string, limit int) ([]record.Outcome, error)
	ReleaseDue(ctx context.Context, now unit.Instant) (int, error)
	Counts(ctx context.Context) (record.Counts, error)
	Changes(ctx context.Context) (string, error)
	PackDays(ctx context.Context, closed unit.Instant, after string, stations int) (record.Packed, string, error)
}

// engine makes stores for the suite.
type engine struct {
	fresh func(t *testing.T) (where string) // nothing is in it, but perhaps the schema
	empty func(t *testing.T) (where string)
	open  func(ctx context.Context, where string) (storage, error)
	raw   func(t *testing.T, where string) *sql.DB // past the store

	breakInserts string                // statement after which inserts into table %s fail
	repair       string                // takes it back
	bytes        func(b []byte) string // writes bytes in SQL

	hasty string                                    // statement after which a connection waits for nobody
	files func(t *testing.T, where string) []string // in which what is stored is
}

// promises are all that a store promises.
var promises = map[string]func(*testing.T, engine){
	"Stations":            testStations,
	"StoreAndReadBack":    testStoreAndReadBack,
	"Repeats":             testRepeats,
	"Reordered":           testReordered,
	"Conflicts":           testConflicts,
	"GapsAndOldest":       testGapsAndOldest,
	"HostileSeqs":         testHostileSeqs,
	"Unkeyed":             testUnkeyed,
	"RefusedLines":        testRefusedLines,
	"UnknownStation":      testUnknownStation,
	"ReleaseDue":          testReleaseDue,
	"Counts":              testCounts,
	"ReadingsOfManyDays":  testReadingsOfManyDays,
	"SmallMessagesGrow":   testSmallMessagesGrow,
	"Marks":               testMarks,
	"MarkOvertaken":       testMarkOvertaken,
	"FoldOvertaken":       testFoldOvertaken,
	"MarksStayFew":        testMarksStayFew,
	"UseRules":            testUseRules,
	"LedgerRoundTrip":     testLedgerRoundTrip,
	"OccurrencesAndBox":   testOccurrencesAndOutbox,
	"CommitIsAtomic":      testCommitIsAtomic,
	"CommitFoldIsAtomic":  testCommitFoldIsAtomic,
	"CancelledCommit":     testCancelledCommit,
	"Reopen":              testReopen,
	"ConcurrentReaders":   testConcurrentReaders,
	"NewerSchema":         testNewerSchema,
	"Facts":               testFacts,
	"FactsMarkForRefold":  testFactsMarkForRefold,
	"AgainstModel":        testAgainstModel,
	"DamageIsNotReadings": testDamage,
	"States":              testStates,
	"DamagedState":        testDamagedState,
	"Custody":             testCustody,
	"Settled":             testSettled,
	"QuarantinePages":     testQuarantinePages,
	"Release":             testRelease,
	"TooManyGaps":         testTooManyGaps,
	"TooManyRuns":         testTooManyRuns,
	"TooMuchQuarantine":   testTooMuchQuarantine,
	"ClockBehind":         testClockBehind,
	"TooManyContents":     testTooManyContents,
	"LongDetail":          testLongDetail,
	"MarksInTurn":         testMarksInTurn,
	"Accounts":            testAccounts,
	"Sessions":            testSessions,
	"SessionsStayFew":     testSessionsStayFew,
	"Tokens":              testTokens,
	"Audit":               testAudit,
	"DoorIsAtomic":        testDoorIsAtomic,
}

// also adds a promise.
func also(name string, test func(*testing.T, engine)) { promises[name] = test }

// suite runs everything that a store promises against an engine, and reports when
// all of it was run and held. Much of it waits, so promises run beside each other.
func suite(t *testing.T, e engine, report func()) {
	t.Parallel()
	var ran atomic.Int64
	t.Cleanup(func() {
		if !t.Failed() && int(ran.Load()) == len(promises) {
			report()
		}
	})
	for name, test := range promises {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			ran.Add(1)
			test(t, e)
		})
	}
}

const (
	runA = "00000000000000aa"
	runB = "00000000000000bb"
)

// t0 is noon, so that readings of a day and a half lie in two UTC days.
var t0 = unit.At(time.Date(2025, 11, 5, 12, 0, 0, 0, time.UTC))

const always, never = unit.Instant(math.MinInt64), unit.Instant(math.MaxInt64)

func (e engine) new(t *testing.T, stations ...string) storage {
	t.Helper()
	return e.openAt(t, e.fresh(t), stations...)
}

func (e engine) openAt(t *testing.T, where string, stations ...string) storage {
	t.Helper()
	s, err := e.open(t.Context(), where)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	for _, id := range stations {
		enrol(t, s, id)
	}
	return s
}

// keyed is reading seq of a run: a minute after the one before.
func keyed(run string, seq int64) reading.Reading {
	r := reading.Reading{Time: t0.Add(unitMinutes(seq % 100_000)), Run: run, Seq: seq}
	r.Set(reading.InsideTemp, 11.42+float64(seq%10)/100)
	r.Set(reading.InsideRH, 88.31)
	return r
}

func unkeyed(minute int64, temp float64) reading.Reading {
	r := reading.Reading{Time: t0.Add(unitMinutes(minute))}
	r.Set(reading.InsideTemp, temp)
	return r
}

func arrival(station string, rs ...reading.Reading) record.Arrival {
	return record.Arrival{Station: station, At: t0.Add(30 * day), Batch: reading.Batch{Readings: rs}}
}

func seqs(station, run string, list ...int64) record.Arrival {
	a := arrival(station)
	for _, n := range list {
		a.Batch.Readings = append(a.Batch.Readings, keyed(run, n))
	}
	return a
}

func withOldest(a record.Arrival, run string, oldest int64) record.Arrival {
	a.Batch.Oldest = map[string]int64{run: oldest}
	return a
}

func commit(t *testing.T, s storage, as ...record.Arrival) []record.Outcome {
	t.Helper()
	got, err := s.Commit(t.Context(), as)
	require.NoError(t, err)
	require.Len(t, got, len(as))
	return got
}

func readAll(t *testing.T, s storage, station string) []reading.Reading {
	t.Helper()
	rs, err := s.Readings(t.Context(), station, always, never)
	require.NoError(t, err)
	return rs
}

func quarantine(t *testing.T, s storage, station string) []record.Quarantined {
	t.Helper()
	q, err := s.Quarantine(t.Context(), record.QuarantineQuery{Station: station, Limit: 1000})
	require.NoError(t, err)
	return q
}

func counts(t *testing.T, s storage) record.Counts {
	t.Helper()
	c, own := balance(t, s)
	quarantineIsCounted(t, s, own)
	return c
}

// balance reads all counts, after it has checked that nothing is missing from
// those of all and of each station.
func balance(t require.TestingT, s storage) (record.Counts, map[string]record.Custody) {
	ctx := context.Background()
	c, err := s.Counts(ctx)
	require.NoError(t, err)
	refused := int64(0)
	for _, n := range c.Refused {
		refused += n
	}
	require.Equal(t, c.Received+c.Released, c.Stored+c.Repeated+refused, "the balance of %+v", c)

	list, err := s.Custody(ctx)
	require.NoError(t, err)
	own := make(map[string]record.Custody)
	var sum record.Custody
	for _, o := range list {
		require.Zero(t, o.Missing(), "the balance of %+v", o)
		own[o.Station] = o
		sum.Received += o.Received
		sum.Released += o.Released
		sum.Stored += o.Stored
		sum.Repeated += o.Repeated
		sum.Refused += o.Refused
		sum.Discarded += o.Discarded
	}
	require.Equal(t, record.Custody{
		Received: c.Received, Released: c.Released, Stored: c.Stored, Repeated: c.Repeated, Refused: refused, Discarded: c.Discarded,
	}, sum)
	require.Empty(t, list[len(list)-1].Station)
	return c, own
}

// quarantineIsCounted checks that quarantine holds as much as is counted there.
func quarantineIsCounted(t require.TestingT, s storage, own map[string]record.Custody) {
	kept := make(map[reading.Reason]int64)
	for _, o := range own {
		for _, h := range o.Held {
			kept[h.Reason] += h.Kept
		}
	}
	held, err := s.Quarantine(context.Background(), record.QuarantineQuery{Limit: math.MaxInt32})
	require.NoError(t, err)
	for _, q := range held {
		kept[q.Reason]--
	}
	for reason, n := range kept {
		require.Zero(t, n, "quarantine says so many more of %s than it holds", reason)
	}
}

func testStations(t *testing.T, e engine) {
	s := e.new(t, "b", "a")
	list, err := s.Stations(t.Context())
	require.NoError(t, err)
	require.Equal(t, []string{"a", "b"}, []string{list[0].ID, list[1].ID})
	require.Equal(t, testSecret(t, "a").Password(), list[0].Secret.Password())

	require.ErrorContains(t, s.AddStation(t.Context(), record.Station{ID: "a", Secret: testSecret(t, "x")}, "test"), "enrolled already")
	require.ErrorContains(t, s.AddStation(t.Context(), record.Station{ID: "A", Secret: testSecret(t, "x")}, "test"), `"A"`)
	require.ErrorContains(t, s.AddStation(t.Context(), record.Station{ID: "c"}, "test"), "no secret")
	_, err = s.Station(t.Context(), "c")
	require.ErrorIs(t, err, record.ErrNotFound)

	require.NoError(t, s.Retire(t.Context(), "a", 8, "test"))
	a, err := s.Station(t.Context(), "a")
	require.NoError(t, err)
	require.Equal(t, record.Station{ID: "a", Secret: testSecret(t, "a"), Enrolled: 1, Retired: 8}, a)

	require.ErrorIs(t, s.Retire(t.Context(), "a", 9, "test"), record.ErrNotFound, "retired twice")

	// What is known of a station is recorded with it, or it isn't enrolled.
	c := record.Station{ID: "c", Secret: testSecret(t, "c"), Enrolled: t0}
	require.Error(t, s.AddStation(t.Context(), c, "test", stationFact("c", fact.Zone, t0, "no zone")))
	require.ErrorAs(t, s.AddStation(t.Context(), c, "test", stationFact("c", fact.Site, t0, "lake")), new(fact.Refused))
	_, err = s.Station(t.Context(), "c")
	require.ErrorIs(t, err, record.ErrNotFound)
	require.NoError(t, s.AddStation(t.Context(), c, "test", stationFact("c", fact.MaxGap, t0, "90m")))
	facts, err := s.Facts(t.Context(), fact.Subject{Kind: fact.KindStation, ID: "c"})
	require.NoError(t, err)
	require.Len(t, facts, 1)
}

func testStoreAndReadBack(t *testing.T, e engine) {
	s := e.new(t, "a", "b")
	full := keyed(runA, 1)
	for c := range reading.NumChannels {
		full.Set(c, 1/float64(c+3))
	}
	full.Flags = "clock"
	bare := reading.Reading{Time: t0.Add(time.Nanosecond), Run: runA, Seq: 2, Flags: "failed:inside_temp_c"}
	nothing := reading.Reading{Time: t0.Add(2 * time.Nanosecond), Run: runA, Seq: 3}

	got := commit(t, s, arrival("a", full, bare, nothing), seqs("b", runA, 1))
	require.Equal(t, []record.Outcome{
		{Station: "a", Runs: []record.RunState{{Run: runA, Upto: 3}}, Stored: 3},
		{Station: "b", Runs: []record.RunState{{Run: runA, Upto: 1}}, Stored: 1},
	}, got)
	require.Equal(t, []reading.Reading{bare, nothing, full}, readAll(t, s, "a"))
	require.Equal(t, []reading.Reading{keyed(runA, 1)}, readAll(t, s, "b"))
	require.Empty(t, readAll(t, s, "c"))

	latest, err := s.Latest(t.Context())
	require.NoError(t, err)
	require.Equal(t, map[string]unit.Instant{"a": full.Time, "b": full.Time}, latest)

	none, err := s.Commit(t.Context(), nil)
	require.NoError(t, err)
	require.Empty(t, none)
}

func testRepeats(t *testing.T, e engine) {
	s := e.new(t, "a")
	commit(t, s, seqs("a", runA, 1, 2, 3))
	// Again, cut otherwise, twice in one commit and twice in one message.
	got := commit(t, s, seqs("a", runA, 2), seqs("a", runA, 1, 2, 3, 4, 4), seqs("a", runA, 4, 5))
	require.Equal(t, []int{0, 1, 1}, []int{got[0].Stored, got[1].Stored, got[2].Stored})
	require.Equal(t, []int{1, 4, 1}, []int{got[0].Repeated, got[1].Repeated, got[2].Repeated})
	require.Equal(t, record.RunState{Run: runA, Upto: 5}, got[0].Runs[0], "as of the end of the commit")
	require.Equal(t, seqs("a", runA, 1, 2, 3, 4, 5).Batch.Readings, readAll(t, s, "a"))
	require.Empty(t, quarantine(t, s, "a"))
	require.Equal(t, int64(6), counts(t, s).Repeated)
}

func testReordered(t *testing.T, e engine) {
	s := e.new(t, "a")
	got := commit(t, s, seqs("a", runA, 9, 7, 8))
	require.Equal(t, int64(0), got[0].Runs[0].Upto)
	got = commit(t, s, seqs("a", runA, 3, 2))
	require.Equal(t, int64(0), got[0].Runs[0].Upto)
	got = commit(t, s, seqs("a", runB, 1), seqs("a", runA, 6, 5, 1, 4))
	require.Equal(t, []record.RunState{{Run: runB, Upto: 1}}, got[0].Runs)
	require.Equal(t, []record.RunState{{Run: runA, Upto: 9}}, got[1].Runs)
	require.Equal(t, []reading.Reading{
		keyed(runA, 1), keyed(runB, 1), keyed(runA, 2), keyed(runA, 3), keyed(runA, 4),
		keyed(runA, 5), keyed(runA, 6), keyed(runA, 7), keyed(runA, 8), keyed(runA, 9),
	}, readAll(t, s, "a"))
}

func testConflicts(t *testing.T, e engine) {
	s := e.new(t, "a")
	commit(t, s, seqs("a", runA, 1, 2, 3))
	value := keyed(runA, 2)
	value.Set(reading.InsideTemp, 12)
	moved := keyed(runA, 3)
	moved.Time = moved.Time.Add(9 * day)
	flags := keyed(runA, 1)
	flags.Flags = "clock"
	for range 2 { // the same conflicts again are no new ones
		commit(t, s, arrival("a", value, moved, flags))
	}
	q := quarantine(t, s, "a")
	require.Len(t, q, 3)
	for i, want := range []reading.Reading{flags, moved, value} {
		raw, err := reading.AppendLine(nil, "a", &want, 0)
		require.NoError(t, err)
		require.Equal(t, reading.ReasonConflict, q[i].Reason)
		require.Equal(t, string(raw), string(q[i].Raw))
		require.Contains(t, q[i].Detail, fmt.Sprintf("seq %d", want.Seq))
	}
	require.Equal(t, seqs("a", runA, 1, 2, 3).Batch.Readings, readAll(t, s, "a"), "the first stays")

	// A conflict within one message, and with the message before in one commit.
	other := keyed(runA, 4)
	other.Clear(reading.InsideRH)
	third := keyed(runA, 4)
	third.Clear(reading.InsideTemp)
	got := commit(t, s, arrival("a", keyed(runA, 4), other), arrival("a", third))
	require.Equal(t, []int{1, 1}, []int{got[0].Conflicts, got[1].Conflicts})
	require.Equal(t, []int{1, 1}, []int{got[0].Refused, got[1].Refused})
	require.Equal(t, int64(4), got[1].Runs[0].Upto)
	require.Equal(t, int64(5), counts(t, s).Refused[reading.ReasonConflict])
}

func testGapsAndOldest(t *testing.T, e engine) {
	s := e.new(t, "a")
	got := commit(t, s, withOldest(seqs("a", runA, 3, 4), runA, 3))
	require.Equal(t, int64(4), got[0].Runs[0].Upto, "1 and 2 are given up")
	require.Equal(t, int64(2), counts(t, s).Discarded)

	got = commit(t, s, withOldest(seqs("a", runA, 8), runA, 6))
	require.Equal(t, int64(5), got[0].Runs[0].Upto, "5 is given up, 6 and 7 may come")
	require.Equal(t, int64(3), counts(t, s).Discarded)

	got = commit(t, s, withOldest(seqs("a", runA, 2), runA, 1))
	require.Equal(t, 1, got[0].Stored, "given up, and came after all")
	require.Equal(t, int64(5), got[0].Runs[0].Upto, "the largest oldest counts")
	require.Equal(t, int64(2), counts(t, s).Discarded)

	got = commit(t, s, withOldest(arrival("a"), runA, 9))
	require.Equal(t, []record.RunState{{Run: runA, Upto: 8}}, got[0].Runs, "oldest alone")
	require.Equal(t, int64(4), counts(t, s).Discarded)
	require.Len(t, readAll(t, s, "a"), 4)
}

func testHostileSeqs(t *testing.T, e engine) {
	s := e.new(t, "a")
	const most = math.MaxInt64
	got := commit(t, s, seqs("a", runA, most, 1, most-1))
	require.Equal(t, 3, got[0].Stored)
	require.Equal(t, int64(1), got[0].Runs[0].Upto)
	got = commit(t, s, withOldest(seqs("a", runA, most, 1, most-1, 2), runA, most))
	require.Equal(t, 3, got[0].Repeated)
	require.Equal(t, int64(most), got[0].Runs[0].Upto)
	commit(t, s, withOldest(arrival("a"), runB, most))
	require.Equal(t, int64(2*maxDiscarded), counts(t, s).Discarded)
	require.Len(t, readAll(t, s, "a"), 4)
}

func testUnkeyed(t *testing.T, e engine) {
	s := e.new(t, "a")
	got := commit(t, s, arrival("a", unkeyed(1, 10), unkeyed(2, 10), unkeyed(1, 10)))
	require.Equal(t, record.Outcome{Station: "a", Stored: 2, Repeated: 1}, got[0])
	got = commit(t, s,
		arrival("a", unkeyed(2, 10), unkeyed(2, 10.5), unkeyed(2000, 10)), // other content, another day
		arrival("a", unkeyed(2000, 10), unkeyed(1, 10)))
	require.Equal(t, []int{2, 0}, []int{got[0].Stored, got[1].Stored})
	require.Equal(t, []int{1, 2}, []int{got[0].Repeated, got[1].Repeated})

	// With run and seq it is another reading, though it says the same.
	k := unkeyed(1, 10)
	k.Run, k.Seq = runA, 1
	got = commit(t, s, arrival("a", k, unkeyed(1, 10)))
	require.Equal(t, 1, got[0].Stored)
	require.Equal(t, 1, got[0].Repeated)
	require.ElementsMatch(t, []reading.Reading{unkeyed(1, 10), k, unkeyed(2, 10), unkeyed(2, 10.5), unkeyed(2000, 10)}, readAll(t, s, "a"))
	require.Empty(t, quarantine(t, s, ""))
}

// refused is a line that could not be read.
func refused(reason reading.Reason, raw, run string, seq int64) reading.Refusal {
	return reading.Refusal{Line: 1, Reason: reason, Detail: "why", Raw: []byte(raw), Run: run, Seq: seq}
}

func testRefusedLines(t *testing.T, e engine) {
	s := e.new(t, "a")
	a := seqs("a", runA, 1, 3)
	a.Batch.Refused = []reading.Refusal{
		refused(reading.ReasonMalformed, "bad two", runA, 2),
		refused(reading.ReasonMalformed, "no key", "", 0),
		refused(reading.ReasonOversize, "", "", 0),
	}
	got := commit(t, s, a)
	require.Equal(t, record.Outcome{Station: "a", Runs: []record.RunState{{Run: runA, Upto: 3}}, Stored: 2, Refused: 3}, got[0])

	// The same bad line again, first in its message this time; then another.
	a = arrival("a")
	a.Batch.Refused = []reading.Refusal{
		refused(reading.ReasonMalformed, "bad two", runA, 2),
		refused(reading.ReasonMalformed, "reading,run=x seq=4i,oldest=3i,y=", runA, 4),
		refused(reading.ReasonMalformed, "reading,run=x seq=4i,y=", runA, 4),
		refused(reading.ReasonMalformed, "reading,run=x seq=4i,z=", runA, 4),
	}
	got = commit(t, s, a)
	require.Equal(t, 2, got[0].Repeated)
	require.Equal(t, 2, got[0].Refused)
	require.Equal(t, int64(4), got[0].Runs[0].Upto)

	// A good line under a number that was refused: kept, in quarantine.
	got = commit(t, s, seqs("a", runA, 2))
	require.Equal(t, 1, got[0].Conflicts)
	require.Len(t, quarantine(t, s, "a"), 6)

	// Good and bad under one number in one message: the good one is stored.
	a = seqs("a", runA, 5)
	a.Batch.Refused = []reading.Refusal{refused(reading.ReasonMalformed, "bad five", runA, 5)}
	got = commit(t, s, a)
	require.Equal(t, record.Outcome{Station: "a", Runs: []record.RunState{{Run: runA, Upto: 5}}, Stored: 1, Refused: 1}, got[0])

	require.Equal(t, map[reading.Reason]int64{
		reading.ReasonMalformed: 5, reading.ReasonOversize: 1, reading.ReasonConflict: 1,
	}, counts(t, s).Refused)
}

func testUnknownStation(t *testing.T, e engine) {
	s := e.new(t, "gone")
	commit(t, s, seqs("gone", runA, 1))
	require.NoError(t, s.Retire(t.Context(), "gone", t0, "test"))
	for range 2 {
		for _, station := range []string{"nobody", "gone"} {
			a := seqs(station, runA, 2, 3)
			a.Batch.Oldest = map[string]int64{runA: 2}
			a.Batch.Refused = []reading.Refusal{refused(reading.ReasonMalformed, "bad", runA, 4)}
			got := commit(t, s, a)
			require.Empty(t, got[0].Runs, "no receipt")
			require.Zero(t, got[0].Stored)
			require.Equal(t, 3, got[0].Refused+got[0].Repeated)
		}
	}
	for _, station := range []string{"nobody", "gone"} {
		q := quarantine(t, s, station)
		require.Len(t, q, 3, "not again what is there")
		for _, x := range q {
			require.Equal(t, reading.ReasonUnknown, x.Reason)
			require.Contains(t, x.Detail, station)
		}
	}
	require.Len(t, quarantine(t, s, ""), 6)
	require.Equal(t, map[reading.Reason]int64{reading.ReasonUnknown: 6}, counts(t, s).Refused)
	require.Len(t, readAll(t, s, "gone"), 1)

	// The line in quarantine is what Decode takes.
	b := reading.Decode("nobody", quarantine(t, s, "nobody")[2].Raw, t0.Add(day))
	require.Equal(t, []reading.Reading{keyed(runA, 2)}, b.Readings)
}

// early refuses a reading because its time is not reached.
func early(at unit.Instant, r reading.Reading) reading.Refusal {
	return reading.Refusal{Line: 1, Reason: reading.ReasonTime, Detail: "why", Raw: fmt.Appendf(nil, "raw %d %d", r.Time, at), Run: r.Run, Seq: r.Seq, Reading: &r}
}

func testReleaseDue(t *testing.T, e engine) {
	s := e.new(t, "a")
	ahead := keyed(runA, 2)
	ahead.Time = t0.Add(2 * day)
	late := unkeyed(0, 5)
	late.Time = t0.Add(3 * day)
	past := keyed(runA, 3)
	past.Time = unit.Instant(time.Hour) // 1970
	a := seqs("a", runA, 1)
	a.At = t0
	a.Batch.Refused = []reading.Refusal{early(a.At, ahead), early(a.At, late), early(a.At, past)}
	got := commit(t, s, a)
	require.Equal(t, int64(3), got[0].Runs[0].Upto, "settled, though in quarantine")
	require.Len(t, quarantine(t, s, "a"), 3)

	// Sent again, still early; and when its time is reached, so that it decodes.
	b := arrival("a")
	b.At = t0.Add(time.Hour)
	b.Batch.Refused = []reading.Refusal{early(b.At, ahead)}
	require.Equal(t, 1, commit(t, s, b)[0].Repeated)
	require.Equal(t, 1, commit(t, s, arrival("a", ahead))[0].Repeated)

	// Another one under the same number is a conflict and never due, nor is one
	// under the number of a stored reading.
	c := arrival("a")
	c.At = t0.Add(time.Hour)
	for _, seq := range []int64{1, 2} {
		other := ahead
		other.Seq = seq
		other.Set(reading.InsideTemp, -7)
		c.Batch.Refused = append(c.Batch.Refused, early(c.At, other))
	}
	require.Equal(t, 2, commit(t, s, c)[0].Conflicts)
	require.Len(t, quarantine(t, s, "a"), 5)

	n, err := s.ReleaseDue(t.Context(), t0.Add(2*day-1))
	require.NoError(t, err)
	require.Zero(t, n)
	require.Equal(t, []reading.Reading{keyed(runA, 1)}, readAll(t, s, "a"))

	marks, err := s.Marks(t.Context(), 10)
	require.NoError(t, err)
	require.NoError(t, s.CommitFold(t.Context(), record.Folded{Mark: marks[0]}))
	n, err = s.ReleaseDue(t.Context(), t0.Add(2*day))
	require.NoError(t, err)
	require.Equal(t, 1, n)
	require.Equal(t, []reading.Reading{keyed(runA, 1), ahead}, readAll(t, s, "a"))
	marks, err = s.Marks(t.Context(), 10)
	require.NoError(t, err)
	require.Len(t, marks, 1)
	require.Equal(t, ahead.Time, marks[0].From)
	require.Equal(t, ahead.Time, marks[0].To)
	latest, err := s.Latest(t.Context())
	require.NoError(t, err)
	require.Equal(t, ahead.Time, latest["a"])

	// Meanwhile the other one arrived again and was good.
	commit(t, s, arrival("a", late))
	require.NoError(t, s.Retire(t.Context(), "a", t0, "test"))
	n, err = s.ReleaseDue(t.Context(), t0.Add(400*day))
	require.NoError(t, err)
	require.Equal(t, 1, n, "that from 1970 waits for a person")
	require.Equal(t, []reading.Reading{keyed(runA, 1), ahead, late}, readAll(t, s, "a"))
	require.Len(t, quarantine(t, s, "a"), 3, "and two conflicts")

	total := counts(t, s)
	require.Equal(t, int64(2), total.Released)
	require.Equal(t, int64(3), total.Stored)
	require.Equal(t, int64(3), total.Repeated)
}

func testCounts(t *testing.T, e engine) {
	s := e.new(t, "a")
	require.Equal(t, record.Counts{Refused: map[reading.Reason]int64{}, RefusedValues: map[string]int64{}}, counts(t, s))
	a := seqs("a", runA, 1, 2)
	a.Batch.UnknownFields = 3
	a.Batch.RefusedValues[reading.InsideRH] = 2
	a.Batch.Refused = []reading.Refusal{refused(reading.ReasonStation, "x", runA, 3)}
	commit(t, s, a, a)
	require.Equal(t, record.Counts{
		Received: 6, Stored: 2, Repeated: 3, UnknownFields: 6,
		Refused:       map[reading.Reason]int64{reading.ReasonStation: 1},
		RefusedValues: map[string]int64{"inside_rh_pct": 4},
	}, counts(t, s))
}

func testReadingsOfManyDays(t *testing.T, e engine) {
	s := e.new(t, "a", "b")
	var all []reading.Reading
	for i := range int64(60) {
		r := keyed(runA, i+1)
		r.Time = t0.Add(time.Duration(i) * 5 * time.Hour) // 12 days
		all = append(all, r)
		// In messages of one, out of order by a little.
	}
	order := slices.Clone(all)
	for i := 0; i+3 < len(order); i += 4 {
		slices.Reverse(order[i : i+4])
	}
	for part := range slices.Chunk(order, 7) {
		commit(t, s, arrival("a", part...))
	}
	// Before 1970 too: the store has no opinion on times.
	old := unkeyed(0, 1)
	old.Time = -1
	commit(t, s, arrival("a", old), arrival("b", keyed(runA, 1)))
	all = append([]reading.Reading{old}, all...)
	require.Equal(t, all, readAll(t, s, "a"))

	for i, r := range all {
		for _, d := range []time.Duration{-1, 0, 1} {
			at := r.Time.Add(d)
			first := slices.IndexFunc(all, func(x reading.Reading) bool { return x.Time >= at })
			if first < 0 {
				first = len(all)
			}
			got, err := s.Readings(t.Context(), "a", at, never)
			require.NoError(t, err)
			require.Equal(t, len(all)-first, len(got), "from %s", at)
			got, err = s.Readings(t.Context(), "a", always, at)
			require.NoError(t, err)
			require.Equal(t, first, len(got), "to %s", at)

			before, ok, err := s.InstantBefore(t.Context(), "a", at)
			require.NoError(t, err)
			require.Equal(t, first > 0, ok)
			if ok {
				require.Equal(t, all[first-1].Time, before, "before %s", at)
			}
			after := slices.IndexFunc(all, func(x reading.Reading) bool { return x.Time > at })
			next, ok, err := s.InstantAfter(t.Context(), "a", at)
			require.NoError(t, err)
			require.Equal(t, after >= 0, ok)
			if ok {
				require.Equal(t, all[after].Time, next, "after %s", at)
			}
		}
		if i > 0 {
			between, err := s.Readings(t.Context(), "a", all[i-1].Time, r.Time)
			require.NoError(t, err)
			require.Equal(t, []reading.Reading{all[i-1]}, between)
		}
	}
	none, err := s.Readings(t.Context(), "a", never, always)
	require.NoError(t, err)
	require.Empty(t, none)

	first, last, ok, err := s.Span(t.Context(), "a")
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, []unit.Instant{old.Time, all[60].Time}, []unit.Instant{first, last})
	_, _, ok, err = s.Span(t.Context(), "c")
	require.NoError(t, err)
	require.False(t, ok)
	_, ok, err = s.InstantBefore(t.Context(), "c", t0)
	require.NoError(t, err)
	require.False(t, ok)
}

// testSmallMessagesGrow sends readings one by one, two runs in turn and some
// late: what a station that is always online does.
func testSmallMessagesGrow(t *testing.T, e engine) {
	s := e.new(t, "a")
	var want []reading.Reading
	for i := int64(600); i < 900; i++ { // over midnight, at 720
		x, y := keyed(runA, i+1), keyed(runB, i+1)
		commit(t, s, arrival("a", x), arrival("a", y))
		want = append(want, x, y)
		if i%100 == 99 {
			z := keyed(runA, 10_000+i)
			z.Time = t0.Add(-time.Duration(i) * time.Hour)
			commit(t, s, arrival("a", z))
			want = append(want, z)
		}
	}
	slices.SortFunc(want, byTime)
	require.Equal(t, want, readAll(t, s, "a"))
	// Each of them is found again when it is sent again.
	got := commit(t, s, arrival("a", want...))
	require.Equal(t, len(want), got[0].Repeated)
	require.Empty(t, quarantine(t, s, ""))
}

func marks(t *testing.T, s storage) []record.Mark {
	t.Helper()
	m, err := s.Marks(t.Context(), 100)
	require.NoError(t, err)
	return m
}

func testMarks(t *testing.T, e engine) {
	s := e.new(t, "a", "b")
	require.Empty(t, marks(t, s))
	commit(t, s, seqs("a", runA, 10, 12))
	first := marks(t, s)
	require.Len(t, first, 1)
	require.Equal(t, record.Mark{Station: "a", From: keyed(runA, 10).Time, To: keyed(runA, 12).Time, Version: first[0].Version}, first[0])

	commit(t, s, seqs("a", runA, 10, 12)) // nothing new
	require.Equal(t, first, marks(t, s))

	commit(t, s, seqs("b", runA, 1), seqs("a", runA, 3, 11))
	both := marks(t, s)
	require.Len(t, both, 2)
	i := slices.IndexFunc(both, func(m record.Mark) bool { return m.Station == "a" })
	require.Equal(t, keyed(runA, 3).Time, both[i].From)
	require.Equal(t, keyed(runA, 12).Time, both[i].To)
	require.Greater(t, both[i].Version, first[0].Version)

	one, err := s.Marks(t.Context(), 1)
	require.NoError(t, err)
	require.Len(t, one, 1)
}

func testMarkOvertaken(t *testing.T, e engine) {
	s := e.new(t, "a")
	commit(t, s, seqs("a", runA, 1))
	old := marks(t, s)[0]
	commit(t, s, seqs("a", runA, 2))
	require.NoError(t, s.CommitFold(t.Context(), record.Folded{Mark: old}))
	left := marks(t, s)
	require.Len(t, left, 1, "something arrived since it was read")
	require.Equal(t, keyed(runA, 2).Time, left[0].From, "and only that is left")

	require.NoError(t, s.CommitFold(t.Context(), record.Folded{Mark: marks(t, s)[0]}))
	require.Empty(t, marks(t, s))
	commit(t, s, seqs("a", runA, 3))
	m := marks(t, s)[0]
	require.Equal(t, keyed(runA, 3).Time, m.From, "begins anew")
	require.NoError(t, s.CommitFold(t.Context(), record.Folded{Mark: old}))
	require.Len(t, marks(t, s), 1, "a version is never used twice")
	require.NoError(t, s.CommitFold(t.Context(), record.Folded{Mark: record.Mark{Station: "a"}}))
	require.Len(t, marks(t, s), 1, "a fold without a mark clears none")

	require.ErrorIs(t, s.CommitFold(t.Context(), record.Folded{Mark: record.Mark{Station: "x"}}), record.ErrNotFound)
}

// A fold that comes late, since another collector folded the station meanwhile, must
// not put its hours in the place of those: nothing would ask for them again.
func testFoldOvertaken(t *testing.T, e engine) {
	where := e.fresh(t)
	a, b := e.openAt(t, where, "a"), e.openAt(t, where)
	commit(t, a, seqs("a", runA, 1))
	late := replace("a", 0, 1, ledgerHour(0))
	late.Mark, late.ReplaceTo = marks(t, a)[0], never
	commit(t, a, seqs("a", runA, 2))
	want := []exposure.Hour{ledgerHour(0), ledgerHour(1), ledgerHour(2)}
	whole := replace("a", 0, 3, want...)
	whole.Mark, whole.ReplaceTo = marks(t, b)[0], never
	require.NoError(t, b.CommitFold(t.Context(), whole))
	for range 2 {
		require.ErrorIs(t, a.CommitFold(t.Context(), late), record.ErrChanged)
		requireHours(t, want, hours(t, b, "a"))
		commit(t, b, seqs("a", runA, 3)) // also when something newer is marked
		require.Len(t, marks(t, b), 1, "and it stays so")
	}

	// What only came in meanwhile is folded again anyhow.
	next := replace("a", 3, 4, ledgerHour(3))
	next.Mark = marks(t, a)[0]
	commit(t, b, seqs("a", runA, 4))
	require.NoError(t, a.CommitFold(t.Context(), next))
	requireHours(t, append(want, ledgerHour(3)), hours(t, b, "a"))
	require.Equal(t, keyed(runA, 4).Time, marks(t, b)[0].From)

	// A fold takes long, and newer marks take the place of all that it read.
	long := replace("a", 4, 5, ledgerHour(4))
	long.Mark = marks(t, a)[0]
	for n := range int64(markSlots + 1) {
		commit(t, b, seqs("a", runA, 5+n))
	}
	require.NoError(t, a.CommitFold(t.Context(), long))
	require.Equal(t, keyed(runA, 4).Time, marks(t, b)[0].From, "it is folded again")
}

// New rules fold everything again, once.
func testUseRules(t *testing.T, e engine) {
	s := e.new(t, "a", "b")
	require.NoError(t, s.UseRules(t.Context(), 1))
	commit(t, s, seqs("a", runA, 1, 9))
	require.NoError(t, s.CommitFold(t.Context(), record.Folded{Mark: marks(t, s)[0]}))
	require.NoError(t, s.UseRules(t.Context(), 1))
	require.Empty(t, marks(t, s))
	require.NoError(t, s.UseRules(t.Context(), 2))
	again := marks(t, s)
	require.Len(t, again, 1, "b has no readings")
	require.Equal(t, keyed(runA, 1).Time, again[0].From)
	require.Equal(t, keyed(runA, 9).Time, again[0].To)
}

// However often a station changes while nobody folds, its marks stay few and
// say all of it.
func testMarksStayFew(t *testing.T, e engine) {
	where := e.fresh(t)
	s := e.openAt(t, where, "a")
	for seq := int64(1); seq <= 200; seq++ {
		commit(t, s, seqs("a", runA, seq))
	}
	all := marks(t, s)
	require.Len(t, all, 1)
	require.Equal(t, keyed(runA, 1).Time, all[0].From)
	require.Equal(t, keyed(runA, 200).Time, all[0].To)
	var n int
	require.NoError(t, e.raw(t, where).QueryRowContext(t.Context(), "select count(*) from fold_mark").Scan(&n))
	require.LessOrEqual(t, n, 64)
	require.NoError(t, s.CommitFold(t.Context(), record.Folded{Mark: all[0]}))
	require.Empty(t, marks(t, s))
}

// ledgerHour is an hour with a value of its own in every field.
func ledgerHour(i int64) exposure.Hour {
	return exposure.Hour{
		Start: t0.Add(time.Duration(i) * time.Hour),
		Known: i + 1, Unknown: i + 2, Condensing: i + 3, CondensingLow: i + 4, CondensingHigh: i + 5,
		AtRisk: i + 6, AtRiskLow: i + 7, AtRiskHigh: i + 8, Tow: i + 9, Frost: i + 10, Thaw: i + 11,
		CoverWet: i + 12, SaltWet: i + 13, HasCover: true, HasSalt: true,
		Dose: i + 14, Basis: exposure.BasisMixed,
		InsideTempMean: 1.0 / 3, InsideRHMean: math.Pi, MarginMin: -1e-9,
		Until: t0.Add(15),
		End:   exposure.Carry{FrostOpen: true, ThawUsed: 16, WetSince: 17, WetLeft: 18, WetConcluded: 19},
		// Several in one hour are joined by +.
		FactsHash: "0123456789ab+0123456789cd", Rules: 20,
	}
}

// emptyHour is an unknown one.
func emptyHour(i int64) exposure.Hour {
	return exposure.Hour{
		Start: t0.Add(time.Duration(i) * time.Hour), Unknown: int64(time.Hour),
		InsideTempMean: math.NaN(), InsideRHMean: math.NaN(), MarginMin: math.NaN(), Rules: 1,
	}
}

func hours(t *testing.T, s storage, station string) []exposure.Hour {
	t.Helper()
	h, err := s.Hours(t.Context(), station, always, never)
	require.NoError(t, err)
	return h
}

// requireHours compares hours, NaN equal to NaN.
func requireHours(t *testing.T, want, got []exposure.Hour) {
	t.Helper()
	require.Equal(t, fmt.Sprintf("%+v", want), fmt.Sprintf("%+v", got))
	for i := range want {
		for _, p := range [][2]float64{
			{want[i].InsideTempMean, got[i].InsideTempMean},
			{want[i].InsideRHMean, got[i].InsideRHMean},
			{want[i].MarginMin, got[i].MarginMin},
		} {
			require.Equal(t, math.IsNaN(p[0]), math.IsNaN(p[1]))
			if !math.IsNaN(p[0]) {
				require.Equal(t, math.Float64bits(p[0]), math.Float64bits(p[1]))
			}
		}
	}
}

func replace(station string, from, to int64, list ...exposure.Hour) record.Folded {
	return record.Folded{
		Mark:        record.Mark{Station: station},
		ReplaceFrom: t0.Add(time.Duration(from) * time.Hour), ReplaceTo: t0.Add(time.Duration(to) * time.Hour), Hours: list,
	}
}

func testLedgerRoundTrip(t *testing.T, e engine) {
	s := e.new(t, "a", "b")
	var want []exposure.Hour
	for i := range int64(150) { // more than one statement takes
		if i%3 == 1 {
			want = append(want, emptyHour(i))
		} else {
			want = append(want, ledgerHour(i))
		}
	}
	require.NoError(t, s.CommitFold(t.Context(), replace("a", 0, 150, want...)))
	require.NoError(t, s.CommitFold(t.Context(), replace("b", 0, 1, ledgerHour(0))))
	requireHours(t, want, hours(t, s, "a"))

	// A stretch is replaced by fewer hours, its neighbours stay.
	changed := ledgerHour(11)
	changed.Known = 99
	changed.HasCover, changed.CoverWet = false, 0
	require.NoError(t, s.CommitFold(t.Context(), replace("a", 10, 20, changed)))
	want = slices.Concat(want[:10], []exposure.Hour{changed}, want[20:])
	requireHours(t, want, hours(t, s, "a"))
	requireHours(t, []exposure.Hour{ledgerHour(0)}, hours(t, s, "b"))

	got, err := s.Hours(t.Context(), "a", want[2].Start, want[5].Start)
	require.NoError(t, err)
	requireHours(t, want[2:5], got)

	err = s.CommitFold(t.Context(), replace("a", 0, 5, ledgerHour(5)))
	require.ErrorContains(t, err, "outside")
	require.Error(t, s.CommitFold(t.Context(), replace("a", 0, 5, ledgerHour(1), ledgerHour(1))), "one hour twice")
	requireHours(t, want, hours(t, s, "a"))
}

func occurrence(station string, kind finding.Kind, number int64) alarm.Occurrence {
	return alarm.Occurrence{
		Station: station, Number: number, State: alarm.Unacknowledged, Steps: 1,
		Finding: finding.Finding{
			Kind: kind, From: t0.Add(time.Duration(number)), Concluded: t0.Add(day), Confidence: 0.9,
			Evidence: []finding.Evidence{{Name: "condensing_on_end", Value: 13.1, Unit: "h"}},
		},
	}
}

func event(o alarm.Occurrence, step int64, from, to alarm.State) alarm.Event {
	return alarm.Event{
		ID: fmt.Sprintf("%s:%d", o.ID(), step), Station: o.Station, Kind: o.Finding.Kind, Number: o.Number,
		From: from, To: to, At: t0, Recorded: t0.Add(day), Who: "rules", Why: "concluded",
	}
}

func note(o alarm.Occurrence) record.Message {
	return record.Message{EventID: o.ID(), Station: o.Station, Kind: o.Finding.Kind, Number: o.Number, Created: t0.Add(time.Duration(o.Number)), Body: `{"a":1}`}
}

func testOccurrencesAndOutbox(t *testing.T, e engine) {
	s := e.new(t, "a", "b")
	one, two := occurrence("a", finding.BoardWet, 1), occurrence("a", finding.BoardWet, 2)
	damp := occurrence("a", finding.DampWeek, 1)
	damp.Finding.Evidence = nil
	require.NoError(t, s.CommitFold(t.Context(), record.Folded{
		Mark:        record.Mark{Station: "a"},
		Occurrences: []alarm.Occurrence{two, one, damp},
		Events:      []alarm.Event{event(one, 1, alarm.Normal, alarm.Unacknowledged), event(two, 1, alarm.Normal, alarm.Unacknowledged)},
		Outbox:      []record.Message{note(two), note(one)},
	}))
	other := occurrence("b", finding.BoardWet, 1)
	require.NoError(t, s.CommitFold(t.Context(), record.Folded{Mark: record.Mark{Station: "b"}, Occurrences: []alarm.Occurrence{other}}))

	got, err := s.Occurrences(t.Context(), "a")
	require.NoError(t, err)
	require.Equal(t, []alarm.Occurrence{one, two, damp}, got)
	open, err := s.OpenOccurrences(t.Context())
	require.NoError(t, err)
	require.Len(t, open, 4)

	// Moved, ended and told; another one withdrawn.
	one.Finding.From, one.Finding.To, one.State, one.Told, one.Steps = t0.Add(-5), t0.Add(5), alarm.Normal, true, 3
	two.Revised, two.State = true, alarm.Returned
	more := []alarm.Event{event(one, 2, alarm.Unacknowledged, alarm.Returned), event(one, 3, alarm.Returned, alarm.Normal)}
	require.NoError(t, s.CommitFold(t.Context(), record.Folded{
		Mark: record.Mark{Station: "a"}, Occurrences: []alarm.Occurrence{one, two}, Events: more,
		Outbox: []record.Message{note(one)}, // there already
	}))
	got, err = s.Occurrences(t.Context(), "a")
	require.NoError(t, err)
	require.Equal(t, []alarm.Occurrence{one, two, damp}, got)
	open, err = s.OpenOccurrences(t.Context())
	require.NoError(t, err)
	require.Equal(t, []alarm.Occurrence{damp, other}, open)
	events, err := s.Events(t.Context(), "a", finding.BoardWet, 1)
	require.NoError(t, err)
	require.Equal(t, append([]alarm.Event{event(one, 1, alarm.Normal, alarm.Unacknowledged)}, more...), events)

	unsent, err := s.Unsent(t.Context(), 10)
	require.NoError(t, err)
	require.Equal(t, []record.Message{note(one), note(two)}, unsent, "each once, oldest first")
	require.NoError(t, s.MarkSent(t.Context(), note(one).EventID, t0))
	unsent, err = s.Unsent(t.Context(), 10)
	require.NoError(t, err)
	require.Equal(t, []record.Message{note(two)}, unsent)
	require.ErrorIs(t, s.MarkSent(t.Context(), "nothing", t0), record.ErrNotFound)

	err = s.CommitFold(t.Context(), record.Folded{Mark: record.Mark{Station: "a"}, Events: more[:1]})
	require.Error(t, err, "an event is recorded once: somebody else folded")
}

// everything is all that can be read of a station.
func everything(t *testing.T, s storage, station string) string {
	t.Helper()
	ctx := t.Context()
	occurrences, err1 := s.Occurrences(ctx, station)
	var events []alarm.Event
	var errs []error
	for _, o := range occurrences {
		list, err := s.Events(ctx, station, o.Finding.Kind, o.Number)
		events, errs = append(events, list...), append(errs, err)
	}
	unsent, err2 := s.Unsent(ctx, 1000)
	latest, err3 := s.Latest(ctx)
	facts, err4 := s.Facts(ctx, fact.Subject{Kind: fact.KindStation, ID: station})
	require.NoError(t, errors.Join(append(errs, err1, err2, err3, err4)...))
	var held []string
	for _, q := range quarantine(t, s, "") {
		x := q.Reading
		q.Reading = nil
		held = append(held, fmt.Sprintf("%+v %v", q, x)) // what x points to
	}
	return fmt.Sprintf("readings %v\nhours %+v\noccurrences %+v\nevents %+v\nunsent %+v\nlatest %v\nfacts %+v\nmarks %+v\nquarantine %q\ncounts %+v",
		readAll(t, s, station), hours(t, s, station), occurrences, events, unsent, latest, facts, marks(t, s), held, counts(t, s))
}

func exec(t *testing.T, db *sql.DB, query string) {
	t.Helper()
	_, err := db.ExecContext(t.Context(), query)
	require.NoError(t, err)
}

// full is an arrival that touches every table of commit (a).
func fullArrival() record.Arrival {
	a := seqs("a", runA, 1, 2, 3)
	a.Batch.Readings = append(a.Batch.Readings, unkeyed(1, 4))
	a.Batch.Refused = []reading.Refusal{refused(reading.ReasonMalformed, "bad", runA, 4)}
	return a
}

func testCommitIsAtomic(t *testing.T, e engine) {
	where := e.fresh(t)
	s := e.openAt(t, where, "a")
	raw := e.raw(t, where)
	before := everything(t, s, "a")
	for _, table := range []string{"run", "batch", "quarantine", "total", "fold_mark"} {
		exec(t, raw, fmt.Sprintf(e.breakInserts, table))
		_, err := s.Commit(t.Context(), []record.Arrival{seqs("a", runB, 1), fullArrival()})
		require.ErrorContains(t, err, "broken on purpose", table)
		require.Equal(t, before, everything(t, s, "a"), table)
		exec(t, raw, e.repair)
	}
	got := commit(t, s, fullArrival())
	require.Equal(t, 4, got[0].Stored)
	require.Equal(t, int64(4), got[0].Runs[0].Upto)
}

// fullFold touches every table of commit (b).
func fullFold(m record.Mark) record.Folded {
	o := occurrence("a", finding.BoardWet, 1)
	f := replace("a", 0, 2, ledgerHour(0), ledgerHour(1))
	f.Mark = m
	f.Occurrences = []alarm.Occurrence{o}
	f.Events = []alarm.Event{event(o, 1, alarm.Normal, alarm.Unacknowledged)}
	f.Outbox = []record.Message{note(o)}
	f.Box = boxFrom(17, 17, 18)
	f.Box.Usual = &breathing.Usual{Day: "2025-11-20", TauH: 40, LowH: 30}
	f.Box.Outdoors = []equal.Air{{Hour: t0.Floor(time.Hour), Temp: 5, RH: 80}}
	f.Box.Heater = &sensing.Burst{At: t0, Result: sensing.HeaterPassed}
	return f
}

func testCommitFoldIsAtomic(t *testing.T, e engine) {
	where := e.fresh(t)
	s := e.openAt(t, where, "a")
	raw := e.raw(t, where)
	commit(t, s, fullArrival())
	old := replace("a", 0, 2, emptyHour(0), emptyHour(1))
	require.NoError(t, s.CommitFold(t.Context(), old))
	before := everything(t, s, "a")
	fold := fullFold(marks(t, s)[0])
	for _, table := range []string{"ledger_day", "occurrence", "event", "outbox", "box_run", "box_state", "breathing_day", "outdoor_hour", "heater_burst"} {
		exec(t, raw, fmt.Sprintf(e.breakInserts, table))
		require.ErrorContains(t, s.CommitFold(t.Context(), fold), "broken on purpose", table)
		require.Equal(t, before, everything(t, s, "a"), table)
		exec(t, raw, e.repair)
	}
	require.NoError(t, s.CommitFold(t.Context(), fold))
	require.Empty(t, marks(t, s))
	requireHours(t, fold.Hours, hours(t, s, "a"))
}

func testCancelledCommit(t *testing.T, e engine) {
	s := e.new(t, "a")
	before := everything(t, s, "a")
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := s.Commit(ctx, []record.Arrival{fullArrival()})
	require.ErrorIs(t, err, context.Canceled)
	require.ErrorIs(t, s.CommitFold(ctx, fullFold(record.Mark{Station: "a"})), context.Canceled)
	require.Equal(t, before, everything(t, s, "a"))
	commit(t, s, fullArrival())
}

func testReopen(t *testing.T, e engine) {
	where := e.fresh(t)
	s, err := e.open(t.Context(), where)
	require.NoError(t, err)
	enrol(t, s, "a")
	commit(t, s, fullArrival())
	require.NoError(t, s.AddFacts(t.Context(), []fact.Fact{stationFact("a", fact.MaxGap, t0, "90m")}))
	require.NoError(t, s.CommitFold(t.Context(), fullFold(record.Mark{Station: "a"})))
	before := everything(t, s, "a")
	require.NoError(t, s.Close())

	s = e.openAt(t, where)
	require.Equal(t, before, everything(t, s, "a"))
	got := commit(t, s, fullArrival())
	require.Equal(t, record.Outcome{Station: "a", Runs: []record.RunState{{Run: runA, Upto: 4}}, Repeated: 5}, got[0])
	got = commit(t, s, seqs("a", runA, 5))
	require.Equal(t, 1, got[0].Stored)
	require.Len(t, readAll(t, s, "a"), 5)
}

// testConcurrentReaders reads while commits of ten go on: a reader sees whole
// commits, and never fewer than before.
func testConcurrentReaders(t *testing.T, e engine) {
	s := e.new(t, "a")
	const rounds, per = 60, 10
	done := make(chan struct{})
	var wg sync.WaitGroup
	for range 3 {
		wg.Go(func() {
			last := 0
			for {
				rs, err := s.Readings(t.Context(), "a", always, never)
				if err != nil || len(rs)%per != 0 || len(rs) < last {
					t.Errorf("%d readings after %d, error %v", len(rs), last, err)
					return
				}
				last = len(rs)
				select {
				case <-done:
					return
				default:
				}
			}
		})
	}
	for i := range int64(rounds) {
		var list []int64
		for j := range int64(per) {
			list = append(list, i*per+j+1)
		}
		commit(t, s, seqs("a", runA, list...))
		require.NoError(t, s.CommitFold(t.Context(), replace("a", 0, 1, ledgerHour(0))))
	}
	close(done)
	wg.Wait()
	require.Len(t, readAll(t, s, "a"), rounds*per)
}

func testNewerSchema(t *testing.T, e engine) {
	where := e.fresh(t)
	s := e.openAt(t, where, "a")
	enrol(t, s, "b")
	exec(t, e.raw(t, where), `insert into goose_db_version (version_id, is_applied) values (9999, true)`)
	_, err := e.open(t.Context(), where)
	require.ErrorContains(t, err, "version 9999")
	require.ErrorContains(t, err, "newer dewpost")
	list, err := s.Stations(t.Context())
	require.NoError(t, err)
	require.Len(t, list, 2, "left as it is")
}

// testDamage flips a bit in stored readings: an error that says so, not other
// readings.
func testDamage(t *testing.T, e engine) {
	where := e.fresh(t)
	s := e.openAt(t, where, "a", "b")
	commit(t, s, seqs("a", runA, 1, 2, 3), seqs("b", runA, 1))
	raw := e.raw(t, where)
	var body []byte
	require.NoError(t, raw.QueryRowContext(t.Context(), `select body from batch where n = 3`).Scan(&body))
	body[len(body)/2] ^= 2
	exec(t, raw, `update batch set body = `+e.bytes(body)+` where n = 3`)
	_, err := s.Readings(t.Context(), "a", always, never)
	require.ErrorContains(t, err, "readings of a")
	require.ErrorContains(t, err, "damaged")
	require.Len(t, readAll(t, s, "b"), 1, "its neighbours are intact")
	_, err = s.Commit(t.Context(), []record.Arrival{seqs("a", runA, 4)})
	require.ErrorContains(t, err, "damaged", "nothing is packed behind damage")
}
