package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"dewpost/collector/store"
	"dewpost/rules/bundle"
	"dewpost/rules/receipt"
)

// tlsShop is an installation whose embedded broker speaks TLS on loopback.
type tlsShop struct {
	dir, config     string
	pages, stations string
	said            lockedBuffer // by all programs
}

// lockedBuffer is written to by several.
type lockedBuffer struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buf.Write(p)
}

func (b *lockedBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buf.String()
}

func newTLSShop(t *testing.T) *tlsShop {
	t.Helper()
	w := &tlsShop{dir: t.TempDir(), pages: freeAddr(t), stations: freeAddr(t)}
	w.config = w.path("dewpost.toml")
	text := fmt.Sprintf("[pages]\nlisten = %q\n[stations]\nlisten = %q\n[tls]\nnames = [\"127.0.0.1\"]\n[store]\npath = %q\n", w.pages, w.stations, w.path("dewpost.db"))
	require.NoError(t, os.WriteFile(w.config, []byte(text), 0o600))
	t.Cleanup(func() {
		if t.Failed() {
			t.Log(w.said.String())
		}
	})
	return w
}

func (w *tlsShop) path(elem ...string) string {
	return filepath.Join(append([]string{w.dir}, elem...)...)
}

// dewpost runs a command to its end.
func (w *tlsShop) dewpost(t *testing.T, args ...string) {
	t.Helper()
	out, err := exec.Command("dewpost", args...).CombinedOutput()
	_, _ = w.said.Write(out)
	require.NoError(t, err, "dewpost %v: %s", args, out)
}

// server is a collector that runs.
type server struct {
	cmd   *exec.Cmd
	ended chan struct{}
	err   error // once it has ended
}

// serve starts the collector and waits until it is ready.
func (w *tlsShop) serve(t *testing.T) *server {
	t.Helper()
	s := &server{cmd: exec.Command("dewpost", "serve", "-c", w.config), ended: make(chan struct{})}
	s.cmd.Stdout, s.cmd.Stderr = &w.said, &w.said
	require.NoError(t, s.cmd.Start())
	go func() {
		s.err = s.cmd.Wait()
		_, _ = fmt.Fprintf(&w.said, "the collector has ended: %v\n", s.err)
		close(s.ended)
	}()
	t.Cleanup(s.kill)
	w.until(t, "the collector is ready", func() bool { return w.get("/readyz") != nil })
	return s
}

// end stops the collector as systemd does.
func (s *server) end(t *testing.T) {
	t.Helper()
	require.NoError(t, s.cmd.Process.Signal(os.Interrupt))
	<-s.ended
	require.NoError(t, s.err)
}

// kill stops it as a power cut does.
func (s *server) kill() {
	_ = s.cmd.Process.Kill() // it may have ended
	<-s.ended
}

const patience = time.Minute // on a machine that is busy

func (w *tlsShop) until(t *testing.T, what string, is func() bool) {
	t.Helper()
	require.Eventually(t, is, patience, 20*time.Millisecond, what)
}

// get returns a page, nil when there is none.
func (w *tlsShop) get(path string) []byte {
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: patience}
	req, err := http.NewRequestWithContext(context.Background(), http.MethodGet, "http://"+w.pages+path, nil)
	if err != nil {
		return nil
	}
	resp, err := client.Do(req)
	if err != nil {
		return nil
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		return nil
	}
	return body
}

// metric reads one of the collector's totals; -1 when it can't.
func (w *tlsShop) metric(name string) int {
	for line := range strings.Lines(string(w.get("/metrics"))) {
		if n, ok := strings.CutPrefix(line, name+" "); ok {
			if x, err := strconv.ParseFloat(strings.TrimSpace(n), 64); err == nil {
				return int(x)
			}
		}
	}
	return -1
}

func (w *tlsShop) store(t *testing.T) *store.Store {
	t.Helper()
	s, err := store.Open(t.Context(), w.path("dewpost.db"))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

func readSecret(t *testing.T, path string) receipt.Secret {
	t.Helper()
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	secret, err := receipt.ParseSecret(string(text))
	require.NoError(t, err)
	return secret
}

// trusting is the TLS configuration of an agent with the authority of a bundle.
func trusting(t *testing.T, dir string) *tls.Config {
	t.Helper()
	pem, err := os.ReadFile(filepath.Join(dir, bundle.AuthorityFile))
	require.NoError(t, err)
	pool := x509.NewCertPool()
	require.True(t, pool.AppendCertsFromPEM(pem))
	return &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS13}
}

// login tries a station's password, and leaves again.
func (w *tlsShop) login(t *testing.T, id string, secret receipt.Secret) error {
	t.Helper()
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("ssl://" + w.stations).SetTLSConfig(trusting(t, w.path("bundle"))).
		SetClientID("login").SetUsername(id).SetPassword(secret.Password()).SetProtocolVersion(4).SetAutoReconnect(false))
	token := client.Connect()
	require.True(t, token.WaitTimeout(patience))
	if token.Error() == nil {
		client.Disconnect(250)
	}
	return token.Error()
}
