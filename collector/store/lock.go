package store

import (
	"errors"
	"fmt"
	"os"
	"syscall"
)

// ErrInUse is returned when a store can't be replaced because it is open.
var ErrInUse = errors.New("it is open in a collector or another command: end that first")

var errBeingReplaced = errors.New("a backup is being put in its place: wait until that is done")

// lock keeps a store from being replaced while it is open, or, with replace,
// from being opened while it is replaced. The lock is on a file of its own
// beside the store: it belongs to the name and not to the file that is
// replaced, and SQLite would lose its own locks when another handle of the
// store's file is closed. It ends with the process, however that ends; the file
// stays.
func lock(path string, replace bool) (*os.File, error) {
	f, err := os.OpenFile(path+".lock", os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	how, busy := syscall.LOCK_SH, errBeingReplaced
	if replace {
		how, busy = syscall.LOCK_EX, ErrInUse
	}
	if err := syscall.Flock(int(f.Fd()), how|syscall.LOCK_NB); err != nil {
		if errors.Is(err, syscall.EWOULDBLOCK) {
			err = busy
		} else {
			err = fmt.Errorf("lock %s: %w", f.Name(), err)
		}
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

// setLockWait is F_OFD_SETLKW of Linux: a lock that belongs to the open file, waits
// for others of its kind, and has nothing to do with flock. Source: fcntl(2).
const setLockWait = 38

// inTurn calls f while nobody else does so for the store for which held is held.
func inTurn(held *os.File, f func() error) (err error) {
	set := func(how int16) error {
		for {
			err := syscall.FcntlFlock(held.Fd(), setLockWait, &syscall.Flock_t{Type: how, Len: 1})
			if !errors.Is(err, syscall.EINTR) {
				return err
			}
		}
	}
	if err := set(syscall.F_WRLCK); err != nil {
		return fmt.Errorf("wait for others who open it: %w", err)
	}
	defer func() { err = errors.Join(err, set(syscall.F_UNLCK)) }()
	return f()
}

var errOlder = errors.New("it is open in a program that knows an older schema only: end that first")

// alone calls f while nobody else has the store open for which held is held.
func alone(held *os.File, f func() error) (err error) {
	fd := int(held.Fd())
	if err := syscall.Flock(fd, syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		return errOlder
	}
	defer func() { err = errors.Join(err, syscall.Flock(fd, syscall.LOCK_SH)) }()
	return f()
}
