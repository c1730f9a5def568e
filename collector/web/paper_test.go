package web_test

import (
	"bytes"
	"context"
	"encoding/json"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/emersion/go-ical"
	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/collector/web"
	"dewpost/rules/alarm"
	"dewpost/rules/finding"
	"dewpost/rules/stock"
)

// pdfText is what another program reads in a document (pdftotext, of poppler),
// without the spaces that layout makes.
func pdfText(t *testing.T, pdf []byte) string {
	t.Helper()
	require.True(t, bytes.HasPrefix(pdf, []byte("%PDF-")), "%.200s", pdf)
	path := filepath.Join(t.TempDir(), "sheet.pdf")
	require.NoError(t, os.WriteFile(path, pdf, 0o600))
	if *shots != "" {
		require.NoError(t, os.WriteFile(filepath.Join(*shots, strings.ReplaceAll(t.Name(), "/", "-")+".pdf"), pdf, 0o600))
	}
	out, err := exec.CommandContext(t.Context(), "pdftotext", "-layout", path, "-").Output()
	require.NoError(t, err, "pdftotext, of poppler-utils, must be there")
	return strings.Join(strings.Fields(string(out)), "")
}

func shows(t *testing.T, text string, all ...string) {
	t.Helper()
	for _, want := range all {
		require.Contains(t, text, strings.Join(strings.Fields(want), ""))
	}
}

func TestSheetsOfTheSite(t *testing.T) {
	s := newBookSite(t)
	now := siteNow
	_, err := s.store.ReservePart(t.Context(), stock.Reservation{Kind: "keypad", Quantity: 1, Grade: stock.Worst, Station: "lake-07", Made: now}, "Will")
	require.NoError(t, err)
	w := s.ask(record.Work, "/visits/1/card.pdf")
	require.Equal(t, "application/pdf", w.Header().Get("Content-Type"))
	require.Equal(t, "inline; filename=visit-1.pdf", w.Header().Get("Content-Disposition"))
	shows(t, pdfText(t, w.Body.Bytes()), "Lake 07", "Visit 1 · On site · Monday 20 October 2025", "no dry night in a week", "How far the board was above dew", "it condensed", "talk in nothing, or too little", "Outdoor keypad")
	shows(t, pdfText(t, s.ask(record.Work, "/visits/1/card.pdf?paper=letter").Body.Bytes()), "Visit 1")
	require.Equal(t, http.StatusCreated, s.say("/api/v1/visits", `{"station":"lake-02","kind":"on-site","planned":"2025-10-30","who":"Ruth"}`).Code)
	shows(t, pdfText(t, s.ask(record.Work, "/visits/load.pdf?day=2025-10-30").Body.Bytes()), "Load list, Thursday 30 October 2025", "2 · Lake 02, lake-02 · On site · Ruth", "Nothing is reserved")
	require.NotContains(t, pdfText(t, s.ask(record.Work, "/visits/load.pdf?day=2025-10-30&who=Will").Body.Bytes()), "Lake02")
	require.Equal(t, http.StatusCreated, s.say("/api/v1/visits", `{"station":"lake-07","kind":"on-site","planned":"2025-10-31"}`).Code)
	shows(t, pdfText(t, s.ask(record.Work, "/visits/load.pdf?day=2025-10-31").Body.Bytes()), "1 Outdoor keypad, lot", "(visit 3, lake-07)")
	shows(t, pdfText(t, s.ask(record.Look, "/stations/lake-07/label.pdf").Body.Bytes()), "lake-07", "Build: cracked cover", "Restored: 2025-10-26")
	shows(t, pdfText(t, s.ask(record.Look, "/stations/lake-07/label.pdf?size=a4-sheet&skip=4").Body.Bytes()), "lake-07")
	report := "/report.pdf?from=2025-10-01&to=2025-11-01&currency=EUR"
	shows(t, pdfText(t, s.ask(record.Look, report+"&id=lake-07&paper=letter").Body.Bytes()), "Season report: Lake 07", "1 October 2025 to 31 October 2025", "Dew or frost lay on the board for", "Hours of dew or frost, by month", "20 October 2025, on site. Found: water",
		"Held against the same months a year before: not enough is known", "the retrofit costs 180 EUR once", "of 7000 that a year needs")
	shows(t, pdfText(t, s.ask(record.Look, report+"&subject=site:lake&retrofit_cost=100&so2=4&cl=2").Body.Bytes()), "Larkmoor Lake Park", "At a glance", "Lake 02 (lake-02)", "costs 100 EUR once", "as the workshop gave them")

	for _, bad := range []struct {
		path, field, value string
		status             int
	}{
		{"/visits/9/card.pdf", "n", "9", 404},
		{"/visits/1/card.pdf?paper=a5", "paper", "a5", 400},
		{"/visits/load.pdf", "day", "", 400},
		{"/visits/load.pdf?day=2025-02-30", "day", "2025-02-30", 400},
		{"/visits/load.pdf?day=2025-10-30&paper=x", "paper", "x", 400},
		{"/stations/nobody/label.pdf", "id", "nobody", 404},
		{"/stations/lake-07/label.pdf?size=b", "size", "b", 400},
		{report + "&of=site&id=nowhere", "site", "nowhere", 404},
		{report + "&of=owner&id=", "owner", "", 404},
		{report + "&of=line&id=x", "of", "line", 400},
		{"/report.pdf?from=2025-10-01&to=2025-10-01&id=lake-07", "to", "2025-10-01", 400},
		{"/report.pdf?from=x&to=2025-10-01&id=lake-07", "from", "x", 400},
		{"/report.pdf?from=2000-10-01&to=2025-10-01&id=lake-07", "to", "2025-10-01", 400},
		{report + "&id=lake-07&care_cost=-1", "care_cost", "-1", 400},
		{report + "&id=lake-07&so2=1", "so2", "", 400},
		{report + "&id=lake-07&so2=1&cl=200000", "cl", "200000", 400},
		{report + "&id=lake-07&loss_with_low=0.9", "loss_with", "0.9", 400},
		{report + "&id=lake-07&unit_value=1234567", "unit_value", "1234567", 400},
		{report + "&id=lake-07&currency=" + strings.Repeat("E", 13), "currency", strings.Repeat("E", 13), 400},
	} {
		w := s.do(t, call{method: "GET", path: strings.Replace(bad.path, "=EUR&id=lake-07&currency", "", 1), headers: s.tokens[record.Work]})
		require.Equal(t, bad.status, w.Code, bad.path)
		require.Contains(t, w.Body.String(), bad.field, bad.path)
		require.Contains(t, w.Body.String(), bad.value, bad.path)
	}
}

