package notify_test

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/notify"
	"dewpost/collector/record"
	"dewpost/rules/finding"
)

// away is a store that can't be reached at times.
type away struct {
	notify.Store
	is    atomic.Bool
	asked atomic.Int64
}

func (a *away) People(ctx context.Context) ([]record.Person, error) {
	a.asked.Add(1)
	if a.is.Load() {
		return nil, errors.New("connection refused")
	}
	return a.Store.People(ctx)
}

// The database was away for a quarter of an hour. What is urgent and comes when it is
// back does not wait for minutes more.
func TestUrgentBehindAnOutage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t)
		a := &away{Store: d.store}
		d.used = a
		d.cfg.Now = time.Now
		d.restart()
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- d.sender.Run(ctx) }()
		defer func() {
			stop()
			<-done
		}()
		d.person("Ida", func(p *record.Person) { p.RestFrom, p.RestTo = "", "" }, "ida")
		a.is.Store(true)
		d.sender.Wake()
		asked := a.asked.Load()
		for range 15 * 60 { // the fold finds nothing out, but somebody wakes it each second
			time.Sleep(time.Second)
			d.sender.Wake()
		}
		require.Less(t, a.asked.Load()-asked, int64(1000))
		a.is.Store(false)
		d.find("lake-07", finding.WaterInside)
		d.sender.Wake()
		time.Sleep(2 * time.Second)
		synctest.Wait()
		require.Len(t, d.post.take(), 1)
	})
}
