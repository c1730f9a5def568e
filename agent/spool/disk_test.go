package spool

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// sick is a disk on which some operations fail, for as long as it says so.
type sick struct {
	FS
	fails func(op, name string) error // nil for none
}

func (s *sick) fail(op, name string) error {
	if s.fails == nil {
		return nil
	}
	return s.fails(op, filepath.Base(name))
}

// failing makes the operations fail whose "op name" begins with one of list.
func (s *sick) failing(list ...string) {
	s.fails = func(op, name string) error {
		for _, prefix := range list {
			if strings.HasPrefix(op+" "+name, prefix) {
				return errDisk
			}
		}
		return nil
	}
}

func (s *sick) open(op, name string, f func(string) (File, error)) (File, error) {
	if err := s.fail(op, name); err != nil {
		return nil, err
	}
	file, err := f(name)
	return &sickFile{File: file, disk: s, name: name}, err
}

func (s *sick) Create(name string) (File, error)     { return s.open("create", name, s.FS.Create) }
func (s *sick) OpenAppend(name string) (File, error) { return s.open("append", name, s.FS.OpenAppend) }
func (s *sick) Open(name string) (File, error)       { return s.open("open", name, s.FS.Open) }

func (s *sick) Mkdir(dir string) error {
	return errors.Join(s.fail("mkdir", dir), s.FS.Mkdir(dir))
}

func (s *sick) Rename(from, to string) error {
	if err := s.fail("rename", from); err != nil {
		return err
	}
	return s.FS.Rename(from, to)
}

type sickFile struct {
	File
	disk *sick
	name string
}

func (f *sickFile) Write(b []byte) (int, error) {
	if err := f.disk.fail("write", f.name); err != nil {
		return 0, err
	}
	return f.File.Write(b)
}

func (f *sickFile) ReadAt(b []byte, at int64) (int, error) {
	if err := f.disk.fail("read", f.name+fmt.Sprintf(" %d+%d", at, len(b))); err != nil {
		return 0, err
	}
	return f.File.ReadAt(b, at)
}

func (f *sickFile) Size() (int64, error) {
	if err := f.disk.fail("size", f.name); err != nil {
		return 0, err
	}
	return f.File.Size()
}

func (f *sickFile) Sync() error {
	return errors.Join(f.disk.fail("sync", f.name), f.File.Sync())
}

func (f *sickFile) Close() error {
	return errors.Join(f.disk.fail("close", f.name), f.File.Close())
}

// onSick is a spool of n records in segments of about three.
func onSick(t *testing.T, n int64) (*sick, *Spool) {
	t.Helper()
	disk := &sick{FS: newMemFS()}
	s, err := Open(memDir, Options{FS: disk, Boot: boot, SegmentBytes: 200, MaxBytes: 1 << 20})
	require.NoError(t, err)
	for range n {
		appendN(t, s, 1)
	}
	return disk, s
}

// TestOpenOnASickDisk fails each operation that Open needs: it says so, and
// nothing is lost when the disk is well again.
func TestOpenOnASickDisk(t *testing.T) {
	for _, test := range []struct {
		name  string
		lost  string // file removed before
		fails string
	}{
		{"folder", "", "mkdir"},
		{"state", "", "open state"},
		{"waiting", "", "open waiting"},
		{"segment", "", "open 0000"},
		{"segment without a state", stateFile, "open 0000"},
		{"size of a segment", "", "size 0000"},
		{"sync of the newest", "", "sync 0000"},
		{"new state", "", "create state.new"},
		{"new state is not renamed", "", "rename state.new"},
	} {
		t.Run(test.name, func(t *testing.T) {
			disk, s := onSick(t, 10)
			require.NoError(t, s.Hold([]byte("held")))
			require.NoError(t, s.Close())
			if test.lost != "" {
				require.NoError(t, disk.Remove(filepath.Join(memDir, test.lost)))
			}
			o := Options{FS: disk, Boot: boot, SegmentBytes: 200}
			disk.failing(test.fails)
			_, err := Open(memDir, o)
			require.ErrorIs(t, err, errDisk)
			require.ErrorContains(t, err, "open spool /spool")
			disk.failing()
			s, err = Open(memDir, o)
			require.NoError(t, err)
			require.Equal(t, span(1, 10), held(t, s))
			balance(t, s)
			require.NoError(t, s.Close())
		})
	}
}

