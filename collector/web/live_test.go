package web_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/collector/view"
	"dewpost/collector/web"
	"dewpost/rules/fact"
)

// stream is an answer that is written bit by bit.
type stream struct {
	*httptest.ResponseRecorder
	lines  chan string
	broken atomic.Bool
}

func (s *stream) Write(b []byte) (int, error) {
	if s.broken.Load() {
		return 0, errors.New("gone")
	}
	s.lines <- string(b)
	return len(b), nil
}

func (s *stream) Flush()                           {}
func (s *stream) SetWriteDeadline(time.Time) error { return nil }

// A page that waits is told of a change once, kept alive without one, and sent
// away after a while, when the server closes, or when it is gone.
func TestLive(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var version atomic.Int64
		var failing atomic.Bool
		var looks atomic.Int64
		closing := make(chan struct{})
		h, err := web.New(web.Config{
			View: view.New(nil, time.Now), Ready: func(context.Context) error { return nil }, Metrics: http.NotFoundHandler(), Everybody: record.Look,
			Changes: func(context.Context) (string, error) {
				looks.Add(1)
				if failing.Load() {
					return "", errors.New("not now")
				}
				return fmt.Sprint(version.Load()), nil
			},
			Closing: closing,
		})
		require.NoError(t, err)
		listen := func(ctx context.Context) (*stream, chan struct{}) {
			s, ended := &stream{ResponseRecorder: httptest.NewRecorder(), lines: make(chan string, 1000)}, make(chan struct{})
			go func() {
				h.ServeHTTP(s, httptest.NewRequest(http.MethodGet, "http://127.0.0.1/live", nil).WithContext(ctx))
				close(ended)
			}()
			synctest.Wait()
			return s, ended
		}
		heard := func(s *stream) (list []string) {
			synctest.Wait()
			for len(s.lines) > 0 {
				list = append(list, strings.TrimSpace(<-s.lines))
			}
			return list
		}
		a, aEnded := listen(t.Context())
		ctx, cancel := context.WithCancel(t.Context())
		b, bEnded := listen(ctx)
		require.Equal(t, []string{"retry: 5000"}, heard(a))
		require.Equal(t, []string{"retry: 5000"}, heard(b))
		require.Equal(t, "text/event-stream", a.Header().Get("Content-Type"))
		time.Sleep(10 * time.Second)
		require.Empty(t, heard(a))
		failing.Store(true)
		version.Add(1)
		time.Sleep(5 * time.Second)
		require.Empty(t, heard(a))
		failing.Store(false)
		time.Sleep(3 * time.Second)
		require.Equal(t, []string{"event: changed\ndata:"}, heard(a))
		require.Equal(t, []string{"event: changed\ndata:"}, heard(b))
		time.Sleep(3 * time.Second)
		require.Equal(t, []string{":"}, heard(a))
		cancel()
		<-bEnded
		time.Sleep(5 * time.Minute)
		<-aEnded

		before := looks.Load()
		time.Sleep(time.Hour)
		require.Equal(t, before, looks.Load(), "nobody waits")

		c, cEnded := listen(t.Context())
		require.NotEmpty(t, heard(c))
		c.broken.Store(true)
		version.Add(1)
		time.Sleep(30 * time.Second)
		<-cEnded

		var all []*stream
		var ended []chan struct{}
		for range 256 {
			s, e := listen(t.Context())
			all, ended = append(all, s), append(ended, e)
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "http://127.0.0.1/live", nil))
		require.Equal(t, http.StatusServiceUnavailable, w.Code)
		require.Equal(t, "60", w.Header().Get("Retry-After"))
		close(closing)
		for i := range all {
			<-ended[i]
		}
	})
}

func TestLiveIsOff(t *testing.T) {
	h, err := web.New(web.Config{View: view.New(nil, time.Now), Ready: func(context.Context) error { return nil }, Metrics: http.NotFoundHandler(), Everybody: record.Look})
	require.NoError(t, err)
	for path, code := range map[string]int{"/live": http.StatusNotFound, "/live?x=1": http.StatusBadRequest} {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "http://127.0.0.1"+path, nil))
		require.Equal(t, code, w.Code)
	}
}

// What changed between the making of a page and its first question is told at once.
func TestLiveTellsWhatChangedMeanwhile(t *testing.T) {
	s := newSite(t, siteBoxes()[:1])
	made := regexp.MustCompile(`data-state="([0-9a-f]{16})"`)
	state := func() string {
		m := made.FindStringSubmatch(s.get(t, "/").Body.String())
		require.NotNil(t, m)
		return m[1]
	}
	server := httptest.NewServer(s.handler)
	defer server.Close()
	first := func(seen string) string {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		r, err := http.NewRequestWithContext(ctx, http.MethodGet, server.URL+"/live?seen="+seen, nil)
		require.NoError(t, err)
		answer, err := http.DefaultClient.Do(r)
		require.NoError(t, err)
		defer answer.Body.Close()
		lines := bufio.NewScanner(answer.Body)
		for range 3 {
			require.True(t, lines.Scan())
		}
		return lines.Text()
	}
	before := state()
	require.Equal(t, before, state())
	require.NoError(t, s.store.AddFacts(t.Context(), []fact.Fact{{
		Subject: fact.Subject{Kind: fact.KindStation, ID: "lake-07"}, Name: fact.Name, From: fact.Always, Value: "Another", Author: "Ruth", Recorded: siteNow,
	}}))
	require.NotEqual(t, before, state())
	require.Equal(t, "event: changed", first(before))
}

// Over a real server, which flushes.
func TestLiveOverTheWire(t *testing.T) {
	s := newSite(t, siteBoxes()[:1])
	server := httptest.NewServer(s.handler)
	defer server.Close()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, server.URL+"/live", nil)
	require.NoError(t, err)
	answer, err := http.DefaultClient.Do(r)
	require.NoError(t, err)
	defer answer.Body.Close()
	lines := bufio.NewScanner(answer.Body)
	require.True(t, lines.Scan())
	require.Equal(t, "retry: 5000", lines.Text())
}

// An open page shows what is new without being loaded, keeps what somebody
// opened, and says when the collector is away.
func TestPageStaysNew(t *testing.T) {
	s := newSite(t, siteBoxes()[:2])
	b := newBrowser(t, s)
	b.open("/", 390, "light")
	b.until("document.querySelectorAll('.row').length === 2")
	require.Len(t, eval[string](b, "document.querySelector('main').dataset.state"), 16)
	require.True(t, eval[bool](b, "(window.same = document.querySelector('main')) !== null"))
	require.True(t, eval[bool](b, "(document.querySelector('details').open = true)"))
	require.NoError(t, s.store.AddFacts(t.Context(), []fact.Fact{{
		Subject: fact.Subject{Kind: fact.KindStation, ID: "lake-02"}, Name: fact.Name, From: fact.Always, Value: "The old gatehouse", Author: "Ruth", Recorded: siteNow,
	}}))
	b.until("document.getElementById('lake-02').textContent.includes('The old gatehouse')")
	require.True(t, eval[bool](b, "window.same === document.querySelector('main')"), "not loaded anew")
	require.True(t, eval[bool](b, "document.querySelector('details').open"))
}
