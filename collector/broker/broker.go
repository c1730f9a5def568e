// Package broker is the collector's own MQTT broker: an intake front for
// stations, not a message bus. Stations publish readings and state, and hear
// receipts and orders; nothing is passed from one station to another.
//
// A message of readings is handed to the Handler before it is acknowledged,
// and the Handler may block: that is the back-pressure. When it fails there is
// no PUBACK, and the station sends again. Rights follow the user name, which
// is the station's id; the client id gives none, and can't be used to take
// over another user's connection. Receipts are retained in memory only and
// come anew with the next batch after a restart.
package broker

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync/atomic"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"

	"dewpost/rules/receipt"
)

const (
	maxPacket        = 256 << 10 // bytes; larger ones end the connection before they fill memory
	maxWritesPending = 64        // a client that doesn't read loses messages beyond
	forEver          = 1 << 40   // seconds; retained messages would expire after a day otherwise
	maxState         = 16 << 10  // bytes
)

// Handler takes one message of a station. It returns nil once the message is
// safe; an error withholds the acknowledgement.
type Handler func(ctx context.Context, station, leaf string, payload []byte) error

// Authenticate tells whether password is the station's.
type Authenticate func(ctx context.Context, station string, password []byte) bool

// Stats are running totals of a Front.
type Stats struct {
	Connected              int64 // now
	Messages, Failed       int64 // handed over; of those not acknowledged
	RefusedLogins, Refused int64 // refused connections; refused publications and subscriptions
}

// Front is a running broker.
type Front struct {
	server   *mqtt.Server
	listener *listeners.TCP
	hook     *hook
	cancel   context.CancelFunc
}

// Listen starts a broker on addr, as in 127.0.0.1:1883; port 0 takes a free
// one. Close ends it.
func Listen(addr string, auth Authenticate, handle Handler, log *slog.Logger) (*Front, error) {
	caps := mqtt.NewDefaultServerCapabilities()
	caps.MaximumPacketSize = maxPacket
	caps.MaximumClientWritesPending = maxWritesPending
	caps.MaximumMessageExpiryInterval = forEver
	caps.MaximumQos = 1
	caps.SharedSubAvailable, caps.WildcardSubAvailable = 0, 0
	ctx, cancel := context.WithCancel(context.Background())
	f := &Front{
		server:   mqtt.New(&mqtt.Options{Capabilities: caps, InlineClient: true, Logger: slog.New(slog.DiscardHandler)}),
		listener: listeners.NewTCP(listeners.Config{ID: "stations", Address: addr}),
		hook:     &hook{ctx: ctx, auth: auth, handle: handle, log: log},
		cancel:   cancel,
	}
	if err := f.start(); err != nil {
		cancel()
		return nil, fmt.Errorf("listen for stations on %s: %w", addr, err)
	}
	return f, nil
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
	return Stats{
		Connected: atomic.LoadInt64(&f.server.Info.ClientsConnected),
		Messages:  f.hook.messages.Load(), Failed: f.hook.failed.Load(),
		RefusedLogins: f.hook.refusedLogins.Load(), Refused: f.hook.refused.Load(),
	}
}

// PublishReceipt tells a station how far its run is settled. The message is
// retained, so that a station that connects later hears it.
func (f *Front) PublishReceipt(station string, payload []byte) error {
	if err := f.server.Publish(receipt.Topic(station, receipt.LeafReceipt), payload, true, 1); err != nil {
		return fmt.Errorf("publish a receipt to %s: %w", station, err)
	}
	return nil
}

// Close disconnects everybody and waits for the handlers.
func (f *Front) Close() error {
	f.cancel()
	if err := f.server.Close(); err != nil {
		return fmt.Errorf("close the broker: %w", err)
	}
	return nil
}

type hook struct {
	mqtt.HookBase
	ctx    context.Context
	auth   Authenticate
	handle Handler
	log    *slog.Logger

	messages, failed, refusedLogins, refused atomic.Int64
}

// ID names the hook.
func (h *hook) ID() string { return "stations" }

// Provides lists the hook's points.
func (h *hook) Provides(b byte) bool {
	return bytes.IndexByte([]byte{mqtt.OnConnect, mqtt.OnConnectAuthenticate, mqtt.OnACLCheck, mqtt.OnPublish, mqtt.OnWillSent}, b) >= 0
}

// OnConnect makes client ids of different users different, and refuses a will
// on a topic that the user may not write: wills pass no other check.
func (h *hook) OnConnect(cl *mqtt.Client, pk packets.Packet) error {
	user := string(cl.Properties.Username)
	if pk.Connect.WillFlag && pk.Connect.WillTopic != receipt.Topic(user, receipt.LeafState) {
		h.refused.Add(1)
		return packets.ErrNotAuthorized
	}
	cl.ID = user + "/" + cl.ID
	return nil
}

// OnConnectAuthenticate checks user name and password.
func (h *hook) OnConnectAuthenticate(cl *mqtt.Client, pk packets.Packet) bool {
	station := string(cl.Properties.Username)
	if receipt.ValidStation(station) == nil && h.auth(h.ctx, station, pk.Connect.Password) {
		return true
	}
	h.refusedLogins.Add(1)
	h.log.Warn("refused a station's login", "user", station, "remote", cl.Net.Remote)
	return false
}

// OnACLCheck lets a station write its own readings and state, and read its own
// receipts and orders, by their exact topics.
func (h *hook) OnACLCheck(cl *mqtt.Client, topic string, write bool) bool {
	user := string(cl.Properties.Username)
	leaves := [2]string{receipt.LeafReceipt, receipt.LeafOrder}
	if write {
		leaves = [2]string{receipt.LeafReadings, receipt.LeafState}
	}
	if topic == receipt.Topic(user, leaves[0]) || topic == receipt.Topic(user, leaves[1]) {
		return true
	}
	h.refused.Add(1)
	h.log.Warn("refused a station what is not its own", "user", user, "topic", topic, "write", write)
	return false
}

// OnPublish hands readings and state over; readings are passed on to nobody.
func (h *hook) OnPublish(cl *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	if cl.Net.Inline {
		return pk, nil
	}
	station, leaf, ok := receipt.ParseTopic(pk.TopicName)
	if !ok || leaf == receipt.LeafState && len(pk.Payload) > maxState {
		h.refused.Add(1)
		return pk, packets.ErrRejectPacket
	}
	h.messages.Add(1)
	if err := h.handle(h.ctx, station, leaf, pk.Payload); err != nil {
		h.failed.Add(1)
		if !errors.Is(err, context.Canceled) {
			h.log.Error("a message stays unacknowledged", "station", station, "error", err)
		}
		return pk, packets.ErrRejectPacket
	}
	if leaf == receipt.LeafReadings {
		pk.Ignore, pk.FixedHeader.Retain = true, false
	}
	return pk, nil
}

// OnWillSent hands over what a station left to be said when it is gone.
func (h *hook) OnWillSent(cl *mqtt.Client, pk packets.Packet) {
	if err := h.handle(h.ctx, string(cl.Properties.Username), receipt.LeafState, pk.Payload); err != nil {
		h.log.Error("a last will was lost", "station", string(cl.Properties.Username), "error", err)
	}
}
