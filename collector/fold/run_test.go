package fold_test

import (
	"context"
	"errors"
	"log/slog"
	"math"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/fold"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/alarm"
	"dewpost/rules/equal"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/life"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// desk is a store with one mark at most and nothing else; it tells what is
// asked of it.
type desk struct {
	mu      sync.Mutex    // of what the folder changes; see wait
	marked  chan struct{} // holds the mark
	due     int           // readings that are released next
	err     error         // of the next Marks
	broken  error         // of every CommitFold; nil: it is done
	storm   time.Duration // that every CommitFold takes, in which readings come anew
	tries   int           // times that CommitFold was asked
	marks   int           // times that Marks was asked
	waits   int
	minutes int // times that ReleaseDue was asked
	latest  map[string]unit.Instant
	facts   map[string][]fact.Fact
	folded  []record.Folded
}

func newDesk() *desk {
	return &desk{marked: make(chan struct{}, 1), latest: map[string]unit.Instant{}, facts: map[string][]fact.Fact{}}
}

func (d *desk) Marks(context.Context, int) ([]record.Mark, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.marks++
	if err := d.err; err != nil {
		d.err = nil
		return nil, err
	}
	if len(d.marked) == 0 {
		return nil, nil
	}
	return []record.Mark{{Station: "lake-07", Version: 1}}, nil
}

func (d *desk) Stations(context.Context) (list []record.Station, err error) {
	for id := range d.latest {
		list = append(list, record.Station{ID: id})
	}
	return list, nil
}

func (d *desk) Facts(_ context.Context, of fact.Subject) ([]fact.Fact, error) {
	return d.facts[of.ID], nil
}
func (d *desk) Latest(context.Context) (map[string]unit.Instant, error) { return d.latest, nil }
func (d *desk) Readings(context.Context, string, unit.Instant, unit.Instant) ([]reading.Reading, error) {
	return nil, nil
}

func (d *desk) InstantBefore(context.Context, string, unit.Instant) (unit.Instant, bool, error) {
	return 0, false, nil
}

func (d *desk) InstantAfter(context.Context, string, unit.Instant) (unit.Instant, bool, error) {
	return 0, false, nil
}

func (d *desk) Recent(context.Context, []string) (map[string]*record.Recent, error) { return nil, nil }

func (d *desk) Line(_ context.Context, id string) (record.Line, error) {
	return record.Line{ID: id}, nil
}

func (d *desk) Hours(context.Context, string, unit.Instant, unit.Instant) ([]exposure.Hour, error) {
	return nil, nil
}

func (d *desk) Occurrences(context.Context, string) ([]alarm.Occurrence, error) { return nil, nil }

func (d *desk) BoxRun(context.Context, string, unit.Instant) (record.BoxRun, error) {
	return record.BoxRun{}, nil
}

func (d *desk) BoxStates(context.Context, string) ([]unit.Instant, error) { return nil, nil }

func (d *desk) Outdoors(context.Context, string, unit.Instant, unit.Instant) ([]equal.Air, error) {
	return nil, nil
}

func (d *desk) VisitsOf(context.Context, string) ([]record.VisitDetails, error) { return nil, nil }

func (d *desk) OutlookState(context.Context, string, unit.Instant) (record.OutlookState, error) {
	return record.OutlookState{}, nil
}

func (d *desk) Forecast(context.Context, string, unit.Instant, unit.Instant, unit.Instant) ([]record.ForecastHour, error) {
	return nil, nil
}
func (d *desk) Looks(context.Context) (map[string][]life.Look, error) { return nil, nil }
func (d *desk) PutLooks(context.Context, string, []life.Look) error   { return nil }

func (d *desk) Neighbours(context.Context, string, unit.Instant, unit.Instant) ([]record.Neighbour, error) {
	return nil, nil
}

func (d *desk) Weather(context.Context, string, unit.Instant, unit.Instant) ([]record.Weather, error) {
	return nil, nil
}

func (d *desk) CommitFold(_ context.Context, f ...record.Folded) error {
	time.Sleep(d.storm)
	d.mu.Lock()
	defer d.mu.Unlock()
	d.tries++
	if d.broken != nil {
		return d.broken
	}
	d.folded = append(d.folded, f...)
	if d.storm == 0 && len(d.marked) > 0 {
		<-d.marked
	}
	return nil
}

func (d *desk) OpenOccurrences(context.Context) ([]alarm.Occurrence, error) { return nil, nil }

func (d *desk) AlarmHolds(context.Context, unit.Instant) ([]alarm.Hold, error) { return nil, nil }

func (d *desk) AlarmCauses(context.Context) ([]alarm.Cause, int64, error) { return nil, 1, nil }

func (d *desk) AlarmLimits(context.Context) ([]record.AlarmLimit, error) { return nil, nil }

func (d *desk) MessagesIn(context.Context, unit.Instant, unit.Instant) ([]record.Message, error) {
	return nil, nil
}

func (d *desk) ChangeAlarms(context.Context, record.AlarmChange) error { return nil }

func (d *desk) FactsOf(_ context.Context, kind string) (all []fact.Fact, _ error) {
	for id, facts := range d.facts {
		for _, f := range facts {
			if f.Subject = (fact.Subject{Kind: fact.KindStation, ID: id}); kind == fact.KindStation {
				all = append(all, f)
			}
		}
	}
	return all, nil
}

func (d *desk) Visits(context.Context, record.VisitQuery) ([]record.Visit, error) { return nil, nil }

func (d *desk) Unjudged(context.Context) ([]record.Round, error) { return nil, nil }

func (d *desk) JudgeRounds(context.Context, []record.Round, unit.Instant) error { return nil }

func (d *desk) ReleaseDue(context.Context, unit.Instant) (int, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.minutes++
	n := d.due
	d.due = 0
	return n, nil
}

// running runs a folder on a desk, in a bubble of virtual time.
func running(t *testing.T, test func(*desk, *fold.Folder)) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk()
		f := fold.New(fold.Config{Store: d, Now: time.Now, Log: slog.New(slog.DiscardHandler)})
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan error)
		go func() { ended <- f.Run(ctx) }()
		synctest.Wait()
		test(d, f)
		stop()
		require.NoError(t, <-ended, "an end that was asked for")
	})
}

