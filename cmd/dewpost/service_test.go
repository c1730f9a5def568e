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

// TestUnderSystemd listens as systemd does: the collector is ready, each of its
// loops goes on, and it says that it stops.
func TestUnderSystemd(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notify")
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, conn.Close()) })
	require.NoError(t, conn.SetReadDeadline(time.Now().Add(20*time.Second)))
	config := filepath.Join(t.TempDir(), "dewpost.toml")
	require.NoError(t, os.WriteFile(config, []byte("[pages]\nlisten = \"127.0.0.1:0\"\n[stations]\nlisten = \"127.0.0.1:0\"\n[store]\npath = \""+filepath.Join(t.TempDir(), "dewpost.db")+"\"\n"), 0o600))
	cmd := exec.Command("dewpost", "serve", "-c", config)
	cmd.Env = append(os.Environ(), "NOTIFY_SOCKET="+path, "WATCHDOG_USEC=200000")
	require.NoError(t, cmd.Start())
	t.Cleanup(func() { _ = cmd.Process.Kill() }) // it has ended, unless the test failed
	buffer := make([]byte, 100)
	hear := func() string {
		n, err := conn.Read(buffer)
		require.NoError(t, err)
		return string(buffer[:n])
	}
	require.Equal(t, "READY=1", hear())
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
