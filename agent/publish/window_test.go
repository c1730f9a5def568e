package publish

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/receipt"
)

const retry = 10 * time.Second

var start = time.Date(2024, 5, 1, 6, 0, 0, 0, time.UTC)

func TestWindowFillsAndDrains(t *testing.T) {
	w := newWindow(2, retry, 0)
	require.True(t, w.idle())
	w.sent(1, 10, 100, start)
	w.sent(11, 20, 100, start)
	require.False(t, w.room())
	w.receipt(5, true, start)
	require.False(t, w.room(), "6…10 are still on their way")
	w.receipt(10, true, start)
	require.True(t, w.room())
	require.Equal(t, int64(20), w.cursor)
	w.receipt(3, true, start)
	require.Equal(t, int64(10), w.upto, "receipts may come out of order")
	w.receipt(20, false, start)
	require.True(t, w.idle(), "a retained receipt counts")
	w.receipt(30, true, start)
	require.Equal(t, int64(30), w.cursor, "what is receipted is not sent")
}

func TestWindowSendsAgain(t *testing.T) {
	w := newWindow(4, retry, 0)
	w.sent(1, 10, 100, start)
	w.sent(11, 20, 100, start.Add(time.Second))
	due, ok := w.due()
	require.True(t, ok)
	require.Equal(t, start.Add(retry), due)
	require.False(t, w.expire(due.Add(-1)))
	require.True(t, w.expire(due))
	require.Zero(t, w.cursor, "all of it again")
	w.sent(1, 10, 100, due)
	require.False(t, w.room(), "one batch at a time")
	for _, times := range []time.Duration{2, 4, 8, 10, 10} {
		next, _ := w.due()
		require.Equal(t, due.Add(times*retry), next, "rarer while nobody answers")
		due = next
		require.True(t, w.expire(due))
		w.sent(1, 10, 100, due)
	}
	w.receipt(10, true, due)
	require.True(t, w.room())
	w.sent(11, 20, 100, due)
	require.True(t, w.room(), "all is well again")
	next, _ := w.due()
	require.Equal(t, due.Add(retry), next)
}

// probe lets the window send its head again, and answers with the receipts.
func probe(t *testing.T, w *window, head int64, answers ...func()) {
	t.Helper()
	due, ok := w.due()
	require.True(t, ok)
	require.True(t, w.expire(due))
	w.sent(head, head+9, 100, due)
	for _, answer := range answers {
		answer()
	}
}

func TestWindowDead(t *testing.T) {
	w := newWindow(4, retry, 0)
	fresh := func() { w.receipt(4, true, start) }
	retained := func() { w.receipt(4, false, start) }
	w.sent(1, 10, 100, start)
	fresh()
	dead := func() bool { _, ok := w.dead(); return ok }
	for range 30 {
		probe(t, w, 5)
	}
	require.False(t, dead(), "silence never counts")
	for range 30 {
		probe(t, w, 5, retained)
	}
	require.False(t, dead(), "what the broker kept is no answer")
	for range deadAfter - 1 {
		probe(t, w, 5, fresh, fresh, fresh)
	}
	require.False(t, dead(), "several answers to one sending are one")
	probe(t, w, 5, retained)
	require.False(t, dead())
	probe(t, w, 5, fresh)
	seq, ok := w.dead()
	require.True(t, ok)
	require.Equal(t, int64(5), seq)
	w.buried()
	require.False(t, dead())
	require.True(t, w.room(), "go on at once")
	w.sent(6, 10, 100, start)
	require.False(t, dead(), "the next one has its own ten times")
}

func TestWindowDeadStartsAnewForAnotherHead(t *testing.T) {
	w := newWindow(4, retry, 0)
	w.sent(1, 10, 100, start)
	for range deadAfter - 1 {
		probe(t, w, 1, func() { w.receipt(0, true, start) })
	}
	w.receipt(3, true, start)
	_, ok := w.dead()
	require.False(t, ok)
	probe(t, w, 4, func() { w.receipt(3, true, start) })
	_, ok = w.dead()
	require.False(t, ok)
}

// TestLateAnswersAreNoProbes sends batches whose receipts come only when the
// head is being probed.
func TestLateAnswersAreNoProbes(t *testing.T) {
	w := newWindow(4, retry, 0)
	for i := range int64(3) {
		w.sent(10*i+1, 10*i+10, 100, start)
	}
	w.sentLive(99, start)
	late := func() { w.receipt(0, true, start) }
	probe(t, w, 1, late, late, late, late)
	require.Zero(t, w.fruitless, "they answer what was sent before")
	probe(t, w, 1, late)
	require.Equal(t, 1, w.fruitless)
}

func TestLive(t *testing.T) {
	w := newWindow(4, retry, 0)
	_, _, ok := w.wantsLive(0)
	require.False(t, ok, "there is nothing")
	after, at, ok := w.wantsLive(1000)
	require.True(t, ok)
	require.Zero(t, after)
	require.True(t, at.IsZero())
	w.sentLive(1000, start)
	_, _, ok = w.wantsLive(1000)
	require.False(t, ok)
	after, at, ok = w.wantsLive(1001)
	require.True(t, ok)
	require.Equal(t, int64(1000), after)
	require.Equal(t, start.Add(liveEvery), at)
	w.sent(1, 2000, 100, start)
	_, _, ok = w.wantsLive(1001)
	require.False(t, ok, "the pass has sent it")
	require.True(t, w.expire(start.Add(retry)))
	_, _, ok = w.wantsLive(3000)
	require.False(t, ok, "not while probing")
}

// TestCredit lets less be on its way while receipts are slow.
func TestCredit(t *testing.T) {
	w := newWindow(2, retry, 0)
	require.Equal(t, firstCredit, w.limit())
	seq := int64(0)
	exchange := func(took time.Duration) {
		for w.room() {
			seq++
			w.sent(seq, seq, w.limit(), start)
		}
		w.receipt(seq, true, start.Add(took))
	}
	for range 10 {
		exchange(quick)
	}
	require.Equal(t, 2*receipt.MaxBatch, w.credit)
	require.Equal(t, receipt.MaxBatch, w.limit())
	for range 10 {
		exchange(quick + 1)
	}
	require.Equal(t, leastCredit, w.credit)
	w.sent(seq+1, seq+1, 100, start)
	require.True(t, w.room())
	require.Equal(t, leastCredit-100, w.limit())
	w.sent(seq+2, seq+2, leastCredit-100-leastBatch+1, start)
	require.False(t, w.room(), "no crumbs")
}
