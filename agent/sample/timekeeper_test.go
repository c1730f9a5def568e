package sample

import (
	"bytes"
	"cmp"
	"context"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// board is a machine in virtual time.
type board struct {
	mu     sync.Mutex    // guards all but booted
	booted time.Time     // in virtual time
	offset time.Duration // of the wall clock against virtual time
	synced bool
	dumb   bool    // says nothing of being synchronised
	slow   float64 // how many millionths the oscillator is slower than time
}

func (b *board) Boot() string      { return "a boot" }
func (b *board) Up() time.Duration { return time.Since(b.booted) }

func (b *board) Pace() (steady, raw time.Duration) {
	up := b.Up()
	return up, up - time.Duration(float64(up)*b.slow/1e6)
}

func (b *board) Synchronised() (yes, known bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.synced, !b.dumb
}

func (b *board) now() time.Time {
	b.mu.Lock()
	defer b.mu.Unlock()
	return time.Now().Add(b.offset)
}

// set sets the wall clock.
func (b *board) set(text string) { b.step(time.Until(at(text).Time()) - b.step(0)) }

// step moves the wall clock, and returns how far it is off.
func (b *board) step(by time.Duration) time.Duration {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.offset += by
	return b.offset
}

// synchronise sets the wall clock by a time server.
func (b *board) synchronise(text string) {
	b.set(text)
	b.mu.Lock()
	defer b.mu.Unlock()
	b.synced = true
}

func (b *board) clock() Clock { return Clock{Now: b.now, Machine: b} }

// bench is a sampler on a board, a reading a minute.
type bench struct {
	*board
	sp     *memSpool
	keeper *Timekeeper
	stop   context.CancelFunc
	done   chan error
	log    bytes.Buffer
}

func start(t *testing.T, b *board, sp *memSpool, newest string) *bench {
	t.Helper()
	be := &bench{board: b, sp: sp, done: make(chan error, 1)}
	log := slog.New(slog.NewTextHandler(&be.log, nil))
	var last time.Time
	if newest != "" {
		last = at(newest).Time()
	}
	be.keeper = NewTimekeeper(b.clock(), time.Hour, last, log)
	s := &script{channel: reading.InsideTemp, values: []float64{1, 2, 3, 4, 5, 6, 7, 8}}
	sa := NewSampler([]Sensor{s}, Plan{Interval: time.Minute, Burst: 2}, be.keeper, NewRecorder("lake-07", sp), log)
	var ctx context.Context
	ctx, be.stop = context.WithCancel(t.Context())
	go func() { be.done <- sa.Run(ctx) }()
	return be
}

func (b *bench) end(t *testing.T) {
	t.Helper()
	b.stop()
	require.NoError(t, <-b.done)
}

// ordered checks that times rise with numbers.
func ordered(t *testing.T, sp *memSpool) []reading.Reading {
	t.Helper()
	list := sp.readings(t)
	require.True(t, slices.IsSortedFunc(list, func(a, b reading.Reading) int { return cmp.Compare(a.Time, b.Time) }))
	for i := range list[1:] {
		require.NotEqual(t, list[i].Time, list[i+1].Time)
	}
	return list
}

// TestWhenTheClockIsBelieved starts a board and looks when its first reading
// gets a number.
func TestWhenTheClockIsBelieved(t *testing.T) {
	const newest = "2026-05-01T12:00:00Z"
	for name, test := range map[string]struct {
		clock  string        // at the start
		uptime time.Duration // at the start
		board  *board
		newest string
		after  time.Duration // the first reading is spooled, at the latest a minute later; < 0: not within two days
	}{
		"synchronised":                {"2026-05-01T13:00:00Z", 0, &board{synced: true}, newest, 0},
		"synchronised and behind":     {"2026-05-01T11:00:00Z", 0, &board{synced: true}, newest, 0},
		"not synchronised":            {"2026-05-01T13:00:00Z", 0, &board{}, newest, time.Hour},
		"nothing known of it":         {"2026-05-01T13:00:00Z", 0, &board{dumb: true}, newest, time.Hour},
		"up for long":                 {"2026-05-01T13:00:00Z", time.Hour, &board{}, newest, 0},
		"up for long, a new spool":    {"2026-05-01T13:00:00Z", time.Hour, &board{}, "", 0},
		"behind":                      {"2025-05-01T11:00:00Z", 0, &board{}, newest, 24 * time.Hour},
		"behind though up for long":   {"2025-05-01T11:00:00Z", 100 * time.Hour, &board{}, newest, 24 * time.Hour},
		"behind, then it has passed":  {"2026-05-01T08:00:00Z", 0, &board{}, newest, 4 * time.Hour},
		"1970":                        {"1970-01-01T00:00:05Z", 100 * time.Hour, &board{}, "", -1},
		"1970 though called right":    {"1970-01-01T00:00:05Z", 100 * time.Hour, &board{synced: true}, "", -1},
		"the machine's first reading": {"2026-05-01T13:00:00Z", 10 * time.Minute, &board{}, "", 50 * time.Minute},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := test.board
				b.booted = time.Now().Add(-test.uptime)
				b.set(test.clock)
				be := start(t, b, newMemSpool(), test.newest)
				if test.after < 0 {
					time.Sleep(48 * time.Hour)
					synctest.Wait()
					require.Zero(t, be.sp.count())
				} else {
					time.Sleep(test.after - time.Second)
					synctest.Wait()
					require.Zero(t, be.sp.count(), "not before its time")
					time.Sleep(time.Minute + 2*time.Second)
					synctest.Wait()
					require.GreaterOrEqual(t, be.sp.count(), int(test.after/time.Minute))
					require.True(t, be.keeper.Status().Set)
				}
				be.end(t)
				require.Empty(t, be.sp.skipped)
				if be.sp.count() > 0 {
					ordered(t, be.sp)
				}
			})
		})
	}
}

