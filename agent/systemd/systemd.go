// Package systemd tells the service manager that a service is ready, and that
// it lives.
//
// Source: sd_notify(3), sd_watchdog_enabled(3) of systemd.
package systemd

import (
	"fmt"
	"net"
	"os"
	"strconv"
	"time"
)

// Notifier speaks to the service manager. The zero value speaks to nobody.
type Notifier struct {
	socket string
	every  time.Duration
}

// FromEnvironment returns the notifier of this process.
func FromEnvironment() Notifier {
	n := Notifier{socket: os.Getenv("NOTIFY_SOCKET")}
	pid := os.Getenv("WATCHDOG_PID")
	if usec, err := strconv.ParseInt(os.Getenv("WATCHDOG_USEC"), 10, 64); err == nil && usec > 0 && (pid == "" || pid == strconv.Itoa(os.Getpid())) {
		n.every = time.Duration(usec) * time.Microsecond / 2
	}
	return n
}

// Watchdog is how often Alive should be called: half of what the manager
// allows. 0 means never.
func (n Notifier) Watchdog() time.Duration { return n.every }

// Ready says that the service has started.
func (n Notifier) Ready() error { return n.send("READY=1") }

// Alive says that the service works.
func (n Notifier) Alive() error { return n.send("WATCHDOG=1") }

// Stopping says that the service ends.
func (n Notifier) Stopping() error { return n.send("STOPPING=1") }

func (n Notifier) send(text string) error {
	if n.socket == "" {
		return nil
	}
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: n.socket, Net: "unixgram"})
	if err != nil {
		return fmt.Errorf("tell the service manager %s: %w", text, err)
	}
	defer func() { _ = conn.Close() }() // the datagram is gone, or the error is known
	if _, err := conn.Write([]byte(text)); err != nil {
		return fmt.Errorf("tell the service manager %s: %w", text, err)
	}
	return nil
}
