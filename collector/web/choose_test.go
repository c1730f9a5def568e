package web_test

import (
	"net/http"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

var (
	rowID  = regexp.MustCompile(`<li class="row" id="([^"]+)"`)
	headed = regexp.MustCompile(`<h2 id="(?:by_need|site_|owner_)[^"]*">([^<]*)</h2>`)
)

func matches(of *regexp.Regexp, body string) (list []string) {
	for _, m := range of.FindAllStringSubmatch(body, -1) {
		list = append(list, m[1])
	}
	return list
}

// What is chosen stands in the address, and the page shows that and says so.
func TestStationsChosen(t *testing.T) {
	s := sharedSite(t)
	show := func(path string) (rows, groups []string, body string) {
		w := s.get(t, path)
		require.Equal(t, http.StatusOK, w.Code, w.Body.String())
		body = w.Body.String()
		return matches(rowID, body), matches(headed, body), body
	}
	all, groups, _ := show("/")
	require.Len(t, all, 7)
	require.Equal(t, []string{"Stations, by need"}, groups)

	rows, _, body := show("/?site=quay")
	require.ElementsMatch(t, []string{"quay-03", "quay-09", "quay-20"}, rows)
	require.Contains(t, body, "One box needs a person.")
	require.Contains(t, body, `<option value="quay" selected>`)
	require.Contains(t, body, "heard from 2 of 3, one not heard yet")

	rows, _, _ = show("/?needs=person")
	require.Equal(t, []string{"lake-15", "quay-03"}, rows, "somebody is at lake-07")
	rows, _, body = show("/?text=KIOSK")
	require.Equal(t, []string{"lake-12"}, rows)
	require.Contains(t, body, "No box needs a person.")
	rows, _, body = show("/?text=nothing+of+it")
	require.Empty(t, rows)
	require.Contains(t, body, "No station is like that.")

	rows, groups, _ = show("/?by=site")
	require.ElementsMatch(t, all, rows)
	require.Equal(t, []string{"Larkmoor Lake Park", "Brackwater Quay"}, groups)
	_, groups, _ = show("/?by=owner")
	require.Equal(t, []string{"Of no owner"}, groups)
	rows, _, body = show("/?begin=5")
	require.Equal(t, all[5:], rows)
	require.Contains(t, body, `6 to 7 of 7. <a href="/">Those before</a>`)
	rows, _, body = show("/?begin=99&by=site")
	require.Empty(t, rows)
	require.Contains(t, body, `There are 7. <a href="/?by=site">Those before</a>`)

	for _, wrong := range []string{"/?by=x", "/?needs=yes", "/?begin=-1", "/?begin=x", "/?site=a&site=b", "/?colour=red", "/?text=" + strings.Repeat("x", 201)} {
		require.Equal(t, http.StatusBadRequest, s.get(t, wrong).Code, wrong)
	}
}
