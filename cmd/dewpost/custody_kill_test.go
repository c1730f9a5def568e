package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"dewpost/agent/spool"
	"dewpost/collector/store"
	"dewpost/rules/fact"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// custody is one installation and what its programs do with readings.
type custody struct {
	*shop
	t     *testing.T
	sum   *tally
	seed  uint64
	store *store.Store // of who doesn't kill: while it is open no collector finds what another left

	collector *exec.Cmd
}

// custody prepares an installation whose store stands open.
func (w *workshop) custody(t *testing.T, sum *tally, seed uint64, mosquitto bool) *custody {
	t.Helper()
	c := &custody{shop: w.shop(t, mosquitto), t: t, sum: sum, seed: seed}
	var err error
	c.store, err = store.Open(t.Context(), c.storePath())
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, c.store.Close()) })
	return c
}

func (c *custody) storePath() string { return filepath.Join(c.dir, "dewpost.db") }

// startAgent is launch for the test's own goroutine.
func (c *custody) startAgent(x *series, drain bool) *exec.Cmd {
	cmd, err := c.launch(x, drain)
	require.NoError(c.t, err)
	c.t.Cleanup(func() {
		_ = cmd.Process.Kill() // it may have ended
		_ = cmd.Wait()
	})
	return cmd
}

// launch starts the agent of one station: at custodyRate, or as fast as it can
// and until all is receipted.
func (c *custody) launch(x *series, drain bool) (*exec.Cmd, error) {
	addr := c.stations
	if c.broker != "" {
		addr = c.broker
	}
	speed, name := custodyRate*custodyStep.Seconds(), x.station
	if drain {
		speed, name = 0, x.station+"-drain"
	}
	config := filepath.Join(c.dir, name+".toml")
	text := fmt.Sprintf("broker = %q\nspool_dir = %q\nretry = \"1s\"\n[replay]\nexit_when_done = %v\n[[station]]\nid = %q\nsecret_file = %q\n[station.replay]\nfile = %q\nspeed = %.1f\n",
		"mqtt://"+addr, filepath.Join(c.dir, "spool"), drain, x.station, filepath.Join(c.dir, x.station, x.station+".secret"), x.file, speed)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		return nil, err
	}
	log, err := os.OpenFile(filepath.Join(c.dir, name+".log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, err
	}
	cmd := exec.Command(filepath.Join(c.workshop.dir, "dewpost-agent"), "run", "-c", config)
	cmd.Stdout, cmd.Stderr = log, log
	return cmd, errors.Join(cmd.Start(), log.Close()) // the child has its own
}

// committed is how many of a station's readings the collector has committed.
func (c *custody) committed(station string) (n int64) {
	require.NoError(c.t, c.kept(func(s *store.Store) error {
		list, err := s.Custody(context.Background())
		for _, x := range list {
			if x.Station == station {
				n = x.Stored
			}
		}
		return err
	}))
	return n
}

// kept looks into the store, and is gone before any program dies.
func (c *custody) kept(look func(*store.Store) error) error {
	s, err := store.OpenReadOnly(context.Background(), c.storePath())
	if err != nil {
		return err
	}
	return errors.Join(look(s), s.Close())
}

// killing is a custody whose programs are killed.
type killing struct {
	*custody
	place uint64     // of its lots
	rnd   *rand.Rand // of the test's goroutine
	want  int        // kills that count, in this round

	mu     sync.Mutex // held by who starts, kills and looks
	agents map[string]*exec.Cmd
	count  int
	spared bool     // the collector was, when one of the two died last
	deeds  []string // what was killed, and what was found
}

// patience is for a machine that is very busy; nothing here is expected to
// take it.
const patienceOfAll = 10 * time.Minute

// until waits for progress.
func until(what string, is func() (bool, error)) error {
	for end := time.Now().Add(patienceOfAll); time.Now().Before(end); time.Sleep(2 * time.Millisecond) {
		if ok, err := is(); ok || err != nil {
			return err
		}
	}
	return fmt.Errorf("%s: not within %s", what, patienceOfAll)
}

// tellPeople lets readings speak for now for as long as they may: then there
// are messages, whichever station is ahead.
func (k *killing) tellPeople() {
	s, err := store.Open(k.t.Context(), k.storePath())
	require.NoError(k.t, err)
	var facts []fact.Fact
	for i := range k.series {
		facts = append(facts, fact.Fact{
			Subject: fact.Subject{Kind: "station", ID: k.series[i].station}, Name: fact.AllowedSilence,
			From: unit.At(time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)), Value: "744h", Author: "test", Recorded: unit.At(time.Now()),
		})
	}
	require.NoError(k.t, s.AddFacts(k.t.Context(), facts))
	require.NoError(k.t, s.Close())
}

func (k *killing) counted() int {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.count
}

func (k *killing) enough() bool { return k.counted() >= k.want }

// note counts a kill.
func (k *killing) note(what string, after time.Duration, counts bool) {
	k.sum.kill(what, counts)
	if counts {
		k.count++
	}
	k.deeds = append(k.deeds, fmt.Sprintf("%s after %s, counts: %v", what, after.Round(time.Millisecond), counts))
}

