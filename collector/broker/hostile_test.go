package broker

import (
	"bytes"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/require"

	"dewpost/rules/receipt"
)

// What counts in these tests is the effect: what reached the handler, what the
// victim heard, and that its rightful owner can do the same.

func TestHostile_PublishToAnothersTopic(t *testing.T) {
	topics := []string{
		topic(owner, receipt.LeafReadings), topic(owner, receipt.LeafState), topic(owner, receipt.LeafReceipt), topic(owner, receipt.LeafOrder),
		topic(stranger, receipt.LeafReceipt), topic(stranger, receipt.LeafOrder), topic(stranger, "else"),
		topic(stranger, receipt.LeafReadings) + "/" + owner, "dewpost/v1//readings", "dewpost/v1/+/readings", "dewpost/v1/#",
		"dewpost/v2/quay-02/readings", "/dewpost/v1/quay-02/readings", "DEWPOST/v1/quay-02/readings", "dewpost/v1/quay-02/readings/",
		"$SYS/broker/version", "$share/g/dewpost/v1/quay-02/readings", "any", "#", "\x00",
	}
	f, r := start(t)
	victim := login(t, f, owner, "victim")
	victim.subscribe(topic(owner, receipt.LeafReceipt), topic(owner, receipt.LeafOrder))
	for _, name := range topics {
		for _, qos := range []byte{0, 1, 2} {
			for _, retain := range []bool{false, true} {
				attacker := login(t, f, stranger, "attacker")
				acknowledged := attacker.publish(name, qos, retain, "forged")
				require.False(t, acknowledged && qos > 0, "%s qos %d retain %t: acknowledged", name, qos, retain)
			}
		}
	}
	require.Empty(t, r.all(), "nothing forged was handed over")
	require.Empty(t, victim.heard(f))
	late := login(t, f, owner, "late")
	require.Equal(t, []byte{1, 1}, late.subscribe(topic(owner, receipt.LeafReceipt), topic(owner, receipt.LeafOrder)))
	require.Empty(t, late.heard(f), "nothing forged was retained")

	// Control: the owner does the same.
	for _, leaf := range []string{receipt.LeafReadings, receipt.LeafState} {
		for _, qos := range []byte{0, 1, 2} {
			for _, retain := range []bool{false, true} {
				r.set(func() { r.got = nil })
				require.True(t, login(t, f, owner, "control").publish(topic(owner, leaf), qos, retain, "true"))
				require.Equal(t, []handed{{owner, leaf, "true"}}, r.all(), "%s qos %d retain %t", leaf, qos, retain)
			}
		}
	}
	require.NoError(t, f.PublishReceipt(owner, []byte("true")))
	require.Equal(t, []string{"dewpost/v1/lake-07/receipt retain=false true"}, victim.heard(f))
	requireOnlyReceiptsRetained(t, f)
}

// requireOnlyReceiptsRetained looks into the broker: nobody may read the rest,
// but it would take memory.
func requireOnlyReceiptsRetained(t *testing.T, f *Front) {
	t.Helper()
	for name := range f.server.Topics.Retained.GetAll() {
		require.Regexp(t, `^(\$SYS/.*|dewpost/v1/[a-z0-9-]+/receipt)$`, name)
	}
}

// The library keeps the packet ids of both directions in one table.
func TestReceipts_DontBlockPacketIDs(t *testing.T) {
	f, _ := start(t)
	c := login(t, f, owner, "x")
	c.subscribe(topic(owner, receipt.LeafReceipt))
	for i := range 20 {
		require.NoError(t, f.PublishReceipt(owner, fmt.Appendf(nil, "%d", i)))
	}
	require.Len(t, c.heard(f), 20)
	for range 10 {
		require.Equal(t, []byte{1}, c.subscribe(topic(owner, receipt.LeafOrder)), "a receipt with the same packet id that is not acknowledged is no reason to refuse")
		require.True(t, c.publish(topic(owner, receipt.LeafReadings), 1, false, "batch"))
	}
}