// TestNewestSegmentGoesAway between the reading of it and the sync.
func TestNewestSegmentGoesAway(t *testing.T) {
	disk, s := onSick(t, 1)
	require.NoError(t, s.Close())
	opened := 0
	disk.fails = func(op, name string) error {
		if op == "open" && strings.HasSuffix(name, segmentSuffix) {
			if opened++; opened == 2 {
				return errDisk
			}
		}
		return nil
	}
	_, err := Open(memDir, Options{FS: disk})
	require.ErrorIs(t, err, errDisk)
}

// TestSetAsideFails keeps a segment that nobody can read where it is.
func TestSetAsideFails(t *testing.T) {
	files := filled(t, 5, true)
	delete(files, memState)
	files[memSegment][3] ^= 1
	disk := &sick{FS: diskOf(files)}
	disk.failing("rename 0000")
	_, err := Open(memDir, Options{FS: disk})
	require.ErrorIs(t, err, errDisk)
}

// TestBadPage has a page of a segment that can't be read: the records in it are
// lost and counted, and their neighbours stay.
func TestBadPage(t *testing.T) {
	disk := &sick{FS: newMemFS()}
	s, err := Open(memDir, Options{FS: disk})
	require.NoError(t, err)
	for range 200 {
		appendN(t, s, 1)
	}
	require.NoError(t, s.Close())
	bad := func(from, n int64) bool { return from < 8192 && from+n > 4096 }
	disk.fails = func(op, name string) error {
		var at, n int64
		if _, where, ok := strings.Cut(name, " "); op == "read" && ok {
			_, err := fmt.Sscanf(where, "%d+%d", &at, &n)
			require.NoError(t, err)
			if strings.HasPrefix(name, "0000") && bad(at, n) {
				return errDisk
			}
		}
		return nil
	}
	s, err = Open(memDir, Options{FS: disk})
	require.NoError(t, err)
	kept := held(t, s)
	require.Greater(t, len(kept), 100)
	require.Equal(t, int64(200-len(kept)), s.Status().Discarded[ReasonCorrupt])
	require.Positive(t, s.Status().Discarded[ReasonCorrupt])
	balance(t, s)
	require.NoError(t, s.Close())
}

// TestReadingOnASickDisk hands out what can be read, counts what is damaged,
// and tells apart what may be read later.
func TestReadingOnASickDisk(t *testing.T) {
	t.Run("can't be opened", func(t *testing.T) {
		disk, s := onSick(t, 10)
		disk.failing("open 0000")
		require.ErrorIs(t, s.Each(0, func(int64, []byte) bool { return true }), errDisk)
		disk.failing()
		require.Equal(t, span(1, 10), held(t, s), "nothing is given up for that")
	})
	t.Run("the one before can't be closed", func(t *testing.T) {
		disk, s := onSick(t, 10)
		disk.failing("close 0000")
		require.ErrorIs(t, s.Each(0, func(int64, []byte) bool { return true }), errDisk)
		disk.failing()
		require.Equal(t, span(1, 10), held(t, s))
	})
	t.Run("read at the second try", func(t *testing.T) {
		disk, s := onSick(t, 3)
		tries := 0
		disk.fails = func(op, _ string) error {
			if tries++; op == "read" && tries%2 == 0 {
				return errDisk
			}
			return nil
		}
		require.Equal(t, span(1, 3), held(t, s))
		balance(t, s)
	})
	t.Run("never read", func(t *testing.T) {
		disk, s := onSick(t, 3)
		disk.failing("read 0000")
		require.Empty(t, held(t, s))
		require.Equal(t, map[string]int64{ReasonCorrupt: 3}, s.Status().Discarded)
		balance(t, s)
	})
	t.Run("a segment is gone", func(t *testing.T) {
		disk, s := onSick(t, 10)
		require.NoError(t, disk.Remove(s.segments[0].name))
		kept := held(t, s)
		require.Less(t, len(kept), 10)
		require.Equal(t, int64(10-len(kept)), s.Status().Discarded[ReasonCorrupt])
		balance(t, s)
	})
}

