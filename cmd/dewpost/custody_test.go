package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewpost/agent/spool"
	"dewpost/collector/broker"
	"dewpost/collector/fold"
	"dewpost/collector/intake"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/boxsim"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// Custody: programs are killed -9 again and again while readings flow, and in
// the end every reading of every log is in the store exactly once, and every
// ledger hour equals an offline assessment of the log.
//
// A kill of an agent, a broker or a collector counts only if at that moment an
// agent had synced a reading that the collector had not committed, so that
// nobody could have receipted it. What is shown is a bound and not certainty:
// no failure in N trials bounds the rate of failures at 3/N with 95 %
// confidence (the "rule of three": Hanley and Lippman-Hand, If nothing goes
// wrong, is everything all right?, JAMA 249, 1983, p. 1743).
func TestCustody(t *testing.T) {
	kills := 8
	switch os.Getenv("PROOF_SCALE") {
	case "quick":
		kills = 66
	case "full":
		kills = 3000
	}
	if n := os.Getenv("PROOF_N"); n != "" {
		var err error
		kills, err = strconv.Atoi(n)
		require.NoError(t, err)
	}
	seed, err := strconv.ParseUint(cmpOr(os.Getenv("PROOF_SEED"), "1"), 10, 64)
	require.NoError(t, err)
	t.Logf("seed %d, kills %d", seed, kills)
	w := custodyLogs(t, 60*kills)
	var sum tally
	share := kills * 2 / 5
	t.Run("embedded broker", func(t *testing.T) { w.custody(t, &sum, seed, false).killPrograms(share) })
	t.Run("mosquitto", func(t *testing.T) { w.custody(t, &sum, seed, true).killPrograms(share) })
	t.Run("inside the collector", func(t *testing.T) { w.custody(t, &sum, seed, false).killInside(kills - 2*share) })
	t.Run("twice, shuffled, late", func(t *testing.T) { w.custody(t, &sum, seed, false).sendTwice() })
	t.Run("spool lost", func(t *testing.T) { w.custody(t, &sum, seed, false).loseSpools() })
	if t.Failed() {
		return
	}
	fmt.Printf("custody: readings=%d kills=%d in_flight_kills=%d lost=%d doubled=%d ledger_equal=true bound=%.4f\n",
		sum.readings.Load(), sum.kills.Load(), sum.inFlight.Load(), sum.lost.Load(), sum.doubled.Load(), 3/float64(sum.inFlight.Load()))
}

// tally counts what was tried and what was found.
type tally struct {
	kills, inFlight         atomic.Int64
	readings, lost, doubled atomic.Int64
}

const custodyStations = 4

// custodyLogs builds the programs and writes a log of n minutes for each
// station.
func custodyLogs(t *testing.T, n int) *workshop {
	t.Helper()
	w := &workshop{dir: t.TempDir()}
	for _, program := range []string{"dewpost", "dewpost-agent"} {
		out, err := exec.Command("go", "build", "-o", filepath.Join(w.dir, program), "dewpost/cmd/"+program).CombinedOutput()
		require.NoError(t, err, string(out))
	}
	for i := range custodyStations {
		name := fmt.Sprintf("lake-%02d", i+1)
		begin := time.Date(2025, 9, 1, 0, 0, 0, 0, time.UTC)
		box := boxsim.New(boxsim.NewWeather(boxsim.Lakeside(), uint64(i)), boxsim.Box{TauH: 20, Noise: 1, HasBoard: true, HasOutside: true}, nil, uint64(i), unit.At(begin))
		text := []byte("time,inside_temp_c,inside_rh_pct,board_temp_c\n")
		for m := range n {
			r := box.Next(unit.At(begin.Add(time.Duration(m) * time.Minute)))
			text = r.Time.Time().AppendFormat(text, time.RFC3339)
			for _, c := range []reading.Channel{reading.InsideTemp, reading.InsideRH, reading.BoardTemp} {
				text = append(text, ',')
				if v, ok := r.Get(c); ok {
					text = strconv.AppendFloat(text, v, 'f', -1, 64)
				}
			}
			text = append(text, '\n')
		}
		file := filepath.Join(w.dir, name+".csv")
		require.NoError(t, os.WriteFile(file, text, 0o600))
		w.series = append(w.series, series{station: name, file: file, maxGap: "30m"})
	}
	for i := range w.series {
		w.assess(t, &w.series[i])
	}
	return w
}

// custody is one installation whose programs are killed.
type custody struct {
	*shop
	t     *testing.T
	sum   *tally
	rnd   *rand.Rand
	seed  uint64
	store *store.Store
	begun int64 // in-flight kills before

	mu        sync.Mutex // held while programs start and end
	collector *exec.Cmd
	agents    map[string]*exec.Cmd
}

