package sample

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"math"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// memSpool keeps lines in memory. fail makes the next calls of Append fail;
// what Append is given then is stored all the same if stored is set.
type memSpool struct {
	mu      sync.Mutex
	last    int64
	lines   map[int64]string
	skipped map[string]int64
	torn    int64
	fail    int
	stored  bool
	held    [][]byte // the first fixed of them have their numbers
	fixed   int
	note    string
}

var errFull = errors.New("disk full")

func newMemSpool() *memSpool {
	return &memSpool{lines: map[int64]string{}, skipped: map[string]int64{}}
}

func (s *memSpool) Run() string { return "0123456789abcdef" }

func (s *memSpool) Last() int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.last
}

func (s *memSpool) Torn() int64 { return s.torn }

// count returns how many lines there are.
func (s *memSpool) count() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.lines)
}

func (s *memSpool) Append(first int64, payloads [][]byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if first != s.last+1 {
		return errors.New("not the next number")
	}
	if s.fail > 0 {
		s.fail--
		if !s.stored {
			return errFull
		}
	}
	for i, p := range payloads {
		seq := first + int64(i)
		if old, ok := s.lines[seq]; ok && old != string(p) {
			panic("other bytes under the same number")
		}
		s.lines[seq] = string(p)
	}
	if s.stored {
		s.stored = false
		return errFull
	}
	s.advance(len(payloads))
	return nil
}

func (s *memSpool) advance(n int) {
	s.last += int64(n)
	if s.fixed > 0 {
		s.held, s.fixed = s.held[n:], s.fixed-n
	}
}

func (s *memSpool) Hold(payload []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.held = append(s.held, payload)
	return nil
}

func (s *memSpool) Held() [][]byte {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.held)
}

func (s *memSpool) Fix(note string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.fail > 0 {
		s.fail--
		return errFull
	}
	s.fixed, s.note = len(s.held), note
	return nil
}

func (s *memSpool) Fixed() (string, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.note, s.fixed > 0
}

func (s *memSpool) Skip(n int64, reason string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if n > 0 {
		s.advance(int(n))
		s.skipped[reason] += n
	}
	s.torn = 0
}

// readings decodes what is spooled.
func (s *memSpool) readings(t *testing.T) []reading.Reading {
	t.Helper()
	var list []reading.Reading
	for seq := int64(1); seq <= s.last; seq++ {
		line, ok := s.lines[seq]
		if !ok {
			continue
		}
		b := reading.Decode("lake-07", []byte(line), unit.At(time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC)))
		require.Empty(t, b.Refused)
		require.Len(t, b.Readings, 1)
		require.Equal(t, seq, b.Readings[0].Seq)
		list = append(list, b.Readings...)
	}
	return list
}

// script is a sensor that gives the values in turn; NaN is no value.
type script struct {
	channel reading.Channel
	values  []float64
	times   []time.Time // of the calls
	flags   string
	slow    map[int]time.Duration // call → how long it takes
}

var errRead = errors.New("no answer")

func (s *script) Channels() []reading.Channel { return []reading.Channel{s.channel} }

func (s *script) Sense(ctx context.Context, r *reading.Reading) error {
	n := len(s.times)
	s.times = append(s.times, time.Now())
	time.Sleep(s.slow[n])
	r.Flags = s.flags
	v := s.values[n%len(s.values)]
	if math.IsNaN(v) {
		return errRead
	}
	r.Set(s.channel, v)
	return nil
}

var quiet = slog.New(slog.DiscardHandler)

func sampler(sp *memSpool, p Plan, sensors ...Sensor) *Sampler {
	return samplerBy(sp, p, Clock{Now: time.Now}, sensors...)
}

func samplerBy(sp *memSpool, p Plan, c Clock, sensors ...Sensor) *Sampler {
	return NewSampler(sensors, p, NewTimekeeper(c, time.Hour, time.Time{}, quiet), NewRecorder("lake-07", sp), quiet)
}

// during runs f in virtual time for d.
func during(t *testing.T, d time.Duration, f func(context.Context) error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), d)
	defer cancel()
	require.NoError(t, f(ctx))
}

