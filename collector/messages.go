package collector

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strings"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/notify"
	"dewpost/collector/notify/mail"
	"dewpost/collector/notify/topic"
	"dewpost/collector/notify/webhook"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/collector/watch"
	"dewpost/collector/web"
	"dewpost/collector/words"
	"dewpost/rules/alarm"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// Mail is how messages leave by e-mail. Leave the whole section out to send
// none.
type Mail struct {
	// Server is host and port, as in smtp.example:587. At port 465 it speaks TLS
	// from the first byte on, else it must offer STARTTLS, unless it is this
	// machine.
	Server string `toml:"server"`
	// From is the sender's address.
	From string `toml:"from"`
	// User of the server. Default: From, if there is a password; else none.
	User string `toml:"user"`
	// PasswordFile holds the password of User.
	PasswordFile string `toml:"password_file"`
	// CAFile holds the certificates (PEM) that the server's is checked against.
	// Default: those of the system.
	CAFile string `toml:"ca_file"`
	// Plain allows mail without TLS where the server offers none: messages and
	// the password cross the network in the clear. Default false.
	Plain bool `toml:"plain"`
}

// Messages says what holds for all that people are told.
type Messages struct {
	// Pages is the address under which people reach the pages, as in
	// https://watch.example: links in messages, on paper and in calendars begin
	// with it. Default: that of pages.listen off loopback; on loopback messages
	// have no links.
	Pages string `toml:"pages"`
	// Private are networks and addresses that are not public, and to which
	// webhooks may go all the same. Default none.
	Private []string `toml:"private"`
}

// Watch is who watches the watcher.
type Watch struct {
	// Every is the time between two readings of the artificial station. Default
	// 1m; 0s switches the watch off.
	Every Duration `toml:"every"`
	// Call is a URL that is called (POST) whenever such a reading has come from
	// the broker to the outbox: of another dewpost (dewpost watch add), or of
	// whoever misses it when it stays away. Default none.
	Call string `toml:"call"`
}

// Duration is a time span as it stands in a config, such as 1m.
type Duration time.Duration

// UnmarshalText reads it.
func (d *Duration) UnmarshalText(text []byte) error {
	v, err := time.ParseDuration(string(text))
	if err != nil {
		return fmt.Errorf("%q: write a time span, such as 1m", text)
	}
	*d = Duration(v)
	return nil
}

// watchMost is the longest time between two rounds.
const watchMost = Duration(time.Hour)

func (m Mail) check() error {
	switch {
	case m.Server == "" && m == (Mail{}):
		return nil
	case m.Server == "":
		return errors.New("mail.server is missing: write host and port, as in smtp.example:587")
	case m.From == "":
		return errors.New("mail.from is missing: write the address from which messages come")
	case m.User != "" && m.PasswordFile == "":
		return errors.New("mail.password_file is missing: name the file that holds the password of mail.user")
	}
	_, err := mail.New(mail.Config{Server: m.Server, From: m.From})
	return err
}

// way makes the way by e-mail.
func (m Mail) way() (*mail.Mail, error) {
	cfg := mail.Config{Server: m.Server, From: m.From, User: m.User, Plain: m.Plain, Patience: 30 * time.Second}
	if m.PasswordFile != "" {
		password, err := readFile("mail.password_file", m.PasswordFile)
		if err != nil {
			return nil, err
		}
		cfg.Password = strings.TrimSpace(string(password))
		if cfg.User == "" {
			cfg.User = m.From
		}
	}
	if m.CAFile != "" {
		text, err := readFile("mail.ca_file", m.CAFile)
		if err != nil {
			return nil, err
		}
		cfg.TLS = &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: x509.NewCertPool()}
		if !cfg.TLS.RootCAs.AppendCertsFromPEM(text) {
			return nil, fmt.Errorf("mail.ca_file %s: no certificate in PEM form in it", m.CAFile)
		}
		if cfg.TLS.ServerName, _, err = net.SplitHostPort(m.Server); err != nil {
			return nil, fmt.Errorf("mail.server %q: %w", m.Server, err)
		}
	}
	return mail.New(cfg)
}