func TestHostile_Subscribe(t *testing.T) {
	filters := []string{
		topic(owner, receipt.LeafReceipt), topic(owner, receipt.LeafOrder), topic(owner, receipt.LeafReadings), topic(owner, receipt.LeafState),
		topic(stranger, receipt.LeafReadings), topic(stranger, receipt.LeafState),
		"#", "+/#", "dewpost/#", "dewpost/v1/+/receipt", "dewpost/v1/lake-07/+", "dewpost/v1/lake-07/#", "dewpost/v1/quay-02/+", "dewpost/v1/quay-02/#",
		"$share/g/dewpost/v1/lake-07/receipt", "$share/g/dewpost/v1/quay-02/receipt", "$share/g/#", "$SYS/#", "$SYS/broker/version",
	}
	f, _ := start(t)
	attacker, victim := login(t, f, stranger, "attacker"), login(t, f, owner, "victim")
	require.NoError(t, f.PublishReceipt(owner, []byte("retained")))
	require.Equal(t, bytes.Repeat([]byte{0x80}, len(filters)), attacker.subscribe(filters...))
	require.Equal(t, []byte{1}, attacker.subscribe(topic(stranger, receipt.LeafReceipt)), "control")
	require.Equal(t, []byte{1}, victim.subscribe(topic(owner, receipt.LeafReceipt)), "control")
	require.NoError(t, f.PublishReceipt(owner, []byte("live")))
	require.NoError(t, f.PublishReceipt(stranger, []byte("own")))
	require.Equal(t, []string{"dewpost/v1/lake-07/receipt retain=true retained", "dewpost/v1/lake-07/receipt retain=false live"}, victim.heard(f), "control")
	require.Equal(t, []string{"dewpost/v1/quay-02/receipt retain=false own"}, attacker.heard(f))
}

func TestHostile_Will(t *testing.T) {
	f, r := start(t)
	with := func(user, topic string, qos byte, retain bool, payload string) *packets.ConnectPacket {
		p := connectPacket(user, passwordOf(user), "x")
		p.WillFlag, p.WillTopic, p.WillQos, p.WillRetain, p.WillMessage = true, topic, qos, retain, []byte(payload)
		return p
	}
	for _, name := range []string{
		topic(owner, receipt.LeafState), topic(owner, receipt.LeafReadings), topic(owner, receipt.LeafReceipt),
		topic(stranger, receipt.LeafReadings), topic(stranger, receipt.LeafReceipt), topic(stranger, receipt.LeafOrder), "any",
	} {
		c := dial(t, f)
		require.Equal(t, byte(packets.ErrRefusedNotAuthorised), c.connect(with(stranger, name, 1, true, "forged")), name)
		require.Nil(t, c.read())
	}
	c := dial(t, f)
	require.Equal(t, byte(packets.ErrRefusedNotAuthorised), c.connect(with(owner, topic(owner, receipt.LeafState), 1, true, strings.Repeat("x", maxState+1))))
	wrong := with(owner, topic(owner, receipt.LeafState), 1, true, "of nobody")
	wrong.Password = []byte("wrong")
	require.NotEqual(t, byte(packets.Accepted), dial(t, f).connect(wrong), "a will needs a login")
	require.Empty(t, r.all())

	// Control: the owner's own will comes when it vanishes, and not when it says goodbye.
	polite := dial(t, f)
	require.Equal(t, byte(packets.Accepted), polite.connect(with(owner, topic(owner, receipt.LeafState), 1, true, "gone politely")))
	polite.write(packets.NewControlPacket(packets.Disconnect))
	require.Nil(t, polite.read())
	for _, retain := range []bool{false, true} {
		c := dial(t, f)
		require.Equal(t, byte(packets.Accepted), c.connect(with(owner, topic(owner, receipt.LeafState), 1, retain, "gone")))
		require.NoError(t, c.conn.Close())
		require.Equal(t, handed{owner, receipt.LeafState, "gone"}, <-r.in)
	}
	require.NoError(t, f.Close())
	requireOnlyReceiptsRetained(t, f)
}

// The client id gives no rights, also none over another's connection.
func TestHostile_ClientID(t *testing.T) {
	f, r := start(t)
	victim := login(t, f, owner, "victim")
	victim.subscribe(topic(owner, receipt.LeafReceipt))
	for _, id := range []string{"victim", owner, owner + "/1", owner + "/victim", "inline", "stations", "local", ""} {
		attacker := login(t, f, stranger, id)
		require.True(t, attacker.alive())
		require.Equal(t, []byte{0x80}, attacker.subscribe(topic(owner, receipt.LeafReceipt)), "rights don't follow the client id")
		require.True(t, victim.alive(), "thrown out by client id %q", id)
	}
	require.NoError(t, f.PublishReceipt(owner, []byte("still heard")))
	require.Equal(t, []string{"dewpost/v1/lake-07/receipt retain=false still heard"}, victim.heard(f))
	require.True(t, victim.publish(topic(owner, receipt.LeafReadings), 1, false, "batch"))
	require.Len(t, r.of(owner), 1)

	// Control: with its own name and the same client id it takes over.
	again := login(t, f, owner, "victim")
	require.Nil(t, victim.read())
	require.True(t, again.alive())
}

