package fold_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// What is allowed from now on counts now, as on the pages: a station that reads each
// twelve hours from here on isn't silent after three. And what was allowed when it was
// heard last counts until it is heard again.
func TestSilenceByWhatIsAllowedFromNowOn(t *testing.T) {
	ctx := context.Background()
	b := newBench(t, nil)
	b.enrol(t, "slower", nil)
	b.enrol(t, "quicker", map[string]string{fact.Interval: "12h"})
	b.take(t, "slower", dry(0))
	b.take(t, "quicker", dry(0))
	b.now = start.Add(2 * time.Hour).Time()
	b.fact(t, fact.KindStation, "slower", fact.Interval, "12h", unit.At(b.now))
	b.fact(t, fact.KindStation, "quicker", fact.Interval, "10m", unit.At(b.now))
	for range 40 {
		b.now = b.now.Add(15 * time.Minute)
		require.NoError(t, b.folder.Minute(ctx))
	}
	open, err := b.store.OpenOccurrences(ctx)
	require.NoError(t, err)
	require.Empty(t, open)
}
