package intake

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/receipt"
)

func TestBrokerConfig_Address(t *testing.T) {
	for _, c := range []struct {
		url, addr string
		secure    bool
	}{
		{"tcp://127.0.0.1:1883", "127.0.0.1:1883", false},
		{"mqtt://localhost", "localhost:1883", false},
		{"tcp://[::1]:2000", "[::1]:2000", false},
		{"ssl://broker.example:8884", "broker.example:8884", true},
		{"mqtts://broker.example", "broker.example:8883", true},
		{"tls://192.0.2.1:1", "192.0.2.1:1", true},
	} {
		addr, secure, err := BrokerConfig{URL: c.url}.address()
		require.NoError(t, err, c.url)
		require.Equal(t, c.addr, addr)
		require.Equal(t, c.secure, secure)
	}
	for url, says := range map[string]string{
		"tcp://broker.example:1883": "in the clear",
		"tcp://192.0.2.1":           "in the clear",
		"tcp://localhost.example":   "in the clear",
		"http://127.0.0.1":          "scheme",
		"127.0.0.1:1883":            "write tcp://",
		"":                          "write tcp://",
		"tcp://:1883":               "write tcp://",
	} {
		_, _, err := BrokerConfig{URL: url}.address()
		require.ErrorContains(t, err, says, url)
		require.ErrorContains(t, err, fmt.Sprintf("%q", url))
	}
	_, _, err := BrokerConfig{URL: "tcp://broker.example:1883", Plain: true}.address()
	require.NoError(t, err)
}

// site is a broker, a collector on it and what they know of each other.
type site struct {
	t     *testing.T
	store *fakeStore
	in    *Intake
	m     *mosquitto
	x     *External

	said   *stateStore
	states *States
}

// checked hands receipts on only if they are true at that moment.
type checked struct {
	fakePublisher
	to *External
}

func (c *checked) PublishReceipt(station string, payloads ...[]byte) error {
	if err := c.fakePublisher.PublishReceipt(station, payloads...); err != nil {
		return err
	}
	return c.to.PublishReceipt(station, payloads...)
}

func newSite(t *testing.T) *site {
	t.Helper()
	s := &site{t: t, store: newFakeStore(t)}
	s.m = startMosquitto(t, map[string]string{
		collectorUser: collectorPassword, lake: s.store.stations[lake].Password(), quay: s.store.stations[quay].Password(),
	})
	in, _, end := begin(t, s.store)
	t.Cleanup(end)
	s.in = in
	s.said = &stateStore{}
	s.states = NewStates(s.said, clock, quiet())
	in.cfg.States = s.states
	s.x = s.connect(BrokerConfig{URL: s.m.url(), User: collectorUser, Password: collectorPassword}, in)
	in.SetPublisher(&checked{fakePublisher{t: t, store: s.store}, s.x})
	require.Eventually(t, s.x.Connected, patience, 10*time.Millisecond)
	return s
}

func (s *site) connect(cfg BrokerConfig, in *Intake) *External {
	s.t.Helper()
	x, err := Connect(context.Background(), cfg, in)
	require.NoError(s.t, err)
	s.t.Cleanup(x.Close)
	return x
}

// client is a station at the broker.
type client struct {
	mqtt.Client
	t       *testing.T
	station string

	mu       sync.Mutex
	messages []string
}

func (s *site) client(station, clientID string) *client {
	s.t.Helper()
	c := &client{t: s.t, station: station}
	opts := mqtt.NewClientOptions().AddBroker(s.m.url()).SetClientID(clientID).SetProtocolVersion(4).
		SetUsername(station).SetPassword(s.store.stations[station].Password()).
		SetAutoReconnect(true).SetConnectRetry(true).SetConnectRetryInterval(50 * time.Millisecond).SetMaxReconnectInterval(100 * time.Millisecond)
	c.Client = mqtt.NewClient(opts)
	c.settle(c.Connect())
	s.t.Cleanup(func() { c.Disconnect(100) })
	return c
}

