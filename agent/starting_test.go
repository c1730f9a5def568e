package agent

import (
	"context"
	"errors"
	"log/slog"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/agent/publish"
	"dewpost/agent/sample"
	"dewpost/agent/sensor"
	"dewpost/agent/sensor/i2cbus"
	"dewpost/agent/sensor/signal"
	"dewpost/agent/spool"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
)

// TestLadderBeforeTheClockIsSet: a board without a battery starts with a network
// that doesn't come up. Its readings wait for the time, which it would have from
// that network.
func TestLadderBeforeTheClockIsSet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sp, err := spool.Open(t.TempDir(), spool.Options{Boot: "b"})
		require.NoError(t, err)
		a := &Agent{began: time.Now(), plan: &planned{stations: make([]plannedStation, 1)}}
		a.stations = []*running{{spool: sp, publisher: publish.New(publish.Config{}, sp)}}
		l := openLadder(Config{}.withDefaults().Recovery, filepath.Join(t.TempDir(), "recovery.json"), slog.New(slog.DiscardHandler))
		l.cfg.InterfaceCommand, l.cfg.RebootCommand = []string{"up"}, []string{"reboot"}
		l.run = func(context.Context, []string) error { return nil }
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { l.watch(ctx, a.receiptAge); close(done) }()
		for range 26 * 60 {
			require.NoError(t, sp.Hold([]byte("one\n")))
			time.Sleep(time.Minute)
		}
		require.Equal(t, ladderCounts{Interface: 25, Reboots: 1}, l.state())
		stop()
		<-done
		require.NoError(t, sp.Close())
	})
}

// lateClock is a machine that hears the time at some point.
type lateClock struct {
	booted time.Time
	right  *atomic.Bool
}

func (b lateClock) Boot() string                      { return "a boot" }
func (b lateClock) Up() time.Duration                 { return time.Since(b.booted) }
func (b lateClock) Pace() (steady, raw time.Duration) { return b.Up(), b.Up() }
func (b lateClock) Synchronised() (yes, known bool)   { return b.right.Load(), true }
func (b lateClock) now() time.Time {
	if b.right.Load() {
		return time.Now()
	}
	return time.Unix(0, 0).Add(b.Up())
}

// TestOrderThatCameBeforeTheTime: a board that starts connects before its clock is
// set, and hears the order that the broker keeps. It is carried out when the time
// is known, over the same connection.
func TestOrderThatCameBeforeTheTime(t *testing.T) {
	m := startMosquitto(t, "lake-07")
	c := startCollector(t, m)
	b := lateClock{time.Now().Add(-time.Second), new(atomic.Bool)}
	cfg := Config{
		Broker: "mqtt://" + m.plain, SpoolDir: t.TempDir(), StateEvery: Duration(time.Second),
		Stations: []Station{{ID: "lake-07", Interval: Duration(time.Hour), Burst: 1, Sensors: []Sensor{{Driver: "sim"}}}},
	}
	tk := c.client.Publish(receipt.Topic("lake-07", receipt.LeafOrder), 1, true, order(t, "o-1", time.Now().Add(time.Hour), receipt.Body{Interval: "1s"}))
	<-tk.Done()
	require.NoError(t, tk.Error())
	var log safeLog
	a, err := New(cfg, WithClock(sample.Clock{Now: b.now, Machine: b}), WithSecret("lake-07", testSecret(t)), WithLog(slog.New(slog.NewTextHandler(&log, nil))))
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx) }()
	eventually(t, "the order waits", func() bool { return strings.Contains(log.text(), "order waits") })
	b.right.Store(true)
	said := func() (set bool, answers int) {
		state := c.lastState()
		clock, _ := state["clock"].(map[string]any)
		orders, _ := state["orders"].(map[string]any)
		list, _ := orders["answers"].([]any)
		set, _ = clock["set"].(bool)
		return set, len(list)
	}
	eventually(t, "the clock is set", func() bool { set, _ := said(); return set })
	eventually(t, "the order is answered", func() bool { _, answers := said(); return answers == 1 })
	cancel()
	require.NoError(t, <-done)
}

type safeLog struct {
	mu sync.Mutex
	b  strings.Builder
}

func (l *safeLog) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(b)
}

func (l *safeLog) text() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// deadGateway is a transmitter behind a gateway that is switched off: connecting
// takes the five seconds of modbus.
type deadGateway struct{}

func (deadGateway) Measure(context.Context) (sensor.Values, error) {
	time.Sleep(5 * time.Second)
	return nil, errors.New("connect: no route to host")
}
func (deadGateway) Recover(context.Context) error { return nil }

// localChip answers within its time, if it has any.
type localChip struct{}

func (localChip) Measure(ctx context.Context) (sensor.Values, error) {
	if err := i2cbus.Wait(ctx, 9*time.Millisecond); err != nil {
		return nil, err
	}
	return sensor.Values{"temp": 11.25, "rh": 88}, nil
}

// TestDeadSensorsDontTakeTheTimeOfOthers: three transmitters behind a gateway that is
// gone, and a chip on the board that is well, as the configuration lists them.
func TestDeadSensorsDontTakeTheTimeOfOthers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sp, err := spool.Open(t.TempDir(), spool.Options{})
		require.NoError(t, err)
		gateway := new(sync.Mutex)
		var list []sample.Sensor
		for _, c := range []reading.Channel{reading.OutsideTemp, reading.LineCurrent, reading.BoardTemp} {
			list = append(list, sensor.New("modbus", deadGateway{}, []sensor.Mapping{{From: "x", To: c, Signal: signal.Linear{Scale: 1}, Gain: 1}}, gateway))
		}
		list = append(list, sensor.New("sht4x", localChip{}, []sensor.Mapping{
			{From: "temp", To: reading.InsideTemp, Signal: signal.Linear{Scale: 1}, Gain: 1},
			{From: "rh", To: reading.InsideRH, Signal: signal.Linear{Scale: 1}, Gain: 1},
		}, new(sync.Mutex)))
		quiet := slog.New(slog.DiscardHandler)
		k := sample.NewTimekeeper(sample.Clock{Now: time.Now}, time.Second, time.Time{}, quiet)
		s := sample.NewSampler(list, sample.Plan{Interval: time.Minute, Burst: 5}, k, sample.NewRecorder("lake-07", sp), quiet)
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- s.Run(ctx) }()
		time.Sleep(time.Hour)
		stop()
		require.NoError(t, <-done)
		all, with := 0, 0
		require.NoError(t, sp.Each(10, func(_ int64, line []byte) bool {
			all++
			if strings.Contains(string(line), "inside_rh_pct=88") {
				with++
			}
			return true
		}))
		require.NoError(t, sp.Close())
		require.InDelta(t, 50, all, 3)
		require.Equal(t, all, with, "readings with what the chip on the board measured")
	})
}