// wait lets time pass and everything that is due happen. What the test has
// looked at so far comes before that, also for the race detector.
func (d *desk) wait(long time.Duration) {
	d.mu.Lock()
	d.waits++
	d.mu.Unlock()
	time.Sleep(long) // in the bubble it takes none
	synctest.Wait()
}

func TestRunFoldsWhenWoken(t *testing.T) {
	running(t, func(d *desk, f *fold.Folder) {
		require.Equal(t, 1, d.marks, "what was marked before")
		d.marked <- struct{}{}
		f.Wake()
		f.Wake() // never blocks
		f.Wake()
		synctest.Wait()
		require.Len(t, d.folded, 1, "at once")
	})
}

// Those that send one after the other are folded together.
func TestRunRestsBetweenFolds(t *testing.T) {
	running(t, func(d *desk, f *fold.Folder) {
		for folds := 1; folds < 4; folds++ {
			d.marked <- struct{}{}
			f.Wake()
			synctest.Wait()
			require.Len(t, d.folded, folds)
			d.wait(99 * time.Millisecond)
			d.marked <- struct{}{}
			f.Wake()
			d.wait(0)
			require.Len(t, d.folded, folds, "it rests")
			d.wait(time.Millisecond)
			require.Len(t, d.folded, folds+1)
			folds++
			d.wait(time.Minute)
		}
	})
}

func TestRunLooksEveryMinute(t *testing.T) {
	running(t, func(d *desk, f *fold.Folder) {
		require.Equal(t, 1, d.minutes)
		d.marked <- struct{}{} // by another process, which wakes nobody here
		d.wait(time.Minute)
		require.Len(t, d.folded, 1)
		require.Equal(t, 2, d.minutes)
		f.Wake()
		synctest.Wait()
		require.Equal(t, 2, d.minutes, "the clock's work is done once a minute, however often it is woken")
	})
}

// What leaves quarantine is folded at once, not a minute later.
func TestRunFoldsWhatWasReleased(t *testing.T) {
	running(t, func(d *desk, _ *fold.Folder) {
		d.due = 1
		before := d.marks
		d.wait(time.Minute)
		require.Equal(t, before+2, d.marks, "once by the minute, once for the released")
	})
}

// Stations that send faster than they can be folded don't keep people from being
// told, nor the clock's work from being done.
func TestRunWhileReadingsComeWithoutEnd(t *testing.T) {
	running(t, func(d *desk, f *fold.Folder) {
		d.storm = time.Second
		d.marked <- struct{}{}
		f.Wake()
		d.wait(10*time.Minute + 10*time.Second)
		require.InDelta(t, 610, len(d.folded), 10)
		require.InDelta(t, 11, d.minutes, 1)
		d.storm = 0
		d.wait(time.Second)
		require.Empty(t, d.marked)
	})
}

func TestRunTriesAgain(t *testing.T) {
	running(t, func(d *desk, f *fold.Folder) {
		d.err = errors.New("disk full")
		d.marked <- struct{}{}
		f.Wake()
		synctest.Wait()
		require.Empty(t, d.folded)
		require.Equal(t, int64(1), f.Stats().Failures)
		d.wait(time.Second)
		require.Len(t, d.folded, 1)
		require.Equal(t, int64(1), f.Stats().Failures)
	})
}