func (m Messages) check() error {
	if m.Pages != "" {
		u, err := url.Parse(m.Pages)
		if err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Host == "" || u.RawQuery != "" || u.Fragment != "" || u.User != nil || strings.Trim(u.Path, "/") != "" {
			return fmt.Errorf("messages.pages %q: write the address of the pages without a path, as in https://watch.example", m.Pages)
		}
	}
	_, err := m.private()
	return err
}

func (m Messages) private() ([]netip.Prefix, error) {
	var list []netip.Prefix
	for _, text := range m.Private {
		p, err := netip.ParsePrefix(text)
		if err != nil {
			var a netip.Addr
			if a, err = netip.ParseAddr(text); err == nil {
				p = netip.PrefixFrom(a, a.BitLen())
			}
		}
		if err != nil {
			return nil, fmt.Errorf("messages.private: %q is no network and no address: write 192.168.1.0/24 or 192.168.1.20", text)
		}
		list = append(list, p)
	}
	return list, nil
}

func (w Watch) check() error {
	if w.Every != 0 && (w.Every < Duration(100*time.Millisecond) || w.Every > watchMost) {
		return fmt.Errorf("watch.every %q: write up to 1h, or 0s for none", time.Duration(w.Every))
	}
	if w.Call == "" {
		return nil
	}
	u, err := url.Parse(w.Call)
	switch {
	case err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Host == "":
		return errors.New("watch.call: write a URL, as dewpost watch add prints it")
	case w.Every == 0:
		return errors.New("watch.call: nothing would ever be called: watch.every is 0s")
	}
	return nil
}

// source names the installation in CloudEvents.
func (cfg Config) source() string {
	switch {
	case cfg.Messages.Pages != "":
		return strings.TrimSuffix(cfg.Messages.Pages, "/")
	case len(cfg.TLS.Names) > 0:
		return "urn:dewpost:" + cfg.TLS.Names[0]
	}
	return "urn:dewpost:workshop"
}

// Ways returns the ways to people that the config sets up, but for MQTT, which
// needs the collector's own connection to the broker.
func (cfg Config) Ways() (map[record.ChannelKind]notify.Way, error) {
	ways := make(map[record.ChannelKind]notify.Way)
	if cfg.Mail.Server != "" {
		way, err := cfg.Mail.way()
		if err != nil {
			return nil, fmt.Errorf("config: %w", err)
		}
		ways[record.Mail] = way
	}
	private, err := cfg.Messages.private()
	if err != nil {
		return nil, fmt.Errorf("config: %w", err)
	}
	ways[record.Webhook] = webhook.New(webhook.Config{Source: cfg.source(), Private: private, Now: time.Now})
	return ways, nil
}

// messageKey is what the key that signs links in messages is kept under.
const messageKey = "message key"

// openKey returns the key that signs links in messages; the first collector
// makes it.
func openKey(ctx context.Context, s *store.Store, now time.Time) ([]byte, error) {
	text, err := s.Identity(ctx, messageKey)
	if errors.Is(err, record.ErrNotFound) {
		key := make([]byte, 32)
		rand.Read(key) //nolint:errcheck // never fails
		fresh := string(pem.EncodeToMemory(&pem.Block{Type: "DEWPOST MESSAGE KEY", Bytes: key}))
		if err = s.AddIdentity(ctx, messageKey, fresh, unit.At(now), "collector"); err == nil {
			text, err = s.Identity(ctx, messageKey)
		}
	}
	if err != nil {
		return nil, err
	}
	block, _ := pem.Decode([]byte(text))
	if block == nil {
		return nil, errors.New("the key that signs links in messages can't be read")
	}
	return block.Bytes, nil
}

