// Package broker is the collector's own MQTT broker: an intake front for
// stations, not a message bus. Stations publish readings and state, and hear
// receipts and orders; nothing is passed from one station to another.
//
// A message is handed to the Handler before it is acknowledged, and the
// Handler may block: that is the back-pressure. Of readings a connection may have a
// few under way, see [Take]. When it fails there is no
// acknowledgement and the connection ends, as MQTT 3.1.1 (4.8.0-2) wants it:
// a client that resends only after a reconnect resends too.
//
// Rights follow the user name, which is the station's id. The client id gives
// none: inside the broker every connection has an id of its own, so that
// nobody can take over another's, and the library's take-over of sessions,
// which may lose the new connection's subscriptions, never runs. A station may
// have a few connections at once; the newest stay.
//
// # Strangers
//
// Until it has logged in a connection has one of few places, a bounded time,
// and no more memory than a CONNECT needs (see limits). No place is kept for
// anybody: a station that finds none tries again.
//
// Passwords can't be guessed, they have 256 bits; what guessing costs is
// handshakes. So a right password opens at once, whoever else tries the name,
// and from where ever; wrong ones are counted by address and name and by
// address, and beyond a few they are answered late. As the answer is awaited in
// one of the places of its address, that bounds what one address can ask for.
//
// # Revoked passwords
//
// Authenticate says by what a login was good, and Cut ends the station's
// connections that are good by something else. A connection is known to Cut
// before its password is looked at, so that none slips through between the
// look and the change.
//
// # Receipts and orders
//
// Nothing is kept but each station's last receipt and last order, in memory;
// after a restart they must be published anew. Both go out with QoS 0: sessions are clean,
// so QoS 1 would not bring one back after a broken connection, and the library
// confuses the packet ids of both directions. A station that misses one gets
// another with its next batch.
package broker

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"sync"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"

	"dewpost/rules/receipt"
)

const (
	maxPacket        = 256 << 10       // bytes; larger ones end the connection before they fill memory
	maxWritesPending = 64              // a client that doesn't read loses messages beyond
	onlyMQTT311      = 4               // protocol level
	sysTopics        = 365 * 24 * 3600 // seconds between figures that nobody may read
	perStation       = 4               // connections; the oldest go
	maxState         = 16 << 10        // bytes
	maxConnect       = maxState + 4096 // bytes of a CONNECT, which has a state for its will
	logEvery         = time.Second     // of lines that strangers can cause
	maxWord          = 100             // bytes of a name or topic in them
)

// Handler takes one message of a station. It returns nil once the message is
// safe; an error withholds the acknowledgement. The payload is the Handler's.
type Handler func(ctx context.Context, station, leaf string, payload []byte) error

// Take has one message of readings made safe. It returns nil when it has taken the
// message over: done is then called once, with nil when the message is safe, unless the
// end comes first. With an error done is not called. It may block, which holds up that
// connection only; done doesn't. A connection's messages come in their order. The
// payload is Take's.
type Take func(ctx context.Context, station string, payload []byte, done func(error)) error

// Authenticate tells whether password is the station's, and by what: a word
// for Cut, the same for the same password, which need not be secret.
type Authenticate func(ctx context.Context, station string, password []byte) (by string, ok bool)

// Config is what a Front needs.
type Config struct {
	Addr         string      // as in 127.0.0.1:1883; port 0 takes a free one
	TLS          *tls.Config // nil: none, which only an address of the loopback interface may do without
	Plain        bool        // or every address
	Authenticate Authenticate
	Handle       Handler // states, wills, and readings with another QoS
	Take         Take    // readings with QoS 1, which agents send
	Log          *slog.Logger
}

// Stats are running totals of a Front.
type Stats struct {
	Connected        int64 // stations now
	Messages, Failed int64 // handed over; of those not acknowledged
	RefusedLogins    int64 // wrong name or password
	LateAnswers      int64 // of these, answered late
	Refused          int64 // publications, subscriptions, wills and packets
	Cut              int64 // connections ended because their password was revoked

	// Connections that ended before a login:
	NoRoom     int64 // refused, there were too many in all
	NoPlace    int64 // refused, too many had not logged in, in all or from their address
	Handshakes int64 // no TLS or no CONNECT that is one, or not in time
}

// limits bound what connections may take.
//
// Connections: 5,000 stations with TLS that came back at once took 350 MB, all
// of the collector included, so the most take less than a gigabyte. Each needs a
// descriptor, and half of the process's are left to others.
//
// Places of those that have not logged in: a handshake takes one of two cores
// a third of a millisecond, so a thousand are worked off within a second or
// two, whereas more would only make each other late. An address has so many
// that a site with that many stations behind one router can come back at once,
// and so few that sixteen are needed to take them all. Addresses of this
// machine have no bound of their own: behind them may be everybody.
type limits struct {
	handshake   time.Duration // from a connection to its login
	patience    time.Duration // for messages that are being handled when the broker closes
	connections int
	places      int           // of connections that have not logged in
	placesEach  int           // of those from one address
	late        time.Duration // that a wrong password is answered late
	wrong       budget        // of wrong passwords from an address for a name
	wrongEach   budget        // from an address
}

