package collector

import (
	"context"
	"fmt"
	"log/slog"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
	"dewpost/testdata/blank"
)

// packOnce packs a day, so that what packs is not made within a bubble, in which
// alone it could then be used.
func packOnce(t *testing.T) {
	s, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "once.db"))
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	secret, err := receipt.NewSecret([]byte("0123456789abcdef"))
	require.NoError(t, err)
	require.NoError(t, s.AddStation(t.Context(), record.Station{ID: "once", Secret: secret, Enrolled: 1}, "test"))
	_, err = s.Commit(t.Context(), []record.Arrival{{Station: "once", At: 5, Batch: reading.Batch{Readings: []reading.Reading{{Time: 5, Run: "00000000000000aa", Seq: 1}, {Time: 6, Run: "00000000000000aa", Seq: 2}}}}})
	require.NoError(t, err)
	_, _, err = s.PackDays(t.Context(), unit.At(time.Now()), "", 1)
	require.NoError(t, err)
}

// Closed days are packed soon after the start and then each hour, of more
// stations than are looked through in one breath.
func TestClosedDaysArePacked(t *testing.T) {
	packOnce(t)
	synctest.Test(t, func(t *testing.T) {
		s, err := store.Open(t.Context(), blank.Store(t))
		require.NoError(t, err)
		c := &Collector{store: s, now: time.Now, log: slog.New(slog.DiscardHandler)}
		const stations = 2*packStations + 1
		secret, err := receipt.NewSecret([]byte("0123456789abcdef"))
		require.NoError(t, err)
		begin := time.Now()
		seq := int64(0)
		send := func(n int) {
			for range n {
				var list []record.Arrival
				seq++
				for i := range stations {
					r := reading.Reading{Time: unit.At(time.Now()), Run: fmt.Sprintf("%016x", i+1), Seq: seq}
					r.Set(reading.InsideTemp, float64(seq%20))
					r.Set(reading.InsideRH, float64(seq%20))
					list = append(list, record.Arrival{Station: fmt.Sprintf("st-%03d", i), At: r.Time, Batch: reading.Batch{Readings: []reading.Reading{r}}})
				}
				_, err := s.Commit(t.Context(), list)
				require.NoError(t, err)
				time.Sleep(20 * time.Minute)
			}
		}
		for i := range stations {
			require.NoError(t, s.AddStation(t.Context(), record.Station{ID: fmt.Sprintf("st-%03d", i), Secret: secret, Enrolled: 1}, "test"))
		}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error)
		go func() { ended <- c.packDays(ctx, nil) }()

		send(2 * 72) // two days
		require.Zero(t, c.packedSoFar(), "no day ended a day ago")
		time.Sleep(packEvery + time.Minute)
		require.Equal(t, int64(stations), c.packedSoFar().Days)
		require.Equal(t, int64(72*stations), c.packedSoFar().Readings)
		send(72)
		time.Sleep(packEvery)
		require.Equal(t, int64(2*stations), c.packedSoFar().Days)
		list, err := s.Readings(t.Context(), "st-100", unit.At(begin), unit.At(time.Now()))
		require.NoError(t, err)
		require.Len(t, list, 3*72)

		require.NoError(t, s.Close()) // what fails is tried again
		time.Sleep(2 * packEvery)
		cancel()
		require.NoError(t, <-ended)
	})
}
