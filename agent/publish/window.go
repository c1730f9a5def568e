package publish

import (
	"time"

	"dewpost/rules/receipt"
)

const (
	// deadAfter is how often a record is sent, each time answered by a fresh
	// receipt that stops below it, before it goes to the dead file.
	deadAfter = 10
	// slowest is the longest wait before sending again, as a multiple of the
	// shortest one.
	slowest = 10
	// silence is how long readings may be on their way without any receipt
	// before the connection is given up, as a multiple of the same.
	silence = 20
	// quick is how soon a batch should be receipted. While it takes longer,
	// less is on its way at once, for a new reading has to wait for it.
	quick = 5 * time.Second
	// firstCredit and leastCredit are how much may be on its way, in bytes, at
	// first and at least.
	firstCredit = 8 << 10
	leastCredit = 4 << 10
	// leastBatch keeps batches from becoming crumbs.
	leastBatch = leastCredit / 2
	// liveEvery is the shortest time between two live batches.
	liveEvery = time.Second
)

// window decides what may be sent and when it is sent again. It does no I/O
// and knows no clock.
//
// A pass goes from the oldest record to the newest, with as many batches on
// their way, or as small ones, as are receipted quickly. When nothing has been
// receipted for the time to send again, everything is sent again from the
// oldest record on, one batch at a time (probing), at growing intervals while
// nobody answers, until a receipt covers the oldest record.
//
// While the pass has more before it than fits into the next batch, the newest
// records go out besides it, as a live batch: at most one in liveEvery, and
// none while probing, because its receipt would be taken for the answer to the
// probe. A live batch is not waited for: when the pass arrives at its records,
// they are sent again unless they are receipted by then.
type window struct {
	size  int // most batches on their way
	retry time.Duration

	upto     int64 // largest receipted number
	cursor   int64 // largest number sent in this pass
	flights  []flight
	credit   int       // bytes that may be on their way
	progress time.Time // when upto last grew
	probing  bool
	delay    time.Duration // now between sending and sending again

	live     int64     // largest number sent in a live batch
	nextLive time.Time // when another one may be sent

	unanswered int       // batches sent before probing, less the fresh receipts since
	asked      time.Time // since when something is on its way and there was no fresh receipt; zero: nothing is
	head       int64     // oldest record when probing
	answered   bool      // the present probe got a fresh receipt below head
	fruitless  int       // probes of head that were so answered
}

// flight is a batch on its way.
type flight struct {
	last  int64
	bytes int
	sent  time.Time
}

// newWindow returns the window of a new connection. delay is that of the window
// before, so that who did not answer there is not asked more often here.
func newWindow(size int, retry, delay time.Duration) *window {
	return &window{size: size, retry: retry, credit: firstCredit, delay: max(retry, delay)}
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
	return len(w.flights) < w.size && w.left() >= leastBatch
}

// left is how many more bytes may be on their way.
func (w *window) left() int {
	left := w.credit
	for _, f := range w.flights {
		left -= f.bytes
	}
	return left
}

// limit is how large the next batch may be, in bytes.
func (w *window) limit() int { return min(w.left(), receipt.MaxBatch) }

// slow and fast change how much may be on its way.
func (w *window) slow() { w.credit = max(leastCredit, w.credit/2) }

func (w *window) fast() {
	w.credit = min(w.size*receipt.MaxBatch, w.credit+min(w.credit, receipt.MaxBatch))
}

// idle tells whether nothing is on its way.
func (w *window) idle() bool { return len(w.flights) == 0 }

// sent notes that a batch of so many bytes from first to last was sent.
func (w *window) sent(first, last int64, bytes int, now time.Time) {
	w.ask(now)
	if w.probing {
		if first != w.head {
			w.head, w.fruitless = first, 0
		}
	} else {
		w.unanswered++
	}
	w.cursor = last
	w.flights = append(w.flights, flight{last: last, bytes: bytes, sent: now})
}

func (w *window) ask(now time.Time) {
	if w.asked.IsZero() {
		w.asked = now
	}
}

// wantsLive tells from when on records up to last may go out in a live batch,
// and after which number they begin; ok is false when there is no need.
func (w *window) wantsLive(last int64) (after int64, at time.Time, ok bool) {
	after = max(w.cursor, w.live)
	return after, w.nextLive, !w.probing && last > after
}

// sentLive notes that a live batch up to last was sent.
func (w *window) sentLive(last int64, now time.Time) {
	w.ask(now)
	w.unanswered++
	w.live, w.nextLive = last, now.Add(liveEvery)
}

// receipt takes in a valid receipt of the run. fresh means that it is an
// answer, not one retained by the broker.
func (w *window) receipt(upto int64, fresh bool, now time.Time) {
	if upto > w.upto {
		w.upto, w.progress = upto, now
		w.cursor = max(w.cursor, upto)
		w.arrived(upto, now)
	}
	if fresh {
		w.answer(now)
	}
	if w.probing && upto >= w.head {
		w.probing, w.fruitless, w.answered = false, 0, false
	}
	if w.idle() && !w.probing {
		w.asked, w.unanswered = time.Time{}, 0
	}
}

// arrived lets go of the batches up to upto, and learns from how long they took.
func (w *window) arrived(upto int64, now time.Time) {
	keep := w.flights[:0]
	for _, f := range w.flights {
		switch {
		case f.last > upto:
			keep = append(keep, f)
		case now.Sub(f.sent) > quick:
			w.slow()
		default:
			w.fast()
		}
	}
	w.flights = keep
}

// answer notes a fresh receipt: somebody is there. When probing, those that may answer what was
// sent before do not count.
func (w *window) answer(now time.Time) {
	w.delay, w.asked = w.retry, now
	switch {
	case w.unanswered > 0:
		w.unanswered--
	case w.probing && len(w.flights) > 0 && !w.answered:
		w.answered = true
		w.fruitless++
	}
}

// due returns when the oldest batch on its way is to be sent again; ok is
// false when none is. While receipts make progress, it is not: it stands behind
// the others.
func (w *window) due() (_ time.Time, ok bool) {
	if len(w.flights) == 0 {
		return time.Time{}, false
	}
	from := w.flights[0].sent
	if w.progress.After(from) {
		from = w.progress
	}
	return from.Add(w.delay), true
}

// expire begins to probe when the time to send again has come.
func (w *window) expire(now time.Time) bool {
	at, ok := w.due()
	if !ok || now.Before(at) {
		return false
	}
	w.probing = true
	w.slow()
	w.delay = min(w.delay*2, slowest*w.retry)
	w.rewind()
	return true
}

// deaf returns when the connection is to be given up, because readings were
// sent and nothing came back; ok is false while there is no reason.
func (w *window) deaf() (_ time.Time, ok bool) {
	return w.asked.Add(silence * w.retry), !w.asked.IsZero()
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
