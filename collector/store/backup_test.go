package store

import (
	"context"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// rich makes a store with something in every table that a backup is verified
// by.
func rich(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "store.db")
	s, err := Open(t.Context(), path)
	require.NoError(t, err)
	enrol(t, s, "a")
	enrol(t, s, "b")
	commit(t, s, seqs("a", runA, 1, 2, 3, 5), arrival("b", unkeyed(0, 10), unkeyed(1, 11)))
	commit(t, s, seqs("a", runA, 3), arrival("b", unkeyed(1, 11)))
	commit(t, s, record.Arrival{Station: "a", At: t0, Batch: reading.Batch{Refused: []reading.Refusal{
		early(t0.Add(time.Hour), keyed(runA, 6)), refused(reading.ReasonMalformed, "nonsense", "", 0),
	}}})
	f := replace("a", 0, 30)
	for i := range int64(30) {
		f.Hours = append(f.Hours, ledgerHour(i))
	}
	require.NoError(t, s.CommitFold(t.Context(), f))
	require.NoError(t, s.Close())
	return path
}

func verify(t *testing.T, path string) (record.Contents, error) {
	t.Helper()
	s, err := OpenReadOnly(t.Context(), path)
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	return s.Verify(t.Context())
}

func TestVerifyFindsWhatIsWrong(t *testing.T) {
	found, err := verify(t, rich(t))
	require.NoError(t, err)
	require.Equal(t, 2, found.Stations)
	require.Equal(t, int64(6), found.Readings)
	require.Equal(t, int64(30), found.Hours)
	require.Equal(t, t0.Add(5*time.Minute), found.Newest)
	require.Len(t, found.Ledger, 64)

	for name, c := range map[string]struct{ sql, says string }{
		"a byte of a batch":   {`update batch set body = cast(replace(body, x'03', x'04') as blob) where id = 1`, "checksum"},
		"a row that lies":     {`update batch set n = n + 1 where id = 1`, "not those that its row names"},
		"a day that lies":     {`update batch set day = day + 1 where id = 1`, "not of its day"},
		"a batch twice":       {`insert into batch (station, day, run, key_min, key_max, t_min, t_max, n, body) select station, day, run, key_min, key_max, t_min, t_max, n, body from batch where id = 1`, "stored twice"},
		"a batch less":        {`delete from batch where id = 1`, "counted as stored"},
		"nothing seen":        {`update run set seen = (select seen from run where run = '') where run <> ''`, "not among those seen"},
		"spans":               {`update run set seen = x'00' where run <> ''`, "seqs seen"},
		"another's run":       {`update batch set station = 3 - station where id = 1`, "run is not the station's"},
		"a day of the ledger": {`update ledger_day set body = x'0102030405'`, "checksum"},
		"a reading held":      {`update quarantine set body = x'0102030405' where body is not null`, "quarantine"},
		"a count":             {`update total set n = n + 1 where name = 'repeated'`, "don't balance"},
		"a reference":         {`pragma foreign_keys = 0; delete from station where name = 'b'`, "rows that are not there"},
		"an index":            {`pragma writable_schema = 1; delete from sqlite_schema where name = 'quarantine_key'`, "damaged"},
		"a table":             {`drop table batch`, "no such table"},
	} {
		t.Run(name, func(t *testing.T) {
			path := rich(t)
			db, err := openSQLite(path, plainPragmas, 1)
			require.NoError(t, err)
			exec(t, db, c.sql)
			require.NoError(t, db.Close())
			_, err = verify(t, path)
			require.ErrorContains(t, err, c.says)
		})
	}
}

// Half a file, and one with a page of noise, are not verified either.
func TestVerifyFindsADamagedFile(t *testing.T) {
	path := rich(t)
	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	for name, damaged := range map[string][]byte{
		"half":  whole[:len(whole)/2],
		"noise": append(append(append([]byte{}, whole[:8192]...), make([]byte, 4096)...), whole[12288:]...),
	} {
		require.NoError(t, os.WriteFile(path, damaged, 0o600))
		s, err := OpenReadOnly(t.Context(), path)
		if err == nil {
			_, err = s.Verify(t.Context())
			require.NoError(t, s.Close())
		}
		require.Error(t, err, name)
	}
}

