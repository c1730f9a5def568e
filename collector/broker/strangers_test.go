package broker

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"math/big"
	"net"
	"net/netip"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/require"

	"dewpost/rules/receipt"
)

// secured is a broker with TLS, and who trusts it.
func secured(t *testing.T, lim limits) (*Front, *recorder, *tls.Config) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	require.NoError(t, err)
	leaf, err := x509.ParseCertificate(der)
	require.NoError(t, err)
	trusts := x509.NewCertPool()
	trusts.AddCert(leaf)
	r := newRecorder()
	cfg := config(r.handle)
	cfg.Addr = "0.0.0.0:0"
	cfg.TLS = &tls.Config{MinVersion: tls.VersionTLS13, Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}
	f, err := listen(cfg, lim)
	require.NoError(t, err, "with TLS any address is fine")
	t.Cleanup(func() { require.NoError(t, f.Close()) })
	return f, r, &tls.Config{RootCAs: trusts, ServerName: "127.0.0.1"}
}

func at(f *Front) string {
	_, port, err := net.SplitHostPort(f.Addr())
	if err != nil {
		panic(err)
	}
	return net.JoinHostPort("127.0.0.1", port)
}

func TestTLS(t *testing.T) {
	f, r, trusting := secured(t, limitsOfTests())
	conn, err := tls.Dial("tcp", at(f), trusting)
	require.NoError(t, err)
	require.EqualValues(t, tls.VersionTLS13, conn.ConnectionState().Version)
	c := &rawClient{t: t, conn: conn, login: owner}
	require.Equal(t, byte(packets.Accepted), c.connect(connectPacket(owner, passwordOf(owner), "x")))
	require.True(t, c.publish(topic(owner, receipt.LeafReadings), 1, false, "batch"))
	c.subscribe(topic(owner, receipt.LeafReceipt))
	require.NoError(t, f.PublishReceipt(owner, []byte("one"), []byte("two")))
	require.Equal(t, []string{"dewpost/v1/lake-07/receipt retain=false one", "dewpost/v1/lake-07/receipt retain=false two"}, c.heard(f))

	old := trusting.Clone()
	old.MaxVersion = tls.VersionTLS12
	_, err = tls.Dial("tcp", at(f), old)
	require.ErrorContains(t, err, "protocol version")
	raw, err := net.Dial("tcp", at(f))
	require.NoError(t, err)
	plain := &rawClient{t: t, conn: raw}
	require.Equal(t, byte(refusedWithoutAnswer), plain.connect(connectPacket(owner, passwordOf(owner), "x")), "nothing in the clear")
	require.Eventually(t, func() bool { return f.Stats().Handshakes == 2 }, soon, time.Millisecond)
	require.True(t, c.alive())

	// A broker that closes lets messages end, here too.
	hold := make(chan struct{})
	r.set(func() { r.hold = hold })
	<-r.in
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.TopicName, p.Qos, p.MessageID = topic(owner, receipt.LeafReadings), 1, 9
	c.write(p)
	<-r.in
	closed := make(chan error)
	go func() { closed <- f.Close() }()
	close(hold)
	require.NoError(t, <-closed)
	require.IsType(t, &packets.PubackPacket{}, c.read())
}

// Who doesn't get through TLS and CONNECT in time gives its place back, at
// whatever point it stops.
func TestHandshake_InTime(t *testing.T) {
	lim := limitsOfTests()
	lim.handshake, lim.places = 50*time.Millisecond, 4
	f, _, trusting := secured(t, lim)
	mute, err := net.Dial("tcp", at(f))
	require.NoError(t, err)
	half, err := net.Dial("tcp", at(f))
	require.NoError(t, err)
	_, err = half.Write([]byte{22, 3, 1, 0, 200, 1}) // the beginning of a ClientHello
	require.NoError(t, err)
	silent, err := tls.Dial("tcp", at(f), trusting)
	require.NoError(t, err)
	slow, err := tls.Dial("tcp", at(f), trusting)
	require.NoError(t, err)
	_, err = slow.Write([]byte{0x10, 0x40, 0x00})
	require.NoError(t, err)
	for _, conn := range []net.Conn{mute, half, silent, slow} {
		require.NoError(t, conn.SetReadDeadline(time.Now().Add(soon)))
		_, err := conn.Read(make([]byte, 1))
		var timeout net.Error
		require.Error(t, err)
		require.False(t, errors.As(err, &timeout) && timeout.Timeout(), "it is sent away")
	}
	require.Eventually(t, func() bool { return f.Stats().Handshakes == 4 }, soon, time.Millisecond)
	require.Zero(t, f.Stats().NoPlace)
	conn, err := tls.Dial("tcp", at(f), trusting)
	require.NoError(t, err)
	c := &rawClient{t: t, conn: conn}
	require.Equal(t, byte(packets.Accepted), c.connect(connectPacket(owner, passwordOf(owner), "x")))
	require.True(t, c.alive(), "who is in has all the time")
}

