package collector

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"os"
	"regexp"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/door"
	"dewpost/collector/identity"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/receipt"
	"dewpost/testdata/blank"
)

// pipes is a listener whose connections need no network, and so run in virtual
// time.
type pipes struct {
	conns chan net.Conn
	done  chan struct{}
	once  sync.Once
}

func newPipes() *pipes { return &pipes{conns: make(chan net.Conn), done: make(chan struct{})} }

func (l *pipes) dial() net.Conn {
	ours, theirs := net.Pipe()
	l.conns <- theirs
	return ours
}

func (l *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-l.conns:
		return c, nil
	case <-l.done:
		return nil, net.ErrClosed
	}
}

func (l *pipes) Close() error   { l.once.Do(func() { close(l.done) }); return nil }
func (l *pipes) Addr() net.Addr { return &net.TCPAddr{} }

// A client that says little, slowly, or nothing is dropped.
func TestSlowClientsAreDropped(t *testing.T) {
	body := func(w http.ResponseWriter, r *http.Request) {
		if _, err := io.Copy(io.Discard, r.Body); err != nil {
			panic(http.ErrAbortHandler)
		}
		_, _ = w.Write(make([]byte, 1<<20))
	}
	for name, c := range map[string]struct {
		begin string
		drip  bool          // then a byte a second
		after time.Duration // it is dropped, give or take two seconds
	}{
		"nothing":         {"", false, headerTimeout},
		"slow header":     {"GET / HTTP/1.1\r\nHost: x\r\nX: ", true, headerTimeout},
		"slow body":       {"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 100000\r\n\r\n", true, readTimeout},
		"reads nothing":   {"GET / HTTP/1.1\r\nHost: x\r\n\r\n", false, writeTimeout},
		"endless header":  {"GET / HTTP/1.1\r\nHost: x\r\nX: " + strings.Repeat("x", headerMost+8192), false, 0},
		"idle keep-alive": {"GET /none HTTP/1.1\r\nHost: x\r\n\r\n", false, idleTimeout},
	} {
		synctest.Test(t, func(t *testing.T) {
			mux := http.NewServeMux()
			mux.HandleFunc("/", body)
			mux.HandleFunc("/none", func(http.ResponseWriter, *http.Request) {})
			server := newServer(mux, nil, slog.New(slog.DiscardHandler))
			l := newPipes()
			served := make(chan error, 1)
			go func() { served <- server.Serve(l) }()
			conn := l.dial()
			began := time.Now()
			dropped := make(chan struct{})
			go func() {
				defer close(dropped)
				if _, err := conn.Write([]byte(c.begin)); err != nil {
					return
				}
				for c.drip {
					time.Sleep(time.Second)
					if _, err := conn.Write([]byte("x")); err != nil {
						return
					}
				}
			}()
			if !c.drip && name != "reads nothing" {
				_, _ = io.Copy(io.Discard, conn) // until the server closes
			} else {
				<-dropped
			}
			if name == "reads nothing" {
				time.Sleep(writeTimeout + time.Second)
				_, err := io.Copy(io.Discard, conn)
				require.NoError(t, err, "the server has closed it by now")
			}
			require.InDelta(t, c.after.Seconds(), time.Since(began).Seconds(), 2, name)
			require.NoError(t, conn.Close())
			require.NoError(t, server.Close())
			require.ErrorIs(t, <-served, http.ErrServerClosed)
		})
	}
}

// addrConn has the address that a test wants.
type addrConn struct {
	net.Conn
	from string
}

func (c addrConn) RemoteAddr() net.Addr {
	addr, err := net.ResolveTCPAddr("tcp", c.from)
	if err != nil {
		panic(err)
	}
	return addr
}

