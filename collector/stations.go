package collector

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"regexp"
	"slices"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/identity"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// lookEvery is how often a collector looks whether a station was retired or
// its secret changed, which another process may do.
const lookEvery = 500 * time.Millisecond

// checkStations names what keeps the embedded broker from listening.
func (cfg Config) checkStations() error {
	local, err := isLoopback("stations.listen", cfg.Stations.Listen)
	if err == nil && !local && !cfg.Stations.Plain && len(cfg.TLS.Names) == 0 {
		err = fmt.Errorf("stations.listen %q: write into tls.names under which names and addresses agents reach this machine, or use 127.0.0.1 or [::1]; stations.plain = true would send passwords in the clear", cfg.Stations.Listen)
	}
	return err
}

// stationsSecure tells whether the embedded broker speaks TLS.
func (cfg Config) stationsSecure() bool {
	local, err := isLoopback("stations.listen", cfg.Stations.Listen)
	if err != nil {
		return false
	}
	if !local {
		return !cfg.Stations.Plain
	}
	host, _, err := net.SplitHostPort(cfg.Stations.Listen)
	return err == nil && slices.Contains(cfg.TLS.Names, host)
}

var hostName = regexp.MustCompile(`^[A-Za-z0-9]([A-Za-z0-9.-]{0,251}[A-Za-z0-9])?$`)

func (t TLS) check() error {
	for _, name := range t.Names {
		if net.ParseIP(name) == nil && !hostName.MatchString(name) {
			return fmt.Errorf("tls.names: %q is no host name and no IP address: write neither port nor brackets", name)
		}
	}
	if (t.CertFile == "") != (t.KeyFile == "") {
		return errors.New("tls.cert_file and tls.key_file: write both, or neither")
	}
	return nil
}

// identityConfig is cfg in the words of package identity.
func (cfg Config) identityConfig() (identity.Config, error) {
	certFile, err := credential("tls.cert_file", cfg.TLS.CertFile)
	if err != nil {
		return identity.Config{}, err
	}
	keyFile, err := credential("tls.key_file", cfg.TLS.KeyFile)
	return identity.Config{Names: cfg.TLS.Names, CertFile: certFile, KeyFile: keyFile}, err
}

// who opens the identity of this machine, once.
func (c *Collector) who(ctx context.Context) (*identity.Identity, error) {
	if c.identity != nil {
		return c.identity, nil
	}
	cfg, err := c.cfg.identityConfig()
	if err != nil {
		return nil, fmt.Errorf("config: %w", err)
	}
	cfg.Log, cfg.Now = c.log, c.now
	c.identity, err = identity.Open(ctx, c.store, cfg, c.now())
	return c.identity, err
}

// prepareStations comes before the first login.
func (c *Collector) prepareStations(ctx context.Context) (err error) {
	if c.decoy, err = newSecret(); err != nil {
		return err
	}
	c.version, err = c.store.StationsVersion(ctx)
	return err
}

func newSecret() (receipt.Secret, error) {
	random := make([]byte, secretBytes)
	if _, err := rand.Read(random); err != nil {
		return receipt.Secret{}, fmt.Errorf("make a secret: %w", err)
	}
	return receipt.NewSecret(random)
}

// authenticate tells whether password is that of a station in service. The
// first login with the secret that is to follow finishes the change. A wrong
// password takes the same work whether or not there is such a station.
func (c *Collector) authenticate(ctx context.Context, station string, password []byte) (by string, ok bool) {
	if station == record.WatchStation { // nobody else can have the name
		return loginBy(c.rounds.secret), c.watching() && opens(c.rounds.secret, password)
	}
	st, err := c.store.Station(ctx, station)
	if err != nil && !errors.Is(err, record.ErrNotFound) {
		c.log.Error("a login can't be checked", "station", station, "error", err)
		return "", false
	}
	current, next := c.decoy, c.decoy
	if err == nil && st.Retired == 0 {
		current = st.Secret
		if !st.Next.IsZero() {
			next = st.Next
		}
	}
	byCurrent, byNext := opens(current, password), opens(next, password)
	switch {
	case current == c.decoy:
		return "", false
	case byCurrent:
		return loginBy(current), true
	case !byNext || next == c.decoy:
		return "", false
	}
	if err := c.store.FinishSecret(ctx, st, unit.At(c.now()), station); err != nil {
		c.log.Error("a station came with its new secret, and the change can't be finished", "station", station, "error", err)
		return "", false
	}
	c.intake.ForgetSecrets()
	c.log.Info("a station came with its new secret; the one before is worthless", "station", station)
	return loginBy(next), true
}

func opens(s receipt.Secret, password []byte) bool {
	return subtle.ConstantTimeCompare([]byte(s.Password()), password) == 1
}

// loginBy names a secret without telling it.
func loginBy(s receipt.Secret) string {
	sum := sha256.Sum256([]byte(s.Password()))
	return hex.EncodeToString(sum[:8])
}

// orderPublisher passes orders on.
type orderPublisher interface {
	PublishOrder(station string, payload []byte) error
}

// passOrders publishes each station's newest order, if it still holds. Orders are
// signed here and not when they are given, so that a station with a new secret
// gets them once more. An agent carries out none twice.
func (c *Collector) passOrders(ctx context.Context, stations []record.Station) error {
	now := c.now()
	orders, err := c.store.Orders(ctx, unit.At(now.Add(-books.LongestOrder)))
	if err != nil {
		return err
	}
	newest := make(map[string]*record.Order)
	for i := range orders {
		newest[orders[i].Station] = &orders[i]
	}
	var to orderPublisher = c.front
	if c.external != nil {
		to = c.external
	}
	for i := range stations {
		st := &stations[i]
		o := newest[st.ID]
		if o == nil || st.Retired != 0 || unit.At(now) >= o.Until {
			continue
		}
		signed, err := st.Secret.NewOrder(st.ID, o.ID, o.Until.Time(), o.Body)
		if err != nil {
			return err
		}
		payload, err := json.Marshal(signed)
		if err != nil {
			return err
		}
		if err := to.PublishOrder(st.ID, payload); err != nil {
			return err
		}
	}
	return nil
}

// watchStations ends the connections of stations that were retired or have
// another secret, lets receipts be signed with that, and passes on the orders
// that stations were given.
func (c *Collector) watchStations(ctx context.Context, ask <-chan struct{}) error {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	failing := false
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-ask:
			continue
		case <-tick.C:
		}
		changed, version, err := c.store.ChangedStations(ctx, c.version)
		if store.Over(err) {
			return err
		}
		if err != nil {
			if !failing && ctx.Err() == nil {
				c.log.Error("changed stations can't be looked up; it goes on trying", "error", err)
			}
			failing = true
			continue
		}
		if len(changed) == 0 {
			failing = false
			continue
		}
		c.intake.ForgetSecrets()
		c.cut(changed)
		if err := c.passOrders(ctx, changed); err != nil {
			if !failing && ctx.Err() == nil {
				c.log.Error("orders can't be passed on; it goes on trying", "error", err)
			}
			failing = true
			continue
		}
		c.version, failing = version, false
	}
}

// cut ends the connections at the embedded broker that are good by a password
// that is worthless now.
func (c *Collector) cut(changed []record.Station) {
	if c.front == nil {
		return
	}
	for i := range changed {
		var keep []string
		if st := &changed[i]; st.Retired == 0 {
			keep = append(keep, loginBy(st.Secret))
			if !st.Next.IsZero() { // a login may have finished the change since it was looked up
				keep = append(keep, loginBy(st.Next))
			}
		}
		c.front.Cut(changed[i].ID, keep...)
	}
}
