package spool

import (
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
)

// smallFS is a disk of so many bytes, in blocks of 4 KiB, that somebody else may
// fill.
type smallFS struct {
	FS
	blocks int // that it has
	others int // that somebody else has
	size   map[string]int
}

const blockSize = 4096

func newSmallFS(blocks int) *smallFS {
	return &smallFS{FS: newMemFS(), blocks: blocks, size: map[string]int{}}
}

func (s *smallFS) used() (n int) {
	for _, size := range s.size {
		n += (size + blockSize - 1) / blockSize
	}
	return n
}

// fill lets somebody else take all that is free.
func (s *smallFS) fill() { s.others += max(0, s.blocks-s.others-s.used()) }

type smallFile struct {
	File
	fs   *smallFS
	name string
}

func (f *smallFile) Write(b []byte) (int, error) {
	before := f.fs.size[f.name]
	f.fs.size[f.name] += len(b)
	if f.fs.used()+f.fs.others > f.fs.blocks {
		f.fs.size[f.name] = before
		return 0, &fs.PathError{Op: "write", Path: f.name, Err: syscall.ENOSPC}
	}
	return f.File.Write(b)
}

func (s *smallFS) Create(name string) (File, error) {
	f, err := s.FS.Create(name)
	return &smallFile{f, s, name}, err
}

func (s *smallFS) OpenAppend(name string) (File, error) {
	f, err := s.FS.OpenAppend(name)
	return &smallFile{f, s, name}, err
}

func (s *smallFS) Remove(name string) error {
	delete(s.size, name)
	return s.FS.Remove(name)
}

func (s *smallFS) Rename(from, to string) error {
	s.size[to] = s.size[from]
	delete(s.size, from)
	return s.FS.Rename(from, to)
}

func (s *smallFS) Lock(name string) (io.Closer, error) { return s.FS.Lock(name) }

// On a disk that others have filled, what is receipted goes all the same, and
// with it comes room for what is measured next; for the next time there is a
// reserve again.
func TestFullDiskLetsGoOfWhatIsReceipted(t *testing.T) {
	disk := newSmallFS(64)
	there := func() bool { return disk.size[filepath.Join(memDir, reserveFile)] == reserveBytes }
	open := func() *Spool {
		s, err := Open(memDir, Options{FS: disk, SegmentBytes: blockSize})
		require.NoError(t, err)
		return s
	}
	s := open()
	require.True(t, there())
	big := func(s *Spool, n int) {
		t.Helper()
		for range n {
			require.NoError(t, s.Append(s.Last()+1, [][]byte{make([]byte, 3000)}))
		}
	}
	for round := range 3 {
		big(s, 12)
		disk.fill()
		require.Error(t, s.Append(s.Last()+1, [][]byte{make([]byte, 5000)}), "control")
		s.Skip(1, ReasonIO)
		before := disk.used()
		if round == 2 { // also after a restart on the full disk
			require.Error(t, s.Close())
			s = open()
			require.True(t, there(), "it is kept for what can be removed")
		}
		require.NoError(t, s.Forget(s.Last()-1))
		require.Less(t, disk.used(), before-reserveBytes/blockSize, fmt.Sprint("round ", round))
		require.True(t, there(), "it is back")
		big(s, 1)
		require.NoError(t, s.Forget(s.Last()))
		disk.others = 0
		balance(t, s)
	}
	require.NoError(t, s.Close())
	s = open()
	require.NoError(t, s.Close())
	require.True(t, there())
}

// A disk that is full for a day loses a reading a minute; the state that says so
// stays small enough for the reserve, or nothing could be let go of any more.
func TestReserveIsEnoughForADay(t *testing.T) {
	disk := newSmallFS(64)
	s, err := Open(memDir, Options{FS: disk, SegmentBytes: blockSize})
	require.NoError(t, err)
	for range 12 {
		require.NoError(t, s.Append(s.Last()+1, [][]byte{make([]byte, 3000)}))
	}
	disk.fill()
	for range 24 * 60 {
		require.Error(t, s.Append(s.Last()+1, [][]byte{make([]byte, 5000)}))
		s.Skip(1, ReasonIO)
	}
	before := disk.used()
	require.NoError(t, s.Forget(11)) // the twelfth still waits
	require.Less(t, disk.used(), before-reserveBytes/blockSize)
	require.NoError(t, s.Append(s.Last()+1, [][]byte{make([]byte, 5000)}))
	require.Equal(t, map[string]int64{ReasonIO: 24 * 60}, s.Status().Discarded)
	balance(t, s)
	require.NoError(t, s.Close())
}

