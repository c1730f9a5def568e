package store

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

func init() {
	also("Feeds", testFeeds)
	also("UnsentReadingsStay", testUnsentReadingsStay)
	also("ErasedIsSentAgain", testErasedIsSentAgain)
}

func feedMarks(t *testing.T, s *Store, what string) []record.FeedMark {
	t.Helper()
	upto, err := s.FeedVersion(t.Context(), what)
	require.NoError(t, err)
	list, err := s.FeedMarks(t.Context(), what, upto, 99)
	require.NoError(t, err)
	return list
}

func feedsOf(t *testing.T, s *Store) []record.Feed {
	t.Helper()
	list, err := s.Feeds(t.Context())
	require.NoError(t, err)
	return list
}

// What changes is marked once it is said to be sent on; what was sent is cleared
// unless it changed meanwhile.
func testFeeds(t *testing.T, e engine) {
	ctx := t.Context()
	s := e.new(t, "a", "b").(*Store)
	hours := func(station string, from, to int64, version int64) {
		f := replace(station, from, to+1)
		for h := from; h <= to; h++ {
			f.Hours = append(f.Hours, ledgerHour(h))
		}
		f.Mark = record.Mark{Station: station, Version: version}
		require.NoError(t, s.inTx(ctx, func(t *tx) error { // it asked for the fold
			list, err := ids(t, `select id from station where name = ?`, station)
			marks := newMarks()
			for _, id := range list {
				marks.add(id, f.ReplaceFrom, f.ReplaceTo, version)
			}
			return errors.Join(err, marks.write(t))
		}))
		require.NoError(t, s.CommitFold(ctx, f))
	}
	hour := func(n int64) unit.Instant { return ledgerHour(n).Start }
	commit(t, s, seqs("a", runA, 1, 2))
	hours("a", 0, 3, 10)
	require.Empty(t, feedsOf(t, s))
	require.Empty(t, feedMarks(t, s, record.FeedHours))

	require.NoError(t, s.UseFeeds(ctx, "there", record.FeedHours, record.FeedReadings))
	require.Equal(t, []record.Feed{{What: record.FeedHours, Waiting: 2}, {What: record.FeedReadings, Waiting: 2}}, feedsOf(t, s))
	all := feedMarks(t, s, record.FeedHours)
	require.Equal(t, record.FeedMark{What: record.FeedHours, Station: "a", From: always, To: never, Version: all[0].Version}, all[0])
	for _, what := range []string{record.FeedHours, record.FeedReadings} {
		for _, m := range feedMarks(t, s, what) {
			require.NoError(t, s.FeedSent(ctx, what, []record.FeedStep{{Mark: m, Upto: hour(1)}}, 1, nil))
			require.NoError(t, s.FeedSent(ctx, what, []record.FeedStep{{Mark: m, Done: true}}, 2, nil))
		}
	}
	require.Equal(t, []record.Feed{{What: record.FeedHours, Sent: 6}, {What: record.FeedReadings, Sent: 6}}, feedsOf(t, s))
	require.NoError(t, s.UseFeeds(ctx, "there", record.FeedHours, record.FeedReadings))
	require.Empty(t, feedMarks(t, s, record.FeedHours), "as before")

	// Short changes grow together; long ones are apart.
	hours("a", 2, 3, 20)
	hours("a", 5, 6, 21)
	hours("a", 0, 60, 22)
	got := feedMarks(t, s, record.FeedHours)
	require.Equal(t, []record.FeedMark{
		{What: record.FeedHours, Station: "a", Slot: slotShort, From: hour(2), To: hour(6), Version: 21},
		{What: record.FeedHours, Station: "a", Slot: slotLong, From: hour(0), To: hour(60), Version: 22},
	}, got)
	list, err := s.FeedMarks(ctx, record.FeedHours, 21, 1)
	require.NoError(t, err)
	require.Equal(t, got[:1], list)
	// Sent, but one changed meanwhile: it stays, and is not taken for sent in part.
	hours("a", 6, 7, 30)
	refused := []record.FeedRefusal{{Station: "a", Time: hour(1), At: 5, Why: "no"}, {Station: "b", Time: hour(2), At: 6, Why: "never"}}
	require.NoError(t, s.FeedSent(ctx, record.FeedHours, []record.FeedStep{{Mark: got[0], Done: true}, {Mark: got[1], Upto: hour(40)}}, 10, refused))
	next := feedMarks(t, s, record.FeedHours)
	require.Equal(t, []record.FeedMark{
		{What: record.FeedHours, Station: "a", Slot: slotLong, From: hour(40), To: hour(60), Version: 22},
		{What: record.FeedHours, Station: "a", Slot: slotShort, From: hour(2), To: hour(7), Version: 30},
	}, next)
	require.NoError(t, s.FeedSent(ctx, record.FeedHours, []record.FeedStep{{Mark: got[0], Upto: hour(5)}, {Mark: next[0], Done: true}, {Mark: next[1], Done: true}}, 0, nil))
	require.Empty(t, feedMarks(t, s, record.FeedHours))
	// Sent by another collector before: what went from here may have come last.
	require.NoError(t, s.FeedSent(ctx, record.FeedHours, []record.FeedStep{{Mark: next[1], Done: true}}, 0, nil))
	again := feedMarks(t, s, record.FeedHours)
	require.Len(t, again, 1)
	require.Equal(t, []unit.Instant{hour(2), hour(7)}, []unit.Instant{again[0].From, again[0].To})
	require.NoError(t, s.FeedSent(ctx, record.FeedHours, []record.FeedStep{{Mark: again[0], Done: true}}, 0, nil))
	require.Equal(t, record.Feed{What: record.FeedHours, Sent: 16, Refused: 2, Last: refused[1]}, feedsOf(t, s)[0])

	// Readings are marked as they come; those that come again aren't.
	commit(t, s, seqs("a", runA, 1, 2, 7), seqs("b", runB, 3, 5))
	require.Equal(t, []unit.Instant{keyed(runA, 7).Time, keyed(runA, 7).Time, keyed(runB, 3).Time, keyed(runB, 5).Time}, func() (at []unit.Instant) {
		for _, m := range feedMarks(t, s, record.FeedReadings) {
			at = append(at, m.From, m.To)
		}
		return at
	}())

	require.NoError(t, s.FeedFailed(ctx, record.FeedReadings, 7, "first"))
	require.NoError(t, s.FeedFailed(ctx, record.FeedReadings, 8, "second"))
	f := feedsOf(t, s)[1]
	require.Equal(t, []any{unit.Instant(7), "second"}, []any{f.Failing, f.Failure})
	require.NoError(t, s.FeedSent(ctx, record.FeedReadings, nil, 1, nil))
	require.Zero(t, feedsOf(t, s)[1].Failing)

	require.NoError(t, s.FeedAgain(ctx, 9, "Ida"))
	require.Len(t, feedMarks(t, s, record.FeedReadings), 4)
	deeds, _, err := s.Audit(ctx, record.DeedPlace{}, 1)
	require.NoError(t, err)
	require.Equal(t, "send on again hours and readings", deeds[0].Action+" "+deeds[0].Object)
	// Elsewhere all is sent, and nothing is known of it.
	require.NoError(t, s.UseFeeds(ctx, "elsewhere", record.FeedReadings))
	require.Equal(t, []record.Feed{{What: record.FeedReadings, Waiting: 2}}, feedsOf(t, s))
	require.NoError(t, s.FeedSent(ctx, record.FeedHours, []record.FeedStep{{Mark: again[0], Done: true}}, 0, nil))
	require.Empty(t, feedMarks(t, s, record.FeedHours), "not sent on any more")
	require.NoError(t, s.UseFeeds(ctx, ""))
	require.Empty(t, feedsOf(t, s))
	require.ErrorIs(t, s.FeedAgain(ctx, 9, "Ida"), record.ErrNotFound)
}