// elsewhere lets connections come from the addresses that it is given.
type elsewhere struct {
	net.Listener
	from chan string // one for each connection
}

func (e *elsewhere) Accept() (net.Conn, error) {
	conn, err := e.Listener.Accept()
	if err != nil {
		return nil, err
	}
	return &foreign{conn, netip.MustParseAddrPort(<-e.from)}, nil
}

type foreign struct {
	net.Conn
	addr netip.AddrPort
}

func (f *foreign) RemoteAddr() net.Addr { return net.TCPAddrFromAddrPort(f.addr) }

// abroad starts a broker whose clients say where they come from.
func abroad(t *testing.T, lim limits) (*Front, func(addr string) *rawClient) {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	e := &elsewhere{ln, make(chan string, 1)}
	f, err := serve(e, config(newRecorder().handle), lim)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, f.Close()) })
	return f, func(addr string) *rawClient {
		e.from <- addr
		return dial(t, f)
	}
}

// held is how many places are taken.
func held(f *Front) int {
	f.listener.mu.Lock()
	defer f.listener.mu.Unlock()
	return f.listener.places
}

func TestPlaces(t *testing.T) {
	lim := limitsOfTests()
	lim.places, lim.placesEach, lim.connections = 5, 2, 8
	f, from := abroad(t, lim)
	waits := func(addr string) *rawClient {
		c := from(addr)
		c.write(packets.NewControlPacket(packets.Pingreq)) // no CONNECT: answered by the end, if it has a place
		return c
	}
	var idle []*rawClient
	settle := func(places int) {
		t.Helper()
		require.Eventually(t, func() bool { return held(f) == places }, soon, time.Millisecond)
	}
	come := func(addr string, gets bool) {
		t.Helper()
		before := f.Stats().NoPlace
		c := from(addr)
		if gets {
			idle = append(idle, c)
			settle(len(idle))
			return
		}
		require.Nil(t, c.read())
		require.Equal(t, before+1, f.Stats().NoPlace)
	}
	come("192.0.2.1:1", true)
	come("192.0.2.1:2", true)
	come("192.0.2.1:3", false) // its third
	come("[::ffff:192.0.2.1]:4", false)
	come("[2001:db8::1]:1", true)
	come("[2001:db8::2]:1", true)
	come("[2001:db8::3]:1", false) // of one /64
	come("[2001:db8:0:1::3]:1", true)
	come("192.0.2.2:1", false) // the sixth in all
	come("127.0.0.1:1", false)
	require.NoError(t, idle[0].conn.Close())
	idle = idle[1:]
	settle(4)
	come("127.0.0.1:1", true)

	// Who logs in gives the place back, and keeps a connection.
	for i, c := range idle {
		who := []string{owner, stranger}[i%2]
		require.Equal(t, byte(packets.Accepted), c.connect(connectPacket(who, passwordOf(who), fmt.Sprint(i))))
		require.True(t, c.alive())
	}
	settle(0)
	idle = nil
	for range 3 { // this machine has no bound of its own
		come("127.0.0.1:1", true)
	}
	require.Nil(t, from("192.0.2.9:1").read())
	require.EqualValues(t, 1, f.Stats().NoRoom, "the ninth connection")
	require.EqualValues(t, 1, f.Stats().Handshakes, "who hung up before it said anything")
	bad := idle[2]
	bad.write(packets.NewControlPacket(packets.Pingreq))
	require.Nil(t, bad.read(), "no CONNECT")
	settle(2)
	require.EqualValues(t, 2, f.Stats().Handshakes)
	require.Nil(t, waits("192.0.2.9:1").read())
}

