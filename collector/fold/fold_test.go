package fold_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/collector/fold"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/alarm"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
	"dewpost/testdata/blank"
)

var start = unit.At(time.Date(2025, 10, 1, 0, 0, 0, 0, time.UTC))

// bench is a folder on a real store with a clock that stands until it is set.
type bench struct {
	store  *store.Store
	now    time.Time
	folder *fold.Folder
	sent   int
}

func newBench(t testing.TB, wrap func(*store.Store) fold.Store) *bench {
	return newBenchAt(t, blank.Store(t), wrap)
}

func newBenchAt(t testing.TB, where string, wrap func(*store.Store) fold.Store) *bench {
	ctx := context.Background()
	s, err := store.Open(ctx, where)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	b := &bench{store: s, now: start.Time()}
	var used fold.Store = s
	if wrap != nil {
		used = wrap(s)
	}
	b.folder = fold.New(fold.Config{
		Store: used, Now: func() time.Time { return b.now }, Log: slog.New(slog.DiscardHandler), Sent: func() { b.sent++ },
	})
	return b
}

func (b *bench) enrol(t require.TestingT, id string, facts map[string]string) {
	secret, err := receipt.NewSecret([]byte("sixteen bytes or more"))
	require.NoError(t, err)
	require.NoError(t, b.store.AddStation(context.Background(), record.Station{ID: id, Secret: secret, Enrolled: start}, "test"))
	for name, value := range facts {
		require.NoError(t, b.store.AddFacts(context.Background(), []fact.Fact{{
			Subject: fact.Subject{Kind: fact.KindStation, ID: id}, Name: name, Value: value, From: fact.Always, Author: "test", Recorded: start,
		}}))
	}
}

func (b *bench) take(t require.TestingT, id string, rs ...reading.Reading) {
	_, err := b.store.Commit(context.Background(), []record.Arrival{{Station: id, At: unit.At(b.now), Batch: reading.Batch{Readings: rs}}})
	require.NoError(t, err)
}

// wet is a reading with the surface a kelvin below the dew point, dry one far
// above it.
func wet(at time.Duration) reading.Reading { return inside(at, 10, 100, 9) }
func dry(at time.Duration) reading.Reading { return inside(at, 10, 50, 10) }

func inside(at time.Duration, temp, rh, board float64) reading.Reading {
	r := reading.Reading{Time: start.Add(at)}
	r.Set(reading.InsideTemp, temp)
	r.Set(reading.InsideRH, rh)
	r.Set(reading.BoardTemp, board)
	return r
}

func every(from, to, step time.Duration, make func(time.Duration) reading.Reading) (rs []reading.Reading) {
	for at := from; at <= to; at += step {
		rs = append(rs, make(at))
	}
	return rs
}

