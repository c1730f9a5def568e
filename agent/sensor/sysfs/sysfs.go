// Package sysfs finds and reads what kernel drivers show of sensors as files.
// The root, /sys, can be another folder.
package sysfs

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

// Find returns the folder of a device in a class's folder: the one called
// device, or the only one whose file name holds it. It is looked for each time,
// because numbers change from start to start.
func Find(class, device string) (string, error) {
	entries, err := os.ReadDir(class)
	if err != nil {
		return "", err
	}
	var found, names []string
	for _, e := range entries {
		dir := filepath.Join(class, e.Name())
		if e.Name() == device {
			return dir, nil
		}
		name, err := Text(filepath.Join(dir, "name"))
		if err != nil {
			continue // a folder of another kind
		}
		names = append(names, fmt.Sprintf("%s (%s)", e.Name(), name))
		if name == device {
			found = append(found, dir)
		}
	}
	switch len(found) {
	case 1:
		return found[0], nil
	case 0:
		return "", fmt.Errorf("no device %q in %s; there are: %s", device, class, strings.Join(names, ", "))
	}
	return "", fmt.Errorf("%d devices are called %q in %s: name the folder of one of %s", len(found), device, class, strings.Join(names, ", "))
}

// Device is one device of a class, and the channels of it that are in use.
type Device struct {
	Class string   // folder of all devices of its kind
	Name  string   // or that of its folder
	Uses  []string // beginnings of file names, as in temp1
}

// Measure reads the channels in use by a function that is given the beginning of
// a channel's files. One that can't be read leaves the others.
func (d *Device) Measure(read func(stem string) (float64, error)) (map[string]float64, error) {
	dir, err := Find(d.Class, d.Name)
	if err != nil {
		return nil, err
	}
	values := map[string]float64{}
	var errs []error
	for _, use := range d.Uses {
		v, err := read(filepath.Join(dir, use))
		if err != nil {
			errs = append(errs, err)
			continue
		}
		values[use] = v
	}
	return values, errors.Join(errs...)
}

// Text reads a file of one line.
func Text(path string) (string, error) {
	b, err := os.ReadFile(path)
	if errors.Is(err, syscall.ENODATA) {
		return "", fmt.Errorf("%s: the sensor is switched off or has no value yet: %w", path, err)
	}
	if err != nil {
		return "", err
	}
	return strings.TrimSpace(string(b)), nil
}

// Number reads a file that holds one number, and its text.
func Number(path string) (float64, string, error) {
	text, err := Text(path)
	if err != nil {
		return 0, "", err
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return 0, "", fmt.Errorf("%s: %.40q is no number", path, text)
	}
	return v, text, nil
}

// Missing tells whether err is about a file that isn't there.
func Missing(err error) bool { return errors.Is(err, fs.ErrNotExist) }