// TestDeadOnASickDisk keeps the record when its bytes can't be kept.
func TestDeadOnASickDisk(t *testing.T) {
	for _, op := range []string{"append dead", "size dead", "write dead", "sync dead", "close dead", "open 0000"} {
		t.Run(op, func(t *testing.T) {
			disk, s := onSick(t, 3)
			disk.failing(op)
			require.ErrorIs(t, s.Bury(1), errDisk)
			disk.failing()
			require.Equal(t, span(1, 3), held(t, s))
			require.NoError(t, s.Bury(1))
			require.NoError(t, s.Bury(2))
			require.Equal(t, []int64{3}, held(t, s))
			balance(t, s)
		})
	}
}

func TestDeadIsBounded(t *testing.T) {
	fsys := newMemFS()
	s, err := Open(memDir, Options{FS: fsys})
	require.NoError(t, err)
	big := make([]byte, MaxRecord)
	for range maxDead/MaxRecord + 3 {
		require.NoError(t, s.Append(s.Last()+1, [][]byte{big}))
	}
	for seq := range s.Last() {
		require.NoError(t, s.Bury(seq+1))
	}
	require.Len(t, fsys.contents()[memDir+"/"+deadFile], maxDead)
	require.Equal(t, map[string]int64{ReasonDead: maxDead / MaxRecord, ReasonDeadFull: 3}, s.Status().Discarded)
	balance(t, s)
}

// TestAppendOnASickDisk fails twice, on the old file and on a new one.
func TestAppendOnASickDisk(t *testing.T) {
	disk, s := onSick(t, 1)
	disk.failing("write 0000")
	require.ErrorIs(t, s.Append(2, contents(2, 1)), errDisk)
	require.Equal(t, int64(1), s.Last())
	disk.failing()
	appendN(t, s, 1)
	require.Equal(t, span(1, 2), held(t, s))
	balance(t, s)
}

// TestFixOnASickDisk: once it is unknown whether the disk thinks that the next
// number is for a held record, none is given out before the disk is told.
func TestFixOnASickDisk(t *testing.T) {
	disk, s := onSick(t, 1)
	require.NoError(t, s.Hold([]byte("held")))
	disk.failing("rename state.new")
	require.ErrorIs(t, s.Fix(note), errDisk)
	require.ErrorContains(t, s.Append(2, contents(2, 1)), "its state can't be written")
	require.ErrorContains(t, s.Hold([]byte("behind it")), "state can't be written")
	disk.failing()
	appendN(t, s, 1)
	require.Equal(t, []string{"held", "behind it"}, names(s))
	balance(t, s)
	_, err := s.NextConn()
	require.NoError(t, err)
	require.NoError(t, s.Hold([]byte("third")))
	s, err = Open(memDir, Options{FS: disk.FS.(*memFS).powerCut(0), Boot: boot})
	require.NoError(t, err)
	require.Equal(t, []string{"held", "behind it", "third"}, names(s))
	balance(t, s)
}

// TestHoldOnASickDisk keeps in memory what the disk does not take.
func TestHoldOnASickDisk(t *testing.T) {
	disk, s := onSick(t, 0)
	require.NoError(t, s.Hold([]byte("1")))
	disk.failing("write waiting", "close waiting")
	require.ErrorIs(t, s.Hold([]byte("2")), errDisk)
	require.ErrorIs(t, s.Hold([]byte("3")), errDisk)
	require.Len(t, s.Held(), 3)
	balance(t, s)
	disk.failing()
	require.NoError(t, s.Hold([]byte("4")))
	s, err := Open(memDir, Options{FS: disk.FS.(*memFS).powerCut(0), Boot: boot})
	require.NoError(t, err)
	require.Equal(t, []string{"1", "2", "3", "4"}, names(s))
	balance(t, s)
}

