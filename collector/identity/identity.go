// Package identity says by what agents and people know this installation: an
// authority of its own, made once, and a certificate of this machine.
//
// # The authority
//
// Its key and certificate are one row of the store: a backup holds them, and
// several collectors on one store share them. Whoever needs it first makes one,
// puts it there unless there is one by then, and reads back what stands there.
//
// # The certificate of this machine
//
// It is made anew at each start, for the names in the config, and its key never
// leaves memory. So its dates mean nothing and it can't run out unseen: it is
// good as long as the authority.
//
// Both are good from the year 2000 on, where clocks begin to count as set, until
// 2100: an agent whose clock is behind connects all the same, and one whose clock
// was never set verifies as of 2000 (see agent). This is safe because the agent
// trusts this one authority only: whoever could show it a certificate that has
// run out would need a key that was never on a disk.
//
// Browsers take no certificate that is good for decades, though they were told
// to trust the authority: what pages show is good for a year, and made anew long
// before that is over.
//
// # A certificate of your own
//
// It takes the place of both. Its files are looked at with every handshake and
// read again when they changed, so that a renewed certificate needs no restart;
// where the new one is no good the old one stays, and the log says so. Agents
// are given an authority only if the certificate's is not among those of the
// system.
package identity

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"log/slog"
	"math/big"
	"net"
	"sync"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/unit"
)

// authorityName is what the authority is kept under.
const authorityName = "authority"

// begin and end are when certificates begin and cease to be good, whatever the
// clock shows when they are made: a small board starts in 1970, and an authority
// is made once. The end is beyond the hardware that trusts it.
var (
	begin = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	end   = time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC)
)

// Store keeps the authority. AddIdentity keeps what is there already; Identity
// returns record.ErrNotFound where there is nothing.
type Store interface {
	Identity(ctx context.Context, name string) (string, error)
	AddIdentity(ctx context.Context, name, pem string, at unit.Instant, author string) error
}

// Config is what identifies this machine.
type Config struct {
	Names             []string // host names and IP addresses
	CertFile, KeyFile string   // certificate chain of one's own and its key; "" for none
	Log               *slog.Logger
	Now               func() time.Time // nil: of the machine
}

// Identity is who this machine is.
type Identity struct {
	authority          []byte // PEM
	certificate, pages func(*tls.ClientHelloInfo) (*tls.Certificate, error)
}

// Open reads the authority, made if there is none, and makes this machine's
// certificate; or it reads that of one's own.
func Open(ctx context.Context, s Store, cfg Config, now time.Time) (*Identity, error) {
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.CertFile != "" {
		return openOwn(cfg)
	}
	cert, key, err := authority(ctx, s, now)
	if err != nil {
		return nil, err
	}
	own, err := issue(cert, key, cfg.Names, cert.NotBefore, cert.NotAfter)
	if err != nil {
		return nil, fmt.Errorf("make the certificate of this machine: %w", err)
	}
	pages := yearly{make: func(from, to time.Time) (*tls.Certificate, error) { return issue(cert, key, cfg.Names, from, to) }, now: cfg.Now}
	return &Identity{
		authority:   pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: cert.Raw}),
		certificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return own, nil },
		pages:       pages.current,
	}, nil
}

// StationsTLS is the configuration of the server that agents connect to.
func (id *Identity) StationsTLS() *tls.Config {
	return &tls.Config{MinVersion: tls.VersionTLS13, GetCertificate: id.certificate}
}

// PagesTLS is the configuration of the server that browsers connect to.
func (id *Identity) PagesTLS() *tls.Config {
	return &tls.Config{MinVersion: tls.VersionTLS13, GetCertificate: id.pages}
}

const (
	// pagesFor is how long a certificate of pages is good. Some browsers take at
	// most 398 days, or 825 from authorities that people added (from memory).
	pagesFor = 397 * 24 * time.Hour
	// A new one is made when the last is this old.
	pagesAnew = 30 * 24 * time.Hour
	// pagesBack is by how much the clock of who looks may be behind.
	pagesBack = 24 * time.Hour
)