// A copy made while another connection commits is the store of one commit, and
// no commit waits for it.
func TestCopyWhileReadingsArrive(t *testing.T) {
	path := filepath.Join(t.TempDir(), "store.db")
	s, err := Open(t.Context(), path)
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	enrol(t, s, "a")
	var list []int64
	for seq := range int64(20_000) {
		list = append(list, seq+1)
	}
	commit(t, s, seqs("a", runA, list...))
	next := int64(len(list))
	var wg sync.WaitGroup
	ctx, stop := context.WithCancel(t.Context())
	wg.Go(func() {
		for ctx.Err() == nil {
			next++
			commit(t, s, seqs("a", runA, next))
		}
	})
	var copies []string
	for i := range 3 {
		to := filepath.Join(t.TempDir(), "copy")
		require.NoError(t, os.WriteFile(to, nil, 0o600))
		b, err := Copy(t.Context(), path, to, t0.Add(time.Duration(i)), "name")
		require.NoError(t, err)
		require.GreaterOrEqual(t, b.Stored, int64(len(list)))
		found, err := verify(t, to)
		require.NoError(t, err)
		require.Equal(t, b.Stored, found.Readings)
		require.Equal(t, b.At, found.Made)
		copies = append(copies, to)
	}
	stop()
	wg.Wait()
	for _, to := range copies {
		info, err := os.Stat(to)
		require.NoError(t, err)
		require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
		entries, err := os.ReadDir(filepath.Dir(to))
		require.NoError(t, err)
		require.Len(t, entries, 1, "nothing beside the copy")
	}
}

func TestReadOnlyChangesNothing(t *testing.T) {
	path := rich(t)
	before, err := os.ReadFile(path)
	require.NoError(t, err)
	s, err := OpenReadOnly(t.Context(), path)
	require.NoError(t, err)
	_, err = s.Commit(t.Context(), []record.Arrival{seqs("a", runA, 9)})
	require.ErrorIs(t, err, errReadOnly)
	require.NoError(t, s.QuickCheck(t.Context()))
	are, wrong, err := s.Settings(t.Context())
	require.NoError(t, err)
	require.Equal(t, []string{"journal_mode wal", "synchronous 2", "foreign_keys 1"}, are)
	require.Empty(t, wrong)
	require.NoError(t, s.Close())
	after, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, before, after)

	_, err = OpenReadOnly(t.Context(), filepath.Join(t.TempDir(), "missing"))
	require.Error(t, err)
	letter := filepath.Join(t.TempDir(), "letter.txt")
	require.NoError(t, os.WriteFile(letter, []byte("Dear colleague"), 0o600))
	_, err = OpenReadOnly(t.Context(), letter)
	require.ErrorContains(t, err, "not a database")
}

// A store of another program's version: an older one is read as it is and can
// be backed up, a newer one is refused.
func TestOtherSchemas(t *testing.T) {
	path := rich(t)
	set := func(sql string) {
		db, err := openSQLite(path, plainPragmas, 1)
		require.NoError(t, err)
		exec(t, db, sql)
		require.NoError(t, db.Close())
	}
	set(`delete from goose_db_version where version_id > 1; drop table backup`)
	s, err := OpenReadOnly(t.Context(), path)
	require.NoError(t, err)
	has, knows, err := s.Schema(t.Context())
	require.NoError(t, err)
	require.Equal(t, int64(1), has)
	require.Greater(t, knows, int64(1))
	list, err := s.Backups(t.Context())
	require.NoError(t, err)
	require.Empty(t, list)
	require.NoError(t, s.Close())
	to := filepath.Join(t.TempDir(), "copy")
	require.NoError(t, os.WriteFile(to, nil, 0o600))
	b, err := Copy(t.Context(), path, to, t0, "name")
	require.NoError(t, err)
	require.NoError(t, NoteBackup(t.Context(), path, b))
	found, err := verify(t, to)
	require.NoError(t, err)
	require.Equal(t, int64(1), found.Schema)

	set(`insert into goose_db_version (version_id, is_applied) values (99999, 1)`)
	_, err = OpenReadOnly(t.Context(), path)
	require.ErrorContains(t, err, "run a newer dewpost")
}

