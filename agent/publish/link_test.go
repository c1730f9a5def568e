package publish

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"io"
	"math/big"
	"net"
	"net/url"
	"sync"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/require"
)

// peer is the other end of a connection: it reads packets, and answers as the
// test says. A nil answer says nothing.
type peer struct {
	addr    string
	answer  func(packets.ControlPacket) packets.ControlPacket
	mu      sync.Mutex
	conn    net.Conn
	packets []packets.ControlPacket
}

// friendly answers everything.
func friendly(p packets.ControlPacket) packets.ControlPacket {
	switch p := p.(type) {
	case *packets.ConnectPacket:
		return packets.NewControlPacket(packets.Connack)
	case *packets.SubscribePacket:
		ack := packets.NewControlPacket(packets.Suback).(*packets.SubackPacket)
		ack.MessageID, ack.ReturnCodes = p.MessageID, []byte{1}
		return ack
	case *packets.PublishPacket:
		ack := packets.NewControlPacket(packets.Puback).(*packets.PubackPacket)
		ack.MessageID = p.MessageID
		return ack
	}
	return nil
}

// but is friendly, but for one kind of packet.
func but(kind byte, answer packets.ControlPacket) func(packets.ControlPacket) packets.ControlPacket {
	return func(p packets.ControlPacket) packets.ControlPacket {
		var header bytes.Buffer
		if err := p.Write(&header); err != nil || header.Bytes()[0]>>4 != kind {
			return friendly(p)
		}
		if sub, ok := p.(*packets.SubscribePacket); ok && answer != nil {
			answer.(*packets.SubackPacket).MessageID = sub.MessageID
		}
		return answer
	}
}

func listen(t *testing.T, l net.Listener, answer func(packets.ControlPacket) packets.ControlPacket) *peer {
	t.Helper()
	p := &peer{addr: l.Addr().String(), answer: answer}
	done := make(chan struct{})
	go func() {
		defer close(done)
		conn, err := l.Accept()
		if err != nil {
			return
		}
		p.mu.Lock()
		p.conn = conn
		p.mu.Unlock()
		for {
			packet, err := packets.ReadPacket(conn)
			if err != nil {
				return
			}
			p.mu.Lock()
			p.packets = append(p.packets, packet)
			if a := p.answer(packet); a != nil {
				err = a.Write(conn)
			}
			p.mu.Unlock()
			if err != nil {
				return
			}
		}
	}()
	t.Cleanup(func() {
		_ = l.Close()
		p.hangUp()
		<-done
	})
	return p
}

func (p *peer) hangUp() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.conn != nil {
		_ = p.conn.Close()
	}
}

// got returns the packets of the type of want.
func got[P packets.ControlPacket](p *peer) (list []P) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, packet := range p.packets {
		if packet, ok := packet.(P); ok {
			list = append(list, packet)
		}
	}
	return list
}

func onLoopback(t *testing.T) net.Listener {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	return l
}

func options(addr string, receive func(message)) dialOptions {
	return dialOptions{
		broker: &url.URL{Host: addr}, user: station, password: secret.Password(), clientID: run,
		willTopic: "w", will: []byte("gone"), subscribe: "r", receive: receive,
	}
}

// TestLink dials, subscribes, sends, receives and hangs up.
func TestLink(t *testing.T) {
	arrived := make(chan message, 1)
	p := listen(t, onLoopback(t), friendly)
	l, err := dialPaho(t.Context(), options(p.addr, func(m message) { arrived <- m }))
	require.NoError(t, err)
	connect := got[*packets.ConnectPacket](p)[0]
	require.Equal(t, station, connect.Username)
	require.Equal(t, secret.Password(), string(connect.Password))
	require.True(t, connect.CleanSession)
	require.True(t, connect.WillRetain)
	require.Equal(t, byte(4), connect.ProtocolVersion)
	require.NoError(t, l.send("topic", true, []byte("payload")))
	require.Eventually(t, func() bool { return len(got[*packets.PublishPacket](p)) == 1 }, 10*time.Second, time.Millisecond)
	sent := got[*packets.PublishPacket](p)[0]
	require.Equal(t, byte(1), sent.Qos)
	require.True(t, sent.Retain)
	require.Equal(t, "payload", string(sent.Payload))

	receipt := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	receipt.TopicName, receipt.Payload, receipt.Retain = "r", []byte("signed"), true
	p.mu.Lock()
	require.NoError(t, receipt.Write(p.conn))
	p.mu.Unlock()
	require.Equal(t, message{payload: []byte("signed"), retained: true}, <-arrived)
	require.NoError(t, l.close())
	require.Eventually(t, func() bool { return len(got[*packets.DisconnectPacket](p)) == 1 }, 10*time.Second, time.Millisecond, "no last will after a stop")
}

