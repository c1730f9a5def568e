package collector

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"os"
	"strings"

	"github.com/BurntSushi/toml"

	"dewpost/collector/intake"
)

// Config holds facts of the process; what belongs to stations, sites and
// people lives in the store. Keys that are not here are an error.
type Config struct {
	Pages    Pages    `toml:"pages"`
	Stations Stations `toml:"stations"`
	Broker   Broker   `toml:"broker"`
	Store    Store    `toml:"store"`
}

// Pages is where people look.
type Pages struct {
	// Listen is the address of pages and API. There are no accounts yet, so it
	// must be a loopback address. Default 127.0.0.1:8480; port 0 takes a free one.
	Listen string `toml:"listen"`
}

// Stations is the embedded broker. It is not started when [broker] names
// another.
type Stations struct {
	// Listen is the address that agents connect to: loopback, as long as the
	// embedded broker speaks no TLS. Default 127.0.0.1:1883.
	Listen string `toml:"listen"`
}

// Broker is an external MQTT 3.1.1 broker. Leave the whole section out to use
// the embedded one.
type Broker struct {
	// URL as in tcp://127.0.0.1:1883 or ssl://broker.example:8883.
	URL string `toml:"url"`
	// User of the collector: may read all stations' readings, and alone may
	// write receipts and orders. Default collector.
	User string `toml:"user"`
	// PasswordFile holds the password of User.
	PasswordFile string `toml:"password_file"`
	// CAFile holds the certificates (PEM) that the broker's is checked
	// against. Default: those of the system.
	CAFile string `toml:"ca_file"`
	// Plain allows tcp to another host: passwords and readings cross the
	// network in the clear. Default false.
	Plain bool `toml:"plain"`
	// Group names a shared subscription, where several collectors share one
	// broker. Default none.
	Group string `toml:"group"`
}

// Store is where readings and ledger are kept.
type Store struct {
	// Path of the SQLite file. Default dewpost.db in the working directory.
	Path string `toml:"path"`
}

// DefaultConfig is what holds where a config file says nothing.
func DefaultConfig() Config {
	return Config{
		Pages:    Pages{Listen: "127.0.0.1:8480"},
		Stations: Stations{Listen: "127.0.0.1:1883"},
		Broker:   Broker{User: "collector"},
		Store:    Store{Path: "dewpost.db"},
	}
}

// ReadConfig reads a config file over the defaults.
func ReadConfig(path string) (Config, error) {
	cfg := DefaultConfig()
	meta, err := toml.DecodeFile(path, &cfg)
	if err != nil {
		var pe toml.ParseError
		if errors.As(err, &pe) {
			return cfg, fmt.Errorf("config %s: line %d: %s", path, pe.Position.Line, pe.Message)
		}
		return cfg, fmt.Errorf("config: %w", err)
	}
	if unknown := meta.Undecoded(); len(unknown) > 0 {
		return cfg, fmt.Errorf("config %s: key %q is not known: deploy/dewpost.toml lists those that are", path, unknown[0])
	}
	return cfg, nil
}

// check names what can't work.
func (cfg Config) check() error {
	if err := loopback("pages.listen", cfg.Pages.Listen, "there are no accounts yet"); err != nil {
		return err
	}
	if cfg.Broker.URL == "" {
		return loopback("stations.listen", cfg.Stations.Listen, "the embedded broker speaks no TLS yet; use [broker]")
	}
	if cfg.Broker.PasswordFile == "" {
		return errors.New("broker.password_file is missing: name the file that holds the password of broker.user")
	}
	return nil
}

func loopback(key, addr, why string) error {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return fmt.Errorf("%s %q: write host and port, as in 127.0.0.1:8480", key, addr)
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return fmt.Errorf("%s %q: use 127.0.0.1 or [::1]: %s", key, addr, why)
	}
	return nil
}

func (b Broker) intakeConfig() (intake.BrokerConfig, error) {
	cfg := intake.BrokerConfig{URL: b.URL, User: b.User, Plain: b.Plain, Group: b.Group}
	password, err := os.ReadFile(b.PasswordFile)
	if err != nil {
		return cfg, fmt.Errorf("broker.password_file: %w", err)
	}
	cfg.Password = strings.TrimSpace(string(password))
	if b.CAFile == "" {
		return cfg, nil
	}
	pem, err := os.ReadFile(b.CAFile)
	if err != nil {
		return cfg, fmt.Errorf("broker.ca_file: %w", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return cfg, fmt.Errorf("broker.ca_file %s: no certificate in PEM form in it", b.CAFile)
	}
	cfg.TLS = &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}
	return cfg, nil
}
