package web_test

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	cdplog "github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"
)

var shots = flag.String("shots", "", "write pictures of the pages into this folder")

// browser is a tab of a real browser that looks at a running set of pages.
// What goes wrong in the page (exceptions, refusals by the content policy) is
// collected and fails the test.
type browser struct {
	t   *testing.T
	ctx context.Context
	url string

	refusals bool // answers from 400 to 499 are no mistake
	losses   bool // a connection that breaks is none
	judged   int  // pages

	mu       sync.Mutex
	mistakes []string
}

// chromium is one program for all tests, for to start it takes seconds. What one
// of them stores in its tab no other sees.
var chromium = sync.OnceValues(func() (context.Context, error) {
	opts := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.NoSandbox, // the tests may run as root
		chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true),
		chromedp.Flag("no-proxy-server", true))
	ctx, stop := chromedp.NewExecAllocator(context.Background(), opts...)
	ctx, leave := chromedp.NewContext(ctx)
	closeChromium = func() { leave(); stop() }
	return ctx, chromedp.Do(ctx) // has no time limit of its own
})

var closeChromium = func() {}

const browserTime = 90 * time.Second // for one test, a busy machine included

func newBrowser(t *testing.T, s *site) *browser {
	t.Helper()
	return newBrowserFor(t, s, browserTime)
}

func newBrowserFor(t *testing.T, s *site, most time.Duration) *browser {
	t.Helper()
	server := httptest.NewServer(s.handler)
	t.Cleanup(server.Close)
	program, err := chromium()
	require.NoError(t, err, "a chromium must be installed for this test")
	ctx, cancel := chromedp.NewContext(program, chromedp.WithNewBrowserContext())
	t.Cleanup(cancel)
	ctx, cancel = context.WithTimeout(ctx, most)
	t.Cleanup(cancel)
	b := &browser{t: t, ctx: ctx, url: server.URL}
	require.NoError(t, chromedp.Listen(ctx, b.listen))
	t.Cleanup(func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		require.Empty(t, b.mistakes, "what the browser complained of")
	})
	return b
}

func (b *browser) listen(ev any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch ev := ev.(type) {
	case *runtime.EventExceptionThrown:
		b.mistakes = append(b.mistakes, "exception: "+ev.ExceptionDetails.Text)
	case *cdplog.EventEntryAdded:
		if b.refusals && strings.Contains(ev.Entry.Text, "the server responded with a status of 4") {
			return
		}
		if b.losses && strings.Contains(ev.Entry.Text, "net::ERR_") {
			return
		}
		b.mistakes = append(b.mistakes, "log: "+ev.Entry.Text)
	}
}

// open shows a page at a width in a theme.
func (b *browser) open(path string, width int64, theme string) {
	b.t.Helper()
	require.NoError(b.t, chromedp.Do(b.ctx,
		chromedp.EmulateViewport(width, 900),
		chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
			_, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
				Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: theme}},
			})
			return err
		}),
		chromedp.Navigate(b.url+path)))
}

// eval runs an expression in the page and reads its value.
func eval[T any](b *browser, expression string) T {
	b.t.Helper()
	text, err := chromedp.Run(b.ctx, chromedp.Evaluate[string]("JSON.stringify("+expression+")"))
	require.NoError(b.t, err, expression)
	var v T
	require.NoError(b.t, json.Unmarshal([]byte(text), &v), "%s gave %s", expression, text)
	return v
}

// until waits for an expression to become true in a page that has come whole: on a busy
// machine its address is there long before its end.
func (b *browser) until(expression string) {
	b.t.Helper()
	require.Eventually(b.t, func() bool {
		ok, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool]("document.readyState !== 'loading' && !!("+expression+")"))
		return err == nil && ok
	}, 20*time.Second, 20*time.Millisecond, expression)
}

// shot keeps a picture of the whole page when that was asked for.
func (b *browser) shot(name string) {
	b.t.Helper()
	if *shots == "" {
		return
	}
	picture, err := chromedp.Run(b.ctx, chromedp.FullScreenshot(100))
	require.NoError(b.t, err)
	require.NoError(b.t, os.WriteFile(filepath.Join(*shots, name+".png"), picture, 0o600))
}

var (
	phoneAndDesk = []int64{320, 1180}
	papers       = map[string]string{"light": "rgb(250, 247, 240)", "dark": "rgb(20, 25, 31)"}
)

// everyLook runs f for the page in all widths and both themes, and checks what
// holds for any page.
func (b *browser) everyLook(name, path string, widths []int64, ready string, f func()) {
	for theme, paper := range papers {
		for _, width := range widths {
			b.open(path, width, theme)
			b.until(ready)
			require.Equal(b.t, paper, eval[string](b, "getComputedStyle(document.body).backgroundColor"))
			require.LessOrEqual(b.t, eval[int64](b, "document.documentElement.scrollWidth"), width, "%s scrolls sideways at %d px", path, width)
			b.shot(fmt.Sprintf("%s-%d-%s", name, width, theme))
			f()
		}
	}
}

