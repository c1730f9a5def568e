package fold_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// The watch's reading is judged when the rules say of it what they must, and not
// when its values don't condense as known.
func TestRoundsAreJudged(t *testing.T) {
	b := newBench(t, nil)
	send := func(seq int64, rh float64) {
		r := reading.Reading{Time: unit.At(b.now), Run: "00000000000000aa", Seq: seq}
		r.Set(reading.InsideTemp, 10)
		r.Set(reading.InsideRH, rh)
		_, err := b.store.Commit(t.Context(), []record.Arrival{{Station: record.WatchStation, At: unit.At(b.now), Batch: reading.Batch{Readings: []reading.Reading{r}}}})
		require.NoError(t, err)
	}
	send(1, 100)
	require.NoError(t, b.folder.All(t.Context()))
	list, err := b.store.Untold(t.Context(), "00000000000000aa")
	require.NoError(t, err)
	require.Len(t, list, 1)
	send(2, 80)
	require.NoError(t, b.folder.All(t.Context()))
	require.NoError(t, b.folder.All(t.Context()))
	require.Equal(t, int64(1), b.folder.Stats().Failures, "said once; nothing else is held up by it")
	list, err = b.store.Untold(t.Context(), "00000000000000aa")
	require.NoError(t, err)
	require.Len(t, list, 1)
	stations, err := b.store.Stations(t.Context())
	require.NoError(t, err)
	for _, s := range stations {
		require.NotEqual(t, record.WatchStation, s.ID)
	}
	counts, err := b.store.Counts(t.Context())
	require.NoError(t, err)
	require.Zero(t, counts.Received)
}
