// Package web serves the pages and the JSON API. It formats and never
// computes: every number comes from package view, every word that depends on
// what was found from the tables in words.go. Pages work without scripts; the
// script only makes a chart zoomable. Everything is answered from memory or
// the store, nothing is fetched from elsewhere.
package web

import (
	"bytes"
	"compress/gzip"
	"context"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"strconv"
	"strings"

	"dewpost/collector/record"
	"dewpost/collector/view"
)

// Config is what the pages need. All fields but Log must be set.
type Config struct {
	View    *view.View
	Ready   func(context.Context) error // nil when store and broker can be used
	Metrics http.Handler
	Log     *slog.Logger // nil: nothing is logged
}

// route is one pattern of the mux. All routes take GET and HEAD only.
type route struct {
	path   string
	handle func(http.ResponseWriter, *http.Request) error
}

type server struct {
	cfg    Config
	static *static
	pages  *template.Template
}

//go:embed templates
var templates embed.FS

// New makes the handler of all pages and of the API. Whoever serves it sets
// time limits. Only requests for a loopback name or an IP address are answered,
// so that no foreign page can reach it through a name of its own.
func New(cfg Config) (http.Handler, error) {
	if cfg.View == nil || cfg.Ready == nil || cfg.Metrics == nil {
		return nil, errors.New("pages: View, Ready and Metrics must be set")
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	files, err := newStatic()
	if err != nil {
		return nil, fmt.Errorf("read static files: %w", err)
	}
	pages, err := template.New("").Funcs(template.FuncMap{"static": files.url}).ParseFS(templates, "templates/*.html")
	if err != nil {
		return nil, fmt.Errorf("read templates: %w", err)
	}
	s := &server{cfg: cfg, static: files, pages: pages}
	mux := http.NewServeMux()
	for _, r := range s.routes() {
		mux.Handle("GET "+r.path, s.answer(r.handle))
	}
	mux.Handle("/", s.answer(noSuchPage))
	return secure(s.known(mux)), nil
}

func (s *server) routes() []route {
	return []route{
		{"/{$}", s.today},
		{"/stations/{id}", s.card},
		{"/stations/{id}/series", s.series},
		{"/static/{hash}/{name}", s.static.serve},
		{"/api/v1/stations", s.apiStations},
		{"/api/v1/stations/{id}", s.apiStation},
		{"/api/v1/stations/{id}/readings", s.apiReadings},
		{"/api/v1/stations/{id}/hours", s.apiHours},
		{"/api/v1/stations/{id}/findings", s.apiFindings},
		{"/api/v1/alarms", s.apiAlarms},
		{"/api/v1/sites", s.apiSites},
		{"/api/v1/openapi.json", s.openAPI},
		{"/healthz", healthy},
		{"/readyz", s.ready},
		{"/metrics", s.metrics},
	}
}

// contentPolicy lets a page use what this server serves and nothing else.
// Drawings carry their own colours by class, so no inline style is needed.
const contentPolicy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; " +
	"connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// secure sets the headers that every answer carries and turns away what comes
// from a foreign page.
func secure(next http.Handler) http.Handler {
	guarded := http.NewCrossOriginProtection().Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", contentPolicy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
		guarded.ServeHTTP(w, r)
	})
}

// known refuses foreign host names and methods that change something.
func (s *server) known(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var refused *problem
		switch {
		case !local(r.Host):
			refused = &problem{
				Status: http.StatusMisdirectedRequest, Title: "This server has no such name",
				Field: "Host", Value: r.Host, Fix: "use localhost or an IP address",
			}
		case r.Method != http.MethodGet && r.Method != http.MethodHead:
			w.Header().Set("Allow", "GET, HEAD")
			refused = &problem{
				Status: http.StatusMethodNotAllowed, Title: "Nothing can be changed here",
				Field: "method", Value: r.Method, Fix: "use GET or HEAD",
			}
		default:
			next.ServeHTTP(w, r)
			return
		}
		s.fail(w, r, refused)
	})
}

// local tells whether host (with or without port) is a loopback name or an
// address.
func local(host string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	if host == "localhost" || strings.HasSuffix(host, ".localhost") {
		return true
	}
	_, err := netip.ParseAddr(strings.Trim(host, "[]"))
	return err == nil
}

// answer runs a handler that writes nothing when it fails.
func (s *server) answer(handle func(http.ResponseWriter, *http.Request) error) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if err := handle(w, r); err != nil {
			s.fail(w, r, err)
		}
	})
}

