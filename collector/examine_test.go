package collector_test

import (
	"bytes"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector"
	"dewpost/collector/backup"
	"dewpost/collector/doctor"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
	"dewpost/testdata/blank"
)

// A collector says at its start when there is something to lose and no backup,
// or none of late; and the doctor finds it at work.
func TestBackupsAreMissed(t *testing.T) {
	cfg := collector.DefaultConfig()
	cfg.Pages.Listen, cfg.Stations.Listen = "127.0.0.1:0", "127.0.0.1:0"
	cfg.Store.Path = blank.Store(t)
	now := time.Date(2026, 5, 1, 10, 0, 0, 0, time.UTC)
	clock := func() time.Time { return now }
	starts := func() string {
		var log bytes.Buffer
		col, err := collector.Open(t.Context(), cfg, clock, slog.New(slog.NewTextHandler(&log, nil)))
		require.NoError(t, err)
		at := cfg
		at.Pages.Listen = strings.TrimPrefix(col.PagesURL(), "http://")
		require.Contains(t, about(collector.Examine(t.Context(), at, now).Fine), "collector: The collector answers at "+at.Pages.Listen)
		require.NoError(t, col.Close())
		return log.String()
	}
	require.NotContains(t, starts(), "backup", "there is nothing to lose")

	s, err := store.Open(t.Context(), cfg.Store.Path)
	require.NoError(t, err)
	secret, err := receipt.NewSecret([]byte("sixteen bytes or more"))
	require.NoError(t, err)
	require.NoError(t, s.AddStation(t.Context(), record.Station{ID: "lake-07", Secret: secret, Enrolled: unit.At(now)}, "test"))
	r := reading.Reading{Time: unit.At(now)}
	r.Set(reading.InsideTemp, 11)
	_, err = s.Commit(t.Context(), []record.Arrival{{Station: "lake-07", At: unit.At(now), Batch: reading.Batch{Readings: []reading.Reading{r}}}})
	require.NoError(t, err)
	require.NoError(t, s.Close())
	require.Contains(t, starts(), "no backup of this store was ever made")
	_, err = backup.Make(t.Context(), backup.Config{Store: cfg.Store.Path, Target: t.TempDir(), Now: clock})
	require.NoError(t, err)
	require.NotContains(t, starts(), "backup")
	now = now.Add(record.BackupOld + time.Minute)
	require.Contains(t, starts(), "the newest backup of this store is old")
}

func about(list []doctor.Line) string {
	var b strings.Builder
	for _, l := range list {
		b.WriteString(l.About + ": " + l.Says + "\n")
	}
	return b.String()
}

// What the config names is looked at.
func TestExamineLooksAtWhatTheConfigNames(t *testing.T) {
	dir := t.TempDir()
	cfg := collector.DefaultConfig()
	cfg.Store.Path = filepath.Join(dir, "dewpost.db")
	cfg.Pages.Listen = "0.0.0.0:1"
	cfg.TLS.KeyFile = filepath.Join(dir, "key.pem")
	require.NoError(t, os.WriteFile(cfg.TLS.KeyFile, nil, 0o644))
	r := collector.Examine(t.Context(), cfg, time.Now())
	todo := about(r.Todo)
	require.Contains(t, todo, "config: The collector would not start: ")
	require.Contains(t, todo, `; pages.listen "0.0.0.0:1"`)
	require.Contains(t, todo, `collector: The collector does not answer: Get "https://127.0.0.1:1/healthz"`)
	require.Contains(t, todo, "secrets: "+cfg.TLS.KeyFile+" holds secrets and has mode 0644")
	require.Contains(t, todo, "store: There is no store")
}