// Strangers who don't speak TLS don't fill the log; a handler that panics is in
// it, whatever they do.
func TestStrangersDontFillTheLog(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var said bytes.Buffer
		mux := http.NewServeMux()
		mux.HandleFunc("/panic", func(http.ResponseWriter, *http.Request) { panic("a fault") })
		server := newServer(mux, nil, slog.New(slog.NewTextHandler(&said, nil)))
		line := func(text string) { server.ErrorLog.Printf("http: TLS handshake error from %s", text) }
		for range 1000 {
			line("somebody")
		}
		require.Equal(t, 1, strings.Count(said.String(), "\n"))
		time.Sleep(time.Second)
		line("another")
		require.Equal(t, 2, strings.Count(said.String(), "\n"))
		require.Contains(t, said.String(), "lines_left_out=999")

		pipe := newPipes()
		ended := make(chan error, 1)
		go func() { ended <- server.Serve(pipe) }()
		conn := pipe.dial()
		_, err := io.WriteString(conn, "GET /panic HTTP/1.1\r\nHost: x\r\n\r\n")
		require.NoError(t, err)
		_, _ = io.Copy(io.Discard, conn)
		require.NoError(t, server.Close())
		require.ErrorIs(t, <-ended, http.ErrServerClosed)
		require.Contains(t, said.String(), "a fault")
	})
}

func TestConnectionsAreFew(t *testing.T) {
	l := newPipes()
	few := newFewConns(l, 5, 2)
	open := func(from string) (net.Conn, bool) {
		ours, theirs := net.Pipe()
		accepted := make(chan net.Conn, 1)
		go func() {
			if c, err := few.Accept(); err == nil {
				accepted <- c
			}
		}()
		l.conns <- addrConn{theirs, from}
		closed := make(chan struct{})
		go func() {
			_, _ = ours.Read(make([]byte, 1))
			close(closed)
		}()
		select {
		case c := <-accepted:
			return c, true
		case <-closed:
			return nil, false
		}
	}
	var mine []net.Conn
	for i := range 2 {
		c, ok := open(fmt.Sprintf("192.0.2.1:%d", i+1))
		require.True(t, ok)
		mine = append(mine, c)
	}
	_, ok := open("192.0.2.1:9")
	require.False(t, ok, "a third from one address")
	require.NoError(t, few.Close())

	require.NoError(t, mine[0].Close())
	require.NoError(t, mine[0].Close(), "closing twice makes room once")
	require.True(t, few.enter(peer(addrConn{nil, "192.0.2.1:3"})))
	require.False(t, few.enter(peer(addrConn{nil, "192.0.2.1:4"})))
	require.True(t, few.enter(peer(addrConn{nil, "[2001:db8::1]:1"})))
	require.True(t, few.enter(peer(addrConn{nil, "[2001:db8::2]:1"})))
	require.False(t, few.enter(peer(addrConn{nil, "[2001:db8::3]:1"})), "a /64 is one peer")
	require.True(t, few.enter(peer(addrConn{nil, "127.0.0.1:1"})))
	require.False(t, few.enter(peer(addrConn{nil, "127.0.0.1:2"})), "five in all")
	require.NoError(t, mine[1].Close())
	for _, addr := range []string{"192.0.2.1:1", "[2001:db8::1]:1", "[2001:db8::1]:1", "127.0.0.1:1"} {
		few.leave(peer(addrConn{nil, addr}))
	}
	require.Zero(t, few.all)
	require.Empty(t, few.from, "nothing is kept of who is gone")
}

const annsPassword = "a fine day for dew"

func withAccount(t *testing.T, path string) {
	t.Helper()
	st, err := store.Open(t.Context(), path)
	require.NoError(t, err)
	require.NoError(t, door.New(st, time.Now).AddAccount(t.Context(), "Ann", record.Run, annsPassword, "test"))
	require.NoError(t, st.Close())
}

func offLoopback(t *testing.T) Config {
	t.Helper()
	cfg := DefaultConfig()
	cfg.Pages.Listen, cfg.Stations.Listen = "0.0.0.0:0", "127.0.0.1:0"
	cfg.Store.Path = blank.Store(t)
	return cfg
}

func open(t *testing.T, cfg Config) (*Collector, error) {
	t.Helper()
	return Open(t.Context(), cfg, time.Now, slog.New(slog.DiscardHandler))
}

