package feed_test

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/feed"
	"dewpost/collector/fold"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
)

// BenchmarkStep sends all of five stations once more: a week of hours each, or of
// readings by the minute.
func BenchmarkStep(b *testing.B) {
	server := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { _, _ = io.Copy(io.Discard, r.Body) }))
	defer server.Close()
	ctx := context.Background()
	s, err := store.Open(ctx, filepath.Join(b.TempDir(), "dewpost.db"))
	require.NoError(b, err)
	defer func() { require.NoError(b, s.Close()) }()
	secret, err := receipt.NewSecret([]byte("sixteen bytes or more"))
	require.NoError(b, err)
	for _, id := range []string{"a", "b", "c", "d", "e"} {
		require.NoError(b, s.AddStation(ctx, record.Station{ID: id, Secret: secret, Enrolled: 1}, "bench"))
		var rs []reading.Reading
		for i := range int64(7 * 1440) {
			rs = append(rs, box(run, i+1, start.Add(time.Duration(i)*time.Minute), float64(i%250)/10))
		}
		_, err := s.Commit(ctx, []record.Arrival{{Station: id, At: start, Batch: reading.Batch{Readings: rs}}})
		require.NoError(b, err)
	}
	log := slog.New(slog.DiscardHandler)
	folder := fold.New(fold.Config{Store: s, Now: time.Now, Log: log})
	require.NoError(b, folder.All(ctx))
	for _, what := range []string{record.FeedHours, record.FeedReadings} {
		for name, packed := range map[string]bool{"plain": false, "gzip": true} {
			b.Run(what+"/"+name, func(b *testing.B) {
				post := &feed.HTTP{URL: server.URL, Gzip: packed, Client: feed.Client(), Now: time.Now}
				defer post.Client.CloseIdleConnections()
				f := feed.New(feed.Config{Store: s, Post: post.Post, Target: server.URL, What: []string{what}, Lines: 5000, Now: time.Now, Log: log})
				require.NoError(b, f.Step(ctx))
				before := f.Stats().Sent
				for b.Loop() {
					require.NoError(b, s.FeedAgain(ctx, 5, "bench"))
					require.NoError(b, f.Step(ctx))
				}
				b.ReportMetric(float64(f.Stats().Sent-before)/b.Elapsed().Seconds(), "lines/s")
			})
		}
	}
}