// openMessages makes what brings messages to people, and the watch.
func (c *Collector) openMessages(ask func(string) <-chan struct{}) error {
	ways, err := c.cfg.Ways()
	if err != nil {
		return err
	}
	if c.external != nil {
		ways[record.MQTT] = topic.New(topic.Config{Publish: c.external.Publish, Source: c.cfg.source()})
	}
	pages := strings.TrimSuffix(c.cfg.Messages.Pages, "/")
	if pages == "" && c.secure {
		pages = c.PagesURL()
	}
	cfg := notify.Config{
		Store: c.store, Nobody: notify.Log{Logger: c.log}, Ways: ways, Meaning: meaning, Cause: cause, Rests: words.English.EvidenceLines, Place: c.place, Heard: c.heard, Now: c.now, Log: c.log,
		Pages: pages, Key: c.key, Ask: ask("sender of notices"), OnDuty: c.store.OnDuty,
	}
	if c.watching() {
		every := time.Duration(c.cfg.Watch.Every)
		cfg.Run, cfg.Rounds = c.rounds.run, int64(24*time.Hour/every)
		cfg.Told = func(list []record.Round) { c.watch.Arrived(list) }
		c.watch = watch.New(watch.Config{
			Every: every, Run: c.rounds.run, Publish: c.publishRound, Call: c.cfg.Watch.Call, Now: c.now, Log: c.log,
			Stuck: c.stuck, Ask: ask("way from a station to a notice"),
			Client: &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }},
		})
	}
	c.sender = notify.New(cfg)
	return nil
}

// messages is what the pages need of who is told what.
func (c *Collector) messages() *web.Messages {
	return &web.Messages{
		People: books.NewPeople(c.store), Told: c.store.Told, Message: c.store.Message, Notice: c.store.Notice, Called: c.store.PeerCalled, Key: c.key,
		Try: func(ctx context.Context, p record.Person, nonce string, now unit.Instant) error {
			for i := range p.Channels {
				n, d, err := notify.Trial(&p, i, nonce, now)
				if err == nil {
					err = c.store.AddNotice(ctx, n, []record.Delivery{d})
				}
				if err != nil {
					return err
				}
			}
			c.sender.Wake()
			return nil
		},
	}
}

// meaning puts together what is said of a kind of finding.
func meaning(kind finding.Kind) notify.Meaning {
	w := words.Of(kind)
	return notify.Meaning{Name: w.Name, Action: w.Action, Else: w.Else, Caution: w.Caution}
}

// cause puts together what is said of a common cause.
func cause(scope alarm.Scope) notify.Meaning {
	w := words.OfCause(scope)
	return notify.Meaning{Name: w.Name, Verdict: w.Verdict, Action: w.Action, Else: w.Else, Caution: w.Caution}
}

// place tells where a station hangs now.
func (c *Collector) place(ctx context.Context, station string) (notify.Place, error) {
	p := notify.Place{Name: station}
	facts, err := c.store.Facts(ctx, fact.Subject{Kind: fact.KindStation, ID: station})
	if err != nil {
		return p, err
	}
	now := unit.At(c.now())
	if name, ok := fact.At(facts, fact.Name, now); ok {
		p.Name = name
	}
	site, ok := fact.At(facts, fact.Site, now)
	if !ok || site == fact.None {
		return p, nil
	}
	p.Site, p.SiteName = site, site
	facts, err = c.store.Facts(ctx, fact.Subject{Kind: fact.KindSite, ID: site})
	if name, ok := fact.At(facts, fact.Name, now); ok {
		p.SiteName = name
	}
	return p, err
}

// heard counts the stations in service whose newest reading is as fresh as it
// should be.
func (c *Collector) heard(ctx context.Context) (notify.Heard, error) {
	var n notify.Heard
	stations, err := c.store.Stations(ctx)
	if err != nil {
		return n, err
	}
	latest, err := c.store.Latest(ctx)
	if err != nil {
		return n, err
	}
	now := unit.At(c.now())
	for i := range stations {
		if stations[i].Retired != 0 {
			continue
		}
		n.Of++
		last, ok := latest[stations[i].ID]
		if !ok {
			continue
		}
		facts, err := c.store.Facts(ctx, fact.Subject{Kind: fact.KindStation, ID: stations[i].ID})
		if err != nil {
			return n, err
		}
		if now.Sub(last) <= fact.SilenceSince(facts, last, now) {
			n.Heard++
		}
	}
	return n, nil
}

