package agent

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/agent/publish"
	"dewpost/agent/sample"
	"dewpost/agent/spool"
	"dewpost/agent/systemd"
	"dewpost/rules/reading"
)

func withCancel(t *testing.T) (context.Context, context.CancelFunc) {
	t.Helper()
	return context.WithCancel(t.Context())
}

// TestLadder lets three days without a receipt pass, then has one come.
func TestLadder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		path := filepath.Join(t.TempDir(), "recovery.json")
		cfg := Recovery{
			InterfaceAfter: Duration(6 * time.Hour), InterfaceCommand: []string{"up"},
			RebootAfter: Duration(24 * time.Hour), RebootCommand: []string{"reboot"},
		}
		var log bytes.Buffer
		l := openLadder(cfg, path, slog.New(slog.NewTextHandler(&log, nil)))
		ran := map[string][]time.Duration{}
		var mu sync.Mutex
		last := time.Now()
		age := func() time.Duration {
			mu.Lock()
			defer mu.Unlock()
			return time.Since(last)
		}
		l.run = func(_ context.Context, command []string) error {
			d := age().Round(time.Hour)
			mu.Lock()
			defer mu.Unlock()
			ran[command[0]] = append(ran[command[0]], d)
			return errors.New("it has no rights")
		}
		runs := func(f func()) {
			mu.Lock()
			defer mu.Unlock()
			f()
		}
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { l.watch(ctx, age); close(done) }()
		time.Sleep(25*time.Hour + time.Second)
		synctest.Wait()
		h := time.Hour
		runs(func() {
			require.Equal(t, map[string][]time.Duration{"up": {6 * h, 12 * h, 18 * h, 24 * h}, "reboot": {24 * h}}, ran)
		})
		require.Equal(t, ladderCounts{Interface: 4, Reboots: 1}, l.state())
		require.Equal(t, l.state(), openLadder(cfg, path, l.log).state(), "counted for good")
		runs(func() { last = time.Now() })
		time.Sleep(5 * time.Hour)
		synctest.Wait()
		runs(func() { require.Len(t, ran["up"], 4, "a receipt came") })
		time.Sleep(2 * time.Hour)
		synctest.Wait()
		stop()
		<-done
		require.Equal(t, 6*h, ran["up"][4])
		require.Contains(t, log.String(), "it has no rights")
	})
}

// watchedLadder is a ladder that looks after an agent with one station, and how it ends.
func watchedLadder(t *testing.T, sp *spool.Spool) (l *ladder, end func()) {
	a := &Agent{began: time.Now(), plan: &planned{stations: make([]plannedStation, 1)}}
	a.stations = []*running{{spool: sp, publisher: publish.New(publish.Config{}, sp)}}
	l = openLadder(Config{}.withDefaults().Recovery, filepath.Join(t.TempDir(), "recovery.json"), slog.New(slog.DiscardHandler))
	l.cfg.InterfaceCommand, l.cfg.RebootCommand = []string{"up"}, []string{"reboot"}
	l.run = func(context.Context, []string) error { return nil }
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { l.watch(ctx, a.receiptAge); close(done) }()
	return l, func() { stop(); <-done }
}

// TestSlowStationIsLeftAlone: a reading that waits for a moment, a day after the
// last receipt, says nothing of the link; one that goes on waiting does.
func TestSlowStationIsLeftAlone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sp, err := spool.Open(t.TempDir(), spool.Options{})
		require.NoError(t, err)
		l, stop := watchedLadder(t, sp)
		reads := func() { require.NoError(t, sp.Append(sp.Last()+1, [][]byte{[]byte("one\n")})) }
		for range 3 {
			time.Sleep(24*time.Hour - time.Second)
			reads()
			time.Sleep(2 * time.Second) // in which the ladder looks
			require.NoError(t, sp.Forget(sp.Last()))
			time.Sleep(look - time.Second)
		}
		require.Equal(t, ladderCounts{}, l.state())
		time.Sleep(look / 2)
		reads()
		time.Sleep(time.Hour)
		require.Equal(t, ladderCounts{}, l.state())
		time.Sleep(look)
		require.Equal(t, ladderCounts{Interface: 1}, l.state())
		time.Sleep(24 * time.Hour)
		require.Equal(t, ladderCounts{Interface: 25, Reboots: 1}, l.state())
		stop()
		require.NoError(t, sp.Close())
	})
}

// TestLadderWithoutCommands does nothing: it has no rights to.
func TestLadderWithoutCommands(t *testing.T) {
	var log bytes.Buffer
	path := filepath.Join(t.TempDir(), "recovery.json")
	require.NoError(t, os.WriteFile(path, []byte("{"), 0o600))
	l := openLadder(Config{}.withDefaults().Recovery, path, slog.New(slog.NewTextHandler(&log, nil)))
	require.Contains(t, log.String(), "begin anew")
	l.step(t.Context(), 1000*time.Hour)
	require.Equal(t, ladderCounts{}, l.state())

	l.path = filepath.Join(t.TempDir(), "none", "recovery.json")
	l.cfg.InterfaceCommand = []string{"sh", "-c", "echo no wire; exit 3"}
	l.step(t.Context(), time.Hour)
	require.Contains(t, log.String(), "no wire")
	require.Contains(t, log.String(), "counts of the recovery")
}

