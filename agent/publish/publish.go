// Package publish brings a station's spooled records to the collector: batches
// by MQTT, sent again until a receipt with a valid MAC covers them.
//
// The broker's acknowledgements are taken for flow control only. Brokers
// acknowledge what they later lose, and the client library completes a
// message after a reconnect without any acknowledgement; the receipt, which
// the collector sends after its commit, is the only proof. Nothing is kept
// here: what is not receipted is in the spool, and a new connection begins
// with its oldest records, after a glance at the newest.
//
// A connection is judged by its receipts, too: one over which readings go and
// nothing comes back is given up, whatever the broker says of it.
package publish

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/url"
	"sync"
	"time"

	"dewpost/rules/reading"
	"dewpost/rules/receipt"
)

// Spool is where the records wait.
type Spool interface {
	Run() string
	// Each calls use for the durable records after the given number,
	// ascending, until it returns false.
	Each(after int64, use func(seq int64, payload []byte) bool) error
	// Oldest is the smallest number still spooled.
	Oldest() int64
	// Last is the largest number given out.
	Last() int64
	// Forget deletes all records up to and including upto.
	Forget(upto int64) error
	// Bury gives up one record, keeping its bytes for a person to look at.
	Bury(seq int64) error
	// NextConn counts connections, durably.
	NextConn() (int64, error)
	// Watch returns a channel that is closed at the next change.
	Watch() <-chan struct{}
}

// Config is what a publisher needs to know.
type Config struct {
	Station string
	// Secret is asked before each connection, so that a new one is used without
	// a restart.
	Secret func() receipt.Secret
	Broker *url.URL    // host and port
	TLS    *tls.Config // nil: plaintext
	// Retry is how long a record waits for its receipt before it is sent
	// again. The wait grows to ten times as much while nobody answers, and
	// after twenty times as much the connection is made anew.
	Retry    time.Duration
	InFlight int           // batches sent and not yet receipted
	Report   time.Duration // between two publications of the state
	// State returns the present state, as JSON. It is given the number of the
	// connection.
	State func(conn int64) ([]byte, error)
	// Order is given what arrives on the order topic, and says whether the
	// state now has an answer. Nil: orders are not looked at.
	Order func(s receipt.Secret, payload []byte) (answered bool)
	Log   *slog.Logger
}

// Link is how a publisher's connection does.
type Link struct {
	Receipt     time.Time // when the newest receipt arrived; zero for none yet
	Connections int64     // made
	Up          bool      // there is one now
	Deaf        int64     // of these, given up because readings went and no receipt came
}

// Between two attempts to connect lies a tenth to the whole of the back-off,
// evenly spread. It begins with a third of Config.Retry and doubles each time,
// up to four times Retry; a connection that lived for as long as Retry counts as
// good, and it begins anew. With the 30 s of an agent's configuration, 5,000
// agents that lose one collector at one instant come back over nine seconds,
// some 550 in each, and those it turns away over 18, 36 and more. One agent
// alone waits five seconds and a half on average.
func firstBackOff(retry time.Duration) time.Duration { return retry / 3 }

func lastBackOff(retry time.Duration) time.Duration { return 4 * retry }

// Publisher publishes one station.
type Publisher struct {
	cfg   Config
	spool Spool
	dial  func(context.Context, dialOptions) (link, error)
	delay time.Duration // of the last connection's window

	mu sync.Mutex
	is Link
}

// New returns a publisher of the spool.
func New(cfg Config, s Spool) *Publisher {
	return &Publisher{cfg: cfg, spool: s, dial: dialPaho}
}

// Link tells how the connection does. A receipt that the broker had kept says
// nothing of the collector, and doesn't count.
func (p *Publisher) Link() Link {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.is
}

func (p *Publisher) note(f func(*Link)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	f(&p.is)
}

// Run keeps a connection and publishes until ctx ends, which is no error.
func (p *Publisher) Run(ctx context.Context) error {
	first, last := firstBackOff(p.cfg.Retry), lastBackOff(p.cfg.Retry)
	backOff := first
	for ctx.Err() == nil {
		began := time.Now()
		err := p.connection(ctx)
		if errors.Is(err, errDeaf) {
			p.note(func(l *Link) { l.Deaf++ })
		}
		if ctx.Err() != nil {
			break
		}
		if time.Since(began) >= p.cfg.Retry {
			backOff = first
		}
		pause := jitter(backOff)
		p.cfg.Log.Warn("not connected", "station", p.cfg.Station, "broker", p.cfg.Broker.Host, "err", err, "again_in", pause.Round(time.Millisecond))
		backOff = min(2*backOff, last)
		sleep(ctx, pause)
	}
	return nil
}

// jitter spreads the agents that lost the same broker at the same time.
func jitter(d time.Duration) time.Duration { return d/10 + rand.N(d-d/10) }

func sleep(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}

// connection makes one connection and uses it until it or ctx ends.
func (p *Publisher) connection(ctx context.Context) (err error) {
	conn, err := p.spool.NextConn()
	if err != nil {
		p.cfg.Log.Error("connection number not saved", "station", p.cfg.Station, "err", err)
	}
	s := newSession(p, conn)
	l, err := p.dial(ctx, dialOptions{
		broker: p.cfg.Broker, tls: p.cfg.TLS,
		user: p.cfg.Station, password: s.secret.Password(),
		// Nobody else can know the run, so nobody can push this client off.
		clientID:  p.spool.Run(),
		willTopic: receipt.Topic(p.cfg.Station, receipt.LeafState), will: s.gone(),
		subscribe: receipt.Topic(p.cfg.Station, receipt.LeafReceipt), orders: receipt.Topic(p.cfg.Station, receipt.LeafOrder),
		receive: s.inbox.put,
	})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, l.close()) }()
	p.cfg.Log.Info("connected", "station", p.cfg.Station, "broker", p.cfg.Broker.Host, "conn", conn)
	s.link = l
	p.note(func(l *Link) { l.Connections, l.Up = l.Connections+1, true })
	defer p.note(func(l *Link) { l.Up = false })
	defer func() { p.delay = s.window.delay }()
	return s.run(ctx)
}

// oldestRoom is what oldest adds to a line: ",oldest=", 19 digits and "i".
const oldestRoom = 8 + 19 + 1

// batch collects the records after the given number, up to and including upto,
// into one payload of at most limit bytes, but at least one record. full means
// that more are waiting.
func batch(s Spool, after, upto int64, limit int) (payload []byte, first, last int64, full bool, err error) {
	oldest := s.Oldest()
	err = s.Each(after, func(seq int64, line []byte) bool {
		if seq > upto {
			return false
		}
		if first != 0 && len(payload)+len(line)+oldestRoom > limit {
			full = true
			return false
		}
		if first == 0 {
			first = seq
			line = reading.SetOldest(line, min(oldest, seq))
		}
		payload = append(payload, line...)
		last = seq
		return true
	})
	if err != nil {
		return nil, 0, 0, false, fmt.Errorf("collect a batch: %w", err)
	}
	return payload, first, last, full, nil
}

// errLost is returned when a connection ended without saying why.
var errLost = errors.New("connection lost")
