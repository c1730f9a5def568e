package intake

import (
	"context"
	"errors"
	"net"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewpost/rules/receipt"
)

func TestConnect_BadURL(t *testing.T) {
	_, err := Connect(t.Context(), BrokerConfig{URL: "http://127.0.0.1"}, New(Config{Store: newFakeStore(t), Now: clock, Log: quiet()}))
	require.ErrorContains(t, err, "scheme")
}

func TestNextPause(t *testing.T) {
	var got []time.Duration
	pause := time.Duration(0)
	for _, lasted := range []time.Duration{0, 0, 0, 0, 0, 0, 0, lastReconnect, lastReconnect + 1, 0} {
		pause = nextPause(pause, lasted)
		got = append(got, pause/time.Second)
	}
	require.Equal(t, []time.Duration{1, 2, 4, 8, 16, 30, 30, 30, 1, 2}, got)
}

// brokenConn fails whatever is asked of it.
type brokenConn struct{ net.Conn }

var errConn = errors.New("cable cut")

func (brokenConn) SetWriteDeadline(time.Time) error { return errConn }
func (brokenConn) Close() error                     { return errConn }

func TestBrokenConnection(t *testing.T) {
	_, err := patientConn{brokenConn{}}.Write([]byte("x"))
	require.ErrorIs(t, err, errConn)
	log, lines := counted()
	x := &External{log: log}
	x.hangUp(brokenConn{})
	require.Zero(t, lines(), "said to those only who look closely")
}

// silentToken is never done.
type silentToken struct{ mqtt.Token }

func (silentToken) Done() <-chan struct{} { return nil }

// silentClient answers nothing.
type silentClient struct{ mqtt.Client }

func (silentClient) Subscribe(string, byte, mqtt.MessageHandler) mqtt.Token { return silentToken{} }
func (silentClient) Publish(string, byte, bool, any) mqtt.Token             { return silentToken{} }

// A broker that doesn't answer is given up; who is told to stop doesn't wait
// for it.
func TestSilentBroker(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		x := &External{log: quiet(), receipts: newOutbox(), orders: newOutbox()}
		require.ErrorContains(t, x.subscribe(t.Context(), silentClient{}, "f", 1), "no answer from the broker")
		x.receipts.add(lake, said("1"))
		require.ErrorContains(t, x.send(t.Context(), silentClient{}), "publish to receipt of lake-07: no answer")
		ctx, cancel := context.WithCancelCause(t.Context())
		cancel(errConn)
		x.receipts.again()
		require.ErrorIs(t, x.send(ctx, silentClient{}), errConn)
		require.Len(t, x.receipts.sent, 1, "it goes out with the next connection")
		x.receipts.settle(envelope{lake, nil})
		require.NoError(t, x.PublishOrder(lake, []byte("do")))
		require.ErrorContains(t, x.send(t.Context(), silentClient{}), "publish to order of lake-07: no answer")
		x.orders.again()
		require.Equal(t, []envelope{{lake, said("do")}}, x.orders.take(), "as does an order")
	})
}

// heldClient holds on to what is published, as the library does for a while
// when the connection breaks under it.
type heldClient struct {
	mqtt.Client
	hold <-chan struct{}
}

func (c heldClient) Publish(string, byte, bool, any) mqtt.Token {
	<-c.hold
	return silentToken{}
}

// A connection that breaks while a receipt is handed to the library ends at
// once: the broker may be back in a second, and stations wait for receipts.
func TestBrokenWhilePublishing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hold := make(chan struct{})
		defer close(hold)
		ctx, end := context.WithCancelCause(t.Context())
		x := &External{log: quiet(), receipts: newOutbox(), orders: newOutbox()}
		x.receipts.add(lake, said("1"))
		time.AfterFunc(time.Second, func() { end(errConn) })
		began := time.Now()
		require.ErrorIs(t, x.send(ctx, heldClient{hold: hold}), errConn)
		require.Equal(t, time.Second, time.Since(began))
		require.Len(t, x.receipts.sent, 1, "it goes out with the next connection")
		x.live.Store(&live{ctx, heldClient{hold: hold}})
		require.ErrorIs(t, x.Publish(t.Context(), "t", nil), errConn)
	})
}

// A message that comes when intake has stopped is not acknowledged.
func TestExternal_IntakeStopped(t *testing.T) {
	s := newFakeStore(t)
	in, _, end := begin(t, s)
	end()
	log, lines := counted()
	x := &External{in: in, log: log}
	acked := 0
	for range largeBytes/pageBytes + 1 { // there may be room, still
		x.take(t.Context(), fakeMessage{topic: receipt.Topic(lake, receipt.LeafReadings), ack: &acked}, new(atomic.Int64), nil)
	}
	require.Zero(t, acked)
	require.Positive(t, lines())
}

// Who waits for a commit can give up; the message is committed all the same.
func TestHandle_GivesUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newFakeStore(t)
		s.hold = make(chan struct{})
		in, _, end := begin(t, s)
		committed := 0
		in.cfg.Committed = func() { committed++ }
		ctx, cancel := context.WithCancel(t.Context())
		result := make(chan error)
		go func() { result <- in.Handle(ctx, lake, batch(t, lake, run1, 1, 1)) }()
		synctest.Wait()
		cancel()
		assert.ErrorIs(t, <-result, context.Canceled)
		close(s.hold)
		time.Sleep(groupFor)
		synctest.Wait()
		require.Equal(t, 1, s.held(lake))
		require.Equal(t, 1, committed)
		end()
	})
}

// What the very last commit says is heard, though intake has stopped by then.
func TestWait_LastCommit(t *testing.T) {
	in := New(Config{Store: newFakeStore(t), Now: clock, Log: quiet()})
	close(in.stopped)
	for range 100 { // either may be looked at first
		done := make(chan error, 1)
		done <- errDisk
		require.ErrorIs(t, in.wait(t.Context(), done), errDisk)
	}
	require.ErrorIs(t, in.wait(t.Context(), make(chan error)), ErrStopped)
}

// What waits for company when it is told to stop is committed.
func TestStop_WhileCollecting(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newFakeStore(t)
		in, _, end := begin(t, s)
		result := make(chan error, 1)
		go func() { result <- in.Handle(t.Context(), lake, batch(t, lake, run1, 1, 1)) }()
		synctest.Wait()
		end()
		require.NoError(t, <-result)
		require.Equal(t, 1, s.held(lake))
	})
}

// Close doesn't wait for a broker that takes connections and says nothing.
func TestExternal_ClosesDuringTheHandshake(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	accepted := make(chan net.Conn, 1)
	go func() {
		conn, err := ln.Accept()
		assert.NoError(t, err)
		accepted <- conn
	}()
	x, err := Connect(t.Context(), BrokerConfig{URL: "tcp://" + ln.Addr().String()}, New(Config{Store: newFakeStore(t), Now: clock, Log: quiet()}))
	require.NoError(t, err)
	conn := <-accepted
	_, err = conn.Read(make([]byte, 1)) // its CONNECT is under way
	require.NoError(t, err)
	x.Close()
	require.NoError(t, conn.Close())
	require.NoError(t, ln.Close())
}