// Readings that come in any order and any cuts, with folds in between, give
// the ledger and the findings of all of them in order.
func TestFoldingAsReadingsArriveGivesTheLedgerOfAll(t *testing.T) {
	b := newBench(t, nil)
	n := 0
	rapid.Check(t, func(rt *rapid.T) {
		n++
		id := fmt.Sprintf("lake-%d", n)
		facts := map[string]string{fact.MaxGap: "4h"}
		var learned *exposure.Undercooling
		if rapid.Bool().Draw(rt, "surfaces are told from readings") {
			learned = &exposure.Undercooling{Const: 0.5, Night: 1, Hour: 2, SixHours: 3, Dry: -0.1, Temp: 0.05}
			facts[fact.Undercooling] = learned.String()
		}
		b.enrol(rt, id, facts)
		var all []reading.Reading
		at := time.Duration(0)
		for i, wetter := 0, 0.0; i < 50; i++ {
			if rapid.IntRange(0, 20).Draw(rt, "turn") == 0 { // long spells, wet and dry
				wetter = rapid.SampledFrom([]float64{-3, 0, 3}).Draw(rt, "wetter")
			}
			at += time.Duration(rapid.Int64Range(int64(20*time.Minute), int64(90*time.Minute)).Draw(rt, "step"))
			t0 := rapid.Float64Range(-4, 9).Draw(rt, "t")
			all = append(all, inside(at, t0, rapid.Float64Range(85, 103).Draw(rt, "rh"), t0-wetter+rapid.Float64Range(-1, 1).Draw(rt, "board")))
			if learned != nil && rapid.IntRange(0, 3).Draw(rt, "no board sensor") > 0 {
				all[i].Clear(reading.BoardTemp)
			}
		}
		b.now = start.Add(at).Time()
		var batches [][]reading.Reading
		for rest := slices.Clone(all); len(rest) > 0; {
			n := rapid.IntRange(1, min(len(rest), 4)).Draw(rt, "batch")
			batches = append(batches, rest[:n])
			rest = rest[n:]
		}
		rnd := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 1))
		rnd.Shuffle(len(batches), func(i, j int) { batches[i], batches[j] = batches[j], batches[i] })
		for _, rs := range batches {
			rnd.Shuffle(len(rs), func(i, j int) { rs[i], rs[j] = rs[j], rs[i] })
			b.take(rt, id, rs...)
			if rapid.Bool().Draw(rt, "fold") {
				require.NoError(rt, b.folder.All(context.Background()))
			}
		}
		require.NoError(rt, b.folder.All(context.Background()))

		want := exposure.Fold(reading.Merge(all), []exposure.Valid{{From: math.MinInt64, Facts: exposure.Facts{MaxGap: 4 * time.Hour, Learned: learned}}}, exposure.Part{From: math.MinInt64})
		got, err := b.store.Hours(context.Background(), id, math.MinInt64, math.MaxInt64)
		require.NoError(rt, err)
		require.Len(rt, got, len(want.Hours))
		for i := range got {
			require.Equal(rt, string(exposure.AppendHourly(nil, &want.Hours[i])), string(exposure.AppendHourly(nil, &got[i])))
			require.Equal(rt, want.Hours[i].End, got[i].End)
		}
		kept, err := b.store.Occurrences(context.Background(), id)
		require.NoError(rt, err)
		var lasting []finding.Finding
		for _, o := range kept {
			if !o.Revised {
				lasting = append(lasting, o.Finding)
			}
		}
		slices.SortFunc(lasting, func(x, y finding.Finding) int { return int(x.From - y.From) })
		require.Equal(rt, len(want.Spells), len(lasting))
		for i, f := range finding.WetBoards(want.Spells, nil, nil, nil) {
			require.Equal(rt, f, lasting[i])
		}
	})
}

func TestBoardWetIsToldOnce(t *testing.T) {
	ctx := context.Background()
	b := newBench(t, nil)
	b.enrol(t, "lake-07", nil)
	for h := range 20 {
		from := time.Duration(h) * time.Hour
		b.now = start.Add(from + time.Hour).Time()
		b.take(t, "lake-07", every(from, from+50*time.Minute, 10*time.Minute, wet)...)
		require.NoError(t, b.folder.All(ctx))
		require.NoError(t, b.folder.Minute(ctx))
	}
	messages, err := b.store.Unsent(ctx, 10)
	require.NoError(t, err)
	require.Len(t, messages, 1)
	require.Equal(t, "lake-07:board_wet:1", messages[0].EventID)
	require.Equal(t, start.Add(14*time.Hour), messages[0].Created, "an hour after it was concluded: it may be the weather")
	require.JSONEq(t, `{"station":"lake-07","kind":"board_wet","number":1,"from":"2025-10-01T00:00:00Z","concluded":"2025-10-01T12:10:00Z",
		"evidence":[{"name":"condensing_on_end","value":12.166666666666666,"unit":"h"}],
		"priority":"soon","class":"at_once","by":"2025-10-04T12:10:00Z","times":1}`, messages[0].Body)
	require.Equal(t, 1, b.sent)

	b.now = start.Add(24 * time.Hour).Time()
	b.take(t, "lake-07", every(20*time.Hour, 24*time.Hour, 10*time.Minute, dry)...)
	require.NoError(t, b.folder.All(ctx))
	kept, err := b.store.Occurrences(ctx, "lake-07")
	require.NoError(t, err)
	require.Equal(t, alarm.Returned, kept[0].State)
	require.InDelta(t, 20, kept[0].Finding.To.Sub(start).Hours(), 0.2)
}

// failing lets the n-th CommitFold fail, before or after it has been applied.
type failing struct {
	*store.Store
	fail    int
	applied bool
}

var errDisk = errors.New("disk full")

func (f *failing) CommitFold(ctx context.Context, x ...record.Folded) error {
	if f.fail--; f.fail != 0 {
		return f.Store.CommitFold(ctx, x...)
	}
	if f.applied {
		if err := f.Store.CommitFold(ctx, x...); err != nil {
			return err
		}
	}
	return errDisk
}

