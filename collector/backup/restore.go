package backup

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/unit"
)

// Restored is a backup that was put in the place of a store.
type Restored struct {
	From   File         // the backup
	At     unit.Instant // of the restore
	Aside  string       // where the store went that was there; "" if none was
	Beyond []record.Beyond
	Unread error // why the old store can't be compared; nil when it was, or none was there
}

// Restore verifies the backup and puts it in the place of the store, which
// nobody may have open: store.ErrInUse. A store that is there is moved aside. A
// database, which path may be the URL of, must be empty.
func Restore(ctx context.Context, file, path string, now time.Time) (_ Restored, err error) {
	r := Restored{At: unit.At(now)}
	if store.IsURL(path) {
		return restoreInto(ctx, file, path, r)
	}
	if path, err = filepath.Abs(path); err != nil {
		return r, fmt.Errorf("restore: %w", err)
	}
	held, err := store.Claim(path)
	if err != nil {
		return r, fmt.Errorf("restore: %w", err)
	}
	defer func() { err = errors.Join(err, held.Close()) }()
	if r.From, err = verifyBackup(ctx, file); err != nil {
		return r, fmt.Errorf("restore: %w", err)
	}
	// In a folder of its own, so that what SQLite makes beside it goes with it.
	dir, err := os.MkdirTemp(filepath.Dir(path), ".restore-*") // mode 0700
	if err != nil {
		return r, fmt.Errorf("restore: %w", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	fresh := filepath.Join(dir, filepath.Base(path))
	if err := copyFile(file, fresh, r.From.SHA256); err != nil {
		return r, fmt.Errorf("restore: %w", err)
	}
	if r.Aside, err = freeName(path, now); err != nil {
		return r, fmt.Errorf("restore: %w", err)
	}
	if r.Aside != "" {
		r.Beyond, r.Unread = compare(ctx, path, fresh)
	}
	if err := prepare(ctx, fresh, r); err != nil {
		return r, fmt.Errorf("restore: %w", err)
	}
	if err := exchange(path, fresh, r.Aside); err != nil {
		return r, fmt.Errorf("restore: %w", err)
	}
	return r, nil
}

// restoreInto puts a backup into an empty database.
func restoreInto(ctx context.Context, file, url string, r Restored) (_ Restored, err error) {
	if r.From, err = verifyBackup(ctx, file); err != nil {
		return r, fmt.Errorf("restore: %w", err)
	}
	dir, err := os.MkdirTemp("", "dewpost-restore-*") // mode 0700
	if err != nil {
		return r, fmt.Errorf("restore: %w", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	fresh := filepath.Join(dir, "store.db")
	if err := copyFile(file, fresh, r.From.SHA256); err != nil {
		return r, fmt.Errorf("restore: %w", err)
	}
	if err := prepare(ctx, fresh, r); err != nil {
		return r, fmt.Errorf("restore: %w", err)
	}
	if err := store.Fill(ctx, fresh, url); err != nil {
		return r, fmt.Errorf("restore: %w", err)
	}
	return r, nil
}

// verifyBackup verifies a file, and that it was made as a backup: the copy of a
// store lacks what stood in the WAL beside it.
func verifyBackup(ctx context.Context, file string) (File, error) {
	m, err := Verify(ctx, file)
	if err == nil && m.Made == 0 {
		err = fmt.Errorf("%s was not made by dewpost backup: use a file that was", file)
	}
	return m, err
}

// copyFile copies a file whose SHA-256 is known, and syncs the copy.
func copyFile(from, to, sum string) (err error) {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, in.Close()) }()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	h := sha256.New()
	_, err = io.Copy(io.MultiWriter(out, h), in)
	if err = errors.Join(err, out.Sync(), out.Close()); err != nil {
		return err
	}
	if hex.EncodeToString(h.Sum(nil)) != sum {
		return fmt.Errorf("%s changed while it was copied: try again", from)
	}
	return nil
}

// freeName returns a name for the store that is at path, or what is left of it;
// "" when nothing is.
func freeName(path string, now time.Time) (string, error) {
	name := path + now.UTC().Format(".before-20060102T150405Z")
	there := false
	for _, suffix := range sideFiles {
		_, err := os.Lstat(path + suffix)
		there = there || err == nil
		if _, taken := os.Lstat(name + suffix); taken == nil {
			err = fmt.Errorf("%s is there already: try again in a second", name+suffix)
		}
		if err != nil && !errors.Is(err, os.ErrNotExist) {
			return "", err
		}
	}
	if !there {
		return "", nil
	}
	return name, nil
}

// compare counts what the old store has beyond the backup. It only reads: who
// writes to a damaged store may lose what stands in the WAL beside it.
func compare(ctx context.Context, old, fresh string) (_ []record.Beyond, err error) {
	was, err := store.OpenReadOnly(ctx, old)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, was.Close()) }()
	is, err := store.OpenReadOnly(ctx, fresh)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, is.Close()) }()
	return is.Beyond(ctx, was, nil)
}

// prepare brings the copy's schema up to date and records the restore in it,
// and makes sure that this changed neither readings nor ledger.
func prepare(ctx context.Context, fresh string, r Restored) error {
	s, err := store.Open(ctx, fresh)
	if err != nil {
		return err
	}
	err = s.NoteRestore(ctx, record.Restore{At: r.At, Made: r.From.Made, Aside: r.Aside})
	if err = errors.Join(err, s.Close()); err != nil {
		return err
	}
	is, err := Verify(ctx, fresh)
	if err != nil {
		return err
	}
	if was := r.From; is.Readings != was.Readings || is.Hours != was.Hours || is.Ledger != was.Ledger || is.Stations != was.Stations {
		return fmt.Errorf("%s: after it was brought up to date it holds something else than before: that is a fault of this program", fresh)
	}
	return syncPath(fresh)
}

// sideFiles are what SQLite keeps beside a store, and "", the store itself.
var sideFiles = []string{"", "-wal", "-shm"}

// exchange moves the old store aside and gives the new one its name. Killed
// anywhere, the old store is whole under one name at least, and no file has the
// store's name beside a WAL that isn't its own: the names aside come first,
// then the store's name goes before that of its WAL.
func exchange(path, fresh, aside string) error {
	if aside != "" {
		for _, suffix := range sideFiles {
			if err := os.Link(path+suffix, aside+suffix); err != nil && !errors.Is(err, os.ErrNotExist) {
				return err
			}
		}
		if err := syncPath(filepath.Dir(path)); err != nil {
			return err
		}
	}
	for _, suffix := range sideFiles {
		if err := os.Remove(path + suffix); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
	}
	if err := os.Rename(fresh, path); err != nil {
		return err
	}
	return syncPath(filepath.Dir(path))
}
