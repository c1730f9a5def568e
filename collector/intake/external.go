package intake

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"dewpost/rules/receipt"
)

const (
	keepAlive      = 30 * time.Second
	connectTimeout = 20 * time.Second
	writeTimeout   = 30 * time.Second // of the connection, for all that is written
	firstReconnect = time.Second      // doubled each time, up to:
	lastReconnect  = 30 * time.Second
	mostWithheld   = 256 // messages not acknowledged because they could not be committed
	// withheldFor is how long the first of them lasts at most: a broker may have few
	// messages under way to a client, and then sends no more.
	withheldFor = 10 * time.Second
	quiesce     = 250  // ms
	refusedQoS  = 0x80 // return code of a refused subscription (MQTT 3.1.1, 3.9.3)
)

// BrokerConfig says how to reach an external broker.
type BrokerConfig struct {
	URL      string      // tcp://host:1883, or ssl://host:8883
	User     string      // of the collector
	Password string      // read from a file by whoever fills this in
	TLS      *tls.Config // for ssl; nil: the system's authorities
	Plain    bool        // allow tcp to other hosts than this one
	Group    string      // of a shared subscription; "" for none
}

// External takes messages from an external broker. It acknowledges a message
// only after its commit; what was not acknowledged when the connection broke
// is sent again by its station, which has no receipt for it.
//
// Every connection is a client of its own: the library serves for its protocol
// only. Its reconnects sleep where they can't be stopped, and complete what
// was never acknowledged.
type External struct {
	cfg      BrokerConfig
	addr     string // host:port
	secure   bool
	filter   string // of readings
	states   string // filter of states
	in       *Intake
	log      *slog.Logger
	receipts outbox
	orders   outbox

	connected atomic.Bool
	live      atomic.Pointer[live]
	cancel    context.CancelFunc
	ended     chan struct{}
}

// Connect subscribes to all stations' readings and states and goes on trying until ctx
// ends. Close ends it.
func Connect(ctx context.Context, cfg BrokerConfig, in *Intake) (*External, error) {
	x := &External{
		cfg: cfg, in: in, log: in.cfg.Log, filter: receipt.Topic("+", receipt.LeafReadings),
		states: receipt.Topic("+", receipt.LeafState), receipts: newOutbox(), orders: newOutbox(), ended: make(chan struct{}),
	}
	var err error
	if x.addr, x.secure, err = cfg.address(); err != nil {
		return nil, err
	}
	if cfg.Group != "" {
		x.filter = "$share/" + cfg.Group + "/" + x.filter
		x.states = "$share/" + cfg.Group + "/" + x.states
	}
	ctx, x.cancel = context.WithCancel(ctx)
	go x.run(ctx)
	return x, nil
}

// address returns where to connect, and whether by TLS.
func (cfg BrokerConfig) address() (addr string, secure bool, err error) {
	u, err := url.Parse(cfg.URL)
	if err != nil || u.Hostname() == "" {
		return "", false, fmt.Errorf("broker url %q: write tcp://127.0.0.1:1883 or ssl://host:8883", cfg.URL)
	}
	port := "1883"
	switch u.Scheme {
	case "ssl", "tls", "mqtts":
		secure, port = true, "8883"
	case "tcp", "mqtt":
	default:
		return "", false, fmt.Errorf("broker url %q: scheme %q is not known; use tcp or ssl", cfg.URL, u.Scheme)
	}
	if u.Port() != "" {
		port = u.Port()
	}
	ip := net.ParseIP(u.Hostname())
	if secure || cfg.Plain || u.Hostname() == "localhost" || ip != nil && ip.IsLoopback() {
		return net.JoinHostPort(u.Hostname(), port), secure, nil
	}
	return "", false, fmt.Errorf("broker url %q: passwords and readings would cross the network in the clear; use ssl, or say plain = true", cfg.URL)
}

