package web_test

import (
	"context"
	"path/filepath"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"
)

var phoneToDesk = []int64{320, 360, 1280}

// fill types into fields and presses a button, as a person does.
func (b *browser) fill(button string, fields ...string) {
	b.t.Helper()
	for i := 0; i < len(fields); i += 2 {
		require.NoError(b.t, chromedp.Do(b.ctx, chromedp.SendKeys(chromedp.CSS(fields[i]), fields[i+1])), fields[i])
	}
	require.NoError(b.t, chromedp.Do(b.ctx, chromedp.Click(chromedp.CSS(button))), button)
}

// everyField checks what holds for any form: a label, an accessible
// description where there is more to say, and what a password manager needs.
const everyField = `[...document.querySelectorAll('input:not([type=hidden], [readonly]), select')].map((e) => ({
	ID: e.id, Labels: e.labels.length, Auto: e.autocomplete, Type: e.type,
	Missing: (e.getAttribute('aria-describedby') || '').split(' ').filter((id) => id && !document.getElementById(id)),
	Tall: e.getBoundingClientRect().height || 44}))`

type shownField struct {
	ID, Auto, Type string
	Labels         int
	Missing        []string
	Tall           float64
}

func (b *browser) fields() []shownField {
	b.t.Helper()
	all := eval[[]shownField](b, everyField)
	for _, f := range all {
		require.Equal(b.t, 1, f.Labels, f.ID)
		require.Empty(b.t, f.Missing, f.ID)
		if f.Type != "checkbox" {
			require.GreaterOrEqual(b.t, f.Tall, 44.0, f.ID)
		}
	}
	return all
}

func (b *browser) text(selector string) string {
	b.t.Helper()
	return eval[string](b, "document.querySelector('"+selector+"').textContent")
}

func (b *browser) withoutScripts() {
	b.t.Helper()
	require.NoError(b.t, chromedp.Do(b.ctx, chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := chromedp.Call(ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
		return err
	})))
}

// From nobody to a second person, without scripts.
func TestDoorInABrowser(t *testing.T) {
	s := newSite(t, siteBoxes()[:1])
	path := filepath.Join(t.TempDir(), "dewpost.db.first-code")
	_, err := s.door.PrepareFirst(t.Context(), path)
	require.NoError(t, err)
	b := newBrowser(t, s)
	b.refusals = true
	b.withoutScripts()

	b.everyLook("first", "/first", phoneToDesk, "document.readyState === 'complete'", func() {
		fields := b.fields()
		require.Equal(t, "one-time-code username new-password", fields[0].Auto+" "+fields[1].Auto+" "+fields[2].Auto)
	})
	b.open("/first", 360, "light")
	b.fill("main button", "#code", readFile(t, path)[:24], "#name", "Ruth", "#password", "short")
	b.until("document.querySelector('#password[aria-invalid=true]')")
	require.Equal(t, "Use at least 10 characters; a few words are good.", b.text("#password-error"))
	require.Equal(t, "Ruth", eval[string](b, "document.querySelector('#name').value"))
	require.Empty(t, eval[string](b, "document.querySelector('#password').value"))
	b.shot("first-wrong-360-light")
	b.fill("main button", "#password", runners)
	b.until("location.pathname === '/'")
	require.Contains(t, b.text("footer"), "Signed in as Ruth, who may do everything.")

	require.NoError(t, chromedp.Do(b.ctx, chromedp.Click(chromedp.CSS(".who button"))))
	b.until("location.pathname === '/sign-in'")
	b.everyLook("sign-in", "/stations/lake-07", phoneToDesk, "location.pathname === '/sign-in'", func() {
		fields := b.fields()
		require.Equal(t, "username current-password", fields[0].Auto+" "+fields[1].Auto)
	})
	b.open("/stations/lake-07?show=30d", 360, "dark")
	b.fill("main button", "#name", "Ruth", "#password", "not her password")
	b.until("document.querySelector('[role=alert]')")
	require.Equal(t, "Name or password is wrong. Try again.", b.text("[role=alert]"))
	b.shot("sign-in-wrong-360-dark")
	b.fill("main button", "#password", runners)
	b.until("location.pathname === '/stations/lake-07'")
	require.Equal(t, "?show=30d", eval[string](b, "location.search"))
	b.open("/", 360, "light")
	b.shot("today-signed-in-360-light")
	b.open("/", 1280, "light")
	b.shot("today-signed-in-1280-light")

	b.open("/password", 360, "light")
	require.Equal(t, "current-password new-password", b.fields()[0].Auto+" "+b.fields()[1].Auto)

	b.open("/people", 360, "light")
	require.NoError(t, chromedp.Do(b.ctx, chromedp.Click(chromedp.CSS("section > details > summary"))))
	b.fill("form[action='/people'] button", "#add-name", "Åsa Berg-Lindqvist", "#add-password", "åsa berg")
	b.until("document.querySelector('#add-password[aria-invalid=true]')")
	require.Equal(t, "Åsa Berg-Lindqvist", eval[string](b, "document.querySelector('#add-name').value"))
	b.fill("form[action='/people'] button", "#add-password", "a fine day for dew")
	b.until("document.querySelectorAll('#accounts ~ .people > li').length === 2")
	_, accounts := s.people(t)
	require.Equal(t, "Åsa Berg-Lindqvist", accounts[1].Name)

	require.NoError(t, chromedp.Do(b.ctx, chromedp.Click(chromedp.CSS("#tokens ~ details > summary"))))
	b.fill("form[action='/people/tokens'] button", "#token-name", "wall display")
	b.until("document.querySelector('code')")
	require.Regexp(t, "^dewpost_[A-Z2-7]{26}$", b.text("code"))
	b.shot("people-token-360-light")
	open := "document.querySelectorAll('#accounts ~ .people details').length === 2"
	b.everyLook("people", "/people", phoneToDesk, open, func() {
		require.NoError(t, chromedp.Do(b.ctx, chromedp.Click(chromedp.CSS(".people li:last-child summary"))))
		b.fields()
	})
	b.shot("people-open")
	b.everyLook("audit", "/audit", phoneToDesk, "document.querySelectorAll('.trail tbody tr').length > 8", func() {})
}

// The keyboard alone signs in, and shows where it is.
func TestSignInByKeyboard(t *testing.T) {
	b := newBrowser(t, guardedSite(t))
	b.open("/sign-in", 360, "light")
	press := func(keys string) { require.NoError(t, chromedp.Do(b.ctx, chromedp.KeyEvent(keys))) }
	for _, want := range []string{"name", "password", ""} {
		press(kb.Tab)
		require.Equal(t, want, eval[string](b, "document.activeElement.id"))
		require.Equal(t, "solid 2px", eval[string](b, "((s) => s.outlineStyle + ' ' + s.outlineWidth)(getComputedStyle(document.activeElement))"))
		switch want {
		case "name":
			press("Lou")
		case "password":
			press(lookers)
		}
	}
	press(kb.Enter)
	b.until("location.pathname === '/'")
}