func TestRecoveryProblems(t *testing.T) {
	c, err := Load(write(t, "lamp = \"leds/ACT\"\n"+good+"[recovery]\ninterface_after = \"1s\"\nreboot_after = \"1m\"\nreboot_command = [\"/sbin/no-such-program\"]\ninterface_command = [\"sh\"]\n"))
	require.NoError(t, err)
	var keys []string
	for _, p := range c.Check() {
		keys = append(keys, p.Key)
	}
	require.Equal(t, []string{"recovery.interface_after", "recovery.reboot_after", "recovery.reboot_command", "lamp"}, keys)
}

// TestServiceManager hears that the agent is ready, lives, and stops.
func TestServiceManager(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notify")
	l, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	require.NoError(t, err)
	defer l.Close()
	t.Setenv("NOTIFY_SOCKET", path)
	t.Setenv("WATCHDOG_USEC", "20000")
	c, err := Load(write(t, good))
	require.NoError(t, err)
	a, err := New(c, WithManager(systemd.FromEnvironment()))
	require.NoError(t, err)
	ctx, stop := withCancel(t)
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx) }()
	heard := map[string]bool{}
	hear := func() {
		b := make([]byte, 100)
		n, err := l.Read(b)
		require.NoError(t, err)
		heard[string(b[:n])] = true
	}
	for !heard["READY=1"] || !heard["WATCHDOG=1"] {
		hear()
	}
	stop()
	for !heard["STOPPING=1"] {
		hear()
	}
	require.NoError(t, <-done)
	require.Empty(t, a.stuck())
}

// TestStuckSampleIsTold: a sensor, or a disk, that doesn't come back from the
// kernel stops what the service manager waits for.
func TestStuckSampleIsTold(t *testing.T) {
	for name, hangs := range map[string]func(chan struct{}) (sample.Sensor, sample.Spool){
		"sensor": func(back chan struct{}) (sample.Sensor, sample.Spool) { return stuckSensor(back), stuckSpool(nil) },
		"disk":   func(back chan struct{}) (sample.Sensor, sample.Spool) { return stuckSensor(nil), stuckSpool(back) },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				back := make(chan struct{})
				one, sp := hangs(back)
				quiet := slog.New(slog.DiscardHandler)
				k := sample.NewTimekeeper(sample.Clock{Now: time.Now}, time.Second, time.Time{}, quiet)
				st := plannedStation{Station: Station{ID: "lake-07", Interval: Duration(time.Minute), Burst: 1}}
				s := sample.NewSampler([]sample.Sensor{one}, sample.Plan{Interval: time.Minute, Burst: 1}, k, sample.NewRecorder(st.ID, sp), quiet)
				a := &Agent{stations: []*running{{station: &st, src: &source{sampler: s}}}}
				ctx, stop := context.WithCancel(t.Context())
				done := make(chan error, 1)
				go func() { done <- s.Run(ctx) }()
				time.Sleep(mostStuck)
				require.Empty(t, a.stuck())
				time.Sleep(3 * time.Minute)
				require.Equal(t, "lake-07", a.stuck())
				close(back)
				synctest.Wait()
				require.Empty(t, a.stuck())
				stop()
				require.NoError(t, <-done)
			})
		})
	}
}

// stuckSensor doesn't come back before it may, whatever its deadline.
type stuckSensor chan struct{}

func (s stuckSensor) Channels() []reading.Channel { return []reading.Channel{reading.InsideTemp} }

func (s stuckSensor) Sense(_ context.Context, r *reading.Reading) error {
	if s != nil {
		<-s
	}
	r.Set(reading.InsideTemp, 11)
	return nil
}

// stuckSpool keeps nothing, and is stuck while it does.
type stuckSpool chan struct{}

func (s stuckSpool) Run() string                      { return "9f31c2aa07de4410" }
func (s stuckSpool) Last() int64                      { return 0 }
func (s stuckSpool) Skip(int64, string)               {}
func (s stuckSpool) Torn() int64                      { return 0 }
func (s stuckSpool) Held() [][]byte                   { return nil }
func (s stuckSpool) Fix(string) error                 { return nil }
func (s stuckSpool) Fixed() (note string, fixed bool) { return "", false }
func (s stuckSpool) Append(int64, [][]byte) error     { return s.Hold(nil) }
func (s stuckSpool) Hold([]byte) error {
	if s != nil {
		<-s
	}
	return nil
}
