// Package intake takes stations' messages to disk: decode, commit (a), then
// the receipt, then the acknowledgement, in this order. It keeps no state that
// matters; killed anywhere, the station sends again and the store knows what
// it has.
//
// Messages that arrive together are committed together, because a commit costs
// a sync of the disk whatever its size. They come from the embedded broker
// through Handle, or from another one through External.
package intake

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync/atomic"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

const (
	groupFor      = 5 * time.Millisecond // a commit waits for company this long
	groupReadings = 4000                 // and no longer than for this many
	queueBytes    = 32 << 20             // of messages that are decoded and not yet on disk; beyond, stations wait
	readingBytes  = 128                  // that a decoded reading takes
	giveUpAfter   = 3                    // messages in a row that can't be committed alone either
	logEvery      = time.Second          // of what may come with every message
)

// ErrStopped is returned for a message that came after the end.
var ErrStopped = errors.New("intake has stopped")

// Store commits arrivals: all of them in one transaction, durable when it
// returns nil. Outcomes are in the order of the arrivals. Station returns
// record.ErrNotFound for who isn't enrolled.
type Store interface {
	Commit(ctx context.Context, arrivals []record.Arrival) ([]record.Outcome, error)
	Station(ctx context.Context, id string) (record.Station, error)
}

// Publisher sends a receipt to a station, retained.
type Publisher interface {
	PublishReceipt(station string, payload []byte) error
}

// Config is what an Intake needs.
type Config struct {
	Store     Store
	Now       func() time.Time // collector's clock
	Committed func()           // called after each commit; may be nil
	Log       *slog.Logger
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
	queue     chan job
	room      budget
	stopped   chan struct{} // closed when Run has returned
	publisher atomic.Pointer[Publisher]

	// Run's:
	secrets secrets
	logged  time.Time
	unsaid  int

	messages, readings, refused, commits, failures atomic.Int64
	waiting, receipts, unreceipted, foreign        atomic.Int64
	times                                          stopwatch
}

// job is one decoded message and who waits for it.
type job struct {
	arrival record.Arrival
	queued  time.Time
	pages   int // of the budget
	done    func(error)
}

// New makes an Intake; Run starts it.
func New(cfg Config) *Intake {
	return &Intake{
		cfg: cfg, room: newBudget(queueBytes), stopped: make(chan struct{}),
		queue:   make(chan job, queueBytes/pageBytes), // never full: each job holds a page
		secrets: secrets{store: cfg.Store, known: make(map[string]known)},
	}
}

// SetPublisher says where receipts go. Until then none are sent.
func (in *Intake) SetPublisher(p Publisher) { in.publisher.Store(&p) }

// Stats returns the totals so far.
func (in *Intake) Stats() Stats {
	times, sum := in.times.read()
	return Stats{
		Messages: in.messages.Load(), Readings: in.readings.Load(), Refused: in.refused.Load(),
		Commits: in.commits.Load(), Failures: in.failures.Load(), CommitNS: int64(sum), CommitTimes: times,
		Waiting: in.waiting.Load(), WaitingBytes: int64(in.room.used()) * pageBytes,
		Receipts: in.receipts.Load(), Unreceipted: in.unreceipted.Load(), Foreign: in.foreign.Load(),
	}
}

// Handle takes one message of readings and returns when it is on disk, or an
// error when it is not, or not yet.
func (in *Intake) Handle(ctx context.Context, station string, payload []byte) error {
	done := make(chan error, 1)
	if err := in.submit(ctx, station, payload, func(err error) { done <- err }); err != nil {
		return err
	}
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

// submit queues one message and calls done, at most once, when it is on disk
// or can't be put there; never after the end. It blocks while there is no
// room. Messages are committed in the order in which they were submitted.
func (in *Intake) submit(ctx context.Context, station string, payload []byte, done func(error)) error {
	pages := in.room.pages(len(payload) + readingBytes*bytes.Count(payload, []byte{'\n'}))
	if err := in.room.take(ctx, in.stopped, pages); err != nil {
		return err
	}
	now := unit.At(in.cfg.Now())
	in.waiting.Add(1)
	in.queue <- job{
		arrival: record.Arrival{Station: station, At: now, Batch: reading.Decode(station, payload, now)},
		queued:  time.Now(), pages: pages, done: done,
	}
	return nil
}

// Run commits until ctx ends. It must be called once.
func (in *Intake) Run(ctx context.Context) error {
	defer close(in.stopped)
	for {
		select {
		case <-ctx.Done():
			return nil
		case j := <-in.queue:
			in.commit(ctx, in.group(ctx, j))
		}
	}
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
		select {
		case j := <-in.queue:
			add(j)
			continue
		default:
		}
		select {
		case j := <-in.queue:
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
	failed := 0
	for i := range jobs {
		if failed < giveUpAfter { // else the store is down
			if err = in.try(ctx, jobs[i:i+1]); err == nil {
				failed = 0
				continue
			}
			failed++
		}
		in.finish(jobs[i:i+1], fmt.Errorf("commit readings of %s: %w", jobs[i].arrival.Station, err))
	}
}

// try commits jobs, sends the receipts and then says that they are done. On an
// error they are not done.
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
		in.messages.Add(1)
		in.readings.Add(int64(jobs[i].size()))
		in.refused.Add(int64(len(jobs[i].arrival.Batch.Refused)))
	}
	in.sendReceipts(ctx, outcomes)
	in.finish(jobs, nil)
	if in.cfg.Committed != nil {
		in.cfg.Committed()
	}
	return nil
}

func (in *Intake) finish(jobs []job, err error) {
	for i := range jobs {
		in.waiting.Add(-1)
		in.room.give(jobs[i].pages)
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
		secret, err := in.secrets.of(ctx, r.station)
		if err == nil {
			err = (*publisher).PublishReceipt(r.station, secret.Receipt(r.station, r.run, r.upto).JSON())
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
