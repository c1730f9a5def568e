package web_test

import (
	"context"
	"net/http"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/web"
	"dewpost/rules/stock"
)

// The shelf, without scripts: a part is reserved, then used for somebody else.
func TestShelfInABrowser(t *testing.T) {
	s := newSite(t, siteBoxes()[:2])
	h, err := web.New(web.Config{
		View: s.view, Ready: func(context.Context) error { return nil }, Metrics: http.NotFoundHandler(), Everybody: record.Work,
		Books: s.store, Parts: books.NewParts(s.store), Now: func() time.Time { return siteNow.Time() },
	})
	require.NoError(t, err)
	for _, r := range []stock.Reservation{
		{Kind: "keypad-in", Quantity: 1, Grade: "d", Station: "lake-02", NeedBy: "2025-11-30", Made: siteNow},
		{Kind: "varnish", Quantity: 400, Grade: "b", Station: "lake-07", Order: "12/25", Paid: true, Made: siteNow},
	} {
		_, err := s.store.ReservePart(t.Context(), r, "Ruth")
		require.NoError(t, err)
	}
	b := newBrowser(t, &site{store: s.store, view: s.view, handler: h})
	b.refusals = true
	b.withoutScripts()

	openForm := func(path string) {
		t.Helper()
		require.NoError(t, chromedp.Do(b.ctx, chromedp.Click(chromedp.CSS("details:has(form[action='"+path+"']) > summary"))))
	}
	b.open("/parts", 390, "light")
	openForm("/parts/reserve")
	b.fill("form[action='/parts/reserve'] button", "#reserve-quantity", "1", "#reserve-station", "lake-07")
	b.until("document.body.textContent.includes('1 for lake-07: all there')")
	openForm("/parts/use")
	b.fill("form[action='/parts/use'] button", "#use-quantity", "1", "#use-station", "lake-02")
	b.until("document.querySelector('#use-last_one_confirmed-error')")
	require.Equal(t, "lake-02", eval[string](b, "document.querySelector('#use-station').value"))
	b.fields()
	b.shot("shelf-wrong-390-light")
	require.NoError(t, chromedp.Do(b.ctx, chromedp.Click(chromedp.CSS("#use-last_one_confirmed")), chromedp.Click(chromedp.CSS("#use-take_reserved"))))
	b.fill("form[action='/parts/use'] button")
	b.until("document.body.textContent.includes('none left, and it can’t be bought')")

	b.everyLook("shelf", "/parts", []int64{320, 390, 1280}, "document.querySelector('#recipes')", func() {})
	b.everyLook("shelf-kind", "/parts/keypad", []int64{320, 390, 1280}, "document.querySelector('#moves')", func() {})
	b.open("/parts", 390, "light")
	for _, path := range []string{"/parts/use", "/parts/reserve", "/parts/receive", "/parts/count"} {
		openForm(path)
	}
	b.fields()
	require.LessOrEqual(t, eval[int64](b, "document.documentElement.scrollWidth"), int64(390))
	b.shot("shelf-forms-390-light")
}
