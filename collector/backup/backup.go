// Package backup makes backups of a collector's store while it works, and puts
// them back.
//
// A backup is one file: a consistent copy of the store, written under a
// temporary name in the folder where it is to be, synced, opened anew, read to
// the last row, and only then given its name. So whatever bears a backup's name
// was readable once, and a run that dies leaves the last backup as it was.
//
// What a backup can't hold is what came in after it. Agents delete what the
// collector receipted, so when a backup is put back, the readings received
// between backup and loss are gone unless the lost store can still be read.
// Nothing can change that but fresh backups; what this package does is to say
// it in numbers: when a backup is put back, the store records how far every run
// was, and what agents skip afterwards is known to be due to that (see
// store.Holes). Of an old store that can be read, Restore counts exactly what
// it has beyond the backup, and Salvage takes it over.
//
// The order in which Restore writes: the copy is complete, verified and synced
// beside the store before anything that is there is touched; then the old store
// is moved aside and the new one takes its name. Nothing is deleted.
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

// Config says what to back up where.
type Config struct {
	Store   string // file, or URL of a database
	Target  string // file, or a folder in which a name with the time is made
	Replace bool   // the file at Target, if there is one
	Now     func() time.Time
}

// File is a backup that was made, or verified.
type File struct {
	record.Contents
	Path   string
	Bytes  int64
	SHA256 string
}

// Make makes a backup, verifies it, and records in the store that it was made.
func Make(ctx context.Context, cfg Config) (_ File, err error) {
	at := cfg.Now()
	target, err := targetOf(cfg, at)
	if err != nil {
		return File{}, err
	}
	if err := inspect(ctx, cfg.Store); err != nil {
		return File{}, err
	}
	part, err := os.CreateTemp(filepath.Dir(target), "."+filepath.Base(target)+".*.part") // mode 0600
	if err != nil {
		return File{}, fmt.Errorf("backup: %w", err)
	}
	defer func() { err = errors.Join(err, removePart(part.Name())) }()
	if err := part.Close(); err != nil {
		return File{}, fmt.Errorf("backup: %w", err)
	}
	note, err := store.Copy(ctx, cfg.Store, part.Name(), unit.At(at), target)
	if err != nil {
		return File{}, fmt.Errorf("backup: %w", err)
	}
	if err := syncPath(part.Name()); err != nil {
		return File{}, fmt.Errorf("backup: %w", err)
	}
	made, err := Verify(ctx, part.Name())
	if err != nil {
		return File{}, fmt.Errorf("backup: %w", err)
	}
	made.Path = target
	if err := os.Rename(part.Name(), target); err != nil {
		return File{}, fmt.Errorf("backup: %w", err)
	}
	if err := syncPath(filepath.Dir(target)); err != nil {
		return File{}, fmt.Errorf("backup: %w", err)
	}
	note.Bytes, note.SHA256 = made.Bytes, made.SHA256
	if err := store.NoteBackup(ctx, cfg.Store, note); err != nil {
		return File{}, fmt.Errorf("backup %s is made, but: %w", target, err)
	}
	return made, nil
}

// targetOf returns the absolute path of the file to make.
func targetOf(cfg Config, at time.Time) (string, error) {
	target, err := filepath.Abs(cfg.Target)
	if err != nil {
		return "", fmt.Errorf("backup: %w", err)
	}
	info, err := os.Stat(target)
	if err == nil && info.IsDir() {
		target = filepath.Join(target, at.UTC().Format("dewpost-20060102T150405Z.backup"))
		info, err = os.Stat(target)
	}
	if errors.Is(err, os.ErrNotExist) {
		return target, nil
	}
	if err != nil {
		return "", fmt.Errorf("backup: %w", err)
	}
	own, err := os.Stat(cfg.Store)
	switch {
	case err == nil && os.SameFile(info, own):
		return "", fmt.Errorf("backup %s: that is the store itself: choose another file", target)
	case !info.Mode().IsRegular():
		return "", fmt.Errorf("backup %s: it is neither a file nor a folder: choose another name", target)
	case !cfg.Replace:
		return "", fmt.Errorf("backup %s: it is there already: choose another name, or say --replace", target)
	}
	return target, nil
}

// inspect makes sure that there is a store.
func inspect(ctx context.Context, path string) error {
	if _, err := os.Stat(path); err != nil && !store.IsURL(path) {
		return fmt.Errorf("backup: there is no store to back up: %w", err)
	}
	s, err := store.OpenReadOnly(ctx, path)
	if err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	return s.Close()
}

// removePart removes what a backup that failed left; one that was given its
// name left nothing.
func removePart(path string) error {
	var errs []error
	for _, suffix := range []string{"", "-journal"} {
		if err := os.Remove(path + suffix); !errors.Is(err, os.ErrNotExist) {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

// syncPath syncs a file or a folder.
func syncPath(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// Verify reads all of a backup and returns what it holds. It changes nothing.
func Verify(ctx context.Context, path string) (_ File, err error) {
	m := File{Path: path}
	if m.Bytes, m.SHA256, err = digest(path); err != nil {
		return m, fmt.Errorf("verify: %w", err)
	}
	s, err := store.OpenReadOnly(ctx, path)
	if err != nil {
		return m, fmt.Errorf("verify: %w", err)
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	if m.Contents, err = s.Verify(ctx); err != nil {
		return m, err
	}
	return m, nil
}

// digest returns size and SHA-256 of a file.
func digest(path string) (int64, string, error) {
	f, err := os.Open(path)
	if err != nil {
		return 0, "", err
	}
	h := sha256.New()
	n, err := io.Copy(h, f)
	return n, hex.EncodeToString(h.Sum(nil)), errors.Join(err, f.Close())
}

// Thin removes backups from the folder of target, but for the newest keep. It
// removes only files that the store tells that they were made as its backups,
// and that are still what was made. It returns what it removed.
func Thin(ctx context.Context, storePath, target string, keep int) (removed []string, err error) {
	s, err := store.OpenReadOnly(ctx, storePath)
	if err != nil {
		return nil, fmt.Errorf("remove older backups: %w", err)
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	all, err := s.Backups(ctx)
	if err != nil {
		return nil, fmt.Errorf("remove older backups: %w", err)
	}
	seen := make(map[string]bool)
	for _, b := range all { // newest first
		if seen[b.Path] || filepath.Dir(b.Path) != filepath.Dir(target) {
			continue
		}
		seen[b.Path] = true
		bytes, sum, err := digest(b.Path)
		if errors.Is(err, os.ErrNotExist) || err == nil && (bytes != b.Bytes || sum != b.SHA256) {
			continue
		}
		if err != nil {
			return removed, fmt.Errorf("remove older backups: %w", err)
		}
		if keep > 0 {
			keep--
			continue
		}
		if err := os.Remove(b.Path); err != nil {
			return removed, fmt.Errorf("remove older backups: %w", err)
		}
		removed = append(removed, b.Path)
	}
	return removed, nil
}