func TestClaim(t *testing.T) {
	path := filepath.Join(t.TempDir(), "store.db")
	s, err := Open(t.Context(), path)
	require.NoError(t, err)
	_, err = Claim(path)
	require.ErrorIs(t, err, ErrInUse)
	require.NoError(t, s.Close())
	held, err := Claim(path)
	require.NoError(t, err)
	_, err = Open(t.Context(), path)
	require.ErrorContains(t, err, "a backup is being put in its place")
	require.ErrorContains(t, NoteBackup(t.Context(), path, record.Backup{}), "a backup is being put in its place")
	require.NoError(t, held.Close())
	s, err = Open(t.Context(), path)
	require.NoError(t, err)
	require.NoError(t, s.Close())
}

// What a killed collector left in a WAL is read, and left where it is; so is a
// WAL beside a file of which nothing is left.
func TestReadOnlyReadsAndKeepsTheWAL(t *testing.T) {
	s, err := Open(t.Context(), filepath.Join(t.TempDir(), "store.db"))
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	enrol(t, s, "a")
	commit(t, s, seqs("a", runA, 1, 2, 3))
	killed := filepath.Join(t.TempDir(), "killed.db")
	var wal []byte
	for _, suffix := range []string{"", "-wal"} {
		wal, err = os.ReadFile(s.path + suffix)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(killed+suffix, wal, 0o600))
	}
	found, err := verify(t, killed)
	require.NoError(t, err)
	require.Equal(t, int64(3), found.Readings)
	require.NoError(t, os.Truncate(killed, 0))
	_, err = OpenReadOnly(t.Context(), killed)
	require.ErrorContains(t, err, "empty")
	left, err := os.ReadFile(killed + "-wal")
	require.NoError(t, err)
	require.Equal(t, wal, left)
}

// A hole that two restores can have left is told once.
func TestHoleOfTwoRestores(t *testing.T) {
	s, err := Open(t.Context(), filepath.Join(t.TempDir(), "store.db"))
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	enrol(t, s, "a")
	commit(t, s, seqs("a", runA, 1, 2))
	for at := range unit.Instant(2) {
		require.NoError(t, s.NoteRestore(t.Context(), record.Restore{At: t0 + at, Made: t0 - 1}))
	}
	commit(t, s, withOldest(seqs("a", runA, 9), runA, 9))
	list, err := s.Holes(t.Context())
	require.NoError(t, err)
	require.Len(t, list, 1)
	require.Equal(t, t0, list[0].Restore.At)
}

