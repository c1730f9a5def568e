package publish

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
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