// Off loopback pages need an account and TLS, or a word that a proxy has it.
func TestOffLoopback(t *testing.T) {
	cfg := offLoopback(t)
	_, err := open(t, cfg)
	require.ErrorContains(t, err, "tls.names")
	require.ErrorContains(t, err, "pages.plain = true")

	demo := cfg
	demo.Everybody, demo.Pages.Plain = record.Look, true
	_, err = open(t, demo)
	require.ErrorContains(t, err, "nobody signs in here")

	plain := cfg
	plain.Pages.Plain = true
	_, err = open(t, plain)
	require.ErrorContains(t, err, "there is no account yet: make one with dewpost account add NAME --role run")
	require.NoFileExists(t, door.CodePath(cfg.Store.Path), "the first account is not made from afar")

	withAccount(t, cfg.Store.Path)
	col, err := open(t, plain)
	require.NoError(t, err)
	require.Equal(t, http.StatusSeeOther, ask(t, http.DefaultTransport, "http://127.0.0.1:"+port(t, col)+"/"))
	require.NoError(t, col.Close())

	cfg.TLS.Names = []string{"127.0.0.1"}
	col, err = open(t, cfg)
	require.NoError(t, err)
	id, err := identity.Open(t.Context(), col.store, identity.Config{Names: cfg.TLS.Names}, time.Now())
	require.NoError(t, err)
	pool := x509.NewCertPool()
	require.True(t, pool.AppendCertsFromPEM(id.AuthorityPEM()))
	defer func() { require.NoError(t, col.Close()) }()
	require.Equal(t, "https://127.0.0.1:"+port(t, col), col.PagesURL())
	for version, works := range map[uint16]bool{tls.VersionTLS13: true, tls.VersionTLS12: false} {
		conn, err := (&tls.Dialer{Config: &tls.Config{RootCAs: pool, MaxVersion: version, MinVersion: tls.VersionTLS12}}).DialContext(t.Context(), "tcp", "127.0.0.1:"+port(t, col))
		require.Equal(t, works, err == nil, "%x", version)
		if err == nil {
			require.NoError(t, conn.Close())
		}
	}
	secure := &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS13}, ForceAttemptHTTP2: true}
	defer secure.CloseIdleConnections()
	require.Equal(t, http.StatusSeeOther, ask(t, secure, col.PagesURL()+"/"))
	require.Equal(t, http.StatusUnauthorized, ask(t, secure, col.PagesURL()+"/metrics"))
	require.Equal(t, http.StatusBadRequest, ask(t, http.DefaultTransport, "http://127.0.0.1:"+port(t, col)+"/"))

	form := url.Values{"name": {"Ann"}, "password": {annsPassword}}
	req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, col.PagesURL()+"/sign-in", strings.NewReader(form.Encode()))
	require.NoError(t, err)
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	req.Header.Set("Origin", col.PagesURL())
	resp, err := secure.RoundTrip(req)
	require.NoError(t, err)
	require.NoError(t, resp.Body.Close())
	require.Equal(t, http.StatusSeeOther, resp.StatusCode)
	require.Contains(t, resp.Header.Get("Set-Cookie"), "__Host-dewpost=")
}

