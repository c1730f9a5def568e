package main

import (
	"os"
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

// What the README says of backups is what the script backup.txt does.
func TestReadmeBackups(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	script, err := os.ReadFile("testdata/script/backup.txt")
	require.NoError(t, err)
	_, section, ok := strings.Cut(string(readme), "\n## Backup\n")
	require.True(t, ok)
	section, _, _ = strings.Cut(section, "\n## ")
	n := 0
	for line := range strings.Lines(section) {
		if command, ok := strings.CutPrefix(strings.TrimSpace(line), "./dewpost "); ok {
			require.Regexp(t, `(?m)^(! )?exec dewpost `+regexp.QuoteMeta(command)+`( &serve&)?$`, string(script))
			n++
		}
	}
	require.Equal(t, 6, n)
}

func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{Dir: "testdata/script", RequireExplicitExec: true})
}
