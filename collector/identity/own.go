package identity

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"time"
)

// own is a certificate chain in files.
type own struct {
	certFile, keyFile string
	log               *slog.Logger

	mu   sync.Mutex
	pair *tls.Certificate
	seen state // of the files when they were last read
}

// state tells whether files changed.
type state [2]struct {
	written time.Time
	bytes   int64
}

func openOwn(cfg Config) (*Identity, error) {
	o := &own{certFile: cfg.CertFile, keyFile: cfg.KeyFile, log: cfg.Log}
	var err error
	if o.seen, err = o.look(); err != nil {
		return nil, fmt.Errorf("tls.cert_file and tls.key_file: %w", err)
	}
	if o.pair, err = o.read(); err != nil {
		return nil, err
	}
	authority, err := o.authority(cfg.Names)
	if err != nil {
		return nil, fmt.Errorf("tls.cert_file %s: %w", o.certFile, err)
	}
	return &Identity{authority: authority, certificate: o.current, pages: o.current}, nil
}

func (o *own) look() (s state, err error) {
	for i, path := range []string{o.certFile, o.keyFile} {
		info, err := os.Stat(path)
		if err != nil {
			return s, err
		}
		s[i].written, s[i].bytes = info.ModTime(), info.Size()
	}
	return s, nil
}

func (o *own) read() (*tls.Certificate, error) {
	pair, err := tls.LoadX509KeyPair(o.certFile, o.keyFile)
	if err != nil {
		return nil, fmt.Errorf("tls.cert_file %s and tls.key_file %s: %w", o.certFile, o.keyFile, err)
	}
	return &pair, nil
}

// current returns the certificate to show.
func (o *own) current(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	// Files that are gone are no state that was seen: whoever renews may
	// remove them first.
	seen, err := o.look()
	if err != nil || seen == o.seen {
		return o.pair, nil
	}
	o.seen = seen
	pair, err := o.read()
	if err != nil {
		o.log.Error("the renewed certificate can't be used; the one before stays", "error", err)
		return o.pair, nil
	}
	o.pair = pair
	o.log.Info("the certificate was renewed", "file", o.certFile, "good_until", pair.Leaf.NotAfter)
	return o.pair, nil
}

// authority is what agents are to trust: nothing of ours where the system's
// authorities vouch for the certificate, else the last one in the file.
func (o *own) authority(names []string) ([]byte, error) {
	leaf := o.pair.Leaf
	if len(names) > 0 {
		if err := leaf.VerifyHostname(names[0]); err != nil {
			return nil, fmt.Errorf("it is not for %s, the name that agents are given: %w: put one of its names first in tls.names", names[0], err)
		}
	}
	others := x509.NewCertPool()
	last := leaf
	for _, der := range o.pair.Certificate[1:] {
		cert, err := x509.ParseCertificate(der)
		if err != nil {
			return nil, err
		}
		others.AddCert(cert)
		last = cert
	}
	if _, err := leaf.Verify(x509.VerifyOptions{Intermediates: others}); err == nil {
		return nil, nil
	}
	roots := x509.NewCertPool()
	roots.AddCert(last)
	_, err := leaf.Verify(x509.VerifyOptions{Roots: roots, Intermediates: others, CurrentTime: leaf.NotAfter})
	if err != nil || !bytes.Equal(last.RawIssuer, last.RawSubject) {
		return nil, errors.New("this system doesn't know its authority: put the authority's certificate at the end of the file, for agents to be told")
	}
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: last.Raw}), nil
}
