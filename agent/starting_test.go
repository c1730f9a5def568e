package agent

import (
	"context"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/agent/sample"
	"dewpost/agent/spool"
	"dewpost/rules/receipt"
)

// TestLadderBeforeTheClockIsSet: a board without a battery starts with a network
// that doesn't come up. Its readings wait for the time, which it would have from
// that network.
func TestLadderBeforeTheClockIsSet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sp, err := spool.Open(t.TempDir(), spool.Options{Boot: "b"})
		require.NoError(t, err)
		l, stop := watchedLadder(t, sp)
		for range 26 * 60 {
			require.NoError(t, sp.Hold([]byte("one\n")))
			time.Sleep(time.Minute)
		}
		require.Equal(t, ladderCounts{Interface: 25, Reboots: 1}, l.state())
		stop()
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
	log := newLines()
	a, err := New(cfg, WithClock(sample.Clock{Now: b.now, Machine: b}), WithSecret("lake-07", testSecret(t)), WithLog(log.logger()))
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx) }()
	log.await(t, "order waits")
	b.right.Store(true)
	eventually(t, "the order is answered", func() bool {
		orders, _ := c.lastState()["orders"].(map[string]any)
		answers, _ := orders["answers"].([]any)
		return len(answers) == 1
	})
	cancel()
	require.NoError(t, <-done)
}
