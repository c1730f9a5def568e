package publish

import (
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/reading"
	"dewpost/rules/receipt"
)

// honest is a collector that keeps to the contract: its receipts go as far as
// it has everything.
type honest struct {
	mu     sync.Mutex
	upto   int64
	stored map[int64]time.Time // first arrival
	copies map[int64]int
}

func newHonest() *honest { return &honest{stored: map[int64]time.Time{}, copies: map[int64]int{}} }

// settle takes a batch and returns its receipt.
func (h *honest) settle(b reading.Batch) []message {
	h.mu.Lock()
	defer h.mu.Unlock()
	seen := seqs(b)
	for seq := seen[0]; seq <= seen[1]; seq++ { // batches of these tests have no holes
		if h.copies[seq]++; h.copies[seq] == 1 {
			h.stored[seq] = time.Now()
		}
	}
	h.upto = max(h.upto, b.Oldest[run]-1)
	for !h.stored[h.upto+1].IsZero() {
		h.upto++
	}
	return []message{signed(h.upto)}
}

// pipe is a slow way to a collector: batches go one after the other.
type pipe struct {
	link  *fakeLink
	rate  float64       // bytes a second
	think time.Duration // what the collector needs for a batch
	to    *honest
	queue chan []byte
	done  chan struct{}
	bytes int
}

func (p *pipe) run() {
	defer close(p.done)
	for payload := range p.queue {
		p.bytes += len(payload)
		time.Sleep(time.Duration(float64(len(payload))/p.rate*1e9) + p.think)
		for _, m := range p.to.settle(decode(payload)) {
			p.link.opts.receive(m)
		}
	}
}

// through makes the link send through the pipe.
func (p *pipe) through(t *testing.T, l *fakeLink) {
	p.link, p.queue, p.done = l, make(chan []byte, 1000), make(chan struct{})
	l.pass = func(payload []byte) { p.queue <- payload }
	go p.run()
	t.Cleanup(func() {
		close(p.queue)
		<-p.done
	})
}

// TestLiveBesideABacklog works off backlogs of three lengths over a slow link,
// a reading a minute coming in: how long these take does not depend on the
// backlog, all of it arrives, and little is sent twice.
func TestLiveBesideABacklog(t *testing.T) {
	const minutes = 40
	type result struct {
		worst, drained time.Duration
		repeated       int
		overhead       float64
	}
	measure := func(t *testing.T, backlog int64, rate float64, think time.Duration) (r result) {
		sp := newMemSpool(backlog)
		to := newHonest()
		pipe := &pipe{rate: rate, think: think, to: to}
		began := time.Now()
		p := publishTo(t, sp, func(n int, l *fakeLink) error {
			require.Equal(t, 1, n, "the connection is good")
			pipe.through(t, l)
			return nil
		})
		born := map[int64]time.Time{}
		for range minutes {
			time.Sleep(time.Minute)
			sp.add(1)
			born[sp.Last()] = time.Now()
		}
		for sp.len() > 0 {
			time.Sleep(time.Second)
			require.Less(t, time.Since(began), 100*time.Hour)
		}
		r.drained = time.Since(began)
		p.end(t)
		synctest.Wait()
		to.mu.Lock()
		defer to.mu.Unlock()
		for seq := int64(1); seq <= sp.Last(); seq++ {
			copies := to.copies[seq]
			if copies < 1 || copies > 4 {
				require.Fail(t, "lost, or sent too often", "reading %d: %d times", seq, copies)
			}
			r.repeated += copies - 1
		}
		newest := to.stored[backlog].Sub(began)
		r.worst = newest
		for seq, at := range born {
			r.worst = max(r.worst, to.stored[seq].Sub(at))
		}
		r.overhead = float64(pipe.bytes)/float64(sp.size()) - 1
		t.Logf("backlog %d at %.0f B/s, %v a batch: newest after %v, live ones within %v, done after %v; %d sent again, %.1f %% more bytes",
			backlog, rate, think, newest, r.worst, r.drained, r.repeated, 100*r.overhead)
		return r
	}
	for name, test := range map[string]struct {
		rate  float64
		think time.Duration
		worst time.Duration
	}{
		"very slow link": {1 << 10, 10 * time.Millisecond, 2 * time.Minute},
		"slow link":      {8 << 10, 10 * time.Millisecond, 30 * time.Second},
		"slow collector": {1 << 20, 3 * time.Second, 30 * time.Second},
		"good link":      {1 << 20, 10 * time.Millisecond, 2 * time.Second},
	} {
		for _, backlog := range []int64{1440, 10_080, 43_200} {
			virtually(t, name, func(t *testing.T) {
				r := measure(t, backlog, test.rate, test.think)
				require.LessOrEqual(t, r.worst, test.worst, "of any backlog")
				require.LessOrEqual(t, r.overhead, 0.15)
			})
		}
	}
}