// stuckAfter is how long after its first attempt an urgent message that nobody
// took says that nobody can be told of anything: as long as one attempt may
// take, and no longer, for all of it must be known within three minutes.
const stuckAfter = 30 * time.Second

// counts of deliveries; where the watch is quicker, so is what counts as stuck.
func (c *Collector) counts(ctx context.Context) (record.NoticeCounts, error) {
	after := stuckAfter
	if c.watching() {
		after = min(after, time.Duration(c.cfg.Watch.Every)/2)
	}
	return c.store.NoticeCounts(ctx, unit.At(c.now().Add(-after)))
}

func (c *Collector) stuck(ctx context.Context) (int64, error) {
	n, err := c.counts(ctx)
	return n.Stuck, err
}

func (c *Collector) deliveries(pick func(record.NoticeCounts) int64) func(context.Context) (float64, error) {
	return func(ctx context.Context) (float64, error) {
		n, err := c.counts(ctx)
		return float64(pick(n)), err
	}
}

// rounds is what the artificial station has of its own, as long as the
// collector runs.
type rounds struct {
	run    string
	secret receipt.Secret
}

func (c *Collector) watching() bool { return c.cfg.Watch.Every != 0 }

// prepareRounds comes before the artificial station's first login.
func (c *Collector) prepareRounds() (err error) {
	run := make([]byte, 8)
	rand.Read(run) //nolint:errcheck // never fails
	c.rounds.run = hex.EncodeToString(run)
	c.rounds.secret, err = newSecret()
	return err
}

// publishRound hands a reading of the artificial station to the broker: to the
// embedded one over a connection of its own, as a station does. An external one
// knows the collector by its name, and would end its other connection.
func (c *Collector) publishRound(ctx context.Context, payload []byte) error {
	to := receipt.Topic(record.WatchStation, receipt.LeafReadings)
	if c.external != nil {
		return c.external.Publish(ctx, to, payload)
	}
	at, err := c.stationsAt(ctx)
	if err == nil {
		err = watch.Publish(ctx, at, to, payload)
	}
	if err != nil {
		return fmt.Errorf("broker %s: %w", at.Addr, err)
	}
	return nil
}

// stationsAt says how the artificial station reaches the embedded broker.
func (c *Collector) stationsAt(ctx context.Context) (watch.Broker, error) {
	at := watch.Broker{User: record.WatchStation, Password: c.rounds.secret.Password()}
	host, port, err := net.SplitHostPort(c.front.Addr())
	if err != nil {
		return at, err
	}
	if ip := net.ParseIP(host); ip == nil || ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	at.Addr = net.JoinHostPort(host, port)
	if !c.cfg.stationsSecure() {
		return at, nil
	}
	id, err := c.who(ctx)
	if err != nil {
		return at, err
	}
	at.TLS = &tls.Config{MinVersion: tls.VersionTLS13, ServerName: c.cfg.TLS.Names[0]}
	if authority := id.AuthorityPEM(); len(authority) > 0 {
		at.TLS.RootCAs = x509.NewCertPool()
		at.TLS.RootCAs.AppendCertsFromPEM(authority)
	}
	return at, nil
}

// WatchedURL is where an installation that is watched calls.
func (cfg Config) WatchedURL(key string) string {
	base := strings.TrimSuffix(cfg.Messages.Pages, "/")
	if base == "" {
		host, scheme := cfg.Pages.Listen, "http"
		local, err := isLoopback("pages.listen", host)
		if err == nil && !local && !cfg.Pages.Plain {
			scheme = "https"
			if _, port, err := net.SplitHostPort(host); err == nil && len(cfg.TLS.Names) > 0 {
				host = net.JoinHostPort(cfg.TLS.Names[0], port)
			}
		}
		base = scheme + "://" + host
	}
	scheme, rest, _ := strings.Cut(base, "://")
	return scheme + "://watch:" + key + "@" + rest + "/api/v1/watched"
}
