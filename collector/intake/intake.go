// Package intake takes stations' messages to disk: decode, commit (a), then
// the receipt, then the acknowledgement, in this order. It keeps no state that
// matters; killed anywhere, the station sends again and the store knows what
// it has.
//
// Messages that arrive together are committed together, because a commit costs
// a sync of the disk whatever its size. Small ones, which are what stations send
// that are up to date, have memory of their own and half of every commit before
// the large ones of backlogs: a hundred stations that send a week each don't
// keep the others waiting, nor are they kept waiting for ever. They come from the embedded broker
// through Handle, or from another one through External.
package intake

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

const (
	groupFor      = 5 * time.Millisecond // a commit waits for company this long
	groupReadings = 16_000               // and no longer than for this many: several messages of a station cost little more than one
	smallBytes    = 8 << 20              // of small messages that are decoded and not yet on disk; beyond, stations wait
	smallPages    = 4                    // that a small one takes at most
	largeBytes    = 24 << 20             // of large ones
	readingBytes  = 128                  // that a decoded reading takes
	giveUpAfter   = 3                    // messages of a station, or stations, in a row that can't be committed alone either
	logEvery      = time.Second          // of what may come with every message

	// After a start every station is told again how far its run is settled: 500
	// a second, in steps of a millisecond or two.
	againEvery  = 50 * time.Millisecond
	againAtOnce = 25
)

// ErrStopped is returned for a message that came after the end.
var ErrStopped = errors.New("intake has stopped")

// Store commits arrivals: all of them in one transaction, durable when it
// returns nil. Outcomes are in the order of the arrivals. Station returns
// record.ErrNotFound for who isn't enrolled.
type Store interface {
	Commit(ctx context.Context, arrivals []record.Arrival) ([]record.Outcome, error)
	Station(ctx context.Context, id string) (record.Station, error)
	// Settled tells how far the newest runs of stations in service are settled,
	// by id, behind the given one.
	Settled(ctx context.Context, after string, limit int) ([]record.Outcome, error)
}

// Publisher sends a receipt to a station, retained. While the station's secret
// is being changed there are two: the last is the one of the new secret, and
// the one that stays.
type Publisher interface {
	PublishReceipt(station string, payloads ...[]byte) error
}

// Config is what an Intake needs.
type Config struct {
	Store     Store
	Now       func() time.Time // collector's clock
	Committed func()           // called after each commit; may be nil
	States    *States          // keeps states that an External hears; nil: nobody
	// Ask is received from between two commits: who can send knows that it goes
	// on. Nil for nobody.
	Ask <-chan struct{}
	Log *slog.Logger
}

// Stats are running totals of an Intake.
type Stats struct {
	Messages, Readings    int64 // on disk; refused readings are included, they are in quarantine
	Refused               int64 // of these readings, refused when decoded
	Commits, Failures     int64
	CommitNS              int64 // spent in commits
	CommitTimes           Durations
	Waiting, WaitingBytes int64 // messages decoded and not yet on disk: now
	Receipts, Unreceipted int64 // receipts handed over; those that could not be
	Foreign               int64 // messages on a topic that is no station's
}

// Intake groups messages into commits.
type Intake struct {
	cfg       Config
	small     line // messages of a few pages
	large     line
	stopped   chan struct{} // closed when Run has returned
	publisher atomic.Pointer[Publisher]

	committed chan committed // to be told, in order
	secrets   secrets        // tell's

	saying sync.Mutex
	logged time.Time
	unsaid int

	messages, readings, refused, commits, failures atomic.Int64
	waiting, receipts, unreceipted, foreign        atomic.Int64
	times                                          stopwatch
}

// line is where messages wait for a commit, in order.
type line struct {
	queue chan job
	room  budget
}

func newLine(bytes int) line {
	return line{make(chan job, bytes/pageBytes), newBudget(bytes)} // never full: each job holds a page
}

// job is one decoded message and who waits for it.
type job struct {
	arrival record.Arrival
	queued  time.Time
	pages   int // of the budget
	of      *line
	done    func(error)
}

// committed is what is on disk, and not yet said to be.
type committed struct {
	jobs     []job
	outcomes []record.Outcome
}

// New makes an Intake; Run starts it.
func New(cfg Config) *Intake {
	return &Intake{
		cfg: cfg, small: newLine(smallBytes), large: newLine(largeBytes), stopped: make(chan struct{}), committed: make(chan committed),
		secrets: secrets{store: cfg.Store, known: make(map[string]known)},
	}
}

// SetPublisher says where receipts go. Until then none are sent.
func (in *Intake) SetPublisher(p Publisher) { in.publisher.Store(&p) }

