package collector

import (
	"context"
	"log/slog"
	"math"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/fold"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

func TestAge(t *testing.T) {
	now := time.Date(2028, 2, 29, 12, 0, 0, 0, time.UTC)
	for text, want := range map[string]time.Time{
		"3y": time.Date(2025, 3, 1, 12, 0, 0, 0, time.UTC), "1y": time.Date(2027, 3, 1, 12, 0, 0, 0, time.UTC),
		"90d": now.AddDate(0, 0, -90), "400d": now.AddDate(0, 0, -400),
	} {
		var a Age
		require.NoError(t, a.UnmarshalText([]byte(text)))
		require.Equal(t, unit.At(want), a.Before(now), text)
		require.Equal(t, text, a.String())
		require.False(t, a.Ever())
	}
	var a Age
	require.NoError(t, a.UnmarshalText(nil))
	require.True(t, a.Ever())
	require.Equal(t, "for ever", a.String())
	for _, text := range []string{"3", "y", "0y", "-1y", "201y", "89d", "100001d", "3 y", "3m", "1y2d", "d", " 90d"} {
		require.ErrorContains(t, a.UnmarshalText([]byte(text)), "write years or days", text)
	}
}

// Old readings go soon after the start and then each hour, and no others.
func TestOldReadingsAreLetGo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "dewpost.db"))
		require.NoError(t, err)
		cfg := DefaultConfig()
		require.NoError(t, cfg.Keep.Raw.UnmarshalText([]byte("90d")))
		c := &Collector{cfg: cfg, store: s, now: time.Now, log: slog.New(slog.DiscardHandler)}
		secret, err := receipt.NewSecret([]byte("0123456789abcdef"))
		require.NoError(t, err)
		begin := time.Now()
		var rs []reading.Reading
		for i := range int64(200 * 8) {
			r := reading.Reading{Time: unit.At(begin.Add(time.Duration(i) * 3 * time.Hour)), Run: "00000000000000aa", Seq: i + 1}
			r.Set(reading.InsideTemp, float64(i%20))
			r.Set(reading.InsideRH, 80)
			rs = append(rs, r)
		}
		for _, id := range []string{"lake-07", "lake-08"} {
			require.NoError(t, s.AddStation(t.Context(), record.Station{ID: id, Secret: secret, Enrolled: 1}, "test"))
			_, err = s.Commit(t.Context(), []record.Arrival{{Station: id, At: rs[len(rs)-1].Time, Batch: reading.Batch{Readings: rs}}})
			require.NoError(t, err)
		}
		time.Sleep(200 * 24 * time.Hour)
		folder := fold.New(fold.Config{Store: s, Now: time.Now, Log: c.log})
		require.NoError(t, folder.All(t.Context()))
		_, _, err = s.PackDays(t.Context(), unit.At(time.Now()), "", 9)
		require.NoError(t, err)

		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error)
		go func() { ended <- c.letGo(ctx, nil) }()
		gone := func() float64 {
			n, err := c.readingsLetGo(t.Context())
			require.NoError(t, err)
			return n
		}
		time.Sleep(firstGoing - time.Second)
		require.Zero(t, gone())
		time.Sleep(2 * time.Second)
		n := gone()
		require.Positive(t, n)
		held, err := s.Readings(t.Context(), "lake-07", math.MinInt64, math.MaxInt64)
		require.NoError(t, err)
		require.InDelta(t, n/2+float64(len(held)), len(rs), 0)
		require.Less(t, held[0].Time, cfg.Keep.Raw.Before(time.Now()))
		time.Sleep(70 * 24 * time.Hour) // the next state of the boxes is old enough
		require.Greater(t, gone(), n)
		_, err = s.Verify(t.Context())
		require.NoError(t, err)

		require.NoError(t, s.Close()) // what fails is tried again
		time.Sleep(2 * goEvery)
		cancel()
		require.NoError(t, <-ended)

		ever := &Collector{cfg: DefaultConfig()}
		ctx, cancel = context.WithCancel(t.Context())
		ask := make(chan struct{})
		go func() { ended <- ever.letGo(ctx, ask) }()
		ask <- struct{}{}
		cancel()
		require.NoError(t, <-ended)
	})
}
