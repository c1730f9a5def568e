package notify_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	crand "crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/big"
	"math/rand/v2"
	"net"
	"net/http"
	"net/netip"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-smtp"
	"github.com/stretchr/testify/require"

	"dewpost/collector/notify"
	"dewpost/collector/notify/mail"
	"dewpost/collector/notify/webhook"
	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// fault is how a server does at a time.
type fault string

const (
	sound   fault = "sound"
	refused fault = "refused"    // nobody listens
	hangs   fault = "hangs"      // takes a connection, and says nothing more
	later   fault = "4xx"        // not now
	never   fault = "5xx"        // not at all
	forged  fault = "tls"        // with a certificate of somebody else
	lost    fault = "reply lost" // takes it, and is gone before it says so
)

var faults = []fault{refused, hangs, later, never, forged, lost}

// place is a server, for mail or for webhooks, with real connections.
type place struct {
	t       *testing.T
	addr    string
	good    *tls.Config
	foreign *tls.Config
	serve   func(net.Listener) // until the listener ends

	mu       sync.Mutex
	is       fault
	listener net.Listener
	took     map[string]int // by id
	lost     int            // taken, and not said
	ended    sync.WaitGroup
}

func (p *place) state() fault {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.is
}

func (p *place) take(id string) (say bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.took[id]++
	if p.is == lost {
		p.lost++
	}
	return p.is != lost
}

// become changes how it does.
func (p *place) become(is fault) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.is = is
	if is == refused {
		if p.listener != nil {
			require.NoError(p.t, p.listener.Close())
			p.listener = nil
		}
		return
	}
	if p.listener != nil {
		return
	}
	addr := p.addr
	if addr == "" {
		addr = "127.0.0.1:0"
	}
	var err error
	require.Eventually(p.t, func() bool { p.listener, err = net.Listen("tcp", addr); return err == nil }, 10*time.Second, time.Millisecond)
	p.addr = p.listener.Addr().String()
	l := p.listener
	p.ended.Go(func() { p.serve(l) })
}

// config is TLS as the server does it now.
func (p *place) config() *tls.Config {
	return &tls.Config{MinVersion: tls.VersionTLS12, GetConfigForClient: func(*tls.ClientHelloInfo) (*tls.Config, error) {
		if p.state() == forged {
			return p.foreign, nil
		}
		return p.good, nil
	}}
}

// waits holds a server that hangs, until whoever waits has gone.
func (p *place) waits(conn net.Conn) {
	_, _ = io.Copy(io.Discard, conn)
}

// NewSession, and the session's methods, are a mail server.
func (p *place) NewSession(c *smtp.Conn) (smtp.Session, error) { return &letterbox{p, c}, nil }

type letterbox struct {
	p *place
	c *smtp.Conn
}

func (b *letterbox) Mail(string, *smtp.MailOptions) error {
	switch b.p.state() {
	case hangs:
		b.p.waits(b.c.Conn())
	case later:
		return &smtp.SMTPError{Code: 451, Message: "later"}
	case never:
		return &smtp.SMTPError{Code: 554, Message: "never"}
	}
	return nil
}

func (b *letterbox) Rcpt(string, *smtp.RcptOptions) error { return nil }

func (b *letterbox) Data(r io.Reader) error {
	text, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	_, id, _ := strings.Cut(string(text), "Message-ID: <")
	id, _, _ = strings.Cut(id, "@")
	if !b.p.take(id) {
		return b.c.Conn().Close()
	}
	return nil
}

func (b *letterbox) Reset()        {}
func (b *letterbox) Logout() error { return nil }

// ServeHTTP is a receiver of webhooks.
func (p *place) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	_, _ = io.Copy(io.Discard, r.Body)
	switch p.state() {
	case hangs:
		<-r.Context().Done()
	case later:
		w.Header().Set("Retry-After", "90")
		w.WriteHeader(http.StatusTooManyRequests)
	case never:
		w.WriteHeader(http.StatusInternalServerError)
	default:
		if !p.take(strings.TrimPrefix(r.Header.Get("Webhook-Id"), "msg_")) {
			panic(http.ErrAbortHandler)
		}
	}
}

