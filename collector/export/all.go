package export

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"

	"dewpost/collector/record"
	"dewpost/rules/unit"
)

// Everything is the want for all there is.
func Everything() record.Want {
	return record.Want{From: math.MinInt64, To: math.MaxInt64, Owners: true}
}

// File is a file of an export of everything.
type File struct {
	Name   string `json:"name"` // in the folder, with /
	What   string `json:"what"`
	Rows   int64  `json:"rows"`
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"`
}

// Manifest lists the files of an export of everything.
type Manifest struct {
	Made  unit.Instant `json:"made"`
	Files []File       `json:"files"`
}

// ManifestName is the file that lists the others; it is written last.
const ManifestName = "manifest.json"

// All writes everything into the folder dir, which must not be there: a file for
// each item, of readings and hours one for each station, and a manifest. As CSV,
// readings come as line protocol besides, which is complete. The folder bears
// its name only when all is in it.
func All(ctx context.Context, src Source, dir string, f Format, now unit.Instant) (m Manifest, err error) {
	if f != CSV && f != JSONLines {
		return m, Refused{"format", string(f), "everything can be had as csv or jsonl"}
	}
	if _, err := os.Lstat(dir); !errors.Is(err, os.ErrNotExist) {
		return m, Refused{"folder", dir, "it is there already: choose another"}
	}
	part, err := os.MkdirTemp(filepath.Dir(filepath.Clean(dir)), "."+filepath.Base(dir)+".*.part") // mode 0700
	if err != nil {
		return m, fmt.Errorf("export: %w", err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.RemoveAll(part))
		}
	}()
	if m, err = writeAll(ctx, src, part, f, now); err != nil {
		return m, err
	}
	if err := os.Rename(part, dir); err != nil {
		return m, fmt.Errorf("export: %w", err)
	}
	return m, nil
}

func writeAll(ctx context.Context, src Source, dir string, f Format, now unit.Instant) (Manifest, error) {
	m := Manifest{Made: now, Files: []File{}}
	stations, err := src.Stations(ctx)
	if err != nil {
		return m, err
	}
	items, err := Items(ctx, src)
	if err != nil {
		return m, err
	}
	for _, it := range items {
		if !it.OneStation {
			if err := m.add(ctx, src, dir, it.Name+"."+string(f), it.Name, f, Everything()); err != nil {
				return m, err
			}
			continue
		}
		if err := os.Mkdir(filepath.Join(dir, it.Name), 0o700); err != nil {
			return m, fmt.Errorf("export: %w", err)
		}
		formats := []Format{f}
		if it.Name == Readings && f == CSV {
			formats = append(formats, LineProtocol)
		}
		for i := range stations {
			want := Everything()
			want.Stations = []string{stations[i].ID}
			for _, f := range formats {
				if err := m.add(ctx, src, dir, it.Name+"/"+stations[i].ID+"."+string(f), it.Name, f, want); err != nil {
					return m, err
				}
			}
		}
	}
	body, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return m, err
	}
	_, _, err = writeFile(filepath.Join(dir, ManifestName), func(w io.Writer) error {
		_, err := w.Write(append(body, '\n'))
		return err
	})
	return m, err
}

func (m *Manifest) add(ctx context.Context, src Source, dir, name, what string, f Format, want record.Want) error {
	file := File{Name: name, What: what}
	var err error
	file.Bytes, file.SHA256, err = writeFile(filepath.Join(dir, filepath.FromSlash(name)), func(w io.Writer) error {
		var err error
		file.Rows, err = Write(ctx, w, src, what, f, want, m.Made)
		return err
	})
	m.Files = append(m.Files, file)
	return err
}

// writeFile writes a new file, which only its owner can read: there are names in
// it. It is on disk when writeFile returns.
func writeFile(path string, write func(io.Writer) error) (bytes int64, sum string, err error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return 0, "", fmt.Errorf("export: %w", err)
	}
	return fill(f, write)
}

// fill writes a file, syncs and closes it.
func fill(f *os.File, write func(io.Writer) error) (bytes int64, sum string, err error) {
	h := sha256.New()
	counted := counter{w: io.MultiWriter(f, h)}
	if err := errors.Join(write(&counted), f.Sync(), f.Close()); err != nil {
		return 0, "", err
	}
	return counted.n, hex.EncodeToString(h.Sum(nil)), nil
}

// ToFile writes a new file, complete or not at all.
func ToFile(path string, write func(io.Writer) error) error {
	if _, err := os.Lstat(path); !errors.Is(err, os.ErrNotExist) {
		return Refused{"out", path, "it is there already: choose another file"}
	}
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*.part") // mode 0600
	if err != nil {
		return fmt.Errorf("export: %w", err)
	}
	if _, _, err := fill(f, write); err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return errors.Join(fmt.Errorf("export: %w", err), os.Remove(f.Name()))
	}
	return nil
}

type counter struct {
	w io.Writer
	n int64
}

func (c *counter) Write(b []byte) (int, error) {
	n, err := c.w.Write(b)
	c.n += int64(n)
	return n, err
}
