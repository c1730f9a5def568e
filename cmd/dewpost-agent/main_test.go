package main

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) {
	if os.Getenv("AGENT_MAIN") != "" {
		main()
	}
	goleak.VerifyTestMain(m)
}

// config writes a configuration whose broker answers nobody.
func config(t *testing.T, text string) string {
	t.Helper()
	dir := t.TempDir()
	path := filepath.Join(dir, "agent.toml")
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "secret"), []byte(strings.Repeat("ab", 16)), 0o600))
	return path
}

const good = `
broker = "mqtt://127.0.0.1:1"
spool_dir = "spool"
[[station]]
id = "lake-07"
secret_file = "secret"
[[station.sensor]]
driver = "sim"
`

// indoors is a station whose sensor shows 20 °C and 75 %RH, in winter too.
func indoors(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	chip := filepath.Join(dir, "class", "hwmon", "hwmon0")
	require.NoError(t, os.MkdirAll(chip, 0o700))
	for name, value := range map[string]string{"name": "box", "temp1_input": "20000", "humidity1_input": "75000"} {
		require.NoError(t, os.WriteFile(filepath.Join(chip, name), []byte(value+"\n"), 0o600))
	}
	return config(t, strings.ReplaceAll(good, `"sim"`, fmt.Sprintf(`"hwmon"
device = "box"
sysfs = %q
[[station.sensor.channel]]
name = "inside_temp_c"
from = "temp1"
[[station.sensor.channel]]
name = "inside_rh_pct"
from = "humidity1"`, dir)))
}

// secretText stands for what a QR code holds, given where a file's name belongs.
var secretText = "dewpost1-" + strings.Repeat("c2VjcmV0", 12)

func TestCommands(t *testing.T) {
	fine := config(t, good)
	bad := config(t, strings.ReplaceAll(good, "127.0.0.1", "broker.example"))
	unknown := config(t, "colour = 1\n"+good)
	for name, test := range map[string]struct {
		args   []string
		code   int
		stdout string
		stderr string
	}{
		"no command":        {nil, exitUsage, "", "see dewpost-agent --help"},
		"unknown command":   {[]string{"dance"}, exitUsage, "", "dance"},
		"no configuration":  {[]string{"run"}, exitUsage, "", "--config"},
		"unknown flag":      {[]string{"check", "-c", fine, "--fast"}, exitUsage, "", "--fast"},
		"help":              {[]string{"--help"}, exitDone, "probe", ""},
		"help of a command": {[]string{"check", "--help"}, exitDone, "its fix", ""},
		"check":             {[]string{"check", "-c", fine}, exitDone, "no problems", ""},
		"check fails":       {[]string{"check", "-c", bad}, exitFailed, "fix: use mqtts://", "can't be used"},
		"check bus":         {[]string{"check", "-c", config(t, strings.ReplaceAll(good, `"sim"`, `"sht4x"`+"\nbus = 254"))}, exitFailed, "fix: switch the bus on", "can't be used"},
		"check unknown key": {[]string{"check", "-c", unknown}, exitFailed, "", "colour"},
		"probe":             {[]string{"probe", "-c", fine}, exitDone, "inside_rh_pct", ""},
		"probe fails":       {[]string{"probe", "-c", bad}, exitFailed, "", "plaintext"},
		"probe finds":       {[]string{"probe", "--dev", t.TempDir(), "--sysfs", t.TempDir(), "--draft", "-"}, exitDone, "load the module i2c-dev", ""},
		"probe drafts":      {[]string{"probe", "--dev", t.TempDir(), "--sysfs", t.TempDir(), "--draft", filepath.Join(t.TempDir(), "draft")}, exitDone, "verdict", ""},
		"probe overwrites":  {[]string{"probe", "--dev", t.TempDir(), "--sysfs", t.TempDir(), "--draft", fine}, exitFailed, "", "exists"},
		"draft of a config": {[]string{"probe", "-c", fine, "--draft", "-"}, exitFailed, "", "leave out -c"},
		"calibrate":         {[]string{"calibrate", "-c", indoors(t), "--samples", "1"}, exitFailed, "must not touch the sensor", "off by"},
		"calibrate nothing": {[]string{"calibrate", "-c", fine, "--salts", "NaCl"}, exitFailed, "", "name two"},
		"calibrate never":   {[]string{"calibrate", "-c", fine, "--samples", "0"}, exitFailed, "", "--samples"},
		"calibrate what":    {[]string{"calibrate", "-c", fine + "x"}, exitFailed, "", "agent.tomlx"},
		"run fails":         {[]string{"run", "-c", bad}, exitFailed, "", "plaintext"},
		"enrol the text":    {[]string{"enrol", secretText}, exitFailed, "", "this is the text itself"},
		"enrol no file":     {[]string{"enrol", fine + "x"}, exitFailed, "", "agent.tomlx"},
		"no file":           {[]string{"run", "-c", fine + "x"}, exitFailed, "", "agent.tomlx"},
	} {
		t.Run(name, func(t *testing.T) {
			var stdout, stderr strings.Builder
			code := run(t.Context(), test.args, strings.NewReader("\n\n"), &stdout, &stderr)
			require.Equal(t, test.code, code, "%s%s", &stdout, &stderr)
			require.Contains(t, stdout.String(), test.stdout)
			require.Contains(t, stderr.String(), test.stderr)
			require.NotContains(t, stderr.String(), secretText)
		})
	}
}

func TestSignalsStopItCleanly(t *testing.T) {
	for _, sig := range []os.Signal{os.Interrupt, syscall.SIGTERM} {
		cmd := exec.Command(os.Args[0], "run", "-c", config(t, good))
		cmd.Env = append(os.Environ(), "AGENT_MAIN=1")
		stderr, err := cmd.StderrPipe()
		require.NoError(t, err)
		require.NoError(t, cmd.Start())
		t.Cleanup(func() { _ = cmd.Process.Kill() }) // it has ended, unless the test failed
		lines, line := bufio.NewReader(stderr), ""
		for !strings.Contains(line, "not connected") { // the clock may have its say before
			line, err = lines.ReadString('\n')
			require.NoError(t, err)
		}
		require.NoError(t, cmd.Process.Signal(sig))
		require.NoError(t, cmd.Wait(), "exit code 0")
	}
}