// What is put down to a restore and what is not, case by case.
func TestHoles(t *testing.T) {
	const day = 24 * time.Hour
	hole := func(run string, from, to int64) record.Hole {
		return record.Hole{Station: "a", Run: run, From: from, To: to}
	}
	s, err := Open(t.Context(), filepath.Join(t.TempDir(), "store.db"))
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	enrol(t, s, "a")
	restored := func(at unit.Instant) {
		require.NoError(t, s.NoteRestore(t.Context(), record.Restore{At: at, Made: at - 1}))
	}
	arrive := func(at unit.Instant, run string, oldest int64, list ...int64) {
		a := withOldest(seqs("a", run, list...), run, oldest)
		a.At = at
		commit(t, s, a)
	}
	told := func(want ...record.Hole) {
		t.Helper()
		got, err := s.Holes(t.Context())
		require.NoError(t, err)
		for i := range got {
			got[i].Before, got[i].After, got[i].Restore = 0, 0, record.Restore{}
		}
		require.Equal(t, want, got)
	}

	arrive(t0, runA, 5, 5, 6, 7, 10) // 1 to 4 were given up before, 8 and 9 may come
	told()
	restored(t0.Add(2 * time.Hour))
	told()
	arrive(t0.Add(3*time.Hour), runA, 8, 8)
	told() // nothing is gone: 9 may come
	arrive(t0.Add(3*time.Hour), runA, 21, 21)
	told(hole(runA, 9, 9), hole(runA, 11, 20))
	arrive(t0.Add(3*time.Hour), runA, 30, 30)
	told(hole(runA, 9, 9), hole(runA, 11, 20)) // 22 to 29 the agent gave up later

	// Some of it was in the lost store: what is still missing stays told.
	spoken, err := s.Spoken(t.Context())
	require.NoError(t, err)
	arrive(t0.Add(3*time.Hour), runA, 30, 15)
	require.NoError(t, s.NoteSalvage(t.Context(), spoken))
	told(hole(runA, 9, 9), hole(runA, 11, 14), hole(runA, 16, 20))

	arrive(t0.Add(4*time.Hour), runB, 7, 7, 8) // a run that the backup did not know
	told(hole(runA, 9, 9), hole(runA, 11, 14), hole(runA, 16, 20), hole(runB, 1, 6))
	const runC = "00000000000000cc" // and one whose first reading is of days later
	arrive(t0.Add(9*day), runC, 6000, 6000)
	told(hole(runA, 9, 9), hole(runA, 11, 14), hole(runA, 16, 20), hole(runB, 1, 6))

	restored(t0.Add(10 * day)) // nothing is told twice, and the old ones stay where they were
	arrive(t0.Add(10*day), runB, 12, 12)
	arrive(t0.Add(10*day), runC, 6001, 6001)
	told(hole(runA, 9, 9), hole(runA, 11, 14), hole(runA, 16, 20), hole(runB, 1, 6), hole(runB, 9, 11))
	list, err := s.Holes(t.Context())
	require.NoError(t, err)
	require.Equal(t, t0.Add(2*time.Hour), list[3].Restore.At)
	require.Equal(t, t0.Add(10*day), list[4].Restore.At)
	require.Equal(t, keyed(runB, 8).Time, list[4].Before)
	require.Equal(t, keyed(runB, 12).Time, list[4].After)
	require.Equal(t, keyed(runA, 30).Time, list[3].Before, "a new run's hole begins where the one before ended")

	// Salvage before the agents spoke.
	restored(t0.Add(20 * day))
	spoken, err = s.Spoken(t.Context())
	require.NoError(t, err)
	arrive(t0.Add(20*day), runC, 6000, 6003, 6005)
	require.NoError(t, s.NoteSalvage(t.Context(), spoken))
	arrive(t0.Add(20*day), runC, 6010, 6010)
	list, err = s.Holes(t.Context())
	require.NoError(t, err)
	var of []int64
	for _, h := range list[5:] {
		of = append(of, h.From, h.To)
	}
	require.Equal(t, []int64{6002, 6002, 6004, 6004, 6006, 6009}, of)
}

// A reading that left quarantine is a reading, and no refusal any more.
func TestBeyondAfterARelease(t *testing.T) {
	open := func() *Store {
		s, err := Open(t.Context(), filepath.Join(t.TempDir(), "store.db"))
		require.NoError(t, err)
		t.Cleanup(func() { require.NoError(t, s.Close()) })
		enrol(t, s, "a")
		return s
	}
	old, s := open(), open()
	soon, later := keyed(runA, 60), keyed(runA, 300) // minutes ahead
	commit(t, old, record.Arrival{Station: "a", At: t0, Batch: reading.Batch{Refused: []reading.Refusal{early(t0, soon), early(t0, later)}}})
	_, err := old.ReleaseDue(t.Context(), t0.Add(2*time.Hour))
	require.NoError(t, err)
	take := func(a record.Arrival) error {
		_, err := s.Commit(t.Context(), []record.Arrival{a})
		return err
	}
	found, err := s.Beyond(t.Context(), old, take)
	require.NoError(t, err)
	require.Len(t, found, 1)
	require.Equal(t, []int64{1, 1}, []int64{found[0].Readings, found[0].Refused})
	_, err = s.ReleaseDue(t.Context(), t0.Add(6*time.Hour))
	require.NoError(t, err)
	require.Len(t, readAll(t, s, "a"), 2, "what waits for its time goes on waiting")
	found, err = s.Beyond(t.Context(), old, take)
	require.NoError(t, err)
	require.Empty(t, found)
}

