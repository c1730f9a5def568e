package publish

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"net/url"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/reading"
	"dewpost/rules/receipt"
)

// While the secret is being changed there are receipts that are not ours; they
// are not believed and mentioned once. When it has changed, the connection is
// made anew by it, not later than at the next report.
func TestSecretChanges(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		next := must(receipt.NewSecret([]byte("another of sixteen or more")))
		var mu sync.Mutex
		var log bytes.Buffer
		var links []*fakeLink
		present := secret
		set := func(f func()) {
			mu.Lock()
			defer mu.Unlock()
			f()
		}
		sp := newMemSpool(1)
		pub := New(Config{
			Station: station, Broker: must(url.Parse("mqtt://127.0.0.1:1883")), Retry: retry, InFlight: 3, Report: 10 * time.Minute,
			Secret: func() (s receipt.Secret) { set(func() { s = present }); return s },
			State:  func(conn int64) ([]byte, error) { return fmt.Appendf(nil, `{"conn":%d}`, conn), nil },
			Log:    slog.New(slog.NewTextHandler(&log, nil)),
		}, sp)
		pub.dial = func(_ context.Context, o dialOptions) (link, error) {
			l := &fakeLink{opts: o, down: make(chan struct{}), answer: func(b reading.Batch) []message {
				upto := seqs(b)[1]
				return []message{signed(upto), {payload: next.Receipt(station, run, upto).JSON()}}
			}}
			set(func() { links = append(links, l) })
			return l, nil
		}
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- pub.Run(ctx) }()
		for range 5 {
			sp.add(1)
			time.Sleep(9 * time.Minute)
			require.Zero(t, sp.len())
		}
		set(func() {
			require.Len(t, links, 1)
			present = next
		})
		sp.add(1)
		time.Sleep(11 * time.Minute)
		set(func() {
			require.Len(t, links, 2)
			require.True(t, links[0].isClosed())
			require.Equal(t, secret.Password(), links[0].opts.password)
			require.Equal(t, next.Password(), links[1].opts.password)
		})
		sp.add(1)
		synctest.Wait()
		require.Zero(t, sp.len(), "the other receipt counts now")
		stop()
		require.NoError(t, <-done)
		require.Equal(t, 2, strings.Count(log.String(), "receipt refused"), "once for each connection")
	})
}
