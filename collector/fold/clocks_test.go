package fold_test

import (
	"context"
	"log/slog"
	"math"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/fold"
	"dewpost/collector/store"
	"dewpost/rules/alarm"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
	"dewpost/testdata/pgserver"
)

// onBothEngines runs a test of a folder on each engine that a store can be of.
func onBothEngines(t *testing.T, test func(t *testing.T, b *bench)) {
	open := func(t *testing.T, where string) *bench {
		s, err := store.Open(context.Background(), where)
		require.NoError(t, err)
		t.Cleanup(func() { require.NoError(t, s.Close()) })
		return again(&bench{store: s, now: start.Time()})
	}
	t.Run("sqlite", func(t *testing.T) { test(t, open(t, filepath.Join(t.TempDir(), "dewpost.db"))) })
	t.Run("postgres", func(t *testing.T) {
		server, err := pgserver.Start()
		require.NoError(t, err)
		t.Cleanup(func() { require.NoError(t, server.Stop()) })
		where, err := server.Database()
		require.NoError(t, err)
		test(t, open(t, where))
	})
}

// again starts a new folder on the same store.
func again(b *bench) *bench {
	b.folder = fold.New(fold.Config{Store: b.store, Now: func() time.Time { return b.now }, Log: slog.New(slog.DiscardHandler), Sent: func() { b.sent++ }})
	return b
}

func (b *bench) minute(t *testing.T, now time.Time) {
	b.now = now
	require.NoError(t, b.folder.Minute(context.Background()))
}

// say records a fact that holds from now on.
func (b *bench) say(t *testing.T, name, value string, from unit.Instant) {
	require.NoError(t, b.store.AddFacts(context.Background(), []fact.Fact{{
		Subject: fact.Subject{Kind: fact.KindStation, ID: "lake-07"}, Name: name, Value: value, From: from, Author: "test", Recorded: unit.At(b.now),
	}}))
}

// of returns the occurrences of a kind.
func (b *bench) of(t *testing.T, kind finding.Kind) []alarm.Occurrence {
	all, err := b.store.Occurrences(context.Background(), "lake-07")
	require.NoError(t, err)
	return slices.DeleteFunc(all, func(o alarm.Occurrence) bool { return o.Finding.Kind != kind })
}

func (b *bench) lake(t *testing.T) {
	ctx := context.Background()
	require.NoError(t, b.store.AddFacts(ctx, []fact.Fact{{
		Subject: fact.Subject{Kind: fact.KindSite, ID: "lake"}, Name: fact.Sun, Value: "part", From: fact.Always, Author: "test", Recorded: start,
	}}))
}

// A cover that was never heard of is due by its age, once, over restarts, and
// until another is on.
func TestCoverComesDueAndIsChanged(t *testing.T) {
	onBothEngines(t, func(t *testing.T, b *bench) {
		b.lake(t)
		b.enrol(t, "lake-07", map[string]string{fact.Site: "lake", fact.CoverNew: "2016-10-01"})
		due := func() []alarm.Occurrence { return b.of(t, finding.CoverDue) }
		b.minute(t, start.Time()) // nine years
		require.Empty(t, due())
		b.minute(t, start.Time().AddDate(0, 9, 0))
		got := due()
		require.Len(t, got, 1)
		require.True(t, got[0].Lasting())
		require.True(t, got[0].Told)
		require.Equal(t, alarm.Unacknowledged, got[0].State)
		require.Equal(t, 1, b.sent)
		// A tenth of covers have cracked by 10 years; half a year before, it was due.
		require.InDelta(t, 0, got[0].Finding.From.Sub(unit.At(time.Date(2016, 10, 1, 0, 0, 0, 0, time.UTC)).Add(10*8766*time.Hour-182*24*time.Hour)).Hours(), 25)

		again(b)
		b.minute(t, start.Time().AddDate(0, 10, 0))
		b.minute(t, start.Time().AddDate(0, 10, 0).Add(time.Minute))
		require.Equal(t, got, due(), "after a restart it is the same")
		require.Equal(t, 1, b.sent)

		on := unit.At(b.now)
		b.say(t, fact.CoverNew, "2026-08-01", on)
		b.minute(t, b.now.Add(time.Minute))
		got = due()
		require.Len(t, got, 1)
		require.Equal(t, on, got[0].Finding.To, "it ends when the new one is on, within a minute")
		require.False(t, got[0].Revised)
		require.Equal(t, alarm.Returned, got[0].State)

		b.say(t, fact.CoverCondition, "cracked", unit.At(b.now))
		b.minute(t, b.now.Add(time.Minute))
		require.Len(t, due(), 2)
		require.True(t, due()[1].Lasting())
		require.NoError(t, b.store.Retire(context.Background(), "lake-07", unit.At(b.now), "test"))
		b.minute(t, b.now.AddDate(0, 0, 1))
		require.Len(t, due(), 2)
	})
}

