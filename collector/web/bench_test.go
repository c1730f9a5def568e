package web_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/collector/view"
	"dewpost/collector/web"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
)

// BenchmarkToday is the morning look of 24 stations with 30 nights each, from
// the real store.
func BenchmarkToday(b *testing.B) {
	s := newSite(b, manyBoxes())
	for b.Loop() {
		w := httptest.NewRecorder()
		s.handler.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "http://127.0.0.1/", nil))
		if w.Code != http.StatusOK {
			b.Fatal(w.Body.String())
		}
	}
}

// crowded is a store of stations with a year of ledger hours each, a simulated
// box's, and a day of readings.
func crowded(b testing.TB, stations int) *store.Store {
	ctx := b.Context()
	like := newSite(b, siteBoxes()[1:2])
	hours, err := like.store.Hours(ctx, "lake-02", siteBegin, siteNow)
	require.NoError(b, err)
	rs, err := like.store.Readings(ctx, "lake-02", siteNow.Add(-day), siteNow+1)
	require.NoError(b, err)
	whole := hours[24 : len(hours)-24]
	var year []exposure.Hour
	for t := siteNow.Add(-365 * day).Floor(time.Hour); t < siteNow; t = t.Add(time.Hour) {
		h := whole[int(int64(t)/int64(time.Hour))%len(whole)]
		h.Start = t
		year = append(year, h)
	}
	s, err := store.Open(ctx, filepath.Join(b.TempDir(), "crowd.db"))
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, s.Close()) })
	secret, err := receipt.NewSecret([]byte("0123456789abcdef"))
	require.NoError(b, err)
	for i := range stations {
		id := fmt.Sprintf("st-%05d", i)
		say := func(kind, subject, name, value string) fact.Fact {
			return fact.Fact{Subject: fact.Subject{Kind: kind, ID: subject}, Name: name, From: fact.Always, Value: value, Author: "test", Recorded: 1}
		}
		site := fmt.Sprintf("site-%03d", i/20)
		facts := []fact.Fact{say(fact.KindStation, id, fact.Name, fmt.Sprintf("Station %d", i)), say(fact.KindStation, id, fact.Site, site), say(fact.KindStation, id, fact.Build, "coated")}
		if i%20 == 0 {
			facts = append([]fact.Fact{say(fact.KindSite, site, fact.Zone, "CET"), say(fact.KindSite, site, fact.Name, "Site "+site)}, facts...)
		}
		require.NoError(b, s.AddStation(ctx, record.Station{ID: id, Secret: secret, Enrolled: 1}, "test", facts...))
		own := slices.Clone(rs)
		for j := range own {
			own[j].Run, own[j].Seq = fmt.Sprintf("%016x", i+1), int64(j+1)
		}
		_, err := s.Commit(ctx, []record.Arrival{{Station: id, At: siteNow, Batch: reading.Batch{Readings: own}}})
		require.NoError(b, err)
		require.NoError(b, s.CommitFold(ctx, record.Folded{
			Mark: record.Mark{Station: id}, ReplaceFrom: year[0].Start, ReplaceTo: siteNow, Hours: year,
		}))
	}
	return s
}

// pagesOf serves the pages of a view to everybody.
func pagesOf(t testing.TB, v *view.View) http.Handler {
	handler, err := web.New(web.Config{
		View: v, Ready: func(context.Context) error { return nil }, Everybody: record.Look, Now: func() time.Time { return siteNow.Time() },
		Metrics: http.NotFoundHandler(), Log: slog.New(slog.DiscardHandler),
	})
	require.NoError(t, err)
	return handler
}

// loaded is one answer to a browser that takes gzip: how long it took, and its bytes.
func loaded(t testing.TB, handler http.Handler, path string) (took time.Duration, body []byte) {
	w := httptest.NewRecorder()
	r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1"+path, nil)
	r.Header.Set("Accept-Encoding", "gzip")
	start := time.Now()
	handler.ServeHTTP(w, r)
	took = time.Since(start)
	require.Equal(t, http.StatusOK, w.Code)
	return took, w.Body.Bytes()
}