func (c *client) settle(token mqtt.Token) {
	c.t.Helper()
	require.True(c.t, token.WaitTimeout(patience))
	require.NoError(c.t, token.Error())
}

func (c *client) listen(filter string) {
	c.t.Helper()
	c.settle(c.Subscribe(filter, 1, func(_ mqtt.Client, m mqtt.Message) {
		c.mu.Lock()
		defer c.mu.Unlock()
		c.messages = append(c.messages, fmt.Sprintf("%s retain=%t %s", m.Topic(), m.Retained(), m.Payload()))
	}))
}

func (c *client) heard() []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return slices.Clone(c.messages)
}

// receipted waits for a receipt up to upto, sending again what is not settled,
// as an agent does.
func (s *site) receipted(c *client, run string, upto int64, resend func()) {
	s.t.Helper()
	next := time.Now().Add(time.Second)
	require.Eventually(s.t, func() bool {
		for _, m := range c.heard() {
			if strings.Contains(m, fmt.Sprintf(`"run":"%s","upto":%d,`, run, upto)) {
				return true
			}
		}
		if resend != nil && time.Now().After(next) {
			next = time.Now().Add(time.Second)
			resend()
		}
		return false
	}, patience, 20*time.Millisecond, "no receipt up to %d", upto)
}

func TestExternal_ReadingsInReceiptsOut(t *testing.T) {
	s := newSite(t)
	c := s.client(lake, "a")
	c.listen(receipt.Topic(lake, receipt.LeafReceipt))
	for i := range int64(100) {
		c.settle(c.Publish(receipt.Topic(lake, receipt.LeafReadings), 1, false, batch(t, lake, run1, 1+10*i, 10+10*i)))
	}
	s.receipted(c, run1, 1000, nil)
	require.Equal(t, 1000, s.store.held(lake))
	s.store.with(func() {
		for i, seq := range s.store.order[lake] {
			require.EqualValues(t, i+1, seq, "in the order they were sent")
		}
	})
	late := s.client(quay, "b")
	late.listen(receipt.Topic(quay, receipt.LeafReceipt))
	late.settle(late.Publish(receipt.Topic(quay, receipt.LeafReadings), 1, false, batch(t, quay, run2, 1, 1)))
	s.receipted(late, run2, 1, nil)
	c.Disconnect(100)
	again := s.client(lake, "a")
	again.listen(receipt.Topic(lake, receipt.LeafReceipt))
	s.receipted(again, run1, 1000, nil)
	require.Contains(t, again.heard()[0], "retain=true", "who comes later hears the last")
}

// States come in beside readings: as they are sent, and, to a collector that
// comes later, as the broker kept them, and marked so.
func TestExternal_States(t *testing.T) {
	s := newSite(t)
	c := s.client(lake, "a")
	topic := receipt.Topic(lake, receipt.LeafState)
	waits := func(states *States, n int) []record.State {
		t.Helper()
		var list []record.State
		require.Eventually(t, func() bool {
			list = append(list, states.take()...)
			return len(list) >= n
		}, patience, time.Millisecond)
		return list
	}
	c.settle(c.Publish(topic, 1, true, stateJSON(run1, 1, 5)))
	first := waits(s.states, 1)[0]
	require.Equal(t, lake, first.Station)
	require.False(t, first.Retained)
	require.True(t, first.Timed)
	c.settle(c.Publish(topic, 1, true, "not JSON"))
	c.settle(c.Publish(topic, 1, true, goneJSON(run1, 1)))
	require.True(t, waits(s.states, 1)[0].Report.Gone)
	require.EqualValues(t, 1, s.states.Stats().Refused)

	later := New(Config{Store: s.store, Now: clock, Log: quiet(), States: NewStates(s.said, clock, quiet())})
	s.connect(BrokerConfig{URL: s.m.url(), User: collectorUser, Password: collectorPassword}, later)
	kept := waits(later.cfg.States, 1)[0]
	require.True(t, kept.Retained)
	require.False(t, kept.Timed)
	require.True(t, kept.Report.Gone)
	require.Zero(t, later.Stats().Foreign)
	require.Zero(t, s.in.Stats().Foreign)
}