// TestLateSynchronisation boots with the time of the last shutdown. Nothing is
// stamped with it.
func TestLateSynchronisation(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &board{booted: time.Now()}
		b.set("2026-05-01T12:00:30Z")
		be := start(t, b, newMemSpool(), "2026-05-01T12:00:00Z")
		time.Sleep(20*time.Minute + 3*time.Second)
		synctest.Wait()
		require.Zero(t, be.sp.count())
		require.Equal(t, 1, strings.Count(be.log.String(), "readings wait for the clock"))
		b.synchronise("2026-05-01T18:00:00Z")
		time.Sleep(2 * time.Minute)
		be.end(t)
		list := ordered(t, be.sp)
		require.GreaterOrEqual(t, len(list), 22)
		require.Greater(t, list[0].Time, at("2026-05-01T17:39:00Z"))
		require.Equal(t, at("2026-05-01T18:01:00Z"), list[len(list)-2].Time)
		require.Contains(t, be.log.String(), "clock is set")
		st := be.keeper.Status()
		require.Zero(t, st.Jumps, "setting it is no jump")
		require.True(t, *st.Synchronised)
		for _, r := range list {
			require.Empty(t, r.Flags)
		}
	})
}

// TestWaitingAcrossProcesses ends a process before the clock is set. The next
// one gives the readings their times.
func TestWaitingAcrossProcesses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &board{booted: time.Now()}
		b.set("1970-01-01T00:00:00Z")
		sp := newMemSpool()
		be := start(t, b, sp, "")
		time.Sleep(3*time.Minute + time.Second)
		be.end(t)
		require.Len(t, sp.Held(), 3)
		time.Sleep(10 * time.Minute)
		be = start(t, b, sp, "")
		time.Sleep(2 * time.Minute)
		b.synchronise("2026-05-01T12:00:00Z") // 15 min and 1 s after boot
		time.Sleep(time.Minute + time.Second)
		be.end(t)
		list := ordered(t, sp)
		require.Len(t, list, 6)
		require.Equal(t, at("2026-05-01T11:45:59Z"), list[0].Time)
		require.Equal(t, at("2026-05-01T11:46:59Z"), list[1].Time)
		require.Equal(t, at("2026-05-01T11:58:59Z"), list[3].Time)
		require.Empty(t, sp.Held())
	})
}