// Readings that are to be sent on are not let go before they are.
func testUnsentReadingsStay(t *testing.T, e engine) {
	s, _ := packed(t, e, 40)
	old := benchStart.Add(30 * day)
	require.NoError(t, s.UseFeeds(t.Context(), "there", record.FeedReadings))
	for _, g := range letGo(t, s, old) {
		require.Contains(t, g.Waits, "sent on")
	}
	for _, m := range feedMarks(t, s, record.FeedReadings) {
		require.NoError(t, s.FeedSent(t.Context(), record.FeedReadings, []record.FeedStep{{Mark: m, Upto: old}}, 1, nil))
	}
	for _, g := range letGo(t, s, old) {
		require.Empty(t, g.Waits)
	}
}

// What is erased of readings that were sent on is sent once more, without it.
func testErasedIsSentAgain(t *testing.T, e engine) {
	s := e.new(t, "a").(*Store)
	ctx := t.Context()
	flagged := keyed(runA, 3)
	flagged.Flags = "clock,Brück"
	commit(t, s, arrival("a", keyed(runA, 1), flagged, keyed(runA, 4)))
	require.NoError(t, s.AddFacts(ctx, []fact.Fact{about(fact.KindOwner, "ida", fact.Name, fact.Always, "Ida Brück")}))
	erase := func() {
		_, err := s.Erase(ctx, record.Erasing{Owner: "ida", At: 5, Author: "x", Plan: func(record.Known) (func(string) string, error) {
			return func(text string) string { return strings.ReplaceAll(text, "Brück", "(erased)") }, nil
		}})
		require.NoError(t, err)
	}
	require.NoError(t, s.UseFeeds(ctx, "there", record.FeedReadings))
	for _, m := range feedMarks(t, s, record.FeedReadings) {
		require.NoError(t, s.FeedSent(ctx, record.FeedReadings, []record.FeedStep{{Mark: m, Done: true}}, 1, nil))
	}
	erase()
	m := feedMarks(t, s, record.FeedReadings)
	require.Len(t, m, 1)
	require.Equal(t, []unit.Instant{keyed(runA, 1).Time, keyed(runA, 4).Time}, []unit.Instant{m[0].From, m[0].To})
	require.Equal(t, "clock,(erased)", readAll(t, s, "a")[1].Flags)
}

