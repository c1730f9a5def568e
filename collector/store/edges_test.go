package store

import (
	"context"
	"encoding/binary"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// What is damaged under a right checksum, as by a program with a mistake, is an
// error too.
func TestPackedNonsense(t *testing.T) {
	for name, body := range map[string][]byte{
		"unknown bits of head":     {packVersion, headAll + 1},
		"a channel that isn't one": binary.AppendUvarint([]byte{packVersion, headPresent}, 1<<reading.NumChannels),
		"flags beyond the end":     {packVersion, headFlags, 9},
		"a cut number":             {packVersion, headTime, 0x80},
		"a value beyond the end":   {packVersion, headPresent | headRaw, 1, 1, 0},
	} {
		_, err := unpack(nil, runA, seal(body))
		require.ErrorIs(t, err, errPacked, name)
	}
	for name, body := range map[string][]byte{
		"a cut hour":     {hourVersion, 0, 1},
		"an hour 24":     append([]byte{hourVersion, 0, 24, 0}, make([]byte, 21)...),
		"another basis":  append([]byte{hourVersion, 0, 1, 99}, make([]byte, 21)...),
		"a cut mean":     append([]byte{hourVersion, hourKnown, 1, 0}, make([]byte, 21)...),
		"a cut hash":     append([]byte{hourVersion, hourFacts, 1, 0}, append(make([]byte, 20), 9)...),
		"an empty start": {hourVersion, 0, 1, 0},
	} {
		_, err := unpackHours(nil, 0, seal(body))
		require.ErrorIs(t, err, errPackedHours, name)
	}
}

func TestOldestIsCutOutOfALine(t *testing.T) {
	for line, want := range map[string]string{
		"r seq=4i,oldest=3i,x=1 5": "r seq=4i,x=1 5",
		"r seq=4i,oldest=3i":       "r seq=4i",
		"r seq=4i,x=1 5":           "r seq=4i,x=1 5",
		"r seq=4i,oldest=,x=1":     "r seq=4i,oldest=,x=1",
		"r seq=4i,oldest=3":        "r seq=4i,oldest=3",
		"r seq=4i,oldest=3u,x=1":   "r seq=4i,oldest=3u,x=1",
	} {
		require.Equal(t, want, string(withoutOldest([]byte(line))), line)
	}
}

// A schema is brought up to date while nobody has the file open who may not know
// it, and not before there is a copy.
func TestUpgrade(t *testing.T) {
	path := rich(t)
	exec(t, sqliteEngine.raw(t, path), undoing(t, 3))
	older, err := lock(path, false)
	require.NoError(t, err)
	_, err = Open(t.Context(), path)
	require.ErrorIs(t, err, errOlder)
	require.ErrorContains(t, err, "from version 2")
	require.NoFileExists(t, path+".schema-2")
	require.NoError(t, older.Close())
	require.NoError(t, os.WriteFile(path+".schema-2", []byte("a copy that was not finished"), 0o644))
	s := sqliteEngine.openAt(t, path)
	other := sqliteEngine.openAt(t, path)
	enrol(t, other, "c")
	require.Len(t, readAll(t, s, "a"), 4)
	was, err := OpenReadOnly(t.Context(), path+".schema-2")
	require.NoError(t, err)
	has, _, err := was.Schema(t.Context())
	require.NoError(t, err)
	require.Equal(t, int64(2), has)
	require.NoError(t, was.Close())
	info, err := os.Stat(path + ".schema-2")
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
}

// undoing returns statements that take back the migrations from a number on.
func undoing(t *testing.T, from int) string {
	t.Helper()
	files, err := fs.Glob(migrations, "migrations/sqlite/*.sql")
	require.NoError(t, err)
	var undo []string
	for _, name := range files {
		var n int
		_, err := fmt.Sscanf(filepath.Base(name), "%05d_", &n)
		require.NoError(t, err)
		if n < from {
			continue
		}
		body, err := migrations.ReadFile(name)
		require.NoError(t, err)
		added := regexp.MustCompile(`(?m)^alter table (\w+) add column (\w+)`).FindAllStringSubmatch(string(body), -1)
		require.Len(t, added, strings.Count(string(body), "alter table"), "%s: say here how that is taken back", name)
		for _, column := range added {
			undo = append(undo, "alter table "+column[1]+" drop column "+column[2])
		}
		for _, made := range regexp.MustCompile(`(?m)^create (?:unique )?(table|index) (\w+)`).FindAllStringSubmatch(string(body), -1) {
			undo = append(undo, "drop "+made[1]+" if exists "+made[2]) // an index goes with its table
		}
	}
	slices.Reverse(undo) // what refers to others goes before them
	return strings.Join(append(undo, fmt.Sprintf("delete from goose_db_version where version_id >= %d", from)), "; ")
}

// A reading that line protocol can't say goes into quarantine all the same.
func TestLineOfNothing(t *testing.T) {
	x := reading.Reading{Time: 5}
	require.Equal(t, "reading,station=a  5\n", string(line("a", &x)))
}

// A row of quarantine whose body holds another number of readings than one.
func TestQuarantineHoldsOneReading(t *testing.T) {
	where := sqliteEngine.fresh(t)
	s := sqliteEngine.openAt(t, where, "a")
	ahead := keyed(runA, 2)
	ahead.Time = t0.Add(day)
	a := arrival("a")
	a.At, a.Batch.Refused = t0, []reading.Refusal{early(t0, ahead)}
	commit(t, s, a)
	two := pack(runA, []*reading.Reading{&ahead, &ahead})
	_, err := sqliteEngine.raw(t, where).ExecContext(t.Context(), `update quarantine set body = ?`, two)
	require.NoError(t, err)
	_, err = s.ReleaseDue(t.Context(), never)
	require.ErrorIs(t, err, errPacked)
	exec(t, sqliteEngine.raw(t, where), `update quarantine set body = null`)
	_, err = s.ReleaseDue(t.Context(), never)
	require.ErrorContains(t, err, "holds no reading")
	require.Empty(t, readAll(t, s, "a"))
}

// A station that is gone from a damaged file can't get its readings back.
func TestReleaseWithoutStation(t *testing.T) {
	where := sqliteEngine.fresh(t)
	s := sqliteEngine.openAt(t, where, "a")
	ahead := keyed(runA, 2)
	ahead.Time = t0.Add(day)
	a := arrival("a")
	a.At, a.Batch.Refused = t0, []reading.Refusal{early(t0, ahead)}
	commit(t, s, a)
	exec(t, sqliteEngine.raw(t, where), `update quarantine set station = 'b'`)
	_, err := s.ReleaseDue(t.Context(), never)
	require.ErrorIs(t, err, record.ErrNotFound)
}

// Evidence that is no number can't be written, and nothing else is.
func TestEvidenceIsFinite(t *testing.T) {
	s := sqliteEngine.new(t, "a")
	commit(t, s, seqs("a", runA, 1))
	f := fullFold(marks(t, s)[0])
	f.Occurrences[0].Finding.Evidence[0].Value = math.NaN()
	before := everything(t, s, "a")
	require.ErrorContains(t, s.CommitFold(t.Context(), f), "evidence")
	require.Equal(t, before, everything(t, s, "a"))
}

func TestOpenFails(t *testing.T) {
	dir := t.TempDir()
	t.Run("the name is a folder", func(t *testing.T) {
		path := filepath.Join(dir, "folder")
		require.NoError(t, os.Mkdir(path, 0o700))
		_, err := Open(t.Context(), path)
		require.ErrorContains(t, err, "is a directory")
	})
	t.Run("the driver is not there", func(t *testing.T) {
		before := driverName
		defer func() { driverName = before }()
		driverName = "nothing"
		_, err := Open(t.Context(), filepath.Join(dir, "a.db"))
		require.ErrorContains(t, err, "unknown driver")
	})
	t.Run("the engine can't be set so", func(t *testing.T) {
		db, err := openSQLite(filepath.Join(dir, "b.db"), "journal_mode(DELETE)", 1)
		require.NoError(t, err)
		defer func() { require.NoError(t, db.Close()) }()
		_, err = newWriter(context.Background(), &onSQLite, db)
		require.ErrorContains(t, err, "journal_mode is delete, not wal")
	})
}

// Hours of a station in [from, to) where nothing lies between them.
func TestHoursOfNothing(t *testing.T) {
	s := sqliteEngine.new(t, "a")
	for _, to := range []unit.Instant{t0, t0 - 1} {
		list, err := s.Hours(t.Context(), "a", t0, to)
		require.NoError(t, err)
		require.Empty(t, list)
	}
}

// Who waits for another writer can give up.
func TestWaitForTheWriter(t *testing.T) {
	s := sqliteEngine.new(t, "a").(*Store)
	w := <-s.write
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.ErrorIs(t, s.Retire(ctx, "a", 5, "x"), context.Canceled)
	s.write <- w
	for range 50 { // whether it looks at the writer first or at ctx
		require.ErrorIs(t, s.Retire(ctx, "a", 5, "x"), context.Canceled)
	}
	require.NoError(t, s.Retire(t.Context(), "a", 5, "x"))
}

// Whoever comes after the end is told so, and doesn't wait for a writer that
// never comes: the bubble ends where all wait.
func TestAfterTheEnd(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.db")
	synctest.Test(t, func(t *testing.T) {
		s, err := Open(t.Context(), path)
		require.NoError(t, err)
		require.NoError(t, s.Close())
		require.NoError(t, s.Close())
		require.ErrorContains(t, s.Note(context.Background(), 1, "Ida", "did", "it"), "it is closed")
		_, err = s.Stations(t.Context())
		require.ErrorContains(t, err, "closed")
	})
}

// A refusal without its bytes, as of a message that was too large to keep.
func TestRefusalWithoutBytes(t *testing.T) {
	s := sqliteEngine.new(t, "a")
	a := arrival("a")
	a.Batch.Refused = []reading.Refusal{{Reason: reading.ReasonOversize, Detail: "why"}}
	commit(t, s, a)
	require.Empty(t, quarantine(t, s, "a")[0].Raw)
}