// nightsFromAPI sums what the API says of a station's hours by night, from one
// local noon to the next, and writes it as a drawing's description does.
func nightsFromAPI(t *testing.T, s *site, id string) map[string]string {
	t.Helper()
	zone, err := time.LoadLocation("CET")
	require.NoError(t, err)
	type sums struct{ mid, low, high, known, unknown float64 }
	nights := map[string]*sums{}
	hours, _ := s.all(t, "/api/v1/stations/"+id+"/hours")
	for _, h := range hours {
		start, err := time.Parse(time.RFC3339, h["hour"].(string))
		require.NoError(t, err)
		name := start.In(zone).Add(-12 * time.Hour).Format("2 Jan")
		if nights[name] == nil {
			nights[name] = &sums{}
		}
		n := nights[name]
		for field, to := range map[string]*float64{
			"condensing_s": &n.mid, "condensing_low_s": &n.low, "condensing_high_s": &n.high, "known_s": &n.known, "unknown_s": &n.unknown,
		} {
			x, err := h[field].(json.Number).Float64()
			require.NoError(t, err)
			*to += x / 3600
		}
	}
	text := map[string]string{}
	for name, n := range nights {
		switch {
		case n.known == 0:
			continue // a word, not a number
		case n.high == 0:
			text[name] = "0 h"
		default:
			text[name] = tenths(n.mid) + " h, " + tenths(n.low) + " to " + tenths(n.high)
		}
	}
	require.NotEmpty(t, text)
	return text
}

func tenths(h float64) string {
	switch {
	case h == 0:
		return "0"
	case h < 0.05:
		return "<0.1"
	}
	return fmt.Sprintf("%.1f", h)
}

type shownRow struct{ ID, Name, Figure, Says, Desc string }

const readRows = `[...document.querySelectorAll('.row')].map((r) => ({
	ID: r.id, Name: r.querySelector('h3').textContent, Figure: r.querySelector('.figure').textContent,
	Says: r.querySelector('.says').textContent, Desc: r.querySelector('desc').textContent}))`

func TestTodayInABrowser(t *testing.T) {
	t.Cleanup(journey)
	s := sharedSite(t)
	b := newBrowser(t, s)
	stations, _ := s.all(t, "/api/v1/stations")
	byID := map[string]map[string]any{}
	nights := map[string]map[string]string{}
	for _, st := range stations {
		id := st["id"].(string)
		byID[id] = st
		if st["newest"] != nil {
			nights[id] = nightsFromAPI(t, s, id)
		}
	}
	b.everyLook("today", "/", []int64{320, 760, 1180}, "document.querySelectorAll('.row').length", func() {
		rows := eval[[]shownRow](b, readRows)
		require.Len(t, rows, len(stations))
		needy := true
		for _, row := range rows {
			st := byID[row.ID]
			require.Equal(t, st["name"], row.Name)
			require.Equal(t, figureOf(t, st), row.Figure, row.ID)
			needs := len(st["needs"].([]any)) > 0
			require.True(t, needy || !needs, "those that need a person come first")
			needy = needs
			compareNights(t, row, nights[row.ID])
		}
		require.Equal(t, "Two boxes need a person.", eval[string](b, "document.getElementById('headline').textContent"))
		require.Equal(t, []string{"Lake 15", "Quay 3"}, eval[[]string](b, "[...document.querySelectorAll('.needs a')].map((a) => a.textContent)"))
		require.Contains(t, eval[string](b, "document.querySelector('.where').textContent"), "heard from 5 of 7")
	})
}

// figureOf writes the margin that the API gives as a page does.
func figureOf(t *testing.T, station map[string]any) string {
	t.Helper()
	newest, ok := station["newest"].(map[string]any)
	if !ok || station["heard"] == false {
		return "—"
	}
	margin, err := newest["margin_k"].(json.Number).Float64()
	require.NoError(t, err)
	text := strings.Replace(fmt.Sprintf("%+.1f", margin), "-", "−", 1)
	if text == "+0.0" || text == "−0.0" {
		text = "0.0"
	}
	return text + "\u00a0K"
}