// Behind a proxy links that leave the pages begin with its address, also those that
// a calendar program gets, which says nothing of how it came.
func TestLinksBehindAProxy(t *testing.T) {
	cfg := offLoopback(t)
	cfg.Pages.Listen, cfg.Everybody, cfg.Messages.Pages = "127.0.0.1:0", record.Work, "https://watch.example/"
	col, err := open(t, cfg)
	require.NoError(t, err)
	defer func() { require.NoError(t, col.Close()) }()
	secret, err := receipt.NewSecret([]byte("0123456789abcdef"))
	require.NoError(t, err)
	require.NoError(t, col.store.AddStation(t.Context(), record.Station{ID: "lake-07", Secret: secret, Enrolled: 1}, "test"))
	said := func(method, path, media, body string) string {
		req, err := http.NewRequestWithContext(t.Context(), method, col.PagesURL()+path, strings.NewReader(body))
		require.NoError(t, err)
		req.Header.Set("Content-Type", media)
		req.Header.Set("Sec-Fetch-Site", "same-origin")
		resp, err := http.DefaultClient.Do(req)
		require.NoError(t, err)
		defer resp.Body.Close()
		text, err := io.ReadAll(resp.Body)
		require.NoError(t, err)
		return string(text)
	}
	said(http.MethodPost, "/api/v1/visits", "application/json", `{"station":"lake-07","kind":"on-site","planned":"`+time.Now().UTC().Format(time.DateOnly)+`"}`)
	page := said(http.MethodPost, "/calendar", "application/x-www-form-urlencoded", "name=Ruth")
	path := regexp.MustCompile(`https://watch\.example(/calendar/[0-9a-z]{26}\.ics)`).FindStringSubmatch(page)
	require.NotNil(t, path, page)
	require.Contains(t, said(http.MethodGet, path[1], "", ""), "https://watch.example/visits/1\r\n")
}

func port(t *testing.T, col *Collector) string {
	t.Helper()
	_, p, err := net.SplitHostPort(col.listener.Addr().String())
	require.NoError(t, err)
	return p
}

func ask(t *testing.T, transport http.RoundTripper, url string) int {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
	require.NoError(t, err)
	req.Close = true
	resp, err := transport.RoundTrip(req)
	require.NoError(t, err)
	require.NoError(t, resp.Body.Close())
	return resp.StatusCode
}

// The code for the first account is in a file while the collector runs, and
// its name, not the code, in the log.
func TestFirstCode(t *testing.T) {
	cfg := offLoopback(t)
	cfg.Pages.Listen = "127.0.0.1:0"
	var log strings.Builder
	col, err := Open(t.Context(), cfg, time.Now, slog.New(slog.NewTextHandler(&log, nil)))
	require.NoError(t, err)
	path := door.CodePath(cfg.Store.Path)
	code, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NoError(t, col.Close())
	require.NoFileExists(t, path)
	require.Contains(t, log.String(), path)
	require.NotContains(t, log.String(), strings.TrimSpace(string(code)))

	withAccount(t, cfg.Store.Path)
	col, err = open(t, cfg)
	require.NoError(t, err)
	require.NoFileExists(t, path)
	require.NoError(t, col.Close())
}

// More connections than there is room for are closed, and the next who comes
// when there is room again is served.
func TestTooManyConnections(t *testing.T) {
	cfg := offLoopback(t)
	cfg.Pages.Listen = "127.0.0.1:0"
	col, err := open(t, cfg)
	require.NoError(t, err)
	defer func() { require.NoError(t, col.Close()) }()
	var conns []net.Conn
	for range connsMost {
		c, err := (&net.Dialer{}).DialContext(context.WithoutCancel(t.Context()), "tcp", col.listener.Addr().String())
		require.NoError(t, err)
		conns = append(conns, c)
	}
	require.Eventually(t, func() bool {
		few := col.listener.(*fewConns)
		few.mu.Lock()
		defer few.mu.Unlock()
		return few.all == connsMost
	}, 10*time.Second, time.Millisecond)
	c, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", col.listener.Addr().String())
	require.NoError(t, err)
	require.NoError(t, c.SetReadDeadline(time.Now().Add(headerTimeout/2)))
	_, err = c.Read(make([]byte, 1))
	require.Error(t, err)
	require.NotErrorIs(t, err, os.ErrDeadlineExceeded, "closed at once, not for being slow")
	require.NoError(t, c.Close())
	for _, c := range conns {
		require.NoError(t, c.Close())
	}
	require.Eventually(t, func() bool {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, col.PagesURL()+"/healthz", nil)
		require.NoError(t, err)
		req.Close = true
		resp, err := http.DefaultTransport.RoundTrip(req)
		if err != nil {
			return false
		}
		return resp.Body.Close() == nil && resp.StatusCode == http.StatusOK
	}, 10*time.Second, time.Millisecond)
}
