// Package watch sees whether the whole way is open: every minute the reading of
// an artificial station goes to the broker, comes in as any other, is judged by
// the rules with an answer that is known, and reaches the outbox. When it has,
// and only then, the watch calls an address outside, and answers who asks for the
// service manager. When calls stay away somebody outside knows; when nobody
// answers, the service manager ends the program and starts it anew.
//
// A call also waits while an urgent message is stuck: then nobody would hear of
// anything. The service manager isn't told of that: starting anew heals no mail
// server.
package watch

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"sync/atomic"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// What the artificial station reads: saturated air, which condenses.
const (
	tempC = 10
	rhPct = 100
)

// soundFor is for how much of the time between two rounds the way counts as open
// after one came through.
const soundFor = 1.5

// Config is what a Watch needs.
type Config struct {
	Every   time.Duration                                      // between two rounds
	Run     string                                             // names this start: 16 hex digits
	Publish func(ctx context.Context, payload []byte) error    // to the broker, as a station does
	Stuck   func(ctx context.Context) (stuck int64, err error) // urgent messages that nobody took
	Call    string                                             // URL that is called when a round came through; "": none
	Client  *http.Client
	Now     func() time.Time
	Log     *slog.Logger

	// Ask is received from while the way is open: who can send knows that it is.
	// Nil for nobody.
	Ask <-chan struct{}
}

// Stats are running totals of a Watch.
type Stats struct {
	Sent, Arrived, Called, Failed int64
	Last                          unit.Instant // when a round last came through; 0: none did
}

// Watch sends rounds and sees them come.
type Watch struct {
	cfg     Config
	arrived chan struct{}

	sent, came, called, failed, last atomic.Int64
}

// New makes a Watch; Run starts it.
func New(cfg Config) *Watch { return &Watch{cfg: cfg, arrived: make(chan struct{}, 1)} }

// Stats returns the totals so far.
func (w *Watch) Stats() Stats {
	return Stats{w.sent.Load(), w.came.Load(), w.called.Load(), w.failed.Load(), unit.Instant(w.last.Load())}
}

// Arrived is told what came out of the outbox. It never blocks.
func (w *Watch) Arrived(list []record.Round) {
	w.came.Add(int64(len(list)))
	w.last.Store(int64(unit.At(w.cfg.Now())))
	select {
	case w.arrived <- struct{}{}:
	default:
	}
}

// Run sends a round at once and then at every interval, until ctx ends. At the
// beginning the way counts as open for as long as after a round.
func (w *Watch) Run(ctx context.Context) error {
	sends, calls := make(chan error, 1), make(chan error, 1) // of what is under way
	sending, calling := false, false
	defer func() {
		if sending {
			<-sends
		}
		if calling {
			<-calls
		}
	}()
	tick := time.NewTicker(w.cfg.Every)
	defer tick.Stop()
	limit := time.Duration(soundFor * float64(w.cfg.Every))
	sound := time.NewTimer(limit)
	defer sound.Stop()
	ask := w.cfg.Ask
	begin := func() {
		if !sending {
			sending = true
			go func() { sends <- w.send(ctx) }()
		}
	}
	begin()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-ask:
		case <-tick.C:
			begin()
		case err := <-sends:
			sending = false
			w.complain(ctx, "the watch's reading could not be sent", err)
		case <-sound.C:
			ask = nil
			w.cfg.Log.Error("the watch's reading does not come through from the broker to the outbox: nobody would be told of anything", "for", limit)
		case <-w.arrived:
			ask = w.cfg.Ask
			sound.Reset(limit)
			if !calling && w.cfg.Call != "" {
				calling = true
				go func() { calls <- w.call(ctx) }()
			}
		case err := <-calls:
			calling = false
			w.complain(ctx, "the address outside could not be called", err)
		}
	}
}

func (w *Watch) complain(ctx context.Context, what string, err error) {
	if err != nil && ctx.Err() == nil {
		w.failed.Add(1)
		w.cfg.Log.Error(what, "error", err)
	}
}

// send publishes one reading.
func (w *Watch) send(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, w.cfg.Every)
	defer cancel()
	r := reading.Reading{Time: unit.At(w.cfg.Now()), Run: w.cfg.Run, Seq: w.sent.Add(1)}
	r.Set(reading.InsideTemp, tempC)
	r.Set(reading.InsideRH, rhPct)
	line, err := reading.AppendLine(nil, record.WatchStation, &r, r.Seq)
	if err != nil {
		return err
	}
	return w.cfg.Publish(ctx, line)
}

// call tells the address outside that the way is open.
func (w *Watch) call(ctx context.Context) (err error) {
	ctx, cancel := context.WithTimeout(ctx, w.cfg.Every)
	defer cancel()
	stuck, err := w.cfg.Stuck(ctx)
	if err != nil {
		return err
	}
	if stuck > 0 {
		return fmt.Errorf("it is not called while %d urgent messages are stuck: see dewpost message list", stuck)
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, w.cfg.Call, http.NoBody)
	if err != nil {
		return err
	}
	req.Header.Set("User-Agent", "dewpost")
	resp, err := w.cfg.Client.Do(req)
	if err != nil {
		return err
	}
	_, err = io.Copy(io.Discard, io.LimitReader(resp.Body, 64<<10))
	if err = errors.Join(err, resp.Body.Close()); err != nil {
		return err
	}
	if resp.StatusCode/100 != 2 {
		return fmt.Errorf("it answered %s", resp.Status)
	}
	w.called.Add(1)
	return nil
}
