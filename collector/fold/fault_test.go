package fold_test

import (
	"context"
	"encoding/json"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/fold"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/alarm"
	"dewpost/rules/equal"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/life"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
	"dewpost/testdata/blank"
)

// faulty is a store of which one call fails: the countdown-th from now on. A
// call that writes fails before it has done anything, or, with applied, behind
// it.
type faulty struct {
	*store.Store
	mu        sync.Mutex
	countdown int
	applied   bool
	calls     []string
	failed    string // the call that failed
}

func (f *faulty) next(call string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.calls = append(f.calls, call)
	if f.countdown--; f.countdown != 0 {
		return nil
	}
	f.failed = call
	return errDisk
}

func read[T any](f *faulty, call string, do func() (T, error)) (T, error) {
	if err := f.next(call); err != nil {
		var zero T
		return zero, err
	}
	return do()
}

func (f *faulty) Marks(ctx context.Context, limit int) ([]record.Mark, error) {
	return read(f, "Marks", func() ([]record.Mark, error) { return f.Store.Marks(ctx, limit) })
}

func (f *faulty) Stations(ctx context.Context) ([]record.Station, error) {
	return read(f, "Stations", func() ([]record.Station, error) { return f.Store.Stations(ctx) })
}

func (f *faulty) Facts(ctx context.Context, of fact.Subject) ([]fact.Fact, error) {
	return read(f, "Facts of a "+string(of.Kind), func() ([]fact.Fact, error) { return f.Store.Facts(ctx, of) })
}

func (f *faulty) Latest(ctx context.Context) (map[string]unit.Instant, error) {
	return read(f, "Latest", func() (map[string]unit.Instant, error) { return f.Store.Latest(ctx) })
}

func (f *faulty) Readings(ctx context.Context, id string, from, to unit.Instant) ([]reading.Reading, error) {
	return read(f, "Readings", func() ([]reading.Reading, error) { return f.Store.Readings(ctx, id, from, to) })
}

func (f *faulty) InstantBefore(ctx context.Context, id string, t unit.Instant) (unit.Instant, bool, error) {
	if err := f.next("InstantBefore"); err != nil {
		return 0, false, err
	}
	return f.Store.InstantBefore(ctx, id, t)
}

func (f *faulty) InstantAfter(ctx context.Context, id string, t unit.Instant) (unit.Instant, bool, error) {
	if err := f.next("InstantAfter"); err != nil {
		return 0, false, err
	}
	return f.Store.InstantAfter(ctx, id, t)
}

func (f *faulty) Recent(ctx context.Context, ids []string) (map[string]*record.Recent, error) {
	return read(f, "Recent", func() (map[string]*record.Recent, error) { return f.Store.Recent(ctx, ids) })
}

func (f *faulty) Hours(ctx context.Context, id string, from, to unit.Instant) ([]exposure.Hour, error) {
	return read(f, "Hours", func() ([]exposure.Hour, error) { return f.Store.Hours(ctx, id, from, to) })
}

func (f *faulty) Occurrences(ctx context.Context, id string) ([]alarm.Occurrence, error) {
	return read(f, "Occurrences", func() ([]alarm.Occurrence, error) { return f.Store.Occurrences(ctx, id) })
}

func (f *faulty) BoxRun(ctx context.Context, id string, before unit.Instant) (record.BoxRun, error) {
	return read(f, "BoxRun", func() (record.BoxRun, error) { return f.Store.BoxRun(ctx, id, before) })
}

func (f *faulty) BoxStates(ctx context.Context, id string) ([]unit.Instant, error) {
	return read(f, "BoxStates", func() ([]unit.Instant, error) { return f.Store.BoxStates(ctx, id) })
}

func (f *faulty) Outdoors(ctx context.Context, id string, from, to unit.Instant) ([]equal.Air, error) {
	return read(f, "Outdoors", func() ([]equal.Air, error) { return f.Store.Outdoors(ctx, id, from, to) })
}