// However much was found of a station over the years, its card has what lasts and
// what the visit is for.
func TestAJobCardHasTheNewest(t *testing.T) {
	s := newBookSite(t)
	var c record.AlarmChange
	for i := range 1001 {
		at := ago(time.Duration(2000-i) * time.Hour)
		o := alarm.Occurrence{Station: "lake-07", Number: int64(100 + i), State: alarm.Normal, Finding: finding.Finding{Kind: finding.Silent, From: at, Concluded: at, To: at.Add(time.Minute)}}
		c.Occurrences = append(c.Occurrences, o)
	}
	for i, kind := range []finding.Kind{finding.WaterInside, finding.LeakageRising} {
		at := ago(time.Duration(20-i) * time.Hour)
		c.Occurrences = append(c.Occurrences, alarm.Occurrence{Station: "lake-07", Number: 5, State: alarm.Acknowledged, Finding: finding.Finding{Kind: kind, From: at, Concluded: at}})
	}
	require.NoError(t, s.store.ChangeAlarms(t.Context(), c))
	w := s.say("/api/v1/visits", `{"station":"lake-07","kind":"on-site","planned":"2025-10-30","why":[{"kind":"water_inside","number":5}]}`)
	require.Equal(t, http.StatusCreated, w.Code, w.Body.String())
	shows(t, pdfText(t, s.ask(record.Work, "/visits/2/card.pdf").Body.Bytes()), "Water inside (water_inside/5)", "Also found of this station", "Leakage grows, since")
}

