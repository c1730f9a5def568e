package publish

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"testing"
	"testing/synctest"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/require"

	"dewpost/rules/reading"
	"dewpost/rules/receipt"
)

// TestOrdersAreAnsweredAtOnce and are no receipts; the link tells of the newest
// receipt, and of connections that were given up.
func TestOrdersAreAnsweredAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		states := 0
		var heard []string
		var l *fakeLink
		mute := false
		sp := newMemSpool(1)
		pub := New(Config{
			Station: station, Broker: must(url.Parse("mqtt://127.0.0.1:1883")), Retry: retry, InFlight: 3, Report: time.Hour,
			Secret: func() receipt.Secret { return secret },
			State:  func(conn int64) ([]byte, error) { states++; return fmt.Appendf(nil, `{"conn":%d}`, conn), nil },
			Order: func(s receipt.Secret, payload []byte) bool {
				require.Equal(t, secret, s)
				heard = append(heard, string(payload))
				return string(payload) != "again"
			},
			Log: slog.New(slog.DiscardHandler),
		}, sp)
		pub.dial = func(_ context.Context, o dialOptions) (link, error) {
			require.Equal(t, "dewpost/v1/lake-07/order", o.orders)
			l = &fakeLink{opts: o, down: make(chan struct{}), answer: func(b reading.Batch) []message {
				if mute {
					return nil
				}
				return []message{signed(seqs(b)[1])}
			}}
			return l, nil
		}
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- pub.Run(ctx) }()
		synctest.Wait()
		require.Equal(t, 1, states)
		l.opts.receive(message{payload: []byte("do"), order: true})
		synctest.Wait()
		require.Equal(t, 2, states, "long before its time")
		l.opts.receive(message{payload: []byte("again"), order: true})
		synctest.Wait()
		require.Equal(t, 2, states)
		require.Equal(t, []string{"do", "again"}, heard)

		is := pub.Link()
		require.Equal(t, int64(1), is.Connections)
		require.WithinDuration(t, time.Now(), is.Receipt, time.Second)
		require.Zero(t, is.Deaf)
		mute = true
		sp.add(1)
		time.Sleep(2 * silence * retry)
		require.Positive(t, pub.Link().Deaf)
		require.Equal(t, is.Receipt, pub.Link().Receipt)
		stop()
		require.NoError(t, <-done)
	})
}

// TestOrdersRefused: an old access list lets the station read its receipts
// only.
func TestOrdersRefused(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	p := listen(t, ln, func(in packets.ControlPacket) packets.ControlPacket {
		sub, ok := in.(*packets.SubscribePacket)
		if !ok || sub.Topics[0] == "r" {
			return friendly(in)
		}
		ack := packets.NewControlPacket(packets.Suback).(*packets.SubackPacket)
		ack.MessageID, ack.ReturnCodes = sub.MessageID, []byte{refusedQoS}
		return ack
	})
	o := options(p.addr, func(message) {})
	o.orders = "o"
	l, err := dialPaho(t.Context(), o)
	require.NoError(t, err)
	require.NoError(t, l.close())
}