// run connects again and again.
func (x *External) run(ctx context.Context) {
	defer close(x.ended)
	pause := time.Duration(0)
	for {
		began := time.Now()
		err := x.session(ctx)
		if ctx.Err() != nil {
			return
		}
		pause = nextPause(pause, time.Since(began))
		x.log.Warn("no connection to the broker", "broker", x.addr, "next_try_in", pause, "error", err)
		timer := time.NewTimer(pause)
		select {
		case <-ctx.Done():
			timer.Stop()
			return
		case <-timer.C:
		}
	}
}

// nextPause returns how long to wait after a session that lasted so long,
// given the pause before it.
func nextPause(before, lasted time.Duration) time.Duration {
	if lasted > lastReconnect {
		return firstReconnect
	}
	return min(max(2*before, firstReconnect), lastReconnect)
}

// session is one connection, from its CONNECT to its end. It returns why it
// ended.
func (x *External) session(ctx context.Context) error {
	ctx, end := context.WithCancelCause(ctx)
	defer end(nil)
	conn, err := x.dial(ctx)
	if err != nil {
		return err
	}
	defer x.hangUp(conn)
	client := mqtt.NewClient(x.options(ctx, conn, end))
	defer client.Disconnect(quiesce)
	// The library's handshake can't be stopped otherwise.
	stop := context.AfterFunc(ctx, func() { x.hangUp(conn) })
	err = done(ctx, client.Connect(), connectTimeout)
	stop()
	if err != nil {
		return fmt.Errorf("connect as %s: %w", x.cfg.User, err)
	}
	if err := x.subscribe(ctx, client, x.filter, 1); err != nil {
		return err
	}
	if x.in.cfg.States != nil {
		// Readings come without states too.
		if err := x.subscribe(ctx, client, x.states, 0); err != nil {
			x.log.Warn("no states will be heard", "error", err)
		}
	}
	x.log.Info("connected to the broker", "broker", x.addr, "filter", x.filter)
	x.connected.Store(true)
	defer x.connected.Store(false)
	x.live.Store(&live{ctx, client})
	defer x.live.Store(nil)
	x.receipts.again()
	x.orders.again()
	return x.send(ctx, client)
}

// hangUp closes a connection that may be closed already.
func (x *External) hangUp(conn net.Conn) {
	if err := conn.Close(); err != nil && !errors.Is(err, net.ErrClosed) {
		x.log.Debug("closing a connection to the broker", "broker", x.addr, "error", err)
	}
}

func (x *External) dial(ctx context.Context) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, connectTimeout)
	defer cancel()
	var conn net.Conn
	var err error
	if x.secure {
		conn, err = (&tls.Dialer{Config: x.cfg.TLS}).DialContext(ctx, "tcp", x.addr)
	} else {
		conn, err = new(net.Dialer).DialContext(ctx, "tcp", x.addr)
	}
	if err != nil {
		return nil, err
	}
	return patientConn{conn}, nil
}

// patientConn bounds every write: acknowledgements are written with no other
// bound.
type patientConn struct{ net.Conn }

func (c patientConn) Write(b []byte) (int, error) {
	if err := c.SetWriteDeadline(time.Now().Add(writeTimeout)); err != nil {
		return 0, err
	}
	return c.Conn.Write(b)
}

func (x *External) options(ctx context.Context, conn net.Conn, end context.CancelCauseFunc) *mqtt.ClientOptions {
	var withheld atomic.Int64
	take := func(_ mqtt.Client, m mqtt.Message) { x.take(ctx, m, &withheld, end) }
	return mqtt.NewClientOptions().
		AddBroker("tcp://" + x.addr). // not dialled: the connection is there
		SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) { return conn, nil }).
		SetClientID(clientID()).SetUsername(x.cfg.User).SetPassword(x.cfg.Password).
		SetProtocolVersion(4).SetCleanSession(true).
		SetOrderMatters(true).SetAutoAckDisabled(true).
		SetAutoReconnect(false).SetConnectRetry(false).
		SetConnectTimeout(connectTimeout).SetKeepAlive(keepAlive).SetWriteTimeout(writeTimeout).
		SetDefaultPublishHandler(take).
		SetConnectionLostHandler(func(_ mqtt.Client, err error) { end(fmt.Errorf("connection lost: %w", err)) })
}

