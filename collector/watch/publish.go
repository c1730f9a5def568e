package watch

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/url"
	"strings"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// Broker is where the artificial station connects, as others do.
type Broker struct {
	Addr     string      // host:port
	TLS      *tls.Config // nil: none
	User     string
	Password string
}

// Publish connects, publishes with QoS 1, and waits for the acknowledgement: what
// is known to be taken was acknowledged on the connection on which it went out.
func Publish(ctx context.Context, at Broker, topic string, payload []byte) (err error) {
	var conn net.Conn
	if at.TLS != nil {
		conn, err = (&tls.Dialer{Config: at.TLS}).DialContext(ctx, "tcp", at.Addr)
	} else {
		conn, err = new(net.Dialer).DialContext(ctx, "tcp", at.Addr)
	}
	if err != nil {
		return err
	}
	// The library's waiting can't be stopped otherwise.
	stop := context.AfterFunc(ctx, func() { hangUp(conn) })
	defer stop()
	defer hangUp(conn)
	lost := make(chan error, 1)
	client := mqtt.NewClient(mqtt.NewClientOptions().
		AddBroker("tcp://" + at.Addr). // not dialled: the connection is there
		SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) { return conn, nil }).
		SetClientID("dewpost-" + strings.ToLower(rand.Text())).SetUsername(at.User).SetPassword(at.Password).
		SetProtocolVersion(4).SetCleanSession(true).SetAutoReconnect(false).SetConnectRetry(false).SetKeepAlive(30 * time.Second).
		SetConnectionLostHandler(func(_ mqtt.Client, err error) { lost <- err }))
	// Also when it didn't connect in time: it may still be at it.
	defer client.Disconnect(0)
	if err := done(ctx, client.Connect(), lost); err != nil {
		return fmt.Errorf("connect as %s: %w", at.User, err)
	}
	return done(ctx, client.Publish(topic, 1, false, payload), lost)
}

func hangUp(conn net.Conn) { _ = conn.Close() } // it may be closed already

func done(ctx context.Context, token mqtt.Token, lost <-chan error) error {
	select {
	case <-token.Done():
	case err := <-lost:
		return fmt.Errorf("connection lost: %w", err)
	case <-ctx.Done():
		return ctx.Err()
	}
	if err := token.Error(); err != nil {
		return err
	}
	select { // the library completes what a lost connection leaves open
	case err := <-lost:
		return fmt.Errorf("connection lost: %w", err)
	default:
	}
	if ctx.Err() != nil {
		return errors.New("no answer in time")
	}
	return nil
}
