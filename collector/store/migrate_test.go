package store

import (
	"context"
	"fmt"
	"io/fs"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
)

func init() {
	also("OlderWriters", testOlderWriters)
	also("MigratedOnce", testMigratedOnce)
}

// firstTold is the first migration that says which programs may still write.
const firstTold = 20

// Each migration says in its head which is the oldest program that may still
// write, on both engines the same, and the table says so too.
func TestMigrationsTellTheOldestWriter(t *testing.T) {
	head := regexp.MustCompile(`(?m)\A-- oldest writer: (\d+)$`)
	kept := regexp.MustCompile(`insert into goose_writer \(oldest\) values \((\d+)\);|update goose_writer set oldest = (\d+);`)
	told := map[string]map[string]string{}
	oldest := 0
	for _, engine := range []string{"sqlite", "postgres"} {
		told[engine] = map[string]string{}
		files, err := fs.Glob(migrations, "migrations/"+engine+"/*.sql")
		require.NoError(t, err)
		last := 0
		for _, path := range files {
			name := path[strings.LastIndex(path, "/")+1:]
			number, err := strconv.Atoi(name[:5])
			require.NoError(t, err)
			if number < firstTold {
				continue
			}
			text, err := fs.ReadFile(migrations, path)
			require.NoError(t, err)
			said := head.FindSubmatch(text)
			require.NotNil(t, said, "%s: begin it with -- oldest writer: N", path)
			n, err := strconv.Atoi(string(said[1]))
			require.NoError(t, err)
			require.LessOrEqual(t, n, number, path)
			require.GreaterOrEqual(t, n, last, "%s: older ones could write before, and not after", path)
			if n > last {
				set := kept.FindSubmatch(text)
				require.NotNil(t, set, "%s: keep it in goose_writer", path)
				require.Equal(t, strconv.Itoa(n), string(set[1])+string(set[2]), path)
			}
			told[engine][name], last, oldest = string(said[1]), n, n
		}
	}
	require.Equal(t, told["sqlite"], told["postgres"])
	require.NotZero(t, oldest)
}

// A program that runs while a newer one changes the schema goes on if it may, and
// else stops before it writes.
func testOlderWriters(t *testing.T, e engine) {
	where := e.fresh(t)
	s := e.openAt(t, where, "a").(*Store)
	old, err := Open(t.Context(), where)
	require.NoError(t, err)
	defer func() { require.NoError(t, old.Close()) }()
	raw := e.raw(t, where)
	future := s.knows + 1
	commit(t, old, seqs("a", runA, 1))

	// A schema that older programs may still write to.
	exec(t, raw, fmt.Sprintf(`insert into goose_db_version (version_id, is_applied) values (%d, true)`, future))
	commit(t, old, seqs("a", runA, 2))
	_, err = Open(t.Context(), where)
	require.ErrorContains(t, err, "run a newer dewpost", "who starts anew must know it")

	// One that they may not.
	exec(t, raw, fmt.Sprintf(`update goose_writer set oldest = %d`, future))
	_, err = old.Commit(t.Context(), []record.Arrival{seqs("a", runA, 3)})
	require.ErrorIs(t, err, ErrOutdated)
	require.True(t, Over(err))
	_, _, err = old.ChangedStations(t.Context(), 0)
	require.ErrorIs(t, err, ErrOutdated, "a collector finds out without writing")
	require.Len(t, readAll(t, old, "a"), 2, "it can be read")
	s.knows = future // the newer one
	commit(t, s, seqs("a", runA, 3))
	require.Len(t, readAll(t, old, "a"), 3)
}

// Several that start at once bring the schema up to date once.
func testMigratedOnce(t *testing.T, e engine) {
	where := e.empty(t)
	const n = 3
	errs := make(chan error, n)
	for range n {
		go func() {
			s, err := Open(context.Background(), where)
			if err == nil {
				err = s.Close()
			}
			errs <- err
		}()
	}
	for range n {
		require.NoError(t, <-errs)
	}
	s := e.openAt(t, where)
	var twice int
	require.NoError(t, e.raw(t, where).QueryRowContext(t.Context(),
		`select count(*) from (select version_id from goose_db_version where version_id > 0 group by version_id having count(*) > 1) x`).Scan(&twice))
	require.Zero(t, twice)
	list, err := ids(reader{t.Context(), s.(*Store)}, `select oldest from goose_writer`)
	require.NoError(t, err)
	require.Len(t, list, 1)
	require.GreaterOrEqual(t, list[0], int64(firstTold))
}
