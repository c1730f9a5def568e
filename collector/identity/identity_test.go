package identity

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"log/slog"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dewpost/collector/store"
	"dewpost/rules/unit"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var now = time.Date(2026, 5, 1, 10, 0, 0, 0, time.UTC)

func openStore(t *testing.T, path string) *store.Store {
	t.Helper()
	s, err := store.Open(t.Context(), path)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

func names(list ...string) Config { return Config{Names: list, Log: slog.New(slog.DiscardHandler)} }

// What pages show is good for a year from the day before, and made anew every
// month; agents' trust reaches it too.
func TestPagesAreGoodForAYear(t *testing.T) {
	s := openStore(t, filepath.Join(t.TempDir(), "store.db"))
	cfg, at := names("collector.example"), now
	cfg.Now = func() time.Time { return at }
	id, err := Open(t.Context(), s, cfg, now)
	require.NoError(t, err)
	show := func() *x509.Certificate {
		pair, err := id.PagesTLS().GetCertificate(nil)
		require.NoError(t, err)
		pool := x509.NewCertPool()
		require.True(t, pool.AppendCertsFromPEM(id.AuthorityPEM()))
		for _, seen := range []time.Time{at.Add(-23 * time.Hour), at, at.AddDate(1, 0, 0)} {
			_, err = pair.Leaf.Verify(x509.VerifyOptions{Roots: pool, DNSName: "collector.example", CurrentTime: seen})
			require.NoError(t, err)
		}
		require.Equal(t, 397*24*time.Hour, pair.Leaf.NotAfter.Sub(pair.Leaf.NotBefore))
		return pair.Leaf
	}
	first := show()
	at = at.AddDate(0, 0, 29)
	pair, err := id.PagesTLS().GetCertificate(nil)
	require.NoError(t, err)
	require.Equal(t, first.SerialNumber, pair.Leaf.SerialNumber)
	at = at.AddDate(0, 0, 1)
	second := show()
	require.NotEqual(t, first.SerialNumber, second.SerialNumber)
	at = now.AddDate(0, 0, -7) // the clock was put back
	require.NotEqual(t, second.SerialNumber, show().SerialNumber)
}

// shakeHands connects to a server with id's configuration and returns what the
// client saw.
func shakeHands(t *testing.T, id *Identity, client *tls.Config) (tls.ConnectionState, error) {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer ln.Close()
	var ended sync.WaitGroup
	ended.Go(func() {
		a, err := ln.Accept()
		if err != nil {
			return
		}
		s := tls.Server(a, id.StationsTLS())
		if s.Handshake() == nil {
			_, _ = io.Copy(io.Discard, s)
		}
		_ = a.Close()
	})
	b, err := net.Dial("tcp", ln.Addr().String())
	require.NoError(t, err)
	c := tls.Client(b, client)
	err = c.Handshake()
	state := c.ConnectionState()
	_ = b.Close()
	ended.Wait()
	return state, err
}

func trusting(t *testing.T, id *Identity, name string, at time.Time) *tls.Config {
	t.Helper()
	pool := x509.NewCertPool()
	require.True(t, pool.AppendCertsFromPEM(id.AuthorityPEM()))
	return &tls.Config{RootCAs: pool, ServerName: name, Time: func() time.Time { return at }}
}

func TestOwnAuthority(t *testing.T) {
	s := openStore(t, filepath.Join(t.TempDir(), "store.db"))
	id, err := Open(t.Context(), s, names("collector.example", "192.0.2.7", "2001:db8::1"), now)
	require.NoError(t, err)
	for _, name := range []string{"collector.example", "192.0.2.7", "2001:db8::1"} {
		state, err := shakeHands(t, id, trusting(t, id, name, now))
		require.NoError(t, err, name)
		require.EqualValues(t, tls.VersionTLS13, state.Version)
	}
	_, err = shakeHands(t, id, trusting(t, id, "other.example", now))
	require.ErrorContains(t, err, "not other.example")
	old := trusting(t, id, "collector.example", now)
	old.MaxVersion = tls.VersionTLS12
	_, err = shakeHands(t, id, old)
	require.ErrorContains(t, err, "version")

	// Who can't know the time, or has it wrong by years, connects all the same.
	for _, at := range []time.Time{time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC), now.AddDate(-1, 0, 0), end.AddDate(0, 0, -1)} {
		_, err := shakeHands(t, id, trusting(t, id, "collector.example", at))
		require.NoError(t, err, at)
	}
	_, err = shakeHands(t, id, trusting(t, id, "collector.example", time.Unix(0, 0)))
	require.ErrorContains(t, err, "expired or is not yet valid", "control: dates are looked at")

	// The next start has another certificate, which the same agents trust.
	again, err := Open(t.Context(), s, names("moved.example"), now.AddDate(1, 0, 0))
	require.NoError(t, err)
	require.Equal(t, string(id.AuthorityPEM()), string(again.AuthorityPEM()))
	_, err = shakeHands(t, again, trusting(t, id, "moved.example", now))
	require.NoError(t, err)

	other, err := Open(t.Context(), openStore(t, filepath.Join(t.TempDir(), "other.db")), names("collector.example"), now)
	require.NoError(t, err)
	_, err = shakeHands(t, other, trusting(t, id, "collector.example", now))
	require.ErrorContains(t, err, "unknown authority", "another installation")

	_, err = Open(t.Context(), s, names(), now)
	require.ErrorContains(t, err, "tls.names")
	block, _ := pem.Decode(id.AuthorityPEM())
	require.Less(t, len(block.Bytes), 450, "it has to go into a QR code")
}