func TestStation_KeepsItsNewestConnections(t *testing.T) {
	f, _ := start(t)
	var list []*rawClient
	for i := range perStation + 2 {
		list = append(list, login(t, f, owner, fmt.Sprint(i)))
		require.True(t, list[i].alive())
	}
	other := login(t, f, stranger, "0")
	for i, c := range list {
		if i < 2 {
			require.Nil(t, c.read(), i)
		} else {
			require.True(t, c.alive(), i)
		}
	}
	require.True(t, other.alive())
}

func TestHostile_Login(t *testing.T) {
	f, r := start(t)
	for _, p := range []*packets.ConnectPacket{
		connectPacket(owner, "wrong", "x"),
		connectPacket(owner, "", "x"),
		connectPacket(owner, passwordOf(stranger), "x"),
		connectPacket(owner, passwordOf(owner)+"\x00", "x"),
		connectPacket("", "", "x"),
		connectPacket("", "", owner),
		connectPacket("nobody", passwordOf("nobody"), "x"),
		connectPacket(owner+"/readings", passwordOf(owner), "x"),
		connectPacket("+", passwordOf("+"), "x"),
		connectPacket("LAKE-07", passwordOf(owner), "x"),
	} {
		c := dial(t, f)
		code := c.connect(p)
		require.NotEqual(t, byte(packets.Accepted), code, "user %q password %q", p.Username, p.Password)
		require.Nil(t, c.read(), "the connection must end")
	}
	require.EqualValues(t, 0, f.Stats().Connected)
	require.Positive(t, f.Stats().RefusedLogins)
	require.Empty(t, r.all())
	login(t, f, owner, "x") // control
}

func TestHostile_Protocol(t *testing.T) {
	f, r := start(t)
	publish := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	publish.TopicName, publish.Qos, publish.MessageID = topic(owner, receipt.LeafReadings), 1, 1

	c := dial(t, f)
	c.write(publish)
	require.Nil(t, c.read(), "a publication before the login")

	c = login(t, f, owner, "x")
	c.write(connectPacket(stranger, passwordOf(stranger), "x"))
	require.Nil(t, c.read(), "a second CONNECT")

	for _, version := range []byte{3, 6} {
		p := connectPacket(owner, passwordOf(owner), "x")
		p.ProtocolVersion = version
		if version == 3 {
			p.ProtocolName = "MQIsdp"
		}
		require.NotEqual(t, byte(packets.Accepted), dial(t, f).connect(p), "protocol level %d", version)
	}
	c = dial(t, f)
	_, err := c.conn.Write(connectMQTT5(owner, passwordOf(owner)))
	require.NoError(t, err)
	head := make([]byte, 4)
	_, err = io.ReadFull(c.conn, head)
	require.NoError(t, err)
	require.Equal(t, byte(0x20), head[0], "answered by a CONNACK")
	require.NotZero(t, head[3], "that refuses")
	require.Empty(t, r.all())

	c = login(t, f, owner, "x") // control
	c.write(publish)
	require.IsType(t, &packets.PubackPacket{}, c.read())
	require.Len(t, r.all(), 1)
}

// connectMQTT5 is a CONNECT of MQTT 5: level 5, and no properties.
func connectMQTT5(user, password string) []byte {
	body := []byte("\x00\x04MQTT\x05\xc2\x00\x1e\x00")
	for _, text := range []string{"x", user, password} {
		body = append(body, 0, byte(len(text)))
		body = append(body, text...)
	}
	return append([]byte{0x10, byte(len(body))}, body...)
}

