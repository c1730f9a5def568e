package intake

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"
	"unicode/utf8"

	"dewpost/collector/record"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

const (
	stateBytes  = 16 << 10         // of one state
	statesOwn   = 4                // of one station that wait to be written: there, gone, there again
	statesBytes = 16 << 20         // of all that wait; what comes beyond comes again
	writeEvery  = 5 * time.Second  // states; nothing depends on it
	statesAtTx  = 200              // written in one transaction: readings take turns with them
	lastWrite   = 2 * time.Second  // for the states that wait when it ends
	mostCount   = int64(1) << 53   // of readings in a state; sums of them stay in int64
	mostReasons = 32               // for discarding
	stateLogs   = 10 * time.Second // at least, between two lines about refused states
)

// StateStore keeps states; it tells how many of them were newer than what it
// had.
type StateStore interface {
	KeepStates(ctx context.Context, list []record.State) (kept int, err error)
}

// States takes what agents say of themselves. Nothing waits for it: a state
// lies in memory until it is written with others, and one that is lost with
// the process is said again in a few minutes.
type States struct {
	// Ask is received from between two writes, as with Config. To be set before
	// Run.
	Ask <-chan struct{}

	store StateStore
	now   func() time.Time
	log   *slog.Logger

	mu     sync.Mutex
	wait   map[string][]record.State // by station, in order of arrival
	order  []string                  // stations in wait
	bytes  int
	logged time.Time

	kept, stale, refused, unwritten atomic.Int64
}

// StateStats are running totals of States.
type StateStats struct {
	Kept      int64 // newer than the last one of the station
	Stale     int64 // older than it, or of a station that is not in service
	Refused   int64 // that can't be read, or are more than can wait
	Unwritten int64 // lost because they could not be written
}

// NewStates makes a States; Run writes.
func NewStates(store StateStore, now func() time.Time, log *slog.Logger) *States {
	return &States{store: store, now: now, log: log, wait: make(map[string][]record.State)}
}

// Stats returns the totals so far.
func (s *States) Stats() StateStats {
	return StateStats{Kept: s.kept.Load(), Stale: s.stale.Load(), Refused: s.refused.Load(), Unwritten: s.unwritten.Load()}
}

// Take takes one state of a station; retained tells that the broker had kept
// it, so that the time of its arrival says nothing. It never blocks.
func (s *States) Take(station string, payload []byte, retained bool) {
	st := record.State{Station: station, Body: payload, At: unit.At(s.now()), Retained: retained}
	var err error
	if st.Report, err = parseState(payload); err != nil {
		s.refuse(station, err)
		return
	}
	if c := st.Report.Clock; !retained && c.Set && c.Now != nil {
		st.Timed, st.Offset = true, st.At.Time().Sub(*c.Now)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	list, more := s.wait[station], len(payload)
	if n := len(list); n == statesOwn || n > 0 && sameConnection(&list[n-1], &st) {
		more -= len(list[n-1].Body)
		list = list[:n-1]
	}
	if s.bytes+more > statesBytes {
		s.refused.Add(1)
		return
	}
	if len(s.wait[station]) == 0 {
		s.order = append(s.order, station)
	}
	s.wait[station] = append(list, st)
	s.bytes += more
}

// sameConnection tells whether b supersedes a by coming later.
func sameConnection(a, b *record.State) bool {
	return a.Report.Run == b.Report.Run && a.Report.Conn == b.Report.Conn && a.Report.Gone == b.Report.Gone &&
		a.Report.Uptime <= b.Report.Uptime
}

func (s *States) refuse(station string, why error) {
	s.refused.Add(1)
	s.mu.Lock()
	defer s.mu.Unlock()
	if time.Since(s.logged) < stateLogs {
		return
	}
	s.logged = time.Now()
	s.log.Warn("refused a state", "station", station, "error", why)
}

// Run writes what waits, now and then, until ctx ends; and then once more.
func (s *States) Run(ctx context.Context) error {
	tick := time.NewTicker(writeEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			last, cancel := context.WithTimeout(context.WithoutCancel(ctx), lastWrite)
			defer cancel()
			s.write(last)
			return nil
		case <-s.Ask:
		case <-tick.C:
			s.write(ctx)
		}
	}
}

// write writes what waits.
func (s *States) write(ctx context.Context) {
	for {
		list := s.take()
		if len(list) == 0 {
			return
		}
		kept, err := s.store.KeepStates(ctx, list)
		if err != nil {
			s.unwritten.Add(int64(len(list)))
			s.log.Error("states not written; they are said again in a few minutes", "states", len(list), "error", err)
			continue
		}
		s.kept.Add(int64(kept))
		s.stale.Add(int64(len(list) - kept))
	}
}

// take returns some of what waits, those of one station in order.
func (s *States) take() (list []record.State) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for len(s.order) > 0 && len(list) < statesAtTx {
		station := s.order[0]
		s.order = s.order[1:]
		for _, st := range s.wait[station] {
			s.bytes -= len(st.Body)
			list = append(list, st)
		}
		delete(s.wait, station)
	}
	return list
}

// parseState reads a state and checks what the collector relies on; what it
// doesn't know is kept as it is.
func parseState(payload []byte) (record.Report, error) {
	var r record.Report
	if len(payload) > stateBytes {
		return r, fmt.Errorf("state of %d bytes: send at most %d", len(payload), stateBytes)
	}
	if !utf8.Valid(payload) || !bytes.HasPrefix(bytes.TrimSpace(payload), []byte{'{'}) {
		return r, errors.New("state: send one JSON object in UTF-8")
	}
	if err := json.Unmarshal(payload, &r); err != nil {
		return record.Report{}, fmt.Errorf("state: %w", err)
	}
	if err := checkState(&r); err != nil {
		return record.Report{}, err
	}
	return r, nil
}

func checkState(r *record.Report) error {
	if !receipt.ValidRun(r.Run) {
		return fmt.Errorf("state run %q: write 16 hex digits in lower case", r.Run)
	}
	if r.Conn < 1 {
		return fmt.Errorf("state conn %d: count connections from 1 on", r.Conn)
	}
	if r.Uptime < 0 {
		return fmt.Errorf("state uptime_s %v: it can't be negative", r.Uptime)
	}
	counts := map[string]int64{
		"spool.bytes": r.Spool.Bytes, "spool.max_bytes": r.Spool.MaxBytes, "spool.last": r.Spool.Last, "spool.upto": r.Spool.Upto,
	}
	if t := r.Readings; t != nil {
		if len(t.Discarded) > mostReasons {
			return fmt.Errorf("state readings.discarded has %d reasons: name at most %d", len(t.Discarded), mostReasons)
		}
		for reason, n := range t.Discarded {
			counts["readings.discarded."+reason] = n
		}
		counts["readings.sampled"], counts["readings.receipted"] = t.Sampled, t.Receipted
		counts["readings.queued"], counts["readings.waiting"] = t.Queued, t.Waiting
	}
	for name, n := range counts {
		if n < 0 || n > mostCount {
			return fmt.Errorf("state %s %d: write a number from 0 to %d", name, n, mostCount)
		}
	}
	return nil
}
