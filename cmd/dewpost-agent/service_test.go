package main

import (
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestUnderSystemd listens as systemd does: the program is ready, goes on while
// its broker answers nobody, and says that it stops.
func TestUnderSystemd(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notify")
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, conn.Close()) })
	require.NoError(t, conn.SetReadDeadline(time.Now().Add(20*time.Second)))
	cmd := exec.Command(os.Args[0], "run", "-c", config(t, good))
	cmd.Env = append(os.Environ(), "AGENT_MAIN=1", "NOTIFY_SOCKET="+path, "WATCHDOG_USEC=200000")
	require.NoError(t, cmd.Start())
	t.Cleanup(func() { _ = cmd.Process.Kill() }) // it has ended, unless the test failed
	buffer := make([]byte, 100)
	hear := func() string {
		n, err := conn.Read(buffer)
		require.NoError(t, err)
		return string(buffer[:n])
	}
	ready := hear()
	for ready == "WATCHDOG=1" { // a busy machine took longer to begin than to live
		ready = hear()
	}
	require.Equal(t, "READY=1", ready)
	for range 5 {
		require.Equal(t, "WATCHDOG=1", hear())
	}
	require.NoError(t, cmd.Process.Signal(syscall.SIGTERM))
	said := hear()
	for said == "WATCHDOG=1" {
		said = hear()
	}
	require.Equal(t, "STOPPING=1", said)
	require.NoError(t, cmd.Wait(), "exit code 0")
}