func (f *faulty) VisitsOf(ctx context.Context, id string) ([]record.VisitDetails, error) {
	return read(f, "VisitsOf", func() ([]record.VisitDetails, error) { return f.Store.VisitsOf(ctx, id) })
}

func (f *faulty) OutlookState(ctx context.Context, id string, before unit.Instant) (record.OutlookState, error) {
	return read(f, "OutlookState", func() (record.OutlookState, error) { return f.Store.OutlookState(ctx, id, before) })
}

func (f *faulty) Looks(ctx context.Context) (map[string][]life.Look, error) {
	return read(f, "Looks", func() (map[string][]life.Look, error) { return f.Store.Looks(ctx) })
}

func (f *faulty) PutLooks(ctx context.Context, id string, looks []life.Look) error {
	if err := f.next("PutLooks"); err != nil {
		return err
	}
	return f.Store.PutLooks(ctx, id, looks)
}

func (f *faulty) Neighbours(ctx context.Context, site string, from, to unit.Instant) ([]record.Neighbour, error) {
	return read(f, "Neighbours", func() ([]record.Neighbour, error) { return f.Store.Neighbours(ctx, site, from, to) })
}

func (f *faulty) Weather(ctx context.Context, site string, from, to unit.Instant) ([]record.Weather, error) {
	return read(f, "Weather", func() ([]record.Weather, error) { return f.Store.Weather(ctx, site, from, to) })
}

func (f *faulty) Line(ctx context.Context, id string) (record.Line, error) {
	return read(f, "Line", func() (record.Line, error) { return f.Store.Line(ctx, id) })
}

func (f *faulty) CommitFold(ctx context.Context, x ...record.Folded) error {
	fail := f.next("CommitFold")
	if fail == nil || f.applied {
		if err := f.Store.CommitFold(ctx, x...); err != nil {
			return err
		}
	}
	return fail
}

func (f *faulty) ChangeAlarms(ctx context.Context, c record.AlarmChange) error {
	fail := f.next("ChangeAlarms")
	if fail == nil || f.applied {
		if err := f.Store.ChangeAlarms(ctx, c); err != nil {
			return err
		}
	}
	return fail
}

func (f *faulty) OpenOccurrences(ctx context.Context) ([]alarm.Occurrence, error) {
	return read(f, "OpenOccurrences", func() ([]alarm.Occurrence, error) { return f.Store.OpenOccurrences(ctx) })
}

func (f *faulty) AlarmHolds(ctx context.Context, ended unit.Instant) ([]alarm.Hold, error) {
	return read(f, "AlarmHolds", func() ([]alarm.Hold, error) { return f.Store.AlarmHolds(ctx, ended) })
}

func (f *faulty) AlarmCauses(ctx context.Context) ([]alarm.Cause, int64, error) {
	if err := f.next("AlarmCauses"); err != nil {
		return nil, 0, err
	}
	return f.Store.AlarmCauses(ctx)
}

func (f *faulty) AlarmLimits(ctx context.Context) ([]record.AlarmLimit, error) {
	return read(f, "AlarmLimits", func() ([]record.AlarmLimit, error) { return f.Store.AlarmLimits(ctx) })
}

func (f *faulty) MessagesIn(ctx context.Context, from, to unit.Instant) ([]record.Message, error) {
	return read(f, "MessagesIn", func() ([]record.Message, error) { return f.Store.MessagesIn(ctx, from, to) })
}

func (f *faulty) FactsOf(ctx context.Context, kind string) ([]fact.Fact, error) {
	return read(f, "FactsOf "+kind, func() ([]fact.Fact, error) { return f.Store.FactsOf(ctx, kind) })
}

func (f *faulty) Visits(ctx context.Context, want record.VisitQuery) ([]record.Visit, error) {
	return read(f, "Visits", func() ([]record.Visit, error) { return f.Store.Visits(ctx, want) })
}