func at(text string) unit.Instant {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		panic(err)
	}
	return unit.At(t)
}

func TestCadenceAndMedian(t *testing.T) {
	synctest.Test(t, func(t *testing.T) { // begins at 2000-01-01T00:00:00Z
		time.Sleep(17 * time.Second)
		nan := math.NaN()
		temp := &script{channel: reading.InsideTemp, values: []float64{
			3, 1, 99, // begun within an interval: 00:20, 00:40, 01:00
			2.006, nan, 4, // one of three fails
			nan, nan, nan, // all fail
			-0.001, -0.002, 0.004,
		}}
		sp := newMemSpool()
		during(t, 4*time.Minute, sampler(sp, Plan{Interval: time.Minute, Burst: 3}, temp).Run)
		got := sp.readings(t)
		require.Len(t, got, 4)
		value := func(i int) float64 {
			v, ok := got[i].Get(reading.InsideTemp)
			require.True(t, ok)
			return v
		}
		require.Equal(t, at("2000-01-01T00:01:00Z"), got[0].Time)
		require.Equal(t, 3.0, value(0))
		require.Equal(t, 3.0, value(1), "mean of the two that came, rounded to 0.01")
		require.False(t, got[2].Has(reading.InsideTemp))
		require.Equal(t, "failed:inside_temp_c", got[2].Flags)
		require.Equal(t, 0.0, value(3))
		require.NotContains(t, sp.lines[4], "=-0", "never a negative zero")
		require.Equal(t, at("2000-01-01T00:04:00Z"), got[3].Time)
		for i, call := range temp.times {
			require.Equal(t, 20*(i+1), int(call.Sub(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)).Seconds()))
		}
	})
}

func TestMedian(t *testing.T) {
	require.Equal(t, 2.0, median([]float64{9, 1, 2}))
	require.Equal(t, 1.5, median([]float64{9, 1, 2, 1}))
	require.Equal(t, 7.0, median([]float64{7}))
}

func TestFlagsArePassedOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sp := newMemSpool()
		a := &script{channel: reading.InsideRH, values: []float64{50}, flags: "sensor_heater,failed:comb_us"}
		b := &script{channel: reading.Comb, values: []float64{math.Inf(1)}}
		during(t, 90*time.Second, sampler(sp, Plan{Interval: time.Minute, Burst: 4}, a, b).Run)
		require.Equal(t, "sensor_heater,failed:comb_us", sp.readings(t)[0].Flags)
	})
}

// heated is a script whose values its heater spoils: those beyond 60.
type heated struct {
	script
	hot bool
}

func (h *heated) Sense(ctx context.Context, r *reading.Reading) error {
	err := h.script.Sense(ctx, r)
	v, ok := r.Get(h.channel)
	if h.hot = ok && v > 60; h.hot {
		r.Clear(h.channel)
	}
	return err
}

func (h *heated) Withheld(c reading.Channel) bool { return c == h.channel && h.hot }

// TestWithheldIsNotFailed: a sensor that cools is sound.
func TestWithheldIsNotFailed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sp := newMemSpool()
		s := &heated{script: script{channel: reading.OutsideTemp, values: []float64{
			9, 80, 70,
			70, 65, 61,
			61, math.NaN(), 61, // a read failed, too
		}}}
		during(t, 3*time.Minute+time.Second, sampler(sp, Plan{Interval: time.Minute, Burst: 3}, s).Run)
		got := sp.readings(t)
		require.Len(t, got, 3)
		v, _ := got[0].Get(reading.OutsideTemp)
		require.Equal(t, 9.0, v)
		require.Zero(t, got[1].Present())
		require.Empty(t, got[1].Flags)
		require.Zero(t, got[2].Present())
		require.Equal(t, "failed:outside_temp_c", got[2].Flags)
	})
}