func TestFailedFoldIsDoneAgain(t *testing.T) {
	for _, applied := range []bool{false, true} {
		ctx := context.Background()
		b := newBench(t, func(s *store.Store) fold.Store { return &failing{Store: s, fail: 1, applied: applied} })
		b.enrol(t, "lake-07", nil)
		b.now = start.Add(14 * time.Hour).Time()
		b.take(t, "lake-07", every(0, 14*time.Hour, 10*time.Minute, wet)...)
		require.ErrorIs(t, b.folder.All(ctx), errDisk)
		b.folder.TryAgain()
		require.NoError(t, b.folder.All(ctx))
		hours, err := b.store.Hours(ctx, "lake-07", math.MinInt64, math.MaxInt64)
		require.NoError(t, err)
		require.Len(t, hours, 14)
		messages, err := b.store.Unsent(ctx, 10)
		require.NoError(t, err)
		require.Len(t, messages, 1, "applied %t", applied)
		marks, err := b.store.Marks(ctx, 10)
		require.NoError(t, err)
		require.Empty(t, marks)
	}
}

func TestSilence(t *testing.T) {
	ctx := context.Background()
	b := newBench(t, nil)
	b.enrol(t, "lake-15", map[string]string{fact.AllowedSilence: "4h"})
	b.enrol(t, "lake-16", nil) // never heard: not installed yet
	minute := func(h float64) []alarm.Occurrence {
		b.now = start.Add(time.Duration(h * float64(time.Hour))).Time()
		require.NoError(t, b.folder.Minute(ctx))
		kept, err := b.store.Occurrences(ctx, "lake-15")
		require.NoError(t, err)
		return kept
	}
	b.take(t, "lake-15", dry(0))
	require.NoError(t, b.folder.All(ctx))
	require.Empty(t, minute(4))
	kept := minute(4.5)
	require.Len(t, kept, 1)
	require.Equal(t, finding.Silent, kept[0].Finding.Kind)
	require.Equal(t, start, kept[0].Finding.From)
	require.Len(t, minute(5), 1, "one occurrence, however often it is judged")
	messages, err := b.store.Unsent(ctx, 10)
	require.NoError(t, err)
	require.Len(t, messages, 1)

	b.take(t, "lake-15", dry(6*time.Hour))
	kept = minute(6)
	require.Equal(t, start.Add(6*time.Hour), kept[0].Finding.To)
	require.Equal(t, alarm.Unacknowledged, kept[0].State, "its off-delay is not over")
	b.take(t, "lake-15", dry(8*time.Hour))
	require.Equal(t, alarm.Returned, minute(8)[0].State)
	require.Len(t, minute(13), 2)
	others, err := b.store.Occurrences(ctx, "lake-16")
	require.NoError(t, err)
	require.Empty(t, others)
}

// The alarms of a station end when it is retired, or within a minute of a collector
// that hears of it: nobody need act on them any more. They stay in the record, and as
// they are, also when it is folded again.
func TestAlarmsEndWithTheirStation(t *testing.T) {
	ctx := context.Background()
	b := newBench(t, nil)
	for _, id := range []string{"lake-07", "lake-08"} {
		b.enrol(t, id, nil)
		b.now = start.Add(14 * time.Hour).Time()
		b.take(t, id, every(0, 14*time.Hour, 10*time.Minute, wet)...)
	}
	require.NoError(t, b.folder.All(ctx))
	b.minute(t, start.Add(20*time.Hour).Time())
	require.Len(t, b.of(t, finding.BoardWet), 1)
	require.Len(t, b.of(t, finding.Silent), 1)

	retired := start.Add(21 * time.Hour)
	require.NoError(t, b.store.Retire(ctx, "lake-07", retired, "Ida"))
	ended := func() (all []alarm.Event) {
		open, err := b.store.OpenOccurrences(ctx)
		require.NoError(t, err)
		require.Len(t, open, 2)
		for _, o := range open {
			require.Equal(t, "lake-08", o.Station)
			require.True(t, o.Needs())
		}
		for _, kind := range []finding.Kind{finding.BoardWet, finding.Silent} {
			got := b.of(t, kind)
			require.Len(t, got, 1)
			require.Equal(t, alarm.Normal, got[0].State)
			require.Equal(t, retired, got[0].Finding.To)
			require.False(t, got[0].Revised)
			events, err := b.store.Events(ctx, "lake-07", kind, 1)
			require.NoError(t, err)
			last := events[len(events)-2:]
			for i, state := range []alarm.State{alarm.OutOfService, alarm.Normal} {
				require.Equal(t, state, last[i].To)
				require.Equal(t, retired, last[i].At)
				require.Equal(t, "its station was retired", last[i].Why)
			}
			all = append(all, events...)
		}
		return all
	}
	b.minute(t, start.Add(22*time.Hour).Time())
	want := ended()
	b.say(t, fact.MaxGap, "1h", fact.Always)
	require.NoError(t, b.folder.All(ctx))
	require.Equal(t, want, ended())
	b.minute(t, start.Add(23*time.Hour).Time())
	require.Equal(t, want, ended())
}