// The broker acknowledges to the station at once; the collector to the broker
// only after the commit, and no receipt comes before it.
func TestExternal_CommitFails(t *testing.T) {
	s := newSite(t)
	c := s.client(lake, "a")
	c.listen(receipt.Topic(lake, receipt.LeafReceipt))
	for upto, v := range []verdict{{false, errDisk}, {true, errDisk}} {
		s.store.with(func() { s.store.verdicts = []verdict{v} })
		message := batch(t, lake, run1, 1, int64(1+upto))
		send := func() {
			c.settle(c.Publish(receipt.Topic(lake, receipt.LeafReadings), 1, false, message))
		}
		failures := s.in.Stats().Failures
		send()
		require.Eventually(t, func() bool { return s.in.Stats().Failures == failures+1 }, patience, time.Millisecond)
		require.Len(t, c.heard(), upto, "no receipt for a failed commit")
		s.receipted(c, run1, int64(1+upto), send)
		require.Equal(t, 1+upto, s.store.held(lake))
	}
}

// Too many messages without acknowledgement end the connection, so that they
// pile up neither here nor in the broker; the next one works.
func TestExternal_WithheldAcknowledgementsAreBounded(t *testing.T) {
	s := newSite(t)
	c := s.client(lake, "a")
	c.listen(receipt.Topic(lake, receipt.LeafReceipt))
	s.store.with(func() { s.store.poison = lake })
	for range mostWithheld {
		c.settle(c.Publish(receipt.Topic(lake, receipt.LeafReadings), 1, false, batch(t, lake, run1, 1, 1)))
	}
	require.Eventually(t, func() bool { return !s.x.Connected() }, patience, time.Millisecond)
	s.store.with(func() { s.store.poison = "" })
	s.receipted(c, run1, 1, func() {
		c.settle(c.Publish(receipt.Topic(lake, receipt.LeafReadings), 1, false, batch(t, lake, run1, 1, 1)))
	})
}

// The broker dies, with all it knows; everything comes in by sending again,
// and the receipt that was on its way comes after all.
func TestExternal_BrokerDies(t *testing.T) {
	s := newSite(t)
	c := s.client(lake, "a")
	c.settle(c.Publish(receipt.Topic(lake, receipt.LeafReadings), 1, false, batch(t, lake, run1, 1, 5)))
	require.Eventually(t, func() bool { return s.in.Stats().Messages == 1 }, patience, time.Millisecond)
	s.m.stop(syscall.SIGKILL)
	require.Eventually(t, func() bool { return !s.x.Connected() }, patience, time.Millisecond)
	require.NoError(t, s.in.Handle(t.Context(), quay, batch(t, quay, run2, 1, 7)), "by another way, while there is no broker")
	s.m.start()
	require.Eventually(t, s.x.Connected, patience, 10*time.Millisecond)

	other := s.client(quay, "b")
	other.listen(receipt.Topic(quay, receipt.LeafReceipt))
	s.receipted(other, run2, 7, nil)

	c.Disconnect(100)
	again := s.client(lake, "c")
	again.listen(receipt.Topic(lake, receipt.LeafReceipt))
	s.receipted(again, run1, 6, func() {
		again.settle(again.Publish(receipt.Topic(lake, receipt.LeafReadings), 1, false, batch(t, lake, run1, 1, 6)))
	})
	require.Equal(t, 6, s.store.held(lake))
}

// A slow store slows the broker's deliveries down; nothing is lost.
func TestExternal_BackPressure(t *testing.T) {
	s := newSite(t)
	hold := make(chan struct{})
	s.store.with(func() { s.store.hold = hold })
	c := s.client(lake, "a")
	c.listen(receipt.Topic(lake, receipt.LeafReceipt))
	const messages = 2 * smallBytes / pageBytes // one page each, and more than there are
	tokens := make([]mqtt.Token, 0, messages)
	for i := range int64(messages) {
		tokens = append(tokens, c.Publish(receipt.Topic(lake, receipt.LeafReadings), 1, false, batch(t, lake, run1, i+1, i+1)))
	}
	for _, token := range tokens {
		c.settle(token)
	}
	require.Eventually(t, func() bool { return s.in.Stats().WaitingBytes == smallBytes }, patience, time.Millisecond)
	close(hold)
	s.receipted(c, run1, messages, nil)
	require.Equal(t, messages, s.store.held(lake))
}