// TestHalfStamped kills a process while it appends readings that had waited.
// The next one, in another boot and with another clock, writes the same bytes.
func TestHalfStamped(t *testing.T) {
	fill := func() *memSpool {
		sp := newMemSpool()
		rec := NewRecorder("lake-07", sp)
		for i := range 300 {
			r := reading.Reading{Flags: "sensor_heater"}
			r.Set(reading.InsideTemp, float64(i)/10)
			require.NoError(t, rec.hold(time.Duration(i)*time.Minute, r))
		}
		return sp
	}
	now := look{now: at("2026-05-01T12:00:00Z"), up: 400 * time.Minute}
	whole := fill()
	require.NoError(t, NewRecorder("lake-07", whole).release(now, at("2026-05-01T12:00:00Z")))
	require.Len(t, ordered(t, whole), 300)

	sp := fill()
	require.NoError(t, sp.Fix(stamp{add: now.now.Sub(epoch.Add(now.up)), before: now.now}.String()))
	note, _ := sp.Fixed()
	require.NoError(t, NewRecorder("lake-07", sp).appendHeld(note, sp.Held()[:7], 300))
	require.NoError(t, NewRecorder("lake-07", sp).settle())
	require.Equal(t, whole.lines, sp.lines)

	first := whole.readings(t)[0]
	line, err := reading.AppendLine(nil, "lake-07", &first, 0)
	require.NoError(t, err)
	require.Equal(t, string(line), whole.lines[1], "the line is the encoder's")
}

// TestStampedStayApart when the clock has run backwards meanwhile.
func TestStampedStayApart(t *testing.T) {
	sp := newMemSpool()
	rec := NewRecorder("lake-07", sp)
	for range 5 {
		require.NoError(t, rec.hold(time.Hour, reading.Reading{}))
	}
	before := at("2026-05-01T12:00:00Z")
	require.NoError(t, rec.release(look{now: before.Add(time.Second), up: time.Hour}, before))
	list := ordered(t, sp)
	require.Equal(t, before.Add(-5*time.Millisecond), list[0].Time)
	require.Equal(t, before.Add(-time.Millisecond), list[4].Time)
}

func TestReleaseFails(t *testing.T) {
	now := look{now: at("2026-05-01T12:00:00Z"), up: time.Hour}
	held := func() (*memSpool, *Recorder) {
		sp := newMemSpool()
		rec := NewRecorder("lake-07", sp)
		require.NoError(t, rec.hold(time.Minute, reading.Reading{}))
		return sp, rec
	}
	t.Run("fixing", func(t *testing.T) {
		sp, rec := held()
		sp.fail = 1
		require.ErrorIs(t, rec.release(now, now.now), errFull)
		require.Len(t, sp.Held(), 1, "it waits on")
		require.NoError(t, rec.release(now, now.now))
		require.Len(t, sp.readings(t), 1)
	})
	t.Run("appending", func(t *testing.T) {
		sp, rec := held()
		require.NoError(t, sp.Fix(stamp{before: now.now}.String()))
		sp.fail = 1
		require.ErrorIs(t, rec.settle(), errFull)
		require.Equal(t, map[string]int64{"io": 1}, sp.skipped)
		require.Empty(t, sp.Held())
	})
	for name, test := range map[string]struct{ line, note string }{
		"no note": {"", "noon"}, "no line": {"no line", "1 2"}, "no time": {"reading,station=a seq=1i x", "1 2"},
	} {
		t.Run(name, func(t *testing.T) {
			sp := newMemSpool()
			require.NoError(t, sp.Hold([]byte(test.line)))
			require.NoError(t, sp.Fix(test.note))
			require.Error(t, NewRecorder("lake-07", sp).settle())
			require.Equal(t, map[string]int64{"io": 1}, sp.skipped)
		})
	}
	t.Run("a receipt beyond the last number", func(t *testing.T) {
		sp, rec := held()
		require.NoError(t, sp.Fix(stamp{before: now.now}.String()))
		moved := &cancelling{memSpool: sp}
		rec.spool = moved
		require.NoError(t, rec.settle())
		require.Len(t, sp.Held(), 1, "it waits on")
		require.Empty(t, sp.skipped)
	})
}

// cancelling gets a receipt that takes the fixed numbers away.
type cancelling struct{ *memSpool }

func (s *cancelling) Append(first int64, payloads [][]byte) error {
	s.last, s.fixed = s.last+9, 0
	return s.memSpool.Append(first, payloads)
}

