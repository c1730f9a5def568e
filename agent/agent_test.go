package agent

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dewpost/agent/sample"
	"dewpost/agent/spool"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// childConfig, when set, makes the test binary run an agent until it ends.
const childConfig = "AGENT_CHILD_CONFIG"

func TestMain(m *testing.M) {
	if path := os.Getenv(childConfig); path != "" {
		if err := child(path); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	goleak.VerifyTestMain(m)
}

func child(path string) error {
	cfg, err := Load(path)
	if err != nil {
		return err
	}
	a, err := New(cfg)
	if err != nil {
		return err
	}
	return a.Run(context.Background())
}

// logRows writes a log of n rows a minute apart; every tenth lacks its board.
func logRows(t *testing.T, path string, n int) {
	t.Helper()
	var b strings.Builder
	b.WriteString("time,inside_temp_c,inside_rh_pct,surface_temp_c,note_pct\n")
	for i := range n {
		board := fmt.Sprint(float64(i%777) / 41)
		if i%10 == 3 {
			board = ""
		}
		fmt.Fprintf(&b, "%s,%v,%v,%s,1\n", minute(i).Time().Format(time.RFC3339), float64(i%1000)/17, 50+float64(i%49), board)
	}
	require.NoError(t, os.WriteFile(path, []byte(b.String()), 0o600))
}

func minute(i int) unit.Instant {
	return unit.At(time.Date(2010, 11, 14, 22, 0, 0, 0, time.UTC)).Add(time.Duration(i) * time.Minute)
}

// replayConfig is that of an agent with one replayed station.
func replayConfig(t *testing.T, broker string, rows int) string {
	t.Helper()
	path := write(t, fmt.Sprintf(`
broker = %q
spool_dir = "spool"
retry = "1s"
clock_wait = "1s"
[replay]
exit_when_done = true
[[station]]
id = "lake-07"
secret_file = "secret"
[station.replay]
file = "log.csv"
map = ["surface_temp_c=board_temp_c", "note_pct="]
speed = 0.0
`, broker))
	logRows(t, filepath.Join(filepath.Dir(path), "log.csv"), rows)
	return path
}

func newAgent(t *testing.T, path string, opts ...Option) *Agent {
	t.Helper()
	cfg, err := Load(path)
	require.NoError(t, err)
	a, err := New(cfg, opts...)
	require.NoError(t, err)
	return a
}

// checkRows compares what the collector has with the rows of the log.
func checkRows(t *testing.T, c *collector, n int) {
	t.Helper()
	c.mu.Lock()
	defer c.mu.Unlock()
	require.Len(t, c.readings, 1, "one run")
	for _, run := range c.readings {
		require.Len(t, run, n)
		for i := range n {
			r := run[int64(i+1)]
			require.Equal(t, minute(i), r.Time)
			v, ok := r.Get(reading.InsideTemp)
			require.True(t, ok)
			require.Equal(t, float64(i%1000)/17, v)
			_, ok = r.Get(reading.BoardTemp)
			require.Equal(t, i%10 != 3, ok)
			require.Equal(t, i%10 == 3, r.HasFlag("failed:board_temp_c"))
		}
	}
	require.Empty(t, c.refused)
}

func TestReplayThroughBroker(t *testing.T) {
	m := startMosquitto(t, "lake-07")
	c := startCollector(t, m)
	const rows = 20_000
	a := newAgent(t, replayConfig(t, "mqtt://"+m.plain, rows), WithVersion("v1"))
	require.NoError(t, a.Run(t.Context()))
	checkRows(t, c, rows)
	// The newest go out besides the pass, eight a second at most.
	t.Logf("%d of %d readings sent twice", c.repeated, rows)
	require.Less(t, c.repeated, rows/20)

	eventually(t, "the agent says goodbye", func() bool { return c.lastState()["gone"] == true })
	var live map[string]any
	c.with(func() { live = c.states[0] })
	require.Equal(t, "v1", live["version"])
	require.Equal(t, 1.0, live["conn"])
	require.Equal(t, []any{map[string]any{
		"driver": "replay", "channels": []any{"inside_temp_c", "inside_rh_pct", "board_temp_c"},
	}}, live["sensors"])
	require.Equal(t, true, live["clock"].(map[string]any)["set"])
	require.Equal(t, live["run"], c.lastState()["run"])
	require.Equal(t, live["conn"], c.lastState()["conn"])
}

// TestReplayKilled kills agent processes in mid-flight, takes the collector
// away for a while, and loses batches: at the end every row is there once.
func TestReplayKilled(t *testing.T) {
	m := startMosquitto(t, "lake-07")
	c := startCollector(t, m)
	const rows = 60_000
	path := replayConfig(t, "mqtt://"+m.plain, rows)
	start := func() *exec.Cmd {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), childConfig+"="+path)
		cmd.Stderr = os.Stderr
		require.NoError(t, cmd.Start())
		return cmd
	}
	kills := 0
	for share := range 6 {
		switch share {
		case 2:
			c.with(func() { c.mute = true })
		case 3:
			c.with(func() { c.mute = false; c.deaf = 5 })
		}
		cmd := start()
		before := c.stored()
		eventually(t, "progress", func() bool { return c.stored() > before || c.stored() == rows })
		require.NoError(t, cmd.Process.Kill())
		if cmd.Wait() != nil {
			kills++
		}
	}
	require.GreaterOrEqual(t, kills, 3)
	require.NoError(t, start().Wait())
	checkRows(t, c, rows)
	t.Logf("%d kills, %d readings sent again", kills, c.repeated)
}

