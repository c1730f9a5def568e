package main

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/stretchr/testify/require"
	"modernc.org/sqlite"

	"dewpost/collector/broker"
	"dewpost/collector/fold"
	"dewpost/collector/intake"
	"dewpost/collector/notify"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/exposure"
	"dewpost/rules/finding"
	"dewpost/rules/receipt"
)

// Where a collector kills itself.
const (
	beforeCommit = iota
	amidCommit
	atCommit
	beforeReceipt
	beforePuback
	amidFold
	atFold
	afterFold
	beforeMark
)

var points = [...]string{
	beforeCommit:  "before the commit of readings",
	amidCommit:    "amid the rows of that commit",
	atCommit:      "after the rows of that commit, before it is written",
	beforeReceipt: "between commit and receipt",
	beforePuback:  "between receipt and PUBACK",
	amidFold:      "amid the rows of a fold's commit",
	atFold:        "after the rows of a fold's commit, before it is written",
	afterFold:     "after a fold's commit",
	beforeMark:    "between a message's sending and its mark",
}

// killAtPoints runs collectors that die at chosen points, one after the other,
// until enough of these kills count.
func (k *killing) killAtPoints() {
	if k.mosquitto != nil {
		k.worstMosquitto()
	}
	kills := 0
	for more := true; more && !k.enough(); kills++ {
		more = k.killAtPoint()
	}
	k.collector = k.serve(k.t)
	k.settle()
	k.compareTold(kills)
}

// killAtPoint lets one collector die at the point that was hit least. It tells
// whether the logs go on.
func (k *killing) killAtPoint() (more bool) {
	point := k.sum.leastHit()
	passes := 0
	if point != beforeMark { // there are not many messages
		passes = k.rnd.IntN(8)
	}
	began := time.Now()
	c := k.startDying(point, passes)
	defer c.end()
	for i := range k.series {
		agent, err := k.launch(&k.series[i], false)
		require.NoError(k.t, err)
		k.agents[k.series[i].station] = agent
	}
	// Where the point is not passed, the collector ends once it has nothing to do,
	// because the logs are at their end, or is killed as any other.
	overdue := time.AfterFunc(20*time.Second, c.end)
	at, fresh, reached := c.died()
	overdue.Stop()
	k.stop()
	if !reached {
		k.t.Logf("%s: not reached", points[point])
		return k.more()
	}
	k.sum.hit(point)
	k.mu.Lock()
	defer k.mu.Unlock()
	k.note("collector "+points[point], time.Since(began), fresh || k.anyInFlight(at))
	return true
}

// more tells whether any log goes on.
func (k *killing) more() bool {
	settled, err := k.settled()
	require.NoError(k.t, err)
	for i := range k.series {
		if settled[k.series[i].station] < int64(k.series[i].rows) {
			return true
		}
	}
	return false
}

func (s *tally) hit(point int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.hits[point]++
}

func (s *tally) leastHit() (least int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for point, n := range s.hits {
		if n < s.hits[least] {
			least = point
		}
	}
	return least
}

// child is a dying collector, seen from outside.
type child struct {
	cmd   *exec.Cmd
	life  io.Closer // it ends when this is closed
	words *bufio.Reader
}

func (k *killing) peopleFile() string { return filepath.Join(k.dir, "people") }

