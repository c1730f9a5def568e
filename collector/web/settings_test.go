package web_test

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
)

// How a person reads goes with the account; for nobody in particular it goes with
// the browser.
func TestHowAPersonReads(t *testing.T) {
	s := newSite(t, siteBoxes())
	page := func(path string, cookies []*http.Cookie, headers ...string) string {
		w := s.do(t, call{method: "GET", path: path, cookies: cookies, headers: headers})
		require.Equal(t, http.StatusOK, w.Code, w.Body.String())
		return w.Body.String()
	}
	require.Contains(t, page("/", nil), "Two boxes need a person.")
	require.Contains(t, page("/", nil, "Accept-Language", "de-CH, fr;q=0.5"), "Zwei Gehäuse brauchen jemanden.")
	require.Contains(t, page("/", nil, "Accept-Language", "fr"), "Two boxes need a person.")
	require.Contains(t, page("/", nil, "Accept-Language", "de;q=x"), "Two boxes need a person.", "a header that can't be read")

	set := func(cookies []*http.Cookie, pairs ...string) *http.Cookie {
		w := s.do(t, call{method: "POST", path: "/settings", form: form(pairs...), cookies: cookies})
		require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
		require.Equal(t, "/settings?done=yes", w.Header().Get("Location"))
		return cookieOf(w, "dewpost-reads")
	}
	mine := set(nil, "language", "de", "degrees", "f", "numbers", "point", "theme", "dark")
	require.NotNil(t, mine)
	card := page("/stations/lake-07", []*http.Cookie{mine})
	require.Contains(t, card, `<html lang="de" data-theme="dark">`)
	require.Regexp(t, `Jetzt: Oberfläche [0-9]+\.[0-9]\x{a0}°F, Taupunkt`, card)
	require.NotContains(t, card, "°C</")
	require.Contains(t, page("/settings?done=yes", []*http.Cookie{mine}), "Behalten.")
	require.Contains(t, page("/settings", []*http.Cookie{mine}), `<option value="f" selected>°F</option>`)
	series := page("/stations/lake-07/series", []*http.Cookie{mine})
	require.NotEqual(t, page("/stations/lake-07/series", nil), series)
	require.Contains(t, page("/api/v1/stations/lake-07", []*http.Cookie{mine}, "Accept-Language", "de"), `"margin_k"`, "programs read one language")

	// A cookie that somebody wrote, or of another program, says what it can.
	odd := &http.Cookie{Name: "dewpost-reads", Value: "language=xx+theme=dark+more=1+degrees"}
	require.Contains(t, page("/", []*http.Cookie{odd}), `<html lang="en" data-theme="dark">`)

	w := s.do(t, call{method: "POST", path: "/settings", form: form("language", "fr")})
	require.Equal(t, http.StatusBadRequest, w.Code)
	require.Contains(t, w.Body.String(), "use one of en, de, or leave it empty")

	require.NoError(t, s.door.AddAccount(t.Context(), "Ruth", record.Work, runners, ""))
	session := s.signIn(t, "Ruth", runners)
	require.Nil(t, set([]*http.Cookie{session}, "language", "de"), "an account keeps it")
	again := s.signIn(t, "Ruth", runners)
	require.Contains(t, page("/", []*http.Cookie{again, odd}), `<html lang="de">`, "in another browser, whatever its cookie says")
	set([]*http.Cookie{again})
	require.Contains(t, page("/", []*http.Cookie{again}), `<html lang="en">`)
}
