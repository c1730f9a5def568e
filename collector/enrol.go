package collector

import (
	"context"
	"encoding/pem"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"dewpost/collector/identity"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/bundle"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

const secretBytes = 32

// Enrol adds a station with a new secret and what is known of it. Where its
// interval is known and no longest step is given, the proposal is recorded:
// 1.5 intervals, and at least the default.
func Enrol(ctx context.Context, s *store.Store, id string, facts []fact.Fact, now time.Time, author string) error {
	st, err := NewStation(id, now)
	if err != nil {
		return err
	}
	return s.AddStation(ctx, st, author, append(facts, ProposeMaxGap(facts)...)...)
}

// NewStation makes a station with a new secret, to be enrolled.
func NewStation(id string, now time.Time) (record.Station, error) {
	if err := receipt.ValidStation(id); err != nil {
		return record.Station{}, err
	}
	if id == DefaultConfig().Broker.User {
		return record.Station{}, fmt.Errorf("station id %q: it is the collector's own name at a broker; choose another", id)
	}
	if id == fact.None {
		return record.Station{}, fmt.Errorf("station id %q: where an id is asked for, it says that there is none; choose another", id)
	}
	secret, err := newSecret()
	return record.Station{ID: id, Secret: secret, Enrolled: unit.At(now)}, err
}

// BeginSecret makes the secret that is to follow a station's, unless that was
// done already; Bundle has it.
func BeginSecret(ctx context.Context, s *store.Store, id string, now time.Time, author string) error {
	next, err := newSecret()
	if err != nil {
		return err
	}
	return s.BeginSecret(ctx, record.Station{ID: id, Next: next}, unit.At(now), author)
}

// ProposeMaxGap returns the fact that is proposed for a new station with those
// facts, if any.
func ProposeMaxGap(facts []fact.Fact) []fact.Fact {
	if slices.ContainsFunc(facts, func(f fact.Fact) bool { return f.Name == fact.MaxGap }) {
		return nil
	}
	i := slices.IndexFunc(facts, func(f fact.Fact) bool { return f.Name == fact.Interval })
	if i < 0 {
		return nil
	}
	interval, ok := fact.DurationAt(facts, fact.Interval, facts[i].From)
	if !ok || interval+interval/2 <= exposure.DefaultMaxGap {
		return nil
	}
	proposed := facts[i]
	proposed.Name, proposed.Value = fact.MaxGap, (interval + interval/2).String()
	return []fact.Fact{proposed}
}

// Bundle returns what a station's agent needs; with next, that with the secret
// that is to follow. now is when the authority is made, if there is none yet.
func Bundle(ctx context.Context, s *store.Store, cfg Config, id string, next bool, now time.Time) (bundle.Bundle, error) {
	b, err := makeBundle(ctx, s, cfg, id, next, now)
	if err == nil {
		err = b.Check()
	}
	if err != nil {
		return b, fmt.Errorf("enrol %s: %w", id, err)
	}
	return b, nil
}

func makeBundle(ctx context.Context, s *store.Store, cfg Config, id string, next bool, now time.Time) (bundle.Bundle, error) {
	b := bundle.Bundle{Station: id}
	st, err := s.Station(ctx, id)
	if err != nil {
		return b, err
	}
	b.Secret = st.Secret
	if next {
		b.Secret = st.Next
	}
	var authority []byte
	if cfg.Broker.URL == "" {
		b.Broker, authority, err = embedded(ctx, s, cfg, now)
	} else if b.Broker = externalURL(cfg.Broker.URL); strings.HasPrefix(b.Broker, "mqtts") {
		authority, err = cfg.Broker.authority()
	}
	for block, rest := pem.Decode(authority); block != nil; block, rest = pem.Decode(rest) {
		if block.Type == "CERTIFICATE" {
			b.Authority = append(b.Authority, block.Bytes...)
		}
	}
	return b, err
}

// embedded returns the address of the embedded broker as agents reach it, and
// the authority by which they know it.
func embedded(ctx context.Context, s *store.Store, cfg Config, now time.Time) (url string, authority []byte, err error) {
	if err := errors.Join(cfg.TLS.check(), cfg.checkStations()); err != nil {
		return "", nil, fmt.Errorf("config: %w", err)
	}
	host, port, err := net.SplitHostPort(cfg.Stations.Listen)
	if err != nil {
		return "", nil, err
	}
	scheme := "mqtt"
	if cfg.stationsSecure() {
		scheme = "mqtts"
		idCfg, err := cfg.identityConfig()
		if err != nil {
			return "", nil, fmt.Errorf("config: %w", err)
		}
		id, err := identity.Open(ctx, s, idCfg, now)
		if err != nil {
			return "", nil, err
		}
		authority = id.AuthorityPEM()
	}
	if local, err := isLoopback("stations.listen", cfg.Stations.Listen); err != nil || !local {
		if len(cfg.TLS.Names) == 0 {
			return "", nil, errors.New("config: tls.names: write into it under which names and addresses agents reach this machine")
		}
		host = cfg.TLS.Names[0]
	}
	return scheme + "://" + net.JoinHostPort(host, port), authority, nil
}

// externalURL is an external broker's address in the agent's spelling.
func externalURL(url string) string {
	scheme, host, _ := strings.Cut(url, "://")
	plain := scheme == "tcp" || scheme == "mqtt"
	if _, _, err := net.SplitHostPort(host); err != nil {
		port := "8883"
		if plain {
			port = "1883"
		}
		host = net.JoinHostPort(strings.Trim(host, "[]/"), port)
	}
	if plain {
		return "mqtt://" + host
	}
	return "mqtts://" + host
}

// WriteBundle writes a bundle's files into dir, readable by their owner only,
// and for the access list of an external broker the password. All are new, or
// none is written. It returns their paths.
func WriteBundle(b bundle.Bundle, cfg Config, dir string) ([]string, error) {
	files := b.Files()
	if cfg.Broker.URL != "" {
		files = append(files, bundle.File{Name: b.Station + ".password", Text: b.Secret.Password() + "\n"})
	}
	paths, err := writeFiles(files, dir)
	if err != nil {
		return paths, fmt.Errorf("enrol %s: %w", b.Station, err)
	}
	return paths, nil
}

func writeFiles(files []bundle.File, dir string) ([]string, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, err
	}
	for _, f := range files {
		path := filepath.Join(dir, f.Name)
		if _, err := os.Lstat(path); !errors.Is(err, os.ErrNotExist) {
			return nil, fmt.Errorf("%s is there already: remove it or choose another folder", path)
		}
	}
	var written []string
	for _, f := range files {
		path := filepath.Join(dir, f.Name)
		if err := writeNew(path, f.Text); err != nil {
			return written, err
		}
		written = append(written, path)
	}
	return written, nil
}

func writeNew(path, text string) (err error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	_, err = f.WriteString(text)
	return err
}