func compareNights(t *testing.T, row shownRow, want map[string]string) {
	t.Helper()
	shown := strings.Split(strings.ReplaceAll(row.Desc, "\u00a0", " "), "; ")
	require.Len(t, shown, 30)
	compared := 0
	for _, night := range shown {
		words := strings.SplitN(night, " ", 3)
		name := words[0] + " " + words[1]
		if _, ok := want[name]; !ok {
			require.Regexp(t, "^(unknown|not heard|not installed|has only begun)$", words[2])
			continue
		}
		says, _, _ := strings.Cut(words[2], " unknown")
		require.True(t, says == want[name] || strings.HasPrefix(says, want[name]+", "), "%s: page %q, API %q", row.ID, night, want[name])
		compared++
	}
	require.Equal(t, len(want) > 0, compared > 5, row.ID)
}

const drawn = "document.getElementById('chart').chart"

type chartData struct {
	Time   []float64             `json:"time_s"`
	Values map[string][]*float64 `json:"values"`
}

func TestCardInABrowser(t *testing.T) {
	s := sharedSite(t)
	b := newBrowser(t, s)
	for _, id := range []string{"lake-07", "lake-12", "lake-15", "quay-09"} {
		b.everyLook(id, "/stations/"+id, phoneAndDesk, drawn, func() { compareChart(t, s, b, id) })
	}
	b.everyLook("quay-20", "/stations/quay-20", phoneAndDesk, "document.readyState === 'complete'", func() {
		require.Equal(t, "Nothing heard yet.", eval[string](b, "document.getElementById('verdict').textContent"))
		require.Nil(t, eval[*string](b, "document.getElementById('chart')"))
	})
}

// compareChart compares the chart's lines with the API's readings.
func compareChart(t *testing.T, s *site, b *browser, id string) {
	t.Helper()
	data := eval[chartData](b, drawn+".data")
	window := eval[map[string]string](b, "Object.assign({}, document.getElementById('chart').dataset)")
	readings, _ := s.all(t, "/api/v1/stations/"+id+"/readings?from="+window["from"]+"&to="+window["to"])
	at := map[string]map[string]any{}
	for _, r := range readings {
		at[r["time"].(string)] = r
	}
	require.NotEmpty(t, data.Time)
	values := 0
	for i, seconds := range data.Time {
		r, ok := at[time.Unix(int64(seconds), 0).UTC().Format(time.RFC3339)]
		require.True(t, ok, "%s: no reading at %f", id, seconds)
		for _, name := range []string{"inside_temp_c", "inside_rh_pct", "line_current_ma"} {
			shown := data.Values[name][i]
			if want, ok := r[name].(json.Number); ok {
				require.Equal(t, want.String(), fmt.Sprint(*shown), name)
				values++
			} else {
				require.Nil(t, shown)
			}
		}
	}
	require.Greater(t, values, 500)
	// What is drawn is this data: each plot has it as its own.
	require.True(t, eval[bool](b, drawn+`.plots.every((u) => u.data[0] === `+drawn+`.data.time_s &&
		u.data.slice(1).every((line) => Object.values(`+drawn+`.data.values).includes(line)))`))
	newest := getJSON[map[string]any](t, s, "/api/v1/stations/"+id)["newest"].(map[string]any)
	margin, err := newest["margin_k"].(json.Number).Float64()
	require.NoError(t, err)
	last := data.Values["margin_k"][len(data.Time)-1]
	require.NotNil(t, last)
	require.InDelta(t, margin, *last, 0.0005, "the chart ends with the margin of the newest reading")
}

// A chart can be read and moved by keyboard alone.
func TestChartByKeyboard(t *testing.T) {
	s := sharedSite(t)
	b := newBrowser(t, s)
	b.open("/stations/lake-07", 1180, "light")
	b.until(drawn)
	data := eval[chartData](b, drawn+".data")
	press := func(keys string) string {
		require.NoError(t, chromedp.Do(b.ctx, chromedp.KeyEvent(keys)))
		return eval[string](b, "document.querySelector('.cursor').textContent")
	}
	require.NoError(t, chromedp.Do(b.ctx, chromedp.Focus(chromedp.CSS(".plots"))))
	require.Contains(t, press(kb.Home), sayMargin(data, 0))
	require.Contains(t, press(kb.ArrowRight), sayMargin(data, 1))
	require.Contains(t, press(kb.End), sayMargin(data, len(data.Time)-1))
	require.Contains(t, press(kb.ArrowLeft), sayMargin(data, len(data.Time)-2))
	require.Equal(t, "polite", eval[string](b, "document.querySelector('.cursor').getAttribute('aria-live')"))
	dayBefore := press(kb.PageUp)
	require.Contains(t, dayBefore, "Sat 25 Oct 2025")

	press("+")
	b.until(drawn + ".data.to_s - " + drawn + ".data.from_s < 4 * 86400")
	b.until("location.search.includes('from=')")
	require.Equal(t, "plots", eval[string](b, "document.activeElement.className"), "the keyboard stays where it was")
	press(kb.Escape)
	b.until(drawn + ".data.to_s - " + drawn + ".data.from_s === 7 * 86400")
}

