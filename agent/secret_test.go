package agent

import (
	"encoding/pem"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/receipt"
)

func anotherSecret(t *testing.T) receipt.Secret {
	t.Helper()
	s, err := receipt.NewSecret([]byte("another one of sixteen or more"))
	require.NoError(t, err)
	return s
}

// TestSecretIsReadAgain changes the file under a running agent.
func TestSecretIsReadAgain(t *testing.T) {
	path := write(t, good)
	log := newLines()
	a := newAgent(t, path, WithLog(log.logger()))
	file := filepath.Join(filepath.Dir(path), "secret")
	secret := a.secret(&a.plan.stations[0])
	require.Equal(t, testSecret(t), secret())
	require.NoError(t, os.WriteFile(file, []byte(anotherSecret(t).Hex()), 0o600))
	require.Equal(t, anotherSecret(t), secret())
	log.await(t, "secret has changed")
	for _, text := range []string{"", "half a secr"} {
		require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
		require.Equal(t, anotherSecret(t), secret(), "the one before stays")
	}
	require.NoError(t, os.Remove(file))
	require.Equal(t, anotherSecret(t), secret())
	log.await(t, "the secret read before stays")
	require.NotContains(t, log.text.String(), anotherSecret(t).Hex())
	require.NoError(t, os.WriteFile(file, []byte(testSecret(t).Hex()), 0o600))
	require.Equal(t, testSecret(t), secret())

	a = newAgent(t, path, WithSecret("lake-07", anotherSecret(t)))
	require.Equal(t, anotherSecret(t), a.secret(&a.plan.stations[0])(), "no file is read where a secret is given")
}

// TestSecretRotated gives broker and collector another secret, and then the
// agent, which has run all the time.
func TestSecretRotated(t *testing.T) {
	m := startMosquitto(t, "lake-07")
	c := startCollector(t, m)
	path := write(t, strings.Replace(good, "mqtt://127.0.0.1", "mqtt://"+m.plain, 1)+"sim = {board = true}\n")
	file := filepath.Join(filepath.Dir(path), "secret")
	require.NoError(t, os.WriteFile(file, []byte(anotherSecret(t).Hex()), 0o600))
	log := newLines()
	cfg, err := Load(path)
	require.NoError(t, err)
	cfg.Stations[0].Interval, cfg.Stations[0].Burst, cfg.ClockWait, cfg.Retry = Duration(time.Second), 1, Duration(time.Second), Duration(time.Second)
	a, err := New(cfg, WithLog(log.logger()))
	require.NoError(t, err)
	done := make(chan error, 1)
	go func() { done <- a.Run(t.Context()) }()
	t.Cleanup(func() { require.NoError(t, <-done) })
	log.await(t, "not Authorized")
	require.NoError(t, os.WriteFile(file, []byte(testSecret(t).Hex()), 0o600))
	eventually(t, "readings with the new secret", func() bool { return c.stored() > 0 })
}

// TestCredentials takes secret and certificates from the folder that systemd
// names.
func TestCredentials(t *testing.T) {
	m := startMosquitto(t, "lake-07")
	c := startCollector(t, m)
	path := replayConfig(t, "mqtts://"+m.encrypted, 100)
	dir := t.TempDir()
	t.Setenv("CREDENTIALS_DIRECTORY", dir)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "lake"), []byte(testSecret(t).Hex()), 0o400))
	text, err := os.ReadFile(m.caFile)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "ca"), text, 0o400))
	config, err := os.ReadFile(path)
	require.NoError(t, err)
	config = []byte("ca_file = \"credential:ca\"\n" + strings.Replace(string(config), `"secret"`, `"credential:lake"`, 1))
	require.NoError(t, os.WriteFile(path, config, 0o600))
	require.NoError(t, newAgent(t, path).Run(t.Context()))
	checkRows(t, c, 100)

	require.NoError(t, os.Remove(filepath.Join(dir, "lake")))
	cfg, err := Load(path)
	require.NoError(t, err)
	require.Len(t, cfg.Check(), 1)
	require.Contains(t, cfg.Check()[0].What, filepath.Join(dir, "lake")+" does not exist")
}

// TestCertificateBeforeTheClockIsSet verifies within the authority's life, also
// while the clock shows an earlier time.
func TestCertificateBeforeTheClockIsSet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) { // begins at 2000-01-01T00:00:00Z
		authority := time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC)
		require.Equal(t, authority.Add(24*time.Hour), notBefore(authority)())
		require.Equal(t, time.Now(), notBefore(time.Now())())
		time.Sleep(time.Hour)
		require.Equal(t, time.Now(), notBefore(time.Now().Add(-time.Hour))(), "a clock that can be right is believed")
	})
	m := startMosquitto(t, "lake-07")
	cfg := Config{Broker: "mqtts://" + m.encrypted}
	require.Nil(t, plan(cfg, nil, nil).tls.Time, "never with the certificates of the system")
	cfg.CAFile = m.caFile
	p := plan(cfg, nil, nil)
	require.WithinDuration(t, time.Now(), p.tls.Time(), time.Minute)

	bad := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: []byte("rubbish")})
	cfg.CAFile = filepath.Join(t.TempDir(), "bad.pem")
	require.NoError(t, os.WriteFile(cfg.CAFile, bad, 0o600))
	require.Contains(t, plan(cfg, nil, nil).problems[0].Error(), "bad.pem")
}