func (f *faulty) ReleaseDue(ctx context.Context, now unit.Instant) (int, error) {
	fail := f.next("ReleaseDue")
	if fail != nil && !f.applied {
		return 0, fail
	}
	n, err := f.Store.ReleaseDue(ctx, now)
	if err != nil {
		return n, err
	}
	return n, fail
}

// season is what one collector sees in five weeks, step by step.
func season() []func(*testing.T, *bench) {
	ctx := context.Background()
	const week = 7 * 24 * time.Hour
	at := func(b *bench, d time.Duration) { b.now = start.Add(d).Time() }
	return []func(*testing.T, *bench){
		func(t *testing.T, b *bench) { // three weeks at once, with a wet spell that is over
			require.NoError(t, b.store.AddFacts(ctx, []fact.Fact{{
				Subject: fact.Subject{Kind: fact.KindSite, ID: "park"}, Name: fact.Zone, Value: "Etc/UTC", From: fact.Always, Author: "test", Recorded: start,
			}}))
			b.enrol(t, "lake-07", map[string]string{fact.Site: "park", fact.MaxGap: "2h"})
			b.wire(t, "park", "cottages", "lake-07")
			b.enrol(t, "lake-08", nil)
			at(b, 3*week)
			rs := every(0, 3*week, time.Hour, dry)
			for h := 100; h < 140; h++ {
				rs[h] = wet(time.Duration(h) * time.Hour)
			}
			b.take(t, "lake-07", rs...)
			b.take(t, "lake-08", every(0, 10*time.Hour, time.Hour, dry)...)
			b.enrol(t, "lake-09", map[string]string{fact.Site: "park"}) // it hears the air outdoors
			b.take(t, "lake-09", every(98*time.Hour, 110*time.Hour, 20*time.Minute, func(d time.Duration) reading.Reading {
				r := dry(d)
				r.Set(reading.OutsideTemp, 8)
				r.Set(reading.OutsideRH, 90)
				return r
			})...)
			early := inside(3*week+2*time.Hour, 9, 60, 9)
			early.Run, early.Seq = "00000000000000aa", 1
			_, err := b.store.Commit(ctx, []record.Arrival{{Station: "lake-08", At: unit.At(b.now), Batch: reading.Batch{
				Refused: []reading.Refusal{{Reason: reading.ReasonTime, Run: early.Run, Seq: early.Seq, Raw: []byte("of the test"), Reading: &early}},
			}}})
			require.NoError(t, err)
		},
		func(t *testing.T, b *bench) { // late, in the middle of the spell and as wet: the ledger goes on as it did
			b.take(t, "lake-07", wet(120*time.Hour+20*time.Minute))
		},
		func(_ *testing.T, b *bench) { at(b, 3*week+5*time.Hour) }, // silence begins, and the early reading is due
		func(t *testing.T, b *bench) { // it ends
			b.take(t, "lake-07", every(3*week+6*time.Hour, 3*week+7*time.Hour, time.Hour, dry)...)
			at(b, 3*week+7*time.Hour)
		},
		func(t *testing.T, b *bench) { // a damp fortnight
			at(b, 5*week)
			b.take(t, "lake-07", every(3*week+8*time.Hour, 5*week, time.Hour, func(d time.Duration) reading.Reading { return inside(d, 10, 95, 10) })...)
		},
	}
}

// chapter is a step of a season, and the store before it, when nothing fails.
type chapter struct {
	step  func(*testing.T, *bench)
	now   time.Time
	store []byte
}

