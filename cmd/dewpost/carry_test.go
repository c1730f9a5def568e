package main

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/require"

	"dewpost/agent"
)

// TestCarry runs an agent as a logger until it has written a file, and then the
// commands by which the workshop imports it.
func TestCarry(t *testing.T) {
	dir := t.TempDir()
	cfg := agent.Config{
		SpoolDir: filepath.Join(dir, "spool"), ClockWait: agent.Duration(time.Second),
		Logger: agent.Logger{Dir: filepath.Join(dir, "carry"), Every: agent.Duration(time.Second)},
		Stations: []agent.Station{{
			ID: "lake-07", Interval: agent.Duration(time.Second), Burst: 1, Sensors: []agent.Sensor{{Driver: "sim", Sim: &agent.Sim{Board: true}}},
		}},
	}
	a, err := agent.New(cfg)
	require.NoError(t, err)
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx) }()
	var files []string
	require.Eventually(t, func() bool {
		files, err = filepath.Glob(filepath.Join(dir, "carry", "lake-07-*.csv"))
		return err == nil && len(files) > 0
	}, 20*time.Second, 10*time.Millisecond)
	stop()
	require.NoError(t, <-done)
	text, err := os.ReadFile(files[0])
	require.NoError(t, err)
	testscript.Run(t, testscript.Params{
		Files: []string{"testdata/carry/import.txt"}, RequireExplicitExec: true,
		Setup: func(e *testscript.Env) error {
			return os.WriteFile(filepath.Join(e.WorkDir, "carried.csv"), text, 0o600)
		},
	})
}
