package collector

import (
	"bytes"
	"context"
	"crypto/tls"
	"fmt"
	stdlog "log"
	"log/slog"
	"net"
	"net/http"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/door"
	"dewpost/collector/view"
	"dewpost/collector/web"
)

// Limits of the pages' server: a peer that sends or reads slowly is dropped,
// and none can hold many connections. Bodies are limited by the pages.
const (
	headerTimeout = 10 * time.Second // the TLS handshake included
	readTimeout   = 10 * time.Second
	writeTimeout  = 60 * time.Second
	idleTimeout   = 2 * time.Minute
	headerMost    = 32 << 10 // bytes
	connsMost     = 512
	connsMostEach = 64 // from one address off this machine; a browser uses 6, a house with one address a few of them
	streamsMost   = 64 // requests at once on one connection of HTTP/2
)

// openPages listens for people and programs. Off loopback it wants an account
// and, unless a proxy adds it, TLS.
func (c *Collector) openPages(ctx context.Context, now func() time.Time) error {
	local, err := isLoopback("pages.listen", c.cfg.Pages.Listen)
	if err != nil {
		return err
	}
	c.door = door.New(c.store, now)
	if err := c.checkAccounts(ctx, local); err != nil {
		return err
	}
	var secure *tls.Config
	if !local && !c.cfg.Pages.Plain {
		id, err := c.who(ctx)
		if err != nil {
			return err
		}
		secure = id.PagesTLS()
	}
	c.view = view.New(c.store, now)
	if c.key, err = openKey(ctx, c.store, now()); err != nil {
		return err
	}
	pages, err := web.New(web.Config{
		View: c.view, Metrics: c.metrics(), Ready: c.ready, Log: c.log, Release: c.release,
		Books: c.store, Parts: books.NewParts(c.store), Visits: books.Visits{VisitStore: c.store}, Shelf: c.store, Calendars: c.store, Now: now,
		Alarms: books.Alarms{AlarmStore: c.store},
		Plans:  c.planner,
		Export: c.store, Erasing: c.store, Coating: c.store, Importing: c.store,
		Agents:   c.store,
		Messages: c.messages(), Door: c.door, Everybody: c.cfg.Everybody, Local: local, Proxied: c.cfg.Pages.Plain, Names: c.cfg.TLS.Names,
		Pages:   strings.TrimSuffix(c.cfg.Messages.Pages, "/"),
		Changes: c.store.Changes, Closing: c.closing,
		ImportReadings: c.importReadings, ImportWeather: c.importWeather, ImportForecast: c.importForecast,
	})
	if err != nil {
		return err
	}
	plain, err := net.Listen("tcp", c.cfg.Pages.Listen)
	if err != nil {
		return fmt.Errorf("pages: %w", err)
	}
	each := connsMostEach
	if c.cfg.Pages.Plain {
		each = connsMost // the proxy's is everybody's
	}
	c.listener, c.secure = newFewConns(plain, connsMost, each), secure != nil
	c.server = newServer(pages, secure, c.log)
	c.server.RegisterOnShutdown(sync.OnceFunc(func() { close(c.closing) }))
	return nil
}

func newServer(pages http.Handler, secure *tls.Config, log *slog.Logger) *http.Server {
	return &http.Server{
		Handler: pages, TLSConfig: secure,
		ReadHeaderTimeout: headerTimeout, ReadTimeout: readTimeout, WriteTimeout: writeTimeout, IdleTimeout: idleTimeout,
		MaxHeaderBytes: headerMost, HTTP2: &http.HTTP2Config{MaxConcurrentStreams: streamsMost},
		ErrorLog: stdlog.New(&fewLines{log: log}, "", 0),
	}
}

// fewLines logs at most one line every second of those that strangers can
// cause, as by handshakes that fail, with the number of those left out: they
// must not fill the disk.
type fewLines struct {
	log *slog.Logger

	mu      sync.Mutex
	last    time.Time
	leftOut int
}

func (w *fewLines) Write(line []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	now := time.Now()
	fault := bytes.HasPrefix(line, []byte("http: panic")) // ours, and with its stack
	if !fault && now.Sub(w.last) < time.Second {
		w.leftOut++
		return len(line), nil
	}
	var args []any
	if w.leftOut > 0 {
		args = []any{"lines_left_out", w.leftOut}
	}
	w.last, w.leftOut = now, 0
	w.log.Warn(strings.TrimSpace(string(line)), args...)
	return len(line), nil
}

// checkAccounts refuses to open the pages to others while anybody could make
// the first account, and lets whoever is at this machine make it.
func (c *Collector) checkAccounts(ctx context.Context, local bool) error {
	if c.cfg.Everybody != 0 {
		return nil
	}
	if !local {
		there, err := c.door.HasAccounts(ctx)
		if err == nil && !there {
			err = fmt.Errorf("config: pages.listen %q: there is no account yet: make one with dewpost account add NAME --role run, or use 127.0.0.1", c.cfg.Pages.Listen)
		}
		return err
	}
	path := door.CodePath(c.cfg.Store.Path)
	wrote, err := c.door.PrepareFirst(ctx, path)
	if wrote {
		if abs, err := filepath.Abs(path); err == nil {
			path = abs
		}
		c.log.Info("there is no account yet: make the first on the page /first, with the code in this file", "file", path)
	}
	return err
}

// servePages serves until the server is closed.
func (c *Collector) servePages() error {
	if c.secure {
		return c.server.ServeTLS(c.listener, "", "")
	}
	return c.server.Serve(c.listener)
}

// PagesURL is where people look. Off loopback it says by which name, if there
// is one.
func (c *Collector) PagesURL() string {
	scheme, host := "http", c.listener.Addr().String()
	if c.secure {
		scheme = "https"
	}
	if _, port, err := net.SplitHostPort(host); err == nil && len(c.cfg.TLS.Names) > 0 && c.secure {
		host = net.JoinHostPort(c.cfg.TLS.Names[0], port)
	}
	return scheme + "://" + host
}