// TestBrokerKilled loses the broker with everything in its memory.
func TestBrokerKilled(t *testing.T) {
	m := startMosquitto(t, "lake-07")
	c := startCollector(t, m)
	const rows = 60_000
	a := newAgent(t, replayConfig(t, "mqtt://"+m.plain, rows))
	done := make(chan error, 1)
	go func() { done <- a.Run(t.Context()) }()
	eventually(t, "progress", func() bool { return c.stored() > 1000 })
	m.stop()
	m.start(t, m.cmd.Path)
	c.connect(m)
	require.NoError(t, <-done)
	checkRows(t, c, rows)
	var conn any
	c.with(func() { conn = c.states[len(c.states)-1]["conn"] })
	require.GreaterOrEqual(t, conn, 2.0)
}

func TestTLS(t *testing.T) {
	m := startMosquitto(t, "lake-07")
	c := startCollector(t, m)
	path := replayConfig(t, "mqtts://"+m.encrypted, 100)
	cfg, err := Load(path)
	require.NoError(t, err)
	cfg.CAFile = m.caFile
	a, err := New(cfg)
	require.NoError(t, err)
	require.NoError(t, a.Run(t.Context()))
	checkRows(t, c, 100)

	cfg.CAFile = ""
	cfg.SpoolDir = t.TempDir()
	log := newLines()
	a, err = New(cfg, WithLog(log.logger()))
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx) }()
	log.await(t, "certificate")
	cancel()
	require.NoError(t, <-done)
	require.Equal(t, 100, c.stored(), "nothing goes to a broker that the certificate does not vouch for")
}

func TestRefusedByBroker(t *testing.T) {
	m := startMosquitto(t, "lake-08")
	log := newLines()
	a := newAgent(t, replayConfig(t, "mqtt://"+m.plain, 10), WithLog(log.logger()))
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx) }()
	log.await(t, "not Authorized")
	cancel()
	require.NoError(t, <-done, "a stop while waiting is no error")
}

// TestLiveStations samples two simulated boxes, stops them cleanly, and lets
// them go on.
func TestLiveStations(t *testing.T) {
	m := startMosquitto(t, "lake-07", "lake-08")
	c := startCollector(t, m)
	path := write(t, fmt.Sprintf(`
broker = %q
spool_dir = "spool"
state_every = "1s"
clock_wait = "1s"
[[station]]
id = "lake-07"
secret_file = "secret"
interval = "1s"
burst = 2
[[station.sensor]]
driver = "sim"
serial = "A1"
sim = {board = true, outside = true, line = true}
[[station]]
id = "lake-08"
secret_file = "secret"
interval = "1s"
burst = 1
[[station.sensor]]
driver = "sim"
sim.climate = "quayside"
`, "mqtt://"+m.plain))
	runs := func() (n int) {
		c.with(func() { n = len(c.readings) })
		return n
	}
	run := func(more int) {
		before := c.stored()
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		a := newAgent(t, path)
		done := make(chan error, 1)
		go func() { done <- a.Run(ctx) }()
		eventually(t, "readings", func() bool { return c.stored() >= before+more })
		cancel()
		require.NoError(t, <-done)
	}
	run(4)
	require.Equal(t, 2, runs())
	run(2)
	require.Equal(t, 2, runs(), "the same spools, the same runs")
	c.with(func() {
		for _, run := range c.readings {
			for seq := int64(1); seq <= int64(len(run)); seq++ {
				require.Contains(t, run, seq, "no number is left out")
			}
		}
	})
	require.Empty(t, c.refused)
	eventually(t, "goodbye", func() bool { return c.lastState()["gone"] == true })
}

// TestFeed runs what a demonstration runs: a history at full speed, a pause,
// and then sampling on a fast clock.
func TestFeed(t *testing.T) {
	m := startMosquitto(t, "lake-07")
	c := startCollector(t, m)
	began := time.Now()
	clock := sample.Clock{Now: func() time.Time { return minute(1000).Time().Add(600 * time.Since(began)) }, Speed: 600}
	cfg := Config{Broker: "mqtt://" + m.plain, SpoolDir: t.TempDir(), Stations: []Station{{ID: "lake-07", Burst: 1}}}
	between := 0
	a, err := New(cfg, WithClock(clock), WithSecret("lake-07", testSecret(t)), WithUnsyncedSpool(), WithFeed("lake-07", Feed{
		History: func(yield func(reading.Reading) bool) {
			for i := range 1000 {
				r := reading.Reading{Time: minute(i)}
				r.Set(reading.InsideTemp, 1)
				if !yield(r) {
					return
				}
			}
		},
		Between: func(context.Context) error {
			between = c.stored()
			return nil
		},
		Sensors: []sample.Sensor{constant{}},
	}))
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx) }()
	eventually(t, "live readings", func() bool { return c.stored() >= 1003 })
	cancel()
	require.NoError(t, <-done)
	require.Equal(t, 1000, between)
}

