package publish

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/url"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// Timeouts of a connection. The write timeout also bounds how long a stop
// waits for a stalled one.
const (
	connectTimeout = 20 * time.Second
	writeTimeout   = 10 * time.Second
	keepAlive      = 30 * time.Second
	quiesce        = 500 * time.Millisecond
	clientBuffer   = 16 // messages without PUBACK
)

// message is one that arrived.
type message struct {
	payload  []byte
	retained bool
	order    bool // on the order topic, not the receipts'
}

// link is one MQTT connection, from its CONNECT to its end. It is never
// reconnected: the next connection is a new link.
type link interface {
	// send publishes with QoS 1. errBusy means: later. That it returns nil
	// says nothing of what became of the message.
	send(topic string, retained bool, payload []byte) error
	// lost is closed when the connection is gone; cause then says why.
	lost() <-chan struct{}
	cause() error
	close() error
}

// errBusy means that too many messages wait for their PUBACK.
var errBusy = errors.New("too many messages without PUBACK")

// dialOptions are what a connection needs.
type dialOptions struct {
	broker    *url.URL
	tls       *tls.Config // nil: plaintext
	user      string
	password  string
	clientID  string
	willTopic string
	will      []byte
	subscribe string
	orders    string        // the topic of orders, or ""; a broker may refuse it
	receive   func(message) // must not block
}

// pahoLink uses paho for its protocol only: none of its stores, retries or
// reconnects, which acknowledge what they have not delivered.
type pahoLink struct {
	client mqtt.Client
	conn   net.Conn
	down   chan struct{}

	mu      sync.Mutex
	why     error
	unacked []mqtt.Token
}

func dialPaho(ctx context.Context, o dialOptions) (link, error) {
	l := &pahoLink{down: make(chan struct{})}
	conn, err := dialNet(ctx, o)
	if err != nil {
		return nil, err
	}
	l.conn = conn
	l.client = mqtt.NewClient(l.options(o))
	stop := context.AfterFunc(ctx, func() { l.end(errors.Join(ctx.Err(), l.hangUp())) })
	err = l.await(l.client.Connect(), connectTimeout)
	if err == nil {
		err = l.subscribe(o.subscribe, o.receive)
	}
	if err == nil && o.orders != "" {
		// An old access list may not let it: no orders then, but readings.
		err = l.subscribe(o.orders, func(m message) { m.order = true; o.receive(m) })
		if errors.Is(err, errRefused) {
			err = nil
		}
	}
	if !stop() && err == nil {
		err = ctx.Err()
	}
	if err != nil {
		return nil, errors.Join(err, l.close())
	}
	return l, nil
}

func (l *pahoLink) options(o dialOptions) *mqtt.ClientOptions {
	opts := mqtt.NewClientOptions().
		AddBroker(o.broker.String()).
		SetClientID(o.clientID).
		SetUsername(o.user).
		SetPassword(o.password).
		SetProtocolVersion(4).
		SetCleanSession(true).
		SetAutoReconnect(false).
		SetConnectRetry(false).
		SetConnectTimeout(connectTimeout).
		SetWriteTimeout(writeTimeout).
		SetKeepAlive(keepAlive).
		SetOrderMatters(true).
		SetStore(mqtt.NewMemoryStore()).
		SetBinaryWill(o.willTopic, o.will, 1, true).
		SetConnectionLostHandler(func(_ mqtt.Client, err error) { l.end(err) })
	// The connection exists already: paho would take proxies from the
	// environment and could not be interrupted.
	opts.SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) { return l.conn, nil })
	return opts
}

func dialNet(ctx context.Context, o dialOptions) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, connectTimeout)
	defer cancel()
	if o.tls == nil {
		return new(net.Dialer).DialContext(ctx, "tcp", o.broker.Host)
	}
	return (&tls.Dialer{Config: o.tls}).DialContext(ctx, "tcp", o.broker.Host)
}

// await waits for the broker's answer. Without a connection there is none, and
// the library may go on waiting for it.
func (l *pahoLink) await(t mqtt.Token, d time.Duration) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-t.Done():
		return t.Error()
	case <-l.down:
		return l.cause()
	case <-timer.C:
		return errors.New("no answer from the broker")
	}
}

// errRefused means that the broker refused a subscription.
var errRefused = errors.New("refused")

// refusedQoS is the return code of a refused subscription (MQTT 3.1.1, 3.9.3).
const refusedQoS = 0x80

func (l *pahoLink) subscribe(topic string, receive func(message)) error {
	t := l.client.Subscribe(topic, 1, func(_ mqtt.Client, m mqtt.Message) {
		receive(message{payload: m.Payload(), retained: m.Retained()})
	})
	if err := l.await(t, connectTimeout); err != nil {
		return fmt.Errorf("subscribe to %s: %w", topic, err)
	}
	if sub, ok := t.(*mqtt.SubscribeToken); ok && sub.Result()[topic] == refusedQoS {
		return fmt.Errorf("subscribe to %s: %w; the broker's access list must let the station read it", topic, errRefused)
	}
	return nil
}

func (l *pahoLink) send(topic string, retained bool, payload []byte) error {
	l.mu.Lock()
	keep := l.unacked[:0]
	for _, t := range l.unacked {
		select {
		case <-t.Done():
		default:
			keep = append(keep, t)
		}
	}
	clear(l.unacked[len(keep):])
	l.unacked = keep
	busy := len(keep) >= clientBuffer
	l.mu.Unlock()
	if busy {
		return errBusy
	}
	t := l.client.Publish(topic, 1, retained, payload)
	select {
	case <-t.Done():
		return t.Error()
	default:
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.unacked = append(l.unacked, t)
	return nil
}

func (l *pahoLink) lost() <-chan struct{} { return l.down }

func (l *pahoLink) cause() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.why
}

func (l *pahoLink) end(err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.why == nil {
		l.why = err
		close(l.down)
	}
}

// close sends DISCONNECT, so that the last will is not published, and makes
// sure that the connection is gone.
func (l *pahoLink) close() error {
	l.client.Disconnect(uint(quiesce.Milliseconds()))
	return l.hangUp()
}

// hangUp closes the connection, which the client may have done already.
func (l *pahoLink) hangUp() error {
	if err := l.conn.Close(); !errors.Is(err, net.ErrClosed) {
		return err
	}
	return nil
}
