package broker

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/require"

	"dewpost/rules/receipt"
)

func TestListen_OnlyOnLoopback(t *testing.T) {
	cfg := config(newRecorder().handle)
	for _, cfg.Addr = range []string{"0.0.0.0:0", ":0", "[::]:0"} {
		_, err := Listen(cfg)
		require.ErrorContains(t, err, "loopback", cfg.Addr)
	}
	plain := cfg
	plain.Plain = true
	open, err := Listen(plain)
	require.NoError(t, err, "control: on somebody's word")
	require.NoError(t, open.Close())
	f, _ := start(t)
	require.Regexp(t, `^127\.0\.0\.1:[1-9][0-9]*$`, f.Addr())
	cfg.Addr = f.Addr()
	_, err = Listen(cfg)
	require.ErrorContains(t, err, "in use", "control: the port is taken")
}

// A polite client as agents use it: publishes, hears its receipts.
func TestPoliteClient(t *testing.T) {
	f, r := start(t)
	receipts := make(chan mqtt.Message, 10)
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + f.Addr()).SetClientID("any").
		SetUsername(owner).SetPassword(passwordOf(owner)).SetProtocolVersion(4).SetAutoReconnect(false))
	settle := func(token mqtt.Token) {
		t.Helper()
		require.True(t, token.WaitTimeout(soon))
		require.NoError(t, token.Error())
	}
	settle(c.Connect())
	defer c.Disconnect(250)
	require.NoError(t, f.PublishReceipt(owner, []byte("kept")))
	settle(c.Subscribe(topic(owner, receipt.LeafReceipt), 1, func(_ mqtt.Client, m mqtt.Message) { receipts <- m }))
	next := func() mqtt.Message {
		t.Helper()
		select {
		case m := <-receipts:
			return m
		case <-time.After(soon):
			require.Fail(t, "no receipt")
			return nil
		}
	}
	m := next()
	require.Equal(t, "kept", string(m.Payload()))
	require.True(t, m.Retained(), "it was there before")
	require.NoError(t, f.PublishReceipt(owner, []byte("fresh")))
	m = next()
	require.Equal(t, "fresh", string(m.Payload()))
	require.False(t, m.Retained(), "it came while connected")

	settle(c.Publish(topic(owner, receipt.LeafReadings), 1, false, "batch"))
	settle(c.Publish(topic(owner, receipt.LeafState), 1, true, `{"conn":1}`))
	require.Equal(t, []handed{{owner, receipt.LeafReadings, "batch"}, {owner, receipt.LeafState, `{"conn":1}`}}, r.all())
	require.Equal(t, Stats{Connected: 1, Messages: 2}, f.Stats())
}

// A new receipt replaces the retained one, as does a new order, and each station
// hears its own.
func TestPublishReceipt_LastIsRetained(t *testing.T) {
	f, _ := start(t)
	for _, payload := range []string{"1", "2", "3"} {
		require.NoError(t, f.PublishReceipt(owner, []byte(payload)))
	}
	require.NoError(t, f.PublishReceipt(stranger, []byte("other")))
	for _, payload := range []string{"do", "do that instead"} {
		require.NoError(t, f.PublishOrder(owner, []byte(payload)))
	}
	require.NoError(t, f.PublishOrder(stranger, []byte("other")))
	c := login(t, f, owner, "x")
	require.Equal(t, []byte{1, 1}, c.subscribe(topic(owner, receipt.LeafReceipt), topic(owner, receipt.LeafOrder)))
	require.ElementsMatch(t, []string{"dewpost/v1/lake-07/receipt retain=true 3", "dewpost/v1/lake-07/order retain=true do that instead"}, c.heard(f))
}

// Receipts to a station that reads none of them don't hold up anybody.
func TestPublishReceipt_DeafStation(t *testing.T) {
	f, _ := start(t)
	deaf, c := login(t, f, owner, "deaf"), login(t, f, owner, "hears")
	deaf.subscribe(topic(owner, receipt.LeafReceipt))
	c.subscribe(topic(owner, receipt.LeafReceipt))
	payload := strings.Repeat("x", 100<<10)
	for range 200 { // 20 MB: more than sockets buffer
		require.NoError(t, f.PublishReceipt(owner, []byte(payload)))
	}
	require.NoError(t, c.conn.SetReadDeadline(time.Now().Add(soon)))
	require.Equal(t, payload, string(c.next1().Payload))
}

func TestFailedHandler_NoAcknowledgement(t *testing.T) {
	f, r := start(t)
	for _, qos := range []byte{1, 2} {
		r.set(func() { r.got, r.fail = nil, 1 })
		c := login(t, f, owner, "x")
		require.False(t, c.publish(topic(owner, receipt.LeafReadings), qos, false, "batch"), "not stored, not acknowledged")
		require.Nil(t, c.read(), "the connection ends, so that a plain client sends again")
		require.Empty(t, r.all())

		c = login(t, f, owner, "x")
		require.True(t, c.publish(topic(owner, receipt.LeafReadings), qos, false, "batch"))
		require.Equal(t, []handed{{owner, receipt.LeafReadings, "batch"}}, r.all())
	}
	require.EqualValues(t, 2, f.Stats().Failed)
}

