package carry

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// memSpool keeps lines in memory.
type memSpool struct {
	lines   [][]byte
	first   int64
	changed chan struct{}
	broken  error
}

func newMemSpool() *memSpool { return &memSpool{first: 1, changed: make(chan struct{})} }

func (m *memSpool) Each(_ int64, use func(int64, []byte) bool) error {
	for i, l := range m.lines {
		if !use(m.first+int64(i), l) {
			break
		}
	}
	return m.broken
}

func (m *memSpool) Forget(upto int64) error {
	m.lines = m.lines[upto-m.first+1:]
	m.first = upto + 1
	return nil
}

func (m *memSpool) Watch() <-chan struct{} { return m.changed }

// add spools a reading of a time.
func (m *memSpool) add(t *testing.T, at string, set func(*reading.Reading)) {
	t.Helper()
	when, err := time.Parse(time.RFC3339, at)
	require.NoError(t, err)
	r := reading.Reading{Time: unit.At(when), Run: "9f31c2aa07de4410", Seq: m.first + int64(len(m.lines))}
	r.Set(reading.InsideTemp, 11.5)
	r.Set(reading.InsideRH, 88.25)
	if set != nil {
		set(&r)
	}
	line, err := reading.AppendLine(nil, "lake-07", &r, 0)
	require.NoError(t, err)
	m.lines = append(m.lines, line)
}

func config(dir string) Config {
	return Config{
		Dir: dir, Station: "lake-07", Channels: []reading.Channel{reading.InsideTemp, reading.InsideRH, reading.BoardTemp},
		Every: time.Minute, Log: slog.New(slog.DiscardHandler),
	}
}

func read(t *testing.T, dir, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(dir, name))
	require.NoError(t, err)
	return string(text)
}

func TestAFileADay(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "carry")
	sp := newMemSpool()
	l := New(config(dir), sp)
	require.NoError(t, l.Write())
	require.NoDirExists(t, dir, "nothing to write")
	sp.add(t, "2026-05-01T23:59:00Z", func(r *reading.Reading) { r.Set(reading.BoardTemp, -0.5) })
	sp.add(t, "2026-05-02T00:00:00Z", func(r *reading.Reading) { r.Clear(reading.InsideRH); r.Flags = "failed:inside_rh_pct" })
	sp.add(t, "2026-05-02T00:01:00Z", func(r *reading.Reading) { r.Set(reading.BoardTemp, 3); r.Flags = "sensor_heater" })
	require.NoError(t, l.Write())
	require.Empty(t, sp.lines)
	require.Equal(t, "time,inside_temp_c,inside_rh_pct,board_temp_c\n2026-05-01T23:59:00Z,11.5,88.25,-0.5\n", read(t, dir, "lake-07-2026-05-01.csv"))
	require.Equal(t, "time,inside_temp_c,inside_rh_pct,board_temp_c\n2026-05-02T00:00:00Z,11.5,,\n2026-05-02T00:01:00Z,,,3\n", read(t, dir, "lake-07-2026-05-02.csv"))

	// A power cut tore the last row; it is still in the spool.
	path := filepath.Join(dir, "lake-07-2026-05-02.csv")
	require.NoError(t, os.WriteFile(path, []byte(read(t, dir, "lake-07-2026-05-02.csv")+"2026-05-02T00:0"), 0o600))
	sp.add(t, "2026-05-02T00:02:00Z", nil)
	require.NoError(t, l.Write())
	require.Contains(t, read(t, dir, "lake-07-2026-05-02.csv"), "00:01:00Z,,,3\n2026-05-02T00:02:00Z,11.5,88.25,\n")

	// Other sensors, other columns: another file.
	cfg := config(dir)
	cfg.Channels = cfg.Channels[:1]
	sp.add(t, "2026-05-02T00:03:00Z", nil)
	sp.add(t, "2026-05-02T00:04:00Z", nil)
	require.NoError(t, New(cfg, sp).Write())
	require.Equal(t, "time,inside_temp_c\n2026-05-02T00:03:00Z,11.5\n2026-05-02T00:04:00Z,11.5\n", read(t, dir, "lake-07-2026-05-02-2.csv"))
}

