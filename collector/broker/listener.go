package broker

import (
	"errors"
	"log/slog"
	"net"
	"runtime/debug"
	"sync"
	"sync/atomic"
	"time"

	"github.com/mochi-mqtt/server/v2/listeners"
)

// listener accepts connections for the library. The library's own listeners
// end for good at the first failed accept, give a stranger for ever to send
// its CONNECT, and can't close a connection that hangs in a write.
type listener struct {
	ln      net.Listener
	log     *slog.Logger
	limits  limits
	closing atomic.Bool
	served  chan struct{} // closed when Serve has returned
	open    sync.WaitGroup

	mu    sync.Mutex
	conns map[*conn]struct{}
}

func newListener(ln net.Listener, lim limits, log *slog.Logger) *listener {
	return &listener{ln: ln, log: log, limits: lim, served: make(chan struct{}), conns: make(map[*conn]struct{})}
}

// conn is a connection that can be told to read no more.
type conn struct {
	net.Conn
	closing *atomic.Bool
}

// Read fails once the listener is closing, so that the message being handled
// is the connection's last. Whoever sets closing wakes those that wait already.
func (c *conn) Read(b []byte) (int, error) {
	if c.closing.Load() {
		return 0, net.ErrClosed
	}
	return c.Conn.Read(b)
}

// Init, ID, Address, Protocol, Serve and Close are what the library asks of a
// listener.

func (l *listener) Init(*slog.Logger) error { return nil }
func (l *listener) ID() string              { return "stations" }
func (l *listener) Address() string         { return l.ln.Addr().String() }
func (l *listener) Protocol() string        { return "tcp" }

func (l *listener) Serve(establish listeners.EstablishFn) {
	defer close(l.served)
	const shortest, longest = 5 * time.Millisecond, time.Second
	pause := shortest
	for {
		raw, err := l.ln.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			// Out of descriptors, most likely: it passes.
			l.log.Error("a connection could not be accepted", "error", err)
			time.Sleep(pause)
			pause = min(2*pause, longest)
			continue
		}
		pause = shortest
		l.open.Go(func() { l.serve(&conn{raw, &l.closing}, establish) })
	}
}

func (l *listener) serve(c *conn, establish listeners.EstablishFn) {
	l.mu.Lock()
	l.conns[c] = struct{}{}
	l.mu.Unlock()
	defer func() {
		// What strangers send is taken apart by the library on this goroutine:
		// at worst it ends their connection, not the collector.
		if p := recover(); p != nil {
			l.log.Error("a connection ended in a panic", "remote", c.RemoteAddr(), "panic", p, "stack", string(debug.Stack()))
		}
		l.mu.Lock()
		delete(l.conns, c)
		l.mu.Unlock()
		c.Close() //nolint:errcheck // closed already, except after a panic
	}()
	err := c.SetDeadline(time.Now().Add(l.limits.handshake))
	if err == nil {
		err = establish(l.ID(), c)
	}
	if err != nil {
		l.log.Debug("connection ended", "remote", c.RemoteAddr(), "reason", err)
	}
}

// Close has nothing left to do: drain and hangUp come first.
func (l *listener) Close(listeners.CloseFn) {}

// drain stops accepting and reading, and waits for the connections to end, not
// longer than its patience. What was read already is handled first.
func (l *listener) drain() error {
	l.closing.Store(true)
	err := l.ln.Close()
	<-l.served
	l.each(func(c *conn) {
		if e := c.SetReadDeadline(time.Now()); e != nil && !errors.Is(e, net.ErrClosed) {
			err = errors.Join(err, e)
		}
	})
	ended := make(chan struct{})
	go func() { l.open.Wait(); close(ended) }()
	timer := time.NewTimer(l.limits.patience)
	defer timer.Stop()
	select {
	case <-ended:
	case <-timer.C:
		l.log.Warn("stations were cut off in the middle of a message; they will send it again")
	}
	return err
}

// hangUp closes all connections and waits for them to end.
func (l *listener) hangUp() {
	l.each(func(c *conn) { c.Close() }) //nolint:errcheck // it is over either way
	l.open.Wait()
}

func (l *listener) each(f func(*conn)) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for c := range l.conns {
		f(c)
	}
}