// kill ends a program as kill -9 does, and tells when.
func kill(cmd *exec.Cmd) (time.Time, error) {
	at := time.Now()
	err := cmd.Process.Kill()
	if err == nil {
		_ = cmd.Wait() // killed, and that is its error
		if how, ok := cmd.ProcessState.Sys().(syscall.WaitStatus); !ok || !how.Signaled() {
			err = fmt.Errorf("it had ended by itself: %s", cmd.ProcessState)
		}
	}
	if err != nil {
		return at, fmt.Errorf("kill %s: %w", filepath.Base(cmd.Path), err)
	}
	return at, nil
}

// stop ends the agents that are left.
func (k *killing) stop() {
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, a := range k.agents {
		_ = a.Process.Kill()
		_ = a.Wait()
	}
	clear(k.agents)
}

// killPrograms kills agents, collector and broker until enough kills count or
// the logs are at their end.
func (k *killing) killPrograms() {
	if k.mosquitto != nil {
		k.loseInBroker()
	}
	k.collector = k.serve(k.t)
	ctx, cancel := context.WithCancel(k.t.Context())
	errs := make([]error, len(k.series))
	ended := make(chan struct{})
	var all sync.WaitGroup
	defer all.Wait()
	defer cancel()
	for i := range k.series {
		rnd := k.lot(uint64(1 + i))
		all.Go(func() {
			for more := true; more && ctx.Err() == nil && errs[i] == nil && !k.enough(); {
				more, errs[i] = k.killAgent(&k.series[i], rnd)
			}
		})
	}
	go func() { all.Wait(); close(ended) }()
	for going := true; going; {
		pause := time.Duration(50+k.rnd.IntN(350)) * time.Millisecond
		select {
		case <-ended:
			going = false
		case <-time.After(pause): // the instant of a kill is drawn by lot
			k.killServer(pause)
		}
	}
	require.NoError(k.t, errors.Join(errs...))
	k.settle()
}

// killAgent starts a station's agent and kills it. It tells whether the log
// goes on.
func (k *killing) killAgent(x *series, rnd *rand.Rand) (more bool, err error) {
	k.mu.Lock()
	agent, err := k.launch(x, false)
	if err == nil {
		k.agents[x.station] = agent
	}
	k.mu.Unlock()
	if err != nil {
		return false, err
	}
	pause := time.Duration(20+rnd.IntN(280)) * time.Millisecond
	time.Sleep(pause) // the instant of the kill is drawn by lot
	k.mu.Lock()
	defer k.mu.Unlock()
	delete(k.agents, x.station)
	at, err := kill(agent)
	if err != nil {
		return false, err
	}
	settled, err := k.settled()
	if err != nil {
		return false, err
	}
	counts, last, err := k.inFlight(x.station, at, settled)
	k.note("agent", pause, counts)
	return last < int64(x.rows), err
}

// killServer kills the collector or the external broker, looks what was on its
// way while the agents stand still, and starts it again.
func (k *killing) killServer(pause time.Duration) {
	k.mu.Lock()
	defer k.mu.Unlock()
	// Never the broker twice: a collector waits longer each time for it.
	k.spared = k.mosquitto != nil && !k.spared
	what, victim := "collector", k.collector
	if k.spared {
		what, victim = "broker", k.mosquitto
	}
	at, err := kill(victim)
	require.NoError(k.t, err)
	for _, a := range k.agents {
		require.NoError(k.t, standStill(a))
	}
	k.note(what, pause, k.anyInFlight(at))
	if k.spared {
		k.startBroker(k.t)
	} else {
		k.collector = k.serve(k.t)
	}
	for _, a := range k.agents {
		require.NoError(k.t, a.Process.Signal(syscall.SIGCONT))
	}
}

// standStill stops a program, and returns when it does.
func standStill(cmd *exec.Cmd) error {
	if err := cmd.Process.Signal(syscall.SIGSTOP); err != nil {
		return err
	}
	for {
		if err := unix.Waitid(unix.P_PID, cmd.Process.Pid, nil, unix.WSTOPPED, nil); !errors.Is(err, unix.EINTR) {
			return err
		}
	}
}

func (k *killing) anyInFlight(at time.Time) bool {
	settled, err := k.settled()
	require.NoError(k.t, err)
	counts := false
	for i := range k.series {
		c, _, err := k.inFlight(k.series[i].station, at, settled)
		require.NoError(k.t, err)
		counts = counts || c
	}
	return counts
}

// settled is how far the collector has each station's run.
func (k *killing) settled() (map[string]int64, error) {
	upto := map[string]int64{}
	return upto, k.kept(func(s *store.Store) error {
		list, err := s.Settled(context.Background(), "", 1000)
		for _, o := range list {
			upto[o.Station] = o.Runs[0].Upto
		}
		return err
	})
}