func (w *workshop) custody(t *testing.T, sum *tally, seed uint64, mosquitto bool) *custody {
	c := &custody{
		shop: w.shop(t, mosquitto), t: t, sum: sum, seed: seed, rnd: rand.New(rand.NewPCG(seed, 7)),
		agents: map[string]*exec.Cmd{}, begun: sum.inFlight.Load(),
	}
	var err error
	c.store, err = store.Open(t.Context(), filepath.Join(c.dir, "dewpost.db"))
	require.NoError(t, err)
	t.Cleanup(func() {
		for _, a := range c.agents {
			_ = a.Process.Kill()
			_ = a.Wait()
		}
		require.NoError(t, c.store.Close())
	})
	return c
}

func (c *custody) counted() int { return int(c.sum.inFlight.Load() - c.begun) }

// startAgent starts the agent of one station: at 1,000 readings a second, or
// as fast as it can and until all is receipted.
func (c *custody) startAgent(x *series, drain bool) *exec.Cmd {
	addr := c.stations
	if c.broker != "" {
		addr = c.broker
	}
	speed, name := 60_000, x.station
	if drain {
		speed, name = 0, x.station+"-drain"
	}
	config := filepath.Join(c.dir, name+".toml")
	text := fmt.Sprintf("broker = %q\nspool_dir = %q\nretry = \"1s\"\n[replay]\nexit_when_done = %v\n[[station]]\nid = %q\nsecret_file = %q\n[station.replay]\nfile = %q\nspeed = %d.0\n",
		"mqtt://"+addr, filepath.Join(c.dir, "spool"), drain, x.station, filepath.Join(c.dir, x.station, x.station+".secret"), x.file, speed)
	require.NoError(c.t, os.WriteFile(config, []byte(text), 0o600))
	cmd := exec.Command(filepath.Join(c.workshop.dir, "dewpost-agent"), "run", "-c", config)
	log, err := os.OpenFile(filepath.Join(c.dir, name+".log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	require.NoError(c.t, err)
	cmd.Stderr = log
	require.NoError(c.t, cmd.Start())
	require.NoError(c.t, log.Close()) // the child has its own
	return cmd
}

// spooled is the largest number in a station's spool, and how many records
// wait. The folder is copied, because opening a spool changes it; again when a
// file goes meanwhile, as an agent that is stopped may take a moment to stand.
func (c *custody) spooled(station string) (last, queued int64) {
	from, to := filepath.Join(c.dir, "spool", station), filepath.Join(c.t.TempDir(), "spool")
	if _, err := os.Stat(from); errors.Is(err, fs.ErrNotExist) {
		return 0, 0
	}
	err := os.CopyFS(to, os.DirFS(from))
	for tries := 0; errors.Is(err, fs.ErrNotExist) && tries < 100; tries++ {
		require.NoError(c.t, os.RemoveAll(to))
		err = os.CopyFS(to, os.DirFS(from))
	}
	require.NoError(c.t, err)
	sp, err := spool.Open(to, spool.Options{})
	require.NoError(c.t, err)
	s := sp.Status()
	require.NoError(c.t, sp.Close())
	require.NoError(c.t, os.RemoveAll(to))
	return s.Last, s.Queued
}

// committed is how many of a station's readings the collector has committed.
func (c *custody) committed(station string) int64 {
	list, err := c.store.Custody(context.Background())
	require.NoError(c.t, err)
	for _, x := range list {
		if x.Station == station {
			return x.Stored
		}
	}
	return 0
}

// inFlight tells whether the spool has a reading that the collector has not
// committed; beyond the newest one, which may not have been synced yet.
func (c *custody) inFlight(station string) bool {
	last, queued := c.spooled(station)
	return queued > 0 && last-1 > c.committed(station)
}

func (c *custody) count(inFlight bool) {
	c.sum.kills.Add(1)
	if inFlight {
		c.sum.inFlight.Add(1)
	}
}

// killPrograms kills agents, collector and broker until n kills counted.
func (c *custody) killPrograms(n int) {
	c.collector = c.serve(c.t)
	if c.mosquitto != nil {
		c.worstMosquitto()
	}
	var all sync.WaitGroup
	for i := range c.series {
		rnd := rand.New(rand.NewPCG(c.seed, uint64(100+i)))
		all.Go(func() {
			for c.counted() < n && !c.t.Failed() {
				c.killAgent(&c.series[i], rnd)
			}
		})
	}
	for c.counted() < n && !c.t.Failed() {
		// The instant of a kill is what is drawn by lot.
		time.Sleep(time.Duration(300+c.rnd.IntN(900)) * time.Millisecond)
		c.killServer()
	}
	all.Wait()
	c.settle()
}

func (c *custody) killAgent(x *series, rnd *rand.Rand) {
	c.mu.Lock()
	agent := c.startAgent(x, false)
	c.agents[x.station] = agent
	c.mu.Unlock()
	time.Sleep(time.Duration(60+rnd.IntN(300)) * time.Millisecond)
	c.mu.Lock()
	defer c.mu.Unlock()
	require.NoError(c.t, agent.Process.Kill())
	_ = agent.Wait() // killed, and that is its error
	delete(c.agents, x.station)
	c.count(c.inFlight(x.station))
}

// killServer kills the collector or the external broker while the agents stand
// still, looks what was on its way, and starts it again.
func (c *custody) killServer() {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, a := range c.agents {
		require.NoError(c.t, a.Process.Signal(syscall.SIGSTOP))
	}
	victim := c.collector
	if c.mosquitto != nil && c.rnd.IntN(2) == 0 {
		victim = c.mosquitto
	}
	require.NoError(c.t, victim.Process.Kill())
	_ = victim.Wait()
	any := false
	for station := range c.agents {
		any = any || c.inFlight(station)
	}
	c.count(any)
	if victim == c.collector {
		c.collector = c.serve(c.t)
	} else {
		c.startBroker(c.t)
	}
	for _, a := range c.agents {
		require.NoError(c.t, a.Process.Signal(syscall.SIGCONT))
	}
}

// worstMosquitto sets the broker so that it acknowledges what it then drops.
func (c *custody) worstMosquitto() {
	require.NoError(c.t, c.mosquitto.Process.Kill())
	_ = c.mosquitto.Wait()
	conf := filepath.Join(c.dir, "mosquitto.conf")
	text, err := os.ReadFile(conf)
	require.NoError(c.t, err)
	worse := strings.NewReplacer("max_queued_messages 0", "max_queued_messages 1", "max_inflight_messages 0", "max_inflight_messages 1", "persistence true", "persistence false").Replace(string(text))
	require.NotEqual(c.t, string(text), worse)
	require.NoError(c.t, os.WriteFile(conf, []byte(worse), 0o600))
	c.startBroker(c.t)
}

// settle lets all that is left be delivered, and then compares.
func (c *custody) settle() {
	if c.collector == nil {
		c.collector = c.serve(c.t)
	}
	var all sync.WaitGroup
	for i := range c.series {
		all.Go(func() {
			x := &c.series[i]
			if err := c.startAgent(x, true).Wait(); err != nil {
				log, _ := os.ReadFile(filepath.Join(c.dir, x.station+"-drain.log"))
				c.t.Errorf("%s: %v\n%s", x.station, err, log)
			}
		})
	}
	all.Wait()
	if !c.t.Failed() {
		c.compareReadings(1)
		c.compare(c.t)
	}
}

// compareReadings looks for every reading of every log in the store, under
// each of the runs by which it was sent.
func (c *custody) compareReadings(runs int) {
	for i := range c.series {
		x := &c.series[i]
		rs, err := c.store.Readings(context.Background(), x.station, math.MinInt64, math.MaxInt64)
		require.NoError(c.t, err)
		byRun := map[string]map[int64]bool{}
		for _, r := range rs {
			if byRun[r.Run] == nil {
				byRun[r.Run] = map[int64]bool{}
			}
			if byRun[r.Run][r.Seq] {
				c.sum.doubled.Add(1)
			}
			byRun[r.Run][r.Seq] = true
		}
		most := 0
		for run, seqs := range byRun {
			most = max(most, len(seqs))
			for seq := range seqs {
				require.LessOrEqual(c.t, seq, int64(x.rows), "run %s", run)
			}
		}
		c.sum.lost.Add(int64(x.rows - most))
		c.sum.readings.Add(int64(most))
		require.LessOrEqual(c.t, len(byRun), runs)
		require.Equal(c.t, int64(len(rs)), c.committed(x.station))
	}
	require.Zero(c.t, c.sum.lost.Load(), "readings lost")
	require.Zero(c.t, c.sum.doubled.Load(), "readings doubled")
}

// Points at which a collector kills itself. At the first two nobody can have
// receipted the readings of that commit.
var points = []string{"before the commit", "before the receipt", "before the acknowledgement", "before the fold's commit", "after the fold's commit"}

const certain = 2

const childEnv = "DEWPOST_TEST_COLLECTOR" // store, address, point and how often it is passed before

// killInside runs collectors that die at chosen points.
func (c *custody) killInside(n int) {
	hits := make([]int, len(points))
	for trial := 0; c.counted() < n || slices.Min(hits) < min(3, n/4); trial++ {
		point := trial % len(points)
		child := exec.Command(os.Args[0], "-test.run=^TestDyingCollector$")
		child.Env = append(os.Environ(), fmt.Sprintf("%s=%s|%s|%d|%d", childEnv, filepath.Join(c.dir, "dewpost.db"), c.stations, point, c.rnd.IntN(8)))
		out := &bytes.Buffer{}
		child.Stdout, child.Stderr = out, out
		require.NoError(c.t, child.Start())
		var agents []*exec.Cmd
		for i := range c.series {
			agents = append(agents, c.startAgent(&c.series[i], false))
		}
		_ = child.Wait()
		status, _ := child.ProcessState.Sys().(syscall.WaitStatus)
		for i, a := range agents {
			require.NoError(c.t, a.Process.Kill())
			_ = a.Wait()
			c.count(c.inFlight(c.series[i].station))
		}
		require.True(c.t, status.Signaled(), "the collector ended by itself: %s", out)
		hits[point]++
		c.count(point < certain)
	}
	for i, p := range points {
		c.t.Logf("killed %s: %d times", p, hits[i])
	}
	c.settle()
}

// TestDyingCollector is the collector of killInside; it does nothing when it
// is not started by it.
func TestDyingCollector(t *testing.T) {
	how := strings.Split(os.Getenv(childEnv), "|")
	if len(how) != 4 {
		return
	}
	point, err := strconv.Atoi(how[2])
	require.NoError(t, err)
	left, err := strconv.ParseInt(how[3], 10, 64)
	require.NoError(t, err)
	st, err := store.Open(t.Context(), how[0])
	require.NoError(t, err)
	d := &dying{Store: st, point: point}
	d.left.Store(left)
	log := slog.New(slog.NewTextHandler(os.Stderr, nil))
	folder := fold.New(fold.Config{Store: d, Now: time.Now, Log: log})
	in := intake.New(intake.Config{Store: d, Now: time.Now, Committed: folder.Wake, Log: log})
	front, err := broker.Listen(broker.Config{
		Addr: how[1],
		Authenticate: func(ctx context.Context, station string, password []byte) (string, bool) {
			s, err := st.Station(ctx, station)
			return station, err == nil && s.Secret.Password() == string(password)
		},
		Handle: func(ctx context.Context, station, leaf string, payload []byte) error {
			if leaf != receipt.LeafReadings {
				return nil
			}
			return in.Handle(ctx, station, payload)
		},
		Log: log,
	})
	require.NoError(t, err)
	in.SetPublisher(dyingFront{front, d})
	go func() { _ = folder.Run(t.Context()) }()
	_ = in.Run(t.Context())
}

// dying is a store that kills its process.
type dying struct {
	*store.Store
	point int
	left  atomic.Int64
}

func (d *dying) at(point int) {
	if d.point == point && d.left.Add(-1) < 0 {
		_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
		select {} // until it has come
	}
}

func (d *dying) Commit(ctx context.Context, a []record.Arrival) ([]record.Outcome, error) {
	d.at(0)
	o, err := d.Store.Commit(ctx, a)
	d.at(1)
	return o, err
}

func (d *dying) CommitFold(ctx context.Context, f record.Folded) error {
	d.at(3)
	err := d.Store.CommitFold(ctx, f)
	d.at(4)
	return err
}

type dyingFront struct {
	*broker.Front
	d *dying
}

func (f dyingFront) PublishReceipt(station string, payloads ...[]byte) error {
	err := f.Front.PublishReceipt(station, payloads...)
	f.d.at(2)
	return err
}

// sendTwice delivers every batch twice, shuffled, months after its time.
func (c *custody) sendTwice() {
	c.collector = c.serve(c.t)
	var all sync.WaitGroup
	for i := range c.series {
		all.Go(func() {
			c.feedBackwards(c.t, &c.series[i], c.seed)
			c.feedBackwards(c.t, &c.series[i], c.seed+1)
		})
	}
	all.Wait()
	c.compareReadings(1)
	c.compare(c.t)
	require.Positive(c.t, c.metric(c.t, "dewpost_readings_repeated_total"))
}

// loseSpools takes the agents' memory away half-way: what comes again comes
// under another run, and the ledger is the same.
func (c *custody) loseSpools() {
	c.collector = c.serve(c.t)
	for i := range c.series {
		a := c.startAgent(&c.series[i], false)
		require.Eventually(c.t, func() bool { return c.committed(c.series[i].station) > 100 }, time.Minute, 5*time.Millisecond)
		require.NoError(c.t, a.Process.Kill())
		_ = a.Wait()
	}
	require.NoError(c.t, os.RemoveAll(filepath.Join(c.dir, "spool")))
	var all sync.WaitGroup
	for i := range c.series {
		all.Go(func() { assert.NoError(c.t, c.startAgent(&c.series[i], true).Wait()) })
	}
	all.Wait()
	c.compareReadings(2)
	c.compare(c.t)
}
