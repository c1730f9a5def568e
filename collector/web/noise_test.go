package web_test

import (
	"context"
	"encoding/base64"
	"net/http"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/collector/web"
	"dewpost/testdata/pgserver"
)

// onBothEngines runs a test of a guarded site on each engine that a store can be of.
func onBothEngines(t *testing.T, test func(t *testing.T, s *bookSite)) {
	open := func(t *testing.T, where string) *bookSite {
		st, err := store.Open(context.Background(), where)
		require.NoError(t, err)
		t.Cleanup(func() { require.NoError(t, st.Close()) })
		addSites(t, st)
		addShelf(t, st)
		addBox(t, st, siteBoxes()[6], 0)
		addVisits(t, st, "quay-20")
		return guarded(t, siteOver(t, st))
	}
	t.Run("sqlite", func(t *testing.T) { test(t, open(t, filepath.Join(t.TempDir(), "site.db"))) })
	t.Run("postgres", func(t *testing.T) {
		server, err := pgserver.Start()
		require.NoError(t, err)
		t.Cleanup(func() { require.NoError(t, server.Stop()) })
		where, err := server.Database()
		require.NoError(t, err)
		test(t, open(t, where))
	})
}

var noise = []string{"a%00b", "a%FFb", "%C3%28", "%ED%A0%80"}

// What is no text is the asker's mistake on either engine, in whatever part of an
// address.
func TestNoiseInAnAddress(t *testing.T) {
	wild := regexp.MustCompile(`\{[a-z]+\}`)
	onBothEngines(t, func(t *testing.T, s *bookSite) {
		for _, route := range web.Routes() {
			path := strings.TrimSuffix(route.Path, "{$}")
			for _, n := range noise {
				if route.Method == http.MethodGet {
					for _, at := range []string{"?id=" + n, "?" + n, "?x=1&text=" + n} {
						w := s.do(t, call{method: route.Method, path: wild.ReplaceAllString(path, "1") + at, headers: s.tokens[record.Run]})
						require.Equal(t, http.StatusBadRequest, w.Code, "%s%s: %s", path, at, w.Body)
					}
				}
				if wild.MatchString(path) {
					w := s.do(t, call{method: route.Method, path: wild.ReplaceAllString(path, n), headers: s.tokens[record.Run]})
					require.Equal(t, http.StatusNotFound, w.Code, "%s %s %s: %s", route.Method, path, n, w.Body)
				}
			}
		}
		for path, want := range map[string]string{
			"/api/v1/stations/a%FFb":        `{"status":404,"title":"There is nothing at this address","field":"path","value":"/api/v1/stations/a\ufffdb","fix":"use text in UTF-8"}`,
			"/api/v1/visits?station=a%00b&": `{"status":400,"title":"A parameter is wrong","field":"station","value":"a\u0000b","fix":"use text in UTF-8"}`,
		} {
			w := s.do(t, call{method: "GET", path: path, headers: s.tokens[record.Run]})
			require.Equal(t, "application/problem+json", w.Header().Get("Content-Type"))
			require.JSONEq(t, want, w.Body.String())
		}
	})
}

// Nor does what is sent bring down what it is sent to.
func TestNoiseInABody(t *testing.T) {
	onBothEngines(t, func(t *testing.T, s *bookSite) {
		for _, n := range []string{"a\x00b", "a\xffb", "\xed\xa0\x80"} {
			for _, c := range []call{
				{path: "/sign-in", form: form("name", n, "password", "x")},
				{path: "/sign-in", form: form("name", "Ruth", "password", n)},
				{path: "/books", form: form("kind", "site", "id", n)},
				{path: "/alarms/see", form: form("id", n)},
			} {
				c.method, c.headers = "POST", s.tokens[record.Run]
				w := s.do(t, c)
				require.Equal(t, http.StatusBadRequest, w.Code, "%s %q: %s", c.path, c.form, w.Body)
			}
			w := s.send("/api/v1/plan/legs", "text/csv", []byte("from,to,minutes\nworkshop,"+n+",5\n"))
			require.Equal(t, http.StatusBadRequest, w.Code, w.Body.String())
		}
		for path, body := range map[string]string{
			"/api/v1/visits":             `{"station":"a\u0000b","kind":"on-site"}`,
			"/api/v1/parts/reservations": `{"kind":"\\\\\u0000","station":"quay-20","quantity":1}`,
		} {
			require.Equal(t, http.StatusBadRequest, s.say(path, body).Code, path)
		}
		s.said("/api/v1/sites/quay/facts", `{"facts":[{"name":"name","value":"Quay \\u0000"}]}`)
		next := base64.RawURLEncoding.EncodeToString([]byte(`"2025-10-01\u0000"`))
		w := s.do(t, call{method: "GET", path: "/api/v1/stations/quay-20/breathing?next=" + next, headers: s.tokens[record.Look]})
		require.Equal(t, http.StatusBadRequest, w.Code, w.Body.String())
	})
}
