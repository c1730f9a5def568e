package install

import (
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// board makes the files by which a kernel shows a thermometer, a hygrometer and
// its processor's temperature: values of the ABI's documents.
func board(t *testing.T) (sys, dev string) {
	t.Helper()
	root := t.TempDir()
	for path, text := range map[string]string{
		"dev/null": "",
		"sys/bus/w1/devices/28-0316a2794bff/w1_slave":               "72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n",
		"sys/bus/iio/devices/iio:device0/name":                      "hdc1080",
		"sys/bus/iio/devices/iio:device0/in_temp_raw":               "25320",
		"sys/bus/iio/devices/iio:device0/in_temp_scale":             "2.517700195",
		"sys/bus/iio/devices/iio:device0/in_temp_offset":            "-15887.515151",
		"sys/bus/iio/devices/iio:device0/in_humidityrelative_raw":   "30000",
		"sys/bus/iio/devices/iio:device0/in_humidityrelative_scale": "1.525878906",
		"sys/class/hwmon/hwmon0/name":                               "cpu_thermal",
		"sys/class/hwmon/hwmon0/temp1_input":                        "48000",
	} {
		path = filepath.Join(root, path)
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o700))
		require.NoError(t, os.WriteFile(path, []byte(text+"\n"), 0o600))
	}
	return filepath.Join(root, "sys"), filepath.Join(root, "dev")
}

// transmitter is one of outdoor air on a serial line: it answers a read of
// register 0 with 98 tenths of a degree, and register 1 with 931 of a percent,
// in frames of Modbus RTU.
func transmitter(t *testing.T) (device string) {
	t.Helper()
	here, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	require.NoError(t, err)
	raw, err := here.SyscallConn()
	require.NoError(t, err)
	n := 0
	var failed error
	require.NoError(t, raw.Control(func(fd uintptr) {
		if failed = unix.IoctlSetPointerInt(int(fd), unix.TIOCSPTLCK, 0); failed == nil {
			n, failed = unix.IoctlGetInt(int(fd), unix.TIOCGPTN)
		}
	}))
	require.NoError(t, failed)
	device = fmt.Sprintf("/dev/pts/%d", n)
	there, err := os.OpenFile(device, os.O_RDWR|unix.O_NOCTTY, 0) // it is there when nobody listens, too
	require.NoError(t, err)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for request := make([]byte, 8); ; {
			if _, err := io.ReadFull(here, request); err != nil {
				return
			}
			value := map[byte]uint16{0: 98, 1: 931}[request[3]]
			answer := []byte{request[0], request[1], 2, byte(value >> 8), byte(value)}
			sum := crc16(answer)
			if _, err := here.Write(append(answer, byte(sum), byte(sum>>8))); err != nil {
				return
			}
		}
	}()
	t.Cleanup(func() {
		require.NoError(t, there.Close())
		require.NoError(t, here.Close())
		<-ended
	})
	return device
}

// crc16 is that of Modbus over Serial Line V1.02, 6.2.2.
func crc16(b []byte) uint16 {
	sum := uint16(0xffff)
	for _, x := range b {
		sum ^= uint16(x)
		for range 8 {
			odd := sum&1 != 0
			if sum >>= 1; odd {
				sum ^= 0xa001
			}
		}
	}
	return sum
}

// TestNewcomer goes the way of the README at a new station, with the programs as
// they are installed: enrol, find the sensors, take over their draft, add a
// transmitter, check, read each once, run; then look from the workshop, and give
// an order.
func TestNewcomer(t *testing.T) {
	sys, dev := board(t)
	line := transmitter(t)
	dir := t.TempDir()
	run(t, []string{"CGO_ENABLED=0"}, "go", "build", "-o", dir+"/", "dewpost/cmd/dewpost", "dewpost/cmd/dewpost-agent")
	dewpost, agent := filepath.Join(dir, "dewpost"), filepath.Join(dir, "dewpost-agent")
	h, stopCollector := atHomeUntil(t, dir, time.Second)
	says := func(out string, texts ...string) {
		t.Helper()
		for _, text := range texts {
			require.Contains(t, out, text)
		}
	}
	refused := func(args ...string) string {
		t.Helper()
		out, err := exec.Command(agent, args...).CombinedOutput()
		require.Error(t, err)
		return string(out)
	}

	// As "station add" left it: there are no sensors yet.
	text, err := os.ReadFile(h.agent)
	require.NoError(t, err)
	begun, _, ok := strings.Cut(string(text), "[[station.sensor]]")
	require.True(t, ok)
	begun = strings.Replace(begun, "interval = ", "burst = 1\ninterval = ", 1)
	write := func(text string) { require.NoError(t, os.WriteFile(h.agent, []byte(text), 0o600)) }
	write(begun)
	says(refused("check", "-c", h.agent), "station[1].sensor: there is none", "add a [[station.sensor]] table")

	draft := filepath.Join(dir, "sensors.toml")
	says(run(t, nil, agent, "probe", "--sysfs", sys, "--dev", dev, "--draft", draft),
		"28-0316a2794bff", "23.125", "iio:device0, hdc1080", "45.776", "48.000", "load the module i2c-dev")
	sensors, err := os.ReadFile(draft)
	require.NoError(t, err)
	says(string(sensors), `device = "hdc1080"`, "# driver = \"hwmon\"")
	outdoors := func(device string) string {
		return fmt.Sprintf(`
[[station.sensor]]
driver = "modbus"
device = "rtu://%s"
[[station.sensor.channel]]
name = "outside_temp_c"
scale = 0.1
[[station.sensor.channel]]
name = "outside_rh_pct"
register = 1
scale = 0.1
`, device)
	}
	write(begun + string(sensors) + outdoors("/dev/no-such-line"))
	says(refused("check", "-c", h.agent), "station[1].sensor[3].device", "no such file", "fix: ")
	write(begun + string(sensors) + outdoors(line))
	says(run(t, nil, agent, "check", "-c", h.agent), "no problems")
	out := run(t, nil, agent, "probe", "-c", h.agent)
	says(out, "board_temp_c", "23.12", "inside_rh_pct", "45.78", "outside_temp_c", "9.80", "outside_rh_pct", "93.10")
	require.NotContains(t, out, "no value")

	station, lines := start(t, agent, "run", "-c", h.agent)
	awaitLine(t, lines, "msg=connected")
	require.Eventually(t, func() bool { return h.stored(t, dir) > 0 }, 20*time.Second, 100*time.Millisecond)
	says(run(t, nil, dewpost, "station", "order", "lake-07", "--interval", "2s", "-c", h.collector), "a reading every 2s")
	awaitLine(t, lines, "msg=order")
	require.NoError(t, station.Process.Signal(syscall.SIGTERM)) // it says what it did before it leaves
	require.NoError(t, station.Wait())
	stopCollector() // it writes down what agents said
	says(run(t, nil, dewpost, "station", "orders", "lake-07", "-c", h.collector), "a reading every 2s\tcarried out")
	says(run(t, nil, dewpost, "station", "agent", "lake-07", "-c", h.collector), "interval", "2s", "w1, board_temp_c", "0 of ", "disk")
	rows := run(t, nil, dewpost, "export", "readings", "--station", "lake-07", "-c", h.collector)
	says(rows, ",23.75,45.78,23.13,,9.8,93.1,")
}