// TestEveryStepOfSendingOnFails does with what is sent on what
// TestEveryStepFails does with the rest.
func TestEveryStepOfSendingOnFails(t *testing.T) {
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "template.db")
	s, err := Open(ctx, path)
	require.NoError(t, err)
	enrol(t, s, "a")
	require.NoError(t, s.UseFeeds(ctx, "there", record.FeedHours, record.FeedReadings))
	flagged := keyed(runA, 3)
	flagged.Flags = "Brück"
	commit(t, s, seqs("a", runA, 1, 2), arrival("a", flagged))
	require.NoError(t, s.AddFacts(ctx, []fact.Fact{about(fact.KindOwner, "ida", fact.Name, fact.Always, "Ida Brück")}))
	m := feedMarks(t, s, record.FeedReadings)[0]
	gone := m
	gone.Slot = slotLong
	require.NoError(t, s.Close())
	withFaults(t)
	for name, method := range map[string]func(*Store) error{
		"UseFeeds":    func(s *Store) error { return s.UseFeeds(ctx, "elsewhere", record.FeedHours) },
		"FeedAgain":   func(s *Store) error { return s.FeedAgain(ctx, 5, "Ida") },
		"Feeds":       func(s *Store) error { _, err := s.Feeds(ctx); return err },
		"FeedVersion": func(s *Store) error { _, err := s.FeedVersion(ctx, record.FeedHours); return err },
		"FeedMarks":   func(s *Store) error { _, err := s.FeedMarks(ctx, record.FeedHours, 99, 9); return err },
		"FeedSent": func(s *Store) error {
			return s.FeedSent(ctx, record.FeedReadings, []record.FeedStep{{Mark: m, Done: true}, {Mark: gone, Done: true}}, 1, []record.FeedRefusal{{Station: "a", Why: "x"}})
		},
		"FeedFailed": func(s *Store) error { return s.FeedFailed(ctx, record.FeedHours, 5, "x") },
		"Erase": func(s *Store) error {
			_, err := s.Erase(ctx, record.Erasing{Owner: "ida", At: 5, Author: "x", Plan: func(record.Known) (func(string) string, error) {
				return func(text string) string { return strings.ReplaceAll(text, "Brück", "(erased)") }, nil
			}})
			return err
		},
		"Commit":     func(s *Store) error { _, err := s.Commit(ctx, []record.Arrival{seqs("a", runA, 4)}); return err },
		"CommitFold": func(s *Store) error { return s.CommitFold(ctx, replace("a", 0, 2, ledgerHour(0), ledgerHour(1))) },
	} {
		t.Run(name, func(t *testing.T) {
			s, err := Open(ctx, copyStore(t, path))
			require.NoError(t, err)
			defer func() { require.NoError(t, s.Close()) }()
			before := dump(t, s)
			require.NoError(t, method(s))
			after := dump(t, s)
			plan.column = -1
			for _, how := range []manner{refuses, lies, dies, garbles} {
				everyStepFails(t, path, how, before, after, method)
			}
		})
	}
}

// BenchmarkFeedMark is what a commit of readings costs more that are sent on.
func BenchmarkFeedMark(b *testing.B) {
	for _, what := range []string{"", record.FeedReadings} {
		b.Run(fmt.Sprintf("feed=%q", what), func(b *testing.B) {
			s, err := Open(b.Context(), filepath.Join(b.TempDir(), "store.db"))
			require.NoError(b, err)
			defer func() { require.NoError(b, s.Close()) }()
			enrol(b, s, "a")
			if what != "" {
				require.NoError(b, s.UseFeeds(b.Context(), "there", what))
			}
			seq := int64(0)
			for b.Loop() {
				seq++
				r := sixChannels(1, seq, benchStart.Add(time.Duration(seq)*time.Minute))
				_, err := s.Commit(b.Context(), []record.Arrival{arrival("a", r)})
				require.NoError(b, err)
			}
		})
	}
}
