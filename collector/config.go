package collector

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/BurntSushi/toml"

	"dewpost/collector/intake"
	"dewpost/collector/record"
	"dewpost/collector/store"
)

// Config holds facts of the process; what belongs to stations, sites and
// people lives in the store. Keys that are not here are an error.
type Config struct {
	Pages    Pages    `toml:"pages"`
	Stations Stations `toml:"stations"`
	Broker   Broker   `toml:"broker"`
	Store    Store    `toml:"store"`
	Keep     Keep     `toml:"keep"`
	Export   Export   `toml:"export"`
	TLS      TLS      `toml:"tls"`
	Mail     Mail     `toml:"mail"`
	Messages Messages `toml:"messages"`
	Watch    Watch    `toml:"watch"`

	// Everybody is a role that everybody has who reaches the pages, where
	// nobody signs in: for a demo within another program, on loopback only.
	// There is no key for it.
	Everybody record.Role `toml:"-"`

	// Ask lets somebody ask whether the collector goes on. It is called with the
	// name of each loop before that begins, and gives the channel from which the
	// loop then receives for as long as the collector runs: between two pieces of
	// its work it takes what is sent. Nil for nobody. There is no key for it.
	Ask func(loop string) <-chan struct{} `toml:"-"`
}

// Pages is where people look.
type Pages struct {
	// Listen is the address of pages and API. Off loopback there must be an
	// account, and they speak TLS. Default 127.0.0.1:8480; port 0 takes a free
	// one.
	Listen string `toml:"listen"`
	// Plain allows pages without TLS off loopback, for a proxy in front that
	// adds it. It must pass on Host; what else it says of where a request came
	// from is not believed. Default false.
	Plain bool `toml:"plain"`
}

// TLS is how this machine is known to others. A listener on loopback speaks no
// TLS; that of stations does if its address is among the names.
type TLS struct {
	// Names are the host names and IP addresses under which agents and people
	// reach this machine; needed off loopback. Agents are given the first. Pages
	// answer to these host names only, to any IP address, and to localhost.
	Names []string `toml:"names"`
	// CertFile is a certificate chain of your own (PEM) instead of the one that
	// dewpost makes; at its end the authority, unless every system knows it. It
	// is read again when it changes.
	CertFile string `toml:"cert_file"`
	// KeyFile is its key. A path credential:NAME, here and with the other
	// files, is the file NAME among those that systemd hands the service.
	KeyFile string `toml:"key_file"`
}

// Stations is the embedded broker. It is not started when [broker] names
// another.
type Stations struct {
	// Listen is the address that agents connect to. Off loopback it speaks TLS
	// 1.3. Default 127.0.0.1:1883.
	Listen string `toml:"listen"`
	// Plain allows agents without TLS off loopback: readings and passwords
	// cross the network in the clear. Default false.
	Plain bool `toml:"plain"`
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
	// URL of a PostgreSQL database instead of the file, as in
	// postgres://dewpost@db.example/dewpost?sslmode=verify-full&passfile=credential:pgpass.
	// It holds no password. sslmode must be said off this machine.
	URL string `toml:"url"`
}

// Where returns what names the store: a path or a URL.
func (s Store) Where() (string, error) {
	if s.URL == "" {
		return s.Path, nil
	}
	if !store.IsURL(s.URL) {
		return "", fmt.Errorf("store.url %q: write it as in postgres://dewpost@db.example/dewpost?sslmode=verify-full; for a file use store.path", store.Shown(s.URL))
	}
	u, err := url.Parse(s.URL)
	if err != nil {
		return "", fmt.Errorf("store.url: write it as in postgres://dewpost@db.example/dewpost?sslmode=verify-full")
	}
	q := u.Query()
	for _, name := range []string{"passfile", "sslcert", "sslkey", "sslrootcert"} {
		if !q.Has(name) {
			continue
		}
		path, err := credential("store.url: "+name, q.Get(name))
		if err != nil {
			return "", err
		}
		q.Set(name, path)
	}
	u.RawQuery = q.Encode()
	return u.String(), nil
}

