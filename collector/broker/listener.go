package broker

import (
	"context"
	"crypto/tls"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/netip"
	"runtime/debug"
	"slices"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// listener accepts connections for the library. The library's own listeners
// end for good at the first failed accept, give a stranger for ever to send
// its CONNECT and memory for whatever length it claims, and can't close a
// connection that hangs in a write.
type listener struct {
	ln      net.Listener
	tls     *tls.Config // nil: none
	log     *slog.Logger
	limits  limits
	closing atomic.Bool
	stop    chan struct{} // closed with closing
	served  chan struct{} // closed when Serve has returned
	gone    chan struct{} // closed when nothing is waited for any more
	open    sync.WaitGroup

	noRoom, noPlace, handshakes, cuts atomic.Int64

	mu     sync.Mutex
	conns  map[*conn]struct{}
	places int // taken
	from   map[netip.Addr]int
}

func newListener(ln net.Listener, secure *tls.Config, lim limits, log *slog.Logger) *listener {
	return &listener{
		ln: ln, tls: secure, log: log, limits: lim, stop: make(chan struct{}), served: make(chan struct{}), gone: make(chan struct{}),
		conns: make(map[*conn]struct{}), from: make(map[netip.Addr]int),
	}
}

// conn is a connection that can be told to read no more.
type conn struct {
	net.Conn          // what is said on it; with TLS, inside of that
	raw      net.Conn // what it is said over
	addr     netip.Addr
	closing  *atomic.Bool
	gone     <-chan struct{} // closed when nothing is waited for any more
	head     []byte          // read already, and not yet handed out
	window   window

	// Under the listener's mu:
	loggedIn bool
	station  string   // that it logs in as
	by       string   // what its password was good by; "" until it is known
	only     []string // what alone it may be good by: it was cut before that was known; nil for anything
	refused  bool     // and counted as such
}

// Read fails once the listener is closing, so that messages being handled
// are the connection's last. Whoever sets closing wakes those that wait already.
// When it fails what came before is answered: the library then ends the connection.
func (c *conn) Read(b []byte) (n int, err error) {
	defer func() {
		if err != nil {
			c.window.settle(c.gone)
		}
	}()
	if c.closing.Load() {
		return 0, net.ErrClosed
	}
	if len(c.head) > 0 {
		n := copy(b, c.head)
		c.head = c.head[n:]
		return n, nil
	}
	return c.Conn.Read(b)
}

// Close ends the connection below TLS: its good-bye could wait for seconds for
// a peer that doesn't read, and MQTT doesn't need it.
func (c *conn) Close() error { return c.raw.Close() }

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
		c := &conn{Conn: raw, raw: raw, addr: peer(raw), closing: &l.closing, gone: l.gone}
		if !l.enter(c) {
			_ = raw.Close() // nobody there to tell
			continue
		}
		l.open.Go(func() { l.serve(c, establish) })
	}
}

// peer is the address that a connection counts for: of IPv6 the /64, the zero
// value for this machine.
func peer(conn net.Conn) netip.Addr {
	at, err := netip.ParseAddrPort(conn.RemoteAddr().String())
	addr := at.Addr().Unmap().WithZone("")
	if err != nil || addr.IsLoopback() {
		return netip.Addr{}
	}
	if addr.Is6() {
		if p, err := addr.Prefix(64); err == nil {
			addr = p.Addr()
		}
	}
	return addr
}

// enter takes a place for a new connection, if there is one.
func (l *listener) enter(c *conn) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.conns) >= l.limits.connections {
		l.noRoom.Add(1)
		return false
	}
	if l.places >= l.limits.places || c.addr.IsValid() && l.from[c.addr] >= l.limits.placesEach {
		l.noPlace.Add(1)
		return false
	}
	l.conns[c] = struct{}{}
	l.places++
	l.from[c.addr]++
	return true
}

// giveBack gives back the place of a connection. It must hold mu.
func (l *listener) giveBack(c *conn) {
	l.places--
	if l.from[c.addr]--; l.from[c.addr] == 0 {
		delete(l.from, c.addr)
	}
}

// leave forgets a connection.
func (l *listener) leave(c *conn) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.conns, c)
	if c.loggedIn {
		return
	}
	l.giveBack(c)
	if !c.refused && !l.closing.Load() {
		l.handshakes.Add(1)
	}
}

