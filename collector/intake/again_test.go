package intake

import (
	"fmt"
	"log/slog"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/receipt"
)

// lineCounter counts what is logged.
type lineCounter struct{ n atomic.Int64 }

func (c *lineCounter) Write(b []byte) (int, error) {
	c.n.Add(1)
	return len(b), nil
}

func counted() (*slog.Logger, func() int64) {
	c := &lineCounter{}
	return slog.New(slog.NewTextHandler(c, nil)), c.n.Load
}

// After a start every station gets the receipt of its newest run again: a few
// at a time, whatever fails between, while readings go on.
func TestReceiptsAgainAfterAStart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newFakeStore(t)
		s.newest, s.unsettled = make(map[string]string), 1
		const stations = 3*againAtOnce + 1
		for i := range stations {
			id := fmt.Sprintf("st-%03d", i)
			secret, err := receipt.NewSecret(make([]byte, 32))
			require.NoError(t, err)
			s.stations[id] = secret
			s.newest[id] = run1
			s.stored[id] = map[string]map[int64]int{run1: {1: 1, 2: 1}}
		}
		s.newest["st-gone"] = run1 // whom the store does not know any more
		in, p, end := begin(t, s)
		defer end()
		time.Sleep(againEvery + time.Millisecond)
		synctest.Wait()
		require.Empty(t, p.all(), "the store failed")
		time.Sleep(againEvery)
		synctest.Wait()
		require.Len(t, p.all(), againAtOnce)
		require.NoError(t, in.Handle(t.Context(), lake, batch(t, lake, run1, 1, 1)))
		time.Sleep(time.Hour)
		synctest.Wait()
		sent := p.all()
		require.Len(t, sent, stations+1)
		got := make(map[string]int)
		for _, e := range s.events {
			got[e]++
		}
		for i := range stations {
			require.Equal(t, 1, got[fmt.Sprintf("receipt st-%03d 2", i)])
		}
		require.EqualValues(t, 1, in.Stats().Unreceipted)
	})
}

// A commit doesn't wait for the receipts of the one before, but they are in order.
func TestReceiptsGoOutBesideTheNextCommit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newFakeStore(t)
		in, p, end := begin(t, s)
		defer end()
		p.hold = make(chan struct{})
		first, second := make(chan error, 1), make(chan error, 1)
		go func() { first <- in.Handle(t.Context(), lake, batch(t, lake, run1, 1, 10)) }()
		synctest.Wait()
		time.Sleep(groupFor)
		go func() { second <- in.Handle(t.Context(), lake, batch(t, lake, run1, 11, 20)) }()
		time.Sleep(2 * groupFor)
		synctest.Wait()
		s.with(func() { require.Equal(t, []string{"commit", "commit"}, s.events) })
		require.Empty(t, first, "nothing is said to be done before its receipt is out")
		close(p.hold)
		require.NoError(t, <-first)
		require.NoError(t, <-second)
		s.with(func() { require.Equal(t, []string{"receipt lake-07 10", "receipt lake-07 20"}, s.events[2:]) })
	})
}
