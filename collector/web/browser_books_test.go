package web_test

import (
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// The books, read and written without scripts.
func TestBooksInABrowser(t *testing.T) {
	s := newBookSite(t)
	s.fill()
	s.said("/api/v1/stations/lake-07/facts", `{"facts":[{"name":"terminals","value":"1=supply; 2=audio, both ways; 3=lamp; 4=common of the keys and the address switch"},
		{"name":"wires","value":"4"},{"name":"coated","value":"2025-05-01","from":"2025-05-01"},{"name":"system","value":"two-wire-bus-of-the-nineteen-eighties-with-a-long-name"}]}`)
	b := newBrowser(t, s.site)
	b.refusals = true
	b.withoutScripts()
	b.open("/sign-in", 390, "light")
	b.fill("main button", "#name", "Ruth", "#password", runners)
	b.until("location.pathname === '/'")

	const done = "document.readyState === 'complete'"
	widths := []int64{320, 390, 1280}
	b.everyLook("books", "/books", widths, done, func() {
		require.NoError(t, chromedp.Do(b.ctx, chromedp.Click(chromedp.CSS("summary"))))
		b.fields()
	})
	b.shot("books-open")
	b.everyLook("book-station", "/books/stations/lake-07", widths, done, func() { b.fields() })
	b.everyLook("book-owner", "/books/owners/ida", widths, done, func() {})
	b.everyLook("book-sensor", "/books/sensors/h-12", widths, done, func() { b.fields() })

	b.open("/books", 390, "light")
	require.NoError(t, chromedp.Do(b.ctx, chromedp.Click(chromedp.CSS("summary"))))
	choose := func(selector, value string) {
		require.NoError(t, chromedp.Do(b.ctx, chromedp.SetValue(chromedp.CSS(selector), value)))
	}
	choose("#new-what", "line.site")
	b.fill("form[action='/books'] button", "#new-id", "west", "#new-value", "sea")
	b.until("document.querySelector('#new-value[aria-invalid=true]')")
	require.Equal(t, "There is no such site: add it first.", b.text("#new-value-error"))
	require.Equal(t, "west", eval[string](b, "document.querySelector('#new-id').value"))
	require.Equal(t, "line.site", eval[string](b, "document.querySelector('#new-what').value"))
	b.shot("books-wrong-390-light")
	choose("#new-value", "lake")
	b.fill("form[action='/books'] button")
	b.until("location.pathname === '/books/lines/west'")

	choose("#say-name", "supply_v")
	b.fill("form[action='/books/lines/west'] button", "#say-value", "12")
	b.until("[...document.querySelectorAll('.facts dt')].some((e) => e.textContent === 'supply, V')")
	b.until("document.querySelector('.said li')")
	require.Regexp(t, `supply, V: 12\s+holds now, since 26 October 2025 · said by Ruth`, b.text(".said li"))
	b.shot("book-line-390-light")
}