// ForgetSecrets makes it look up the secrets of stations anew: some changed.
func (in *Intake) ForgetSecrets() { in.secrets.stale.Store(true) }

// Stats returns the totals so far.
func (in *Intake) Stats() Stats {
	times, sum := in.times.read()
	return Stats{
		Messages: in.messages.Load(), Readings: in.readings.Load(), Refused: in.refused.Load(),
		Commits: in.commits.Load(), Failures: in.failures.Load(), CommitNS: int64(sum), CommitTimes: times,
		Waiting: in.waiting.Load(), WaitingBytes: int64(in.small.room.used()+in.large.room.used()) * pageBytes,
		Receipts: in.receipts.Load(), Unreceipted: in.unreceipted.Load(), Foreign: in.foreign.Load(),
	}
}

// Handle takes one message of readings and returns when it is on disk, or an
// error when it is not, or not yet.
func (in *Intake) Handle(ctx context.Context, station string, payload []byte) error {
	done := make(chan error, 1)
	if err := in.Take(ctx, station, payload, func(err error) { done <- err }); err != nil {
		return err
	}
	return in.wait(ctx, done)
}

// wait returns what done says, or an error when it will not say anything.
func (in *Intake) wait(ctx context.Context, done <-chan error) error {
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	case <-in.stopped:
	}
	select {
	case err := <-done: // by the very last commit
		return err
	default:
		return ErrStopped
	}
}

// Take queues one message and calls done, at most once, when it is on disk
// or can't be put there; never after the end. It blocks while there is no
// room. Small messages are committed in the order in which they were taken, and so
// are large ones. done must not block.
func (in *Intake) Take(ctx context.Context, station string, payload []byte, done func(error)) error {
	of := &in.small
	pages := in.large.room.pages(len(payload) + readingBytes*bytes.Count(payload, []byte{'\n'}))
	if pages > smallPages {
		of = &in.large
	}
	if err := of.room.take(ctx, in.stopped, pages); err != nil {
		return err
	}
	now := unit.At(in.cfg.Now())
	in.waiting.Add(1)
	of.queue <- job{
		arrival: record.Arrival{Station: station, At: now, Batch: reading.Decode(station, payload, now)},
		queued:  time.Now(), pages: pages, of: of, done: done,
	}
	return nil
}

// Run commits until ctx ends. It must be called once.
func (in *Intake) Run(ctx context.Context) error {
	defer close(in.stopped)
	var telling sync.WaitGroup
	telling.Go(func() { in.tell(ctx) })
	defer telling.Wait()
	defer close(in.committed)
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-in.cfg.Ask:
		case j := <-in.small.queue:
			in.commit(ctx, in.group(ctx, j))
		case j := <-in.large.queue:
			in.commit(ctx, in.group(ctx, j))
		}
	}
}

// tell sends receipts and says that messages are on disk while the next commit is
// under way, of which a disk or a server takes the most. One after the other, so
// that no receipt is overtaken by an older one.
func (in *Intake) tell(ctx context.Context) {
	again := time.NewTicker(againEvery)
	defer again.Stop()
	for last := ""; ; {
		select {
		case c, ok := <-in.committed:
			if !ok {
				return
			}
			in.sendReceipts(ctx, c.outcomes)
			in.finish(c.jobs, nil)
			if in.cfg.Committed != nil {
				in.cfg.Committed()
			}
		case <-again.C:
			if done := in.receiptsAgain(ctx, &last); done {
				again.Stop()
			}
		}
	}
}

// receiptsAgain sends, for some stations behind the last one, the receipt of
// their newest run: a broker may have forgotten it, and an agent that waits for
// one would send what is on disk. It returns true when all had theirs.
func (in *Intake) receiptsAgain(ctx context.Context, last *string) bool {
	outcomes, err := in.cfg.Store.Settled(ctx, *last, againAtOnce)
	if err != nil {
		in.complain("receipts not sent again", "error", err)
		return false
	}
	in.sendReceipts(ctx, outcomes)
	if len(outcomes) < againAtOnce {
		return true
	}
	*last = outcomes[len(outcomes)-1].Station
	return false
}

// group collects what arrives together with the first job. What has waited
// for the previous commit already is not kept waiting again.
func (in *Intake) group(ctx context.Context, first job) []job {
	jobs := []job{first}
	n := first.size()
	timer := time.NewTimer(time.Until(first.queued.Add(groupFor)))
	defer timer.Stop()
	add := func(j job) {
		jobs = append(jobs, j)
		n += j.size()
	}
	for n < groupReadings {
		rather, or := in.small.queue, in.large.queue
		if n >= groupReadings/2 {
			rather, or = or, rather
		}
		select {
		case j := <-rather:
			add(j)
			continue
		default:
		}
		select {
		case j := <-or:
			add(j)
			continue
		default:
		}
		select {
		case j := <-rather:
			add(j)
		case j := <-or:
			add(j)
		case <-timer.C:
			return jobs
		case <-ctx.Done():
			return jobs
		}
	}
	return jobs
}

