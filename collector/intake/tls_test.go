package intake

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// certify writes a certificate of 127.0.0.1 and its key, and returns who trusts
// it.
func certify(t *testing.T, dir string) (certFile, keyFile string, trusts *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	require.NoError(t, err)
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	certPEM := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	certFile, keyFile = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	require.NoError(t, os.WriteFile(certFile, certPEM, 0o600))
	require.NoError(t, os.WriteFile(keyFile, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: keyDER}), 0o600))
	trusts = x509.NewCertPool()
	require.True(t, trusts.AppendCertsFromPEM(certPEM))
	return certFile, keyFile, trusts
}

func TestExternal_TLS(t *testing.T) {
	s := newSite(t)
	s.x.Close()
	s.m.stop(syscall.SIGTERM)
	certFile, keyFile, trusts := certify(t, s.m.dir)
	conf, err := os.ReadFile(filepath.Join(s.m.dir, "mosquitto.conf"))
	require.NoError(t, err)
	conf = append(conf, "\ncertfile "+certFile+"\nkeyfile "+keyFile+"\n"...)
	require.NoError(t, os.WriteFile(filepath.Join(s.m.dir, "mosquitto.conf"), conf, 0o600))
	s.m.start()

	cfg := BrokerConfig{URL: "ssl://" + s.m.addr, User: collectorUser, Password: collectorPassword}
	cfg.TLS = &tls.Config{RootCAs: x509.NewCertPool(), MinVersion: tls.VersionTLS12}
	stranger := s.connect(cfg, s.in)
	require.Never(t, stranger.Connected, 300*time.Millisecond, 10*time.Millisecond, "nobody vouches for that broker")
	stranger.Close()

	cfg.TLS = &tls.Config{RootCAs: trusts, MinVersion: tls.VersionTLS12}
	x := s.connect(cfg, s.in)
	require.Eventually(t, x.Connected, patience, 10*time.Millisecond)
}
