package hwmon

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestUnits_LinuxABI has values of the kernel's documents.
func TestUnits_LinuxABI(t *testing.T) {
	root := t.TempDir()
	dir := filepath.Join(Class(root), "hwmon3")
	require.NoError(t, os.MkdirAll(dir, 0o700))
	for name, text := range map[string]string{
		"name": "sht3x", "temp1_input": "31500", "humidity1_input": "75290", "curr1_input": "120", "in1_input": "11980", "temp2_input": "hot",
	} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text+"\n"), 0o600))
	}
	v, err := New(root, "sht3x", []string{"temp1", "humidity1", "curr1", "in1"}).Measure(t.Context())
	require.NoError(t, err)
	for name, want := range map[string]float64{"temp1": 31.5, "humidity1": 75.29, "curr1": 120, "in1": 11.98} {
		require.InDelta(t, want, v[name], 1e-9, name)
		require.NoError(t, Valid(name))
	}
	v, err = New(root, "hwmon3", []string{"temp1", "temp2", "temp3"}).Measure(t.Context())
	require.Len(t, v, 1)
	require.ErrorContains(t, err, "temp2_input")
	require.ErrorContains(t, err, "temp3_input")
	_, err = New(root, "sht4x", nil).Measure(t.Context())
	require.ErrorContains(t, err, "hwmon3 (sht3x)")
	for _, bad := range []string{"", "temp", "temp1_input", "power1", "../temp1"} {
		require.Error(t, Valid(bad), bad)
	}
}
