package web_test

import (
	"io"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"

	"dewpost/collector/record"
)

// englishWord finds words that no German sentence has.
var englishWord = regexp.MustCompile(`(?i)\b(the|is|are|of|and|not|with|for|this|that|has|been|from|its|by|to|on|at|be|heard|known|wet|dry|cover|hours?|days?|nights?)\b`)

// textsOf returns what a page says: its text and the attributes that are read out.
func textsOf(t *testing.T, body io.Reader) (texts []string) {
	t.Helper()
	root, err := html.Parse(body)
	require.NoError(t, err)
	var walk func(*html.Node)
	walk = func(n *html.Node) {
		if n.Type == html.ElementNode && slices.Contains([]string{"script", "style", "code", "noscript"}, n.Data) {
			return
		}
		if n.Type == html.TextNode {
			if text := strings.TrimSpace(n.Data); text != "" {
				texts = append(texts, text)
			}
		}
		for _, a := range n.Attr {
			if a.Key == "aria-label" || a.Key == "alt" || a.Key == "placeholder" {
				texts = append(texts, a.Val)
			}
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c)
		}
	}
	walk(root)
	return texts
}

// recorded are words that somebody wrote down, names that programs use, and codes
// that a form takes.
var recorded = strings.NewReplacer(
	"not hung yet", "", "no dry night in a week", "", "at night", "", "key under the mat", "", "of cottage 6", "",
	"Cut the carrier.", "", "Seal the keys.", "", ": on, off", "", "from, to, minutes", "", "nimmt sensor", "",
)

func TestGermanPages(t *testing.T) {
	s := fullSite(t)
	require.NoError(t, s.door.AddAccount(t.Context(), "Ruth", record.Run, runners, ""))
	session := s.signIn(t, "Ruth", runners)
	var left []string
	for _, p := range append(slices.Clone(pages), address{path: "/coating?station=lake-07&sensor=inside"}) {
		if p.path == "/nowhere" {
			continue
		}
		r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1"+p.path, nil)
		r.Header.Set("Accept-Language", "de-AT,de;q=0.9,en;q=0.5")
		r.AddCookie(session)
		w := httptest.NewRecorder()
		s.handler.ServeHTTP(w, r)
		require.Equal(t, http.StatusOK, w.Code, p.path)
		require.Contains(t, w.Body.String(), `<html lang="de"`)
		for _, text := range textsOf(t, w.Body) {
			if text != "hours" && !strings.Contains(text, "coating*") && englishWord.MatchString(recorded.Replace(text)) && p.path != "/audit" { // what was done is told of recorded words
				left = append(left, p.path+": "+text)
			}
		}
	}
	require.Empty(t, left)
}
