package web

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
)

func TestLocalPath(t *testing.T) {
	for next, want := range map[string]bool{
		"/": true, "/stations/lake-07": true, "/?x=https://evil.example": true, "/stations/lake-07?show=30d": true,
		"": false, "evil.example": false, "//evil.example": false, "///evil.example": false, "https://evil.example": false,
		"/\\evil.example": false, "\\\\evil.example": false, "/\t/evil.example": false, "/\r\nX: y": false, "/%zz": false,
		"javascript:alert(1)": false, " //evil.example": false, "/é": false, "/" + strings.Repeat("x", 2000): false,
	} {
		require.Equal(t, want, localPath(next), "%q", next)
	}
}

// What is printed leads back by TLS where the browser came by TLS, though a proxy
// took it off and a GET says nothing of where it comes from.
func TestBase(t *testing.T) {
	ask := func(name, value string) *http.Request {
		r := httptest.NewRequest(http.MethodGet, "http://pages.lan/visits/1/card.pdf", nil)
		r.Header.Set(name, value)
		return r
	}
	s := &server{}
	for want, r := range map[string]*http.Request{
		"https://pages.lan":      ask("Cookie", "__Host-dewpost=x"),
		"http://pages.lan":       ask("Cookie", "dewpost=x"),
		"https://tls.lan":        httptest.NewRequest(http.MethodGet, "https://tls.lan/", nil),
		"https://127.0.0.1:8480": httptest.NewRequest(http.MethodGet, "https://127.0.0.1:8480/", nil),
	} {
		require.Equal(t, want, s.base(r))
	}
	said := ask("Cookie", "__Host-dewpost=x")
	said.Header.Set("Origin", "http://pages.lan")
	require.Equal(t, "http://pages.lan", s.base(said), "a page of this machine's own beside the proxy's")
	s.cfg.Pages = "https://watch.example"
	require.Equal(t, "https://watch.example", s.base(ask("Cookie", "dewpost=x")))
}

// What counts as local leads nowhere else, as a link and as a redirect.
func FuzzLocalPath(f *testing.F) {
	for _, next := range []string{"/", "//evil.example", "/\\evil.example", "/.//evil.example", "/..//evil.example", "/%2f/evil.example", "/?next=//evil.example", "/#//x", "/;@evil.example", "/\x00"} {
		f.Add(next)
	}
	base, err := url.Parse("http://ours.example/sign-in")
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, next string) {
		if !localPath(next) {
			return
		}
		w := httptest.NewRecorder()
		seeOther(w, httptest.NewRequest(http.MethodPost, base.String(), nil), next)
		for _, link := range []string{next, w.Header().Get("Location")} {
			to, err := base.Parse(link)
			require.NoError(t, err)
			require.Equal(t, "ours.example", to.Host, "%q", next)
			// Browsers take \ for /, and leave out tabs and line ends.
			require.NotRegexp(t, `^/[/\\]|[\\\t\r\n]`, link, "%q", next)
		}
	})
}

func TestRoutesSayTheirRole(t *testing.T) {
	handle := func(http.ResponseWriter, *http.Request) error { return nil }
	good := route{http.MethodGet, "/x", record.Look, handle}
	require.NoError(t, good.check())
	for _, bad := range []route{
		{http.MethodGet, "/x", 0, handle},
		{http.MethodGet, "/x", record.Run + 1, handle},
		{"", "/x", record.Look, handle},
		{http.MethodPut, "/x", record.Look, handle},
		{http.MethodGet, "/x", record.Look, nil},
	} {
		require.ErrorContains(t, bad.check(), "/x: needs GET or POST, a role and a handler")
	}
	// What is open to everybody is this and nothing else.
	var public []string
	for _, r := range Routes() {
		if r.Role == record.Public {
			public = append(public, r.Method+" "+r.Path)
		}
	}
	require.Equal(t, []string{"GET /sign-in", "POST /sign-in", "GET /first", "POST /first", "GET /seen/{token}", "POST /seen/{token}", "GET /calendar/{secret}", "GET /visits/offline.js", "GET /static/{hash}/{name}", "POST /api/v1/watched", "GET /healthz", "GET /readyz"}, public)
}
