package collector_test

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dewpost/collector"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// The sample says every key, and where it says a value it is the default.
func TestSampleConfigIsTheDefaults(t *testing.T) {
	sample := "../deploy/dewpost.toml"
	cfg, err := collector.ReadConfig(sample)
	require.NoError(t, err)
	require.Equal(t, collector.DefaultConfig(), cfg)
	text, err := os.ReadFile(sample)
	require.NoError(t, err)
	sections := reflect.TypeFor[collector.Config]()
	for i := range sections.NumField() {
		section := sections.Field(i)
		if section.Tag.Get("toml") == "-" {
			continue
		}
		require.Contains(t, string(text), "["+section.Tag.Get("toml")+"]")
		for j := range section.Type.NumField() {
			require.Contains(t, string(text), section.Type.Field(j).Tag.Get("toml")+" = ")
		}
	}
}

func TestConfigErrorsNameTheKey(t *testing.T) {
	for text, want := range map[string]string{
		"[pages]\nlisten = \"0.0.0.0:80\"":                              "pages.listen",
		"[stations]\nlisten = \"192.0.2.1:1883\"":                       "stations.listen",
		"[pages]\nlisten = \"nowhere\"":                                 "write host and port",
		"[broker]\nurl = \"tcp://127.0.0.1:1\"":                         "broker.password_file is missing",
		"[broker]\nurl = \"x\"\npassword_file = \"/none\"":              "broker.password_file",
		"[broker]\nurl = \"tcp://192.0.2.1:1\"\npassword_file = \"pw\"": "plain = true",
	} {
		dir := t.TempDir()
		path := filepath.Join(dir, "dewpost.toml")
		require.NoError(t, os.WriteFile(filepath.Join(dir, "pw"), []byte("x\n"), 0o600))
		require.NoError(t, os.WriteFile(path, []byte(strings.ReplaceAll(text, `"pw"`, `"`+filepath.Join(dir, "pw")+`"`)), 0o600))
		cfg, err := collector.ReadConfig(path)
		require.NoError(t, err)
		cfg.Store.Path = filepath.Join(dir, "dewpost.db")
		if !strings.Contains(text, "pages") {
			cfg.Pages.Listen = "127.0.0.1:0"
		}
		_, err = collector.Open(t.Context(), cfg, time.Now, slog.New(slog.DiscardHandler))
		require.ErrorContains(t, err, want)
	}
}

// Open serves, Close ends everything, and what could not be opened is closed
// again: no goroutine and no lock is left either way.
func TestOpenAndClose(t *testing.T) {
	cfg := collector.DefaultConfig()
	cfg.Pages.Listen, cfg.Stations.Listen = "127.0.0.1:0", "127.0.0.1:0"
	cfg.Store.Path = filepath.Join(t.TempDir(), "dewpost.db")
	open := func(c collector.Config) (*collector.Collector, error) {
		return collector.Open(t.Context(), c, time.Now, slog.New(slog.DiscardHandler))
	}
	col, err := open(cfg)
	require.NoError(t, err)
	for path, want := range map[string]string{"/healthz": "", "/readyz": "ready", "/metrics": "dewpost_stations_to_fold 0", "/": "Today"} {
		client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, col.PagesURL()+path, nil)
		require.NoError(t, err)
		resp, err := client.Do(req)
		require.NoError(t, err)
		body, err := io.ReadAll(resp.Body)
		require.NoError(t, err)
		require.NoError(t, resp.Body.Close())
		require.Equal(t, http.StatusOK, resp.StatusCode, path)
		require.Contains(t, string(body), want)
	}
	taken := cfg
	taken.Store.Path = filepath.Join(t.TempDir(), "other.db")
	taken.Pages.Listen = strings.TrimPrefix(col.PagesURL(), "http://")
	_, err = open(taken)
	require.ErrorContains(t, err, "pages")

	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.NoError(t, col.Wait(ctx))
	require.NoError(t, col.Close())
	col, err = open(cfg)
	require.NoError(t, err, "the store is free again")
	require.NoError(t, col.Close())
}
