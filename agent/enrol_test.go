package agent

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"math/big"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/bundle"
	"dewpost/rules/receipt"
)

func enrolmentText(t *testing.T) (text string, secret receipt.Secret) {
	t.Helper()
	secret, err := receipt.NewSecret([]byte("a secret of this test alone"))
	require.NoError(t, err)
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	require.NoError(t, err)
	b := bundle.Bundle{Broker: "mqtts://collector.example:8883", Station: "lake-07", Secret: secret, Authority: der}
	text, err = b.Text()
	require.NoError(t, err)
	return text, secret
}

func TestEnrol(t *testing.T) {
	text, secret := enrolmentText(t)
	dir := filepath.Join(t.TempDir(), "new")
	files, err := Enrol(text+"\n", dir)
	require.NoError(t, err)
	require.Len(t, files, 3)
	for _, path := range files {
		info, err := os.Stat(path)
		require.NoError(t, err)
		require.Equal(t, os.FileMode(0o600), info.Mode().Perm(), path)
	}
	// All that is left to do is to name sensors.
	cfg, err := Load(filepath.Join(dir, "agent.toml"))
	require.NoError(t, err)
	problems := cfg.Check()
	require.Len(t, problems, 1)
	require.Equal(t, "station[1].sensor", problems[0].Key)
	require.Equal(t, secret, plan(cfg, nil, nil).stations[0].secret)

	again, err := Enrol(text, dir)
	require.ErrorContains(t, err, "is there already")
	require.Empty(t, again)
	require.NoError(t, os.Remove(filepath.Join(dir, "lake-07.secret")))
	again, err = Enrol(text, dir)
	require.ErrorContains(t, err, "is there already")
	require.Empty(t, again, "all or none")
	require.NoFileExists(t, filepath.Join(dir, "lake-07.secret"))

	_, err = Enrol(text[:100], filepath.Join(t.TempDir(), "x"))
	require.ErrorContains(t, err, "scan or copy it again")
	require.NotContains(t, err.Error(), text[:40])
}
