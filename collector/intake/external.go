package intake

import (
	"context"
	"crypto/tls"
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
	keepAlive       = 30 * time.Second
	writeTimeout    = 30 * time.Second
	maxReconnect    = 30 * time.Second
	receiptsAtOnce  = 1000 // sent and not yet acknowledged by the broker
	receiptPatience = 30 * time.Second
	quiesce         = 250 // ms
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
type External struct {
	client mqtt.Client
	in     *Intake
	log    *slog.Logger
	free   chan struct{} // slots for receipts under way
	wait   sync.WaitGroup
	failed atomic.Int64
}

// Connect subscribes to all stations' readings and goes on trying until ctx
// ends. Close ends it.
func Connect(ctx context.Context, cfg BrokerConfig, in *Intake) (*External, error) {
	if err := cfg.check(); err != nil {
		return nil, err
	}
	x := &External{in: in, log: in.cfg.Log, free: make(chan struct{}, receiptsAtOnce)}
	filter := receipt.Topic("+", receipt.LeafReadings)
	if cfg.Group != "" {
		filter = "$share/" + cfg.Group + "/" + filter
	}
	opts := mqtt.NewClientOptions().AddBroker(cfg.URL).
		SetUsername(cfg.User).SetPassword(cfg.Password).SetTLSConfig(cfg.TLS).
		SetCleanSession(true).SetOrderMatters(true).SetAutoAckDisabled(true).
		SetConnectRetry(true).SetConnectRetryInterval(time.Second).SetMaxReconnectInterval(maxReconnect).
		SetKeepAlive(keepAlive).SetWriteTimeout(writeTimeout).
		SetOnConnectHandler(func(c mqtt.Client) { x.subscribe(ctx, c, filter) }).
		SetConnectionLostHandler(func(_ mqtt.Client, err error) { x.log.Warn("broker lost, reconnecting", "broker", cfg.URL, "error", err) })
	x.client = mqtt.NewClient(opts)
	x.client.Connect()
	return x, nil
}

func (cfg BrokerConfig) check() error {
	u, err := url.Parse(cfg.URL)
	if err != nil || u.Host == "" {
		return fmt.Errorf("broker url %q: write tcp://127.0.0.1:1883 or ssl://host:8883", cfg.URL)
	}
	switch u.Scheme {
	case "ssl", "tls", "mqtts":
		return nil
	case "tcp", "mqtt":
	default:
		return fmt.Errorf("broker url %q: scheme %q is not known; use tcp or ssl", cfg.URL, u.Scheme)
	}
	ip := net.ParseIP(u.Hostname())
	if u.Hostname() == "localhost" || ip != nil && ip.IsLoopback() || cfg.Plain {
		return nil
	}
	return fmt.Errorf("broker url %q: passwords and readings would cross the network in the clear; use ssl, or say plain = true", cfg.URL)
}

func (x *External) subscribe(ctx context.Context, c mqtt.Client, filter string) {
	token := c.Subscribe(filter, 1, func(_ mqtt.Client, m mqtt.Message) { x.take(ctx, m) })
	x.wait.Go(func() {
		if token.WaitTimeout(receiptPatience) && token.Error() == nil {
			x.log.Info("subscribed", "filter", filter)
			return
		}
		x.failed.Add(1)
		x.log.Error("subscription failed: check the collector's user and the broker's access list", "filter", filter, "error", token.Error())
	})
}

func (x *External) take(ctx context.Context, m mqtt.Message) {
	station, leaf, ok := receipt.ParseTopic(m.Topic())
	if !ok || leaf != receipt.LeafReadings {
		m.Ack()
		return
	}
	if err := x.in.Submit(ctx, station, m.Payload(), func(err error) {
		if err == nil {
			m.Ack()
		}
	}); err != nil && !errors.Is(err, context.Canceled) {
		x.log.Error("message not taken", "station", station, "error", err)
	}
}

// Connected tells whether there is a connection now.
func (x *External) Connected() bool { return x.client.IsConnectionOpen() }

// PublishReceipt sends a receipt, retained. It blocks while too many are under
// way.
func (x *External) PublishReceipt(station string, payload []byte) error {
	if !x.Connected() {
		return errors.New("no connection to the broker")
	}
	select {
	case x.free <- struct{}{}:
	case <-time.After(receiptPatience):
		return errors.New("the broker acknowledges nothing")
	}
	token := x.client.Publish(receipt.Topic(station, receipt.LeafReceipt), 1, true, payload)
	x.wait.Go(func() {
		defer func() { <-x.free }()
		if !token.WaitTimeout(receiptPatience) || token.Error() != nil {
			x.failed.Add(1)
		}
	})
	return nil
}

// Close ends the connection and waits for what is under way.
func (x *External) Close() {
	x.client.Disconnect(quiesce)
	x.wait.Wait()
}
