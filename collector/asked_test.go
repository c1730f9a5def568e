package collector

import (
	"log/slog"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/testdata/blank"
)

// TestEveryLoopAnswers asks each loop of an idle collector, again and again.
func TestEveryLoopAnswers(t *testing.T) {
	cfg := DefaultConfig()
	cfg.Pages.Listen, cfg.Stations.Listen = "127.0.0.1:0", "127.0.0.1:0"
	cfg.Store.Path = blank.Store(t)
	loops := map[string]chan struct{}{}
	cfg.Ask = func(loop string) <-chan struct{} {
		loops[loop] = make(chan struct{})
		return loops[loop]
	}
	c, err := Open(t.Context(), cfg, time.Now, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, c.Close()) })
	require.Len(t, loops, 10)
	for range 3 {
		for name, ask := range loops {
			select {
			case ask <- struct{}{}:
			case <-time.After(20 * time.Second):
				require.Fail(t, "no answer", name)
			}
		}
	}
}
