package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/testdata/pgserver"
)

// server is there for all tests.
var server *pgserver.Server

// migrated is the name of a database that has the schema and nothing else: to copy
// it takes a fifth of what the migrations take.
var migrated = sync.OnceValues(func() (string, error) {
	where, err := server.Database()
	if err != nil {
		return "", err
	}
	s, err := Open(context.Background(), where)
	if err != nil {
		return "", err
	}
	u, err := url.Parse(where)
	return strings.TrimPrefix(u.Path, "/"), errors.Join(err, s.Close())
})

// postgresEngine makes stores in databases of the server.
var postgresEngine = engine{
	fresh: func(t *testing.T) string {
		of, err := migrated()
		require.NoError(t, err)
		where, err := server.Copy(of)
		require.NoError(t, err)
		return where
	},
	empty: func(t *testing.T) string {
		where, err := server.Database()
		require.NoError(t, err)
		return where
	},
	open: func(ctx context.Context, where string) (storage, error) { return Open(ctx, where) },
	raw: func(t *testing.T, where string) *sql.DB {
		db, err := sql.Open("pgx", where+"&default_query_exec_mode=simple_protocol")
		require.NoError(t, err)
		t.Cleanup(func() { require.NoError(t, db.Close()) })
		return db
	},
	breakInserts: `create function broken() returns trigger language plpgsql as $$ begin raise exception 'broken on purpose'; end $$;
		create trigger broken before insert on %s for each row execute function broken()`,
	repair: `drop function broken cascade`,
	files:  tableFiles,
	hasty:  "set lock_timeout = 10",
	bytes:  func(b []byte) string { return fmt.Sprintf("'\\x%x'::bytea", b) },
}

func TestPostgres(t *testing.T) {
	suite(t, postgresEngine, func() { fmt.Println("stores: postgres=ok") })
}

// tableFiles are the files of a database, as after a checkpoint. The server's
// log of changes, which all databases share, is not among them.
func tableFiles(t *testing.T, where string) []string {
	t.Helper()
	db, err := sql.Open("pgx", where)
	require.NoError(t, err)
	defer func() { require.NoError(t, db.Close()) }()
	_, err = db.ExecContext(t.Context(), "checkpoint")
	require.NoError(t, err)
	var oid string
	require.NoError(t, db.QueryRowContext(t.Context(), "select oid::text from pg_database where datname = current_database()").Scan(&oid))
	files, err := filepath.Glob(filepath.Join(server.Dir, "data", "base", oid, "*"))
	require.NoError(t, err)
	require.NotEmpty(t, files)
	return files
}

// A server that may lose what it committed is refused.
func TestServersThatForgetAreRefused(t *testing.T) {
	for _, set := range []string{"fsync", "full_page_writes"} {
		other, err := pgserver.Start(set + "=off")
		require.NoError(t, err)
		where, err := other.Database()
		require.NoError(t, err)
		_, err = Open(t.Context(), where)
		require.ErrorContains(t, err, set+" is off, not on: ")
		require.NoError(t, other.Stop())
	}
	where := postgresEngine.fresh(t)
	name := where[strings.LastIndex(where, "/d")+1 : strings.Index(where, "?")]
	require.NoError(t, server.Do("alter database "+name+" set synchronous_commit = off"))
	_, err := Open(t.Context(), where)
	require.ErrorContains(t, err, "synchronous_commit is off, not on or local or remote_write or remote_apply: a commit would not survive a power cut")
	require.NoError(t, server.Do("alter database "+name+" set synchronous_commit = local"))
	s, err := Open(t.Context(), where)
	require.NoError(t, err)
	require.NoError(t, s.Close())
}
