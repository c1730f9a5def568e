package collector

import (
	"context"
	"database/sql"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
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
	"dewpost/testdata/blank"
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
	packOnce(t)
	synctest.Test(t, func(t *testing.T) {
		s, err := store.Open(t.Context(), blank.Store(t))
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

func TestExportConfig(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*Export)
		want   string
	}{
		"none":         {func(x *Export) { *x = DefaultConfig().Export }, ""},
		"as it is":     {func(*Export) {}, ""},
		"local":        {func(x *Export) { x.URL = "http://[::1]:80/x?y=z" }, ""},
		"local name":   {func(x *Export) { x.URL = "http://localhost/x" }, ""},
		"plain":        {func(x *Export) { x.URL, x.Plain = "http://192.0.2.7/x", true }, ""},
		"not plain":    {func(x *Export) { x.URL = "http://192.0.2.7/x" }, "export.plain = true"},
		"no URL":       {func(x *Export) { x.URL, x.TokenFile = "", "token" }, "export.url is missing"},
		"a path":       {func(x *Export) { x.URL = "/lines" }, "export.url"},
		"a password":   {func(x *Export) { x.URL = "https://a:b@receiver.example" }, "without a password"},
		"nothing":      {func(x *Export) { x.What = nil }, "export.what is empty"},
		"twice":        {func(x *Export) { x.What = []string{"hours", "hours"} }, `export.what "hours"`},
		"unknown":      {func(x *Export) { x.What = []string{"days"} }, `export.what "days"`},
		"no lines":     {func(x *Export) { x.Lines = 0 }, "export.lines 0"},
		"many lines":   {func(x *Export) { x.Lines = 1 << 20 }, "export.lines"},
		"all the time": {func(x *Export) { x.Every = 0 }, `export.every "0s"`},
	} {
		x := DefaultConfig().Export
		x.URL = "https://receiver.example/lines"
		c.change(&x)
		if err := x.check(); c.want == "" {
			require.NoError(t, err, name)
		} else {
			require.ErrorContains(t, err, c.want, name)
		}
	}
	x := DefaultConfig().Export
	x.CAFile = filepath.Join(t.TempDir(), "none")
	_, err := x.client()
	require.ErrorContains(t, err, "export.ca_file")
	require.NoError(t, os.WriteFile(x.CAFile, []byte("none"), 0o600))
	_, err = x.client()
	require.ErrorContains(t, err, "no certificate")
}

// What the collector folds comes to who is named in its config.
func TestHoursAreSentOn(t *testing.T) {
	got := make(chan string, 9)
	server := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		got <- fmt.Sprint(r.Header.Get("Authorization"), " ", string(body), err)
	}))
	defer server.Close()
	cfg := DefaultConfig()
	cfg.Pages.Listen, cfg.Stations.Listen = "127.0.0.1:0", "127.0.0.1:0"
	dir := t.TempDir()
	cfg.Store.Path = filepath.Join(dir, "dewpost.db")
	cfg.Export.URL, cfg.Export.Gzip, cfg.Export.TokenFile = server.URL, false, filepath.Join(dir, "token")
	_, err := Open(t.Context(), cfg, time.Now, slog.New(slog.DiscardHandler))
	require.ErrorContains(t, err, "export.token_file")
	require.NoError(t, os.WriteFile(cfg.Export.TokenFile, []byte("otter\n"), 0o600))
	s, err := store.Open(t.Context(), cfg.Store.Path)
	require.NoError(t, err)
	secret, err := receipt.NewSecret([]byte("0123456789abcdef"))
	require.NoError(t, err)
	require.NoError(t, s.AddStation(t.Context(), record.Station{ID: "lake-07", Secret: secret, Enrolled: 1}, "test"))
	at := unit.At(time.Now().Add(-time.Hour)).Floor(time.Hour)
	for i := range int64(2) {
		r := reading.Reading{Time: at.Add(time.Duration(i) * 10 * time.Minute), Run: "00000000000000aa", Seq: i + 1}
		r.Set(reading.InsideTemp, 5)
		_, err = s.Commit(t.Context(), []record.Arrival{{Station: "lake-07", At: r.Time, Batch: reading.Batch{Readings: []reading.Reading{r}}}})
		require.NoError(t, err)
	}
	folder := fold.New(fold.Config{Store: s, Now: time.Now, Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, folder.All(t.Context()))
	require.NoError(t, s.Close())
	c, err := Open(t.Context(), cfg, time.Now, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	line := <-got
	require.Regexp(t, `^Bearer otter hour,station=lake-07 known_s=0,unknown_s=600,.* `+fmt.Sprint(int64(at)), line)
	require.NoError(t, c.Close())
}

// A collector whose database a newer program has changed ends, and says why.
func TestAnOutdatedCollectorEnds(t *testing.T) {
	cfg := DefaultConfig()
	cfg.Pages.Listen, cfg.Stations.Listen = "127.0.0.1:0", "127.0.0.1:0"
	cfg.Store.Path = blank.Store(t)
	c, err := Open(t.Context(), cfg, time.Now, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	raw, err := sql.Open("sqlite", cfg.Store.Path+"?_pragma=busy_timeout(10000)")
	require.NoError(t, err)
	_, err = raw.ExecContext(t.Context(), `update goose_writer set oldest = 9999`)
	require.NoError(t, err)
	require.NoError(t, raw.Close())
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	require.ErrorIs(t, c.Wait(ctx), store.ErrOutdated)
	require.NoError(t, c.Close())
}
