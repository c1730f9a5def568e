package fold_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	visit "dewpost/rules/bench"
	"dewpost/rules/finding"
)

// While a board is wet as it always was in such weather somebody writes down that the
// box was repaired some days ago. Within thirty days of that every wet board is a
// finding, and it stays one with the next reading.
func TestAWetBoardFoundByAVisitStaysFound(t *testing.T) {
	ctx := context.Background()
	rs, weather := seaside(66)
	b := onTheShore(t, 0)
	_, err := b.store.AddWeather(ctx, "quay", "pier", weather, false)
	require.NoError(t, err)
	at := 63*24 + 16 // it is wet until then
	for h := 63 * 24; h <= at; h++ {
		rs[h] = wet(time.Duration(h) * time.Hour)
	}
	b.now = rs[60*24].Time.Time()
	b.take(t, "quay-01", rs[:60*24]...)
	require.NoError(t, b.folder.All(ctx))
	for _, r := range rs[60*24 : at] {
		b.now = r.Time.Add(time.Minute).Time()
		b.take(t, "quay-01", r)
		require.NoError(t, b.folder.All(ctx))
	}
	open := func() (n int) {
		for _, f := range wetness(t, b) {
			if f.Kind == finding.BoardWet && f.From > start.Add(62*day) {
				n++
			}
		}
		return n
	}
	require.Zero(t, open(), "as it always was")
	entry := record.Entry{Author: "test", Recorded: start.Add(63*day + 12*time.Hour)}
	done := start.Add(50*day + 10*time.Hour)
	_, err = b.store.RecordVisit(ctx, record.VisitEntry{
		Entry: entry, Visit: record.Visit{Station: "quay-01", Kind: visit.OnSite},
		Steps: []record.VisitStep{{Step: visit.Step{State: visit.Done, At: done.Add(time.Hour)}, Entry: entry}},
		Work:  []record.VisitWork{{Work: visit.Work{Code: visit.GasketChanged, At: done}, Entry: entry}},
	})
	require.NoError(t, err)
	require.NoError(t, b.folder.All(ctx))
	require.Equal(t, 1, open(), "within thirty days of a repair")
	r := rs[at]
	b.now = r.Time.Add(time.Minute).Time()
	b.take(t, "quay-01", r)
	require.NoError(t, b.folder.All(ctx))
	all, err := b.store.Occurrences(ctx, "quay-01")
	require.NoError(t, err)
	for _, o := range all {
		if o.Finding.From > start.Add(62*day) {
			t.Logf("%s %s to %s revised %v %s", o.ID(), o.Finding.From, o.Finding.To, o.Revised, o.State)
		}
	}
	require.Equal(t, 1, open(), "and with the next reading")
}

// Weather that is imported once a day says that the board is wet as it always was in
// such weather: what was found without it is taken back, and not found again with
// the next reading.
func TestAWetBoardThatWeatherExcusesIsNotFoundAgain(t *testing.T) {
	ctx := context.Background()
	rs, weather := seaside(66)
	b := onTheShore(t, 0)
	at := 63*24 + 16 // it is wet until then
	for h := 63 * 24; h <= at; h++ {
		rs[h] = wet(time.Duration(h) * time.Hour)
	}
	_, err := b.store.AddWeather(ctx, "quay", "pier", weather[:63*24], false)
	require.NoError(t, err)
	b.now = rs[60*24].Time.Time()
	b.take(t, "quay-01", rs[:60*24]...)
	require.NoError(t, b.folder.All(ctx))
	send := func(from, to int) {
		for _, r := range rs[from:to] {
			b.now = r.Time.Add(time.Minute).Time()
			b.take(t, "quay-01", r)
			require.NoError(t, b.folder.All(ctx))
		}
	}
	open := func() (lasting int, all []string) {
		kept, err := b.store.Occurrences(ctx, "quay-01")
		require.NoError(t, err)
		for _, o := range kept {
			if o.Finding.Kind == finding.BoardWet && o.Finding.From > start.Add(62*day) {
				all = append(all, o.ID())
				if o.Lasting() {
					lasting++
				}
			}
		}
		return lasting, all
	}
	send(60*24, at-1)
	lasting, all := open()
	require.Equal(t, 1, lasting, "how humid it was is not known yet")
	require.Len(t, all, 1)
	_, err = b.store.AddWeather(ctx, "quay", "pier", weather[63*24:at-1], false)
	require.NoError(t, err)
	require.NoError(t, b.folder.All(ctx))
	lasting, _ = open()
	require.Zero(t, lasting, "as it always was")
	send(at-1, at+1)
	lasting, all = open()
	require.Zero(t, lasting, "%v", all)
	require.Len(t, all, 1)
}