// clientID returns a new one: two collectors with the same would end each
// other's connections.
func clientID() string {
	b := make([]byte, 8)
	rand.Read(b) //nolint:errcheck // never fails
	return "dewpost-" + hex.EncodeToString(b)
}

// done waits for the library.
func done(ctx context.Context, t mqtt.Token, patience time.Duration) error {
	timer := time.NewTimer(patience)
	defer timer.Stop()
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return context.Cause(ctx)
	case <-timer.C:
		return errors.New("no answer from the broker")
	}
}

func (x *External) subscribe(ctx context.Context, client mqtt.Client, filter string, qos byte) error {
	token := client.Subscribe(filter, qos, nil)
	if err := done(ctx, token, connectTimeout); err != nil {
		return fmt.Errorf("subscribe to %s: %w", filter, err)
	}
	for _, code := range token.(*mqtt.SubscribeToken).Result() {
		if code == refusedQoS {
			return fmt.Errorf("subscribe to %s: the broker refuses: let user %s read it", filter, x.cfg.User)
		}
	}
	return nil
}

// take is called by the library for one message after the other. It blocks
// while there is no room, and with it the connection: back-pressure.
func (x *External) take(ctx context.Context, m mqtt.Message, withheld *atomic.Int64, end context.CancelCauseFunc) {
	station, leaf, ok := receipt.ParseTopic(m.Topic())
	if ok && leaf == receipt.LeafState && x.in.cfg.States != nil {
		x.in.cfg.States.Take(station, m.Payload(), m.Retained())
		m.Ack()
		return
	}
	if !ok || leaf != receipt.LeafReadings {
		x.in.foreign.Add(1)
		x.log.Warn("a message on a topic that is no station's", "topic", m.Topic())
		m.Ack()
		return
	}
	err := x.in.Take(ctx, station, m.Payload(), func(err error) {
		if err == nil {
			m.Ack()
			return
		}
		// Library and broker keep what is not acknowledged until the connection
		// ends; the station has no receipt and sends it again.
		switch withheld.Add(1) {
		case 1:
			renew := time.AfterFunc(withheldFor, func() {
				end(fmt.Errorf("%d messages could not be committed; the first: %w", withheld.Load(), err))
			})
			context.AfterFunc(ctx, func() { renew.Stop() })
		case mostWithheld:
			end(fmt.Errorf("%d messages could not be committed; the last: %w", mostWithheld, err))
		}
	})
	if err != nil && ctx.Err() == nil {
		x.log.Error("message not taken", "station", station, "error", err)
	}
}

// live is the session that goes on.
type live struct {
	ctx    context.Context // ends with it
	client mqtt.Client
}

// Publish publishes with QoS 1, not retained, and returns nil when the broker has
// acknowledged it. A connection is not waited for.
func (x *External) Publish(ctx context.Context, topic string, payload []byte) error {
	on := x.live.Load()
	if on == nil {
		return fmt.Errorf("broker %s: not connected", x.addr)
	}
	token, err := publish(on.ctx, on.client, topic, false, payload)
	if err != nil {
		return fmt.Errorf("broker %s: %w", x.addr, err)
	}
	select {
	case <-token.Done():
	case <-on.ctx.Done():
	case <-ctx.Done():
		return fmt.Errorf("broker %s: no answer in time: %w", x.addr, ctx.Err())
	}
	err = token.Error()
	if on.ctx.Err() != nil { // the library completes what a lost connection leaves open
		err = errors.Join(err, context.Cause(on.ctx))
	}
	if err != nil {
		return fmt.Errorf("broker %s: %w", x.addr, err)
	}
	return nil
}

// publish hands a message with QoS 1 to the library, which may hold on to it
// for as long as writeTimeout when the connection has just broken.
func publish(ctx context.Context, client mqtt.Client, topic string, retained bool, payload []byte) (mqtt.Token, error) {
	handed := make(chan mqtt.Token, 1)
	go func() { handed <- client.Publish(topic, 1, retained, payload) }()
	select {
	case token := <-handed:
		return token, nil
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	}
}

