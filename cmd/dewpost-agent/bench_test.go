package main

import (
	"bufio"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// BenchmarkResidentMemory gives the peak resident memory of the program as it
// is installed, in MB, after it has spooled five thousand readings that nobody
// takes: the floor is a Go program that does nothing, measured in the same run.
func BenchmarkResidentMemory(b *testing.B) {
	dir := b.TempDir()
	build := func(name, from string) string {
		program := filepath.Join(dir, name)
		cmd := exec.Command("go", "build", "-trimpath", "-ldflags", "-s -w", "-o", program, from)
		cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
		out, err := cmd.CombinedOutput()
		require.NoError(b, err, string(out))
		return program
	}
	idle := filepath.Join(dir, "idle.go")
	require.NoError(b, os.WriteFile(idle, []byte("package main\nimport (\"bufio\"; \"fmt\"; \"os\")\nfunc main() { fmt.Fprintln(os.Stderr, \"up\"); bufio.NewReader(os.Stdin).ReadString('\\n') }\n"), 0o600))
	programs := [2]string{build("idle", idle), build("dewpost-agent", "dewpost/cmd/dewpost-agent")}
	motes, err := filepath.Abs("../../testdata/replay/single_hop_sensor_network.csv")
	require.NoError(b, err)
	var peak [2]float64
	for b.Loop() {
		work := b.TempDir()
		require.NoError(b, os.WriteFile(filepath.Join(work, "secret"), []byte(strings.Repeat("ab", 16)), 0o600))
		config := filepath.Join(work, "agent.toml")
		require.NoError(b, os.WriteFile(config, []byte("broker = \"mqtt://127.0.0.1:1\"\nspool_dir = \"spool\"\n[[station]]\nid = \"lake-07\"\nsecret_file = \"secret\"\n[station.replay]\nfile = \""+motes+"\"\nspeed = 0.0\n"), 0o600))
		for i, program := range programs {
			peak[i] = peakOf(b, exec.Command(program, "run", "-c", config))
		}
	}
	b.ReportMetric(peak[1], "peak_MB")
	b.ReportMetric(peak[1]/peak[0], "x_idle")
}

// peakOf runs a program until its memory has stopped growing for a second.
func peakOf(b *testing.B, cmd *exec.Cmd) float64 {
	stdin, err := cmd.StdinPipe()
	require.NoError(b, err)
	defer stdin.Close()
	stderr, err := cmd.StderrPipe()
	require.NoError(b, err)
	require.NoError(b, cmd.Start())
	_, err = bufio.NewReader(stderr).ReadString('\n')
	require.NoError(b, err)
	peak := 0.0
	for steady := 0; steady < 10; steady++ {
		<-time.After(100 * time.Millisecond)
		status, err := os.ReadFile("/proc/" + strconv.Itoa(cmd.Process.Pid) + "/status")
		require.NoError(b, err)
		_, rest, ok := strings.Cut(string(status), "VmHWM:")
		require.True(b, ok)
		kb, err := strconv.ParseFloat(strings.Fields(rest)[0], 64)
		require.NoError(b, err)
		if kb/1024 > peak {
			peak, steady = kb/1024, 0
		}
	}
	require.NoError(b, cmd.Process.Signal(syscall.SIGTERM))
	_ = cmd.Wait() // idle ends by the signal
	return peak
}
