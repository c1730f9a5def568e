package install

import (
	"bufio"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// What an agent may take of a small board.
const (
	mostBinaryMB = 12.0 // stripped
	mostRSSMB    = 15.0
	mostCPU      = 0.5 // percent of one core
)

// TestSmallPrograms builds the agent for the smallest board, at full scale for every
// board, and runs each, on the processor that it is for or an emulation of it
// (QEMU): it replays a log to a collector, and ends when all of it is receipted.
func TestSmallPrograms(t *testing.T) {
	dir := t.TempDir()
	run(t, []string{"CGO_ENABLED=0"}, "go", "build", "-o", dir+"/", "dewpost/cmd/dewpost")
	h := atHome(t, dir, time.Minute)
	text, err := os.ReadFile(h.agent)
	require.NoError(t, err)
	settings, _, ok := strings.Cut(string(text), "[[station.sensor]]")
	require.True(t, ok)
	boards := []struct{ arch, emulator, processor string }{
		{"arm/6", "qemu-arm", "arm1176"}, // the one of the smallest boards
		{"arm64/", "qemu-aarch64", "cortex-a53"},
		{"amd64/", "qemu-x86_64", "qemu64"},
	}
	if os.Getenv("PROOF_SCALE") != "full" {
		boards = boards[:1]
	}
	for i, board := range boards {
		t.Run(board.arch, func(t *testing.T) {
			made := t.TempDir()
			require.LessOrEqual(t, binaryMB(t, made, board.arch), mostBinaryMB)
			write := func(path, text string) { require.NoError(t, os.WriteFile(path, []byte(text), 0o600)) }
			write(filepath.Join(made, "log.csv"), fmt.Sprintf("time,inside_temp_c,inside_rh_pct\n2026-05-0%dT06:00:00Z,11.5,88.2\n2026-05-0%[1]dT06:01:00Z,11.4,\n", i+1))
			config := filepath.Join(filepath.Dir(h.agent), fmt.Sprintf("replay%d.toml", i))
			write(config, strings.Replace(settings, `spool_dir = "spool"`, fmt.Sprintf("spool_dir = %q", made), 1)+
				fmt.Sprintf("[station.replay]\nfile = %q\nspeed = 0\n[replay]\nexit_when_done = true\n", filepath.Join(made, "log.csv")))
			before := h.stored(t, dir)
			program := []string{filepath.Join(made, "dewpost-agent")}
			if arch, _, _ := strings.Cut(board.arch, "/"); arch != runtime.GOARCH {
				program = append([]string{board.emulator}, program...)
			}
			for _, args := range [][]string{{"--version"}, {"check", "-c", config}, {"run", "-c", config}} {
				run(t, []string{"QEMU_CPU=" + board.processor}, program[0], append(program[1:], args...)...)
			}
			require.Equal(t, before+2, h.stored(t, dir))
		})
	}
}

// binaryMB builds the agent as package.sh does, and returns its size in MB, a
// million bytes.
func binaryMB(t *testing.T, dir, board string) float64 {
	t.Helper()
	arch, arm, _ := strings.Cut(board, "/")
	path := filepath.Join(dir, "dewpost-agent")
	run(t, []string{"CGO_ENABLED=0", "GOOS=linux", "GOARCH=" + arch, "GOARM=" + arm},
		"go", "build", "-trimpath", "-buildvcs=false", "-ldflags", "-s -w -buildid=", "-o", path, "dewpost/cmd/dewpost-agent")
	info, err := os.Stat(path)
	require.NoError(t, err)
	return float64(info.Size()) / 1e6
}

// TestFootprint is the proof of that name: an agent that samples a simulated box
// with every channel, five samples a reading, keeps each on disk, and sends it to
// a collector. At full scale it takes a reading a minute for an hour (PROOF_N:
// another number of minutes), else one a second for a few, and what that cost is
// taken to be what a reading costs. Memory is what is resident at the end, on
// this machine; the kernel counts what was written, which on flash is more.
func TestFootprint(t *testing.T) {
	full := os.Getenv("PROOF_SCALE") == "full"
	interval, window := time.Second, 12*time.Second
	if full {
		interval, window = time.Minute, time.Hour
		if n, err := strconv.Atoi(os.Getenv("PROOF_N")); err == nil {
			window = time.Duration(n) * time.Minute
		}
	}
	dir := t.TempDir()
	armv6 := binaryMB(t, t.TempDir(), "arm/6")
	run(t, []string{"CGO_ENABLED=0"}, "go", "build", "-trimpath", "-ldflags", "-s -w", "-o", dir+"/", "dewpost/cmd/dewpost", "dewpost/cmd/dewpost-agent")
	config := atHome(t, dir, interval)

	agent, lines := start(t, filepath.Join(dir, "dewpost-agent"), "run", "-c", config.agent)
	awaitLine(t, lines, "msg=connected")
	<-time.After(2 * interval) // the start is not what an hour is like
	cpu, written, readings := use(t, agent.Process.Pid), bytesWritten(t, agent.Process.Pid), config.stored(t, dir)
	from := time.Now()
	<-time.After(window) // a measurement over time
	cpu, written, readings = use(t, agent.Process.Pid)-cpu, bytesWritten(t, agent.Process.Pid)-written, config.stored(t, dir)-readings
	took := time.Since(from)
	rss := status(t, agent.Process.Pid, "VmRSS:") / 1e3 * 1.024
	require.NoError(t, agent.Process.Signal(syscall.SIGTERM))
	require.NoError(t, agent.Wait())
	require.Positive(t, readings)

	day := float64(24*time.Hour/time.Minute) / float64(readings) // readings of a day, of those measured
	percent := 100 * cpu.Seconds() * day / (24 * time.Hour).Seconds()
	if full {
		percent = 100 * cpu.Seconds() / took.Seconds()
	}
	fmt.Printf("footprint: rss_mb=%.1f binary_mb_armv6=%.1f mb_written_day=%.1f cpu_pct=%.3f readings=%d interval=%s\n",
		rss, armv6, written*day/1e6, percent, readings, interval)
	require.LessOrEqual(t, armv6, mostBinaryMB)
	require.LessOrEqual(t, rss, mostRSSMB)
	require.LessOrEqual(t, percent, mostCPU)
}

// home is a collector on this machine, and the settings of an agent beside it.
type home struct{ collector, agent string }

func atHome(t *testing.T, dir string, interval time.Duration) home {
	t.Helper()
	h, stop := atHomeUntil(t, dir, interval)
	t.Cleanup(stop)
	return h
}

// atHomeUntil is atHome for who stops the collector.
func atHomeUntil(t *testing.T, dir string, interval time.Duration) (h home, stop func()) {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	addr := listener.Addr().String()
	require.NoError(t, listener.Close())
	h = home{collector: filepath.Join(dir, "dewpost.toml")}
	require.NoError(t, os.WriteFile(h.collector, fmt.Appendf(nil, "[pages]\nlisten = \"127.0.0.1:0\"\n[stations]\nlisten = %q\n[store]\npath = %q\n", addr, filepath.Join(dir, "dewpost.db")), 0o600))
	dewpost := filepath.Join(dir, "dewpost")
	run(t, nil, dewpost, "site", "add", "larkmoor", "name=Larkmoor Lake Park", "zone=EET", "-c", h.collector)
	run(t, nil, dewpost, "station", "add", "lake-07", "name=Lake 07", "site=larkmoor", "-c", h.collector, "--out", filepath.Join(dir, "lake-07"))
	h.agent = filepath.Join(dir, "lake-07", "agent.toml")
	text, err := os.ReadFile(h.agent)
	require.NoError(t, err)
	settings := "clock_wait = \"1s\"\n" + strings.Replace(string(text), `interval = "10m"`, fmt.Sprintf("interval = %q", interval), 1) +
		"[[station.sensor]]\ndriver = \"sim\"\n[station.sensor.sim]\nboard = true\ncover = true\noutside = true\nline = true\ncomb = true\n"
	require.NoError(t, os.WriteFile(h.agent, []byte(settings), 0o600))
	collector, lines := start(t, dewpost, "serve", "-c", h.collector)
	awaitLine(t, lines, "stations "+addr)
	return h, func() {
		require.NoError(t, collector.Process.Signal(syscall.SIGTERM))
		require.NoError(t, collector.Wait())
	}
}

// stored counts the readings that the collector has.
func (h home) stored(t *testing.T, dir string) int {
	t.Helper()
	cmd := exec.Command(filepath.Join(dir, "dewpost"), "export", "readings", "--station", "lake-07", "-c", h.collector)
	out, err := cmd.Output()
	require.NoError(t, err)
	return strings.Count(string(out), "\n") - 1
}

// start runs a program and gives what it says, line by line.
func start(t *testing.T, name string, args ...string) (*exec.Cmd, <-chan string) {
	t.Helper()
	cmd := exec.Command(name, args...)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	cmd.Stderr = cmd.Stdout
	require.NoError(t, cmd.Start())
	t.Cleanup(func() { _ = cmd.Process.Kill() }) // it has ended, unless the test failed
	lines := make(chan string, 100)
	go func() {
		defer close(lines)
		for scanner := bufio.NewScanner(out); scanner.Scan(); {
			select {
			case lines <- scanner.Text():
			default: // nobody waits for a line any more
			}
		}
	}()
	return cmd, lines
}

func awaitLine(t *testing.T, lines <-chan string, want string) {
	t.Helper()
	for late := time.After(30 * time.Second); ; {
		select {
		case line, ok := <-lines:
			require.True(t, ok, "it ended before it said %q", want)
			if strings.Contains(line, want) {
				return
			}
		case <-late:
			require.Fail(t, "nothing said", want)
		}
	}
}

// use is the time that a process had of the processors, all its threads.
func use(t *testing.T, pid int) time.Duration {
	t.Helper()
	threads, err := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/schedstat", pid))
	require.NoError(t, err)
	require.NotEmpty(t, threads)
	var sum time.Duration
	for _, path := range threads {
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		ns, err := strconv.ParseInt(strings.Fields(string(text))[0], 10, 64)
		require.NoError(t, err)
		sum += time.Duration(ns)
	}
	return sum
}

// bytesWritten is what a process caused to be written to disks.
func bytesWritten(t *testing.T, pid int) float64 {
	t.Helper()
	return field(t, fmt.Sprintf("/proc/%d/io", pid), "write_bytes:")
}

// status is a figure of a process, in KiB.
func status(t *testing.T, pid int, name string) float64 {
	t.Helper()
	return field(t, fmt.Sprintf("/proc/%d/status", pid), name)
}

func field(t *testing.T, path, name string) float64 {
	t.Helper()
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	_, rest, ok := strings.Cut(string(text), "\n"+name)
	require.True(t, ok, path)
	n, err := strconv.ParseFloat(strings.Fields(rest)[0], 64)
	require.NoError(t, err)
	return n
}
