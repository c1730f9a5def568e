// Package notify takes messages from the outbox to people. A message leaves
// the outbox only when its channel has taken it; killed in between, it goes
// out once more under the same id. Messages go out in the order in which they
// were written: one that its channel doesn't take holds up those behind it.
package notify

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/unit"
)

const (
	atOnce     = 100
	firstRetry = time.Second
	lastRetry  = 5 * time.Minute
	look       = time.Minute // for messages of another collector
)

// Store is the outbox.
type Store interface {
	Unsent(ctx context.Context, limit int) ([]record.Message, error)
	MarkSent(ctx context.Context, eventID string, at unit.Instant) error
}

// Channel hands one message to people. nil means that it has been taken.
type Channel interface {
	Send(ctx context.Context, m record.Message) error
}

// Sender empties the outbox.
type Sender struct {
	// Ask is received from while the sender waits: who can send knows that it
	// goes on. Nil for nobody; to be set before Run.
	Ask <-chan struct{}
	// OnDuty tells whether this collector is the one that sends; nil: it is. To be
	// set before Run.
	OnDuty func(ctx context.Context) (bool, error)

	store   Store
	channel Channel
	now     func() time.Time
	log     *slog.Logger
	wake    chan struct{}
	taken   map[string]bool // ids that the channel has taken and the store has not marked; Run's
}

// New makes a Sender; Run starts it.
func New(store Store, channel Channel, now func() time.Time, log *slog.Logger) *Sender {
	return &Sender{store: store, channel: channel, now: now, log: log, wake: make(chan struct{}, 1), taken: make(map[string]bool)}
}

// Wake says that there is something to send. It never blocks.
func (s *Sender) Wake() {
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// Run sends until ctx ends. A failure is logged and tried again, later and
// later, whatever else there is to send meanwhile.
func (s *Sender) Run(ctx context.Context) error {
	retry := firstRetry
	for {
		err := s.all(ctx)
		if ctx.Err() != nil {
			return nil
		}
		if err == nil {
			retry = firstRetry
			s.wait(ctx, look, s.wake)
			continue
		}
		s.log.Error("messages are not sent, they will be tried again", "in", retry, "error", err)
		s.wait(ctx, retry, nil)
		retry = min(2*retry, lastRetry)
	}
}

func (s *Sender) wait(ctx context.Context, d time.Duration, wake <-chan struct{}) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	for {
		select {
		case <-s.Ask:
			continue
		case <-ctx.Done():
		case <-timer.C:
		case <-wake:
		}
		return
	}
}

func (s *Sender) all(ctx context.Context) error {
	for {
		if s.OnDuty != nil {
			if on, err := s.OnDuty(ctx); err != nil || !on {
				return err
			}
		}
		messages, err := s.store.Unsent(ctx, atOnce)
		if err != nil {
			return fmt.Errorf("read the outbox: %w", err)
		}
		if len(messages) == 0 {
			clear(s.taken) // marked, whatever MarkSent said
			return nil
		}
		for _, m := range messages {
			if err := s.one(ctx, m); err != nil {
				return err
			}
		}
	}
}

// one sends a message, unless that is done and only the mark is missing.
func (s *Sender) one(ctx context.Context, m record.Message) error {
	if !s.taken[m.EventID] {
		if err := s.channel.Send(ctx, m); err != nil {
			return fmt.Errorf("send %s: %w", m.EventID, err)
		}
		s.taken[m.EventID] = true
	}
	if err := s.store.MarkSent(ctx, m.EventID, unit.At(s.now())); err != nil {
		return fmt.Errorf("mark %s as sent: %w", m.EventID, err)
	}
	delete(s.taken, m.EventID)
	return nil
}

// Log is the channel that writes messages to a log.
type Log struct{ Logger *slog.Logger }

// Send writes one line.
func (l Log) Send(_ context.Context, m record.Message) error {
	l.Logger.Warn("needs a person", "event", m.EventID, "station", m.Station, "kind", m.Kind, "number", m.Number,
		"created", m.Created.String(), "body", m.Body)
	return nil
}