// TestJumps sets a clock that is believed.
func TestJumps(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &board{booted: time.Now(), synced: true}
		b.set("2026-05-01T12:00:00Z")
		be := start(t, b, newMemSpool(), "")
		time.Sleep(3*time.Minute + 10*time.Second)
		b.step(900 * time.Millisecond) // within what is no jump
		time.Sleep(2 * time.Minute)
		synctest.Wait()
		require.Zero(t, be.keeper.Status().Jumps)
		require.Nil(t, be.keeper.Status().LastJump)
		b.step(90 * time.Second)
		time.Sleep(2 * time.Minute)
		b.step(-3200 * time.Millisecond)
		time.Sleep(2 * time.Minute)
		be.end(t)
		st := be.keeper.Status()
		require.Equal(t, 2, st.Jumps)
		require.Equal(t, -3200*time.Millisecond, st.LastJump.By)
		require.InDelta(t, 600, st.LastJump.At.Sub(at("2026-05-01T12:00:00Z").Time()).Seconds(), 60)
		flagged := 0
		for _, r := range be.sp.readings(t) {
			if r.HasFlag(reading.FlagClock) {
				flagged++
			}
		}
		require.Equal(t, 2, flagged, "the readings of these intervals")
	})
}

// TestSlowLook loses the processor between the reading of one clock and of the
// other: that is no jump.
func TestSlowLook(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &board{booted: time.Now(), synced: true}
		b.set("2026-05-01T12:00:00Z")
		slow := 0
		clock := b.clock()
		clock.Now = func() time.Time {
			now := b.now()
			if slow > 0 {
				slow--
				time.Sleep(3 * time.Second)
			}
			return now
		}
		k := NewTimekeeper(clock, time.Hour, time.Time{}, quiet)
		for i := range 9 {
			slow = i % 3
			require.True(t, k.look().set)
			time.Sleep(time.Minute)
		}
		require.Zero(t, k.Status().Jumps)
	})
}

func TestDrift(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &board{booted: time.Now(), synced: true, slow: 12.34}
		b.set("2026-05-01T12:00:00Z")
		be := start(t, b, newMemSpool(), "")
		time.Sleep(59 * time.Minute)
		synctest.Wait()
		require.Nil(t, be.keeper.Status().Drift, "not from a short time")
		time.Sleep(2 * time.Minute)
		synctest.Wait()
		require.InDelta(t, 12.34, *be.keeper.Status().Drift, 0.01)
		b.step(time.Hour) // a jump is no drift
		time.Sleep(100 * time.Hour)
		synctest.Wait()
		require.InDelta(t, 12.34, *be.keeper.Status().Drift, 0.01)
		be.keeper.mu.Lock()
		_, raw := b.Pace()
		window := raw - be.keeper.anchors[0].raw
		be.keeper.mu.Unlock()
		require.LessOrEqual(t, window, driftWindow+time.Minute)
		require.GreaterOrEqual(t, window, driftWindow/2)
		be.end(t)
	})
}

// TestClockLostAgain shows 1970 after having been right: readings wait again.
func TestClockLostAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &board{booted: time.Now(), synced: true}
		b.set("2026-05-01T12:00:00Z")
		be := start(t, b, newMemSpool(), "")
		time.Sleep(2*time.Minute + time.Second)
		b.set("1970-01-01T00:00:00Z")
		time.Sleep(2 * time.Minute)
		synctest.Wait()
		require.False(t, be.keeper.Status().Set)
		require.Equal(t, 2, be.sp.count())
		require.NotEmpty(t, be.sp.Held())
		b.set("2026-05-01T12:10:00Z")
		time.Sleep(time.Minute)
		be.end(t)
		require.Empty(t, be.sp.Held())
		ordered(t, be.sp)
	})
}

func TestSimulatedClock(t *testing.T) {
	k := NewTimekeeper(Clock{Now: func() time.Time { return at("2026-05-01T12:00:00Z").Time() }}, time.Hour, at("2030-01-01T00:00:00Z").Time(), quiet)
	st := k.Status()
	require.True(t, st.Set)
	require.Nil(t, st.Synchronised)
	require.Nil(t, st.Drift)
	require.Equal(t, unit.Instant(0), k.last.now)
}

// TestSystem asks the machine that the test runs on.
func TestSystem(t *testing.T) {
	m := System()
	require.Regexp(t, "^[0-9a-f-]{36}$", m.Boot())
	require.Equal(t, m.Boot(), m.Boot())
	require.Positive(t, m.Up())
	first, firstRaw := m.Pace()
	then, thenRaw := m.Pace()
	require.GreaterOrEqual(t, then, first)
	require.GreaterOrEqual(t, thenRaw, firstRaw)
	require.LessOrEqual(t, first, m.Up(), "time asleep is in the one and not in the other")
	_, known := m.Synchronised()
	require.True(t, known)
}