// Batches that are damaged are passed over, and counted.
func TestBeyondOfADamagedStore(t *testing.T) {
	path := rich(t)
	db, err := openSQLite(path, plainPragmas, 1)
	require.NoError(t, err)
	exec(t, db, `update batch set body = x'0102030405' where id = 1`)
	require.NoError(t, db.Close())
	old, err := OpenReadOnly(t.Context(), path)
	require.NoError(t, err)
	defer func() { require.NoError(t, old.Close()) }()
	s, err := Open(t.Context(), filepath.Join(t.TempDir(), "store.db"))
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	found, err := s.Beyond(t.Context(), old, nil)
	require.NoError(t, err)
	require.Len(t, found, 2)
	require.Equal(t, 1, found[0].Damaged)
	require.Equal(t, int64(2), found[1].Readings)
}

func TestSpansAsSets(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		numbers := rapid.SliceOf(rapid.Int64Range(1, 40))
		a, b := numbers.Draw(t, "a"), numbers.Draw(t, "b")
		in := func(list []int64, n int64) bool {
			for _, x := range list {
				if x == n {
					return true
				}
			}
			return false
		}
		set := func(list []int64) (s spans) {
			for _, n := range list {
				s.add(n)
			}
			return s
		}
		sa, sb := set(a), set(b)
		lo, hi := rapid.Int64Range(1, 42).Draw(t, "lo"), rapid.Int64Range(0, 42).Draw(t, "hi")
		gaps, without := spans(sa.gaps(lo, hi)), sa.without(sb)
		next, some := sa.after(lo)
		touched := false
		for n := int64(1); n < 45; n++ {
			require.Equal(t, in(a, n), sa.has(n))
			require.Equal(t, n >= lo && n <= hi && !in(a, n), gaps.has(n))
			require.Equal(t, in(a, n) && !in(b, n), without.has(n))
			touched = touched || n >= lo && n <= hi && in(a, n)
			if n > lo && in(a, n) {
				require.True(t, some)
				require.LessOrEqual(t, next, n)
			}
		}
		require.Equal(t, touched, sa.touches(lo, hi))
		require.True(t, !some || in(a, next) && next > lo)
	})
}

// BenchmarkCopy measures a copy of a month of 24 stations at one a minute, and
// the longest commit beside it and without.
func BenchmarkCopy(b *testing.B) {
	s := openBench(b, 24)
	f := &fleet{stations: 24, perMessage: 60, clock: benchStart}
	for range 30 * 24 {
		_, err := s.Commit(b.Context(), decode(f.round(b), f.clock.Add(time.Hour)))
		require.NoError(b, err)
	}
	f.perMessage = 1
	commitOne := func(worst *time.Duration) {
		arrivals := decode(f.round(b), f.clock.Add(time.Hour))
		began := time.Now()
		_, err := s.Commit(b.Context(), arrivals)
		*worst = max(*worst, time.Since(began))
		require.NoError(b, err)
	}
	var took, beside, without time.Duration
	commits := 0
	for b.Loop() {
		to := filepath.Join(b.TempDir(), "copy")
		require.NoError(b, os.WriteFile(to, nil, 0o600))
		copied := make(chan error)
		go func() {
			began := time.Now()
			_, err := Copy(b.Context(), s.path, to, benchStart, to)
			took += time.Since(began)
			copied <- err
		}()
		for done := false; !done; {
			select {
			case err := <-copied:
				require.NoError(b, err)
				done = true
			default:
				commitOne(&beside)
				commits++
			}
		}
	}
	for range commits {
		commitOne(&without)
	}
	info, err := os.Stat(s.path)
	require.NoError(b, err)
	b.ReportMetric(float64(info.Size())/1e6/took.Seconds()*float64(b.N), "MB/s")
	b.ReportMetric(float64(beside.Microseconds())/1e3, "longest_ms")
	b.ReportMetric(float64(without.Microseconds())/1e3, "longest_without_ms")
}
