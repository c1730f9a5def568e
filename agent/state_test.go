package agent

import (
	"context"
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/agent/sample"
	"dewpost/agent/spool"
)

// TestStateIsWhatTheContractSays compares names and nulls.
func TestStateIsWhatTheContractSays(t *testing.T) {
	a := newAgent(t, write(t, good), WithVersion("v1"))
	at := time.Date(2026, 5, 1, 10, 0, 0, 123e6, time.UTC)
	text, err := json.Marshal(a.report(3, &source{}, spool.Status{Run: "9f31c2aa07de4410"}, sample.ClockStatus{Now: at}))
	require.NoError(t, err)
	require.JSONEq(t, `{"run":"9f31c2aa07de4410","conn":3,"version":"v1","uptime_s":0,
		"clock":{"now":"2026-05-01T10:00:00.123Z","set":false,"synchronised":null,"jumps":0,"last_jump":null,"drift_ppm":null},
		"readings":{"sampled":0,"receipted":0,"queued":0,"waiting":0,"discarded":{}},
		"spool":{"bytes":0,"max_bytes":67108864,"max_days":0,"last":0,"upto":0,"oldest_at":null},
		"sensors":[],"interval_s":null,"link":{"connections":0,"deaf":0,"receipt_age_s":null,"interface":0,"reboots":0},
		"board":{"disk_bytes":0,"disk_free_bytes":0,"temp_c":null,"undervoltage":null},"orders":{"answers":[],"refused":0}}`, string(text))
	yes, ppm := true, 1.3
	text, err = json.Marshal(a.report(3, &source{sensors: []sensorState{{Driver: "sim", Channels: []string{"comb_us"}, Serial: "A1"}}},
		spool.Status{
			Run: "9f31c2aa07de4410", Last: 1000, Upto: 990, Sampled: 1003, Receipted: 990, Queued: 8, Waiting: 3,
			Discarded: map[string]int64{"size": 2}, Bytes: 12345, OldestAt: at,
		},
		sample.ClockStatus{Now: at, Set: true, Synchronised: &yes, Jumps: 2, LastJump: &sample.Jump{At: at, By: -3200 * time.Millisecond}, Drift: &ppm}))
	require.NoError(t, err)
	require.JSONEq(t, `{"run":"9f31c2aa07de4410","conn":3,"version":"v1","uptime_s":0,
		"clock":{"now":"2026-05-01T10:00:00.123Z","set":true,"synchronised":true,"jumps":2,"last_jump":{"at":"2026-05-01T10:00:00.123Z","seconds":-3.2},"drift_ppm":1.3},
		"readings":{"sampled":1003,"receipted":990,"queued":8,"waiting":3,"discarded":{"size":2}},
		"spool":{"bytes":12345,"max_bytes":67108864,"max_days":0,"last":1000,"upto":990,"oldest_at":"2026-05-01T10:00:00.123Z"},
		"sensors":[{"driver":"sim","channels":["comb_us"],"serial":"A1"}],
		"interval_s":null,"link":{"connections":0,"deaf":0,"receipt_age_s":null,"interface":0,"reboots":0},
		"board":{"disk_bytes":0,"disk_free_bytes":0,"temp_c":null,"undervoltage":null},"orders":{"answers":[],"refused":0}}`, string(text))
}

// machineClock is a machine whose clock was never set, or is right.
type machineClock struct {
	booted time.Time
	right  bool
}

func (b machineClock) Boot() string                      { return "a boot" }
func (b machineClock) Up() time.Duration                 { return time.Since(b.booted) }
func (b machineClock) Pace() (steady, raw time.Duration) { return b.Up(), b.Up() }
func (b machineClock) Synchronised() (yes, known bool)   { return b.right, true }

func (b machineClock) now() time.Time {
	if b.right {
		return time.Now()
	}
	return time.Unix(0, 0).Add(b.Up())
}

// TestWaitingReadingsGetTheirTimes runs an agent whose clock is not set, stops
// it, and runs one whose clock is.
func TestWaitingReadingsGetTheirTimes(t *testing.T) {
	m := startMosquitto(t, "lake-07")
	c := startCollector(t, m)
	b := machineClock{booted: time.Now().Add(-time.Second)}
	cfg := Config{
		Broker: "mqtt://" + m.plain, SpoolDir: t.TempDir(), StateEvery: Duration(time.Second),
		Stations: []Station{{ID: "lake-07", Interval: Duration(time.Second), Burst: 1, Sensors: []Sensor{{Driver: "sim"}}}},
	}
	run := func(until func() bool) {
		a, err := New(cfg, WithClock(sample.Clock{Now: b.now, Machine: b}), WithSecret("lake-07", testSecret(t)))
		require.NoError(t, err)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- a.Run(ctx) }()
		eventually(t, "progress", until)
		cancel()
		require.NoError(t, <-done)
	}
	waiting := func() (n float64, set bool) {
		c.with(func() {
			for _, s := range c.states {
				text, err := json.Marshal(s)
				require.NoError(t, err)
				var r report
				require.NoError(t, json.Unmarshal(text, &r))
				n, set = max(n, float64(r.Readings.Waiting)), set || r.Clock.Set
				require.Equal(t, r.Readings.Sampled, r.Readings.Receipted+r.Readings.Queued+r.Readings.Waiting)
			}
		})
		return n, set
	}
	run(func() bool { n, _ := waiting(); return n >= 2 })
	_, set := waiting()
	require.False(t, set)
	require.Zero(t, c.stored())
	b.right = true
	run(func() bool { return c.stored() >= 4 })
	c.with(func() {
		require.Len(t, c.readings, 1)
		for _, run := range c.readings {
			for seq := int64(1); seq <= int64(len(run)); seq++ {
				require.Contains(t, run, seq)
				require.WithinRange(t, run[seq].Time.Time(), b.booted, time.Now())
				if seq > 1 {
					require.Greater(t, run[seq].Time, run[seq-1].Time)
				}
			}
		}
	})
	require.Empty(t, c.refused)
	require.Zero(t, c.repeated)
}
