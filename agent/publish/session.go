package publish

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"sync"
	"time"

	"dewpost/rules/receipt"
)

const (
	// linger is how long a part-filled batch waits for more when others are
	// on their way already.
	linger = time.Second
	// mostLive is how many records a live batch has at most: the newest ones.
	mostLive = 8
	// busyPause is the wait when the broker holds back its PUBACKs.
	busyPause = 100 * time.Millisecond
)

// session is the use of one connection. All but the inbox belongs to run's
// goroutine.
type session struct {
	cfg    Config
	spool  Spool
	secret receipt.Secret
	runID  string
	conn   int64
	link   link
	inbox  inbox
	window *window
	since  time.Time // when the part-filled batch was first seen; zero: none
	report time.Time // when the state is due

	foreign bool // a receipt that is not ours was mentioned
	heard   func(time.Time)
}

func newSession(p *Publisher, conn int64) *session {
	return &session{
		cfg: p.cfg, spool: p.spool, secret: p.cfg.Secret(), runID: p.spool.Run(), conn: conn,
		inbox:  inbox{ready: make(chan struct{}, 1)},
		window: newWindow(p.cfg.InFlight, p.cfg.Retry, p.delay),
		heard:  func(t time.Time) { p.note(func(l *Link) { l.Receipt = t }) },
	}
}

// inbox keeps arrived messages for the session; its put never blocks for
// long, as the client library demands.
type inbox struct {
	ready chan struct{}

	mu   sync.Mutex
	list []message
}

// maxInbox bounds what a broker gone mad can make the agent hold.
const maxInbox = 1000

func (b *inbox) put(m message) {
	b.mu.Lock()
	if len(b.list) < maxInbox {
		b.list = append(b.list, m)
	}
	b.mu.Unlock()
	select {
	case b.ready <- struct{}{}:
	default:
	}
}

func (b *inbox) take() []message {
	b.mu.Lock()
	defer b.mu.Unlock()
	list := b.list
	b.list = nil
	return list
}

// gone is the state that the broker publishes when the connection breaks, and
// the session itself when it is stopped.
func (s *session) gone() []byte {
	b, err := json.Marshal(struct {
		Gone bool   `json:"gone"`
		Run  string `json:"run"`
		Conn int64  `json:"conn"`
	}{true, s.runID, s.conn})
	if err != nil {
		panic("publish: a flag, a string and a number: " + err.Error())
	}
	return b
}

// run publishes until the connection or ctx ends.
func (s *session) run(ctx context.Context) error {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		// Watch before looking, so that no change goes unseen.
		changed := s.spool.Watch()
		wake, err := s.step(time.Now())
		if err != nil {
			return err
		}
		timer.Reset(max(0, time.Until(wake)))
		select {
		case <-ctx.Done():
			return s.leave()
		case <-s.link.lost():
			return fmt.Errorf("%w: %w", errLost, s.link.cause())
		case <-s.inbox.ready:
		case <-changed:
		case <-timer.C:
		}
	}
}

// leave says goodbye: a stop is no silence.
func (s *session) leave() error {
	return s.link.send(receipt.Topic(s.cfg.Station, receipt.LeafState), true, s.gone())
}

// step does what is to be done now, and returns when it must be called again
// at the latest.
func (s *session) step(now time.Time) (wake time.Time, err error) {
	for _, m := range s.inbox.take() {
		if m.order {
			if s.cfg.Order != nil && s.cfg.Order(s.secret, m.payload) {
				s.report = now
			}
			continue
		}
		if err := s.receipt(m); err != nil {
			return now, err
		}
	}
	if seq, ok := s.window.dead(); ok {
		if err := s.bury(seq); err != nil {
			return now, err
		}
	}
	deaf, asked := s.window.deaf()
	if asked && !now.Before(deaf) {
		return now, fmt.Errorf("%w for %s", errDeaf, silence*s.cfg.Retry)
	}
	if s.window.expire(now) {
		s.log().Info("sending again", "from", s.window.upto+1, "next_after", s.window.delay)
	}
	wake, err = s.fill(now)
	if errors.Is(err, errBusy) {
		return now.Add(busyPause), nil
	}
	if err != nil {
		return now, err
	}
	if !now.Before(s.report) {
		if s.cfg.Secret() != s.secret {
			return now, errNewSecret
		}
		if err := s.reportState(now); err != nil {
			return now, err
		}
	}
	if asked {
		wake = earliest(wake, deaf)
	}
	return earliest(wake, s.report), nil
}