// inFlight tells whether at an instant a station's spool had a synced reading
// that the collector has not committed even now: then there was no receipt for
// it, nor any that an agent could have known. (That the spool still lists a
// reading proves nothing: which receipts came an agent writes down later.) A
// reading is certainly synced when the next one was given its time in the
// spool, for that is another call of Append. last is the largest number.
//
// The spool is copied, because opening it changes it.
func (k *killing) inFlight(station string, at time.Time, settled map[string]int64) (yes bool, last int64, err error) {
	from := filepath.Join(k.dir, "spool", station)
	if _, err := os.Stat(from); errors.Is(err, fs.ErrNotExist) {
		return false, 0, nil
	}
	to, err := os.MkdirTemp(k.dir, "look-")
	if err != nil {
		return false, 0, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(to)) }()
	if err := os.CopyFS(to, os.DirFS(from)); err != nil {
		return false, 0, err
	}
	sp, err := spool.Open(to, spool.Options{Unsynced: true})
	if err != nil {
		return false, 0, err
	}
	defer func() { err = errors.Join(err, sp.Close()) }()
	if err := sp.Forget(settled[station]); err != nil {
		return false, 0, err
	}
	first := sp.Status()
	for now := first; now.Queued > 0; now = sp.Status() {
		if !now.OldestAt.Equal(first.OldestAt) {
			return now.OldestAt.Before(at), first.Last, nil
		}
		if err := sp.Forget(sp.Oldest()); err != nil {
			return false, 0, err
		}
	}
	return false, first.Last, nil
}

// loseInBroker sets Mosquitto so that it acknowledges what it then drops, and
// lets agents send while there is no collector, until some of it is dropped.
func (k *killing) loseInBroker() {
	k.worstMosquitto()
	for i := range k.series {
		var err error
		k.agents[k.series[i].station], err = k.launch(&k.series[i], false)
		require.NoError(k.t, err)
	}
	require.NoError(k.t, until("the broker drops messages", func() (bool, error) {
		n, err := k.dropped()
		return n >= int64(2*len(k.series)), err
	}))
	k.stop()
}

// worstMosquitto starts the broker anew with all that loses messages.
func (k *killing) worstMosquitto() {
	_, err := kill(k.mosquitto)
	require.NoError(k.t, err)
	conf := filepath.Join(k.dir, "mosquitto.conf")
	text, err := os.ReadFile(conf)
	require.NoError(k.t, err)
	for good, bad := range map[string]string{
		"\nmax_queued_messages 0\n": "\nmax_queued_messages 1\n", "\nmax_inflight_messages 0\n": "\nmax_inflight_messages 1\n",
		"\npersistence true\n": "\npersistence false\n", "\nlog_dest stderr\n": "\nlog_dest file " + k.brokerLog() + "\nlog_type debug\n",
	} {
		require.Contains(k.t, string(text), good)
		text = bytes.Replace(text, []byte(good), []byte(bad), 1)
	}
	require.NoError(k.t, os.WriteFile(conf, text, 0o600))
	k.startBroker(k.t)
}

func (k *killing) brokerLog() string { return filepath.Join(k.dir, "mosquitto.log") }

// dropped counts, in the broker's own log, the messages with readings that it
// acknowledged to a station and did not even begin to send to the collector.
func (k *killing) dropped() (int64, error) {
	text, err := os.ReadFile(k.brokerLog())
	if errors.Is(err, fs.ErrNotExist) {
		return 0, nil
	}
	return droppedIn(string(text)), err
}

func droppedIn(log string) (dropped int64) {
	type message struct{ station, id string }
	waiting := map[message]bool{} // received and not acknowledged
	for line := range strings.Lines(log) {
		_, what, _ := strings.Cut(line, ": ")
		words := strings.Fields(strings.NewReplacer("(", "", ")", "", ",", "", "'", "").Replace(what))
		switch {
		case strings.HasPrefix(what, "mosquitto version ") && strings.Contains(what, " starting"):
			clear(waiting)
		case len(words) < 5:
		case strings.HasPrefix(what, "Received PUBLISH from ") && isReadings(words):
			waiting[message{words[3], words[7]}] = true
		case strings.HasPrefix(what, "Sending PUBACK to "):
			if m := (message{words[3], words[4]}); waiting[m] {
				delete(waiting, m)
				dropped++
			}
		case strings.HasPrefix(what, "Sending PUBLISH to collector ") && isReadings(words) && words[4] == "d0":
			dropped--
		}
	}
	return dropped
}

// isReadings looks at the words "… PUBLISH … NAME d0 q1 r0 m1 TOPIC …".
func isReadings(words []string) bool {
	if len(words) < 9 {
		return false
	}
	_, leaf, ok := receipt.ParseTopic(words[8])
	return ok && leaf == receipt.LeafReadings
}

// showLogs shows the end of what every program said, and the kills.
func (k *killing) showLogs() {
	k.t.Logf("kills:\n%s", strings.Join(k.deeds, "\n"))
	logs, err := filepath.Glob(filepath.Join(k.dir, "*.log"))
	require.NoError(k.t, err)
	for _, name := range logs {
		text, err := os.ReadFile(name)
		require.NoError(k.t, err)
		const most = 8 << 10
		k.t.Logf("%s, the end of it:\n%s", filepath.Base(name), text[max(0, len(text)-most):])
	}
}