// A length that is claimed before a login takes no memory.
func TestConnect_NoLargerThanItMayBe(t *testing.T) {
	f, _ := start(t)
	for _, head := range [][]byte{{0x10, 0xff, 0xff, 0xff, 0x7f}, {0x10, 0xff, 0xff, 0xff, 0xff}, {0x10, 0x81, 0xa0, 0x01}, {0x30, 0x10}, {0x1f, 0x10}} {
		c := dial(t, f)
		_, err := c.conn.Write(head)
		require.NoError(t, err)
		require.Nil(t, c.read(), "%x", head)
	}
	require.EqualValues(t, 5, f.Stats().Handshakes)
	large := connectPacket(owner, passwordOf(owner), "x")
	large.WillFlag, large.WillTopic, large.WillMessage = true, topic(owner, receipt.LeafState), bytes.Repeat([]byte("x"), maxState)
	require.Equal(t, byte(packets.Accepted), dial(t, f).connect(large), "control: the largest there can be")
}

// Wrong passwords are answered late when there are many, by whomever; the right
// one opens at once, from the same address too.
func TestGuessing_HurtsNobodyElse(t *testing.T) {
	lim := limitsOfTests()
	lim.late, lim.placesEach = time.Hour, 8
	lim.wrong.each, lim.wrongEach.each = time.Hour, time.Hour // the machine may be slow
	f, from := abroad(t, lim)
	guess := func(addr, name string) *rawClient {
		c := from(addr)
		c.write(connectPacket(name, "wrong", "x"))
		return c
	}
	for i := range lim.wrong.atOnce {
		require.NotNil(t, guess("192.0.2.66:1", owner).read(), "attempt %d is answered", i)
	}
	for range 3 {
		guess("192.0.2.66:1", owner)
	}
	require.Eventually(t, func() bool { return f.Stats().LateAnswers == 3 }, soon, time.Millisecond)
	require.NotNil(t, guess("192.0.2.66:1", stranger).read(), "another name has a budget of its own")
	for _, addr := range []string{"192.0.2.7:1", "192.0.2.66:1", "127.0.0.1:1"} {
		c := from(addr)
		require.Equal(t, byte(packets.Accepted), c.connect(connectPacket(owner, passwordOf(owner), addr)), "the owner at %s", addr)
	}
	require.NotNil(t, guess("192.0.2.8:1", owner).read(), "somebody else")

	// An address has a budget for all names together.
	f, from = abroad(t, lim)
	for i := range lim.wrongEach.atOnce {
		c := guess("192.0.2.66:1", fmt.Sprint("name-", i))
		require.NotNil(t, c.read())
		require.Nil(t, c.read())
	}
	require.Eventually(t, func() bool { return held(f) == 0 }, soon, time.Millisecond, "their places are free again")
	guess("192.0.2.66:1", "name-x")
	require.Eventually(t, func() bool { return f.Stats().LateAnswers == 1 }, soon, time.Millisecond)

	// Who waits for an answer has a place; they run out for that address only.
	for range lim.placesEach - 1 {
		guess("192.0.2.66:1", "name-x")
	}
	require.Eventually(t, func() bool { return f.Stats().LateAnswers == int64(lim.placesEach) }, soon, time.Millisecond)
	require.Nil(t, from("192.0.2.66:1").read())
	require.EqualValues(t, 1, f.Stats().NoPlace)
	c := from("192.0.2.7:1")
	require.Equal(t, byte(packets.Accepted), c.connect(connectPacket(owner, passwordOf(owner), "x")))
	began := time.Now()
	require.NoError(t, f.Close())
	require.Less(t, time.Since(began), soon, "a late answer doesn't hold up the end")
}

