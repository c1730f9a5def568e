package web_test

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/door"
	"dewpost/collector/fold"
	"dewpost/collector/importer"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/collector/view"
	"dewpost/collector/web"
	"dewpost/rules/boxsim"
	"dewpost/rules/fact"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// Names that a hostile or careless person could record.
const (
	hostileName = `Post <script>alert(1)</script> "9" & '`
	hostileSpot = `"><img src=x onerror=alert(2)>`
)

// The site of the tests: stations with a month and a half behind them, through
// the real store and the real fold. Their clock stands still.
var (
	siteNow   = unit.At(time.Date(2025, 10, 26, 6, 10, 0, 0, time.UTC)) // 07:10 in CET, an hour after it began
	siteBegin = siteNow.Add(-45 * 24 * time.Hour).Floor(24 * time.Hour)
)

const siteSeed = 20251026

type box struct {
	id, site, name, spot, build string
	box                         boxsim.Box
	faults                      []boxsim.Fault
	from, to                    unit.Instant  // of its readings; zero: siteBegin, siteNow
	every                       time.Duration // zero: 10 minutes
}

func ago(d time.Duration) unit.Instant { return siteNow.Add(-d) }

const day = 24 * time.Hour

func siteBoxes() []box {
	full := boxsim.Box{TauH: 30, SkyCoolingK: 4, SelfHeatK: 0.2, StandbyMA: 12, SunGainK: 6, HasBoard: true, HasOutside: true, HasLine: true, Noise: 1}
	airOnly := full
	airOnly.HasBoard, airOnly.HasOutside = false, false
	tight := full
	tight.TauH, tight.SelfHeatK, tight.SkyCoolingK = 160, 2, 1.5
	return []box{
		{
			id: "lake-07", site: "lake", name: "Lake 07", spot: "boathouse wall", build: "coated", box: full,
			faults: []boxsim.Fault{{Kind: boxsim.WaterInside, From: ago(5*day + 12*time.Hour), Size: 400}},
		},
		{id: "lake-02", site: "lake", name: "Lake 02", spot: "gatehouse", build: "coated-new-cover", box: full},
		{
			id: "lake-12", site: "lake", name: "Lake 12", spot: "kiosk", build: "coated", box: airOnly,
			faults: []boxsim.Fault{{Kind: boxsim.Dropout, From: ago(20 * day), To: ago(18 * day)}},
		},
		{id: "lake-15", site: "lake", name: "Lake 15", spot: "cottage 15", build: "uncoated", box: full, to: ago(9 * time.Hour)},
		{
			id: "quay-03", site: "quay", name: "Quay 3", spot: "terrace, north", build: "cracked-cover", box: full,
			faults: []boxsim.Fault{{Kind: boxsim.CrackedCover, From: ago(12 * day), Size: 1.5}},
		},
		{id: "quay-09", site: "quay", name: hostileName, spot: hostileSpot, build: "coated", box: tight, from: ago(11 * day)},
		{id: "quay-20", site: "quay", name: "Quay 20", spot: "not hung yet", box: full, from: siteNow},
	}
}

// messageKey signs links in messages of test sites.
const messageKey = "a key of tests"

// site is a running set of pages over a real store.
type site struct {
	store   *store.Store
	view    *view.View
	door    *door.Door
	at      time.Time // the door's clock
	handler http.Handler
}

func newSite(t testing.TB, boxes []box) *site {
	t.Helper()
	dir, err := os.MkdirTemp(siteFolder, "")
	require.NoError(t, err)
	file := filepath.Join(dir, "site.db")
	require.NoError(t, os.WriteFile(file, storeOf(t, boxes), 0o600))
	st, err := store.Open(context.Background(), file)
	require.NoError(t, err)
	siteStores = append(siteStores, st)
	return siteOver(t, st)
}

