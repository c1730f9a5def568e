package collector

import (
	"net"
	"net/netip"
	"sync"
)

// fewConns is a listener that closes connections beyond a number, in all and
// from one address, as soon as they come: whoever opens many waits for nobody
// else. Addresses of this machine count only in all.
type fewConns struct {
	net.Listener
	most, each int

	mu   sync.Mutex
	all  int
	from map[netip.Addr]int
}

func newFewConns(l net.Listener, most, each int) *fewConns {
	return &fewConns{Listener: l, most: most, each: each, from: make(map[netip.Addr]int)}
}

// Accept returns the next connection that there is room for.
func (l *fewConns) Accept() (net.Conn, error) {
	for {
		conn, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		addr := peer(conn)
		if l.enter(addr) {
			return &counted{Conn: conn, left: sync.OnceFunc(func() { l.leave(addr) })}, nil
		}
		_ = conn.Close() // nobody there to tell
	}
}

// peer is the address that a connection counts for: of IPv6 the /64, the zero
// value for this machine.
func peer(conn net.Conn) netip.Addr {
	at, err := netip.ParseAddrPort(conn.RemoteAddr().String())
	addr := at.Addr().Unmap()
	if err != nil || addr.IsLoopback() {
		return netip.Addr{}
	}
	if addr.Is6() {
		if p, err := addr.WithZone("").Prefix(64); err == nil {
			addr = p.Addr()
		}
	}
	return addr
}

func (l *fewConns) enter(addr netip.Addr) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.all >= l.most || addr.IsValid() && l.from[addr] >= l.each {
		return false
	}
	l.all++
	l.from[addr]++
	return true
}

func (l *fewConns) leave(addr netip.Addr) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.all--
	if l.from[addr]--; l.from[addr] == 0 {
		delete(l.from, addr)
	}
}

// counted is a connection that makes room when it is closed.
type counted struct {
	net.Conn
	left func()
}

func (c *counted) Close() error {
	defer c.left()
	return c.Conn.Close()
}
