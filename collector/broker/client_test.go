package broker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dewpost/rules/receipt"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const (
	owner    = "lake-07" // the station that is attacked
	stranger = "quay-02" // an enrolled station that attacks
	soon     = 5 * time.Second
)

func passwordOf(station string) string { return "password of " + station }

func authenticate(_ context.Context, station string, password []byte) (string, bool) {
	return string(password), (station == owner || station == stranger) && string(password) == passwordOf(station)
}

// handed is one message that reached the handler.
type handed struct{ station, leaf, payload string }

// recorder is a Handler that keeps what it gets. It fails or blocks when told.
type recorder struct {
	mu   sync.Mutex
	got  []handed
	fail int           // so many messages, from the next one on
	hold chan struct{} // if not nil, messages wait until it is closed
	in   chan handed   // told of every message before it waits
}

func newRecorder() *recorder { return &recorder{in: make(chan handed, 1000)} }

func (r *recorder) handle(ctx context.Context, station, leaf string, payload []byte) error {
	m := handed{station, leaf, string(payload)}
	r.mu.Lock()
	hold := r.hold
	r.mu.Unlock()
	r.in <- m
	if hold != nil {
		select {
		case <-hold:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.fail > 0 {
		r.fail--
		return errors.New("disk full")
	}
	r.got = append(r.got, m)
	return nil
}

func (r *recorder) all() []handed {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.got)
}

func (r *recorder) of(station string) (list []handed) {
	for _, m := range r.all() {
		if m.station == station {
			list = append(list, m)
		}
	}
	return list
}

func (r *recorder) set(f func()) {
	r.mu.Lock()
	defer r.mu.Unlock()
	f()
}

func start(t *testing.T) (*Front, *recorder) {
	t.Helper()
	return startWith(t, limitsOfTests())
}

func limitsOfTests() limits {
	lim := generous()
	lim.handshake, lim.patience, lim.late = soon, soon, 10*time.Millisecond
	return lim
}

func config(handle Handler) Config {
	return Config{Addr: "127.0.0.1:0", Authenticate: authenticate, Handle: handle, Take: beside(handle), Log: slog.New(slog.DiscardHandler)}
}

// beside takes readings and handles each beside the others.
func beside(handle Handler) Take {
	return func(ctx context.Context, station string, payload []byte, done func(error)) error {
		go func() { done(handle(ctx, station, receipt.LeafReadings, payload)) }()
		return nil
	}
}

func startWith(t *testing.T, lim limits) (*Front, *recorder) {
	t.Helper()
	r := newRecorder()
	f, err := listen(config(r.handle), lim)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, f.Close()) })
	return f, r
}

// rawClient speaks MQTT packet by packet: it does what polite libraries don't.
type rawClient struct {
	t     *testing.T
	conn  net.Conn
	next  uint16 // packet id
	early []*packets.PublishPacket
	login string // station
	over  bool   // the connection has ended
}

func dial(t *testing.T, f *Front) *rawClient {
	t.Helper()
	conn, err := net.DialTimeout("tcp", f.Addr(), soon)
	require.NoError(t, err)
	t.Cleanup(func() { conn.Close() }) //nolint:errcheck // most are closed already
	return &rawClient{t: t, conn: conn}
}

func connectPacket(user, password, clientID string) *packets.ConnectPacket {
	c := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	c.ProtocolName, c.ProtocolVersion, c.CleanSession, c.Keepalive = "MQTT", 4, true, 30
	c.ClientIdentifier = clientID
	if user != "" {
		c.UsernameFlag, c.Username = true, user
	}
	if password != "" {
		c.PasswordFlag, c.Password = true, []byte(password)
	}
	return c
}

// login connects a station with its own password.
func login(t *testing.T, f *Front, station, clientID string) *rawClient {
	t.Helper()
	c := dial(t, f)
	require.Equal(t, byte(packets.Accepted), c.connect(connectPacket(station, passwordOf(station), clientID)))
	require.True(t, c.alive())
	c.login = station
	return c
}

// connect returns the CONNACK's code, or refusedWithoutAnswer.
func (c *rawClient) connect(p *packets.ConnectPacket) byte {
	c.t.Helper()
	c.write(p)
	ack, ok := c.read().(*packets.ConnackPacket)
	if !ok {
		return refusedWithoutAnswer
	}
	return ack.ReturnCode
}

const refusedWithoutAnswer = 0xff

func (c *rawClient) write(p packets.ControlPacket) {
	c.t.Helper()
	require.NoError(c.t, c.conn.SetWriteDeadline(time.Now().Add(soon)))
	require.NoError(c.t, p.Write(c.conn))
}

