// Package carry writes a station's spooled readings to files that a person
// carries to the collector, where there is no network: CSV, one file a day, as
// the collector's import of readings takes it.
//
// A row is on disk before the spool forgets its reading. Killed in between, the
// row is written again by the next process; the import knows repeated rows.
package carry

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Spool is where the readings wait.
type Spool interface {
	Each(after int64, use func(seq int64, payload []byte) bool) error
	Forget(upto int64) error
	Watch() <-chan struct{}
}

// Config says what is written where.
type Config struct {
	Dir      string // is made if it isn't there
	Station  string
	Channels []reading.Channel // the columns behind time
	// Every is how long rows are gathered, to spare the card. Until they are
	// written they are in the spool.
	Every time.Duration
	Log   *slog.Logger
}

// Log writes one station's files.
type Log struct {
	cfg   Config
	spool Spool
	sync  func(folder string) error
	made  bool // the folder is there for good
}

// New returns a log of the spool's readings.
func New(cfg Config, s Spool) *Log { return &Log{cfg: cfg, spool: s, sync: syncFolder} }

// late is a time after all readings: whether one lies ahead of the clock is for
// the collector to judge.
const late = unit.Instant(math.MaxInt64 / 2)

// most is how many readings are written at a time.
const most = 1000

// Run writes until ctx ends, and then what is left. A disk that can't be
// written is tried again; the readings stay in the spool.
func (l *Log) Run(ctx context.Context) error {
	for {
		changed := l.spool.Watch()
		if err := l.Write(); err != nil {
			l.cfg.Log.Error("readings are not written: they stay in the spool", "station", l.cfg.Station, "err", err)
		}
		select {
		case <-ctx.Done():
			return l.Write()
		case <-changed:
		}
		t := time.NewTimer(l.cfg.Every)
		select {
		case <-ctx.Done():
		case <-t.C:
		}
		t.Stop()
	}
}

// Write writes all that the spool holds.
func (l *Log) Write() error {
	for {
		n, err := l.part()
		if err != nil || n < most {
			return err
		}
	}
}

// part writes up to most readings, and has the spool forget them.
func (l *Log) part() (n int, err error) {
	rows := map[string][]byte{} // by day
	var last int64
	err = l.spool.Each(0, func(seq int64, line []byte) bool {
		b := reading.Decode(l.cfg.Station, line, late)
		for i := range b.Readings {
			day := b.Readings[i].Time.Time().UTC().Format(time.DateOnly)
			rows[day] = l.row(rows[day], &b.Readings[i])
		}
		for _, r := range b.Refused {
			l.cfg.Log.Error("a spooled reading can't be read and is left out", "station", l.cfg.Station, "seq", seq, "err", r.Reason)
		}
		last = seq
		n++
		return n < most
	})
	if err != nil {
		return 0, fmt.Errorf("collect rows: %w", err)
	}
	if n == 0 {
		return 0, nil
	}
	if err := l.makeDir(); err != nil {
		return 0, err
	}
	for day, text := range rows {
		if err := l.append(day, text); err != nil {
			return 0, err
		}
	}
	if err := l.sync(l.cfg.Dir); err != nil {
		return 0, err
	}
	return n, l.spool.Forget(last)
}

// makeDir makes the folder where it isn't there. Its name, and those of all
// folders above, of which an earlier attempt can have made some, are on disk when
// it returns: once is enough.
func (l *Log) makeDir() error {
	if l.made {
		return nil
	}
	if err := os.MkdirAll(l.cfg.Dir, 0o755); err != nil {
		return err
	}
	for path := filepath.Clean(l.cfg.Dir); path != filepath.Dir(path); {
		path = filepath.Dir(path)
		// A folder that this user may not even list is not one that it made.
		if err := l.sync(path); err != nil && !errors.Is(err, fs.ErrPermission) {
			return err
		}
	}
	l.made = true
	return nil
}

// syncFolder writes down which files a folder has: syncing a new file alone need
// not keep its name. Where a file system can't do that there is nothing to do.
func syncFolder(path string) error {
	dir, err := os.Open(path)
	if err != nil {
		return err
	}
	err = dir.Sync()
	if errors.Is(err, syscall.EINVAL) {
		err = nil
	}
	return errors.Join(err, dir.Close())
}

func (l *Log) header() string {
	names := []string{"time"}
	for _, c := range l.cfg.Channels {
		names = append(names, c.Name())
	}
	return strings.Join(names, ",") + "\n"
}

// row appends a reading's row. What is absent is blank, and so is what the
// sensor's own heater disturbed: a table has no flags.
func (l *Log) row(dst []byte, r *reading.Reading) []byte {
	dst = append(dst, r.Time.Time().UTC().Format(time.RFC3339Nano)...)
	heated := r.HasFlag(reading.FlagHeater)
	for _, c := range l.cfg.Channels {
		dst = append(dst, ',')
		if v, ok := r.Get(c); ok && !(heated && (c == reading.InsideTemp || c == reading.InsideRH)) {
			dst = strconv.AppendFloat(dst, v, 'f', -1, 64)
		}
	}
	return append(dst, '\n')
}

// append adds rows to the day's file, or to the next one of that day when its
// columns are others, and syncs it.
func (l *Log) append(day string, rows []byte) (err error) {
	for n := 1; ; n++ {
		name := l.cfg.Station + "-" + day
		if n > 1 {
			name += "-" + strconv.Itoa(n)
		}
		f, err := os.OpenFile(filepath.Join(l.cfg.Dir, name+".csv"), os.O_RDWR|os.O_CREATE, 0o644)
		if err != nil {
			return err
		}
		fits, err := l.prepare(f)
		if err == nil && fits {
			_, err = f.Write(rows)
			err = errors.Join(err, f.Sync())
		}
		if err = errors.Join(err, f.Close()); err != nil || fits {
			return err
		}
	}
}

// prepare goes to the end of the last whole row; what a power cut left behind it
// is still in the spool. It is false when the file has other columns.
func (l *Log) prepare(f *os.File) (fits bool, err error) {
	text, err := io.ReadAll(f)
	if err != nil {
		return false, err
	}
	whole := bytes.LastIndexByte(text, '\n') + 1
	if whole > 0 && !strings.HasPrefix(string(text), l.header()) {
		return false, nil
	}
	if err := f.Truncate(int64(whole)); err != nil {
		return false, err
	}
	if _, err := f.Seek(int64(whole), io.SeekStart); err != nil {
		return false, err
	}
	if whole == 0 {
		_, err = f.WriteString(l.header())
	}
	return true, err
}
