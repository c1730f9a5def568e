package web_test

import (
	"compress/gzip"
	"context"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"

	"dewpost/collector/record"
	"dewpost/collector/web"
)

// ask sends a request to the site as it is.
func ask(s *site, method, url string, headers ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, url, nil)
	for i := 0; i < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	s.handler.ServeHTTP(w, r)
	return w
}

func TestPagesAreAnsweredWithTheirHeaders(t *testing.T) {
	s := sharedSite(t)
	for path, contentType := range map[string]string{
		"/":                        "text/html; charset=utf-8",
		"/stations/lake-07":        "text/html; charset=utf-8",
		"/stations/quay-20":        "text/html; charset=utf-8",
		"/stations/lake-07/series": "application/json",
		"/api/v1/stations":         "application/json",
		"/api/v1/openapi.json":     "application/json",
		"/healthz":                 "text/plain; charset=utf-8",
		"/readyz":                  "text/plain; charset=utf-8",
		"/metrics":                 "",
	} {
		w := s.get(t, path)
		require.Equal(t, http.StatusOK, w.Code, path)
		h := w.Header()
		if contentType != "" {
			require.Equal(t, contentType, h.Get("Content-Type"), path)
		}
		policy := h.Get("Content-Security-Policy")
		require.Contains(t, policy, "default-src 'none'")
		require.NotContains(t, policy, "unsafe")
		require.Equal(t, "nosniff", h.Get("X-Content-Type-Options"))
		require.Equal(t, "same-origin", h.Get("Referrer-Policy"))
		require.Equal(t, "same-origin", h.Get("Cross-Origin-Resource-Policy"))

		head := ask(s, http.MethodHead, "http://127.0.0.1"+path)
		require.Equal(t, http.StatusOK, head.Code, path)
		if path != "/metrics" { // the handler that is passed in decides
			require.Zero(t, head.Body.Len(), path)
			require.Equal(t, h.Get("Content-Length"), head.Header().Get("Content-Length"), path)
		}
	}
}

func TestForeignNamesAreRefused(t *testing.T) {
	s := sharedSite(t)
	for host, status := range map[string]int{
		"127.0.0.1:8080": 200, "[::1]:8080": 200, "localhost:8080": 200, "localhost": 200, "192.0.2.7": 200, "pages.lan:8480": 200,
		"pages.example": 421, "pages.example:8080": 421, "127.0.0.1.example": 421, "": 421, "x.pages.lan": 421,
	} {
		r := httptest.NewRequest(http.MethodGet, "/", nil)
		r.Host = host
		w := httptest.NewRecorder()
		s.handler.ServeHTTP(w, r)
		require.Equal(t, status, w.Code, host)
	}
}

func TestTextIsCompressedForWhoAsks(t *testing.T) {
	s := sharedSite(t)
	plain := s.get(t, "/")
	packed := s.get(t, "/", "Accept-Encoding", "br, gzip;q=0.8")
	require.Equal(t, "gzip", packed.Header().Get("Content-Encoding"))
	require.Contains(t, packed.Header().Values("Vary"), "Accept-Encoding")
	z, err := gzip.NewReader(packed.Body)
	require.NoError(t, err)
	text, err := io.ReadAll(z)
	require.NoError(t, err)
	require.Equal(t, plain.Body.String(), string(text))
	require.Empty(t, s.get(t, "/", "Accept-Encoding", "gzip;q=0").Header().Get("Content-Encoding"))
	require.Empty(t, s.get(t, "/healthz", "Accept-Encoding", "gzip").Header().Get("Content-Encoding"), "not worth it")
}

var reference = regexp.MustCompile(`(?:href|src)="(/static/[^"]+)"`)

// What a first visit loads: the page, and every file that it names.
func TestFirstPageIsSmall(t *testing.T) {
	const most = 150_000 // bytes, compressed
	s := newSite(t, manyBoxes())
	for _, path := range []string{"/", "/stations/lake-07"} {
		body := s.get(t, path).Body.String()
		total := s.get(t, path, "Accept-Encoding", "gzip").Body.Len()
		files := reference.FindAllStringSubmatch(body, -1)
		require.NotEmpty(t, files)
		for _, f := range files {
			w := s.get(t, f[1], "Accept-Encoding", "gzip")
			require.Equal(t, http.StatusOK, w.Code, f[1])
			require.Equal(t, "public, max-age=31536000, immutable", w.Header().Get("Cache-Control"))
			require.NotEmpty(t, w.Header().Get("Content-Type"))
			total += w.Body.Len()
		}
		t.Logf("%s: %d bytes in all", path, total)
		require.Less(t, total, most, path)
	}
}