func sayMargin(d chartData, i int) string {
	text := strings.Replace(fmt.Sprintf("%.1f", *d.Values["margin_k"][i]), "-", "−", 1)
	return "margin " + strings.Replace(text, "−0.0", "0.0", 1) + " K"
}

// A drag across the chart fetches that stretch with more detail; the table
// shows the numbers that are drawn.
func TestChartZoomAndTable(t *testing.T) {
	s := sharedSite(t)
	b := newBrowser(t, s)
	b.open("/stations/lake-07?show=all", 760, "light")
	b.until(drawn)
	before := eval[chartData](b, drawn+".data")
	readings, _ := s.all(t, "/api/v1/stations/lake-07/readings")
	require.Less(t, len(before.Time), len(readings), "45 days are thinned")

	require.NoError(t, chromedp.Do(b.ctx, chromedp.ScrollIntoView(chromedp.CSS(".u-over"))))
	over := eval[struct{ X, Y, Width float64 }](b, "document.querySelector('.u-over').getBoundingClientRect()")
	require.NoError(t, chromedp.Do(b.ctx,
		chromedp.MouseEvent(chromedp.MouseMoved, over.X+over.Width*0.5, over.Y+60),
		chromedp.MouseEvent(chromedp.MousePressed, over.X+over.Width*0.5, over.Y+60, chromedp.ButtonLeft, chromedp.ClickCount(1)),
		chromedp.MouseEvent(chromedp.MouseMoved, over.X+over.Width*0.55, over.Y+60, chromedp.ButtonLeft),
		chromedp.MouseEvent(chromedp.MouseMoved, over.X+over.Width*0.6, over.Y+60, chromedp.ButtonLeft),
		chromedp.MouseEvent(chromedp.MouseReleased, over.X+over.Width*0.6, over.Y+60, chromedp.ButtonLeft, chromedp.ClickCount(1))))
	b.until(drawn + ".data.to_s - " + drawn + ".data.from_s < 6 * 86400")
	after := eval[struct {
		chartData
		From     float64 `json:"from_s"`
		To       float64 `json:"to_s"`
		Readings int     `json:"readings"`
	}](b, drawn+".data")
	require.Len(t, after.Time, after.Readings, "every reading of the stretch is there now")
	require.InDelta(t, 4.5*86400, after.To-after.From, 0.5*86400)

	require.NoError(t, chromedp.Do(b.ctx, chromedp.Click(chromedp.CSS(".numbers summary"))))
	b.until("document.querySelectorAll('.numbers tbody tr').length === " + fmt.Sprint(len(after.Time)))
	heads := eval[[]string](b, "[...document.querySelectorAll('.numbers thead th')].map((e) => e.textContent)")
	first := eval[[]string](b, "[...document.querySelector('.numbers tbody tr').cells].map((e) => e.textContent)")
	for i, head := range heads {
		if head == "humidity inside, %RH" {
			require.Equal(t, fmt.Sprintf("%.2f", *after.Values["inside_rh_pct"][0]), first[i])
		}
	}
	require.Contains(t, heads, "humidity inside, %RH")
	b.shot("zoomed")
}

// Without scripts the server's drawing and its words stay.
func TestCardWithoutScripts(t *testing.T) {
	s := sharedSite(t)
	b := newBrowser(t, s)
	require.NoError(t, chromedp.Do(b.ctx, chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := chromedp.Call(ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
		return err
	})))
	for _, width := range []int64{320, 1180} {
		b.open("/stations/lake-07", width, "light")
		b.shot(fmt.Sprintf("plain-%d", width))
		require.True(t, eval[bool](b, "document.querySelector('.sketch svg').getBoundingClientRect().height > 200"))
		require.Contains(t, eval[string](b, "document.querySelector('.sketch figcaption').textContent"), "condensing for ")
		require.LessOrEqual(t, eval[int64](b, "document.documentElement.scrollWidth"), width)
	}
}

var sheetOfPDF = regexp.MustCompile(`/Type /Page[^s]`)

// The job card is one sheet of A4.
func TestCardIsOneSheet(t *testing.T) {
	s := sharedSite(t)
	b := newBrowser(t, s)
	b.open("/stations/lake-07", 1180, "dark")
	b.until(drawn)
	sheet, err := chromedp.Run(b.ctx, chromedp.PrintToPDF(chromedp.PDFPaper(chromedp.PaperA4)))
	require.NoError(t, err)
	if *shots != "" {
		require.NoError(t, os.WriteFile(filepath.Join(*shots, "card.pdf"), sheet, 0o600))
	}
	require.Len(t, sheetOfPDF.FindAll(sheet, -1), 1, "pages of the printed card")
}