// TestDroppingOnASickDisk keeps the files of records that are dropped until the
// state that says so is written.
func TestDroppingOnASickDisk(t *testing.T) {
	disk := &sick{FS: newMemFS()}
	s, err := Open(memDir, Options{FS: disk, SegmentBytes: 200, MaxBytes: 1000})
	require.NoError(t, err)
	disk.failing("create state.new", "close 0000")
	for range 30 {
		if s.Append(s.Last()+1, contents(s.Last()+1, 1)) != nil {
			s.Skip(1, ReasonIO)
		}
		balance(t, s)
	}
	require.Greater(t, s.Status().Bytes, int64(1000))
	disk.failing("close 0000")
	for range 30 {
		if s.Append(s.Last()+1, contents(s.Last()+1, 1)) != nil {
			s.Skip(1, ReasonIO)
		}
		balance(t, s)
	}
	require.Positive(t, s.Status().Discarded[ReasonSize])
	require.LessOrEqual(t, s.Status().Bytes, int64(1000))
	require.ErrorIs(t, s.Close(), errDisk)
}

// TestTheOneSegmentIsDropped when it is the one being written, and can't be
// closed.
func TestTheOneSegmentIsDropped(t *testing.T) {
	now := time.Unix(1_700_000_000, 0)
	disk := &sick{FS: newMemFS()}
	s, err := Open(memDir, Options{FS: disk, MaxAge: time.Hour, Now: func() time.Time { return now }})
	require.NoError(t, err)
	appendN(t, s, 2)
	now = now.Add(2 * time.Hour)
	disk.failing("close 0000")
	appendN(t, s, 1)
	require.Equal(t, map[string]int64{ReasonAge: 2}, s.Status().Discarded)
	require.Equal(t, now, s.Status().OldestAt)
	balance(t, s)
}

// TestDamagedSegmentsAreKept sets a few aside for a person, and no more.
func TestDamagedSegmentsAreKept(t *testing.T) {
	fsys := newMemFS()
	disk := &sick{FS: fsys}
	o := Options{FS: disk, SegmentBytes: 200}
	s, err := Open(memDir, o)
	require.NoError(t, err)
	for range 30 {
		appendN(t, s, 1)
	}
	require.Greater(t, len(s.segments), maxDamaged+2)
	damage := func(s *Spool) {
		for _, seg := range s.segments {
			fsys.files[seg.name].now[seg.entries[0].offset+recordHeader] ^= 1
		}
	}
	damage(s)
	kept := len(held(t, s))
	count := func() (n int) {
		for name := range fsys.contents() {
			if strings.HasSuffix(name, damagedSuffix) {
				n++
			}
		}
		return n
	}
	require.Zero(t, count(), "their neighbours stay")
	require.Equal(t, int64(30-kept), s.Status().Discarded[ReasonCorrupt])
	disk.failing("rename 0000")
	require.NoError(t, s.Forget(10))
	require.Zero(t, count())
	disk.failing()
	require.NoError(t, s.Forget(11))
	some := count()
	require.Positive(t, some)
	require.NoError(t, s.Close())
	s, err = Open(memDir, o)
	require.NoError(t, err)
	require.Equal(t, some, s.damaged)
	require.NoError(t, s.Forget(30))
	require.Equal(t, maxDamaged, count())
	balance(t, s)
	require.NoError(t, s.Close())
}

// TestTornTailIsNoDamage: a power cut leaves nothing for a person to look at.
func TestTornTailIsNoDamage(t *testing.T) {
	files := filled(t, 3, false)
	files[memSegment] = files[memSegment][:len(files[memSegment])-5]
	s := openFiles(t, files)
	require.False(t, s.segments[0].damaged)
}

