package web_test

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// Visits in a browser without scripts: how they look, and one form sent wrongly
// and then rightly.
func TestVisitsInABrowser(t *testing.T) {
	s := guardedSite(t)
	b := newBrowser(t, s)
	b.refusals = true
	b.withoutScripts()
	b.open("/sign-in", 390, "light")
	b.fill("main button", "#name", "Will", "#password", workers)
	b.until("location.pathname === '/'")
	for name, path := range map[string]string{"visits": "/visits", "visit": "/visits/1"} {
		b.everyLook(name, path, []int64{320, 390, 1280}, "document.querySelector('main h2')", func() { b.fields() })
	}
	b.open("/visits/1", 390, "light")
	b.fill("#findings summary")
	b.fill("#findings button", "#findings-water_ml", "9000")
	b.until("document.querySelector('#findings-water_ml-error')")
	require.Contains(t, b.text("#findings-water_ml-error"), "from 0 to 5000")
	require.Equal(t, "9000", eval[string](b, "document.querySelector('#findings-water_ml').value"))
	b.shot("visit-wrong-390-light")
	b.open("/visits/1", 390, "light")
	b.fill("#findings summary")
	b.fill("#findings button", "#findings-water_ml", "90", "#findings-note", "nothing more")
	b.until("document.body.textContent.includes('90 ml drained')")
	b.open("/visits/1", 1280, "light")
	require.Equal(t, int64(320), eval[int64](b, "document.querySelector('.photos img').naturalWidth"))
}