// startDying starts a collector that dies, and returns when it is there for
// agents.
func (k *killing) startDying(point, passes int) *child {
	args := []string{"-store", k.storePath(), "-people", k.peopleFile(), "-point", strconv.Itoa(point), "-passes", strconv.Itoa(passes)}
	if k.broker != "" {
		args = append(args, "-broker", k.broker)
	} else {
		args = append(args, "-listen", k.stations)
	}
	c := &child{cmd: exec.Command("dewpost-dying", args...)}
	log, err := os.OpenFile(filepath.Join(k.dir, "dying.log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	require.NoError(k.t, err)
	c.cmd.Stderr = log
	c.life, err = c.cmd.StdinPipe()
	require.NoError(k.t, err)
	out, err := c.cmd.StdoutPipe()
	require.NoError(k.t, err)
	c.words = bufio.NewReader(out)
	require.NoError(k.t, c.cmd.Start())
	require.NoError(k.t, log.Close())
	word, err := c.words.ReadString('\n')
	require.NoError(k.t, err, "the collector is there")
	require.Equal(k.t, "there\n", word)
	return c
}

// end kills it, if it hasn't died.
func (c *child) end() { _ = c.cmd.Process.Kill() }

// died waits for its death. It tells when that was, and whether it had just
// committed readings that are new to it.
func (c *child) died() (at time.Time, fresh, reached bool) {
	text, _ := io.ReadAll(c.words) // until it ends, however
	_ = c.life.Close()
	_ = c.cmd.Wait() // killed, and that is its error
	var ns int64
	n, _ := fmt.Sscanf(string(text), "dying %d %t", &ns, &fresh)
	return time.Unix(0, ns), fresh, n == 2
}

// dyingCollector is the program dewpost-dying: a collector put together as
// package collector does it, without pages, that kills itself when it has
// passed a point so many times.
func dyingCollector() {
	var d dying
	var path, listen, external string
	flag.StringVar(&path, "store", "", "")
	flag.StringVar(&listen, "listen", "", "")
	flag.StringVar(&external, "broker", "", "")
	flag.StringVar(&d.people, "people", "", "")
	flag.IntVar(&d.point, "point", 0, "")
	flag.Int64Var(&d.passes, "passes", 0, "")
	flag.Parse()
	d.left.Store(d.passes)
	sqlite.RegisterConnectionHook(d.hook)
	go func() { // never without who started it
		_, _ = io.Copy(io.Discard, os.Stdin)
		os.Exit(0)
	}()
	if err := d.run(path, listen, external); err != nil {
		fmt.Fprintln(os.Stderr, err)
	}
	os.Exit(1)
}

// dying is a collector's store, publisher and channel, which kill their
// process.
type dying struct {
	*store.Store
	people string
	point  int
	passes int64
	left   atomic.Int64
	newest atomic.Int64 // time of the newest reading committed
	passed atomic.Int64 // points, whichever they were
}

func (d *dying) run(path, listen, external string) (err error) {
	ctx := context.Background()
	log := slog.New(slog.NewTextHandler(os.Stderr, nil))
	if d.Store, err = store.Open(ctx, path); err != nil {
		return err
	}
	if err := d.UseRules(ctx, exposure.Version); err != nil {
		return err
	}
	latest, err := d.Latest(ctx)
	if err != nil {
		return err
	}
	for _, t := range latest {
		d.newest.Store(max(d.newest.Load(), int64(t)))
	}
	sender := notify.New(notify.Config{
		Store: d, Nobody: dyingChannel{d}, Now: time.Now, Log: log,
		Meaning: func(finding.Kind) notify.Meaning { return notify.Meaning{} },
		Place:   func(_ context.Context, station string) (notify.Place, error) { return notify.Place{Name: station}, nil },
	})
	folder := fold.New(fold.Config{Store: d, Now: d.now, Log: log, Sent: sender.Wake})
	states := intake.NewStates(d, time.Now, log)
	in := intake.New(intake.Config{Store: d, Now: time.Now, Committed: folder.Wake, States: states, Log: log})
	if external != "" {
		x, err := intake.Connect(ctx, intake.BrokerConfig{URL: "tcp://" + external, User: "collector", Password: "of the test"}, in)
		if err != nil {
			return err
		}
		in.SetPublisher(dyingPublisher{x, d})
		for !x.Connected() {
			time.Sleep(time.Millisecond)
		}
	} else {
		front, err := broker.Listen(broker.Config{
			Addr: listen,
			Authenticate: func(ctx context.Context, station string, password []byte) (string, bool) {
				s, err := d.Station(ctx, station)
				return station, err == nil && s.Secret.Password() == string(password)
			},
			Handle: func(ctx context.Context, station, leaf string, payload []byte) error {
				if leaf != receipt.LeafReadings {
					states.Take(station, payload, false)
					return nil
				}
				return in.Handle(ctx, station, payload)
			},
			Take: in.Take,
			Log:  log,
		})
		if err != nil {
			return err
		}
		in.SetPublisher(dyingPublisher{front, d})
	}
	fmt.Println("there")
	ended := make(chan error)
	go func() { ended <- d.idle() }()
	for _, part := range []func(context.Context) error{in.Run, states.Run, folder.Run, sender.Run} {
		go func() { ended <- part(ctx) }()
	}
	return <-ended
}

// now is the clock of folding: that of the logs, so that what they say holds
// now, and people are told.
func (d *dying) now() time.Time { return time.Unix(0, d.newest.Load()) }

// idle returns when no point has been passed for as long as agents may take to
// come, and to come back.
func (d *dying) idle() error {
	for passed := int64(-1); ; time.Sleep(4 * time.Second) {
		if now := d.passed.Load(); now == passed {
			return errors.New("nothing to do")
		} else {
			passed = now
		}
	}
}

// pass dies at the point, when it was passed often enough.
func (d *dying) pass(point int, fresh bool) {
	d.passed.Add(1)
	if d.point != point || d.left.Add(-1) >= 0 {
		return
	}
	fmt.Printf("dying %d %t\n", time.Now().UnixNano(), fresh)
	_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
	select {} // until it has come
}

// Commit and the others are what the parts of a collector call.

func (d *dying) Commit(ctx context.Context, a []record.Arrival) ([]record.Outcome, error) {
	d.pass(beforeCommit, false)
	outcomes, err := d.Store.Commit(ctx, a)
	for i := range a {
		for j := range a[i].Batch.Readings {
			d.newest.Store(max(d.newest.Load(), int64(a[i].Batch.Readings[j].Time)))
		}
	}
	for i := range outcomes {
		if outcomes[i].Stored > 0 {
			d.pass(beforeReceipt, true) // it never had a receipt
			break
		}
	}
	return outcomes, err
}

func (d *dying) CommitFold(ctx context.Context, folds ...record.Folded) error {
	err := d.Store.CommitFold(ctx, folds...)
	if slices.ContainsFunc(folds, func(f record.Folded) bool { return len(f.Hours) > 0 }) {
		d.pass(afterFold, false)
	}
	return err
}

// hook lets transactions end amid their rows, and when all are written but
// none is committed.
func (d *dying) hook(conn sqlite.ExecQuerierContext, _ string) error {
	h, ok := conn.(sqlite.HookRegisterer)
	if !ok {
		return errors.New("this driver has no hooks")
	}
	const none = -1
	amid, at := none, none // of this connection's transaction
	h.RegisterPreUpdateHook(func(row sqlite.SQLitePreUpdateData) {
		switch row.TableName {
		case "batch":
			amid, at = amidCommit, atCommit
		case "ledger_day":
			amid, at = amidFold, atFold
		}
		d.pass(amid, false)
	})
	h.RegisterCommitHook(func() int32 {
		d.pass(at, false)
		amid, at = none, none
		return 0
	})
	h.RegisterRollbackHook(func() { amid, at = none, none })
	return nil
}

type dyingPublisher struct {
	intake.Publisher
	d *dying
}

func (p dyingPublisher) PublishReceipt(station string, payloads ...[]byte) error {
	err := p.Publisher.PublishReceipt(station, payloads...)
	p.d.pass(beforePuback, false)
	return err
}

// dyingChannel tells people by a file.
type dyingChannel struct{ d *dying }

func (c dyingChannel) Send(_ context.Context, m record.Message) error {
	f, err := os.OpenFile(c.d.people, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = f.WriteString(m.EventID + "\n")
	if err = errors.Join(err, f.Close()); err == nil {
		c.d.pass(beforeMark, false)
	}
	return err
}