// Two collectors share the work; a station's messages go to either.
func TestExternal_SharedSubscription(t *testing.T) {
	s := newSite(t)
	s.x.Close()
	s.m.stop(syscall.SIGTERM)
	s.m.allow(t, "collector2", collectorPassword)
	s.m.start()
	var ins []*Intake
	for _, user := range []string{collectorUser, "collector2"} {
		in, _, end := begin(t, s.store)
		t.Cleanup(end)
		x := s.connect(BrokerConfig{URL: s.m.url(), User: user, Password: collectorPassword, Group: "intake"}, in)
		in.SetPublisher(x)
		require.Eventually(t, x.Connected, patience, 10*time.Millisecond)
		ins = append(ins, in)
	}
	c := s.client(lake, "a")
	c.listen(receipt.Topic(lake, receipt.LeafReceipt))
	for i := range int64(100) {
		c.settle(c.Publish(receipt.Topic(lake, receipt.LeafReadings), 1, false, batch(t, lake, run1, i+1, i+1)))
	}
	s.receipted(c, run1, 100, nil)
	a, b := ins[0].Stats().Messages, ins[1].Stats().Messages
	require.EqualValues(t, 100, a+b, "each message once")
	require.NotZero(t, a)
	require.NotZero(t, b)
}

// A wrong password is said in the log and tried again; Close does not hang.
func TestExternal_WrongPassword(t *testing.T) {
	s := newSite(t)
	x := s.connect(BrokerConfig{URL: s.m.url(), User: collectorUser, Password: "wrong"}, s.in)
	require.Never(t, x.Connected, 300*time.Millisecond, 10*time.Millisecond)
	x.Close()
	require.True(t, s.x.Connected(), "control")
}

// What counts is the effect: the broker acknowledges what it refuses, and
// grants subscriptions to which nothing comes.
func TestExternal_HostileStation(t *testing.T) {
	s := newSite(t)
	victim := s.client(lake, "victim")
	victim.listen("#")
	forged := s.store.stations[quay].Receipt(lake, run1, 99).JSON()
	for _, retain := range []bool{false, true} {
		for qos := range byte(3) {
			s.attempt(quay, receipt.Topic(lake, receipt.LeafReadings), qos, retain, batch(t, lake, run1, 1, 1))
			for _, name := range []string{
				receipt.Topic(lake, receipt.LeafReceipt), receipt.Topic(lake, receipt.LeafOrder), receipt.Topic(lake, receipt.LeafState),
				receipt.Topic(quay, receipt.LeafReceipt), receipt.Topic(quay, receipt.LeafOrder), "dewpost/v1/any", "any",
			} {
				s.attempt(quay, name, qos, retain, forged)
			}
		}
	}
	attacker := s.client(quay, "victim")
	attacker.listen("#")
	attacker.listen("dewpost/v1/+/receipt")
	attacker.listen(receipt.Topic(lake, receipt.LeafReadings))
	// Control: both send what is their own, after all that.
	for _, c := range []*client{attacker, victim} {
		c.settle(c.Publish(receipt.Topic(c.station, receipt.LeafReadings), 1, true, batch(t, c.station, run2, 1, 3)))
		s.receipted(c, run2, 3, nil)
	}
	require.Equal(t, 3, s.store.held(lake), "nothing forged came in")
	victim.Disconnect(100)
	attacker.Disconnect(100)
	for _, m := range append(victim.heard(), s.late(lake)...) {
		require.True(t, strings.HasPrefix(m, "dewpost/v1/lake-07/receipt "), m)
		require.Contains(t, m, `"upto":3,`)
	}
	for _, m := range append(attacker.heard(), s.late(quay)...) {
		require.True(t, strings.HasPrefix(m, "dewpost/v1/quay-02/receipt "), m)
		require.Contains(t, m, `"upto":3,`)
	}

	// A will on another's topic, and then, as control, on its own.
	for _, station := range []string{lake, quay} {
		conn, ok := s.login(quay, receipt.Topic(station, receipt.LeafReadings), batch(t, station, run1, 50, 50))
		if ok {
			require.NoError(t, conn.Close())
		}
	}
	require.Eventually(t, func() bool { return s.store.held(quay) == 4 }, patience, 10*time.Millisecond)
	require.Equal(t, 3, s.store.held(lake))
}

