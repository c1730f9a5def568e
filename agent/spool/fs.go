package spool

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// FS is what the spool asks of a file system. All names are full paths. Tests
// put one in between that fails, or forgets what was not synced.
type FS interface {
	// Mkdir makes a directory in one that exists.
	Mkdir(dir string) error
	// Create makes a file that must not exist yet, for appending and reading.
	Create(name string) (File, error)
	// OpenAppend opens or makes a file for appending.
	OpenAppend(name string) (File, error)
	// Open opens an existing file for reading and syncing.
	Open(name string) (File, error)
	// Rename replaces the file to, if there is one.
	Rename(from, to string) error
	Remove(name string) error
	// Names lists the files of a directory.
	Names(dir string) ([]string, error)
	// SyncDir makes creations, renames and removals in dir durable.
	SyncDir(dir string) error
	// Lock keeps other processes out until the returned closer is closed; the
	// system closes it when the process dies.
	Lock(name string) (io.Closer, error)
}

// File is an open file.
type File interface {
	io.Writer
	io.ReaderAt
	io.Closer
	Size() (int64, error)
	// Sync makes what was written durable. After an error nothing is known
	// about the file, and a second Sync that succeeds proves nothing.
	Sync() error
}

// disk is the real file system.
type disk struct{}

type diskFile struct{ *os.File }

func (f diskFile) Size() (int64, error) {
	info, err := f.Stat()
	if err != nil {
		return 0, err
	}
	return info.Size(), nil
}

func (disk) open(name string, flag int) (File, error) {
	f, err := os.OpenFile(name, flag, 0o600)
	if err != nil {
		return nil, err
	}
	return diskFile{f}, nil
}

// makeDir makes dir and its parents, durably. It syncs also the names of those
// that are there: who made them may have died before he did.
func makeDir(fsys FS, dir string) error {
	if err := mkdirAll(fsys, dir); err != nil {
		return err
	}
	for parent := filepath.Dir(dir); parent != dir; dir, parent = parent, filepath.Dir(parent) {
		err := fsys.SyncDir(parent)
		if errors.Is(err, fs.ErrPermission) || errors.Is(err, syscall.EINVAL) {
			continue // not ours to read, or of a kind that is never synced
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func mkdirAll(fsys FS, dir string) error {
	err := fsys.Mkdir(dir)
	if parent := filepath.Dir(dir); errors.Is(err, fs.ErrNotExist) && parent != dir {
		if err := mkdirAll(fsys, parent); err != nil {
			return err
		}
		err = fsys.Mkdir(dir)
	}
	if errors.Is(err, fs.ErrExist) {
		return nil
	}
	return err
}

func (disk) Mkdir(dir string) error { return os.Mkdir(dir, 0o700) }

func (d disk) Create(name string) (File, error) {
	return d.open(name, os.O_RDWR|os.O_CREATE|os.O_EXCL|os.O_APPEND)
}

func (d disk) OpenAppend(name string) (File, error) {
	return d.open(name, os.O_RDWR|os.O_CREATE|os.O_APPEND)
}

func (d disk) Open(name string) (File, error) { return d.open(name, os.O_RDONLY) }

func (disk) Rename(from, to string) error { return os.Rename(from, to) }

func (disk) Remove(name string) error { return os.Remove(name) }

func (disk) Names(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	names := make([]string, 0, len(entries))
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names, nil
}

func (disk) SyncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	if err := d.Sync(); err != nil {
		return errors.Join(fmt.Errorf("sync directory %s: %w", dir, err), d.Close())
	}
	return d.Close()
}

func (d disk) Lock(name string) (io.Closer, error) {
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		return nil, errors.Join(fmt.Errorf("another process uses this spool: %w", err), f.Close())
	}
	return f, nil
}

// unsynced leaves durability to the system: a power cut may lose what was
// acknowledged. For simulated stations only.
type unsynced struct{ FS }

type unsyncedFile struct{ File }

func (unsyncedFile) Sync() error { return nil }

func (u unsynced) SyncDir(string) error { return nil }

func (u unsynced) Create(name string) (File, error) { return wrapUnsynced(u.FS.Create(name)) }

func (u unsynced) OpenAppend(name string) (File, error) { return wrapUnsynced(u.FS.OpenAppend(name)) }

func (u unsynced) Open(name string) (File, error) { return wrapUnsynced(u.FS.Open(name)) }

func wrapUnsynced(f File, err error) (File, error) {
	if err != nil {
		return nil, err
	}
	return unsyncedFile{f}, nil
}
