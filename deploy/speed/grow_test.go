package speed

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/fold"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/collector/view"
	"dewpost/collector/web"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// ways serve pages from a store, in process, with the morning look kept as a
// collector does.
type ways struct {
	handler http.Handler
	view    *view.View
	end     func()
}

func serveFrom(t *testing.T, st *store.Store) *ways {
	v := view.New(st, time.Now)
	handler, err := web.New(web.Config{
		View: v, Ready: func(context.Context) error { return nil }, Everybody: record.Look, Now: time.Now,
		Metrics: http.NotFoundHandler(), Log: quiet(),
	})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		v.Keep(ctx, nil, func(err error) { t.Error(err) })
		close(ended)
	}()
	return &ways{handler, v, func() { cancel(); <-ended }}
}

// p95 asks for a page again and again.
func (w *ways) p95(t *testing.T, path string, times int) (ms float64) {
	var took []time.Duration
	for range times {
		rec := httptest.NewRecorder()
		r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1"+path, nil)
		r.Header.Set("Accept-Encoding", "gzip")
		began := time.Now()
		w.handler.ServeHTTP(rec, r)
		took = append(took, time.Since(began))
		require.Equal(t, http.StatusOK, rec.Code, path)
	}
	return quantile(took, 0.95)
}

// crowd adds stations on sites of twenty, each with a day of readings and as many
// ledger hours of a simulated box as wanted, and returns the file.
func crowd(t *testing.T, stations, hours int) (path string) {
	path = filepath.Join(t.TempDir(), "crowd.db")
	building := path
	if stations*hours < 1e6 { // else it is a matter of gigabytes
		building = filepath.Join(swiftDir(t), "crowd.db")
	}
	st := open(t, building)
	now := unit.At(time.Now())
	rs := simulated(3, now.Add(-day), int(day/(30*time.Minute)), 30*time.Minute)
	whole := exposure.Fold(reading.Merge(rs), []exposure.Valid{{From: math.MinInt64, Facts: exposure.Facts{MaxGap: time.Hour}}}, exposure.Part{From: math.MinInt64}).Hours
	whole = whole[1 : len(whole)-1]
	ledger := make([]exposure.Hour, hours)
	for i := range ledger {
		ledger[i] = whole[i%len(whole)]
		ledger[i].Start = now.Floor(time.Hour).Add(time.Duration(i-hours) * time.Hour)
	}
	for i := range stations {
		id, site := stationName(i), fmt.Sprintf("site-%05d", i/20)
		say := func(kind, subject, name, value string) fact.Fact {
			return fact.Fact{Subject: fact.Subject{Kind: kind, ID: subject}, Name: name, From: fact.Always, Value: value, Author: "speed", Recorded: 1}
		}
		facts := []fact.Fact{say(fact.KindStation, id, fact.Name, fmt.Sprintf("Station %d", i)), say(fact.KindStation, id, fact.Site, site), say(fact.KindStation, id, fact.Build, "coated")}
		if i%20 == 0 {
			facts = append([]fact.Fact{say(fact.KindSite, site, fact.Zone, "CET"), say(fact.KindSite, site, fact.Name, "Site "+site)}, facts...)
		}
		require.NoError(t, st.AddStation(t.Context(), record.Station{ID: id, Secret: secretOf(id), Enrolled: 1}, "speed", facts...))
		if hours == 0 {
			continue
		}
		own := slices.Clone(rs)
		for j := range own {
			own[j].Run = runName(i)
		}
		_, err := st.Commit(t.Context(), []record.Arrival{{Station: id, At: now, Batch: reading.Batch{Readings: own}}})
		require.NoError(t, err)
		require.NoError(t, st.CommitFold(t.Context(), record.Folded{
			Mark: record.Mark{Station: id, Version: math.MaxInt64}, ReplaceFrom: ledger[0].Start, ReplaceTo: now, Hours: ledger,
		}))
	}
	require.NoError(t, st.Close())
	if building != path {
		copyFile(t, building, path)
		require.NoError(t, os.Remove(building))
	}
	return path
}

