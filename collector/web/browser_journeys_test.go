package web_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
)

// journey counts one of a person's ways through the pages for the proof of pages.
func journey() { fmt.Println("pages: journeys=1") }

// walker is a person with a browser, and a program with the same rights beside.
type walker struct {
	*browser
	site    *site
	session *http.Cookie
}

func (w *walker) api(path string) map[string]any {
	w.t.Helper()
	return object(w.t, w.site, path, w.session)
}

// object asks the API for one object.
func object(t *testing.T, s *site, path string, cookies ...*http.Cookie) map[string]any {
	t.Helper()
	answer := s.do(t, call{method: "GET", path: path, cookies: cookies})
	require.Equal(t, http.StatusOK, answer.Code, answer.Body.String())
	decode := json.NewDecoder(answer.Body)
	decode.UseNumber()
	var out map[string]any
	require.NoError(t, decode.Decode(&out))
	return out
}

// number reads a number of an answer by the names on the way to it.
func number(t *testing.T, from map[string]any, names ...string) float64 {
	t.Helper()
	for _, name := range names[:len(names)-1] {
		from = from[name].(map[string]any)
	}
	x, err := from[names[len(names)-1]].(json.Number).Float64()
	require.NoError(t, err, names)
	return x
}

// answer fills fields, selects among them, and presses a button.
func (w *walker) answer(button string, fields ...string) {
	w.t.Helper()
	for i := 0; i < len(fields); i += 2 {
		require.True(w.t, eval[bool](w.browser, fmt.Sprintf("(() => { const e = document.querySelector(%q); e.value = %q; return e.value === %q })()", fields[i], fields[i+1], fields[i+1])), fields[i])
	}
	w.press(button)
}

// press presses a button and waits for the page that answers.
func (w *walker) press(button string) {
	w.t.Helper()
	require.True(w.t, eval[bool](w.browser, "window.before = true"))
	w.fill(button)
	w.until("!window.before && document.readyState === 'complete'")
}

// shows tells whether a page says a number as it writes it.
func (w *walker) shows(selector, want string) {
	w.t.Helper()
	require.Contains(w.t, strings.ReplaceAll(w.text(selector), "\u00a0", " "), want)
}

// TestJourneys walks the ways on which other tests of browsers don't go; wherever
// a page shows a number the API is asked for it.
func TestJourneys(t *testing.T) {
	s := fullSite(t)
	require.NoError(t, s.door.AddAccount(t.Context(), "Ruth", record.Run, runners, ""))
	b := newBrowserFor(t, s, 3*time.Minute)
	b.refusals = true
	w := &walker{browser: b, site: s, session: s.signIn(t, "Ruth", runners)}
	b.open("/sign-in", 390, "light")
	b.fill("main button", "#name", "Ruth", "#password", runners)
	b.until("location.pathname === '/'")

	w.leavesTheBench()
	w.message()
	w.week()
	w.season()
	w.coatingDay()
}

// A station leaves the bench: intake, what was done, test card, label, baseline.
func (w *walker) leavesTheBench() {
	w.open("/visits", 390, "light")
	w.fill("#add summary")
	w.answer("#add button", "#add-station", "lake-02", "#add-kind", "send-in", "#add-why_text", "came back dead")
	w.until("document.querySelector('h1').textContent.includes('Lake 02') || location.pathname.startsWith('/visits/')")
	path := eval[string](w.browser, "location.pathname")
	n := strings.TrimPrefix(path, "/visits/")
	require.Equal(w.t, "lake-02", w.api("/api/v1/visits/" + n)["station"])
	w.open(path, 390, "light")
	w.fill("#state summary")
	w.answer("#state button", "#state-state", "arrived", "#state-at", "2025-10-20T09:00")
	w.until("document.body.textContent.includes('arrived')")
	w.open(path, 390, "light")
	w.fill("#work summary")
	w.answer("#work button", "#work-code", "recoated", "#work-details", "coating = acrylic\nsides = both\ncure_hours = 24", "#work-at", "2025-10-21T09:00")
	w.until("document.querySelector('#done')")
	w.shows("main", "recoated")
	w.open(path, 390, "light")
	w.fill("#card summary")
	w.answer("#card button", "#card-keys_there", "4", "#card-keys_good", "1-4", "#card-at", "2025-10-23T09:00")
	w.until("document.querySelector('#cards')")
	card := w.api("/api/v1/visits/" + n + "/card")
	result := card["result"].(map[string]any)
	w.shows("main", result["verdict"].(string))
	label := w.site.do(w.t, call{method: "GET", path: "/stations/lake-02/label.pdf", cookies: []*http.Cookie{w.session}})
	require.Equal(w.t, http.StatusOK, label.Code)
	require.True(w.t, strings.HasPrefix(label.Body.String(), "%PDF-"))
	w.open("/stations/lake-07", 1180, "light")
	tau := w.api("/api/v1/stations/lake-07/breathing")["items"].([]any)
	w.shows("#breath", fmt.Sprintf("about %.0f h", number(w.t, tau[len(tau)-1].(map[string]any), "tau_h")))
	journey()
}

