package agent

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"dewpost/rules/receipt"
)

const (
	// longestOrder is how far ahead an order's expiry may lie: so long its id
	// must be remembered.
	longestOrder = 31 * 24 * time.Hour
	// mostOrders bounds the ids that are remembered.
	mostOrders = 1000
	// mostAnswers bounds the answers in the state.
	mostAnswers = 10
	// mostPulses and mostBlinking bound what one order may ask for.
	mostPulses   = 30
	mostBlinking = 10 * time.Minute
)

// orderAnswer is what became of an order.
type orderAnswer struct {
	ID    string    `json:"id"`
	At    time.Time `json:"at"`
	Error string    `json:"error,omitempty"` // why it was not carried out; "" when it was
}

// orderFile is kept beside the spool.
type orderFile struct {
	Interval Duration             `json:"interval"` // ordered; 0: as configured
	Done     map[string]time.Time `json:"done"`     // id → expiry
	Answers  []orderAnswer        `json:"answers"`  // the newest, the newest last
}

// orders carries out a station's orders, each once. What is remembered is on
// disk before an order is carried out: one that was cut off by a power failure
// is not done, rather than twice.
type orders struct {
	station string
	path    string
	now     func() time.Time
	known   func() bool // whether now may be believed
	do      func(receipt.Body) error
	log     *slog.Logger

	mu      sync.Mutex
	file    orderFile
	refused int64  // forged, or no orders at all
	waits   func() // hands in again the newest order that came before the time was known; nil: there is none
}

// openOrders reads what was remembered. A file that can't be read is no reason
// not to measure, but then no order is carried out.
func openOrders(o *orders) (*orders, error) {
	o.file.Done = map[string]time.Time{}
	text, err := os.ReadFile(o.path)
	if errors.Is(err, fs.ErrNotExist) {
		return o, nil
	}
	if err == nil {
		err = json.Unmarshal(text, &o.file)
	}
	if err != nil {
		return o, fmt.Errorf("orders of %s: %s: %w; remove the file, or set it right", o.station, o.path, err)
	}
	return o, nil
}

// interval is what was ordered, 0 for what is configured.
func (o *orders) interval() time.Duration {
	o.mu.Lock()
	defer o.mu.Unlock()
	return time.Duration(o.file.Interval)
}

// state returns the newest answers, the newest last, and how many orders were
// none.
func (o *orders) state() (answers []orderAnswer, refused int64) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return append([]orderAnswer{}, o.file.Answers...), o.refused
}

// handle carries out an order, and says whether there is a new answer. An order
// that was dealt with is passed over in silence: the broker keeps it, and it
// comes again with each connection.
func (o *orders) handle(s receipt.Secret, payload []byte) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	if len(payload) == 0 {
		o.waits = nil
		return false // the retained one was removed
	}
	order, expiry, body, err := s.VerifyOrder(o.station, payload)
	if err != nil {
		o.refused++
		o.log.Warn("order refused", "station", o.station, "err", err)
		return false
	}
	_, done := o.file.Done[order.ID]
	if done || slices.ContainsFunc(o.file.Answers, func(a orderAnswer) bool { return a.ID == order.ID }) {
		return false
	}
	if !o.known() {
		if o.waits == nil {
			o.log.Info("order waits: it has an expiry, and the time is not known yet", "station", o.station, "id", order.ID)
		}
		o.waits = func() { o.handle(s, payload) }
		return false
	}
	o.waits = nil // it is this one, or an older one in whose place this one comes
	err = o.carryOut(order.ID, expiry, body)
	answer := orderAnswer{ID: order.ID, At: o.now().UTC().Truncate(time.Second)}
	if err != nil {
		answer.Error = clip(err.Error())
	}
	o.log.Info("order", "station", o.station, "id", order.ID, "body", order.Body, "err", answer.Error)
	o.file.Answers = append(o.file.Answers, answer)
	o.file.Answers = o.file.Answers[max(0, len(o.file.Answers)-mostAnswers):]
	if err := writeDurably(o.path, o.file); err != nil { // the answer is told all the same
		o.log.Error("the answer to an order is lost with this process", "station", o.station, "id", order.ID, "err", err)
	}
	return true
}

// again looks once more at an order that waits for the time: the broker says it
// only once in a connection.
func (o *orders) again() {
	o.mu.Lock()
	waits := o.waits
	o.mu.Unlock()
	if waits != nil {
		waits()
	}
}

func (o *orders) carryOut(id string, expiry time.Time, body receipt.Body) error {
	now := o.now()
	if !now.Before(expiry) {
		return fmt.Errorf("it expired at %s", expiry.Format(time.RFC3339))
	}
	if expiry.Sub(now) > longestOrder {
		return fmt.Errorf("it expires at %s: not more than %v days ahead", expiry.Format(time.RFC3339), longestOrder.Hours()/24)
	}
	next := orderFile{Interval: o.file.Interval, Done: map[string]time.Time{id: expiry}, Answers: o.file.Answers}
	for id, e := range o.file.Done {
		if now.Before(e) {
			next.Done[id] = e
		}
	}
	if len(next.Done) > mostOrders {
		return fmt.Errorf("%d orders are remembered until they expire: no more", mostOrders)
	}
	if body.Interval != "" {
		if err := next.Interval.UnmarshalText([]byte(body.Interval)); err != nil {
			return fmt.Errorf("interval: %w", err)
		}
	}
	if err := writeDurably(o.path, next); err != nil {
		return err
	}
	before := o.file
	o.file = next
	if err := o.do(body); err != nil {
		o.file.Interval = before.Interval
		return errors.Join(err, writeDurably(o.path, o.file))
	}
	return nil
}

// writeDurably replaces a small file by JSON of v; it survives a power cut as
// the old one or the new one.
func writeDurably(path string, v any) (err error) {
	text, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	next := path + ".new"
	f, err := os.OpenFile(next, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(next, path); err != nil {
		return err
	}
	dir, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}