func generous() limits {
	return limits{
		handshake: 10 * time.Second, patience: 5 * time.Second,
		connections: min(10_000, descriptors()/2), places: 1024, placesEach: 64,
		late: 2 * time.Second, wrong: budget{5, 10 * time.Second}, wrongEach: budget{20, time.Second},
	}
}

// Front is a running broker.
type Front struct {
	server   *mqtt.Server
	listener *listener
	hook     *hook
	cancel   context.CancelFunc
	close    sync.Once
}

// Listen starts a broker. Close ends it.
func Listen(cfg Config) (*Front, error) { return listen(cfg, generous()) }

func listen(cfg Config, lim limits) (*Front, error) {
	ln, err := listenSafely(cfg)
	if err != nil {
		return nil, fmt.Errorf("listen for stations on %s: %w", cfg.Addr, err)
	}
	return serve(ln, cfg, lim)
}

func serve(ln net.Listener, cfg Config, lim limits) (*Front, error) {
	ctx, cancel := context.WithCancel(context.Background())
	// The library logs whole packets, passwords included: it gets no log.
	server := mqtt.New(&mqtt.Options{
		Capabilities: capabilities(), InlineClient: true, SysTopicResendInterval: sysTopics,
		Logger: slog.New(slog.DiscardHandler),
	})
	f := &Front{
		server:   server,
		listener: newListener(ln, cfg.TLS, lim, cfg.Log),
		cancel:   cancel,
	}
	f.hook = newHook(ctx, f, cfg)
	if err := f.start(); err != nil {
		cancel()
		return nil, errors.Join(fmt.Errorf("listen for stations on %s: %w", cfg.Addr, err), ln.Close())
	}
	return f, nil
}

func listenSafely(cfg Config) (net.Listener, error) {
	ln, err := net.Listen("tcp", cfg.Addr)
	if err != nil || cfg.TLS != nil || cfg.Plain {
		return ln, err
	}
	if tcp, ok := ln.Addr().(*net.TCPAddr); !ok || !tcp.IP.IsLoopback() {
		return nil, errors.Join(errors.New("not a loopback address, and passwords would go over the network in the clear"), ln.Close())
	}
	return ln, nil
}

func capabilities() *mqtt.Capabilities {
	caps := mqtt.NewDefaultServerCapabilities()
	caps.MaximumPacketSize = maxPacket
	caps.MaximumClientWritesPending = maxWritesPending
	caps.MaximumMessageExpiryInterval = 0 // never; else retained receipts would go after a day
	caps.SharedSubAvailable, caps.WildcardSubAvailable = 0, 0
	return caps
}

func (f *Front) start() error {
	if err := f.server.AddHook(f.hook, nil); err != nil {
		return err
	}
	if err := f.server.AddListener(f.listener); err != nil {
		return err
	}
	return f.server.Serve()
}

// Addr is the address that stations connect to.
func (f *Front) Addr() string { return f.listener.Address() }

// Stats returns the totals so far.
func (f *Front) Stats() Stats {
	s := f.hook.stats()
	l := f.listener
	s.NoRoom, s.NoPlace, s.Handshakes, s.Cut = l.noRoom.Load(), l.noPlace.Load(), l.handshakes.Load(), l.cuts.Load()
	return s
}

// PublishReceipt tells a station how far its run is settled. While its secret
// is being changed there is a receipt for either, in the order in which they
// are given. The last is retained, so that a station that connects later hears
// it.
func (f *Front) PublishReceipt(station string, payloads ...[]byte) error {
	for _, payload := range payloads {
		if err := f.server.Publish(receipt.Topic(station, receipt.LeafReceipt), payload, true, 0); err != nil {
			return fmt.Errorf("publish a receipt to %s: %w", station, err)
		}
	}
	return nil
}

// PublishOrder tells a station to do something, now or when it connects: the last
// order is retained, and takes the place of one before.
func (f *Front) PublishOrder(station string, payload []byte) error {
	if err := f.server.Publish(receipt.Topic(station, receipt.LeafOrder), payload, true, 0); err != nil {
		return fmt.Errorf("publish an order to %s: %w", station, err)
	}
	return nil
}

// Cut ends a station's connections that have not logged in by one of keep, as
// Authenticate called it; with none all of them.
func (f *Front) Cut(station string, keep ...string) { f.listener.cut(station, keep) }

// Close stops listening, lets messages that are being handled end, for a
// while, and disconnects everybody. It returns when no handler runs any more.
func (f *Front) Close() error {
	var err error
	f.close.Do(func() {
		err = f.listener.drain()
		f.cancel()
		f.listener.hangUp()
		if e := f.server.Close(); e != nil {
			err = errors.Join(err, e)
		}
	})
	if err != nil {
		return fmt.Errorf("close the broker: %w", err)
	}
	return nil
}