// A message: seen by its link, put aside with a reason, turned into a visit.
func (w *walker) message() {
	w.open(seenPath(), 390, "light")
	w.press("main button")
	w.until("document.body.textContent.includes('It is written down') || document.body.textContent.includes('seen already')")
	w.open("/alarms", 390, "light")
	alarms := w.api("/api/v1/alarms")["items"].([]any)
	needs := 0
	for _, a := range alarms {
		if a.(map[string]any)["state"] != nil {
			needs++
		}
	}
	require.Positive(w.t, needs)
	card := strings.ReplaceAll(eval[string](w.browser, "[...document.querySelectorAll('main li h3 a')].map((a) => a.getAttribute('href')).join(' ')"), "/stations/", "")
	id := strings.Fields(card)[0]
	visit := eval[string](w.browser, "document.querySelector('main li a[href^=\"/visits?\"]').getAttribute('href')")
	require.Contains(w.t, visit, "station="+id)
	w.open("/alarms", 390, "light")
	w.press("main li form[action='/alarms/see'] button")
	w.until("document.readyState === 'complete' && location.pathname === '/alarms'")
	seen := w.api("/api/v1/stations/" + id)["needs"].([]any)
	require.NotEmpty(w.t, seen)

	w.open(visit, 390, "light")
	require.True(w.t, eval[bool](w.browser, "document.querySelector('#add').open"))
	require.Equal(w.t, id, eval[string](w.browser, "document.querySelector('#add-station').value"))
	w.answer("#add button", "#add-kind", "on-site", "#add-planned", "2025-10-26")
	w.until("location.pathname.startsWith('/visits/')")
	n := strings.TrimPrefix(eval[string](w.browser, "location.pathname"), "/visits/")
	made := w.api("/api/v1/visits/" + n)
	require.Equal(w.t, id, made["station"])
	require.NotEmpty(w.t, made["why"])
	w.open("/", 390, "light")
	w.shows("#_look", "Planned for today")

	w.open("/alarms", 390, "light")
	w.fill("main li details summary")
	w.answer("main li form[action='/alarms/put-aside'] button", "main li form[action='/alarms/put-aside'] input[name=why]", "the owner is away")
	w.until("document.body.textContent.includes('the owner is away')")
	held := w.api("/api/v1/alarms/put-aside")["items"].([]any)
	require.Contains(w.t, fmt.Sprint(held), "the owner is away")
	journey()
}

// Planning the week: who is first, with the numbers of the API; a job card; the
// calendar.
func (w *walker) week() {
	w.open("/plan", 390, "light")
	needs := w.api("/api/v1/plan/needs")["items"].([]any)
	rows := eval[[]string](w.browser, "[...document.querySelectorAll('main h2 a, main h3 a')].map((a) => a.getAttribute('href')).filter((h) => h.startsWith('/stations/'))")
	require.Len(w.t, rows, len(needs))
	for i, n := range needs {
		require.Equal(w.t, "/stations/"+n.(map[string]any)["station"].(string), rows[i], "in the API's order")
	}
	first := needs[0].(map[string]any)
	loss := number(w.t, first, "loss_h_per_week")
	want := fmt.Sprintf("%.1f h a week", loss)
	if loss < 0.995 {
		want = fmt.Sprintf("%.0f min a week", 60*loss)
	}
	w.shows("main", want)
	pdf := w.site.do(w.t, call{method: "GET", path: "/visits/1/card.pdf", cookies: []*http.Cookie{w.session}})
	require.True(w.t, strings.HasPrefix(pdf.Body.String(), "%PDF-"))
	w.open("/calendar", 390, "light")
	w.fill("main details:last-of-type summary")
	w.answer("main form[action='/calendar'] button", "#calendar-name", "Ruth’s phone")
	w.until("document.querySelector('[role=status] code')")
	feed := w.text("[role=status] code")
	at := feed[strings.Index(feed, "/calendar/"):]
	answer := w.site.do(w.t, call{method: "GET", path: at})
	require.Equal(w.t, http.StatusOK, answer.Code)
	require.Contains(w.t, answer.Body.String(), "BEGIN:VEVENT")
	journey()
}

// The season: exposure as the API has it, and a report on paper.
func (w *walker) season() {
	w.open("/exposure", 1180, "light")
	for _, item := range w.api("/api/v1/exposure")["items"].([]any) {
		row := item.(map[string]any)
		all := row["all"].(map[string]any)
		if all["condensing_h_a_night"] == nil {
			continue
		}
		night := all["condensing_h_a_night"].([]any)
		mid, err := night[0].(json.Number).Float64()
		require.NoError(w.t, err)
		want := tenths(mid) + " h"
		station := row["station"].(string)
		shown := eval[string](w.browser, fmt.Sprintf("[...document.querySelectorAll('.exposed .row')].find((r) => r.querySelector('a').getAttribute('href') === '/stations/%s').textContent", station))
		require.Contains(w.t, strings.ReplaceAll(shown, "\u00a0", " "), want, station)
	}
	report := w.site.do(w.t, call{method: "GET", path: "/report.pdf?subject=site:lake&from=2025-09-01&to=2025-10-26", cookies: []*http.Cookie{w.session}})
	require.Equal(w.t, http.StatusOK, report.Code, report.Body.String())
	require.True(w.t, strings.HasPrefix(report.Body.String(), "%PDF-"))
	journey()
}

// Coating day: the answer, its margin and its reason are the API's.
func (w *walker) coatingDay() {
	query := "?temp_c=21&rh_pct=45&board_temp_c=20"
	w.open("/coating"+query, 390, "light")
	day := w.api("/api/v1/coating" + query)
	require.Equal(w.t, day["says"], eval[string](w.browser, "document.querySelector('#now').textContent"))
	w.shows("main", fmt.Sprintf("dew point %.1f °C", number(w.t, day, "now", "dew_point_c")))
	w.shows("main", fmt.Sprintf("the surface %.1f K above it", number(w.t, day, "now", "margin_k")))
	journey()
}