// siteOver serves the pages of a store.
func siteOver(t testing.TB, st *store.Store) *site {
	t.Helper()
	now := func() time.Time { return siteNow.Time() }
	v := view.New(st, now)
	s := &site{store: st, view: v, at: siteNow.Time()}
	s.door = door.New(st, func() time.Time { return s.at })
	var err error
	s.handler, err = web.New(web.Config{
		View: v, Ready: func(context.Context) error { return nil }, Door: s.door, Local: true, Names: []string{"Pages.Lan"}, Changes: st.Changes,
		Books: st, Parts: books.NewParts(st), Visits: books.Visits{VisitStore: st}, Shelf: st, Calendars: st, Alarms: books.Alarms{AlarmStore: st}, Now: now, Export: st, Erasing: st, Coating: st, Importing: st,
		Agents: st,
		Plans:  books.NewPlanner(st),
		Messages: &web.Messages{
			People: books.NewPeople(st), Told: st.Told, Message: st.Message, Notice: st.Notice, Called: st.PeerCalled, Key: []byte(messageKey),
			Try: func(ctx context.Context, p record.Person, nonce string, now unit.Instant) error {
				n := record.Notice{Event: "trial:" + nonce, Kind: record.Trial, Created: now, Subject: "x", Body: "{}"}
				return st.AddNotice(ctx, n, []record.Delivery{{Event: n.Event, Person: p.ID, Why: record.WhyFirst, Created: now, Due: now}})
			},
		},
		Metrics: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { fmt.Fprintln(w, "# stub") }),
		ImportReadings: func(ctx context.Context, station string, log importer.Log) (importer.Readings, error) {
			log.At = unit.At(s.at)
			return importer.ImportReadings(ctx, st, station, log)
		},
		ImportWeather: func(ctx context.Context, site string, source record.WeatherSource, replace bool, log importer.Log) (importer.Weather, error) {
			log.At = unit.At(s.at)
			return importer.ImportWeather(ctx, st, site, source, replace, log)
		},
		ImportForecast: func(ctx context.Context, site string, issued unit.Instant, log importer.Log) (importer.Forecast, error) {
			log.At = unit.At(s.at)
			return importer.ImportForecast(ctx, st, site, issued, log)
		},
	})
	require.NoError(t, err)
	return s
}

// storeOf is the file of a store with these boxes, folded: made once, for weeks of
// readings take longer to fold than most tests.
func storeOf(t testing.TB, boxes []box) []byte {
	t.Helper()
	key := fmt.Sprintf("%+v", boxes)
	if file, ok := storesOf[key]; ok {
		return file
	}
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "site.db")
	st, err := store.Open(ctx, path)
	require.NoError(t, err)
	addSites(t, st)
	addShelf(t, st)
	for i, b := range boxes {
		addBox(t, st, b, uint64(i))
	}
	addVisits(t, st, boxes[0].id)
	began := siteNow.Add(-day) // the fold's clock is a day behind first, so that silence counts
	folder := fold.New(fold.Config{Store: st, Log: slog.New(slog.DiscardHandler), Now: func() time.Time { return began.Time() }})
	require.NoError(t, folder.All(ctx))
	began = siteNow
	require.NoError(t, folder.Minute(ctx))
	require.NoError(t, st.Close())
	file, err := os.ReadFile(path)
	require.NoError(t, err)
	storesOf[key] = file
	return file
}

var storesOf = map[string][]byte{} // by what is in them

var (
	siteFolder string
	siteStores []*store.Store
	siteOnce   sync.Once
	siteShared *site
)

func TestMain(m *testing.M) {
	flag.Parse()
	os.Exit(runTests(m))
}

func runTests(m *testing.M) (code int) {
	dir, err := os.MkdirTemp("", "pages-")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	siteFolder = dir
	defer func() {
		closeChromium()
		err := os.RemoveAll(dir)
		for _, st := range siteStores {
			err = errors.Join(err, st.Close())
		}
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			code = 1
		}
	}()
	return m.Run()
}

// sharedSite is one site for all tests: they only read.
func sharedSite(t *testing.T) *site {
	t.Helper()
	siteOnce.Do(func() { siteShared = newSite(t, siteBoxes()) })
	require.NotNil(t, siteShared)
	return siteShared
}

// get asks the site for a path of its own and returns the answer.
func (s *site) get(t testing.TB, path string, headers ...string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1"+path, nil)
	for i := 0; i < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	s.handler.ServeHTTP(w, r)
	return w
}

// getJSON asks for a path and decodes its answer, numbers kept as written.
func getJSON[T any](t testing.TB, s *site, path string) T {
	t.Helper()
	w := s.get(t, path)
	require.Equal(t, http.StatusOK, w.Code, w.Body.String())
	require.Equal(t, "application/json", w.Header().Get("Content-Type"))
	var v T
	d := json.NewDecoder(w.Body)
	d.UseNumber()
	require.NoError(t, d.Decode(&v))
	return v
}