func newPlace(t *testing.T, pool *x509.CertPool, mails bool) *place {
	t.Helper()
	p := &place{t: t, took: map[string]int{}, good: authority(t, pool), foreign: authority(t, x509.NewCertPool())}
	if mails {
		p.serve = func(l net.Listener) {
			s := smtp.NewServer(p)
			s.Domain, s.TLSConfig, s.ErrorLog = "mail.example", p.config(), quiet{}
			_ = s.Serve(l)
			_ = s.Close()
		}
	} else {
		p.serve = func(l net.Listener) {
			s := http.Server{Handler: p, ReadHeaderTimeout: time.Minute, ErrorLog: slog.NewLogLogger(slog.DiscardHandler, slog.LevelError)}
			_ = s.Serve(tls.NewListener(l, p.config()))
			_ = s.Close()
		}
	}
	p.become(sound)
	t.Cleanup(func() {
		p.become(refused)
		p.ended.Wait()
	})
	return p
}

type quiet struct{}

func (quiet) Printf(string, ...any) {}
func (quiet) Println(...any)        {}

// authority makes a certificate for 127.0.0.1 that pool trusts.
func authority(t *testing.T, pool *x509.CertPool) *tls.Config {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), crand.Reader)
	require.NoError(t, err)
	c := &x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(crand.Reader, c, c, &key.PublicKey, key)
	require.NoError(t, err)
	parsed, err := x509.ParseCertificate(der)
	require.NoError(t, err)
	pool.AddCert(parsed)
	return &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}
}

// hasty is a way that has less patience than in earnest.
type hasty struct{ notify.Way }

func (h hasty) Send(ctx context.Context, to record.Channel, p *notify.Parcel) error {
	ctx, cancel := context.WithTimeout(ctx, 300*time.Millisecond)
	defer cancel()
	return h.Way.Send(ctx, to, p)
}

// crashing is a store whose program is killed when a delivery was taken and not
// noted.
type crashing struct {
	notify.Store
	now     func() unit.Instant
	mu      sync.Mutex
	due     bool // to be killed
	dead    bool
	first   map[string]unit.Instant // by event and person, when a channel took it
	crashes int
}

func (c *crashing) DeliveryTaken(ctx context.Context, d record.Delivery, at unit.Instant) error {
	c.mu.Lock()
	k := fmt.Sprint(d.Event, " ", d.Person)
	if _, ok := c.first[k]; !ok {
		c.first[k] = c.now()
	}
	if c.due && !c.dead {
		c.due, c.dead = false, true
		c.crashes++
		c.mu.Unlock()
		return errKilled
	}
	c.mu.Unlock()
	return c.Store.DeliveryTaken(ctx, d, at)
}