// swiftDir is a folder for what is built by many commits and measured elsewhere: a
// sync takes no time there.
func swiftDir(t *testing.T) string {
	dir, err := os.MkdirTemp("/dev/shm", "dewpost-speed-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	return dir
}

func copyFile(t *testing.T, from, to string) {
	in, err := os.Open(from)
	require.NoError(t, err)
	defer in.Close()
	out, err := os.Create(to)
	require.NoError(t, err)
	_, err = io.Copy(out, in)
	require.NoError(t, errors.Join(err, out.Sync(), out.Close()))
}

// pages measures what a server needs for its pages, in full with a year of hours
// for each station.
func pages(t *testing.T, sc scale, sum *figures) {
	st, err := store.Open(t.Context(), crowd(t, sc.pageStations, sc.pageHours))
	require.NoError(t, err)
	defer func() { require.NoError(t, st.Close()) }()
	w := serveFrom(t, st)
	defer w.end()
	began := time.Now()
	_, err = w.view.Today(t.Context())
	require.NoError(t, err)
	fmt.Printf("speed(page): stations=%d first_look_s=%.2f\n", sc.pageStations, time.Since(began).Seconds())
	last := stationName(sc.pageStations - 1)
	for _, page := range []struct{ name, path string }{{"start", "/"}, {"by_site", "/?by=site"}, {"card", "/stations/" + last}, {"series", "/stations/" + last + "/series"}} {
		ms := w.p95(t, page.path, 40)
		fmt.Printf("speed(page): page=%s p95_ms=%.1f\n", page.name, ms)
		sum.set("page_"+page.name+"_p95_ms", "%.1f", ms)
	}
}

// grown is what is measured at one number of stations.
type grown struct {
	stations                                     float64
	commitUS, foldMS, lookS, startMS, mb, readyS float64
}

// grow measures the same things with more and more stations. They have no
// connections; rounds of one reading from each come through the store.
func grow(t *testing.T, sc scale, sum *figures) {
	var all []grown
	for _, n := range sc.grow {
		g := growTo(t, n)
		fmt.Printf("speed(grow): stations=%d commit_us_a_reading=%.1f fold_ms_a_reading=%.3f look_s=%.3f start_page_ms=%.1f rss_mb=%.0f ready_s=%.2f\n",
			n, g.commitUS, g.foldMS, g.lookS, g.startMS, g.mb, g.readyS)
		all = append(all, g)
	}
	most := math.Inf(-1)
	// Per reading a cost that doesn't grow has exponent 0; of all stations
	// together, one that is in proportion has 1.
	fmt.Print("speed(grow): exponent")
	for _, of := range []struct {
		name string
		of   func(g *grown) float64
		flat float64
	}{
		{"commit", func(g *grown) float64 { return g.commitUS }, 0},
		{"fold", func(g *grown) float64 { return g.foldMS }, 0},
		{"look", func(g *grown) float64 { return g.lookS }, 1},
		{"start_page", func(g *grown) float64 { return g.startMS }, 1},
		{"memory", func(g *grown) float64 { return g.mb }, 1},
		{"ready", func(g *grown) float64 { return g.readyS }, 1},
	} {
		e := exponent(all, of.of)
		fmt.Printf(" %s=%.2f", of.name, e)
		most = max(most, e-of.flat)
	}
	fmt.Println()
	// What is beyond linear: the largest exponent, of cost a station.
	sum.set("grow_beyond_linear", "%.2f", max(0, most))
	sum.goal("grow", most <= 0.15)
}

// exponent fits a straight line to logarithms.
func exponent(all []grown, of func(*grown) float64) float64 {
	var sx, sy, sxx, sxy float64
	for i := range all {
		x, y := math.Log(all[i].stations), math.Log(of(&all[i]))
		sx, sy, sxx, sxy = sx+x, sy+y, sxx+x*x, sxy+x*y
	}
	n := float64(len(all))
	return (n*sxy - sx*sy) / (n*sxx - sx*sx)
}

// sendRound commits a reading of each station and folds them.
func sendRound(t *testing.T, st *store.Store, n int, seq int64, at unit.Instant) (committed, folded time.Duration) {
	const atOnce = 4000
	for i := 0; i < n; {
		var as []record.Arrival
		for ; i < n && len(as) < atOnce; i++ {
			as = append(as, record.Arrival{Station: stationName(i), At: at, Batch: reading.Batch{Readings: []reading.Reading{sixChannels(i, seq, at)}}})
		}
		began := time.Now()
		_, err := st.Commit(t.Context(), as)
		require.NoError(t, err)
		committed += time.Since(began)
	}
	began := time.Now()
	require.NoError(t, fold.New(fold.Config{Store: st, Now: time.Now, Log: quiet(), Sent: func() {}}).All(t.Context()))
	return committed, time.Since(began)
}

func growTo(t *testing.T, n int) (g grown) {
	const rounds = 2
	g.stations = float64(n)
	began := time.Now()
	lap := func(what string) {
		t.Logf("%d stations: %s took %.1f s", n, what, time.Since(began).Seconds())
		began = time.Now()
	}
	path := crowd(t, n, 0)
	lap("adding them")
	first := unit.At(time.Now()).Add(-2 * time.Minute)
	if second := first.Add(time.Minute); second.Floor(time.Hour) > first { // the hour's work is another's figure
		first = second.Floor(time.Hour).Add(-2 * time.Minute)
	}
	// What begins a station is a commit for each, and not measured.
	swift := filepath.Join(swiftDir(t), "grow.db")
	copyFile(t, path, swift)
	st, err := store.Open(t.Context(), swift)
	require.NoError(t, err)
	sendRound(t, st, n, 1, first)
	require.NoError(t, st.Close())
	copyFile(t, swift, path)
	require.NoError(t, os.Remove(swift))
	lap("the first round")
	st, err = store.Open(t.Context(), path)
	require.NoError(t, err)
	committed, folded := sendRound(t, st, n, 2, first.Add(time.Minute))
	lap("the second round")
	g.commitUS = float64(committed.Microseconds()) / g.stations
	g.foldMS = folded.Seconds() * 1000 / g.stations
	counts, err := st.Counts(t.Context())
	require.NoError(t, err)
	require.Equal(t, int64(n*rounds), counts.Stored)
	w := serveFrom(t, st)
	began = time.Now()
	_, err = w.view.Today(t.Context())
	require.NoError(t, err)
	g.lookS = time.Since(began).Seconds()
	g.startMS = w.p95(t, "/", 20)
	w.end()
	require.NoError(t, st.Close())
	runtime.GC()
	lap("pages")
	s := newShop(t, path)
	_, err = built()
	require.NoError(t, err)
	began = time.Now()
	p := s.serve()
	g.readyS = time.Since(began).Seconds()
	s.folded()
	require.NotNil(t, s.get("/"))
	g.mb = p.status(t, "VmRSS")
	p.end(t)
	lap("serving")
	require.NoError(t, os.Remove(path))
	return g
}