// A date that was wrong makes no history.
func TestCoverDueByAWrongDateIsWithdrawn(t *testing.T) {
	b := newBench(t, nil)
	b.enrol(t, "lake-07", map[string]string{fact.CoverNew: "2012-10-01"})
	b.minute(t, start.Time())
	require.True(t, b.of(t, finding.CoverDue)[0].Lasting())
	b.say(t, fact.CoverNew, "2022-10-01", fact.Always)
	b.minute(t, b.now.Add(time.Minute))
	got := b.of(t, finding.CoverDue)
	require.Len(t, got, 1)
	require.True(t, got[0].Revised)
}

// An uncoated board in saturated air uses its budget in 29 days; another board
// begins anew.
func TestBudgetRunsOutAndANewBoardBegins(t *testing.T) {
	onBothEngines(t, func(t *testing.T, b *bench) {
		ctx := context.Background()
		b.lake(t)
		b.enrol(t, "lake-07", map[string]string{
			fact.Site: "lake", fact.CoverNew: "2024-10-01", fact.Build: "uncoated", fact.Board: "new", fact.BoardFitted: "2025-10-01", fact.MaxGap: "1h",
		})
		low := func() []alarm.Occurrence { return b.of(t, finding.BudgetLow) }
		for d := range 31 {
			b.now = start.Time().AddDate(0, 0, d+1)
			b.take(t, "lake-07", every(time.Duration(d)*24*time.Hour, time.Duration(d+1)*24*time.Hour-time.Hour, time.Hour, func(at time.Duration) reading.Reading {
				return inside(at, 10, 100, 10)
			})...)
			require.NoError(t, b.folder.All(ctx))
			b.minute(t, b.now)
			if d < 22 {
				require.Empty(t, low(), "day %d", d)
			}
		}
		got := low()
		require.Len(t, got, 1)
		require.True(t, got[0].Lasting())
		require.True(t, got[0].Told)
		require.InDelta(t, 80, got[0].Finding.Evidence[0].Value, 5)
		require.Equal(t, got[0].Finding.From, got[0].Finding.Concluded)
		require.Equal(t, start.Add(24*24*time.Hour-time.Hour), got[0].Finding.Concluded, "by the newest reading of the day on which four fifths were used")

		on := unit.At(b.now)
		for name, value := range map[string]string{fact.Board: "new", fact.BoardFitted: b.now.Format(time.DateOnly)} {
			b.say(t, name, value, on)
		}
		b.take(t, "lake-07", every(31*24*time.Hour, 31*24*time.Hour+2*time.Hour, time.Hour, dry)...)
		b.now = b.now.Add(3 * time.Hour)
		require.NoError(t, b.folder.All(ctx))
		b.minute(t, b.now)
		got = low()
		require.Len(t, got, 1)
		require.Equal(t, unit.At(b.now).Floor(24*time.Hour), got[0].Finding.To)
		require.False(t, got[0].Revised)
	})
}

// Many stations are judged in turn, a failure of one keeps no other from it,
// and what failed is judged again.
func TestClocksAreJudgedInTurnAndAgainAfterAFailure(t *testing.T) {
	d := newDesk()
	for i := range 80 {
		id := string(rune('a'+i/26)) + string(rune('a'+i%26))
		d.latest[id] = unit.At(time.Date(2025, 10, 1, 0, 0, 0, 0, time.UTC))
		d.facts[id] = []fact.Fact{{Name: fact.CoverCondition, Value: "cracked", From: start, Recorded: start}}
	}
	now := start.Time()
	f := fold.New(fold.Config{Store: d, Now: func() time.Time { return now }, Log: slog.New(slog.DiscardHandler)})
	for _, want := range []int{32, 64, 80, 80} {
		require.NoError(t, f.Minute(context.Background()))
		require.Len(t, d.folded, want)
	}
	now = now.AddDate(0, 0, 1) // another day
	require.NoError(t, f.Minute(context.Background()))
	require.Greater(t, len(d.folded), 80)
}

func TestAFailedJudgementOfTheClocksIsRepeated(t *testing.T) {
	for n := 1; ; n++ {
		var broken *faulty
		b := newBench(t, func(s *store.Store) fold.Store {
			broken = &faulty{Store: s, countdown: math.MaxInt}
			return broken
		})
		b.lake(t)
		b.enrol(t, "lake-07", map[string]string{fact.Site: "lake", fact.CoverNew: "2010-10-01", fact.Build: "uncoated", fact.Board: "new", fact.Interval: "10m"})
		b.take(t, "lake-07", every(0, 24*time.Hour, 10*time.Minute, wet)...)
		b.now = start.Add(24 * time.Hour).Time()
		require.NoError(t, b.folder.All(context.Background()))
		broken.countdown = n
		err := b.folder.Minute(context.Background())
		done := broken.failed == ""
		require.Equal(t, done, err == nil, broken.failed)
		broken.countdown = math.MaxInt
		require.NoError(t, b.folder.Minute(context.Background()))
		require.Len(t, b.of(t, finding.CoverDue), 1, broken.failed)
		if done {
			require.Greater(t, n, 8)
			return
		}
	}
}
