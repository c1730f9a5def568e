package web

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/http"
	"sync"
	"time"
)

// Pages stay live by server-sent events (HTML Living Standard, 9.2): the server
// says that something changed, and the page fetches itself anew.
const (
	liveLook  = 2 * time.Second  // between two looks at the store, while anybody waits
	liveBeat  = 20 * time.Second // something is sent so often, or a proxy takes the line for dead
	liveLasts = 5 * time.Minute  // then the browser comes again, and is asked who it is
	liveWrite = 10 * time.Second // for one event
	liveMost  = 256              // that wait at once
)

// watchers are those who wait for a change.
type watchers struct {
	changes func(context.Context) (string, error)

	mu      sync.Mutex
	waiting map[chan struct{}]bool
	last    string
	stop    context.CancelFunc // of who looks, while anybody waits
}

// join returns a channel that something comes through after each change; false
// when too many wait.
func (w *watchers) join() (chan struct{}, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.waiting) >= liveMost {
		return nil, false
	}
	if len(w.waiting) == 0 {
		ctx, stop := context.WithCancel(context.Background())
		w.waiting, w.stop = make(map[chan struct{}]bool), stop
		go w.look(ctx)
	}
	c := make(chan struct{}, 1)
	w.waiting[c] = true
	return c, true
}

func (w *watchers) leave(c chan struct{}) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if delete(w.waiting, c); len(w.waiting) == 0 {
		w.stop()
	}
}

func (w *watchers) look(ctx context.Context) {
	tick := time.NewTicker(liveLook)
	defer tick.Stop()
	for {
		// Where it fails nobody is told: the page itself will say so when it is
		// fetched.
		if now, err := w.changes(ctx); err == nil {
			w.tell(ctx, now)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

func (w *watchers) tell(ctx context.Context, now string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	before := w.last
	if w.last = now; now == before || before == "" || ctx.Err() != nil {
		return
	}
	for c := range w.waiting {
		select {
		case c <- struct{}{}:
		default: // told already
		}
	}
}

// state is what a page was made from, for its question whether that is still so; ""
// where pages are not live, or nothing can be told.
func (s *server) state(ctx context.Context) string {
	if s.watchers.changes == nil {
		return ""
	}
	now, err := s.watchers.changes(ctx)
	if err != nil {
		return ""
	}
	sum := sha256.Sum256([]byte(now))
	return hex.EncodeToString(sum[:8])
}

// live tells a page when something changed: since it was made, too, if it says what
// it was made from.
func (s *server) live(w http.ResponseWriter, r *http.Request) error {
	q := ask(r, "seen")
	seen := q.values.Get("seen")
	if q.err != nil {
		return q.err
	}
	if s.watchers.changes == nil {
		return &problem{Status: http.StatusNotFound, Title: "Pages are not live here", Fix: "load the page anew"}
	}
	h := w.Header()
	changed, ok := s.watchers.join()
	if !ok {
		h.Set("Retry-After", "60")
		return &problem{
			Status: http.StatusServiceUnavailable, Title: "Too many pages wait for what is new",
			Fix: fmt.Sprintf("close some: %d may wait at once; all of them can be loaded anew", liveMost),
		}
	}
	defer s.watchers.leave(changed)
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	if r.Method == http.MethodHead {
		return nil
	}
	out := http.NewResponseController(w)
	say := func(text string) bool {
		if out.SetWriteDeadline(time.Now().Add(liveWrite)) != nil {
			return false
		}
		_, err := fmt.Fprint(w, text)
		return err == nil && out.Flush() == nil
	}
	if !say("retry: 5000\n\n") {
		return nil
	}
	if seen != "" && s.state(r.Context()) != seen && !say("event: changed\ndata:\n\n") {
		return nil
	}
	beat, end := time.NewTicker(liveBeat), time.NewTimer(liveLasts)
	defer beat.Stop()
	defer end.Stop()
	for {
		text := ":\n\n"
		select {
		case <-r.Context().Done():
			return nil
		case <-s.cfg.Closing:
			return nil
		case <-end.C:
			return nil
		case <-changed:
			text = "event: changed\ndata:\n\n"
		case <-beat.C:
		}
		if !say(text) {
			return nil
		}
	}
}
