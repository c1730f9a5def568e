package agent

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"dewpost/rules/bundle"
)

// Enrol takes the text that dewpost station add --qr shows and writes the files
// that the agent needs into dir, by default a folder called like the station.
// They are readable by their owner only, and all of them are new, or none is
// written. It returns their paths.
func Enrol(text, dir string) ([]string, error) {
	b, err := bundle.Parse(text)
	if err != nil {
		return nil, err
	}
	if dir == "" {
		dir = b.Station
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("enrol %s: %w", b.Station, err)
	}
	files := b.Files()
	for _, f := range files {
		path := filepath.Join(dir, f.Name)
		if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("enrol %s: %s is there already: remove it or choose another folder", b.Station, path)
		}
	}
	var written []string
	for _, f := range files {
		path := filepath.Join(dir, f.Name)
		if err := writeNew(path, f.Text); err != nil {
			return written, fmt.Errorf("enrol %s: %w", b.Station, err)
		}
		written = append(written, path)
	}
	return written, nil
}

// IsEnrolment tells whether text is what Enrol takes, whole or not, and so
// secret.
func IsEnrolment(text string) bool { return bundle.IsText(text) }

func writeNew(path, text string) (err error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	if _, err := f.WriteString(text); err != nil {
		return err
	}
	return f.Sync() // a board may lose its power any time
}
