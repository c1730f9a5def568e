package main

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// The demo as a person runs it: it comes up, its 24 stations are there with
// their ten weeks, it goes on in fast time, and when it is stopped nothing is
// left.
func TestDemo(t *testing.T) {
	dir := t.TempDir()
	program := filepath.Join(dir, "dewpost")
	build(t, dir, "dewpost")
	scratch := filepath.Join(dir, "scratch")
	require.NoError(t, os.Mkdir(scratch, 0o700))

	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, program, "demo", "--listen", "127.0.0.1:0")
	cmd.Env = append(os.Environ(), "TMPDIR="+scratch)
	stdout, err := cmd.StdoutPipe()
	require.NoError(t, err)
	cmd.Stderr = os.Stderr
	require.NoError(t, cmd.Start())
	lines := bufio.NewReader(stdout)
	url := ""
	for url == "" {
		line, err := lines.ReadString('\n')
		require.NoError(t, err, "it ended before it was up")
		if rest, ok := strings.CutPrefix(line, "Open "); ok {
			url = strings.TrimSpace(rest)
		}
	}
	rest := make(chan string, 1)
	go func() {
		text, _ := io.ReadAll(lines) // ends with the program
		rest <- string(text)
	}()

	get := func(path string, into any) {
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, url+path, nil)
		require.NoError(t, err)
		resp, err := http.DefaultClient.Do(req)
		require.NoError(t, err)
		defer resp.Body.Close()
		require.Equal(t, http.StatusOK, resp.StatusCode, path)
		if into != nil {
			require.NoError(t, json.NewDecoder(resp.Body).Decode(into))
		}
	}
	var stations struct {
		Items []struct {
			ID string `json:"id"`
		} `json:"items"`
	}
	get("/api/v1/stations", &stations)
	require.Len(t, stations.Items, 24)
	for _, st := range stations.Items {
		get("/stations/"+st.ID, nil)
	}
	get("/", nil)
	var visits struct {
		Items []struct {
			Visit   int64
			Station string
			State   string
			Why     []any
		}
	}
	get("/api/v1/visits", &visits)
	require.Len(t, visits.Items, 2)
	require.Equal(t, []string{"lake-07", "planned", "lake-02", "done"}, []string{visits.Items[0].Station, visits.Items[0].State, visits.Items[1].Station, visits.Items[1].State})
	require.NotEmpty(t, visits.Items[0].Why)
	for _, path := range []string{"/visits/1", "/visits/2/card", "/visits/2/card.pdf", "/plan"} {
		get(path, nil)
	}
	get("/parts", nil)
	var parts struct {
		Items []struct {
			Kind                        string
			Stock, Free, Makeable, Held int64
		}
	}
	get("/api/v1/parts", &parts)
	require.Equal(t, "keypad-out", parts.Items[7].Kind)
	require.Equal(t, int64(3), parts.Items[7].Makeable, "from indoor ones")
	var hours struct {
		Items []struct {
			Known float64 `json:"known_s"`
		} `json:"items"`
	}
	get("/api/v1/stations/lake-01/hours?limit=2000", &hours)
	require.GreaterOrEqual(t, len(hours.Items), 70*24)
	known := 0.0
	for _, h := range hours.Items {
		known += h.Known / 3600
	}
	require.Greater(t, known, 0.99*70*24)
	before := len(hours.Items)
	require.Eventually(t, func() bool {
		get("/api/v1/stations/lake-01/hours?limit=2000", &hours)
		return len(hours.Items) > before
	}, time.Minute, 500*time.Millisecond, "time does not run on")

	require.NoError(t, cmd.Process.Signal(syscall.SIGINT))
	require.Contains(t, <-rest, "leaves nothing behind")
	require.NoError(t, cmd.Wait())
	left, err := os.ReadDir(scratch)
	require.NoError(t, err)
	require.Empty(t, left)
}