// TestNoLiveWhileProbing has a collector that answers every batch and never
// settles record 1: no live batch goes out whose receipt could be taken for the
// answer to it.
func TestNoLiveWhileProbing(t *testing.T) {
	virtually(t, "head is probed alone", func(t *testing.T) {
		sp := newMemSpool(3000)
		p := publishTo(t, sp, func(_ int, l *fakeLink) error {
			l.answer = func(reading.Batch) []message { return []message{signed(0)} }
			return nil
		})
		time.Sleep(retry + time.Second) // probing has begun
		before := len(p.link(0).batches())
		for range 30 {
			sp.add(1)
			synctest.Wait()
			time.Sleep(time.Second)
		}
		for _, b := range p.link(0).batches()[before:] {
			require.Equal(t, int64(1), seqs(b)[0])
		}
		require.Empty(t, sp.dead())
		time.Sleep(deadAfter * retry)
		require.Equal(t, []int64{1}, sp.dead())
		p.end(t)
	})
}

// TestLiveAfterReconnect sees the present first, whatever waits.
func TestLiveAfterReconnect(t *testing.T) {
	virtually(t, "newest first", func(t *testing.T) {
		sp := newMemSpool(10_080)
		to := newHonest()
		p := publishTo(t, sp, func(n int, l *fakeLink) error {
			if n == 2 {
				l.answer = to.settle
			}
			return nil
		})
		close(p.link(0).down)
		sp.add(5)
		time.Sleep(firstBackOff(retry))
		got := p.link(1).batches()
		require.Equal(t, [2]int64{10_078, 10_085}, seqs(got[0]))
		require.Equal(t, int64(1), seqs(got[1])[0])
		require.Zero(t, sp.len())
		p.end(t)
	})
}

// TestLiveIsRare appends faster than live batches may go out.
func TestLiveIsRare(t *testing.T) {
	virtually(t, "one a second", func(t *testing.T) {
		sp := newMemSpool(5000)
		p := publishTo(t, sp, func(int, *fakeLink) error { return nil })
		before := len(p.link(0).batches())
		for range 50 {
			sp.add(20)
			synctest.Wait()
			time.Sleep(100 * time.Millisecond)
		}
		got := p.link(0).batches()[before:]
		require.LessOrEqual(t, len(got), 5)
		require.GreaterOrEqual(t, len(got), 4)
		for _, b := range got {
			require.Less(t, seqs(b)[1]-seqs(b)[0], int64(mostLive))
		}
		p.end(t)
	})
}

// growing is a spool that readings come into just before it is read.
type growing struct{ *memSpool }

func (g growing) Each(after int64, use func(int64, []byte) bool) error {
	g.add(20)
	return g.memSpool.Each(after, use)
}

// TestLiveKeepsItsSize adds readings between the look at the newest number and
// the reading of the records.
func TestLiveKeepsItsSize(t *testing.T) {
	sp := growing{newMemSpool(100)}
	_, first, last, full, err := batch(sp, 92, 100, receipt.MaxBatch)
	require.NoError(t, err)
	require.Equal(t, []int64{93, 100}, []int64{first, last})
	require.False(t, full)
}