func TestMissedTick(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sp := newMemSpool()
		s := &script{channel: reading.InsideTemp, values: []float64{1, 2, 3, 4, 5, 6, 7}, slow: map[int]time.Duration{1: 25 * time.Second}}
		during(t, 2*time.Minute+time.Second, sampler(sp, Plan{Interval: time.Minute, Burst: 3}, s).Run)
		got := sp.readings(t)
		require.Len(t, got, 2)
		require.Equal(t, at("2000-01-01T00:01:00Z"), got[0].Time, "00:20 and 00:40, which lasted until 01:05")
		v, _ := got[0].Get(reading.InsideTemp)
		require.Equal(t, 1.5, v)
		v, _ = got[1].Get(reading.InsideTemp)
		require.Equal(t, 4.0, v, "01:20 … 02:00")
	})
}

func TestAppendFails(t *testing.T) {
	for name, stored := range map[string]bool{"not stored": false, "stored": true} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				sp := newMemSpool()
				sp.fail, sp.stored = 1, stored
				s := &script{channel: reading.InsideTemp, values: []float64{1, 2, 3}}
				during(t, 3*time.Minute+time.Second, sampler(sp, Plan{Interval: time.Minute, Burst: 1}, s).Run)
				require.Equal(t, int64(3), sp.Last(), "numbers go on; the fake panics if one is used for other bytes")
				require.Equal(t, map[string]int64{"io": 1}, sp.skipped)
			})
		})
	}
}

func TestTornNumbersAreNotUsedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sp := newMemSpool()
		sp.torn = 2
		s := &script{channel: reading.InsideTemp, values: []float64{1}}
		during(t, 61*time.Second, sampler(sp, Plan{Interval: time.Minute, Burst: 1}, s).Run)
		require.Equal(t, map[string]int64{"torn": 2}, sp.skipped)
		require.Len(t, sp.lines, 1)
		require.Contains(t, sp.lines, int64(3))
	})
}

// TestClockNotSet starts in 1970 and is set after 3½ minutes.
func TestClockNotSet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		var offset atomic.Int64
		offset.Store(int64(time.Unix(5, 0).Sub(began)))
		now := func() time.Time { return time.Now().Add(time.Duration(offset.Load())) }
		sp := newMemSpool()
		s := &script{channel: reading.InsideTemp, values: []float64{1, 2, 3, 4, 5, 6, 7, 8}}
		sa := samplerBy(sp, Plan{Interval: time.Minute, Burst: 1}, Clock{Now: now}, s)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- sa.Run(ctx) }()
		time.Sleep(3*time.Minute + 30*time.Second) // sampled at 55 s, 115 s and 175 s
		synctest.Wait()
		require.Zero(t, sp.count(), "no number before the time is known")
		offset.Store(int64(time.Until(time.Date(2024, 5, 1, 12, 0, 0, 0, time.UTC))))
		time.Sleep(2 * time.Minute)
		cancel()
		require.NoError(t, <-done)
		got := sp.readings(t)
		require.GreaterOrEqual(t, len(got), 4)
		set := at("2024-05-01T12:00:00Z")
		for i, ago := range []time.Duration{155 * time.Second, 95 * time.Second, 35 * time.Second} {
			require.Equal(t, set.Add(-ago), got[i].Time)
			require.Equal(t, int64(i+1), got[i].Seq)
		}
		require.Empty(t, sp.skipped)
	})
}

// TestClockSetBack does not leave the station silent for the hour repeated.
func TestClockSetBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var back atomic.Int64
		now := func() time.Time { return time.Now().Add(24*time.Hour - time.Duration(back.Load())) }
		sp := newMemSpool()
		s := &script{channel: reading.InsideTemp, values: []float64{1}}
		sa := samplerBy(sp, Plan{Interval: time.Minute, Burst: 1}, Clock{Now: now}, s)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- sa.Run(ctx) }()
		time.Sleep(150 * time.Second)
		back.Store(int64(time.Hour))
		time.Sleep(3 * time.Minute)
		cancel()
		require.NoError(t, <-done)
		require.GreaterOrEqual(t, len(sp.lines), 4)
	})
}

func TestFastClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		clock := Clock{Now: func() time.Time { return began.Add(600 * time.Since(began)) }, Speed: 600}
		sp := newMemSpool()
		s := &script{channel: reading.InsideTemp, values: []float64{1}}
		sa := samplerBy(sp, Plan{Interval: 10 * time.Minute, Burst: 1}, clock, s)
		during(t, 10*time.Second+time.Millisecond, sa.Run)
		got := sp.readings(t)
		require.Len(t, got, 10)
		require.Equal(t, at("2000-01-01T01:40:00Z"), got[9].Time)
	})
}

// value is that of row i, with more decimals than an agent would send.
func value(i int) float64 { return float64(i)/100 + 0.00123456 }

// rows plays n rows a minute apart.
func rows(n int) func() (reading.Reading, error) {
	i := 0
	return func() (reading.Reading, error) {
		if i == n {
			return reading.Reading{}, io.EOF
		}
		i++
		r := reading.Reading{Time: at("2010-11-14T22:00:00Z").Add(time.Duration(i) * time.Minute)}
		r.Set(reading.InsideTemp, value(i))
		return r, nil
	}
}

func open(context.Context) error { return nil }

func TestPlayerKeepsRowsAndNumbers(t *testing.T) {
	sp := newMemSpool()
	p := &Player{Next: rows(1000), Room: open, Rec: NewRecorder("lake-07", sp)}
	require.NoError(t, p.Run(t.Context()))
	got := sp.readings(t)
	require.Len(t, got, 1000)
	v, _ := got[41].Get(reading.InsideTemp)
	require.Equal(t, value(42), v, "not rounded")
	require.Equal(t, int64(42), got[41].Seq)
}

// TestPlayerStoppedAnywhere stops a player, loses the process, and starts
// another one: no row is lost or doubled.
func TestPlayerStoppedAnywhere(t *testing.T) {
	sp := newMemSpool()
	for range 50 {
		calls := 0
		room := func(ctx context.Context) error {
			if calls++; calls == 2 {
				return context.Canceled
			}
			return nil
		}
		ctx, cancel := context.WithCancel(t.Context())
		err := (&Player{Next: rows(2000), Room: room, Rec: NewRecorder("lake-07", sp)}).Run(ctx)
		cancel()
		if err == nil {
			break
		}
		require.ErrorIs(t, err, context.Canceled)
	}
	require.Equal(t, int64(2000), sp.Last())
	for i, r := range sp.readings(t) {
		v, _ := r.Get(reading.InsideTemp)
		require.Equal(t, value(i+1), v)
	}
}

func TestPlayerAppendFails(t *testing.T) {
	for _, stored := range []bool{false, true} {
		sp := newMemSpool()
		sp.fail, sp.stored = 1, stored
		err := (&Player{Next: rows(10), Room: open, Rec: NewRecorder("lake-07", sp)}).Run(t.Context())
		require.ErrorIs(t, err, errFull)
		require.NoError(t, (&Player{Next: rows(10), Room: open, Rec: NewRecorder("lake-07", sp)}).Run(t.Context()))
		require.Len(t, sp.readings(t), 10)
		require.Empty(t, sp.skipped)
	}
}

// movingSpool gets a receipt beyond its last number at an inconvenient time.
type movingSpool struct {
	*memSpool
	moves int
}

func (s *movingSpool) Append(first int64, payloads [][]byte) error {
	if s.moves > 0 {
		s.moves--
		s.memSpool.mu.Lock()
		s.last += 3
		s.memSpool.mu.Unlock()
	}
	return s.memSpool.Append(first, payloads)
}

func TestReceiptBeyondLast(t *testing.T) {
	sp := &movingSpool{memSpool: newMemSpool(), moves: 2}
	require.NoError(t, (&Player{Next: rows(400), Room: open, Rec: NewRecorder("lake-07", sp)}).Run(t.Context()))
	require.Equal(t, int64(400), sp.Last())
	for _, r := range sp.readings(t) {
		v, _ := r.Get(reading.InsideTemp)
		require.Equal(t, value(int(r.Seq)), v, "row and number stay together")
	}
	sp = &movingSpool{memSpool: newMemSpool(), moves: 2}
	r := reading.Reading{Time: at("2024-05-01T12:00:00Z")}
	r.Set(reading.InsideTemp, 1)
	require.NoError(t, NewRecorder("lake-07", sp).Record([]reading.Reading{r}))
	require.True(t, strings.Contains(sp.lines[7], "seq=7i"))
}

