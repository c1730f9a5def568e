package systemd

import (
	"net"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestNotifier(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notify")
	l, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	require.NoError(t, err)
	defer l.Close()
	t.Setenv("NOTIFY_SOCKET", path)
	t.Setenv("WATCHDOG_USEC", "30000000")
	t.Setenv("WATCHDOG_PID", strconv.Itoa(os.Getpid()))
	n := FromEnvironment()
	require.Equal(t, 15*time.Second, n.Watchdog())
	for want, send := range map[string]func() error{"READY=1": n.Ready, "WATCHDOG=1": n.Alive, "STOPPING=1": n.Stopping} {
		require.NoError(t, send())
		b := make([]byte, 100)
		k, err := l.Read(b)
		require.NoError(t, err)
		require.Equal(t, want, string(b[:k]))
	}
	t.Setenv("WATCHDOG_PID", "1")
	require.Zero(t, FromEnvironment().Watchdog(), "meant for another process")
	require.NoError(t, l.Close())
	require.ErrorContains(t, n.Ready(), "READY=1")
}

func TestWithoutAManager(t *testing.T) {
	t.Setenv("NOTIFY_SOCKET", "")
	t.Setenv("WATCHDOG_USEC", "")
	n := FromEnvironment()
	require.NoError(t, n.Ready())
	require.Zero(t, n.Watchdog())
}
