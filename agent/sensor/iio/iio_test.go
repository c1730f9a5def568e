package iio

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// device makes a device of these files and returns the sysfs root.
func device(t *testing.T, files map[string]string) string {
	t.Helper()
	root := t.TempDir()
	dir := filepath.Join(Class(root), "iio:device0")
	require.NoError(t, os.MkdirAll(dir, 0o700))
	files["name"] = "hygrometer"
	for name, text := range files {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text+"\n"), 0o600))
	}
	return root
}

// TestUnits_LinuxABI has values of the ABI's document and of drivers' notes.
func TestUnits_LinuxABI(t *testing.T) {
	for name, test := range map[string]struct {
		channel string
		files   map[string]string
		want    float64
	}{
		"humidity":            {"in_humidityrelative", map[string]string{"in_humidityrelative_input": "39396"}, 39.396},
		"humidity, decimals":  {"in_humidityrelative", map[string]string{"in_humidityrelative_input": "39396.500000000"}, 39.3965},
		"humidity in percent": {"in_humidityrelative", map[string]string{"in_humidityrelative_input": "41.074000000"}, 41.074},
		"temperature":         {"in_temp", map[string]string{"in_temp_input": "24380"}, 24.38},
		"below zero":          {"in_temp", map[string]string{"in_temp_input": "-3120"}, -3.12},
		"pressure":            {"in_pressure", map[string]string{"in_pressure_input": "102.129031250"}, 1021.2903125},
		"offset first":        {"in_current0", map[string]string{"in_current0_raw": "1000", "in_current0_offset": "-200", "in_current0_scale": "0.5"}, 400},
		"no offset":           {"in_voltage1", map[string]string{"in_voltage1_raw": "1000", "in_voltage1_scale": "2"}, 2},
		"shared scale":        {"in_voltage1", map[string]string{"in_voltage1_raw": "1000", "in_voltage_scale": "3"}, 3},
		"raw alone":           {"in_current1", map[string]string{"in_current1_raw": "7"}, 7},
	} {
		t.Run(name, func(t *testing.T) {
			v, err := New(device(t, test.files), "hygrometer", []string{test.channel}).Measure(t.Context())
			require.NoError(t, err)
			require.InDelta(t, test.want, v[test.channel], 1e-9)
			require.NoError(t, Valid(test.channel))
		})
	}
}

func TestOneChannelFails(t *testing.T) {
	root := device(t, map[string]string{"in_temp_input": "24380", "in_humidityrelative_raw": "x", "in_voltage0_raw": "1", "in_voltage0_scale": "y", "in_voltage1_raw": "1", "in_voltage1_offset": "y", "in_voltage2_input": ""})
	v, err := New(root, "iio:device0", []string{"in_temp", "in_humidityrelative", "in_pressure", "in_voltage0", "in_voltage1", "in_voltage2"}).Measure(t.Context())
	require.Len(t, v, 1)
	for _, want := range []string{`in_humidityrelative_raw: "x"`, "in_pressure_raw", "in_voltage0_scale", "in_voltage1_offset", "in_voltage2_input"} {
		require.ErrorContains(t, err, want)
	}
	_, err = New(root, "other", nil).Measure(t.Context())
	require.ErrorContains(t, err, "iio:device0 (hygrometer)")
}

func TestValid(t *testing.T) {
	for _, bad := range []string{"", "temp", "in_temp_input", "in_voltage0_raw", "../in_temp", "in_accel_x"} {
		require.Error(t, Valid(bad), bad)
	}
}