// login connects as station, with a will if there is one.
func (s *site) login(station, willTopic string, will []byte) (net.Conn, bool) {
	s.t.Helper()
	conn, err := net.DialTimeout("tcp", s.m.addr, patience)
	require.NoError(s.t, err)
	require.NoError(s.t, conn.SetDeadline(time.Now().Add(patience)))
	p := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	p.ProtocolName, p.ProtocolVersion, p.CleanSession, p.ClientIdentifier = "MQTT", 4, true, "victim"
	p.UsernameFlag, p.PasswordFlag, p.Username, p.Password = true, true, station, []byte(s.store.stations[station].Password())
	p.WillFlag, p.WillTopic, p.WillQos, p.WillMessage = willTopic != "", willTopic, 1, will
	if willTopic == "" {
		p.WillQos = 0
	}
	require.NoError(s.t, p.Write(conn))
	ack, err := packets.ReadPacket(conn)
	if err != nil || ack.(*packets.ConnackPacket).ReturnCode != packets.Accepted {
		require.NoError(s.t, conn.Close())
		return nil, false
	}
	return conn, true
}

// attempt publishes as station, on a connection of its own, and waits until
// the broker has dealt with it, one way or the other.
func (s *site) attempt(station, topic string, qos byte, retain bool, payload []byte) {
	s.t.Helper()
	conn, ok := s.login(station, "", nil)
	require.True(s.t, ok)
	defer conn.Close()
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.TopicName, p.Qos, p.Retain, p.Payload, p.MessageID = topic, qos, retain, payload, 1
	require.NoError(s.t, p.Write(conn))
	if packets.NewControlPacket(packets.Pingreq).Write(conn) != nil {
		return
	}
	for {
		answer, err := packets.ReadPacket(conn)
		if err != nil {
			return // it was sent away
		}
		switch answer.(type) {
		case *packets.PubrecPacket:
			rel := packets.NewControlPacket(packets.Pubrel).(*packets.PubrelPacket)
			rel.MessageID = 1
			if rel.Write(conn) != nil || packets.NewControlPacket(packets.Pingreq).Write(conn) != nil {
				return
			}
		case *packets.PingrespPacket:
			return
		}
	}
}

// late is what a station hears that connects now.
func (s *site) late(station string) []string {
	s.t.Helper()
	c := s.client(station, "late")
	c.listen("#")
	require.Eventually(s.t, func() bool { return len(c.heard()) > 0 }, patience, 10*time.Millisecond)
	return c.heard()
}

// A message on a station's topic whose station can't be one.
func TestExternal_ForeignTopics(t *testing.T) {
	s := newSite(t)
	var acked int
	s.x.take(t.Context(), fakeMessage{topic: "dewpost/v1/UPPER/readings", ack: &acked}, nil, nil)
	s.x.take(t.Context(), fakeMessage{topic: "dewpost/v1/lake-07/order", ack: &acked}, nil, nil)
	require.Equal(t, 2, acked, "it would come again for ever")
	require.EqualValues(t, 2, s.in.Stats().Foreign)
	require.Zero(t, s.in.Stats().Messages)
}

type fakeMessage struct {
	mqtt.Message
	topic   string
	payload []byte
	ack     *int
}

