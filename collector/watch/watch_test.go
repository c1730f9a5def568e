package watch

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// world guards what tests change while the watch goes on.
var world sync.Mutex

func change(what func()) {
	world.Lock()
	defer world.Unlock()
	what()
}

// outside answers calls without a network.
type outside struct {
	calls  []time.Time
	status int
	err    error
}

func (o *outside) RoundTrip(r *http.Request) (*http.Response, error) {
	world.Lock()
	defer world.Unlock()
	o.calls = append(o.calls, time.Now())
	if o.err != nil {
		return nil, o.err
	}
	return &http.Response{StatusCode: o.status, Status: "so", Body: io.NopCloser(strings.NewReader("")), Request: r}, nil
}

func (o *outside) count() (n int) {
	change(func() { n = len(o.calls) })
	return n
}

// way is one from the broker to the outbox.
type way struct {
	w    *Watch
	shut bool
	err  error
	got  []reading.Reading
}

func (y *way) publish(_ context.Context, payload []byte) error {
	world.Lock()
	defer world.Unlock()
	if y.err != nil {
		return y.err
	}
	b := reading.Decode(record.WatchStation, payload, unit.At(time.Now()))
	y.got = append(y.got, b.Readings...)
	if !y.shut {
		y.w.Arrived([]record.Round{{Seq: b.Readings[0].Seq}})
	}
	return nil
}

func watching(t *testing.T, setUp func(*Config), test func(t *testing.T, y *way, o *outside, sound func() bool, stuck *int64)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		o, y := &outside{status: 204}, &way{}
		var stuck int64
		ask := make(chan struct{})
		cfg := Config{
			Every: time.Minute, Run: "00000000000000aa", Publish: y.publish, Call: "http://outside.example/", Client: &http.Client{Transport: o}, Ask: ask,
			Stuck: func(context.Context) (int64, error) {
				world.Lock()
				defer world.Unlock()
				if stuck < 0 {
					return 0, errors.New("locked")
				}
				return stuck, nil
			},
			Now: time.Now, Log: slog.New(slog.DiscardHandler),
		}
		if setUp != nil {
			setUp(&cfg)
		}
		y.w = New(cfg)
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- y.w.Run(ctx) }()
		sound := func() bool {
			synctest.Wait()
			select {
			case ask <- struct{}{}:
				return true
			default:
				return false
			}
		}
		test(t, y, o, sound, &stuck)
		stop()
		require.NoError(t, <-done)
	})
}

// sleep lets time go by until all is done that falls into it.
func sleep(d time.Duration) {
	time.Sleep(d)
	synctest.Wait()
}

// While rounds come through the address outside is called for each, and who asks
// is answered; when they stay away, neither; when they come again, both.
func TestArrivalAndOnlyThat(t *testing.T) {
	watching(t, nil, func(t *testing.T, y *way, o *outside, sound func() bool, _ *int64) {
		for n := range 5 {
			require.True(t, sound())
			require.Equal(t, n+1, o.count())
			sleep(time.Minute)
		}
		require.Equal(t, 10.0, first(t, y))
		change(func() { y.shut = true })
		calls := o.count()
		sleep(29 * time.Second)
		require.True(t, sound())
		sleep(65 * time.Second)
		require.False(t, sound(), "a minute and a half after the last")
		sleep(10 * time.Minute)
		require.False(t, sound())
		require.LessOrEqual(t, o.count(), calls+1)
		change(func() { y.shut = false })
		sleep(time.Minute)
		require.True(t, sound())
		s := y.w.Stats()
		require.Equal(t, s.Called, int64(o.count()))
		require.Greater(t, s.Sent, s.Arrived)
		require.Zero(t, s.Failed)
		require.NotZero(t, s.Last)
	})
}

func first(t *testing.T, y *way) float64 {
	t.Helper()
	world.Lock()
	defer world.Unlock()
	r := &y.got[0]
	require.True(t, r.Keyed())
	v, ok := r.Get(reading.InsideTemp)
	require.True(t, ok)
	return v
}

// A stuck message stops the calls; the service manager isn't told.
func TestStuckMessagesStopCalls(t *testing.T) {
	watching(t, nil, func(t *testing.T, y *way, o *outside, sound func() bool, stuck *int64) {
		require.True(t, sound())
		for _, n := range []int64{1, -1} {
			change(func() { *stuck = n })
			calls := o.count()
			sleep(5 * time.Minute)
			require.True(t, sound())
			require.Equal(t, calls, o.count())
		}
		require.Equal(t, int64(10), y.w.Stats().Failed)
	})
}

// What can't be sent or isn't answered is counted, and tried again.
func TestFailures(t *testing.T) {
	watching(t, nil, func(t *testing.T, y *way, o *outside, sound func() bool, _ *int64) {
		require.True(t, sound())
		change(func() { o.status = 500 })
		sleep(time.Minute)
		require.True(t, sound())
		require.Equal(t, int64(1), y.w.Stats().Failed)
		change(func() { o.err = errors.New("no network") })
		sleep(time.Minute)
		require.True(t, sound())
		require.Equal(t, int64(2), y.w.Stats().Failed)
		change(func() { y.err = errors.New("broker gone") })
		sleep(time.Minute)
		require.True(t, sound())
		require.Equal(t, int64(3), y.w.Stats().Failed)
	})
	watching(t, func(c *Config) { c.Call = ":" }, func(t *testing.T, y *way, _ *outside, sound func() bool, _ *int64) {
		require.True(t, sound())
		require.Equal(t, int64(1), y.w.Stats().Failed)
	})
	watching(t, func(c *Config) { c.Call = "" }, func(t *testing.T, _ *way, o *outside, sound func() bool, _ *int64) {
		require.True(t, sound())
		require.Zero(t, o.count())
	})
}

// An end waits for what is under way, which ends with it.
func TestEndWhileBusy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hang := func(ctx context.Context) { <-ctx.Done() }
		w := New(Config{
			Every: time.Minute, Call: "http://x/", Client: &http.Client{Transport: &outside{status: 200}}, Now: time.Now, Log: slog.New(slog.DiscardHandler),
			Publish: func(ctx context.Context, _ []byte) error { hang(ctx); return ctx.Err() },
			Stuck:   func(ctx context.Context) (int64, error) { hang(ctx); return 0, ctx.Err() },
		})
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- w.Run(ctx) }()
		synctest.Wait()
		w.Arrived(nil)
		w.Arrived(nil) // it never blocks
		synctest.Wait()
		stop()
		require.NoError(t, <-done)
		require.Zero(t, w.Stats().Failed)
	})
}
