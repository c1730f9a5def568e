package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/testdata/pgserver"
)

// TestMoveWhileReadingsArrive moves an installation from a file to a database
// and back while its agents send: in the end every reading is there once, the
// ledger is that of an offline assessment, and nothing was written to the stores
// left behind after they were left.
func TestMoveWhileReadingsArrive(t *testing.T) {
	server, err := pgserver.Start()
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, server.Stop()) })
	url, err := server.Database()
	require.NoError(t, err)

	w := custodyLogs(t, custodyRows, custodyBegin)
	s := w.shop(t, false)
	file := filepath.Join(s.dir, "dewpost.db")
	all := 0
	for i := range w.series {
		all += w.series[i].rows
	}
	collector := s.serve(t)
	agent := s.agent(t, s.agentConfig(t))
	for n, to := range []string{url, filepath.Join(s.dir, "again.db")} {
		share := all * (1 + n) / 4
		require.Eventually(t, func() bool { return s.stored(t) > share }, time.Minute, time.Millisecond)
		from := []string{file, url}[n]
		out := string(s.dewpost(t, "move", "--from", from, "--to", to))
		require.Contains(t, out, "moved, and compared row by row")
		require.Error(t, collector.Wait(), "the collector of what was left ends by itself")
		require.Contains(t, s.logs[collector].String(), "it was moved to another place: name that in the config")
		require.Contains(t, s.fails(t, "serve", "-c", s.config), "it was moved to another place")
		require.Contains(t, s.fails(t, "move", "--from", from, "--to", filepath.Join(s.dir, "third.db")), "it was moved to another place")
		s.storeAt(t, to)
		collector = s.serve(t)
		if n == 0 {
			s.backUpDatabase(t, server)
		}
	}
	require.NoError(t, agent.Wait(), "the agent ends when all is receipted")
	require.Equal(t, all, s.stored(t), "each once")
	s.compare(t)
	if !t.Failed() {
		fmt.Println("stores: moved_equal=true")
	}
}

// doctor is all that the doctor says.
func (s *shop) doctor(t *testing.T) string {
	t.Helper()
	// It ends with 1 where a person should act, and says why.
	out, _ := exec.Command(filepath.Join(s.workshop.dir, "dewpost"), "doctor", "-c", s.config).CombinedOutput()
	return string(out)
}

// storeAt names another store in the config.
func (s *shop) storeAt(t *testing.T, where string) {
	t.Helper()
	text, err := os.ReadFile(s.config)
	require.NoError(t, err)
	head, _, _ := strings.Cut(string(text), "[store]")
	lines := fmt.Sprintf("path = %q\n", where)
	if strings.HasPrefix(where, "postgres://") {
		lines = fmt.Sprintf("path = %q\nurl = %q\n", filepath.Join(s.dir, "dewpost.db"), where)
	}
	require.NoError(t, os.WriteFile(s.config, []byte(head+"[store]\n"+lines), 0o600))
}

// backUpDatabase makes a backup of the database in use, and puts it back into
// another one.
func (s *shop) backUpDatabase(t *testing.T, server *pgserver.Server) {
	t.Helper()
	file := filepath.Join(s.dir, "database.backup")
	s.dewpost(t, "backup", file, "-c", s.config)
	seen := s.seen(t, file)
	out := s.dewpost(t, "backup", "--verify", file)
	require.Contains(t, string(out), "all that came in before "+seen.made.String())
	require.Contains(t, s.fails(t, "restore", file, "-c", s.config), "there is something in it already")
	require.Contains(t, s.doctor(t), "synchronous_commit on")

	used, err := os.ReadFile(s.config)
	require.NoError(t, err)
	url, err := server.Database()
	require.NoError(t, err)
	s.storeAt(t, url)
	out = s.dewpost(t, "restore", file, "-c", s.config)
	require.Contains(t, string(out), "At risk: readings received from "+seen.made.String())
	require.Contains(t, string(s.dewpost(t, "station", "list", "-c", s.config)), s.series[0].station)
	require.NoError(t, os.WriteFile(s.config, used, 0o600))
}