// Connected tells whether there is a connection now, and a subscription.
func (x *External) Connected() bool { return x.connected.Load() }

// PublishReceipt sends a receipt, retained: now, or when there is a connection
// again. It does not wait for the broker.
func (x *External) PublishReceipt(station string, payloads ...[]byte) error {
	x.receipts.add(station, payloads)
	return nil
}

// PublishOrder sends an order, as PublishReceipt does.
func (x *External) PublishOrder(station string, payload []byte) error {
	x.orders.add(station, [][]byte{payload})
	return nil
}

// Close ends the connection and waits for what is under way.
func (x *External) Close() {
	x.cancel()
	<-x.ended
}

// send sends what stands in the outboxes until the connection ends, and returns
// why it did.
func (x *External) send(ctx context.Context, client mqtt.Client) error {
	for {
		receipts, orders := x.receipts.take(), x.orders.take()
		err := x.sendBatch(ctx, client, receipt.LeafReceipt, &x.receipts, receipts)
		if err == nil {
			err = x.sendBatch(ctx, client, receipt.LeafOrder, &x.orders, orders)
		}
		if err != nil {
			return err
		}
		if len(receipts)+len(orders) > 0 {
			continue
		}
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-x.receipts.wake:
		case <-x.orders.wake:
		}
	}
}

// sendBatch sends receipts or orders and waits until the broker has them.
func (x *External) sendBatch(ctx context.Context, client mqtt.Client, leaf string, from *outbox, batch []envelope) error {
	tokens := make([]mqtt.Token, 0, len(batch))
	for _, e := range batch {
		for _, payload := range e.payloads {
			token, err := publish(ctx, client, receipt.Topic(e.station, leaf), true, payload)
			if err != nil {
				return err
			}
			tokens = append(tokens, token)
		}
	}
	for _, e := range batch {
		for range e.payloads {
			if err := done(ctx, tokens[0], writeTimeout); err != nil {
				return fmt.Errorf("publish to %s of %s: %w", leaf, e.station, err)
			}
			tokens = tokens[1:]
		}
		from.settle(e)
	}
	return nil
}

// outbox holds the last receipt, or the last order, of each station until the
// broker has acknowledged it. An older one is of no use beside it; a station that has two
// runs under way may miss one, and gets another with its next batch.
type outbox struct {
	wake chan struct{} // holds one when there is something due

	mu   *sync.Mutex
	due  map[string][][]byte // by station
	sent map[string][][]byte // and not acknowledged
}

// outboxBatch is how many of an outbox are under way at most.
const outboxBatch = 1000

type envelope struct {
	station  string
	payloads [][]byte // one, or two while the secret is being changed
}

func newOutbox() outbox {
	return outbox{wake: make(chan struct{}, 1), mu: new(sync.Mutex), due: make(map[string][][]byte), sent: make(map[string][][]byte)}
}

func (o *outbox) add(station string, payloads [][]byte) {
	o.mu.Lock()
	o.due[station] = payloads
	o.mu.Unlock()
	select {
	case o.wake <- struct{}{}:
	default:
	}
}

// take returns some of what is due, and notes it as sent.
func (o *outbox) take() []envelope {
	o.mu.Lock()
	defer o.mu.Unlock()
	var list []envelope
	for station, payloads := range o.due {
		if len(list) == outboxBatch {
			break
		}
		list = append(list, envelope{station, payloads})
		o.sent[station] = payloads
		delete(o.due, station)
	}
	return list
}

// settle forgets what the broker has acknowledged.
func (o *outbox) settle(e envelope) {
	o.mu.Lock()
	defer o.mu.Unlock()
	delete(o.sent, e.station)
}

// again makes due what went into a connection that then broke.
func (o *outbox) again() {
	o.mu.Lock()
	defer o.mu.Unlock()
	for station, payloads := range o.sent {
		if o.due[station] == nil {
			o.due[station] = payloads
		}
	}
	clear(o.sent)
}