func TestDisk(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "a", "b", "c")
	require.NoError(t, makeDir(disk{}, dir))
	require.DirExists(t, dir)
	file := filepath.Join(dir, "file")
	f, err := disk{}.Create(file)
	require.NoError(t, err)
	_, err = disk{}.Create(file)
	require.ErrorIs(t, err, fs.ErrExist)
	require.NoError(t, f.Close())
	_, err = f.Size()
	require.ErrorIs(t, err, fs.ErrClosed)
	require.Error(t, makeDir(disk{}, filepath.Join(file, "x")), "under a file")
	require.Error(t, makeDir(disk{}, filepath.Join(file, "x", "y")))
	require.ErrorIs(t, makeDir(noDirs{disk{}}, filepath.Join(file, "x", "y")), fs.ErrNotExist, "where no folder can be made")
	require.ErrorIs(t, makeDir(unsyncable{disk{}, syscall.EIO}, dir), syscall.EIO, "a name that may not survive")
	require.NoError(t, makeDir(unsyncable{disk{}, fs.ErrPermission}, dir), "what isn't ours was there before")
	gone := filepath.Join(dir, "gone")
	_, err = disk{}.Names(gone)
	require.ErrorIs(t, err, fs.ErrNotExist)
	require.ErrorIs(t, disk{}.SyncDir(gone), fs.ErrNotExist)
	require.ErrorContains(t, disk{}.SyncDir("/proc"), "sync directory /proc", "a file system that can't")
	_, err = disk{}.Lock(filepath.Join(gone, "lock"))
	require.ErrorIs(t, err, fs.ErrNotExist)
	_, err = disk{}.Open(gone)
	require.ErrorIs(t, err, fs.ErrNotExist)
}

// TestUnsynced leaves durability to the system: a kill loses nothing, a power
// cut may.
func TestUnsynced(t *testing.T) {
	fsys := newMemFS()
	s, err := Open(memDir, Options{FS: fsys, Unsynced: true})
	require.NoError(t, err)
	appendN(t, s, 3)
	require.NoError(t, s.Bury(3))
	require.NoError(t, s.Forget(1))
	killed, err := Open(memDir, Options{FS: fsys.kill(), Unsynced: true})
	require.NoError(t, err)
	require.Equal(t, []int64{1, 2}, held(t, killed), "the receipt comes again")
	balance(t, killed)
	cut, err := Open(memDir, Options{FS: fsys.powerCut(0), Unsynced: true})
	require.NoError(t, err)
	require.Zero(t, cut.Last())
	balance(t, cut)
}

func TestClosed(t *testing.T) {
	s := openAt(t, t.TempDir(), Options{})
	appendN(t, s, 1)
	changed := s.Watch()
	require.NoError(t, s.Append(2, nil), "nothing is appended")
	select {
	case <-changed:
		require.Fail(t, "nothing has changed")
	default:
	}
	require.NoError(t, s.Forget(1))
	<-changed
	require.NoError(t, s.Close())
	require.NoError(t, s.Close(), "twice is once")
	require.ErrorIs(t, s.Append(2, contents(2, 1)), ErrClosed)
	require.ErrorIs(t, s.Forget(2), ErrClosed)
	require.ErrorIs(t, s.Each(0, nil), ErrClosed)
	s.Skip(1, ReasonIO)
	require.Equal(t, int64(1), s.Last())
}

// TestGapsStayInOrder discards records from the newest to the oldest.
func TestGapsStayInOrder(t *testing.T) {
	st := state{Last: 9}
	for _, seq := range []int64{7, 3, 5} {
		st.addGap(seq, seq, ReasonDead)
	}
	require.Equal(t, []gap{{3, 3, ReasonDead}, {5, 5, ReasonDead}, {7, 7, ReasonDead}}, st.Gaps)
	st.addGap(8, 8, ReasonDead)
	st.addGap(4, 4, ReasonIO)
	st.addGap(9, 9, ReasonDead)
	require.Equal(t, []gap{{3, 3, ReasonDead}, {4, 4, ReasonIO}, {5, 5, ReasonDead}, {7, 9, ReasonDead}}, st.Gaps)
	require.Equal(t, map[string]int64{ReasonDead: 5, ReasonIO: 1}, st.Discarded)
	s := openAt(t, t.TempDir(), Options{})
	require.False(t, s.discardOne(7, ReasonDead), "there is none")
}

// TestThirtyDaysFit counts what thirty days of readings of six channels, one a
// minute, take of the default size.
func TestThirtyDaysFit(t *testing.T) {
	const n = 30 * 24 * 60
	s, err := Open(memDir, Options{FS: newMemFS()})
	require.NoError(t, err)
	for seq := int64(1); seq <= n; seq += 60 {
		lines := make([][]byte, 60)
		for i := range lines {
			lines[i] = sixChannels(seq + int64(i))
		}
		require.NoError(t, s.Append(seq, lines))
	}
	st := s.Status()
	require.Equal(t, int64(n), st.Queued)
	require.Empty(t, st.Discarded)
	t.Logf("%d readings: %.1f MiB, of 64", n, float64(st.Bytes)/(1<<20))
	require.Less(t, st.Bytes, int64(32<<20))
}

