package spool

import (
	"errors"
	"io/fs"
	"path/filepath"
	"syscall"
)

// A receipted segment is removed once the state that says so is on disk. On a
// full disk that state could never be written, so the spool would hold on to
// what it may forget, and the disk would stay full: for that moment a file keeps
// some room.
const (
	reserveFile = "reserve"
	// reserveBytes is room for a state of many gaps, in blocks, and its name.
	reserveBytes = 32 << 10
)

// putBack makes the reserve if there is none. Where there is no room for it, it
// is made when there is.
func (s *Spool) putBack() {
	if s.reserved {
		return
	}
	path := filepath.Join(s.dir, reserveFile)
	if err := s.fs.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return // half a one, that can't be replaced
	}
	f, err := s.fs.Create(path)
	if err != nil {
		return
	}
	// Not zeros: some file systems keep no room for those.
	full := make([]byte, reserveBytes)
	for i, x := 0, uint32(1); i < len(full); i++ {
		x = x*1664525 + 1013904223
		full[i] = byte(x >> 24)
	}
	_, err = f.Write(full)
	if err == nil {
		err = f.Sync() // only then has it its room
	}
	if err = errors.Join(err, f.Close()); err == nil {
		s.reserved = true
		return
	}
	if err := s.fs.Remove(path); err != nil {
		s.o.Log.Debug("half a reserve stays", "file", path, "err", err)
	}
}

// spend gives the reserve's room away. It tells whether there was one.
func (s *Spool) spend() bool {
	if !s.reserved {
		return false
	}
	s.reserved = false
	if err := s.fs.Remove(filepath.Join(s.dir, reserveFile)); err != nil {
		s.o.Log.Error("spool reserve", "dir", s.dir, "err", err)
		return false
	}
	s.o.Log.Warn("the disk is full: the reserve is used to remove what is receipted", "dir", s.dir)
	return true
}

// findReserve looks whether a whole reserve is there.
func (s *Spool) findReserve() {
	f, err := s.fs.Open(filepath.Join(s.dir, reserveFile))
	if err != nil {
		return
	}
	size, err := f.Size()
	s.reserved = errors.Join(err, f.Close()) == nil && size == reserveBytes
}

// noRoom tells whether a write failed because the disk, or the user's share of
// it, is full.
func noRoom(err error) bool {
	return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT)
}