// DefaultConfig is what holds where a config file says nothing.
func DefaultConfig() Config {
	return Config{
		Pages:    Pages{Listen: "127.0.0.1:8480"},
		Stations: Stations{Listen: "127.0.0.1:1883"},
		Broker:   Broker{User: "collector"},
		Store:    Store{Path: "dewpost.db"},
		TLS:      TLS{Names: []string{}},
		Messages: Messages{Private: []string{}},
		Watch:    Watch{Every: Duration(time.Minute)},
		Export:   Export{What: []string{record.FeedHours}, Every: Duration(time.Minute), Lines: 5000, Gzip: true},
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
	_, err := cfg.Store.Where()
	if err := errors.Join(err, cfg.TLS.check(), cfg.checkPages(), cfg.Mail.check(), cfg.Messages.check(), cfg.Watch.check(), cfg.Export.check()); err != nil {
		return err
	}
	if cfg.Broker.URL == "" {
		return cfg.checkStations()
	}
	if cfg.Broker.PasswordFile == "" {
		return errors.New("broker.password_file is missing: name the file that holds the password of broker.user")
	}
	return nil
}

// checkPages leaves to Open what the store must say: whether there is an
// account.
func (cfg Config) checkPages() error {
	local, err := isLoopback("pages.listen", cfg.Pages.Listen)
	switch {
	case err != nil || local:
		return err
	case cfg.Everybody != 0:
		return fmt.Errorf("pages.listen %q: use 127.0.0.1 or [::1]: nobody signs in here", cfg.Pages.Listen)
	case !cfg.Pages.Plain && len(cfg.TLS.Names) == 0:
		return fmt.Errorf("pages.listen %q: use 127.0.0.1 or [::1], or write into tls.names under which names and addresses people reach this machine, or set pages.plain = true behind a proxy that adds TLS", cfg.Pages.Listen)
	}
	return nil
}

// isLoopback tells whether only this machine can reach an address.
func isLoopback(key, addr string) (bool, error) {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return false, fmt.Errorf("%s %q: write host and port, as in 127.0.0.1:8480", key, addr)
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback(), nil
}

func (b Broker) intakeConfig() (intake.BrokerConfig, error) {
	cfg := intake.BrokerConfig{
		URL: b.URL, User: b.User, Plain: b.Plain, Group: b.Group,
		TLS: &tls.Config{MinVersion: tls.VersionTLS13},
	}
	password, err := readFile("broker.password_file", b.PasswordFile)
	if err != nil {
		return cfg, err
	}
	cfg.Password = strings.TrimSpace(string(password))
	authority, err := b.authority()
	if err != nil || authority == nil {
		return cfg, err
	}
	cfg.TLS.RootCAs = x509.NewCertPool()
	cfg.TLS.RootCAs.AppendCertsFromPEM(authority)
	return cfg, nil
}

// authority returns the certificates (PEM) that the broker's is checked
// against, nil for those of the system.
func (b Broker) authority() ([]byte, error) {
	if b.CAFile == "" {
		return nil, nil
	}
	pem, err := readFile("broker.ca_file", b.CAFile)
	if err != nil {
		return nil, err
	}
	if !x509.NewCertPool().AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("broker.ca_file %s: no certificate in PEM form in it", b.CAFile)
	}
	return pem, nil
}

// readFile reads a file that the config names under key.
func readFile(key, path string) ([]byte, error) {
	path, err := credential(key, path)
	if err != nil {
		return nil, err
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", key, err)
	}
	return text, nil
}

// credential returns where a file is that the config names under key.
func credential(key, path string) (string, error) {
	name, ok := strings.CutPrefix(path, "credential:")
	if !ok {
		return path, nil
	}
	if name == "" || name != filepath.Base(name) {
		return "", fmt.Errorf("%s %q: write the name of a credential, as in credential:broker-password", key, path)
	}
	dir := os.Getenv("CREDENTIALS_DIRECTORY")
	if dir == "" {
		return "", fmt.Errorf("%s %q: systemd has handed over no credentials: add LoadCredential=%s:FILE to the unit, or name a file here", key, path, name)
	}
	return filepath.Join(dir, name), nil
}
