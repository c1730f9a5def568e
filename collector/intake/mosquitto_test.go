package intake

import (
	"bytes"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

const (
	collectorUser     = "collector"
	collectorPassword = "of the collector"
	patience          = 20 * time.Second // with real processes, on a machine that is busy
)

// mosquitto is a real broker with the sample configuration of deploy.
type mosquitto struct {
	t    *testing.T
	dir  string
	addr string
	cmd  *exec.Cmd
	log  bytes.Buffer
}

// startMosquitto needs Debian's mosquitto, which deploy/test.sh installs.
func startMosquitto(t *testing.T, stations map[string]string) *mosquitto {
	t.Helper()
	m := &mosquitto{t: t, dir: t.TempDir(), addr: freeAddr(t)}
	require.NoError(t, os.Chmod(m.dir, 0o755))
	passwords := filepath.Join(m.dir, "passwords")
	require.NoError(t, os.WriteFile(passwords, nil, 0o600))
	for user, password := range stations {
		out, err := exec.Command(program(t, "mosquitto_passwd"), "-b", passwords, user, password).CombinedOutput()
		require.NoError(t, err, string(out))
	}
	_, port, err := net.SplitHostPort(m.addr)
	require.NoError(t, err)
	acl, err := filepath.Abs("../../deploy/mosquitto.acl")
	require.NoError(t, err)
	sample, err := os.ReadFile("../../deploy/mosquitto.conf")
	require.NoError(t, err)
	conf := string(sample)
	for from, to := range map[string]string{
		"listener 1883 127.0.0.1":                  "listener " + port + " 127.0.0.1",
		"/etc/mosquitto/dewpost.passwords\nacl":    passwords + "\nacl",
		"acl_file /etc/mosquitto/mosquitto.acl":    "acl_file " + acl,
		"persistence_location /var/lib/mosquitto/": "persistence_location " + m.dir + "/",
	} {
		require.Equal(t, 1, strings.Count(conf, from), "deploy/mosquitto.conf should say %q once", from)
		conf = strings.Replace(conf, from, to, 1)
	}
	if os.Getuid() == 0 {
		conf += "\nuser root\n"
	}
	require.NoError(t, os.WriteFile(filepath.Join(m.dir, "mosquitto.conf"), []byte(conf), 0o600))
	m.start()
	t.Cleanup(func() {
		m.stop(syscall.SIGTERM)
		if t.Failed() {
			t.Log(m.log.String())
		}
	})
	return m
}

func program(t *testing.T, name string) string {
	t.Helper()
	for _, path := range []string{name, "/usr/sbin/" + name, "/usr/local/sbin/" + name} {
		if found, err := exec.LookPath(path); err == nil {
			return found
		}
	}
	require.Fail(t, fmt.Sprintf("%s is not installed; deploy/test.sh installs it", name))
	return ""
}

func freeAddr(t *testing.T) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer ln.Close()
	return ln.Addr().String()
}

func (m *mosquitto) start() {
	m.t.Helper()
	m.cmd = exec.Command(program(m.t, "mosquitto"), "-c", filepath.Join(m.dir, "mosquitto.conf"))
	m.cmd.Stdout, m.cmd.Stderr = &m.log, &m.log
	require.NoError(m.t, m.cmd.Start())
	require.Eventually(m.t, func() bool {
		conn, err := net.Dial("tcp", m.addr)
		if err != nil {
			return false
		}
		return conn.Close() == nil
	}, patience, 20*time.Millisecond, "mosquitto does not listen")
}

func (m *mosquitto) stop(signal os.Signal) {
	if m.cmd == nil {
		return
	}
	_ = m.cmd.Process.Signal(signal) // it may have ended
	_ = m.cmd.Wait()                 // an error when killed
	m.cmd = nil
}

func (m *mosquitto) url() string { return "tcp://" + m.addr }

// allow adds a collector that may do what the first may. To be called while
// the broker is stopped.
func (m *mosquitto) allow(t *testing.T, user, password string) {
	t.Helper()
	out, err := exec.Command(program(t, "mosquitto_passwd"), "-b", filepath.Join(m.dir, "passwords"), user, password).CombinedOutput()
	require.NoError(t, err, string(out))
	acl, err := os.ReadFile("../../deploy/mosquitto.acl")
	require.NoError(t, err)
	_, lines, found := strings.Cut(string(acl), "user "+collectorUser+"\n")
	require.True(t, found)
	own := filepath.Join(m.dir, "acl")
	require.NoError(t, os.WriteFile(own, []byte(string(acl)+"\nuser "+user+"\n"+lines), 0o600))
	path := filepath.Join(m.dir, "mosquitto.conf")
	conf, err := os.ReadFile(path)
	require.NoError(t, err)
	old, err := filepath.Abs("../../deploy/mosquitto.acl")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, bytes.Replace(conf, []byte(old), []byte(own), 1), 0o600))
}
