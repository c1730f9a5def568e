package main

import (
	"bytes"
	"errors"
	"image"
	"image/png"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/require"
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
	testscript.Run(t, testscript.Params{Dir: "testdata/script", RequireExplicitExec: true, Setup: putDot})
}

// putDot puts a picture of one pixel, dot.png, where a script runs: scripts
// hold text only.
func putDot(e *testscript.Env) error {
	var b bytes.Buffer
	err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 1, 1)))
	return errors.Join(err, os.WriteFile(filepath.Join(e.WorkDir, "dot.png"), b.Bytes(), 0o600))
}