func (m fakeMessage) Topic() string   { return m.topic }
func (m fakeMessage) Payload() []byte { return m.payload }
func (m fakeMessage) Ack()            { *m.ack++ }

// What could not be committed is not acknowledged to the broker.
func TestExternal_AcknowledgesWhatIsCommitted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newFakeStore(t)
		in, _, end := begin(t, s)
		defer end()
		x := &External{in: in, log: quiet()}
		var acked int
		var withheld atomic.Int64
		for i, v := range []verdict{{true, nil}, {false, errDisk}, {true, errDisk}, {true, nil}} {
			s.with(func() { s.verdicts = []verdict{v} })
			m := fakeMessage{topic: receipt.Topic(lake, receipt.LeafReadings), payload: batch(t, lake, run1, int64(i+1), int64(i+1)), ack: &acked}
			x.take(t.Context(), m, &withheld, nil)
			time.Sleep(groupFor)
			synctest.Wait()
			require.Equal(t, []int{1, 1, 1, 2}[i], acked)
		}
		require.EqualValues(t, 2, withheld.Load())
	})
}

// A receipt that went into a connection which then broke goes out again.
func TestExternal_ReceiptInABrokenConnection(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	published := make(chan string, 10)
	var broker sync.WaitGroup
	broker.Go(func() {
		for n := 1; ; n++ {
			conn, err := ln.Accept()
			if err != nil {
				return
			}
			broker.Go(func() { brokerThatBreaks(conn, n == 1, published) })
		}
	})
	s := newFakeStore(t)
	in, _, end := begin(t, s)
	x, err := Connect(t.Context(), BrokerConfig{URL: "tcp://" + ln.Addr().String()}, in)
	require.NoError(t, err)
	defer func() {
		x.Close()
		end()
		require.NoError(t, ln.Close())
		broker.Wait()
	}()
	in.SetPublisher(x)
	require.NoError(t, in.Handle(t.Context(), lake, batch(t, lake, run1, 1, 3)))
	for range 2 {
		select {
		case payload := <-published:
			require.Contains(t, payload, `"upto":3,`)
		case <-time.After(patience):
			require.Fail(t, "the receipt did not come again")
		}
	}
}

// brokerThatBreaks grants everything; with breaks it hangs up at the first
// publication, without acknowledging it.
func brokerThatBreaks(conn net.Conn, breaks bool, published chan<- string) {
	defer conn.Close()
	for {
		p, err := packets.ReadPacket(conn)
		if err != nil {
			return
		}
		var answer packets.ControlPacket
		switch p := p.(type) {
		case *packets.ConnectPacket:
			answer = packets.NewControlPacket(packets.Connack)
		case *packets.SubscribePacket:
			ack := packets.NewControlPacket(packets.Suback).(*packets.SubackPacket)
			ack.MessageID, ack.ReturnCodes = p.MessageID, []byte{1}
			answer = ack
		case *packets.PublishPacket:
			published <- string(p.Payload)
			if breaks {
				return
			}
			ack := packets.NewControlPacket(packets.Puback).(*packets.PubackPacket)
			ack.MessageID = p.MessageID
			answer = ack
		default:
			continue
		}
		if answer.Write(conn) != nil {
			return
		}
	}
}

// brokerThatRefuses grants the first subscriptions, and refuses the others.
func brokerThatRefuses(conn net.Conn, granted int) {
	defer conn.Close()
	for {
		p, err := packets.ReadPacket(conn)
		if err != nil {
			return // the collector has hung up
		}
		switch p := p.(type) {
		case *packets.ConnectPacket:
			err = packets.NewControlPacket(packets.Connack).Write(conn)
		case *packets.SubscribePacket:
			ack := packets.NewControlPacket(packets.Suback).(*packets.SubackPacket)
			ack.MessageID, ack.ReturnCodes = p.MessageID, []byte{p.Qoss[0]}
			if granted--; granted < 0 {
				ack.ReturnCodes[0] = refusedQoS
			}
			err = ack.Write(conn)
		}
		if err != nil {
			return
		}
	}
}