func TestTheCalendarOfTheSite(t *testing.T) {
	s := newBookSite(t)
	w := s.post("/calendar", "name", "Ruth's phone")
	require.Equal(t, http.StatusOK, w.Code)
	address := regexp.MustCompile(`http://127\.0\.0\.1/calendar/[0-9a-z]{26}\.ics`).FindString(w.Body.String())
	require.NotEmpty(t, address)
	require.NotContains(t, s.ask(record.Work, "/calendar").Body.String(), address, "nobody sees it again")
	u, err := url.Parse(address)
	require.NoError(t, err)
	feed := s.do(t, call{method: "GET", path: u.Path}) // as a calendar asks: without signing in
	require.Equal(t, http.StatusOK, feed.Code)
	require.Equal(t, "text/calendar; charset=utf-8", feed.Header().Get("Content-Type"))
	cal, err := ical.NewDecoder(feed.Body).Decode()
	require.NoError(t, err)
	require.Len(t, cal.Events(), 1)
	link, err := cal.Events()[0].Props.URI(ical.PropURL)
	require.NoError(t, err)
	require.Equal(t, "http://127.0.0.1/visits/1", link.String())
	for _, path := range []string{u.Path + "?x=1", strings.TrimSuffix(u.Path, ".ics"), "/calendar/x.ics"} {
		require.Equal(t, http.StatusNotFound, s.do(t, call{method: "GET", path: path}).Code, path)
	}
	require.NotEqual(t, http.StatusOK, s.do(t, call{method: "GET", path: "/api/v1/visits", headers: []string{"Authorization", "Bearer " + strings.TrimSuffix(filepath.Base(u.Path), ".ics")}}).Code, "it opens nothing else")
	require.Equal(t, http.StatusUnprocessableEntity, s.post("/calendar", "name", "RUTH'S phone").Code)
	require.Equal(t, http.StatusUnprocessableEntity, s.post("/calendar/revoke", "name", "nobody").Code)
	require.Equal(t, http.StatusSeeOther, s.post("/calendar/revoke", "name", "Ruth's phone").Code)
	require.Equal(t, http.StatusNotFound, s.do(t, call{method: "GET", path: u.Path}).Code, "revoked")
	require.Contains(t, s.ask(record.Run, "/audit").Body.String(), "revoked the calendar address Ruth")
	require.NotContains(t, s.ask(record.Run, "/audit").Body.String(), filepath.Base(u.Path))
}

func TestWithoutACalendar(t *testing.T) {
	s := sharedSite(t)
	h, err := web.New(web.Config{View: s.view, Ready: func(context.Context) error { return nil }, Metrics: http.NotFoundHandler(), Everybody: record.Work})
	require.NoError(t, err)
	for _, path := range []string{"/calendar", "/calendar/x.ics", "/reports", "/visits/1/after"} {
		require.Equal(t, http.StatusNotFound, (&site{handler: h}).do(t, call{method: "GET", path: path}).Code, path)
	}
}

// What a page sends twice, because it heard no answer, is written down once.
func TestAFormIsWrittenDownOnce(t *testing.T) {
	s := newBookSite(t)
	const form = `"form":"7d0c6f2e-aaaa-4bbb-8ccc-0123456789ab"`
	sent := `{"findings":[{"moisture":"damp"}],"work":[{"code":"gasket-changed"}],` + form + `}`
	count := func() int {
		var v map[string]any
		require.NoError(t, json.Unmarshal(s.ask(record.Look, "/api/v1/visits/1").Body.Bytes(), &v))
		return len(v["work"].([]any))
	}
	before := count()
	for range 3 {
		require.Equal(t, http.StatusCreated, s.say("/api/v1/visits/1", sent).Code)
	}
	require.Equal(t, before+1, count())
	requireProblem(t, s.say("/api/v1/visits/1", `{"form":"short"}`), 400, "form", `"short"`, "UUID")
	requireProblem(t, s.say("/api/v1/visits", `{"station":"lake-07","symptoms":[{"kind":"hum"}],`+form+`}`), 400, "form", "7d0c6f2e-aaaa-4bbb-8ccc-0123456789ab", "symptoms")
	require.Equal(t, http.StatusCreated, s.say("/api/v1/visits", `{"station":"lake-02","kind":"photos"}`).Code)
	requireProblem(t, s.say("/api/v1/visits/2", sent), 400, "form", "7d0c6f2e-aaaa-4bbb-8ccc-0123456789ab", "it was of visit 1")
	for range 2 {
		w := s.say("/api/v1/visits", `{"station":"lake-02","kind":"on-site","form":"a-new-visit-by-form"}`)
		require.Equal(t, "/api/v1/visits/3", w.Header().Get("Location"))
	}
}
