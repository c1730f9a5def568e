package fold_test

import (
	"context"
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/box"
	"dewpost/rules/breathing"
	"dewpost/rules/fact"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// letGo packs and lets go what is older, of all stations.
func letGo(t *testing.T, b *bench, old unit.Instant) []record.Going {
	_, _, err := b.store.PackDays(t.Context(), old.Add(30*day), "", 9)
	require.NoError(t, err)
	went, _, err := b.store.LetGo(t.Context(), old, old.Add(400*day), "test", "", 9)
	require.NoError(t, err)
	return went
}

// A box whose old readings were let go is followed on as if they were there:
// by what comes next and by what comes late. Other rules then leave alone what is
// frozen, in the ledger and in what was found.
func TestABoxIsFollowedOnBehindFrozenHours(t *testing.T) {
	ctx := t.Context()
	w := newTerrace(100)
	at := func(r reading.Reading) time.Duration { return r.Time.Sub(start) }
	late := func(r reading.Reading) bool { return at(r) > 65*day && at(r) < 66*day }
	whole, gone := newBench(t, nil), newBench(t, nil)
	for _, b := range []*bench{whole, gone} {
		w.hang(t, b)
		b.now = start.Add(101 * day).Time()
		w.observe(t, b, w.weather)
		b.take(t, "quay-02", slices.DeleteFunc(slices.Clone(w.outside), func(r reading.Reading) bool { return at(r) >= 80*day })...)
		b.take(t, "quay-01", slices.DeleteFunc(slices.Clone(w.inside), func(r reading.Reading) bool { return at(r) >= 80*day || late(r) })...)
		require.NoError(t, b.folder.All(ctx))
	}
	went := letGo(t, gone, start.Add(60*day))
	require.Len(t, went, 2)
	require.Empty(t, went[0].Waits)
	frozen := went[0].Before
	require.Greater(t, went[0].Days, int64(20))
	contents, err := gone.store.Verify(ctx)
	require.NoError(t, err)
	require.Positive(t, contents.LetGo)

	for _, b := range []*bench{whole, gone} {
		b.take(t, "quay-01", slices.DeleteFunc(slices.Clone(w.inside), func(r reading.Reading) bool { return !late(r) })...)
		require.NoError(t, b.folder.All(ctx))
		for _, to := range []time.Duration{90 * day, 100 * day} {
			part := func(list []reading.Reading) []reading.Reading {
				return slices.DeleteFunc(slices.Clone(list), func(r reading.Reading) bool { return at(r) < to-10*day || at(r) >= to })
			}
			b.take(t, "quay-02", part(w.outside)...)
			b.take(t, "quay-01", part(w.inside)...)
			require.NoError(t, b.folder.All(ctx))
		}
		// Weather of back then is told once more, and otherwise.
		other := slices.Clone(w.weather[:24*5])
		for i := range other {
			other[i].RH = record.Some(77)
		}
		_, err := b.store.AddWeather(ctx, "quay", "pier", other, false)
		require.NoError(t, err)
	}
	require.NoError(t, gone.folder.All(ctx))
	hours := func(b *bench, to unit.Instant) string {
		list, err := b.store.Hours(ctx, "quay-01", math.MinInt64, to)
		require.NoError(t, err)
		return fmt.Sprintf("%+v", list)
	}
	require.Equal(t, hours(whole, math.MaxInt64), hours(gone, math.MaxInt64))
	wholeDays, wholeFound := found(t, whole)
	goneDays, goneFound := found(t, gone)
	require.Equal(t, wholeDays, goneDays)
	require.Equal(t, wholeFound, goneFound)
	require.NotEmpty(t, goneFound)
	require.Equal(t, wetness(t, whole), wetness(t, gone))

	// A late reading, a fact and other rules.
	before := occurrencesOf(t, gone)
	is := hours(gone, frozen)
	too := w.inside[30]
	too.Run, too.Seq = "00000000000000aa", 1
	gone.take(t, "quay-01", too)
	require.NoError(t, gone.store.AddFacts(ctx, []fact.Fact{{
		Subject: fact.Subject{Kind: fact.KindStation, ID: "quay-01"}, Name: fact.MaxGap, Value: "15m", From: fact.Always, Author: "test", Recorded: start,
	}}))
	require.NoError(t, gone.folder.All(ctx))
	require.NoError(t, gone.store.UseRules(ctx, 1_000_000))
	require.NoError(t, gone.folder.All(ctx))
	again, againFound := found(t, gone)
	require.Equal(t, goneDays, again)
	require.Equal(t, goneFound, againFound)
	// What was remembered of the box is of other rules: it is begun anew.
	require.NoError(t, gone.store.CommitFold(ctx, record.Folded{Mark: record.Mark{Station: "quay-01"}, Box: &record.Box{
		Since: math.MaxInt64, Frozen: math.MaxInt64, Upto: start.Add(100 * day), Version: box.Version - 1,
	}}))
	require.NoError(t, gone.store.UseRules(ctx, 1_000_001))
	require.NoError(t, gone.folder.All(ctx))
	again, _ = found(t, gone)
	first := frozen.Time().UTC().Format(time.DateOnly)
	past := func(list []breathing.Day) []breathing.Day {
		return slices.DeleteFunc(slices.Clone(list), func(d breathing.Day) bool { return d.Day >= first })
	}
	require.NotEmpty(t, past(goneDays))
	require.Equal(t, past(goneDays), past(again))
	require.Greater(t, len(again), len(past(again)))
	require.Equal(t, is, hours(gone, frozen))
	for i, o := range occurrencesOf(t, gone) {
		if i < len(before) && o.Finding.To != 0 && o.Finding.To < frozen {
			require.Equal(t, before[i], o)
		}
	}
	_, err = gone.store.Verify(ctx)
	require.NoError(t, err)
	counts, err := gone.store.Counts(ctx)
	require.NoError(t, err)
	require.Equal(t, int64(1), counts.Refused[reading.ReasonTooLate])
	marks, err := gone.store.Marks(ctx, 9)
	require.NoError(t, err)
	require.Empty(t, marks)
}

func occurrencesOf(t *testing.T, b *bench) []alarm.Occurrence {
	list, err := b.store.Occurrences(context.Background(), "quay-01")
	require.NoError(t, err)
	return list
}
