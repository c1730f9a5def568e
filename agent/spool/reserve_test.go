package spool

import (
	"fmt"
	"io"
	"io/fs"
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
