package web_test

import (
	"encoding/json"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// sums adds up what the API's hours say.
func sums(t *testing.T, s *site, id string, fields ...string) map[string]float64 {
	t.Helper()
	out := map[string]float64{}
	hours, _ := s.all(t, "/api/v1/stations/"+id+"/hours")
	for _, h := range hours {
		for _, field := range fields {
			x, err := h[field].(json.Number).Float64()
			require.NoError(t, err)
			out[field] += x
		}
	}
	return out
}

// The sums are those of the hours, each hour in one period, and a night is the
// share of a day that was condensing.
func TestExposureIsTheSumOfHours(t *testing.T) {
	s := sharedSite(t)
	got := getJSON[map[string]any](t, s, "/api/v1/exposure")
	items := got["items"].([]any)
	require.Len(t, items, 6, "one was never heard")
	number := func(v any) float64 {
		f, err := v.(json.Number).Float64()
		require.NoError(t, err)
		return f
	}
	last := 1e9
	for _, item := range items {
		item := item.(map[string]any)
		id := item["station"].(string)
		want := sums(t, s, id, "known_s", "unknown_s", "condensing_s", "condensing_high_s", "at_risk_s", "dose_h_eq")
		all := item["all"].(map[string]any)
		require.InDelta(t, want["known_s"]/3600, number(all["known_h"]), 1e-6, id)
		require.InDelta(t, want["unknown_s"]/3600, number(all["unknown_h"]), 1e-6, id)
		require.InDelta(t, want["condensing_s"]/3600, number(all["condensing_h"].(map[string]any)["h"]), 1e-6, id)
		require.InDelta(t, want["at_risk_s"]/3600, number(all["at_risk_h"].(map[string]any)["h"]), 1e-6, id)
		require.InDelta(t, want["dose_h_eq"], number(all["dose_h_eq"]), 1e-6, id)
		require.InDelta(t, want["dose_h_eq"]/1.3594, number(all["dose_low_h_eq"]), 0.001*want["dose_h_eq"], id)
		require.GreaterOrEqual(t, number(all["dose_high_h_eq"]), 1.359*want["dose_h_eq"], id)
		night := all["condensing_h_a_night"].([]any)
		require.InDelta(t, 24*want["condensing_s"]/want["known_s"], number(night[0]), 1e-9, id)
		require.InDelta(t, 24*want["condensing_high_s"]/want["known_s"], number(night[2]), 1e-9, id)
		require.LessOrEqual(t, number(night[0]), last, "longest first")
		last = number(night[0])
		periods := item["periods"].([]any)
		require.Len(t, periods, 12)
		known := 0.0
		for _, p := range periods {
			known += number(p.(map[string]any)["known_h"])
		}
		require.InDelta(t, number(all["known_h"]), known, 1e-6)
		require.Equal(t, "2024-11-01T00:00:00+01:00", periods[0].(map[string]any)["begin"])
	}

	require.Regexp(t, `dose [\d,]+ \([\d,]+ to [\d,]+\) h at saturation`, s.get(t, "/exposure?by=year").Body.String())

	years := getJSON[map[string]any](t, s, "/api/v1/exposure?by=year&station=lake-07&station=lake-02&from=2024-01-01&to=2026-01-01")
	require.Len(t, years["items"], 2)
	require.Len(t, years["items"].([]any)[0].(map[string]any)["periods"], 3, "the zone is an hour ahead: it begins in 2023")
	require.InDelta(t, 44, number(years["common_nights"]), 1)
	builds := years["builds"].([]any)
	require.NotEmpty(t, builds)
	seasons := getJSON[map[string]any](t, s, "/api/v1/exposure?by=season&site=quay&from=2025-06-01&to=2025-12-31")
	require.Len(t, seasons["items"], 2)
	require.Equal(t, "2025-09-01T00:00:00+02:00", seasons["items"].([]any)[0].(map[string]any)["periods"].([]any)[1].(map[string]any)["begin"])

	for _, wrong := range []string{"by=week", "from=2025-01-01&to=2024-01-01", "from=soon", "to=1900-01-01", "from=1970-01-01&to=2026-01-01", "colour=red", strings.Repeat("station=a&", 60) + "station=b"} {
		w := s.get(t, "/api/v1/exposure?"+wrong)
		want := http.StatusBadRequest
		if strings.HasPrefix(wrong, "station") {
			want = http.StatusNotFound // two ids after all, and nobody's
		}
		require.Equal(t, want, w.Code, wrong)
	}
	require.Equal(t, http.StatusNotFound, s.get(t, "/exposure?station=nobody").Code)
}

func TestExposurePage(t *testing.T) {
	s := sharedSite(t)
	body := s.get(t, "/exposure").Body.String()
	require.Contains(t, body, "a night, the longest;")
	require.Equal(t, 6, strings.Count(body, `<li class="row"`))
	require.Contains(t, body, `<th scope="row">cracked cover</th>`)
	require.NotContains(t, body, "nights are known of all")

	q := url.Values{"station": {"lake-02", "lake-07"}, "from": {"2025-10-01"}, "to": {"2025-10-26"}}
	body = s.get(t, "/exposure?"+q.Encode()).Body.String()
	require.Contains(t, body, "24 nights are known of all 2.")
	require.Contains(t, body, `value="lake-07" checked`)
	require.Equal(t, 2, strings.Count(body, "in the nights known of all</p>"))
	empty := s.get(t, "/exposure?from=2020-01-01&to=2021-01-01").Body.String()
	require.Contains(t, empty, "Too little is known of this time")
}

func TestExposureInABrowser(t *testing.T) {
	s := sharedSite(t)
	b := newBrowser(t, s)
	b.everyLook("exposure", "/exposure", phoneAndDesk, "document.querySelectorAll('.row').length === 6", func() {})
	items := getJSON[map[string]any](t, s, "/api/v1/exposure")["items"].([]any)
	shown := eval[[]string](b, "[...document.querySelectorAll('.row .figure')].map((e) => e.textContent)")
	for i, item := range items {
		night := item.(map[string]any)["all"].(map[string]any)["condensing_h_a_night"].([]any)
		var f [3]float64
		for k := range f {
			f[k], _ = night[k].(json.Number).Float64()
		}
		if f[2] == 0 {
			require.Equal(t, "0\u00a0h", shown[i])
			continue
		}
		require.Equal(t, tenths(f[0])+" h, "+tenths(f[1])+" to "+tenths(f[2]), strings.ReplaceAll(shown[i], "\u00a0", " "))
	}
}
