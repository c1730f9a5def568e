package broker

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"dewpost/rules/receipt"
)

// hook is where the library asks what is allowed, and hands messages over.
type hook struct {
	mqtt.HookBase
	ctx    context.Context // ends when the front closes
	front  *Front
	auth   Authenticate
	handle Handler
	take   Take
	tries  *throttle
	log    *quietLog

	connection                                     atomic.Int64 // the last one's number
	messages, failed, refusedLogins, late, refused atomic.Int64

	mu     sync.Mutex
	online map[string][]session // by station, oldest first
}

// session is a connection that has logged in.
type session struct {
	client *mqtt.Client
	id     string // client id, as sent
}

func newHook(ctx context.Context, f *Front, cfg Config) *hook {
	return &hook{
		ctx: ctx, front: f, auth: cfg.Authenticate, handle: cfg.Handle, take: cfg.Take, tries: newThrottle(f.listener.limits),
		log: &quietLog{log: cfg.Log}, online: make(map[string][]session),
	}
}

// ID names the hook.
func (h *hook) ID() string { return "stations" }

// Provides lists the hook's points.
func (h *hook) Provides(b byte) bool {
	return bytes.IndexByte([]byte{
		mqtt.OnConnect, mqtt.OnConnectAuthenticate, mqtt.OnSessionEstablished, mqtt.OnDisconnect,
		mqtt.OnACLCheck, mqtt.OnPublish, mqtt.OnWill,
	}, b) >= 0
}

// OnConnect refuses what the contract doesn't have before anything else is
// looked at. A will is checked here because the library checks none.
func (h *hook) OnConnect(cl *mqtt.Client, pk packets.Packet) error {
	user := string(cl.Properties.Username)
	if cl.Properties.ProtocolVersion != onlyMQTT311 {
		return h.turnAway(cl, packets.ErrUnsupportedProtocolVersion)
	}
	if pk.Connect.WillFlag && (pk.Connect.WillTopic != receipt.Topic(user, receipt.LeafState) || len(pk.Connect.WillPayload) > maxState) {
		h.refused.Add(1)
		h.front.listener.refuse(connOf(cl))
		h.log.warn("refused a will", "user", user, "topic", pk.Connect.WillTopic)
		return h.turnAway(cl, packets.Err3NotAuthorized)
	}
	cl.ID = fmt.Sprintf("%s/%d", user, h.connection.Add(1))
	cl.Properties.Clean = true
	return nil
}

// turnAway answers a CONNECT with a refusal.
func (h *hook) turnAway(cl *mqtt.Client, why packets.Code) error {
	return errors.Join(why, h.front.server.SendConnack(cl, why, false, nil))
}

// connOf is the connection that the listener gave the library.
func connOf(cl *mqtt.Client) *conn { return cl.Net.Conn.(*conn) }

// OnConnectAuthenticate checks user name and password.
func (h *hook) OnConnectAuthenticate(cl *mqtt.Client, pk packets.Packet) bool {
	station, c, l := string(cl.Properties.Username), connOf(cl), h.front.listener
	valid := receipt.ValidStation(station) == nil
	if valid {
		l.tries(c, station) // before it is looked at: see Cut
		if by, ok := h.auth(h.ctx, station, pk.Connect.Password); ok {
			return l.passed(c, by)
		}
	}
	h.refusedLogins.Add(1)
	l.refuse(c)
	h.log.warn("refused a station's login", "user", station, "remote", cl.Net.Remote)
	name := station
	if !valid {
		name = "" // it may be anything, and of any length
	}
	if h.tries.spend(c.addr, name, time.Now()) {
		h.late.Add(1)
		h.wait(l.limits.late)
	}
	return false
}

// wait lets time pass, but doesn't hold up the end.
func (h *hook) wait(d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-h.front.listener.stop:
	}
}

// OnSessionEstablished ends the station's connection of the same client id, as
// MQTT wants it, or its oldest when there are too many.
func (h *hook) OnSessionEstablished(cl *mqtt.Client, pk packets.Packet) {
	station, id := string(cl.Properties.Username), pk.Connect.ClientIdentifier
	h.front.listener.comesIn(connOf(cl))
	h.mu.Lock()
	defer h.mu.Unlock()
	// Who is stopped here ends on its own goroutine.
	list := slices.DeleteFunc(h.online[station], func(s session) bool {
		if id != "" && s.id == id {
			s.client.Stop(packets.ErrSessionTakenOver)
		}
		return s.client.Closed()
	})
	if len(list) == perStation {
		list[0].client.Stop(packets.ErrSessionTakenOver)
		list = slices.Delete(list, 0, 1)
	}
	h.online[station] = append(list, session{cl, id})
}

