// Package broker is the collector's own MQTT broker: an intake front for
// stations, not a message bus. Stations publish readings and state, and hear
// receipts and orders; nothing is passed from one station to another.
//
// A message is handed to the Handler before it is acknowledged, and the
// Handler may block: that is the back-pressure. When it fails there is no
// acknowledgement and the connection ends, as MQTT 3.1.1 (4.8.0-2) wants it:
// a client that resends only after a reconnect resends too.
//
// Rights follow the user name, which is the station's id. The client id gives
// none: inside the broker every connection has an id of its own, so that
// nobody can take over another's, and the library's take-over of sessions,
// which may lose the new connection's subscriptions, never runs. A station may
// have a few connections at once; the newest stay.
//
// Nothing is kept but each station's last receipt, in memory; after a restart
// it must be published anew. Receipts go out with QoS 0: sessions are clean,
// so QoS 1 would not bring one back after a broken connection, and the library
// confuses the packet ids of both directions. A station that misses one gets
// another with its next batch.
package broker

import (
	"context"
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
	logEvery         = time.Second     // of lines that strangers can cause
)

// Handler takes one message of a station. It returns nil once the message is
// safe; an error withholds the acknowledgement. The payload is the Handler's.
type Handler func(ctx context.Context, station, leaf string, payload []byte) error

// Authenticate tells whether password is the station's.
type Authenticate func(ctx context.Context, station string, password []byte) bool

// Stats are running totals of a Front.
type Stats struct {
	Connected              int64 // stations now
	Messages, Failed       int64 // handed over; of those not acknowledged
	RefusedLogins, Refused int64 // refused connections; refused publications, subscriptions, wills and packets
}

// limits bound how long a Front waits.
type limits struct {
	handshake time.Duration // from a connection to its CONNECT
	patience  time.Duration // for messages that are being handled when the broker closes
}

// Front is a running broker.
type Front struct {
	server   *mqtt.Server
	listener *listener
	hook     *hook
	cancel   context.CancelFunc
	close    sync.Once
}

// Listen starts a broker on addr, as in 127.0.0.1:1883; port 0 takes a free
// one. As it speaks no TLS, the address must be of the loopback interface.
// Close ends it.
func Listen(addr string, auth Authenticate, handle Handler, log *slog.Logger) (*Front, error) {
	return listen(addr, auth, handle, limits{handshake: 10 * time.Second, patience: 5 * time.Second}, log)
}

func listen(addr string, auth Authenticate, handle Handler, lim limits, log *slog.Logger) (*Front, error) {
	ln, err := listenLoopback(addr)
	if err != nil {
		return nil, fmt.Errorf("listen for stations on %s: %w", addr, err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	// The library logs whole packets, passwords included: it gets no log.
	server := mqtt.New(&mqtt.Options{
		Capabilities: capabilities(), InlineClient: true, SysTopicResendInterval: sysTopics,
		Logger: slog.New(slog.DiscardHandler),
	})
	f := &Front{
		server:   server,
		listener: newListener(ln, lim, log),
		cancel:   cancel,
	}
	f.hook = newHook(ctx, f, auth, handle, log)
	if err := f.start(); err != nil {
		cancel()
		return nil, errors.Join(fmt.Errorf("listen for stations on %s: %w", addr, err), ln.Close())
	}
	return f, nil
}

func listenLoopback(addr string) (net.Listener, error) {
	ln, err := net.Listen("tcp", addr)
	if err != nil {
		return nil, err
	}
	if tcp, ok := ln.Addr().(*net.TCPAddr); !ok || !tcp.IP.IsLoopback() {
		return nil, errors.Join(errors.New("not a loopback address: the embedded broker speaks no TLS; use 127.0.0.1 or [::1]"), ln.Close())
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
func (f *Front) Stats() Stats { return f.hook.stats() }

// PublishReceipt tells a station how far its run is settled. The message is
// retained, so that a station that connects later hears it.
func (f *Front) PublishReceipt(station string, payload []byte) error {
	if err := f.server.Publish(receipt.Topic(station, receipt.LeafReceipt), payload, true, 0); err != nil {
		return fmt.Errorf("publish a receipt to %s: %w", station, err)
	}
	return nil
}

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