// TestAlarmsDelivered sends messages of some weeks to two people by mail and by
// webhook, whose servers fail in every way for minutes or hours, from a program
// that is killed between sending and noting it, again and again.
func TestAlarmsDelivered(t *testing.T) {
	events, seed := 60, uint64(1)
	if os.Getenv("PROOF_SCALE") == "full" {
		events = 300
	}
	if n, err := strconv.Atoi(os.Getenv("PROOF_N")); err == nil {
		events = n
	}
	if n, err := strconv.ParseUint(os.Getenv("PROOF_SEED"), 10, 64); err == nil {
		seed = n
	}
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 5))
	d := newDesk(t)
	pool := x509.NewCertPool()
	office, hook := newPlace(t, pool, true), newPlace(t, pool, false)
	way, err := mail.New(mail.Config{Server: office.addr, From: "dewpost@otter-lane.example", TLS: &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: pool, ServerName: "127.0.0.1"}})
	require.NoError(t, err)
	client := webhook.Client([]netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")})
	client.Transport.(*http.Transport).TLSClientConfig = &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: pool}
	d.cfg.Ways = map[record.ChannelKind]notify.Way{
		record.Mail:    hasty{way},
		record.Webhook: hasty{webhook.New(webhook.Config{Source: "urn:dewpost:proof", Now: func() time.Time { return d.now.Time() }, Client: client})},
	}
	d.cfg.Log = slog.New(slog.DiscardHandler)
	store := &crashing{Store: d.store, now: func() unit.Instant { return d.now }, first: map[string]unit.Instant{}}
	d.used = store
	d.restart()
	mailed := record.Channel{Kind: record.Mail, Address: "ida@workshop.example"}
	hooked := record.Channel{Kind: record.Webhook, Address: "https://" + hook.addr + "/", Secret: "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"}
	people := map[string]int64{}
	for name, channels := range map[string][]record.Channel{"Ida": {mailed, hooked}, "Ben": {hooked, mailed}} {
		people[name] = d.person(name, func(p *record.Person) { p.PassOn, p.Channels = 0, channels })
	}

	// Each server fails about a tenth of the time.
	change := map[*place]unit.Instant{office: d.now, hook: d.now}
	made := map[string]unit.Instant{}
	var urgent []string
	kinds := []finding.Kind{finding.WaterInside, finding.WaterInside, finding.BoardWet}
	next := d.now
	step := func() {
		for _, p := range []*place{office, hook} {
			if d.now < change[p] {
				continue
			}
			is, long := sound, time.Duration(random.Int64N(int64(12*time.Hour)))
			if p.state() == sound {
				is, long = faults[random.IntN(len(faults))], time.Duration(random.ExpFloat64()*float64(40*time.Minute))
			}
			p.become(is)
			change[p] = d.now.Add(long)
		}
		require.NoError(t, d.sender.Step(t.Context(), d.now))
		d.sender.Settle()
		store.mu.Lock()
		dead := store.dead
		store.dead = false
		store.mu.Unlock()
		if dead {
			d.restart()
		}
	}
	for n := range events {
		for d.now < next {
			step()
			d.now = min(next, soonest(t, d, next, change))
		}
		kind := kinds[random.IntN(len(kinds))]
		event := d.find("lake-07", kind)
		made[event] = d.now
		if kind == finding.WaterInside {
			urgent = append(urgent, event)
		}
		store.mu.Lock()
		store.due = store.due || n%5 == 0
		store.mu.Unlock()
		next = d.now.Add(time.Duration(random.ExpFloat64() * float64(2*time.Hour)))
	}
	for end := d.now.Add(6 * 24 * time.Hour); d.now < end; {
		step()
		if counts, err := d.store.NoticeCounts(t.Context(), d.now); err == nil && counts.Waiting == 0 {
			break
		}
		d.now = soonest(t, d, end, change)
	}

	missing, repeats := 0, 0
	for event := range made {
		for name := range people {
			id := (&notify.Parcel{Person: name}).ID(event)
			if office.took[id]+hook.took[id] == 0 {
				missing++
			}
			repeats += max(0, office.took[id]-1) + max(0, hook.took[id]-1)
		}
	}
	repeats -= office.lost + hook.lost // nobody could know that it was taken
	var waits []float64
	for _, event := range urgent {
		for _, id := range people {
			waits = append(waits, store.first[fmt.Sprint(event, " ", id)].Sub(made[event]).Seconds())
		}
	}
	slices.Sort(waits)
	require.Zero(t, missing)
	require.Positive(t, store.crashes)
	perCrash := max(0, float64(repeats)/float64(store.crashes))
	require.LessOrEqual(t, perCrash, 1.0)
	p99 := waits[len(waits)*99/100]
	t.Logf("alarms(delivery): crashes=%d replies_lost=%d repeats=%d median_s=%.0f worst_s=%.0f", store.crashes, office.lost+hook.lost, repeats, waits[len(waits)/2], waits[len(waits)-1])
	fmt.Printf("alarms: events=%d lost=%d repeats_per_crash=%.2f p99_seconds=%.0f\n", events, missing, perCrash, p99)
	list, err := d.store.Occurrences(t.Context(), "lake-07")
	require.NoError(t, err)
	require.False(t, slices.ContainsFunc(list, func(o alarm.Occurrence) bool { return !o.Told }))
}

// soonest is when something is to be done next, at the latest at an instant.
func soonest(t *testing.T, d *desk, at unit.Instant, change map[*place]unit.Instant) unit.Instant {
	t.Helper()
	due, ok, err := d.store.NextDue(t.Context())
	if err != nil && !errors.Is(err, context.Canceled) {
		require.NoError(t, err)
	}
	if ok {
		at = min(at, max(due, d.now.Add(time.Second)))
		at = min(at, d.now.Add(time.Minute)) // for whom another channel waits
	}
	for _, c := range change {
		at = min(at, max(c, d.now.Add(time.Second)))
	}
	return at
}