// OnDisconnect forgets a connection.
func (h *hook) OnDisconnect(cl *mqtt.Client, err error, _ bool) {
	station := string(cl.Properties.Username)
	if errors.Is(err, packets.ErrPacketTooLarge) {
		h.refused.Add(1)
		h.log.warn("refused a packet that is too large; the connection ended", "user", station, "most_bytes", maxPacket)
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.online[station] = slices.DeleteFunc(h.online[station], func(s session) bool { return s.client == cl })
	if len(h.online[station]) == 0 {
		delete(h.online, station)
	}
}

// OnACLCheck lets a station write its own readings and state, and read its own
// receipts and orders, by their exact topics.
func (h *hook) OnACLCheck(cl *mqtt.Client, topic string, write bool) bool {
	user := string(cl.Properties.Username)
	station, leaf, ok := receipt.ParseTopic(topic)
	if ok && station == user {
		if write && (leaf == receipt.LeafReadings || leaf == receipt.LeafState) {
			return true
		}
		if !write && (leaf == receipt.LeafReceipt || leaf == receipt.LeafOrder) {
			return true
		}
	}
	h.refused.Add(1)
	h.log.warn("refused a station what is not its own", "user", user, "topic", topic, "write", write)
	return false
}

// OnPublish hands a message over; it is passed on to nobody and never
// retained, whatever it asks for.
func (h *hook) OnPublish(cl *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	if cl.Net.Inline {
		return pk, nil
	}
	station, leaf, _ := receipt.ParseTopic(pk.TopicName)
	if leaf == receipt.LeafState && len(pk.Payload) > maxState {
		h.refused.Add(1)
		h.log.warn("refused a state that is too large", "station", station, "bytes", len(pk.Payload), "most_bytes", maxState)
		return pk, packets.CodeSuccessIgnore
	}
	if leaf == receipt.LeafReadings && pk.FixedHeader.Qos == 1 {
		h.handOver(cl, station, pk)
		return pk, packets.ErrRejectPacket // the window acknowledges it
	}
	if !h.hand(station, leaf, pk.Payload) {
		// Of the errors that could be returned only this one withholds the
		// acknowledgement: with others the library goes on as if there was none.
		cl.Stop(packets.ErrServerUnavailable)
		return pk, packets.ErrRejectPacket
	}
	return pk, packets.CodeSuccessIgnore
}

// OnWill hands over what a station left to be said when it is gone. When it is
// the front that goes, the station isn't gone.
func (h *hook) OnWill(cl *mqtt.Client, will mqtt.Will) (mqtt.Will, error) {
	will.Retain = false
	if !h.front.listener.closing.Load() {
		h.hand(string(cl.Properties.Username), receipt.LeafState, will.Payload)
	}
	return will, nil
}

// handOver hands readings over. It is acknowledged when they are safe.
func (h *hook) handOver(cl *mqtt.Client, station string, pk packets.Packet) {
	w := &connOf(cl).window
	m, err := w.enter(h.ctx, pk.PacketID)
	if err != nil {
		cl.Stop(packets.ErrServerUnavailable)
		return
	}
	h.messages.Add(1)
	done := func(err error) {
		h.countFailed(station, receipt.LeafReadings, err)
		w.answer(cl, m, err)
	}
	if err := h.take(h.ctx, station, pk.Payload, done); err != nil {
		done(err)
	}
}

func (h *hook) hand(station, leaf string, payload []byte) bool {
	h.messages.Add(1)
	return !h.countFailed(station, leaf, h.handle(h.ctx, station, leaf, payload))
}

// countFailed tells whether a message could not be made safe, and counts it then.
func (h *hook) countFailed(station, leaf string, err error) bool {
	if err == nil {
		return false
	}
	h.failed.Add(1)
	if h.ctx.Err() == nil {
		h.log.warn("a message stays unacknowledged", "station", station, "leaf", leaf, "error", err)
	}
	return true
}

func (h *hook) stats() Stats {
	s := Stats{
		Messages: h.messages.Load(), Failed: h.failed.Load(),
		RefusedLogins: h.refusedLogins.Load(), LateAnswers: h.late.Load(), Refused: h.refused.Load(),
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, list := range h.online {
		if slices.ContainsFunc(list, func(s session) bool { return !s.client.Closed() }) {
			s.Connected++
		}
	}
	return s
}

// quietLog writes at most one line every logEvery, with the number of those
// left out, and no long words: strangers must not fill the disk.
type quietLog struct {
	log *slog.Logger

	mu      sync.Mutex
	last    time.Time
	leftOut int
}

func (q *quietLog) warn(msg string, args ...any) {
	q.mu.Lock()
	defer q.mu.Unlock()
	now := time.Now()
	if now.Sub(q.last) < logEvery {
		q.leftOut++
		return
	}
	for i, arg := range args {
		if s, ok := arg.(string); ok && len(s) > maxWord {
			args[i] = s[:maxWord] + "…"
		}
	}
	if q.leftOut > 0 {
		args = append(args, "lines_left_out", q.leftOut)
	}
	q.last, q.leftOut = now, 0
	q.log.Warn(msg, args...)
}