func TestSlowHandler_HoldsOnlyItsStation(t *testing.T) {
	f, r := start(t)
	slow, fast := login(t, f, owner, "x"), login(t, f, stranger, "x")
	hold := make(chan struct{})
	r.set(func() { r.hold = hold })
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.TopicName, p.Qos, p.MessageID, p.Payload = topic(owner, receipt.LeafReadings), 1, 1, []byte("waits")
	slow.write(p)
	<-r.in
	r.set(func() { r.hold = nil })
	require.True(t, fast.publish(topic(stranger, receipt.LeafReadings), 1, false, "passes"))
	require.Equal(t, []handed{{stranger, receipt.LeafReadings, "passes"}}, r.all())

	require.NoError(t, slow.conn.SetReadDeadline(time.Now().Add(20*time.Millisecond)))
	_, err := packets.ReadPacket(slow.conn)
	require.ErrorContains(t, err, "timeout", "no acknowledgement while the handler works")
	close(hold)
	require.IsType(t, &packets.PubackPacket{}, slow.read())
}

// Close lets messages end that have been read.
func TestClose_LetsMessagesEnd(t *testing.T) {
	f, r := start(t)
	c, idle, silent := login(t, f, owner, "x"), login(t, f, stranger, "x"), dial(t, f)
	hold := make(chan struct{})
	r.set(func() { r.hold = hold })
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.TopicName, p.Qos, p.MessageID, p.Payload = topic(owner, receipt.LeafReadings), 1, 1, []byte("under way")
	c.write(p)
	<-r.in
	closed := make(chan error)
	began := time.Now()
	go func() { closed <- f.Close() }()
	require.Nil(t, idle.read())
	require.Nil(t, silent.read())
	close(hold)
	require.NoError(t, <-closed)
	require.Less(t, time.Since(began), soon, "nobody was waited for in vain")
	require.IsType(t, &packets.PubackPacket{}, c.read())
	require.Nil(t, c.read())
	require.Equal(t, []handed{{owner, receipt.LeafReadings, "under way"}}, r.all())
	require.NoError(t, f.Close(), "twice does no harm")
}

// A handler that does not end is told to.
func TestClose_CutsOffAHandlerThatHangs(t *testing.T) {
	lim := limitsOfTests()
	lim.patience = 10 * time.Millisecond
	f, r := startWith(t, lim)
	c := login(t, f, owner, "x")
	r.set(func() { r.hold = make(chan struct{}) })
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.TopicName, p.Qos, p.MessageID = topic(owner, receipt.LeafReadings), 1, 1
	c.write(p)
	<-r.in
	require.NoError(t, f.Close())
	require.Nil(t, c.read(), "not stored, not acknowledged")
	require.Empty(t, r.all())
}

func TestStats_CountsStationsNotConnections(t *testing.T) {
	f, _ := start(t)
	a := login(t, f, owner, "a")
	login(t, f, owner, "b")
	login(t, f, stranger, "c")
	require.EqualValues(t, 2, f.Stats().Connected)
	require.NoError(t, a.conn.Close())
	b := login(t, f, stranger, "d")
	require.True(t, b.alive())
	require.EqualValues(t, 2, f.Stats().Connected)
}

// An accept that fails, as when descriptors run out, does not end the broker.
func TestListener_GoesOnAfterAFailedAccept(t *testing.T) {
	inner, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	l := newListener(&weakListener{Listener: inner, fails: 3}, nil, limitsOfTests(), slog.New(slog.DiscardHandler))
	served := make(chan struct{}, 1)
	go l.Serve(func(string, net.Conn) error {
		served <- struct{}{}
		return nil
	})
	conn, err := net.Dial("tcp", inner.Addr().String())
	require.NoError(t, err)
	defer conn.Close()
	_, err = conn.Write([]byte{0x10, 0})
	require.NoError(t, err)
	select {
	case <-served:
	case <-time.After(soon):
		require.Fail(t, "not accepted")
	}
	require.NoError(t, l.drain())
	l.hangUp()
}

type weakListener struct {
	net.Listener
	fails int // Serve's goroutine
}

func (l *weakListener) Accept() (net.Conn, error) {
	if l.fails > 0 {
		l.fails--
		return nil, errors.New("too many open files")
	}
	return l.Listener.Accept()
}

// A panic while a connection is served ends that connection only.
func TestListener_SurvivesAPanic(t *testing.T) {
	cfg := config(newRecorder().handle)
	cfg.Authenticate = func(ctx context.Context, station string, password []byte) (string, bool) {
		if station == stranger {
			panic("of the test")
		}
		return authenticate(ctx, station, password)
	}
	f, err := Listen(cfg)
	require.NoError(t, err)
	defer func() { require.NoError(t, f.Close()) }()
	require.Equal(t, byte(refusedWithoutAnswer), dial(t, f).connect(connectPacket(stranger, passwordOf(stranger), "x")))
	login(t, f, owner, "x")
}
