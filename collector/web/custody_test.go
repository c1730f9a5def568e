package web_test

import (
	"context"
	"fmt"
	"html"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/collector/view"
	"dewpost/collector/web"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

const (
	keptHead = "reading,station=lake-07,run=9f31c2aa07de4410 "
	pastLine = keptHead + "seq=4i,inside_temp_c=5 315964800000000000" // 1980
)

// keptSite is two stations with refused readings, and states of their agents.
func keptSite(t *testing.T) *site {
	t.Helper()
	boxes := siteBoxes()
	lake, quiet := boxes[0], boxes[1]
	lake.from, quiet.from = siteNow, siteNow // no readings yet
	s := newSite(t, []box{lake, quiet})
	arrive := func(station string, lines ...string) {
		a := record.Arrival{Station: station, At: siteNow, Batch: reading.Decode(station, []byte(strings.Join(lines, "\n")), siteNow)}
		_, err := s.store.Commit(context.Background(), []record.Arrival{a})
		require.NoError(t, err)
	}
	day := siteNow.Add(-time.Hour)
	arrive("lake-07",
		fmt.Sprintf(keptHead+"seq=1i,inside_temp_c=5 %d", day), fmt.Sprintf(keptHead+"seq=1i,inside_temp_c=5 %d", day),
		fmt.Sprintf(keptHead+"seq=2i,inside_temp_c=5 %d", day+1),
		keptHead+"seq=3i,flags=\"<img src=x onerror=alert(1)>\x1b[2J\" 5",
		pastLine,
		fmt.Sprintf(keptHead+"seq=5i,inside_temp_c=5 %d", siteNow.Add(time.Hour)))
	arrive("nobody", fmt.Sprintf("reading,station=nobody inside_temp_c=5 %d", day))
	for i := range 60 { // more than a page
		arrive("lake-02", fmt.Sprintf("reading,station=lake-02 nothing-%02d", i))
	}
	return s
}

func (s *site) says(t *testing.T, station string, c record.Report, offset time.Duration) {
	t.Helper()
	c.Run, c.Conn = "9f31c2aa07de4410", 1
	n, err := s.store.KeepStates(context.Background(), []record.State{{
		Station: station, At: siteNow.Add(-time.Minute), Offset: offset, Timed: true, Report: c,
		Body: fmt.Appendf(nil, `{"run":%q,"conn":1,"readings":{"sampled":%d,"receipted":%d,"queued":%d,"waiting":1,"discarded":{"size":2}},"spool":{"upto":%d}}`,
			c.Run, c.Readings.Sampled, c.Readings.Receipted, c.Readings.Queued, c.Spool.Upto),
	}})
	require.NoError(t, err)
	require.Equal(t, 1, n)
}

// workSite lets everybody work, and release.
func (s *site) workSite(t *testing.T, role record.Role) *site {
	t.Helper()
	h, err := web.New(web.Config{
		View: view.New(s.store, func() time.Time { return siteNow.Time() }), Ready: func(context.Context) error { return nil },
		Metrics: http.NotFoundHandler(), Everybody: role,
		Release: func(ctx context.Context, ids []int64, author string) error {
			return s.store.Release(ctx, ids, siteNow, author)
		},
	})
	require.NoError(t, err)
	return &site{store: s.store, view: s.view, handler: h}
}

var tag = regexp.MustCompile(`<[^>]*>`)

// textOf is what a page says, without its marks, and with all space alike.
func textOf(body string) string {
	return strings.Join(strings.Fields(html.UnescapeString(tag.ReplaceAllString(body, " "))), " ")
}

func TestReadingsKept(t *testing.T) {
	s := keptSite(t)
	s.says(t, "lake-07", record.Report{Readings: &record.Tally{Sampled: 12, Receipted: 5, Queued: 4}, Spool: record.Spool{Upto: 5}}, 12300*time.Millisecond)
	w := s.get(t, "/readings-kept")
	require.Equal(t, http.StatusOK, w.Code)
	body := textOf(w.Body.String())
	for _, want := range []string{
		"All 67 readings that came in are accounted for.",
		"2 are stored, 1 had come before, 64 are refused.",
		"One agent tells what was taken, and everything that they count as safe is here.",
		"Nothing is known of the counts at 1 station.",
		"The clock of Lake 07 is 12.3 s behind.",
		"Lake 07 12 5 5 2 6 2 1 3 nothing 12.3 s behind",
		"Lake 02 60 0 0 60 nothing yet",
		"not in service 1 0 0 1",
		"unreadable : 61", "time : 2", "not in service : 1",
	} {
		require.Contains(t, body, want)
	}
	raw := s.get(t, "/readings-kept?station=lake-07").Body.String()
	require.NotContains(t, raw, "<img")
	body = textOf(raw)
	require.Contains(t, body, `flags="<img src=x onerror=alert(1)>\x1b[2J" 5`)
	require.Contains(t, body, "It is stored by itself at")
	require.NotContains(t, body, "with its time as it is", "who may only look can't release")

	// Agents that don't agree.
	s.says(t, "lake-02", record.Report{Readings: &record.Tally{Sampled: 1203, Receipted: 1200}, Spool: record.Spool{Upto: 1200}}, -2*time.Hour)
	body = textOf(s.get(t, "/readings-kept").Body.String())
	require.Contains(t, body, "Look at Lake 02: its agent was told that 1 200 readings are safe here, and they are not.")
	require.Contains(t, body, "Agents hold 1 200 readings for safe that are not here.")
	require.Contains(t, body, "1 200 not here")
	require.NotContains(t, body, "safe is here")
}

func TestReadingsKept_UnevenAgent(t *testing.T) {
	s := keptSite(t)
	s.says(t, "lake-07", record.Report{Readings: &record.Tally{Sampled: 14, Receipted: 5, Queued: 4}, Spool: record.Spool{Upto: 5}}, 0)
	body := textOf(s.get(t, "/readings-kept").Body.String())
	require.Contains(t, body, "Look at Lake 07: its agent's own counts differ by 2.")
	require.Contains(t, body, "2 in its own counts")
	require.NotContains(t, body, "safe is here")
	require.NotContains(t, body, "The clock of")
}

func TestQuarantineIsPaged(t *testing.T) {
	s := keptSite(t)
	seen := map[string]bool{}
	pages := 0
	for path := "/readings-kept?station=lake-02&reason=malformed"; path != ""; pages++ {
		body := s.get(t, path).Body.String()
		require.Contains(t, body, "Only those of lake-02, reason “unreadable”")
		for _, m := range regexp.MustCompile(`nothing-\d\d`).FindAllString(body, -1) {
			seen[m] = true
		}
		path = ""
		if m := regexp.MustCompile(`href="([^"]*)">Older`).FindStringSubmatch(body); m != nil {
			path = strings.TrimSuffix(strings.ReplaceAll(m[1], "&amp;", "&"), "#refused")
		}
	}
	require.Equal(t, 2, pages)
	require.Len(t, seen, 60)

	items, pages := s.all(t, "/api/v1/quarantine?limit=7&station=lake-02")
	require.Equal(t, 9, pages)
	require.Len(t, items, 60)
	items, _ = s.all(t, "/api/v1/quarantine?reason=time")
	require.Len(t, items, 2)
	require.Equal(t, pastLine, items[1]["line"])
	require.Equal(t, true, items[1]["waits"])
	require.Equal(t, siteNow.Add(time.Hour).String(), items[0]["due"])
	for _, path := range []string{"/readings-kept?reason=bad", "/readings-kept?before=0", "/api/v1/quarantine?reason=bad", "/api/v1/quarantine?next=x"} {
		require.Equal(t, http.StatusBadRequest, s.get(t, path).Code, path)
	}
}

func TestReleaseFromThePage(t *testing.T) {
	s := keptSite(t).workSite(t, record.Work)
	body := s.get(t, "/readings-kept?reason=time").Body.String()
	m := regexp.MustCompile(`name="number" value="(\d+)"`).FindAllStringSubmatch(body, -1)
	require.Len(t, m, 1, "only the one that waits for a person")
	number := m[0][1]
	post := func(number string) int {
		return s.do(t, call{method: "POST", path: "/readings-kept/release", form: form("number", number)}).Code
	}
	require.Equal(t, http.StatusBadRequest, post("x"))
	require.Equal(t, http.StatusNotFound, post("999"))
	require.Equal(t, http.StatusConflict, post("1"), "unreadable")
	looker := s.workSite(t, record.Look)
	require.Equal(t, http.StatusForbidden, looker.do(t, call{method: "POST", path: "/readings-kept/release", form: form("number", number)}).Code)

	w := s.do(t, call{method: "POST", path: "/readings-kept/release", form: form("number", number)})
	require.Equal(t, http.StatusSeeOther, w.Code)
	require.Equal(t, "/readings-kept#refused", w.Header().Get("Location"))
	rs, err := s.store.Readings(context.Background(), "lake-07", 0, siteNow)
	require.NoError(t, err)
	require.Equal(t, unit.At(time.Date(1980, 1, 6, 0, 0, 0, 0, time.UTC)), rs[0].Time)
	require.Equal(t, http.StatusConflict, post(number), "once")
	body = textOf(s.get(t, "/readings-kept").Body.String())
	require.Contains(t, body, "All 68 readings that came in are accounted for.")
	require.Contains(t, body, "1 of those refused was stored after all")

	without := *s
	without.handler, err = web.New(web.Config{
		View: s.view, Ready: func(context.Context) error { return nil }, Metrics: http.NotFoundHandler(), Everybody: record.Work,
	})
	require.NoError(t, err)
	require.Equal(t, http.StatusForbidden, without.do(t, call{method: "POST", path: "/readings-kept/release", form: form("number", number)}).Code)
}

func TestReadingsKeptInABrowser(t *testing.T) {
	s := keptSite(t)
	s.says(t, "lake-07", record.Report{Readings: &record.Tally{Sampled: 14, Receipted: 5, Queued: 4}, Spool: record.Spool{Upto: 5}}, 12300*time.Millisecond)
	b := newBrowser(t, s.workSite(t, record.Work))
	b.everyLook("readings-kept", "/readings-kept", []int64{320, 760, 1180}, "document.readyState === 'complete'", func() {
		require.Equal(t, "All 67 readings that came in are accounted for.", eval[string](b, "document.getElementById('headline').textContent"))
	})
	b.open("/readings-kept?reason=time", 360, "light")
	b.fill("#refused form button")
	b.until("document.getElementById('headline').textContent.startsWith('All 68')")
}
