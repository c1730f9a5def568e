package sysfs

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestFind(t *testing.T) {
	class := t.TempDir()
	for folder, name := range map[string]string{"device0": "hdc1080\n", "device1": "bme280\n", "device2": "twin", "device3": "twin"} {
		require.NoError(t, os.Mkdir(filepath.Join(class, folder), 0o700))
		require.NoError(t, os.WriteFile(filepath.Join(class, folder, "name"), []byte(name), 0o600))
	}
	require.NoError(t, os.Mkdir(filepath.Join(class, "trigger0"), 0o700))
	for device, want := range map[string]string{"bme280": "device1", "device2": "device2"} {
		dir, err := Find(class, device)
		require.NoError(t, err)
		require.Equal(t, filepath.Join(class, want), dir)
	}
	_, err := Find(class, "sht4x")
	require.ErrorContains(t, err, "device1 (bme280)")
	_, err = Find(class, "twin")
	require.ErrorContains(t, err, "2 devices")
	_, err = Find(filepath.Join(class, "none"), "x")
	require.True(t, Missing(err))
}

func TestNumber(t *testing.T) {
	path := filepath.Join(t.TempDir(), "temp1_input")
	_, _, err := Number(path)
	require.True(t, Missing(err))
	require.NoError(t, os.WriteFile(path, []byte("31500\n"), 0o600))
	v, text, err := Number(path)
	require.NoError(t, err)
	require.Equal(t, 31500.0, v)
	require.Equal(t, "31500", text)
	require.NoError(t, os.WriteFile(path, []byte("fault\n"), 0o600))
	_, _, err = Number(path)
	require.ErrorContains(t, err, `"fault" is no number`)
	require.False(t, Missing(err))
}