// One station that can't be folded doesn't keep the clock's work from being done.
// It is tried ever more seldom, however often something else is marked, and is
// folded when it can be.
func TestRunWithAStationThatCantBeFolded(t *testing.T) {
	running(t, func(d *desk, f *fold.Folder) {
		d.broken = errors.New("a batch is damaged")
		d.marked <- struct{}{}
		f.Wake()
		synctest.Wait()
		require.Equal(t, 1, d.tries)
		require.Equal(t, 1, d.minutes)
		d.wait(time.Second)
		require.Equal(t, 2, d.tries)
		d.wait(2 * time.Second)
		require.Equal(t, 3, d.tries)
		for range 100 {
			f.Wake()
			synctest.Wait()
		}
		require.Equal(t, 3, d.tries)
		d.wait(time.Hour)
		require.Equal(t, 61, d.minutes, "every minute")
		require.InDelta(t, 20, d.tries, 3)
		require.Equal(t, int64(d.tries), f.Stats().Failures, "told each time, and no more often")
		d.broken = nil
		d.wait(5 * time.Minute)
		require.Len(t, d.folded, 1)
		failures := f.Stats().Failures
		d.broken = errors.New("disk full")
		d.marked <- struct{}{}
		f.Wake()
		synctest.Wait()
		d.broken = nil
		d.wait(time.Second)
		require.Len(t, d.folded, 2, "what has been folded since is tried again soon")
		require.Equal(t, failures+1, f.Stats().Failures)
	})
}

// An end that comes while something fails is an end, and no failure.
func TestRunEndsInAFailure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk()
		ctx, stop := context.WithCancel(t.Context())
		f := fold.New(fold.Config{Store: &stopping{d, stop}, Now: time.Now, Log: slog.New(slog.DiscardHandler)})
		require.NoError(t, f.Run(ctx))
		require.Zero(t, f.Stats().Failures)
	})
}

// stopping ends the folder while it asks.
type stopping struct {
	*desk
	stop func()
}

func (s *stopping) Marks(ctx context.Context, _ int) ([]record.Mark, error) {
	s.stop()
	return nil, ctx.Err()
}

// A mark of a station without any reading is cleared.
func TestMarkWithoutReadings(t *testing.T) {
	d := newDesk()
	f := fold.New(fold.Config{Store: d, Now: time.Now, Log: slog.New(slog.DiscardHandler)})
	d.marked <- struct{}{}
	require.NoError(t, f.All(t.Context()))
	require.Equal(t, []record.Folded{{Mark: record.Mark{Station: "lake-07", Version: 1}}}, d.folded)
	require.Zero(t, f.Stats().Folds)
}

// strange is a store in which a station has a fact that no store takes.
type strange struct{ *store.Store }

func (s strange) Recent(ctx context.Context, stations []string) (map[string]*record.Recent, error) {
	all, err := s.Store.Recent(ctx, stations)
	if r := all["lake-2"]; r != nil {
		r.Facts = append(r.Facts, fact.Fact{Subject: fact.Subject{Kind: fact.KindStation, ID: "lake-2"}, Name: fact.MaxGap, Value: "sometimes", From: fact.Always})
	}
	return all, err
}

// A fact that can't be understood, as one of a newer program, keeps its own
// station from being judged, and says so; the others are.
func TestFactThatIsNotUnderstood(t *testing.T) {
	b := newBench(t, func(s *store.Store) fold.Store { return strange{s} })
	all := []string{"lake-1", "lake-2", "lake-3"}
	for _, id := range all {
		b.enrol(t, id, nil)
	}
	b.now = start.Add(time.Hour).Time()
	for _, id := range all {
		b.take(t, id, dry(0), dry(10*time.Minute))
	}
	err := b.folder.All(t.Context())
	require.ErrorContains(t, err, "lake-2")
	require.ErrorContains(t, err, "sometimes")
	for _, id := range all {
		hours, err := b.store.Hours(t.Context(), id, math.MinInt64, math.MaxInt64)
		require.NoError(t, err)
		require.Equal(t, id != "lake-2", len(hours) == 1, id)
	}
}

// A spell that is recorded to its end keeps that when something in its middle
// is folded again.
func TestSpellKeepsItsEnd(t *testing.T) {
	ctx := context.Background()
	b := newBench(t, nil)
	b.enrol(t, "lake-07", nil)
	b.now = start.Add(60 * time.Hour).Time()
	b.take(t, "lake-07", every(0, 30*time.Hour, 10*time.Minute, wet)...)
	b.take(t, "lake-07", every(30*time.Hour+10*time.Minute, 60*time.Hour, 10*time.Minute, dry)...)
	require.NoError(t, b.folder.All(ctx))
	before, err := b.store.Occurrences(ctx, "lake-07")
	require.NoError(t, err)
	require.Len(t, before, 1)
	require.NotZero(t, before[0].Finding.To)
	written := b.folder.Stats().Hours
	b.take(t, "lake-07", wet(20*time.Hour+5*time.Minute))
	require.NoError(t, b.folder.All(ctx))
	require.Less(t, b.folder.Stats().Hours-written, int64(5), "only the middle was folded")
	after, err := b.store.Occurrences(ctx, "lake-07")
	require.NoError(t, err)
	require.Equal(t, before, after)
	hours, err := b.store.Hours(ctx, "lake-07", math.MinInt64, math.MaxInt64)
	require.NoError(t, err)
	require.Len(t, hours, 60)
}