// read returns the next packet, nil when the broker has closed the connection.
func (c *rawClient) read() packets.ControlPacket {
	c.t.Helper()
	require.NoError(c.t, c.conn.SetReadDeadline(time.Now().Add(soon)))
	p, err := packets.ReadPacket(c.conn)
	if err != nil {
		var timeout net.Error
		require.False(c.t, errors.As(err, &timeout) && timeout.Timeout(), "the broker neither answered nor closed the connection")
		return nil
	}
	if _, ok := p.(*packets.DisconnectPacket); ok {
		return nil
	}
	return p
}

func (c *rawClient) id() uint16 {
	c.next++
	return c.next
}

// publish sends, and returns whether the broker acknowledged. With QoS 0 it
// asks for a ping and returns whether that was answered.
func (c *rawClient) publish(topic string, qos byte, retain bool, payload string) bool {
	c.t.Helper()
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.TopicName, p.Qos, p.Retain, p.Payload = topic, qos, retain, []byte(payload)
	if qos > 0 {
		p.MessageID = c.id()
	}
	c.write(p)
	switch qos {
	case 0:
		return c.alive()
	case 1:
		acks := c.answers()
		for range 500 { // a message is acknowledged when it is safe: the answer to a ping may overtake that
			if len(acks) > 0 || c.over {
				break
			}
			acks = c.answers()
		}
		return len(acks) == 1 && acks[0].Details().MessageID == p.MessageID
	}
	if acks := c.answers(); len(acks) != 1 || acks[0].Details().MessageID != p.MessageID {
		return false
	}
	rel := packets.NewControlPacket(packets.Pubrel).(*packets.PubrelPacket)
	rel.MessageID = p.MessageID
	c.write(rel)
	acks := c.answers()
	return len(acks) == 1 && acks[0].Details().MessageID == p.MessageID
}

// answers asks for a ping and returns what came before its answer, or before
// the end of the connection, messages left out.
func (c *rawClient) answers() (list []packets.ControlPacket) {
	c.t.Helper()
	if packets.NewControlPacket(packets.Pingreq).Write(c.conn) != nil {
		c.over = true
		return nil
	}
	for {
		p := c.read()
		switch p := p.(type) {
		case *packets.PublishPacket:
			c.early = append(c.early, p)
			continue
		case nil:
			c.over = true
			return list
		case *packets.PingrespPacket:
			return list
		}
		list = append(list, p)
	}
}

// alive asks for a ping. All that was sent before has been handled when it is
// answered.
func (c *rawClient) alive() bool {
	c.t.Helper()
	if packets.NewControlPacket(packets.Pingreq).Write(c.conn) != nil {
		return false
	}
	_, ok := c.read().(*packets.PingrespPacket)
	return ok
}

// subscribe returns the SUBACK's codes.
func (c *rawClient) subscribe(filters ...string) []byte {
	c.t.Helper()
	p := packets.NewControlPacket(packets.Subscribe).(*packets.SubscribePacket)
	p.MessageID, p.Topics, p.Qoss = c.id(), filters, slices.Repeat([]byte{1}, len(filters))
	c.write(p)
	acks := c.answers()
	require.Len(c.t, acks, 1)
	ack, ok := acks[0].(*packets.SubackPacket)
	require.True(c.t, ok, "no SUBACK")
	return ack.ReturnCodes
}

// heard returns the messages that have come since it was last called. A receipt
// to the station itself, which must have subscribed to them, marks the end:
// messages keep their order, while answers may overtake them.
func (c *rawClient) heard(f *Front) (list []string) {
	c.t.Helper()
	const mark = "the end "
	end := mark + c.conn.LocalAddr().String()
	require.NoError(c.t, f.PublishReceipt(c.login, []byte(end)))
	for ended := false; !ended; {
		for _, p := range c.early {
			ended = ended || string(p.Payload) == end
			if !strings.HasPrefix(string(p.Payload), mark) {
				list = append(list, fmt.Sprintf("%s retain=%t %s", p.TopicName, p.Retain, p.Payload))
			}
		}
		c.early = nil
		if !ended {
			c.early = append(c.early, c.next1())
		}
	}
	return list
}

func (c *rawClient) next1() *packets.PublishPacket {
	c.t.Helper()
	p, ok := c.read().(*packets.PublishPacket)
	require.True(c.t, ok, "no message")
	return p
}

func topic(station, leaf string) string { return receipt.Topic(station, leaf) }