var pageFile = regexp.MustCompile(`(?:href|src)="(/static/[^"]+)"`)

// TestWhatPagesWeigh adds up what a browser loads for the first page and for a card,
// compressed, with the scripts, and measures how long the server needs for them:
// of 5,000 stations with a year each where the whole proof is run.
func TestWhatPagesWeigh(t *testing.T) {
	stations, times := 40, 20
	if os.Getenv("PROOF_SCALE") == "full" {
		stations, times = 5000, 200
	}
	s := crowded(t, stations)
	v := view.New(s, func() time.Time { return siteNow.Time() })
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		v.Keep(ctx, nil, func(err error) { t.Error(err) })
		close(ended)
	}()
	defer func() { cancel(); <-ended }()
	handler := pagesOf(t, v)
	_, err := v.Today(t.Context())
	require.NoError(t, err)
	heaviest := 0
	var took []time.Duration
	for _, path := range []string{"/", "/stations/st-00011"} {
		_, packed := loaded(t, handler, path)
		all := len(packed)
		page, err := gzip.NewReader(bytes.NewReader(packed))
		require.NoError(t, err)
		html, err := io.ReadAll(page)
		require.NoError(t, err)
		files := pageFile.FindAllSubmatch(html, -1)
		require.NotEmpty(t, files)
		for _, m := range files {
			_, body := loaded(t, handler, string(m[1]))
			all += len(body)
		}
		heaviest = max(heaviest, all)
		for range times {
			d, _ := loaded(t, handler, path)
			took = append(took, d)
		}
	}
	require.Less(t, heaviest, 150_000, "bytes of a page with all that it loads")
	slices.Sort(took)
	fmt.Printf("pages: stations=%d kb_first_page=%.1f p95_ms=%.1f\n", stations, float64(heaviest)/1e3, float64(took[len(took)*95/100].Microseconds())/1e3)
}

// BenchmarkPagesOfMany measures what a server needs for its pages with 5,000
// stations and a year of hours each, while the morning look is kept in the
// background: the time within which 95 of 100 are answered, and their bytes as
// sent.
func BenchmarkPagesOfMany(b *testing.B) {
	const stations = 5000
	s := crowded(b, stations)
	now := func() time.Time { return siteNow.Time() }
	v := view.New(s, now)
	handler := pagesOf(b, v)
	ctx, cancel := context.WithCancel(b.Context())
	ended := make(chan struct{})
	go func() {
		v.Keep(ctx, nil, func(err error) { b.Error(err) })
		close(ended)
	}()
	start := time.Now()
	_, err := v.Today(b.Context())
	require.NoError(b, err)
	b.Logf("the first morning look of %d stations: %s", stations, time.Since(start).Round(time.Millisecond))
	for name, path := range map[string]string{
		"today": "/", "today by site": "/?by=site", "last": "/?begin=4980", "text": "/?text=4711", "card": "/stations/st-04711", "series": "/stations/st-04711/series",
	} {
		b.Run(name, func(b *testing.B) {
			var took []time.Duration
			size := 0
			for b.Loop() {
				w := httptest.NewRecorder()
				r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1"+path, nil)
				r.Header.Set("Accept-Encoding", "gzip")
				start := time.Now()
				handler.ServeHTTP(w, r)
				took = append(took, time.Since(start))
				require.Equal(b, http.StatusOK, w.Code)
				size = w.Body.Len()
				_, err := gzip.NewReader(bytes.NewReader(w.Body.Bytes()))
				require.NoError(b, err)
			}
			slices.Sort(took)
			b.ReportMetric(float64(took[len(took)*95/100].Microseconds())/1e3, "p95_ms")
			b.ReportMetric(float64(size)/1e3, "kB")
		})
	}
	cancel()
	<-ended
}