// yearly is a certificate that is made anew in time.
type yearly struct {
	make func(from, to time.Time) (*tls.Certificate, error)
	now  func() time.Time

	mu   sync.Mutex
	pair *tls.Certificate // nil before the first
	made time.Time
}

func (y *yearly) current(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	y.mu.Lock()
	defer y.mu.Unlock()
	now := y.now()
	if age := now.Sub(y.made); y.pair != nil && age >= 0 && age < pagesAnew {
		return y.pair, nil
	}
	from := now.Add(-pagesBack)
	pair, err := y.make(from, from.Add(pagesFor))
	if err != nil {
		return nil, err
	}
	y.pair, y.made = pair, now
	return pair, nil
}

// AuthorityPEM is the certificate by which agents know this machine; nil where
// their system knows the authority.
func (id *Identity) AuthorityPEM() []byte { return id.authority }

func authority(ctx context.Context, s Store, now time.Time) (*x509.Certificate, *ecdsa.PrivateKey, error) {
	text, err := s.Identity(ctx, authorityName)
	if errors.Is(err, record.ErrNotFound) {
		if text, err = newAuthority(); err != nil {
			return nil, nil, fmt.Errorf("make an authority: %w", err)
		}
		if err := s.AddIdentity(ctx, authorityName, text, unit.At(now), "dewpost"); err != nil {
			return nil, nil, err
		}
		text, err = s.Identity(ctx, authorityName)
	}
	if err != nil {
		return nil, nil, err
	}
	cert, key, err := parseAuthority(text)
	if err != nil {
		return nil, nil, fmt.Errorf("the authority in the store can't be used: %w: restore it from a backup", err)
	}
	return cert, key, nil
}

// newAuthority returns certificate and key. It says little: agents get it in a
// QR code.
func newAuthority() (string, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return "", err
	}
	serial := newSerial()
	template := &x509.Certificate{
		SerialNumber: serial,
		// Each has another name, so that who trusts two keeps them apart.
		Subject:   pkix.Name{CommonName: "dewpost " + hex.EncodeToString(serial.Bytes()[:4])},
		NotBefore: begin, NotAfter: end,
		KeyUsage: x509.KeyUsageCertSign, IsCA: true, BasicConstraintsValid: true, MaxPathLenZero: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		return "", err
	}
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return "", err
	}
	return string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})) +
		string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: keyDER})), nil
}

func parseAuthority(text string) (*x509.Certificate, *ecdsa.PrivateKey, error) {
	pair, err := tls.X509KeyPair([]byte(text), []byte(text)) // checks that they belong together
	if err != nil {
		return nil, nil, err
	}
	key, ok := pair.PrivateKey.(*ecdsa.PrivateKey)
	if !ok || !pair.Leaf.IsCA {
		return nil, nil, errors.New("it is no authority's")
	}
	return pair.Leaf, key, nil
}

// issue makes a certificate for names and its key.
func issue(authority *x509.Certificate, authorityKey *ecdsa.PrivateKey, names []string, from, to time.Time) (*tls.Certificate, error) {
	if len(names) == 0 {
		return nil, errors.New("it has no name: write some into tls.names")
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, err
	}
	template := &x509.Certificate{
		SerialNumber: newSerial(),
		Subject:      pkix.Name{CommonName: "dewpost collector"},
		NotBefore:    from, NotAfter: to,
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}
	for _, name := range names {
		if ip := net.ParseIP(name); ip != nil {
			template.IPAddresses = append(template.IPAddresses, ip)
		} else {
			template.DNSNames = append(template.DNSNames, name)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, template, authority, &key.PublicKey, authorityKey)
	if err != nil {
		return nil, err
	}
	leaf, err := x509.ParseCertificate(der)
	if err != nil {
		return nil, err
	}
	return &tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key, Leaf: leaf}, nil
}

// newSerial returns a positive number of 16 bytes.
func newSerial() *big.Int {
	b := make([]byte, 16)
	rand.Read(b) //nolint:errcheck // never fails
	b[0] = b[0]&0x3f | 0x40
	return new(big.Int).SetBytes(b)
}