// Where there is none, and no room for one, work goes on as far as it can.
func TestNoRoomForAReserve(t *testing.T) {
	disk := newSmallFS(12)
	s, err := Open(memDir, Options{FS: disk, SegmentBytes: blockSize})
	require.NoError(t, err)
	require.NoError(t, s.Append(1, contents(1, 1)))
	require.NoError(t, s.Close())
	require.NoError(t, disk.Remove(filepath.Join(memDir, reserveFile)))
	disk.others = disk.blocks - disk.used() - 2
	s, err = Open(memDir, Options{FS: disk, SegmentBytes: blockSize})
	require.NoError(t, err)
	require.NotContains(t, disk.size, filepath.Join(memDir, reserveFile), "half a one is worth nothing")
	disk.fill()
	require.NoError(t, s.Forget(1))
	require.Equal(t, int64(1), s.Status().Receipted)
	disk.others = 0
	require.NoError(t, s.Append(2, contents(2, 1)))
	require.NoError(t, s.Forget(2))
	require.NoError(t, s.Close())
	s, err = Open(memDir, Options{FS: disk, SegmentBytes: blockSize})
	require.NoError(t, err)
	require.Contains(t, disk.size, filepath.Join(memDir, reserveFile))
	require.NoError(t, s.Close())
}

// ownDisk, when set, is where TestFullDiskKeepsWhatWaits finds a disk of its own.
const ownDisk = "SPOOL_OWN_DISK"

// What can't be written for want of room takes none, and so costs nothing of what
// waits. The disk is a real one, in a name space of its own, which goes with it.
func TestFullDiskKeepsWhatWaits(t *testing.T) {
	disk := os.Getenv(ownDisk)
	if disk == "" {
		flags := "-m"
		if os.Geteuid() != 0 {
			flags = "-Urm"
		}
		dir := t.TempDir()
		cmd := exec.Command("unshare", flags, "sh", "-c",
			`mount -t tmpfs -o size=256k tmpfs "$1" && exec "$0" -test.v -test.run "^$2\$"`, os.Args[0], dir, t.Name())
		cmd.Env = append(os.Environ(), ownDisk+"="+dir)
		out, err := cmd.CombinedOutput()
		require.NoError(t, err, "%s", out)
		require.Contains(t, string(out), "--- PASS: "+t.Name())
		return
	}
	o := Options{MaxBytes: 64 << 10}
	dir := filepath.Join(disk, "lake-07")
	s := openAt(t, dir, o)
	for range 400 { // some 40 kB
		appendN(t, s, 1)
	}
	other := filepath.Join(disk, "other")
	require.ErrorIs(t, os.WriteFile(other, make([]byte, 1<<20), 0o600), syscall.ENOSPC)
	for s.Append(s.Last()+1, contents(s.Last()+1, 1)) == nil { // what is left of a block
	}
	last := s.Last()
	for range 300 {
		s.Skip(1, ReasonIO)
		require.ErrorIs(t, s.Append(s.Last()+1, contents(s.Last()+1, 1)), syscall.ENOSPC)
	}
	onDisk := int64(0)
	files, err := filepath.Glob(filepath.Join(dir, "*"+segmentSuffix))
	require.NoError(t, err)
	for _, name := range files {
		info, err := os.Stat(name)
		require.NoError(t, err)
		require.NotZero(t, info.Size(), "a file for nothing: %s", name)
		onDisk += info.Size()
	}
	require.Equal(t, onDisk, s.Status().Bytes)
	require.Equal(t, map[string]int64{ReasonIO: 300}, s.Status().Discarded)
	require.Equal(t, span(1, last), held(t, s))
	balance(t, s)

	require.NoError(t, os.Remove(other))
	appendN(t, s, 1)
	require.NoError(t, s.Close())
	s = openAt(t, dir, o)
	require.Equal(t, append(span(1, last), last+301), held(t, s))
	require.Equal(t, map[string]int64{ReasonIO: 300}, s.Status().Discarded)
	balance(t, s)
}