func (j *job) size() int { return len(j.arrival.Batch.Readings) + len(j.arrival.Batch.Refused) }

// commit puts jobs on disk together, or, when that fails, each alone: one bad
// message must not hold up the others.
func (in *Intake) commit(ctx context.Context, jobs []job) {
	err := in.try(ctx, jobs)
	if err == nil {
		return
	}
	in.complain("commit failed", "messages", len(jobs), "error", err)
	if len(jobs) == 1 {
		in.finish(jobs, err)
		return
	}
	failed := make(map[string]int) // by station, in a row
	for i := range jobs {
		station := jobs[i].arrival.Station
		// Else the store is down, or what it has of the station is damaged: that has
		// several messages under way, and is no reason to turn others away.
		if len(failed) < giveUpAfter && failed[station] < giveUpAfter {
			if err = in.try(ctx, jobs[i:i+1]); err == nil {
				clear(failed)
				continue
			}
			failed[station]++
		}
		in.finish(jobs[i:i+1], fmt.Errorf("commit readings of %s: %w", station, err))
	}
}

// try commits jobs, and hands them to tell. On an error they are not done.
func (in *Intake) try(ctx context.Context, jobs []job) error {
	arrivals := make([]record.Arrival, len(jobs))
	for i := range jobs {
		arrivals[i] = jobs[i].arrival
	}
	began := time.Now()
	outcomes, err := in.cfg.Store.Commit(ctx, arrivals)
	if err != nil {
		in.failures.Add(1)
		return err
	}
	in.times.add(time.Since(began))
	in.commits.Add(1)
	for i := range jobs {
		if jobs[i].arrival.Station == record.WatchStation {
			continue // nobody's reading
		}
		in.messages.Add(1)
		in.readings.Add(int64(jobs[i].size()))
		in.refused.Add(int64(len(jobs[i].arrival.Batch.Refused)))
	}
	in.committed <- committed{jobs, outcomes}
	return nil
}

func (in *Intake) finish(jobs []job, err error) {
	for i := range jobs {
		in.waiting.Add(-1)
		jobs[i].of.room.give(jobs[i].pages)
		jobs[i].done(err)
	}
}

// sendReceipts tells stations how far their runs are settled: one receipt for
// each run that was named, also when it did not move. A receipt that can't be
// sent is no loss: the station sends its readings again, and gets another.
func (in *Intake) sendReceipts(ctx context.Context, outcomes []record.Outcome) {
	publisher := in.publisher.Load()
	if publisher == nil {
		return
	}
	for _, r := range settled(outcomes) {
		secrets, err := in.secrets.of(ctx, r.station)
		if err == nil {
			err = (*publisher).PublishReceipt(r.station, r.signed(secrets)...)
		}
		if err != nil {
			in.unreceipted.Add(1)
			in.complain("receipt not sent", "station", r.station, "run", r.run, "error", err)
			continue
		}
		in.receipts.Add(1)
	}
}

// complain logs, but not more often than a log can bear while the store or the
// broker is down. The totals count all of it.
func (in *Intake) complain(msg string, args ...any) {
	in.saying.Lock()
	defer in.saying.Unlock()
	if time.Since(in.logged) < logEvery {
		in.unsaid++
		return
	}
	if in.unsaid > 0 {
		args = append(args, "lines_left_out", in.unsaid)
	}
	in.logged, in.unsaid = time.Now(), 0
	in.cfg.Log.Error(msg, args...)
}

type settledRun struct {
	station, run string
	upto         int64
}

// signed returns the run's receipt, signed with each secret.
func (r *settledRun) signed(secrets []receipt.Secret) [][]byte {
	list := make([][]byte, len(secrets))
	for i, secret := range secrets {
		list[i] = secret.Receipt(r.station, r.run, r.upto).JSON()
	}
	return list
}

// settled lists the runs that outcomes name, each once, in the order of their
// first arrival.
func settled(outcomes []record.Outcome) []settledRun {
	type key struct{ station, run string }
	var list []settledRun
	at := make(map[key]int)
	for _, o := range outcomes {
		for _, r := range o.Runs {
			i, ok := at[key{o.Station, r.Run}]
			if !ok {
				i = len(list)
				at[key{o.Station, r.Run}] = i
				list = append(list, settledRun{o.Station, r.Run, r.Upto})
			}
			list[i].upto = max(list[i].upto, r.Upto)
		}
	}
	return list
}
