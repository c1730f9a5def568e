package web_test

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
)

// A log by the page as a person brings it, without scripts.
func TestLogInABrowser(t *testing.T) {
	t.Cleanup(journey)
	s, _, _ := importSite(t)
	require.NoError(t, s.door.AddAccount(t.Context(), "Will", record.Work, workers, ""))
	log := filepath.Join(t.TempDir(), "box.csv")
	require.NoError(t, os.WriteFile(log, []byte(boxLog), 0o600))
	b := newBrowser(t, s)
	b.refusals = true
	b.withoutScripts()
	b.open("/stations/box-1/import", 360, "light")
	b.fill("main button", "#name", "Will", "#password", workers)
	b.until("location.pathname === '/stations/box-1/import'")
	ready := "document.readyState === 'complete' && document.querySelector('#log')"
	b.everyLook("import", "/stations/box-1/import", phoneToDesk, ready, func() { b.fields() })

	bring := func() {
		require.NoError(t, chromedp.Do(b.ctx, chromedp.SetUploadFiles(chromedp.CSS("#log"), []string{log})))
		b.fill("main form[enctype] button")
	}
	b.open("/stations/box-1/import", 360, "light")
	bring()
	b.until("document.querySelector('#wrong')")
	require.Contains(t, b.text("#wrong"), `unknown column "Temp"`)
	b.shot("import-wrong-360-light")
	b.fill("main form[enctype] label", "#map", "Temp=inside_temp_c\nBattery=")
	bring()
	b.until("document.querySelector('#result')")
	require.Equal(t, "What would be stored", b.text("#result"))
	for _, width := range phoneToDesk {
		require.NoError(t, chromedp.Do(b.ctx, chromedp.EmulateViewport(width, 900)))
		require.LessOrEqual(t, eval[int64](b, "document.documentElement.scrollWidth"), width)
		b.shot(fmt.Sprintf("import-result-%d-light", width))
	}
	b.fill("form[action$=store] button")
	b.until("document.querySelector('#result')?.textContent === 'Stored'")
	b.shot("import-stored-1280-light")
	_, _, heard, err := s.store.Span(t.Context(), "box-1")
	require.NoError(t, err)
	require.True(t, heard)
	b.open("/stations/box-1", 1280, "light")
	b.until("document.querySelector('footer a[href$=import]')")
}