func TestPlayerPace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sp := newMemSpool()
		p := &Player{Next: rows(100), Speed: 60, Room: open, Rec: NewRecorder("lake-07", sp)}
		done := make(chan error, 1)
		began := time.Now()
		go func() { done <- p.Run(t.Context()) }()
		synctest.Wait()
		require.Equal(t, int64(1), sp.Last(), "the first row is due at once")
		time.Sleep(10 * time.Second)
		synctest.Wait()
		require.Equal(t, int64(11), sp.Last())
		require.NoError(t, <-done)
		require.Equal(t, 99*time.Second, time.Since(began))
	})
}

func TestPlayerWaitsForRoom(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sp := newMemSpool()
		free := make(chan struct{})
		room := func(ctx context.Context) error {
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-free:
				return nil
			}
		}
		p := &Player{Next: rows(1000), Room: room, Rec: NewRecorder("lake-07", sp)}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- p.Run(ctx) }()
		synctest.Wait()
		require.Zero(t, sp.Last())
		free <- struct{}{}
		synctest.Wait()
		require.Equal(t, int64(chunk), sp.Last())
		cancel()
		require.NoError(t, <-done, "a stop is no error")
	})
}

func TestPlayerBadRow(t *testing.T) {
	sp := newMemSpool()
	bad := errors.New("line 7: bad")
	p := &Player{Next: func() (reading.Reading, error) { return reading.Reading{}, bad }, Room: open, Rec: NewRecorder("lake-07", sp)}
	require.ErrorIs(t, p.Run(t.Context()), bad)
}

// TestAnotherPlan changes an hour's interval to a second's in the middle of the
// wait: it holds at once.
func TestAnotherPlan(t *testing.T) {
	synctest.Test(t, func(t *testing.T) { // begins at 2000-01-01T00:00:00Z
		temp := &script{channel: reading.InsideTemp, values: []float64{1, 2, 3, 4}, slow: map[int]time.Duration{1: time.Minute}}
		sp := newMemSpool()
		s := sampler(sp, Plan{Interval: time.Hour, Burst: 1}, temp)
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- s.Run(ctx) }()
		time.Sleep(10*time.Minute + 500*time.Millisecond)
		synctest.Wait()
		require.Empty(t, temp.times)
		s.SetPlan(Plan{Interval: 5 * time.Second, Burst: 1})
		s.SetPlan(s.Plan()) // no change
		time.Sleep(time.Minute)
		require.Equal(t, 50500*time.Millisecond, s.Stuck(), "since 00:10:10")
		time.Sleep(20 * time.Second)
		synctest.Wait()
		require.Zero(t, s.Stuck())
		require.Equal(t, at("2000-01-01T00:10:05Z").Time(), temp.times[0].UTC())
		n := len(temp.times)
		s.SetPlan(Plan{Interval: time.Hour, Burst: 1})
		time.Sleep(49*time.Minute + time.Second)
		synctest.Wait()
		require.Len(t, temp.times, n+1)
		stop()
		require.NoError(t, <-done)
	})
}

// TestFailuresAreLoggedSparingly: two hours of a dead sensor are three lines,
// and one when it is back.
func TestFailuresAreLoggedSparingly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		values := []float64{1}
		for range 125 {
			values = append(values, math.NaN())
		}
		var log bytes.Buffer
		s := sampler(newMemSpool(), Plan{Interval: time.Minute, Burst: 1}, &script{channel: reading.InsideTemp, values: append(values, 2, 3, 4, 5, 6)})
		s.log = slog.New(slog.NewTextHandler(&log, nil))
		during(t, 130*time.Minute, s.Run)
		require.Equal(t, 3, strings.Count(log.String(), "no answer"))
		require.Equal(t, 1, strings.Count(log.String(), "sensor is back"))
	})
}
