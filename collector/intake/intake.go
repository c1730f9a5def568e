// Package intake takes stations' messages to disk: decode, commit (a), then
// the receipt, then the acknowledgement, in this order. It keeps no state of
// its own; killed anywhere, the station sends again and the store knows what
// it has.
package intake

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync/atomic"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

const (
	groupFor      = 5 * time.Millisecond // a commit waits for company this long
	groupReadings = 4000                 // and no longer than for this many
	queueMessages = 1024                 // beyond, stations wait
)

// Store commits arrivals: all of them in one transaction, durable when it
// returns nil. Outcomes are in the order of the arrivals.
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
	Messages, Readings int64 // handled
	Commits, Failures  int64
	CommitNS           int64 // spent in commits
}

// Intake groups messages into commits.
type Intake struct {
	cfg       Config
	queue     chan job
	publisher atomic.Pointer[Publisher]

	messages, readings, commits, failures, commitNS atomic.Int64
}

// job is one decoded message and who waits for it.
type job struct {
	arrival record.Arrival
	done    func(error)
}

// New makes an Intake; Run starts it.
func New(cfg Config) *Intake {
	return &Intake{cfg: cfg, queue: make(chan job, queueMessages)}
}

// SetPublisher says where receipts go. Until then none are sent.
func (in *Intake) SetPublisher(p Publisher) { in.publisher.Store(&p) }

// Stats returns the totals so far.
func (in *Intake) Stats() Stats {
	return Stats{
		Messages: in.messages.Load(), Readings: in.readings.Load(),
		Commits: in.commits.Load(), Failures: in.failures.Load(), CommitNS: in.commitNS.Load(),
	}
}

// Handle takes one message of readings and returns when it is on disk, or an
// error when it is not.
func (in *Intake) Handle(ctx context.Context, station string, payload []byte) error {
	done := make(chan error, 1)
	if err := in.Submit(ctx, station, payload, func(err error) { done <- err }); err != nil {
		return err
	}
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Submit queues one message and calls done, once, when it is on disk or can't
// be put there. It blocks while the queue is full. Messages are committed in
// the order in which they were submitted.
func (in *Intake) Submit(ctx context.Context, station string, payload []byte, done func(error)) error {
	now := unit.At(in.cfg.Now())
	j := job{record.Arrival{Station: station, At: now, Batch: reading.Decode(station, payload, now)}, done}
	select {
	case in.queue <- j:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Run commits until ctx ends.
func (in *Intake) Run(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case j := <-in.queue:
			in.commit(ctx, in.group(j))
		}
	}
}

// group collects what arrives together with the first job.
func (in *Intake) group(first job) []job {
	jobs := []job{first}
	n := first.size()
	timer := time.NewTimer(groupFor)
	defer timer.Stop()
	for n < groupReadings {
		select {
		case j := <-in.queue:
			jobs = append(jobs, j)
			n += j.size()
		case <-timer.C:
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
	in.failures.Add(1)
	in.cfg.Log.Error("commit failed", "messages", len(jobs), "error", err)
	if len(jobs) == 1 {
		jobs[0].done(err)
		return
	}
	for i := range jobs {
		if err := in.try(ctx, jobs[i:i+1]); err != nil {
			in.failures.Add(1)
			jobs[i].done(fmt.Errorf("commit readings of %s: %w", jobs[i].arrival.Station, err))
		}
	}
}

func (in *Intake) try(ctx context.Context, jobs []job) error {
	arrivals := make([]record.Arrival, len(jobs))
	n := 0
	for i := range jobs {
		arrivals[i] = jobs[i].arrival
		n += jobs[i].size()
	}
	began := time.Now()
	outcomes, err := in.cfg.Store.Commit(ctx, arrivals)
	if err != nil {
		return err
	}
	in.commitNS.Add(int64(time.Since(began)))
	in.commits.Add(1)
	in.messages.Add(int64(len(jobs)))
	in.readings.Add(int64(n))
	in.receipts(ctx, outcomes)
	for i := range jobs {
		jobs[i].done(nil)
	}
	if in.cfg.Committed != nil {
		in.cfg.Committed()
	}
	return nil
}

// receipts tells stations how far their runs are settled: one receipt for each
// run that was named, also when it did not move. A receipt that can't be sent
// is not lost: the station sends again, and gets another.
func (in *Intake) receipts(ctx context.Context, outcomes []record.Outcome) {
	publisher := in.publisher.Load()
	if publisher == nil {
		return
	}
	type key struct{ station, run string }
	upto := map[key]int64{}
	var order []key
	for _, o := range outcomes {
		for _, r := range o.Runs {
			k := key{o.Station, r.Run}
			if _, ok := upto[k]; !ok {
				order = append(order, k)
			}
			upto[k] = max(upto[k], r.Upto)
		}
	}
	secrets := map[string]receipt.Secret{}
	for _, k := range order {
		if _, ok := secrets[k.station]; !ok {
			st, err := in.cfg.Store.Station(ctx, k.station)
			if err != nil && !errors.Is(err, record.ErrNotFound) {
				in.cfg.Log.Error("no receipt: station can't be looked up", "station", k.station, "error", err)
			}
			secrets[k.station] = st.Secret
		}
		if secrets[k.station].IsZero() {
			continue
		}
		r := secrets[k.station].Receipt(k.station, k.run, upto[k])
		if err := (*publisher).PublishReceipt(k.station, r.JSON()); err != nil {
			in.cfg.Log.Warn("receipt not sent", "station", k.station, "error", err)
		}
	}
}