// errNewSecret ends a connection that stands by a secret that was replaced.
var errNewSecret = errors.New("the secret has changed")

// errDeaf ends a connection over which nothing comes back.
var errDeaf = errors.New("readings were sent and no receipt came")

func (s *session) log() *slog.Logger { return s.cfg.Log.With("station", s.cfg.Station) }

func earliest(a, b time.Time) time.Time {
	if !a.IsZero() && a.Before(b) {
		return a
	}
	return b
}

// receipt takes in one message on the receipt topic.
func (s *session) receipt(m message) error {
	r, err := s.secret.Verify(s.cfg.Station, m.payload)
	if err != nil {
		if !s.foreign { // while the secret is being changed, there is one with every receipt
			s.log().Warn("receipt refused; others will not be mentioned", "err", err)
		}
		s.foreign = true
		return nil
	}
	if r.Run != s.runID {
		s.log().Debug("receipt of another run", "run", r.Run)
		return nil
	}
	s.window.receipt(r.Upto, !m.retained, time.Now())
	if !m.retained {
		s.heard(time.Now())
	}
	if err := s.spool.Forget(r.Upto); err != nil {
		return fmt.Errorf("forget receipted records: %w", err)
	}
	return nil
}

func (s *session) bury(seq int64) error {
	s.log().Error("record given up: sent often and never receipted; it goes to the spool's file dead", "seq", seq)
	if err := s.spool.Bury(seq); err != nil {
		return err
	}
	s.window.buried()
	return nil
}

// fill sends batches while there is room and something to send. It returns
// when the window or a lingering batch wants attention, or zero.
func (s *session) fill(now time.Time) (time.Time, error) {
	for s.window.room() {
		payload, first, last, full, err := batch(s.spool, s.window.cursor, math.MaxInt64, s.window.limit())
		if err != nil {
			return now, err
		}
		if len(payload) == 0 {
			s.since = time.Time{}
			break
		}
		if full {
			if _, err := s.sendLive(now); err != nil {
				return now, err
			}
		}
		if !full && !s.window.idle() {
			if s.since.IsZero() {
				s.since = now
			}
			if ready := s.since.Add(linger); now.Before(ready) {
				due, _ := s.window.due()
				return earliest(due, ready), nil
			}
		}
		if err := s.send(payload); err != nil {
			return now, err
		}
		s.window.sent(first, last, len(payload), now)
		s.since = time.Time{}
	}
	due, _ := s.window.due()
	if s.window.room() {
		return due, nil // all of it is sent
	}
	live, err := s.sendLive(now)
	if live.IsZero() {
		return due, err
	}
	return earliest(due, live), err
}

func (s *session) send(batch []byte) error {
	return s.link.send(receipt.Topic(s.cfg.Station, receipt.LeafReadings), false, batch)
}

// sendLive sends the newest records when the pass has others before it. It
// returns when there will be some to send, or zero.
func (s *session) sendLive(now time.Time) (time.Time, error) {
	newest := s.spool.Last()
	after, at, ok := s.window.wantsLive(newest)
	if !ok {
		return time.Time{}, nil
	}
	if now.Before(at) {
		return at, nil
	}
	payload, _, last, _, err := batch(s.spool, max(after, newest-mostLive), newest, receipt.MaxBatch)
	if err != nil || len(payload) == 0 {
		return time.Time{}, err
	}
	if err := s.send(payload); err != nil {
		return time.Time{}, err
	}
	s.window.sentLive(last, now)
	return time.Time{}, nil
}

func (s *session) reportState(now time.Time) error {
	b, err := s.cfg.State(s.conn)
	if err != nil {
		return fmt.Errorf("describe the state: %w", err)
	}
	if err := s.link.send(receipt.Topic(s.cfg.Station, receipt.LeafState), true, b); err != nil {
		if errors.Is(err, errBusy) {
			s.report = now.Add(busyPause)
			return nil
		}
		return err
	}
	s.report = now.Add(s.cfg.Report)
	return nil
}