func TestLinkIsLost(t *testing.T) {
	p := listen(t, onLoopback(t), friendly)
	l, err := dialPaho(t.Context(), options(p.addr, func(message) {}))
	require.NoError(t, err)
	p.hangUp()
	<-l.lost()
	require.ErrorIs(t, l.cause(), io.EOF)
	require.Error(t, l.send("topic", false, nil), "and does not wait")
	require.NoError(t, l.close())
}

// TestLinkIsBusy has a broker that acknowledges nothing, and then all.
func TestLinkIsBusy(t *testing.T) {
	p := listen(t, onLoopback(t), but(packets.Publish, nil))
	l, err := dialPaho(t.Context(), options(p.addr, func(message) {}))
	require.NoError(t, err)
	for range clientBuffer {
		require.NoError(t, l.send("topic", false, nil))
	}
	require.ErrorIs(t, l.send("topic", false, nil), errBusy)
	require.Eventually(t, func() bool { return len(got[*packets.PublishPacket](p)) == clientBuffer }, 10*time.Second, time.Millisecond)
	for _, sent := range got[*packets.PublishPacket](p) {
		p.mu.Lock()
		require.NoError(t, friendly(sent).Write(p.conn))
		p.mu.Unlock()
	}
	require.Eventually(t, func() bool { return l.send("topic", false, nil) == nil }, 10*time.Second, time.Millisecond)
	require.NoError(t, l.close())
}

func TestLinkIsRefused(t *testing.T) {
	notAuthorised := packets.NewControlPacket(packets.Connack).(*packets.ConnackPacket)
	notAuthorised.ReturnCode = packets.ErrRefusedNotAuthorised
	refused := packets.NewControlPacket(packets.Suback).(*packets.SubackPacket)
	refused.ReturnCodes = []byte{refusedQoS}
	for name, test := range map[string]struct {
		answer func(packets.ControlPacket) packets.ControlPacket
		want   string
	}{
		"connection":   {but(packets.Connect, notAuthorised), "not Authorized"},
		"subscription": {but(packets.Subscribe, refused), "access list"},
	} {
		t.Run(name, func(t *testing.T) {
			p := listen(t, onLoopback(t), test.answer)
			_, err := dialPaho(t.Context(), options(p.addr, func(message) {}))
			require.ErrorContains(t, err, test.want)
		})
	}
	l := onLoopback(t)
	require.NoError(t, l.Close())
	_, err := dialPaho(t.Context(), options(l.Addr().String(), func(message) {}))
	require.ErrorContains(t, err, "refused")
}

// TestLinkIsStopped ends while the broker does not answer: at once, and not
// after the timeouts.
func TestLinkIsStopped(t *testing.T) {
	for name, kind := range map[string]byte{"connecting": packets.Connect, "subscribing": packets.Subscribe} {
		t.Run(name, func(t *testing.T) {
			ctx, cancel := context.WithCancel(t.Context())
			silent := but(kind, nil)
			p := listen(t, onLoopback(t), func(c packets.ControlPacket) packets.ControlPacket {
				a := silent(c)
				if a == nil {
					cancel()
				}
				return a
			})
			_, err := dialPaho(ctx, options(p.addr, func(message) {}))
			require.Error(t, err)
			require.NotContains(t, err.Error(), "no answer", "that is what waiting for the timeout says")
		})
	}
}

func TestNoAnswer(t *testing.T) {
	p := listen(t, onLoopback(t), but(packets.Publish, nil))
	l, err := dialPaho(t.Context(), options(p.addr, func(message) {}))
	require.NoError(t, err)
	paho := l.(*pahoLink)
	token := paho.client.Publish("topic", 1, false, "x")
	require.ErrorContains(t, paho.await(token, time.Millisecond), "no answer")
	require.NoError(t, l.close())
}

// TestLinkByTLS believes the named authority only.
func TestLinkByTLS(t *testing.T) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	require.NoError(t, err)
	cert, err := x509.ParseCertificate(der)
	require.NoError(t, err)
	serve := func() *peer {
		return listen(t, tls.NewListener(onLoopback(t), &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}), friendly)
	}
	o := options(serve().addr, func(message) {})
	o.tls = &tls.Config{RootCAs: x509.NewCertPool()}
	_, err = dialPaho(t.Context(), o)
	require.ErrorContains(t, err, "certificate")
	o = options(serve().addr, func(message) {})
	o.tls = &tls.Config{RootCAs: x509.NewCertPool()}
	o.tls.RootCAs.AddCert(cert)
	l, err := dialPaho(t.Context(), o)
	require.NoError(t, err)
	require.NoError(t, l.close())
}