// A collector that was away knows nothing of what happened meanwhile: it waits
// as long as a station may be silent before it calls it so.
func TestCollectorThatWasAwayIsPatient(t *testing.T) {
	ctx := context.Background()
	b := newBench(t, nil)
	b.enrol(t, "lake-15", nil)
	b.take(t, "lake-15", dry(0))
	b.now = start.Add(100 * time.Hour).Time()
	late := fold.New(fold.Config{Store: b.store, Now: func() time.Time { return b.now }, Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, late.Minute(ctx))
	kept, err := b.store.Occurrences(ctx, "lake-15")
	require.NoError(t, err)
	require.Empty(t, kept)
	b.now = start.Add(104 * time.Hour).Time()
	require.NoError(t, late.Minute(ctx))
	kept, err = b.store.Occurrences(ctx, "lake-15")
	require.NoError(t, err)
	require.Len(t, kept, 1)
}

// A silence that ends without a reading, because more is allowed now, was
// none; and it keeps nobody else from being judged.
func TestSilenceThatWasNone(t *testing.T) {
	ctx := context.Background()
	b := newBench(t, nil)
	b.enrol(t, "lake-1", nil)
	b.enrol(t, "lake-2", map[string]string{fact.AllowedSilence: "20h"})
	b.take(t, "lake-1", dry(0))
	b.take(t, "lake-2", dry(0))
	b.now = start.Add(5 * time.Hour).Time()
	require.NoError(t, b.folder.Minute(ctx))
	require.NoError(t, b.store.AddFacts(ctx, []fact.Fact{{
		Subject: fact.Subject{Kind: fact.KindStation, ID: "lake-1"}, Name: fact.AllowedSilence, Value: "30h", From: fact.Always, Author: "test", Recorded: unit.At(b.now),
	}}))
	b.now = start.Add(21 * time.Hour).Time()
	require.NoError(t, b.folder.Minute(ctx))
	kept, err := b.store.Occurrences(ctx, "lake-1")
	require.NoError(t, err)
	require.Len(t, kept, 1)
	require.True(t, kept[0].Revised)
	kept, err = b.store.Occurrences(ctx, "lake-2")
	require.NoError(t, err)
	require.Len(t, kept, 1)
}

// Late data in the middle of finished days are judged too.
func TestDampWeekFromLateData(t *testing.T) {
	ctx := context.Background()
	b := newBench(t, nil)
	b.enrol(t, "lake-07", nil)
	const days, damp = 50, 40
	b.now = start.Add(days * 24 * time.Hour).Time()
	var at, late []reading.Reading
	for i := range days * 24 * 2 {
		r := dry(time.Duration(i) * 30 * time.Minute)
		hour := i / 2 % 24
		if i/48 >= damp && hour >= 5 && hour < 22 {
			late = append(late, inside(time.Duration(i)*30*time.Minute, 10, 95, 10))
			continue
		}
		at = append(at, r)
	}
	b.take(t, "lake-07", at...)
	require.NoError(t, b.folder.All(ctx))
	for len(late) > 0 {
		n := min(34, len(late))
		b.take(t, "lake-07", late[:n]...)
		late = late[n:]
		require.NoError(t, b.folder.All(ctx))
	}
	hours, err := b.store.Hours(ctx, "lake-07", math.MinInt64, math.MaxInt64)
	require.NoError(t, err)
	want := finding.DampWeeks(hours, nil)
	require.Len(t, want, 1)
	kept, err := b.store.Occurrences(ctx, "lake-07")
	require.NoError(t, err)
	var got []finding.Finding
	for _, o := range kept {
		if !o.Revised {
			got = append(got, o.Finding)
		}
	}
	require.Equal(t, want, got)
}