// A broker that refuses the subscription to readings is no connection; one that
// refuses states is.
func TestExternal_SubscriptionRefused(t *testing.T) {
	for granted, connected := range []bool{false, true, true} {
		ln, err := net.Listen("tcp", "127.0.0.1:0")
		require.NoError(t, err)
		hungUp := make(chan struct{}, 10)
		var broker sync.WaitGroup
		broker.Go(func() {
			for {
				conn, err := ln.Accept()
				if err != nil {
					return
				}
				broker.Go(func() {
					brokerThatRefuses(conn, granted)
					hungUp <- struct{}{}
				})
			}
		})
		log, lines := counted()
		in := New(Config{Store: newFakeStore(t), Now: clock, Log: log, States: NewStates(&stateStore{}, clock, quiet())})
		x, err := Connect(t.Context(), BrokerConfig{URL: "tcp://" + ln.Addr().String()}, in)
		require.NoError(t, err)
		if connected {
			require.Eventually(t, x.Connected, patience, time.Millisecond)
			require.EqualValues(t, 3-granted, lines(), "of the states that will not be heard, and of the connection")
		} else {
			<-hungUp
			require.False(t, x.Connected())
		}
		x.Close()
		require.NoError(t, ln.Close())
		broker.Wait()
	}
}

// The outbox keeps the last receipt of each station until it is acknowledged.
func TestOutbox(t *testing.T) {
	o := newOutbox()
	o.add(lake, said("1"))
	o.add(lake, said("2"))
	o.add(quay, said("1"))
	batch := o.take()
	require.ElementsMatch(t, []envelope{{lake, said("2")}, {quay, said("1")}}, batch)
	require.Empty(t, o.take())
	o.settle(envelope{quay, said("1")})
	o.again()
	require.Equal(t, []envelope{{lake, said("2")}}, o.take(), "sent into a connection that broke")
	o.add(lake, said("3"))
	o.again()
	require.Equal(t, []envelope{{lake, said("3")}}, o.take(), "the newest only")
	o.add(lake, said("old secret's", "new secret's"))
	require.Equal(t, []envelope{{lake, said("old secret's", "new secret's")}}, o.take(), "both of one receipt")
	for i := range 2 * outboxBatch {
		o.add(fmt.Sprint(i), said("x"))
	}
	require.Len(t, o.take(), outboxBatch)
}

func said(texts ...string) (payloads [][]byte) {
	for _, text := range texts {
		payloads = append(payloads, []byte(text))
	}
	return payloads
}

// A broker that has so many messages under way to a client as Mosquitto has by
// default, 20, and many others: commits that fail for a moment, as on a full disk,
// don't make the collector deaf for ever.
func TestExternal_FewUnderWay(t *testing.T) {
	s := newSite(t)
	s.m.stop(syscall.SIGTERM)
	path := filepath.Join(s.m.dir, "mosquitto.conf")
	conf, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, bytes.Replace(conf, []byte("max_inflight_messages 0"), []byte("max_inflight_messages 20"), 1), 0o600))
	require.Eventually(t, func() bool { return !s.x.Connected() }, patience, time.Millisecond)
	s.m.start()
	require.Eventually(t, s.x.Connected, patience, time.Millisecond)

	c := s.client(lake, "a")
	c.listen(receipt.Topic(lake, receipt.LeafReceipt))
	s.store.with(func() { s.store.poison = lake })
	message := batch(t, lake, run1, 1, 1)
	for range 20 {
		c.settle(c.Publish(receipt.Topic(lake, receipt.LeafReadings), 1, false, message))
	}
	require.Eventually(t, func() bool { return s.in.waiting.Load() == 0 && s.in.Stats().Failures >= 4 }, patience, time.Millisecond)
	s.store.with(func() { s.store.poison = "" })
	s.receipted(c, run1, 1, func() {
		c.settle(c.Publish(receipt.Topic(lake, receipt.LeafReadings), 1, false, message))
	})
}