// TestADiskThatFails leaves the readings in the spool, and they are written
// when it works again, all of them.
func TestADiskThatFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := filepath.Join(t.TempDir(), "carry")
		require.NoError(t, os.WriteFile(dir, nil, 0o600)) // in the way of the folder
		sp := newMemSpool()
		for range most + 3 {
			sp.add(t, "2026-05-01T23:59:00Z", nil)
		}
		cfg := config(dir)
		var log bytes.Buffer
		cfg.Log = slog.New(slog.NewTextHandler(&log, nil))
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- New(cfg, sp).Run(ctx) }()
		synctest.Wait()
		require.Len(t, sp.lines, most+3)
		require.Contains(t, log.String(), "they stay in the spool")
		require.NoError(t, os.Remove(dir))
		close(sp.changed)
		time.Sleep(61 * time.Second)
		synctest.Wait()
		require.Empty(t, sp.lines)
		require.Equal(t, most+4, bytes.Count([]byte(read(t, dir, "lake-07-2026-05-01.csv")), []byte("\n")))
		sp.broken = errors.New("the spool can't be read")
		stop()
		require.ErrorIs(t, <-done, sp.broken)
	})
}

func TestALineThatCantBeRead(t *testing.T) {
	dir := t.TempDir()
	sp := newMemSpool()
	sp.lines = append(sp.lines, []byte("not a line\n"))
	sp.add(t, "2026-05-01T23:59:00Z", nil)
	cfg := config(dir)
	var log bytes.Buffer
	cfg.Log = slog.New(slog.NewTextHandler(&log, nil))
	require.NoError(t, New(cfg, sp).Write())
	require.Contains(t, log.String(), "left out")
	require.Contains(t, read(t, dir, "lake-07-2026-05-01.csv"), "11.5,88.25")
	// A folder is where the file should be.
	require.NoError(t, os.Mkdir(filepath.Join(dir, "lake-07-2026-05-03.csv"), 0o700))
	sp.add(t, "2026-05-03T23:59:00Z", nil)
	require.Error(t, New(cfg, sp).Write())
	require.Len(t, sp.lines, 1)
}

// TestNamesOfFilesAreKept: the spool forgets a row only when the file that it
// stands in, and the folders above, have their names on disk, however often that
// failed before.
func TestNamesOfFilesAreKept(t *testing.T) {
	m := newMemSpool()
	above := t.TempDir()
	dir := filepath.Join(above, "a", "b")
	l := New(Config{Dir: dir, Station: "lake-07", Channels: []reading.Channel{reading.InsideTemp}, Log: slog.New(slog.DiscardHandler)}, m)
	var synced []string
	fails, broken := 0, errors.New("no sync")
	l.sync = func(folder string) error {
		require.NotEmpty(t, m.lines, "the spool still has it")
		if fails > 0 {
			fails--
			return broken
		}
		synced = append(synced, folder)
		return syncFolder(folder)
	}
	m.add(t, "2026-05-01T10:00:00Z", nil)
	for fails = 1; len(m.lines) > 0; {
		before := fails
		require.Equal(t, before > 0, errors.Is(l.Write(), broken))
	}
	require.Equal(t, []string{filepath.Dir(dir), above}, synced[:2])
	require.Equal(t, dir, synced[len(synced)-1])
	for _, day := range []string{"2026-05-01T10:01:00Z", "2026-05-02T10:00:00Z"} {
		synced, fails = nil, 1
		m.add(t, day, nil)
		require.ErrorIs(t, l.Write(), broken)
		require.Len(t, m.lines, 1)
		require.NoError(t, l.Write())
		require.Empty(t, m.lines)
		require.Equal(t, []string{dir}, synced, "also when the row was there from the time before")
	}
	require.NoError(t, syncFolder("/proc"), "which can't be synced")
}
