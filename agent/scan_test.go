package agent

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/agent/sensor/i2cbus"
)

// machine makes the files of a board with I²C bus 1, a thermometer, a kernel's
// hygrometer, and a processor's own temperature.
func machine(t *testing.T) Scan {
	t.Helper()
	root := t.TempDir()
	for path, text := range map[string]string{
		"dev/i2c-1":     "",
		"dev/i2c-dev":   "",
		"dev/i2c-extra": "",
		"sys/bus/w1/devices/28-0316a2794bff/w1_slave":                  "72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n",
		"sys/bus/iio/devices/iio:device0/name":                         "hygrometer",
		"sys/bus/iio/devices/iio:device0/in_temp_raw":                  "3120",
		"sys/bus/iio/devices/iio:device0/in_humidityrelative_input":    "91000",
		"sys/bus/iio/devices/iio:device0/in_humidityrelative_ambience": "1",
		"sys/class/hwmon/hwmon0/name":                                  "processor",
		"sys/class/hwmon/hwmon0/temp1_input":                           "140000",
		"sys/class/hwmon/hwmon1/name":                                  "nothing",
	} {
		path = filepath.Join(root, path)
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o700))
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	}
	return Scan{Sysfs: filepath.Join(root, "sys"), Dev: filepath.Join(root, "dev")}
}

// unknown is a chip that shows the same byte everywhere.
func unknown(b byte) func([]byte) []byte {
	return func([]byte) []byte { return bytes.Repeat([]byte{b}, 32) }
}

// converter is an ADS1115 as after power-on that is ready and shows half a range.
func converter() func([]byte) []byte {
	config := []byte{0x85, 0x83}
	return func(w []byte) []byte {
		if len(w) == 3 {
			config = []byte{w[1] | 0x80, w[2]}
		}
		if len(w) > 0 && w[0] == 0 {
			return []byte{0x40, 0x00}
		}
		return config
	}
}

// numbered is an SHT4x: it answers everything, its serial number first.
func numbered(w []byte) []byte {
	if len(w) == 1 && w[0] == 0x24 {
		return nil
	}
	return []byte{0x66, 0x66, 0x93, 0x66, 0x66, 0x93}
}

func TestFind(t *testing.T) {
	s := machine(t)
	require.NoError(t, os.MkdirAll(filepath.Join(s.Sysfs, "bus/i2c/devices/1-0046"), 0o700))
	require.NoError(t, os.Symlink("../../drivers/sht4x", filepath.Join(s.Sysfs, "bus/i2c/devices/1-0046/driver")))
	var table, draft bytes.Buffer
	// The real waits are some milliseconds each; here they take none.
	synctest.Test(t, func(t *testing.T) {
		s.open = func(n int) (i2cbus.Conn, error) {
			require.Equal(t, 1, n)
			return chips{0x40: monitor(400), 0x44: hygrometer, 0x48: converter(), 0x76: unknown(0x58), 0x41: unknown(0), 0x46: hygrometer, 0x45: numbered}, nil
		}
		require.NoError(t, s.Find(t.Context(), &table, &draft))
	})
	lines := strings.Split(strings.TrimSpace(table.String()), "\n")
	for i, want := range [][]string{
		{"sensor", "where", "gives", "value", "unit", "range", "verdict"},
		{"ina226", "bus 1, 0x40", "current", "10.000", "mA", "-5 to 2000", "ok"},
		{"ina226", "voltage", "11.980", "V"},
		{"sht3x", "bus 1, 0x44", "temp", "25.000", "°C", "-60 to 95", "ok"},
		{"sht3x", "rh", "40.000", "%RH"},
		{"sht4x", "bus 1, 0x45", "temp", "25.000", "°C"},
		{"sht4x", "rh"},
		{"ads1115", "bus 1, 0x48", "in0-in1", "2.048", "V", "ok"},
	} {
		for _, part := range want {
			require.Contains(t, lines[i], part)
		}
	}
	for _, want := range []string{"28-0316a2794bff", "23.125", "91.000", "3.120", "out of range"} {
		require.Contains(t, table.String(), want)
	}
	require.NotContains(t, table.String(), "bme280")
	require.Contains(t, table.String(), "bus 1, 0x41: something answers that no driver here knows\n")
	require.Contains(t, table.String(), "bus 1, 0x76: something answers that no driver here knows: this is a BMP280, which measures no humidity\n")
	require.Contains(t, table.String(), "bus 1, 0x46: the kernel's driver sht4x has it, so it is not asked")
	require.NotContains(t, table.String(), "0x77", "nothing answers there")

	// The draft is the sensor tables of a configuration without problems.
	c := sensorConfig(t, draft.String())
	require.Empty(t, c.Check(), "%s", draft.String())
	p := plan(c, nil, nil)
	var got []string
	for _, sc := range p.Stations[0].Sensors {
		for _, ch := range sc.Channels {
			got = append(got, sc.Driver+" "+ch.Name)
		}
	}
	require.Equal(t, []string{
		"ina226 line_current_ma", "ina226 line_voltage_v", "sht3x inside_temp_c", "sht3x inside_rh_pct",
		"sht4x outside_temp_c", "sht4x outside_rh_pct", "w1 board_temp_c", "iio cover_temp_c",
	}, got)
	require.Contains(t, draft.String(), "address = 0x45\nserial = \"66666666\"\n")
	require.Contains(t, draft.String(), "# driver = \"ads1115\"")
	require.Contains(t, draft.String(), "# driver = \"hwmon\"")
	require.Contains(t, draft.String(), "device = \"hygrometer\"", "its folder may be called otherwise after the next start")
	require.Contains(t, draft.String(), "shunt_ohm = 0.1 # as on most boards: look at yours")
}

// TestFindOnABrokenMachine: what can't be looked at is said, and the rest shown.
func TestFindOnABrokenMachine(t *testing.T) {
	for name, test := range map[string]struct {
		open func(int) (i2cbus.Conn, error)
		want string
	}{
		"stuck": {func(int) (i2cbus.Conn, error) { return held{}, nil }, "holds SDA or SCL low"},
		"forbidden": {func(int) (i2cbus.Conn, error) {
			return nil, &os.PathError{Op: "open", Path: "/dev/i2c-1", Err: os.ErrPermission}
		}, "permission denied"},
	} {
		t.Run(name, func(t *testing.T) {
			s := machine(t)
			s.open = test.open
			synctest.Test(t, func(t *testing.T) {
				var table bytes.Buffer
				require.NoError(t, s.Find(t.Context(), &table, nil))
				require.Contains(t, table.String(), test.want)
				require.Contains(t, table.String(), "23.125")
			})
		})
	}
	var table bytes.Buffer
	require.NoError(t, Scan{Sysfs: t.TempDir(), Dev: t.TempDir()}.Find(t.Context(), &table, nil))
	require.Contains(t, table.String(), "load the module i2c-dev")
	require.ErrorIs(t, machineWithout(t).Find(t.Context(), failing{}, failing{}), errFull)
	require.NoError(t, machineWithout(t).Find(t.Context(), io.Discard, nil))
}

// machineWithout has no I²C bus.
func machineWithout(t *testing.T) Scan {
	s := machine(t)
	s.Dev = t.TempDir()
	return s
}

// held is a bus with a line held low.
type held struct{}

func (held) Tx(uint16, []byte, []byte) error {
	time.Sleep(time.Second) // virtual
	return errors.New("connection timed out")
}