// A session that asks to be kept is not, so that nothing piles up.
func TestHostile_SessionsAreClean(t *testing.T) {
	f, _ := start(t)
	for i := range 20 {
		p := connectPacket(stranger, passwordOf(stranger), fmt.Sprint("keep", i))
		p.CleanSession = false
		c := dial(t, f)
		require.Equal(t, byte(packets.Accepted), c.connect(p))
		require.Equal(t, []byte{1}, c.subscribe(topic(stranger, receipt.LeafReceipt)))
		c.write(packets.NewControlPacket(packets.Disconnect))
		require.Nil(t, c.read())
	}
	login(t, f, owner, "x")
	require.Eventually(t, func() bool { return f.server.Clients.Len() == 2 }, soon, time.Millisecond, "the one connected and the broker's own")
}

func TestHostile_Oversize(t *testing.T) {
	f, r := start(t)
	c := login(t, f, stranger, "x")
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.TopicName, p.Qos, p.MessageID, p.Payload = topic(stranger, receipt.LeafReadings), 1, 1, make([]byte, maxPacket)
	_ = p.Write(c.conn) // the broker may hang up in the middle of it
	require.Nil(t, c.read(), "larger than a packet may be")

	// A length that is only claimed takes no memory and no time.
	for range 20 {
		c = dial(t, f)
		_, err := c.conn.Write([]byte{0x10, 0xff, 0xff, 0xff, 0x7f})
		require.NoError(t, err)
		require.Nil(t, c.read())
		c = login(t, f, stranger, "x")
		_, err = c.conn.Write([]byte{0x32, 0xff, 0xff, 0xff, 0x7f})
		require.NoError(t, err)
		require.Nil(t, c.read())
	}
	require.Empty(t, r.all())

	c = login(t, f, stranger, "x")
	require.True(t, c.publish(topic(stranger, receipt.LeafState), 1, true, strings.Repeat("x", maxState+1)), "it would send it for ever")
	require.Empty(t, r.all(), "and is kept by nobody")
	require.Eventually(t, func() bool { return f.Stats().Refused == 22 }, soon, time.Millisecond, "21 packets, 1 state")

	// Control: what a batch may be, and what is more for the decoder to refuse and count.
	require.True(t, c.publish(topic(stranger, receipt.LeafReadings), 1, false, strings.Repeat("x", receipt.MaxBatch)))
	require.True(t, c.publish(topic(stranger, receipt.LeafReadings), 1, false, strings.Repeat("x", receipt.MaxBatch+1)))
	require.True(t, c.publish(topic(stranger, receipt.LeafState), 1, true, strings.Repeat("x", maxState)))
	require.Len(t, r.all(), 3)
	require.EqualValues(t, 22, f.Stats().Refused)
}

// Who says nothing is sent away; who has logged in may be silent.
func TestHostile_Silent(t *testing.T) {
	lim := limitsOfTests()
	lim.handshake = 50 * time.Millisecond
	f, _ := startWith(t, lim)
	quiet := login(t, f, owner, "x")
	mute, slow := dial(t, f), dial(t, f)
	_, err := slow.conn.Write([]byte{0x10, 0x40, 0x00})
	require.NoError(t, err)
	require.Nil(t, mute.read())
	require.Nil(t, slow.read())
	require.True(t, quiet.alive())
}

// Whatever bytes come, the broker lives and its handler sees none of them.
func TestHostile_Noise(t *testing.T) {
	f, r := start(t)
	const seed = 20260107
	t.Logf("seed %d", seed)
	rnd := rand.New(rand.NewPCG(seed, 1))
	for i := range 300 {
		var c *rawClient
		if i%2 == 0 {
			c = dial(t, f)
		} else {
			c = login(t, f, stranger, "x")
		}
		noise := make([]byte, 1+rnd.IntN(60))
		for j := range noise {
			noise[j] = byte(rnd.Uint32())
		}
		noise[0] = byte(1+rnd.IntN(15))<<4 | noise[0]&0x0f
		if len(noise) > 2 && rnd.IntN(3) > 0 {
			noise[1] = byte(len(noise) - 2) // a packet of the right length
		}
		_, err := c.conn.Write(noise)
		require.NoError(t, err)
		_ = c.conn.(*net.TCPConn).CloseWrite() // the broker may have hung up already
	}
	victim := login(t, f, owner, "x")
	require.True(t, victim.publish(topic(owner, receipt.LeafReadings), 1, false, "batch"))
	require.Len(t, r.all(), 1)
	require.NoError(t, f.Close(), "nobody is left behind")
}