func TestThrottle(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		lim := generous()
		tr := newThrottle(lim)
		a := netip.MustParseAddr("192.0.2.1")
		spend := func() bool { return tr.spend(a, owner, time.Now()) }
		for range lim.wrong.atOnce {
			require.False(t, spend())
		}
		for range 1000 {
			require.True(t, spend(), "what is too much is not added up")
		}
		time.Sleep(lim.wrong.each)
		require.False(t, spend())
		require.True(t, spend())
		time.Sleep(time.Duration(lim.wrong.atOnce) * lim.wrong.each)
		for range lim.wrong.atOnce {
			require.False(t, spend(), "all is there again")
		}
		require.True(t, spend())

		// Memory is bounded, and guessers that rest are forgotten first.
		for i := range 3 * maxGuessers {
			tr.spend(netip.AddrFrom4([4]byte{10, byte(i >> 16), byte(i >> 8), byte(i)}), owner, time.Now())
			require.LessOrEqual(t, len(tr.free), maxGuessers)
		}
		time.Sleep(time.Hour)
		tr.forget(time.Now())
		require.Empty(t, tr.free)
	})
}

// A station that is revoked is cut, and so is one that comes in at that moment;
// who is good by something else stays.
func TestCut(t *testing.T) {
	f, r := start(t)
	a, b, other := login(t, f, owner, "a"), login(t, f, owner, "b"), login(t, f, stranger, "x")
	f.Cut(owner, passwordOf(owner))
	require.True(t, a.alive())
	f.Cut(owner, "its next password")
	require.Nil(t, a.read())
	require.Nil(t, b.read())
	require.True(t, other.alive())
	require.EqualValues(t, 2, f.Stats().Cut)
	f.Cut(stranger)
	require.Nil(t, other.read())
	require.Empty(t, r.all())

	// Between the look at the password and the login: out goes who is good by
	// something else, and who is good by what is kept comes in.
	for _, tt := range []struct {
		keep []string
		in   bool
	}{
		{nil, false},
		{[]string{"its next password"}, false},
		{[]string{passwordOf(owner)}, true},
		{[]string{"its last password", passwordOf(owner)}, true},
	} {
		looked, goOn := make(chan struct{}), make(chan struct{})
		var first atomic.Bool
		cfg := config(r.handle)
		cfg.Authenticate = func(ctx context.Context, station string, password []byte) (string, bool) {
			by, ok := authenticate(ctx, station, password)
			if first.CompareAndSwap(false, true) {
				close(looked)
				<-goOn
			}
			return by, ok
		}
		g, err := Listen(cfg)
		require.NoError(t, err)
		late := dial(t, g)
		late.write(connectPacket(owner, passwordOf(owner), "x"))
		<-looked
		g.Cut(owner, tt.keep...)
		close(goOn)
		answer := late.read()
		if tt.in {
			require.Equal(t, packets.Accepted, int(answer.(*packets.ConnackPacket).ReturnCode))
			require.True(t, late.alive())
			require.Zero(t, g.Stats().Cut)
		} else {
			if answer != nil { // a refusal, or one that was under way
				require.Nil(t, late.read())
			}
			require.EqualValues(t, 1, g.Stats().Cut)
		}
		require.Zero(t, g.Stats().RefusedLogins, "the password is not wrong")
		require.True(t, login(t, g, owner, "x").alive(), "control")
		require.NoError(t, g.Close())
	}
}

// What strangers cause is counted and hardly logged, and no password is.
func TestLog_HoldsNoPasswords(t *testing.T) {
	var log bytes.Buffer
	cfg := config(newRecorder().handle)
	cfg.Log = slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	f, err := Listen(cfg)
	require.NoError(t, err)
	dial(t, f).connect(connectPacket(strings.Repeat("x", 10_000), "a wrong password", "x"))
	for range 3 {
		dial(t, f).connect(connectPacket(owner, "a wrong password", "x"))
	}
	login(t, f, owner, "x")
	require.NoError(t, f.Close())
	require.Contains(t, log.String(), "refused a station's login")
	require.NotContains(t, log.String(), strings.Repeat("x", maxWord+1))
	require.NotContains(t, log.String(), "a wrong password")
	require.NotContains(t, log.String(), passwordOf(owner))
}
