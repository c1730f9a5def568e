package web_test

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/web"
	"dewpost/rules/alarm"
	"dewpost/rules/finding"
	"dewpost/rules/receipt"
)

//go:embed testdata/axe/axe.min.js
var axe string

type address struct{ route, path, says string }

// pages are addresses of all pages, by route, with the text of their own that
// each must show: an error's page breaks no rule either.
var pages = []address{
	{"/{$}", "/", "need a person"},
	{"/stations/{id}", "/stations/lake-07", "Lake 07"},
	{"/stations/{id}", "/stations/quay-20", "Quay 20"},
	{"/stations/{id}/agent", "/stations/lake-07/agent", "Its sensors"},
	{"/stations/{id}/ahead", "/stations/lake-07/ahead", "ahead"},
	{"/stations/{id}/import", "/stations/lake-07/import", "Bring a log"},
	{"/password", "/password", "Your password"},
	{"/people", "/people", "People"},
	{"/settings", "/settings", "So it looks"},
	{"/export", "/export", "Export"},
	{"/erase", "/erase", "Erase"},
	{"/audit", "/audit", "What was done"},
	{"/readings-kept", "/readings-kept", "agent"},
	{"/books", "/books", "Books"},
	{"/books/{kind}/{id}", "/books/sites/lake", "time zone"},
	{"/alarms", "/alarms", "person"},
	{"/alarms/quality", "/alarms/quality", "month"},
	{"/exposure", "/exposure", "By station"},
	{"/coating", "/coating", "maker"},
	{"/messages", "/messages", "Who is told"},
	{"/seen/{token}", seenPath(), "I have seen it"},
	{"/parts", "/parts", "on the shelf"},
	{"/plan", "/plan", "a week of waiting costs"},
	{"/plan/round", "/plan/round", "Time that is taken"},
	{"/parts/{part}", "/parts/keypad", "Outdoor keypad"},
	{"/visits", "/visits", "Plan a visit"},
	{"/visits/{n}", "/visits/1", "Visit"},
	{"/visits/{n}/card", "/visits/1/card", "When it is done"},
	{"/visits/{n}/after", "/visits/1/after", "What was found and done"},
	{"/calendar", "/calendar", "Where the visits can be read"},
	{"/reports", "/reports", "for the owner"},
	{"/", "/nowhere", "nowhere"},
}

// notPages are routes to GET that show no page.
func notPage(path string) bool {
	return strings.HasPrefix(path, "/api/") || strings.HasPrefix(path, "/static/") ||
		strings.Contains(path, "/photos/") || strings.HasSuffix(path, "/series") || strings.HasSuffix(path, ".csv") ||
		strings.HasSuffix(path, ".pdf") || strings.HasSuffix(path, ".js") || strings.HasSuffix(path, "/{secret}") ||
		path == "/live" || path == "/healthz" || path == "/readyz" || path == "/metrics"
}

func TestEveryPageIsPutToTheRules(t *testing.T) {
	known := map[string]bool{"/first": true, "/sign-in": true} // before anybody has signed in
	for _, p := range pages {
		known[p.route] = true
	}
	for _, r := range web.Routes() {
		if r.Method == http.MethodGet && !notPage(r.Path) {
			require.True(t, known[r.Path], "no page of %s in the table", r.Path)
		}
	}
}

type axeFound struct {
	Violations []struct {
		ID    string
		Nodes []struct {
			Target         []any
			FailureSummary string
		}
	}
	Passes int
}

type look struct {
	theme string
	width int64
}

// looks are those in which a page is judged: all, or but for the full proof one page
// in this look and the next one in another.
func (b *browser) looks() []look {
	all := []look{{"light", 1180}, {"dark", 1180}, {"light", 320}}
	if os.Getenv("PROOF_SCALE") != "full" {
		b.judged++
		return all[b.judged%len(all):][:1]
	}
	return all
}