// Several who start at once on one store end up with one authority.
// A small board starts in 1970. An authority that is made before its clock is
// set must be as good as any: it is made once, and agents hold on to it.
func TestAuthorityMadeBeforeTheClockIsSet(t *testing.T) {
	s := openStore(t, filepath.Join(t.TempDir(), "dewpost.db"))
	id, err := Open(t.Context(), s, names("lake.example"), time.Unix(60, 0))
	require.NoError(t, err)
	for _, at := range []time.Time{begin, now, end} {
		_, err := shakeHands(t, id, trusting(t, id, "lake.example", at))
		require.NoError(t, err, at)
	}
}

func TestOneAuthorityForAll(t *testing.T) {
	path := filepath.Join(t.TempDir(), "store.db")
	stores := []*store.Store{openStore(t, path), openStore(t, path)}
	ids := make([]*Identity, 8)
	var wg sync.WaitGroup
	for i := range ids {
		wg.Go(func() {
			var err error
			if ids[i], err = Open(context.Background(), stores[i%2], names("collector.example"), now); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	for _, id := range ids {
		require.Equal(t, string(ids[0].AuthorityPEM()), string(id.AuthorityPEM()))
		_, err := shakeHands(t, id, trusting(t, ids[0], "collector.example", now))
		require.NoError(t, err)
	}
}

func TestAuthorityIsDamaged(t *testing.T) {
	s := openStore(t, filepath.Join(t.TempDir(), "store.db"))
	require.NoError(t, s.AddIdentity(t.Context(), authorityName, "-----BEGIN CERTIFICATE-----", unit.At(now), "test"))
	_, err := Open(t.Context(), s, names("collector.example"), now)
	require.ErrorContains(t, err, "restore it from a backup")
}

// files is a certificate chain of one's own.
type files struct {
	t            *testing.T
	cert, key    string
	authority    *x509.Certificate
	authorityKey *ecdsa.PrivateKey
}

func newFiles(t *testing.T) *files {
	t.Helper()
	dir := t.TempDir()
	f := &files{t: t, cert: filepath.Join(dir, "cert.pem"), key: filepath.Join(dir, "key.pem")}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "authority of the test"}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), KeyUsage: x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	require.NoError(t, err)
	f.authority, err = x509.ParseCertificate(der)
	require.NoError(t, err)
	f.authorityKey = key
	return f
}

// renew writes a new certificate and its key; with chain, the authority behind
// it.
func (f *files) renew(serial int64, chain bool) {
	f.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(f.t, err)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(serial), DNSNames: []string{"collector.example"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
	}
	der, err := x509.CreateCertificate(rand.Reader, template, f.authority, &key.PublicKey, f.authorityKey)
	require.NoError(f.t, err)
	text := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	if chain {
		text = append(text, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: f.authority.Raw})...)
	}
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(f.t, err)
	f.write(f.cert, text, serial)
	f.write(f.key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: keyDER}), serial)
}

// write gives every version another time, as they are written within one tick
// of the file system's clock.
func (f *files) write(path string, text []byte, version int64) {
	f.t.Helper()
	require.NoError(f.t, os.WriteFile(path, text, 0o600))
	at := time.Now().Add(time.Duration(version) * time.Second)
	require.NoError(f.t, os.Chtimes(path, at, at))
}

// A renewed certificate is shown from the next handshake on; one that is no
// good is not.
func TestOwnCertificate(t *testing.T) {
	f := newFiles(t)
	f.renew(1, true)
	var log bytes.Buffer
	cfg := Config{Names: []string{"collector.example"}, CertFile: f.cert, KeyFile: f.key, Log: slog.New(slog.NewTextHandler(&log, nil))}
	id, err := Open(t.Context(), nil, cfg, now)
	require.NoError(t, err)
	shown := func() int64 {
		t.Helper()
		state, err := shakeHands(t, id, trusting(t, id, "collector.example", time.Now()))
		require.NoError(t, err)
		return state.PeerCertificates[0].SerialNumber.Int64()
	}
	require.EqualValues(t, 1, shown())
	f.renew(2, true)
	require.EqualValues(t, 2, shown())
	require.Contains(t, log.String(), "was renewed")

	old, err := os.ReadFile(f.key)
	require.NoError(t, err)
	f.renew(3, true)
	f.write(f.key, old, 4)
	require.EqualValues(t, 2, shown(), "the key is not there yet")
	require.EqualValues(t, 2, shown())
	require.Equal(t, 1, bytes.Count(log.Bytes(), []byte("can't be used")), "said once")
	require.NoError(t, os.Remove(f.key))
	require.EqualValues(t, 2, shown(), "nor any more")
	f.renew(5, true)
	require.EqualValues(t, 5, shown())
}

func TestOwnCertificate_Refused(t *testing.T) {
	f := newFiles(t)
	open := func(names ...string) error {
		_, err := Open(t.Context(), nil, Config{Names: names, CertFile: f.cert, KeyFile: f.key, Log: slog.New(slog.DiscardHandler)}, now)
		return err
	}
	require.ErrorContains(t, open("collector.example"), "tls.cert_file")
	f.renew(1, true)
	require.NoError(t, open("collector.example"), "control")
	require.ErrorContains(t, open("other.example"), "other.example")
	f.renew(2, false)
	require.ErrorContains(t, open("collector.example"), "put the authority's certificate at the end")
	f.write(f.key, []byte("no key"), 3)
	require.ErrorContains(t, open("collector.example"), "tls.key_file")
}