// play lets one step happen to a store, with the countdown-th call failing, and
// folds until that succeeds.
func (c *chapter) play(t *testing.T, countdown int, applied bool) (state string, f *faulty, after chapter) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "dewpost.db")
	require.NoError(t, os.WriteFile(path, c.store, 0o600))
	s, err := store.Open(ctx, path)
	require.NoError(t, err)
	f = &faulty{Store: s, countdown: countdown, applied: applied}
	b := &bench{store: s, now: start.Time()} // the collector runs since the beginning
	b.folder = fold.New(fold.Config{Store: f, Now: func() time.Time { return b.now }, Log: slog.New(slog.DiscardHandler)})
	b.now = c.now
	c.step(t, b)
	told := false
	for _, do := range []func(context.Context) error{b.folder.All, b.folder.Minute, b.folder.All} {
		if err := do(ctx); err != nil {
			told = true
			require.ErrorIs(t, err, errDisk)
			b.folder.TryAgain()
			require.NoError(t, do(ctx))
		}
	}
	require.Equal(t, f.failed != "", told, "a failure is told")
	state = b.state(t)
	require.NoError(t, s.Close())
	after.now = b.now
	after.store, err = os.ReadFile(path)
	require.NoError(t, err)
	return state, f, after
}

// state is all that folding wrote, but for the marks' numbers.
func (b *bench) state(t *testing.T) string {
	ctx := context.Background()
	var all []any
	for _, id := range []string{"lake-07", "lake-08", "lake-09"} {
		days, err := b.store.Breathing(ctx, id, "0000", "9999", 1000)
		require.NoError(t, err)
		states, err := b.store.BoxStates(ctx, id)
		require.NoError(t, err)
		all = append(all, days, states)
		hours, err := b.store.Hours(ctx, id, math.MinInt64, math.MaxInt64)
		require.NoError(t, err)
		var table []byte
		for i := range hours {
			table = exposure.AppendHourly(table, &hours[i])
		}
		kept, err := b.store.Occurrences(ctx, id)
		require.NoError(t, err)
		all = append(all, string(table), kept)
		for _, o := range kept {
			events, err := b.store.Events(ctx, id, o.Finding.Kind, o.Number)
			require.NoError(t, err)
			all = append(all, events)
		}
	}
	unsent, err := b.store.Unsent(ctx, 100)
	require.NoError(t, err)
	for i := range unsent {
		// A message holds the evidence of its instant. In another order of
		// stations more may have been known of the air outdoors by then.
		var body record.MessageBody
		require.NoError(t, json.Unmarshal([]byte(unsent[i].Body), &body))
		body.Evidence = nil
		plain, err := json.Marshal(body)
		require.NoError(t, err)
		unsent[i].Body = string(plain)
	}
	marks, err := b.store.Marks(ctx, 100)
	require.NoError(t, err)
	require.Empty(t, marks)
	text, err := json.Marshal(append(all, unsent))
	require.NoError(t, err)
	return string(text)
}

// Whichever call to the store fails, before or after it was done, the next
// attempt ends where one without a failure does: no hour, occurrence, event or
// message more or less.
func TestAnyCallMayFail(t *testing.T) {
	failed := map[string]int{}
	c := chapter{store: blank.File(t)}
	last := ""
	for _, step := range season() {
		c.step = step
		want, whole, after := c.play(t, -1, false)
		require.Empty(t, whole.failed)
		for i, call := range whole.calls {
			for _, applied := range []bool{false, true} {
				if applied && call != "CommitFold" && call != "ReleaseDue" && call != "ChangeAlarms" {
					continue // it writes nothing
				}
				got, f, _ := c.play(t, i+1, applied)
				require.Equal(t, call, f.failed)
				if want != got {
					for k := range want {
						if want[k] != got[k] {
							t.Fatalf("call %d %s\n%s\n\n%s", i+1, call, want[max(0, k-600):min(len(want), k+300)], got[max(0, k-600):min(len(got), k+300)])
						}
					}
				}
				failed[call]++
			}
		}
		c, last = after, want
	}
	t.Logf("%v", failed)
	require.Len(t, failed, 31, "every method of the store but those that want a site with a place or a visit, and facts of both kinds")
	for _, kind := range []finding.Kind{finding.BoardWet, finding.Silent, finding.DampWeek} {
		require.Contains(t, last, kind)
	}
}
