package store

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
)

func init() {
	also("Recent", testRecent)
	also("CommitFolds", testCommitFolds)
}

// What folds begin with, read at once for more stations than one statement takes,
// is what is read of each.
func testRecent(t *testing.T, e engine) {
	ctx := t.Context()
	var names []string
	for i := range 74 {
		names = append(names, fmt.Sprintf("s-%02d", i))
	}
	s := e.new(t, names...)
	for i, id := range names {
		if i%3 == 0 {
			continue // not heard
		}
		require.NoError(t, s.AddFacts(ctx, []fact.Fact{
			{Subject: fact.Subject{Kind: fact.KindStation, ID: id}, Name: fact.MaxGap, Value: "2h", From: fact.Always, Author: "Ida", Recorded: t0},
			{Subject: fact.Subject{Kind: fact.KindStation, ID: id}, Name: fact.MaxGap, Value: "3h", From: t0, Author: "Ida", Recorded: t0},
		}))
		_, err := s.Commit(ctx, []record.Arrival{arrival(id, keyed(runA, 2), keyed(runA, 5)), arrival(id, keyed(runB, int64(i+7)))})
		require.NoError(t, err)
		if i%3 == 1 {
			continue // not folded
		}
		wet, silent := occurrence(id, finding.BoardWet, 1), occurrence(id, finding.Silent, 1)
		require.NoError(t, s.CommitFold(ctx, record.Folded{
			Mark: record.Mark{Station: id}, Box: boxFrom(0, 1, 2), Occurrences: []alarm.Occurrence{silent, wet},
			Events: []alarm.Event{event(wet, 1, alarm.Normal, alarm.Unacknowledged), event(silent, 1, alarm.Normal, alarm.Unacknowledged)},
			Nights: &record.Foretold{State: &record.OutlookState{At: t0, Due: t0.Add(day), Version: 7, Body: []byte{1}}},
		}))
	}
	all, err := s.Recent(ctx, append([]string{"nobody"}, names...))
	require.NoError(t, err)
	require.Len(t, all, len(names))
	for i, id := range names {
		var want record.Recent
		want.First, want.Last, want.Heard, err = s.Span(ctx, id)
		require.NoError(t, err)
		want.Facts, err = s.Facts(ctx, fact.Subject{Kind: fact.KindStation, ID: id})
		require.NoError(t, err)
		want.Occurrences, err = s.Occurrences(ctx, id)
		require.NoError(t, err)
		want.Box, err = s.BoxRun(ctx, id, math.MinInt64)
		require.NoError(t, err)
		if st, err := s.OutlookState(ctx, id, math.MaxInt64); st.At != 0 {
			require.NoError(t, err)
			st.Body = nil
			want.Nights = []record.OutlookState{st}
		}
		require.Equal(t, &want, all[id])
		require.Equal(t, i%3 == 2, len(want.Nights) > 0 && len(want.Occurrences) == 2 && want.Box.Upto != 0, id)
	}
	none, err := s.Recent(ctx, nil)
	require.NoError(t, err)
	require.Empty(t, none)
}

// Folds that are committed together are all there, or none is.
func testCommitFolds(t *testing.T, e engine) {
	ctx := t.Context()
	s := e.new(t, "a", "b")
	one, other := replace("a", 0, 2, ledgerHour(0)), replace("b", 0, 2, ledgerHour(0), ledgerHour(1))
	count := func(id string) int {
		hours, err := s.Hours(ctx, id, math.MinInt64, math.MaxInt64)
		require.NoError(t, err)
		return len(hours)
	}
	err := s.CommitFold(ctx, one, replace("nobody", 0, 2))
	require.ErrorIs(t, err, record.ErrNotFound)
	require.ErrorContains(t, err, "nobody")
	beyond := replace("b", 0, 1, ledgerHour(1))
	require.ErrorContains(t, s.CommitFold(ctx, one, beyond), "outside")
	require.Zero(t, count("a"))
	_, err = s.Commit(ctx, []record.Arrival{arrival("a", keyed(runA, 1)), arrival("b", keyed(runB, 1))})
	require.NoError(t, err)
	for _, m := range marks(t, s) {
		if one.Mark.Station == m.Station {
			one.Mark = m
		} else {
			other.Mark = m
		}
	}
	require.NoError(t, s.CommitFold(ctx, one, other))
	require.Equal(t, []int{1, 2}, []int{count("a"), count("b")})
	require.Empty(t, marks(t, s))
	require.NoError(t, s.CommitFold(ctx))
}

// What a commit and a fold begin with and write, and the outlooks of one station, cost
// the same however many stations there are: nothing is gone through whole.
func TestNothingIsGoneThrough(t *testing.T) {
	s := sqliteEngine.new(t).(*Store)
	var want []key
	var names bulk
	runs := newRunRows()
	for i := range int64(chunks[0]) {
		want = append(want, key{fmt.Sprint("s-", i), runA})
		names.add(fmt.Sprint("s-", i))
		runs.change.add(i, []byte{}, i, i, i, i)
		runs.count.add(i, i, i, i, i)
	}
	list := append(newIntake(s.limits).load(s.d, want), runs.change.statements(s.d, "", nil)...)
	list = append(list, runs.count.statements(s.d, "", nil)...)
	for _, query := range []string{recentRuns, recentFacts, recentOccurrences, recentNights} {
		b := bulk{columns: 1, types: []string{"text"}, head: `with w (station) as (`, foot: `) ` + query, args: names.args}
		list = append(list, b.statements(s.d, "", nil)...)
	}
	list = append(list, statement{text: selectOutlook + outlooksOf, args: []any{"s-1", 0, 1, 1}}, statement{text: selectOutlook + outlookResultsOf, args: []any{"s-1", "evening"}})
	require.Len(t, list, 10)
	for _, st := range list {
		rows, err := s.read.QueryContext(t.Context(), "explain query plan "+st.text, st.args...)
		require.NoError(t, err)
		var plan strings.Builder
		for rows.Next() {
			var id, parent, unused int
			var step string
			require.NoError(t, rows.Scan(&id, &parent, &unused, &step))
			fmt.Fprintln(&plan, step)
		}
		require.NoError(t, rows.Err())
		require.NoError(t, rows.Close())
		require.NotRegexp(t, `SCAN [a-u]|SCAN [x-z]|\(kind=\?\)|AUTOMATIC`, plan.String(), st.text[:60])
		require.Contains(t, plan.String(), "SEARCH")
	}
}