// fail decides what a person or a program sees of an error. Details of what
// went wrong inside go to the log only.
func (s *server) fail(w http.ResponseWriter, r *http.Request, err error) {
	var p *problem
	switch {
	case errors.As(err, &p):
	case errors.Is(err, record.ErrNotFound):
		p = &problem{
			Status: http.StatusNotFound, Title: "There is no such station",
			Field: "id", Value: r.PathValue("id"), Fix: "take an id from /api/v1/stations",
		}
		if isPage(r.URL.Path) {
			p.Fix = "choose one on the page Today"
		}
	case r.Context().Err() != nil:
		return // whoever asked is gone
	default:
		s.cfg.Log.Error("request failed", "method", r.Method, "path", r.URL.Path, "error", err)
		p = &problem{
			Status: http.StatusInternalServerError, Title: "Something went wrong in the collector",
			Fix: "look at its log, then try again",
		}
	}
	if isPage(r.URL.Path) {
		s.problemPage(w, r, p)
		return
	}
	p.write(w, r)
}

// isPage tells whether a path is for people.
func isPage(path string) bool {
	for _, prefix := range []string{"/api/", "/healthz", "/readyz", "/metrics", "/static/"} {
		if strings.HasPrefix(path, prefix) {
			return false
		}
	}
	return !strings.HasSuffix(path, "/series")
}

func noSuchPage(_ http.ResponseWriter, r *http.Request) error {
	return &problem{
		Status: http.StatusNotFound, Title: "There is nothing at this address",
		Field: "path", Value: r.URL.Path, Fix: "begin at / or at /api/v1/openapi.json",
	}
}

func healthy(w http.ResponseWriter, r *http.Request) error {
	w.Header().Set("Cache-Control", "no-store")
	return send(w, r, http.StatusOK, "text/plain; charset=utf-8", []byte("ok\n"))
}

func (s *server) ready(w http.ResponseWriter, r *http.Request) error {
	w.Header().Set("Cache-Control", "no-store")
	if err := s.cfg.Ready(r.Context()); err != nil {
		s.cfg.Log.Warn("not ready", "error", err)
		return &problem{
			Status: http.StatusServiceUnavailable, Title: "The collector is not ready",
			Fix: "look at its log: the store or the broker can't be used",
		}
	}
	return send(w, r, http.StatusOK, "text/plain; charset=utf-8", []byte("ready\n"))
}

func (s *server) metrics(w http.ResponseWriter, r *http.Request) error {
	s.cfg.Metrics.ServeHTTP(w, r)
	return nil
}

// worthPacking is the size from which an answer is compressed, in bytes.
const worthPacking = 1 << 10

// send writes a whole answer, compressed when that is asked for and worth it.
func send(w http.ResponseWriter, r *http.Request, status int, contentType string, body []byte) error {
	h := w.Header()
	h.Set("Content-Type", contentType)
	h.Add("Vary", "Accept-Encoding")
	if h.Get("Cache-Control") == "" {
		h.Set("Cache-Control", "no-cache")
	}
	if len(body) >= worthPacking && acceptsGzip(r) {
		packed, err := pack(body, gzip.DefaultCompression)
		if err != nil {
			return err
		}
		h.Set("Content-Encoding", "gzip")
		body = packed
	}
	h.Set("Content-Length", strconv.Itoa(len(body)))
	w.WriteHeader(status)
	if r.Method == http.MethodHead {
		return nil
	}
	// Once the header is out, a broken connection is all that can go wrong,
	// and there is nobody left to tell.
	_, _ = w.Write(body)
	return nil
}

func pack(body []byte, level int) ([]byte, error) {
	var b bytes.Buffer
	z, err := gzip.NewWriterLevel(&b, level)
	if err != nil {
		return nil, err
	}
	if _, err := z.Write(body); err != nil {
		return nil, err
	}
	if err := z.Close(); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

func acceptsGzip(r *http.Request) bool {
	for part := range strings.SplitSeq(r.Header.Get("Accept-Encoding"), ",") {
		coding, quality, _ := strings.Cut(strings.TrimSpace(part), ";")
		if strings.TrimSpace(coding) != "gzip" {
			continue
		}
		q, found := strings.CutPrefix(strings.TrimSpace(quality), "q=")
		weight, err := strconv.ParseFloat(q, 64)
		return !found || err == nil && weight > 0
	}
	return false
}
