package store

import (
	"context"
	"database/sql"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dewpost/collector/record"
	"dewpost/rules/receipt"
	"dewpost/testdata/pgserver"
)

func TestMain(m *testing.M) {
	var err error
	if os.Getenv("PROOF_SCALE") == "quick" {
		err = flag.Set("rapid.checks", "30")
	}
	if err == nil {
		server, err = pgserver.Start()
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	goleak.VerifyTestMain(m, goleak.Cleanup(func(code int) {
		if err := server.Stop(); err != nil {
			fmt.Fprintln(os.Stderr, err)
			code = 1
		}
		os.Exit(code)
	}), goleak.IgnoreTopFunction("database/sql.(*DB).connectionOpener"))
}

func unitMinutes(n int64) time.Duration { return time.Duration(n) * time.Minute }

// sqliteEngine makes stores in files.
var sqliteEngine = engine{
	fresh: func(t *testing.T) string { return filepath.Join(t.TempDir(), "store.db") },
	empty: func(t *testing.T) string { return filepath.Join(t.TempDir(), "store.db") },
	open:  func(ctx context.Context, where string) (storage, error) { return Open(ctx, where) },
	raw: func(t *testing.T, where string) *sql.DB {
		db, err := openSQLite(where, "busy_timeout(10000)", 1)
		require.NoError(t, err)
		t.Cleanup(func() { require.NoError(t, db.Close()) })
		return db
	},
	breakInserts: `create trigger broken before insert on %s begin select raise(abort, 'broken on purpose'); end`,
	repair:       `drop trigger broken`,
	hasty:        "pragma busy_timeout = 10",
	bytes:        func(b []byte) string { return fmt.Sprintf("x'%x'", b) },
	files: func(_ *testing.T, where string) []string {
		return []string{where, where + "-wal", where + "-shm", where + "-journal"}
	},
}

func TestSQLite(t *testing.T) {
	suite(t, sqliteEngine, func() { fmt.Printf("stores: suite=%d sqlite=ok\n", len(promises)) })
}

func testSecret(tb testing.TB, text string) receipt.Secret {
	secret, err := receipt.NewSecret([]byte("0123456789abcdef" + text))
	require.NoError(tb, err)
	return secret
}

func enrol(tb testing.TB, s storage, id string) {
	tb.Helper()
	require.NoError(tb, s.AddStation(context.Background(), record.Station{ID: id, Secret: testSecret(tb, id), Enrolled: 1}, "test"))
}

func TestFileIsPrivate(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a b?c#d%e.db") // not to be taken for a URL
	require.NoError(t, os.WriteFile(path, nil, 0o644))
	s, err := Open(t.Context(), path)
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	enrol(t, s, "a")
	for _, suffix := range []string{"", "-wal", "-shm"} {
		info, err := os.Stat(path + suffix)
		require.NoError(t, err)
		require.Equal(t, os.FileMode(0o600), info.Mode().Perm(), "%s", suffix)
		require.Positive(t, info.Size(), "%s", suffix)
	}
}

func TestOpenSetsTheEngine(t *testing.T) {
	s, err := Open(t.Context(), filepath.Join(t.TempDir(), "store.db"))
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	for name, q := range map[string]func(query string, dest any) error{
		"writer": func(query string, dest any) error {
			return s.inTx(t.Context(), func(tx *tx) error { return tx.row(query, nil, dest) })
		},
		"reader": func(query string, dest any) error { return s.read.QueryRowContext(t.Context(), query).Scan(dest) },
	} {
		var journal string
		var sync, keys int
		require.NoError(t, q("pragma journal_mode", &journal))
		require.NoError(t, q("pragma synchronous", &sync))
		require.NoError(t, q("pragma foreign_keys", &keys))
		require.Equal(t, "wal", journal, name)
		require.Equal(t, 2, sync, name)
		require.Equal(t, 1, keys, name)
	}
	_, err = s.read.ExecContext(t.Context(), "delete from total")
	require.ErrorContains(t, err, "readonly", "a reader that writes")
}

func TestOpenRefusesWhatIsNoStore(t *testing.T) {
	path := filepath.Join(t.TempDir(), "letter.txt")
	require.NoError(t, os.WriteFile(path, []byte("Dear colleague, this is a letter of more than a few bytes."), 0o600))
	_, err := Open(t.Context(), path)
	require.ErrorContains(t, err, path)
	require.ErrorContains(t, err, "not a database")

	_, err = Open(t.Context(), filepath.Join(t.TempDir(), "missing", "store.db"))
	require.ErrorIs(t, err, os.ErrNotExist)
}

// TestTwoProcesses has two stores on one file, as a daemon and a command are.
func TestTwoProcesses(t *testing.T) {
	path := filepath.Join(t.TempDir(), "store.db")
	a, err := Open(t.Context(), path)
	require.NoError(t, err)
	defer func() { require.NoError(t, a.Close()) }()
	b, err := Open(t.Context(), path)
	require.NoError(t, err)
	defer func() { require.NoError(t, b.Close()) }()
	enrol(t, a, "a")
	for i := range int64(40) {
		s := []*Store{a, b}[i%2]
		got := commit(t, s, arrival("a", keyed(runA, i+1)))
		require.Equal(t, []record.RunState{{Run: runA, Upto: i + 1}}, got[0].Runs)
	}
	require.NoError(t, b.Retire(t.Context(), "a", 5, "test"))
	got := commit(t, a, arrival("a", keyed(runA, 41)))
	require.Equal(t, 1, got[0].Refused, "retired in another process")
}