// judge puts a page, in both themes and on a narrow phone, to the rules of WCAG
// 2.0 to 2.2, levels A and AA, as far as a program can judge them (axe-core). It
// returns how many elements passed and what broke a rule.
func (b *browser) judge(path, says string) (passed int, wrong []string) {
	b.t.Helper()
	for _, look := range b.looks() {
		b.open(path, look.width, look.theme)
		own := eval[string](b, "document.body.innerText")
		if !strings.Contains(own, says) {
			wrong = append(wrong, fmt.Sprintf("%s doesn't say %q: %.900s", path, says, own))
			return
		}
		require.LessOrEqual(b.t, eval[int64](b, "document.documentElement.scrollWidth"), look.width, "%s scrolls sideways at %d px", path, look.width)
		b.shot(fmt.Sprintf("all%s-%d-%s", strings.ReplaceAll(path, "/", "-"), look.width, look.theme))
		_, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](axe+"; ''"))
		require.NoError(b.t, err)
		text, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](`axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa']}).then((r) =>
			JSON.stringify({violations: r.violations, passes: r.passes.reduce((n, p) => n + p.nodes.length, 0)}))`, chromedp.EvalAwaitPromise))
		require.NoError(b.t, err)
		var found axeFound
		require.NoError(b.t, json.Unmarshal([]byte(text), &found))
		require.Positive(b.t, found.Passes)
		passed += found.Passes
		for _, v := range found.Violations {
			for _, n := range v.Nodes {
				wrong = append(wrong, fmt.Sprintf("%s (%s, %d px): %s: %v: %s", path, look.theme, look.width, v.ID, n.Target, n.FailureSummary))
			}
		}
	}
	return passed, wrong
}

// fullSite is a site of which every page has something to show.
func fullSite(t *testing.T) *site {
	s := newSite(t, siteBoxes())
	s.agentSays(t, "lake-07", report)
	_, err := books.GiveOrder(t.Context(), s.store, "lake-07", receipt.Body{Heat: 3}, time.Hour, s.at, "Ruth")
	require.NoError(t, err)
	o := alarm.Occurrence{Station: "lake-07", Number: 1, Finding: finding.Finding{Kind: finding.BoardWet}}
	s.tell(t, o) // for seenPath
	s.ended(t, 101)
	ida, err := s.store.PutPerson(t.Context(), books.NewPerson("Ida", "Europe/Berlin"), siteNow, "Ruth")
	require.NoError(t, err)
	d := record.Delivery{Event: o.ID(), Person: ida, Why: record.WhyFirst, Created: siteNow, Due: siteNow}
	require.NoError(t, s.store.Route(t.Context(), o.ID(), siteNow, []record.Delivery{d}))
	require.NoError(t, s.store.EndTry(t.Context(), d, siteNow, "mail server smtp.otter-lane-restorations.example:587: no such host"))
	return s
}

// TestEveryPageForEverybody judges every page, first those that come before
// anybody has signed in.
func TestEveryPageForEverybody(t *testing.T) {
	s := fullSite(t)
	b := newBrowserFor(t, s, 5*time.Minute)
	b.refusals = true
	nodes, wrong := 0, []string{}
	judge := func(path, says string) {
		n, w := b.judge(path, says)
		nodes, wrong = nodes+n, append(wrong, w...)
	}
	judge("/first", "The first account")
	require.NoError(t, s.door.AddAccount(t.Context(), "Ruth", record.Run, runners, ""))
	judge("/sign-in", "Sign in")
	b.open("/sign-in", 390, "light")
	b.fill("main button", "#name", "Ruth", "#password", runners)
	b.until("location.pathname === '/'")
	for _, p := range pages {
		judge(p.path, p.says)
	}
	// German words are longer.
	require.NoError(t, s.door.SetReads(t.Context(), "Ruth", "language=de"))
	for _, p := range pages {
		b.open(p.path, 320, "light")
		require.Equal(t, "de", eval[string](b, "document.documentElement.lang"))
		if wide := eval[int64](b, "document.documentElement.scrollWidth"); wide > 320 {
			wrong = append(wrong, fmt.Sprintf("%s in German is %d px wide", p.path, wide))
		}
		b.shot("german" + strings.ReplaceAll(p.path, "/", "-"))
	}
	fmt.Printf("pages: routes=%d nodes=%d expected_text=%t axe_findings=%d\n", len(pages)+2, nodes, len(wrong) == 0, len(wrong))
	require.Empty(t, wrong)
}
