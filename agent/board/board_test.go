package board

import (
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

func put(t *testing.T, root, path, text string) {
	t.Helper()
	path = filepath.Join(root, path)
	require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o700))
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
}

func TestLook(t *testing.T) {
	root := t.TempDir()
	f := Look(root, filepath.Join(root, "none"))
	require.Equal(t, Facts{}, f, "what can't be told is absent")
	put(t, root, "class/thermal/thermal_zone0/temp", "48312\n")
	put(t, root, "class/hwmon/hwmon1/name", "rpi_volt\n")
	put(t, root, "class/hwmon/hwmon1/in0_lcrit_alarm", "0\n")
	f = Look(root, root)
	require.InDelta(t, 48.312, *f.TempC, 1e-9)
	require.False(t, *f.Undervoltage)
	require.Positive(t, f.DiskFree)
	require.GreaterOrEqual(t, f.DiskBytes, f.DiskFree)
	put(t, root, "class/hwmon/hwmon1/in0_lcrit_alarm", "1\n")
	require.True(t, *Look(root, root).Undervoltage)
}

func TestBlink(t *testing.T) {
	root := t.TempDir()
	trigger := filepath.Join(root, "class/leds/ACT/trigger")
	now := func() string {
		b, err := os.ReadFile(trigger)
		require.NoError(t, err)
		return string(b)
	}
	put(t, root, "class/leds/ACT/trigger", "none [mmc0] timer\n")
	synctest.Test(t, func(t *testing.T) {
		done := make(chan error, 1)
		go func() { done <- Blink(t.Context(), root, "ACT", time.Minute) }()
		time.Sleep(59 * time.Second)
		require.Equal(t, "timer", now())
		time.Sleep(2 * time.Second)
		require.NoError(t, <-done)
		require.Equal(t, "mmc0", now())
	})
	require.ErrorIs(t, Blink(t.Context(), root, "none", time.Minute), os.ErrNotExist)
}