type constant struct{}

func (constant) Channels() []reading.Channel { return []reading.Channel{reading.InsideTemp} }

func (constant) Sense(_ context.Context, r *reading.Reading) error {
	r.Set(reading.InsideTemp, 2)
	return nil
}

// TestBadRowStopsTheReplay keeps what came before it.
func TestBadRowStopsTheReplay(t *testing.T) {
	path := replayConfig(t, "mqtt://"+freePort(t), 10)
	log := filepath.Join(filepath.Dir(path), "log.csv")
	text, err := os.ReadFile(log)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(log, append(text, "yesterday,1,2,3,4\n"...), 0o600))
	err = newAgent(t, path).Run(t.Context())
	require.ErrorContains(t, err, "station lake-07: ")
	require.ErrorContains(t, err, "line 12, column time")
	sp, err := spool.Open(filepath.Join(filepath.Dir(path), "spool", "lake-07"), spool.Options{})
	require.NoError(t, err)
	require.LessOrEqual(t, sp.Last(), int64(10))
	require.NoError(t, sp.Close())
}

func TestProbe(t *testing.T) {
	path := write(t, good+"serial = \"A1\"\n")
	var out strings.Builder
	require.NoError(t, newAgent(t, path).Probe(t.Context(), &out))
	require.Regexp(t, `(?m)^station +sensor +channel +value +unit +range +verdict$`, out.String())
	require.Regexp(t, `(?m)^lake-07 +sim +inside_temp_c +-?\d+\.\d\d +°C +-60 to 95 +ok$`, out.String())

	out.Reset()
	path = replayConfig(t, "mqtt://127.0.0.1", 4)
	require.NoError(t, newAgent(t, path).Probe(t.Context(), &out))
	require.Contains(t, out.String(), "board_temp_c")
	for name, rows := range map[string]string{
		"no value":     "2024-05-01T06:00:00Z,1,,3,4\n",
		"out of range": "2024-05-01T06:00:00Z,1,2,300,4\n",
		"no row":       "",
		"line 2":       "yesterday,1,2,3,4\n",
	} {
		out.Reset()
		log := filepath.Join(filepath.Dir(path), "log.csv")
		require.NoError(t, os.WriteFile(log, []byte("time,inside_temp_c,inside_rh_pct,surface_temp_c,note_pct\n"+rows), 0o600))
		require.Error(t, newAgent(t, path).Probe(t.Context(), &out))
		require.Contains(t, out.String(), name)
	}
}

// BenchmarkBulk is what a demonstration does: 24 stations with ten weeks of
// readings each, from the encoder to the receipt, with the broker and the
// scripted collector on the same machine.
func BenchmarkBulk(b *testing.B) {
	const stations, each = 24, 10_080
	var ids []string
	for i := range stations {
		ids = append(ids, fmt.Sprintf("lake-%02d", i))
	}
	m := startMosquitto(b, ids...)
	c := startCollector(b, m)
	want := 0
	for b.Loop() {
		want += stations * each
		cfg := Config{SpoolDir: b.TempDir(), Broker: "mqtt://" + m.plain}
		opts := []Option{WithUnsyncedSpool()}
		var done sync.WaitGroup
		for _, id := range ids {
			done.Add(1)
			cfg.Stations = append(cfg.Stations, Station{ID: id})
			opts = append(opts, WithSecret(id, testSecret(b)), WithFeed(id, Feed{
				History: manyChannels(each),
				Between: func(context.Context) error { done.Done(); return nil },
			}))
		}
		a, err := New(cfg, opts...)
		require.NoError(b, err)
		ctx, cancel := context.WithCancel(b.Context())
		ended := make(chan error, 1)
		go func() { ended <- a.Run(ctx) }()
		done.Wait()
		cancel()
		require.NoError(b, <-ended)
		require.Equal(b, want, c.stored())
	}
	require.Empty(b, c.refused)
	b.ReportMetric(float64(want)/b.Elapsed().Seconds(), "readings/s")
}

func manyChannels(n int) func(yield func(reading.Reading) bool) {
	return func(yield func(reading.Reading) bool) {
		for i := range n {
			r := reading.Reading{Time: minute(10 * i)}
			for c, v := range []float64{11.42, 88.31, 10.97, 12.06, 9.8, 93.1, 11.873} {
				r.Set(reading.Channel(c), v)
			}
			if !yield(r) {
				return
			}
		}
	}
}
