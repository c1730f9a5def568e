package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/png"
	"io"
	"log/slog"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/rogpeppe/go-internal/txtar"
	"github.com/stretchr/testify/require"

	"dewpost/collector"
	"dewpost/collector/fold"
	"dewpost/collector/store"
	"dewpost/rules/unit"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"dewpost":       func() { os.Exit(run(os.Args[1:])) },
		"dewpost-dying": dyingCollector,
	})
}

// What the README says of backups and of parts is what scripts do.
func TestReadmeBackups(t *testing.T) { readmeIsDone(t, "Backup", "backup.txt", 6) }

func TestReadmeParts(t *testing.T) { readmeIsDone(t, "Parts", "part-readme.txt", 9) }

func readmeIsDone(t *testing.T, heading, name string, commands int) {
	t.Helper()
	readme, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	script, err := os.ReadFile("testdata/script/" + name)
	require.NoError(t, err)
	_, section, ok := strings.Cut(string(readme), "\n## "+heading+"\n")
	require.True(t, ok)
	section, _, _ = strings.Cut(section, "\n## ")
	n := 0
	for line := range strings.Lines(section) {
		if command, ok := strings.CutPrefix(strings.TrimSpace(line), "./dewpost "); ok {
			command = strings.ReplaceAll(command, `"`, "'") // quotes of scripts
			require.Regexp(t, `(?m)^(! )?exec dewpost `+regexp.QuoteMeta(command)+`( &serve&)?$`, string(script))
			n++
		}
	}
	require.Equal(t, commands, n)
}

func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script", RequireExplicitExec: true, Setup: putFiles,
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"fold": foldStore, "letgo": letGoStore, "ask": askPages},
	})
}

// A script's commands stand before its first file: behind one they would be read as
// its text, and never be tried.
func TestScriptsHideNoCommands(t *testing.T) {
	scripts, err := filepath.Glob("testdata/script/*.txt")
	require.NoError(t, err)
	require.NotEmpty(t, scripts)
	for _, name := range scripts {
		archive, err := txtar.ParseFile(name)
		require.NoError(t, err)
		for _, f := range archive.Files {
			require.NotRegexp(t, `(?m)^(! )?exec dewpost `, string(f.Data), "%s: file %s", name, f.Name)
		}
	}
}

// askPages is "ask TIME PATH": it prints what a collector whose clock stands there
// answers.
func askPages(ts *testscript.TestScript, not bool, args []string) {
	if not || len(args) != 2 {
		ts.Fatalf("usage: ask TIME PATH")
	}
	now, err := time.Parse(time.RFC3339, args[0])
	ts.Check(err)
	cfg := collector.DefaultConfig()
	cfg.Store.Path = ts.MkAbs("dewpost.db")
	cfg.Pages.Listen, cfg.Stations.Listen = "127.0.0.1:0", "127.0.0.1:0"
	col, err := collector.Open(context.Background(), cfg, func() time.Time { return now }, slog.New(slog.DiscardHandler))
	ts.Check(err)
	req, err := http.NewRequestWithContext(context.Background(), http.MethodGet, col.PagesURL()+args[1], nil)
	ts.Check(err)
	client := http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	resp, err := client.Do(req)
	ts.Check(err)
	_, err = io.Copy(ts.Stdout(), resp.Body)
	ts.Check(errors.Join(err, resp.Body.Close(), col.Close()))
	if resp.StatusCode != http.StatusOK {
		ts.Fatalf("%s: %s", args[1], resp.Status)
	}
}

// foldStore is "fold TIME": it does what a collector does when its clock stands
// there, all that there is to fold and its minute's work.
func foldStore(ts *testscript.TestScript, not bool, args []string) {
	if not || len(args) != 1 {
		ts.Fatalf("usage: fold TIME")
	}
	now, err := time.Parse(time.RFC3339, args[0])
	ts.Check(err)
	ctx := context.Background()
	s, err := store.Open(ctx, ts.MkAbs("dewpost.db"))
	ts.Check(err)
	f := fold.New(fold.Config{Store: s, Now: func() time.Time { return now }, Log: slog.New(slog.DiscardHandler)})
	ts.Check(errors.Join(f.All(ctx), f.Minute(ctx), s.Close()))
}

// letGoStore is "letgo TIME AGE": it packs and lets go as a collector does whose
// clock stands there and that keeps readings for so long.
func letGoStore(ts *testscript.TestScript, not bool, args []string) {
	if not || len(args) != 2 {
		ts.Fatalf("usage: letgo TIME AGE")
	}
	now, err := time.Parse(time.RFC3339, args[0])
	ts.Check(err)
	var age collector.Age
	ts.Check(age.UnmarshalText([]byte(args[1])))
	ctx := context.Background()
	s, err := store.Open(ctx, ts.MkAbs("dewpost.db"))
	ts.Check(err)
	_, _, err = s.PackDays(ctx, unit.At(now), "", 99)
	ts.Check(err)
	_, _, err = s.LetGo(ctx, age.Before(now), unit.At(now), "test", "", 99)
	ts.Check(errors.Join(err, s.Close()))
}

// putFiles puts where a script runs what scripts can't hold or is long: a picture
// of one pixel, dot.png, board.csv, an hourly log of 40 days of a board that is
// 1.5 K colder than the air by night and 2 K warmer by day, and year.csv, a year
// of air that is 10 °C and 80.5 %RH, with a column of rain.
func putFiles(e *testscript.Env) error {
	var dot, log, year bytes.Buffer
	year.WriteString("time,t,rh,rain\n")
	for h := range 365*24 + 1 {
		fmt.Fprintf(&year, "%s,10,80.5,0\n", time.Date(2023, 1, 1, h, 0, 0, 0, time.UTC).Format(time.RFC3339))
	}
	err := png.Encode(&dot, image.NewGray(image.Rect(0, 0, 1, 1)))
	log.WriteString("time,inside_temp_c,inside_rh_pct,board_temp_c\n")
	for h := range 40 * 24 {
		temp, under := 9+4*math.Sin(2*math.Pi*float64(h-9)/24)+math.Sin(float64(h)/50), 1.5
		if hour := h % 24; hour >= 7 && hour < 17 {
			under = -2
		}
		fmt.Fprintf(&log, "%s,%.2f,%.2f,%.2f\n", time.Date(2025, 10, 1, h, 0, 0, 0, time.UTC).Format(time.RFC3339), temp, 85+10*math.Sin(float64(h)/31), temp-under)
	}
	return errors.Join(err,
		os.WriteFile(filepath.Join(e.WorkDir, "year.csv"), year.Bytes(), 0o600),
		os.WriteFile(filepath.Join(e.WorkDir, "dot.png"), dot.Bytes(), 0o600),
		os.WriteFile(filepath.Join(e.WorkDir, "board.csv"), log.Bytes(), 0o600))
}