// tries notes as whom a connection wants to log in: from now on Cut ends it.
func (l *listener) tries(c *conn, station string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	c.station = station
}

// passed notes by what the password is good, and tells whether it still is.
func (l *listener) passed(c *conn, by string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if c.only != nil && !slices.Contains(c.only, by) {
		l.cuts.Add(1)
		c.refused = true
		return false
	}
	c.by = by
	return true
}

// refuse notes that a connection is refused and counted elsewhere.
func (l *listener) refuse(c *conn) {
	l.mu.Lock()
	defer l.mu.Unlock()
	c.refused = true
}

// comesIn gives back the place of a connection that has logged in.
func (l *listener) comesIn(c *conn) {
	l.mu.Lock()
	defer l.mu.Unlock()
	c.loggedIn = true
	l.giveBack(c)
}

// cut ends a station's connections that are not good by one of keep. Whether one is
// whose password is being looked at just now, passed tells: the look itself may
// have finished the change that keep comes from.
func (l *listener) cut(station string, keep []string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for c := range l.conns {
		switch {
		case c.station != station || slices.Contains(keep, c.by):
		case c.by == "" && len(keep) > 0:
			c.only = keep
		default:
			l.cuts.Add(1)
			c.Close() //nolint:errcheck // it is over either way
		}
	}
}

func (l *listener) serve(c *conn, establish listeners.EstablishFn) {
	defer func() {
		// What strangers send is taken apart by the library on this goroutine:
		// at worst it ends their connection, not the collector.
		if p := recover(); p != nil {
			l.log.Error("a connection ended in a panic", "remote", c.RemoteAddr(), "panic", p, "stack", string(debug.Stack()))
		}
		l.leave(c)
		c.Close() //nolint:errcheck // closed already, except after a panic
	}()
	err := l.greet(c)
	if err == nil {
		err = establish(l.ID(), c)
	}
	if err != nil {
		l.log.Debug("connection ended", "remote", c.RemoteAddr(), "reason", err)
	}
}

// greet brings a connection so far that the library may read its CONNECT. Its
// time runs until the library has that.
func (l *listener) greet(c *conn) error {
	if err := c.raw.SetDeadline(time.Now().Add(l.limits.handshake)); err != nil {
		return err
	}
	if l.closing.Load() { // drain may have passed before the deadline was set
		return net.ErrClosed
	}
	if l.tls != nil {
		secure := tls.Server(c.raw, l.tls)
		if err := secure.HandshakeContext(context.Background()); err != nil { // the deadline ends it
			return err
		}
		c.Conn = secure
	}
	return c.readHead()
}

var errNoConnect = errors.New("what it sent first is no CONNECT, or one that is too large")

// readHead reads the fixed header of the first packet: the library makes room
// for the length that stands there, before it has seen any more.
func (c *conn) readHead() error {
	var head [1 + 4]byte // the length has four bytes at most (MQTT 3.1.1, 2.2.3)
	length := 0
	for i := range head {
		if _, err := io.ReadFull(c.Conn, head[i:i+1]); err != nil {
			return err
		}
		if i == 0 {
			if head[0] != packets.Connect<<4 {
				return errNoConnect
			}
			continue
		}
		length |= int(head[i]&0x7f) << (7 * (i - 1))
		if head[i] < 0x80 {
			if length > maxConnect {
				return errNoConnect
			}
			c.head = head[:i+1]
			return nil
		}
	}
	return errNoConnect
}

// Close has nothing left to do: drain and hangUp come first.
func (l *listener) Close(listeners.CloseFn) {}

// drain stops accepting and reading, and waits for the connections to end, not
// longer than its patience. What was read already is handled first.
func (l *listener) drain() error {
	l.closing.Store(true)
	close(l.stop)
	err := l.ln.Close()
	<-l.served
	l.each(func(c *conn) {
		if e := c.raw.SetReadDeadline(time.Now()); e != nil && !errors.Is(e, net.ErrClosed) {
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
	close(l.gone)
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

// descriptors is how many files and connections this process may have open.
func descriptors() int {
	var r syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_NOFILE, &r); err != nil {
		return 1024 // what systems give at least
	}
	return int(min(r.Cur, 1<<30))
}
