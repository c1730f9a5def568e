package publish

import "time"

const (
	// deadAfter is how often a record is sent, each time answered by a fresh
	// receipt that stops below it, before it goes to the dead file.
	deadAfter = 10
	// slowest is the longest wait before sending again, as a multiple of the
	// shortest one.
	slowest = 10
)

// window decides what may be sent and when it is sent again. It does no I/O
// and knows no clock.
//
// Normally up to size batches are on their way. When one has not been
// receipted in time, everything is sent again from the oldest record on, one
// batch at a time (probing), at growing intervals while nobody answers, until
// a receipt covers the oldest record.
type window struct {
	size  int
	retry time.Duration

	upto    int64 // largest receipted number
	cursor  int64 // largest number sent in this pass
	flights []flight
	probing bool
	delay   time.Duration // now between sending and sending again

	head      int64 // oldest record when probing
	answered  bool  // the present probe got a fresh receipt below head
	fruitless int   // probes of head that were so answered
}

// flight is a batch on its way.
type flight struct {
	last int64
	sent time.Time
}

func newWindow(size int, retry time.Duration) *window {
	return &window{size: size, retry: retry, delay: retry}
}

// rewind starts a new pass from the oldest record.
func (w *window) rewind() {
	w.cursor = w.upto
	w.flights = nil
	w.answered = false
}

// room tells whether another batch may be sent.
func (w *window) room() bool {
	if w.probing {
		return len(w.flights) == 0
	}
	return len(w.flights) < w.size
}

// idle tells whether nothing is on its way.
func (w *window) idle() bool { return len(w.flights) == 0 }

// sent notes that a batch from first to last was sent.
func (w *window) sent(first, last int64, now time.Time) {
	if w.probing && first != w.head {
		w.head, w.fruitless = first, 0
	}
	w.cursor = last
	w.flights = append(w.flights, flight{last: last, sent: now})
}

// receipt takes in a valid receipt of the run. fresh means that it is an
// answer, not one retained by the broker.
func (w *window) receipt(upto int64, fresh bool) {
	w.delay = w.retry
	if upto > w.upto {
		w.upto = upto
		w.cursor = max(w.cursor, upto)
		keep := w.flights[:0]
		for _, f := range w.flights {
			if f.last > upto {
				keep = append(keep, f)
			}
		}
		w.flights = keep
	}
	if !w.probing {
		return
	}
	if upto >= w.head {
		w.probing, w.fruitless, w.answered = false, 0, false
		return
	}
	if fresh && len(w.flights) > 0 && !w.answered {
		w.answered = true
		w.fruitless++
	}
}

// due returns when the oldest batch on its way is to be sent again; ok is
// false when none is.
func (w *window) due() (_ time.Time, ok bool) {
	if len(w.flights) == 0 {
		return time.Time{}, false
	}
	return w.flights[0].sent.Add(w.delay), true
}

// expire begins to probe when the time to send again has come.
func (w *window) expire(now time.Time) bool {
	at, ok := w.due()
	if !ok || now.Before(at) {
		return false
	}
	w.probing = true
	w.delay = min(w.delay*2, slowest*w.retry)
	w.rewind()
	return true
}

// dead returns the record that is to be given up, if any.
func (w *window) dead() (seq int64, ok bool) {
	return w.head, w.probing && w.fruitless >= deadAfter
}

// buried goes on behind the record that was given up.
func (w *window) buried() {
	w.fruitless = 0
	w.rewind()
}