// sixChannels is as long as a line gets: all digits used, all flags set.
func sixChannels(seq int64) []byte {
	return fmt.Appendf(nil, "reading,station=larkmoor-lake-park-cottage-0007,run=9f31c2aa07de4410 seq=%di,inside_temp_c=-11.42,inside_rh_pct=88.31,board_temp_c=-10.97,flags=\"sensor_heater,clock\",outside_temp_c=-19.83,outside_rh_pct=93.12,line_current_ma=11.873 %d\n",
		seq, 1_762_300_800_000_000_000+seq*60_000_000_000)
}

// written reads what this process has had written to disks, in bytes; ok is
// false where the system does not count that.
func written(t testing.TB) (n int64, ok bool) {
	t.Helper()
	text, err := os.ReadFile("/proc/self/io")
	if err != nil {
		return 0, false
	}
	_, rest, ok := strings.Cut(string(text), "\nwrite_bytes: ")
	require.True(t, ok)
	n, err = strconv.ParseInt(strings.Fields(rest)[0], 10, 64)
	require.NoError(t, err)
	return n, true
}

// TestWrittenInADay appends and receipts a day of readings, one a minute, each
// synced. Flash wears out: it must not be much.
func TestWrittenInADay(t *testing.T) {
	s := openAt(t, t.TempDir(), Options{})
	before, ok := written(t)
	if !ok {
		t.Skip("this system does not count what is written")
	}
	for seq := range int64(24 * 60) {
		require.NoError(t, s.Append(seq+1, [][]byte{sixChannels(seq + 1)}))
		require.NoError(t, s.Forget(seq+1))
	}
	after, _ := written(t)
	if after == before {
		t.Skip("this file system does not count what is written")
	}
	t.Logf("%.1f MB in a day, of %.1f MB of readings", float64(after-before)/1e6, 24*60*float64(len(sixChannels(1)))/1e6)
	require.Less(t, after-before, int64(25e6))
}

// fullDisk has no room for another file while it is full.
type fullDisk struct {
	FS
	full *bool
}

func (d fullDisk) Create(name string) (File, error) {
	if *d.full {
		return nil, syscall.ENOSPC
	}
	return d.FS.Create(name)
}

// An agent that starts on a full disk sends what it has, and goes on when there
// is room again: nobody else would empty its spool.
func TestOpenOnAFullDisk(t *testing.T) {
	dir, full := t.TempDir(), false
	o := Options{FS: fullDisk{disk{}, &full}}
	s, err := Open(dir, o)
	require.NoError(t, err)
	require.NoError(t, s.Append(1, contents(1, 5)))
	require.NoError(t, s.Forget(2))
	require.NoError(t, errors.Join(s.active.Close(), s.lock.Close())) // it is killed

	full = true
	s = openAt(t, dir, o)
	require.Equal(t, []int64{1, 2, 3, 4, 5}, held(t, s), "the receipt may not have been written down")
	require.NoError(t, s.Forget(4))
	require.Equal(t, []int64{5}, held(t, s))
	require.ErrorContains(t, s.Append(6, contents(6, 1)), "its state can't be written")
	balance(t, s)
	full = false
	require.NoError(t, s.Append(6, contents(6, 1)))
	require.Equal(t, []int64{5, 6}, held(t, s))
	balance(t, s)
	full = true
	_, err = Open(t.TempDir(), o)
	require.ErrorIs(t, err, syscall.ENOSPC, "a new spool needs a state first")
	full = false
}

// noDirs has no folder and makes none.
type noDirs struct{ FS }

func (noDirs) Mkdir(string) error { return fs.ErrNotExist }

// unsyncable can't sync a folder.
type unsyncable struct {
	FS
	err error
}

func (u unsyncable) SyncDir(string) error { return u.err }