// Recorded text is shown as text: no element or attribute comes of it, and no
// page has a style or a script of its own.
func TestHostileTextStaysText(t *testing.T) {
	s := sharedSite(t)
	for _, path := range []string{"/", "/stations/quay-09", `/stations/%3Cscript%3Ealert(1)%3C%2Fscript%3E`, `/stations/lake-07?show="><script>alert(1)</script>`} {
		path = strings.ReplaceAll(path, `"><script>alert(1)</script>`, "%22%3E%3Cscript%3Ealert(1)%3C/script%3E")
		body := s.get(t, path).Body.String()
		root, err := html.Parse(strings.NewReader(body))
		require.NoError(t, err)
		var text strings.Builder
		for n := range root.Descendants() {
			switch n.Type {
			case html.TextNode:
				text.WriteString(n.Data)
			case html.ElementNode:
				require.NotEqual(t, "img", n.Data, path)
				require.NotEqual(t, "style", n.Data, path)
				for _, a := range n.Attr {
					require.NotEqual(t, "style", a.Key, "%s: %s", path, n.Data)
					require.False(t, strings.HasPrefix(a.Key, "on"), "%s: %s %s", path, n.Data, a.Key)
					if n.Data == "script" && a.Key == "src" {
						require.True(t, strings.HasPrefix(a.Val, "/static/"))
					}
				}
				if n.Data == "script" && !slices.Contains(n.Attr, html.Attribute{Key: "type", Val: "application/json"}) { // that is data
					require.Nil(t, n.FirstChild, "%s has a script of its own", path)
				}
			}
		}
		if !strings.Contains(path, "lake-07") {
			require.Contains(t, text.String(), "<script>alert(1)</script>", path)
		}
	}
}

func TestNoIDIsGivenTwice(t *testing.T) {
	s := sharedSite(t)
	for _, path := range []string{"/", "/stations/lake-07", "/stations/quay-20"} {
		root, err := html.Parse(s.get(t, path).Body)
		require.NoError(t, err)
		seen := map[string]bool{}
		for n := range root.Descendants() {
			for _, a := range n.Attr {
				if a.Key == "id" {
					require.False(t, seen[a.Val], "%s: id %s", path, a.Val)
					seen[a.Val] = true
				}
			}
		}
	}
}

func TestProblemsOfPeopleArePages(t *testing.T) {
	s := sharedSite(t)
	for path, status := range map[string]int{
		"/nothing": 404, "/stations/nobody": 404, "/stations/lake-07?show=9d": 400,
		"/stations/lake-07?from=2025-10-01T00:00:00Z": 400, "/stations/lake-07?months=0": 400,
	} {
		w := s.get(t, path)
		require.Equal(t, status, w.Code, path)
		require.Equal(t, "text/html; charset=utf-8", w.Header().Get("Content-Type"))
		require.Contains(t, w.Body.String(), "<h1>")
	}
}

func TestReadiness(t *testing.T) {
	s := sharedSite(t)
	secret := errors.New("store /var/lib/secret-path: closed")
	h, err := web.New(web.Config{
		View: s.view, Ready: func(context.Context) error { return secret }, Metrics: http.NotFoundHandler(), Everybody: record.Look,
	})
	require.NoError(t, err)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "http://127.0.0.1/readyz", nil))
	require.Equal(t, http.StatusServiceUnavailable, w.Code)
	require.NotContains(t, w.Body.String(), "secret-path")
	w = httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "http://127.0.0.1/healthz", nil))
	require.Equal(t, http.StatusOK, w.Code)

	_, err = web.New(web.Config{View: s.view})
	require.Error(t, err)
}

// The stretches of a chart can be asked for without scripts.
func TestWindowsWork(t *testing.T) {
	s := sharedSite(t)
	for query, title := range map[string]string{
		"": "The last seven days", "?show=24h": "The last 24 hours", "?show=30d": "The last thirty days", "?show=all": "The whole record",
		"?from=2025-10-01T00:00:00Z&to=2025-10-03T00:00:00Z": "A stretch of the record",
	} {
		body := s.get(t, "/stations/lake-07"+query).Body.String()
		require.Contains(t, body, "<h2>"+title+"</h2>")
		require.Contains(t, body, `class="surface" d="M`)
	}
	// A silent station's windows end with what it said last.
	require.Contains(t, s.get(t, "/stations/lake-15?show=24h").Body.String(), `class="surface" d="M`)
}