type page struct {
	Items []map[string]any `json:"items"`
	Next  string           `json:"next"`
}

// all reads every page of a list.
func (s *site) all(t testing.TB, path string) (items []map[string]any, pages int) {
	t.Helper()
	join := "?"
	if strings.Contains(path, "?") {
		join = "&"
	}
	for next := ""; ; pages++ {
		p := getJSON[page](t, s, path+next)
		require.NotNil(t, p.Items)
		items = append(items, p.Items...)
		if p.Next == "" {
			return items, pages + 1
		}
		next = join + "next=" + p.Next
	}
}

func addSites(t testing.TB, st *store.Store) {
	t.Helper()
	var facts []fact.Fact
	for id, values := range map[string]map[string]string{
		"lake": {fact.Name: "Larkmoor Lake Park", fact.Zone: "CET", fact.Lat: "58.4", fact.Lon: "14.6", fact.Salt: "none"},
		"quay": {fact.Name: "Brackwater Quay", fact.Zone: "CET", fact.Lat: "54.1", fact.Lon: "8.2", fact.Salt: "coast"},
	} {
		for name, value := range values {
			facts = append(facts, fact.Fact{Subject: fact.Subject{Kind: fact.KindSite, ID: id}, Name: name, From: fact.Always, Value: value, Author: "test", Recorded: siteBegin})
		}
	}
	require.NoError(t, st.AddFacts(context.Background(), facts))
}

func addBox(t testing.TB, st *store.Store, b box, n uint64) {
	t.Helper()
	ctx := context.Background()
	secret, err := receipt.NewSecret([]byte(fmt.Sprintf("%-32s", b.id)))
	require.NoError(t, err)
	require.NoError(t, st.AddStation(ctx, record.Station{ID: b.id, Secret: secret, Enrolled: siteBegin}, "test"))
	if b.every == 0 {
		b.every = 10 * time.Minute
	}
	facts := map[string]string{
		fact.MaxGap: (b.every + b.every/2).String(), fact.Interval: b.every.String(),
		fact.Name: b.name, fact.Site: b.site, fact.Spot: b.spot, fact.Mounting: "surface",
		fact.Installed: "2025-05-14", fact.CoverNew: "2019-04-30", fact.Build: b.build,
	}
	var list []fact.Fact
	for name, value := range facts {
		if value != "" {
			list = append(list, fact.Fact{Subject: fact.Subject{Kind: fact.KindStation, ID: b.id}, Name: name, From: fact.Always, Value: value, Author: "test", Recorded: siteBegin})
		}
	}
	require.NoError(t, st.AddFacts(ctx, list))
	if b.from == 0 {
		b.from = siteBegin
	}
	if b.to == 0 {
		b.to = siteNow
	}
	climate := boxsim.Lakeside()
	if b.site == "quay" {
		climate = boxsim.Quayside()
	}
	sim := boxsim.New(boxsim.NewWeather(climate, siteSeed), b.box, b.faults, siteSeed+n, b.from)
	run := fmt.Sprintf("%016x", siteSeed+n)
	var batch reading.Batch
	seq := int64(0)
	for at := b.from; at < b.to; at = at.Add(b.every) {
		r := sim.Next(at)
		seq++
		r.Run, r.Seq = run, seq
		batch.Readings = append(batch.Readings, r)
	}
	for len(batch.Readings) > 0 {
		n := min(len(batch.Readings), 144)
		_, err := st.Commit(ctx, []record.Arrival{{Station: b.id, At: siteNow, Batch: reading.Batch{
			Readings: batch.Readings[:n], Oldest: map[string]int64{run: 1},
		}}})
		require.NoError(t, err)
		batch.Readings = batch.Readings[n:]
	}
}

// manyBoxes is a site as large as the demo's.
func manyBoxes() []box {
	boxes := siteBoxes()
	for i := len(boxes); i < 24; i++ {
		b := boxes[1]
		b.id, b.name, b.spot = fmt.Sprintf("lake-%02d", 20+i), fmt.Sprintf("Lake %02d", 20+i), fmt.Sprintf("cottage %d", 20+i)
		b.every = time.Hour // quicker to make, and as many hours
		b.box.TauH = 20 + 6*math.Mod(float64(i)*7, 24)
		b.box.SelfHeatK = math.Mod(float64(i)*0.37, 1.6)
		boxes = append(boxes, b)
	}
	return boxes
}
