package web_test

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/words"
	"dewpost/rules/exposure"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// The API's hours are, letter for letter, the rows of an hourly table.
func TestHoursEqualTheHourlyTable(t *testing.T) {
	s := sharedSite(t)
	for _, id := range []string{"lake-07", "lake-12", "quay-03"} {
		hours, err := s.store.Hours(context.Background(), id, siteBegin, siteNow)
		require.NoError(t, err)
		require.Greater(t, len(hours), 1000)
		var table []byte
		for i := range hours {
			table = exposure.AppendHourly(table, &hours[i])
		}
		rows, err := csv.NewReader(bytes.NewReader(table)).ReadAll()
		require.NoError(t, err)

		items, pages := s.all(t, "/api/v1/stations/"+id+"/hours?limit=400")
		require.Greater(t, pages, 2)
		require.Len(t, items, len(rows))
		for i, item := range items {
			require.Len(t, item, len(exposure.HourlyColumns))
			for c, name := range exposure.HourlyColumns {
				require.Contains(t, item, name)
				require.Equal(t, rows[i][c], cell(item[name]), "%s row %d %s", id, i, name)
			}
		}
	}
}

// cell writes a JSON value as a table has it.
func cell(v any) string {
	switch v := v.(type) {
	case nil:
		return ""
	case json.Number:
		return v.String()
	default:
		return fmt.Sprint(v)
	}
}

func TestHoursKeepToTheirInterval(t *testing.T) {
	s := sharedSite(t)
	items, _ := s.all(t, "/api/v1/stations/lake-07/hours?from=2025-10-01T02:00:00Z&to=2025-10-01T05:00:00Z")
	var starts []string
	for _, item := range items {
		starts = append(starts, item["hour"].(string))
	}
	require.Equal(t, []string{"2025-10-01T02:00:00Z", "2025-10-01T03:00:00Z", "2025-10-01T04:00:00Z"}, starts)
	for _, path := range []string{"?from=2031-01-01T00:00:00Z", "?to=1999-01-01T00:00:00Z"} {
		items, _ := s.all(t, "/api/v1/stations/lake-07/hours"+path)
		require.Empty(t, items)
	}
	items, _ = s.all(t, "/api/v1/stations/quay-20/hours")
	require.Empty(t, items, "nothing heard yet")
}

func TestReadingsComeOnceAndAsStored(t *testing.T) {
	s := sharedSite(t)
	stored, err := s.store.Readings(context.Background(), "lake-12", siteBegin, siteNow)
	require.NoError(t, err)
	items, pages := s.all(t, "/api/v1/stations/lake-12/readings?limit=997")
	require.Equal(t, (len(stored)+996)/997, pages)
	require.Len(t, items, len(stored))
	for i := range stored {
		require.Equal(t, readingItem(&stored[i]), items[i])
	}
}

func readingItem(r *reading.Reading) map[string]any {
	item := map[string]any{"time": r.Time.String(), "run": r.Run, "seq": json.Number(fmt.Sprint(r.Seq)), "flags": r.Flags}
	for c := range reading.NumChannels {
		if x, ok := r.Get(c); ok {
			item[c.Name()] = json.Number(fmt.Sprint(x))
		}
	}
	return item
}

func TestFindingsAndAlarms(t *testing.T) {
	s := sharedSite(t)
	all, _ := s.all(t, "/api/v1/stations/lake-07/findings?limit=1")
	require.NotEmpty(t, all)
	stored, err := s.store.Occurrences(context.Background(), "lake-07")
	require.NoError(t, err)
	require.Len(t, all, len(stored))
	last := all[len(all)-1]
	require.Equal(t, "board_wet", last["kind"])
	require.Equal(t, words.Of(finding.BoardWet).How, last["how"])
	require.Nil(t, last["to"])

	early, _ := s.all(t, "/api/v1/stations/lake-07/findings?to="+url.QueryEscape(last["from"].(string)))
	require.Len(t, early, len(all)-1, "to is not in the interval")

	alarms, _ := s.all(t, "/api/v1/alarms?limit=1")
	open, err := s.store.OpenOccurrences(context.Background())
	require.NoError(t, err)
	require.Len(t, alarms, len(open))
	kinds := map[string]bool{}
	for _, a := range alarms {
		kinds[a["station"].(string)+" "+a["kind"].(string)] = true
	}
	require.True(t, kinds["lake-15 silent"] && kinds["lake-07 board_wet"], "%v", kinds)
}

func TestStationsAndSites(t *testing.T) {
	s := sharedSite(t)
	items, _ := s.all(t, "/api/v1/stations")
	require.Len(t, items, len(siteBoxes()))
	byID := map[string]map[string]any{}
	for _, item := range items {
		byID[item["id"].(string)] = item
		one := getJSON[map[string]any](t, s, "/api/v1/stations/"+item["id"].(string))
		for _, more := range []string{"first", "breathing", "breathing_usual", "cover", "life", "tonight", "line", "heater_test", "last_repair", "corrosion_seen", "current", "frozen_before"} {
			delete(one, more)
		}
		require.Equal(t, one, item)
	}
	require.Nil(t, byID["quay-20"]["newest"])
	require.Equal(t, false, byID["lake-15"]["heard"])
	require.Equal(t, hostileName, byID["quay-09"]["name"])
	newest := byID["lake-12"]["newest"].(map[string]any)
	require.Equal(t, "air", newest["basis"])

	// The margin is that of the rules for the newest reading's own numbers.
	values := newest["values"].(map[string]any)
	number := func(name string) float64 {
		x, err := values[name].(json.Number).Float64()
		require.NoError(t, err)
		return x
	}
	margin := exposure.Margin(unit.Celsius(number("inside_temp_c")), unit.Celsius(number("inside_temp_c")), unit.Percent(min(100, number("inside_rh_pct"))))
	require.Equal(t, fmt.Sprint(float64(margin)), newest["margin_k"].(json.Number).String())

	sites, _ := s.all(t, "/api/v1/sites")
	require.Len(t, sites, 2)
	require.Equal(t, "CET", sites[0]["zone"])
	require.ElementsMatch(t, []any{"lake-02", "lake-07", "lake-12", "lake-15"}, sites[0]["stations"])
}

func TestSeriesIsTheReadingsAndTheirExtremes(t *testing.T) {
	s := sharedSite(t)
	type series struct {
		Readings int                   `json:"readings"`
		Time     []float64             `json:"time_s"`
		Values   map[string][]*float64 `json:"values"`
	}
	whole := getJSON[series](t, s, "/stations/lake-07/series?points=5000&from=2025-10-20T00:00:00Z&to=2025-10-24T00:00:00Z")
	stored, _ := s.all(t, "/api/v1/stations/lake-07/readings?from=2025-10-20T00:00:00Z&to=2025-10-24T00:00:00Z")
	require.Len(t, whole.Time, len(stored))
	require.Equal(t, len(stored), whole.Readings)
	for i, item := range stored {
		at, err := time.Parse(time.RFC3339Nano, item["time"].(string))
		require.NoError(t, err)
		require.InDelta(t, float64(at.UnixNano())/1e9, whole.Time[i], 1e-6)
		for name, values := range whole.Values {
			want, there := item[name]
			if !there {
				continue
			}
			require.NotNil(t, values[i])
			require.Equal(t, want.(json.Number).String(), fmt.Sprint(*values[i]), name)
		}
	}
	thin := getJSON[series](t, s, "/stations/lake-07/series?points=100&from=2025-10-20T00:00:00Z&to=2025-10-24T00:00:00Z")
	require.LessOrEqual(t, len(thin.Time), 100)
	require.Equal(t, len(stored), thin.Readings)
	for name, values := range whole.Values {
		lo, hi := bounds(values)
		thinLo, thinHi := bounds(thin.Values[name])
		require.Equal(t, []float64{lo, hi}, []float64{thinLo, thinHi}, "%s keeps its extremes", name)
	}
}

func bounds(values []*float64) (lo, hi float64) {
	first := true
	for _, v := range values {
		if v == nil {
			continue
		}
		if first {
			lo, hi, first = *v, *v, false
		}
		lo, hi = min(lo, *v), max(hi, *v)
	}
	return lo, hi
}

func TestErrorsNameFieldValueAndFix(t *testing.T) {
	s := sharedSite(t)
	for _, c := range []struct {
		path, field, value, fix string
		status                  int
	}{
		{"/api/v1/stations/nobody", "id", "nobody", "/api/v1/stations", 404},
		{"/api/v1/stations/nobody/hours", "id", "nobody", "/api/v1/stations", 404},
		{"/api/v1/stations/nobody/readings", "id", "nobody", "/api/v1/stations", 404},
		{"/api/v1/stations/nobody/findings", "id", "nobody", "/api/v1/stations", 404},
		{"/stations/nobody/series", "id", "nobody", "/api/v1/stations", 404},
		{"/api/v1/stations/lake-07/hours?from=yesterday", "from", "yesterday", "RFC 3339", 400},
		{"/api/v1/stations/lake-07/hours?from=2025-11-04T00:00:00+01:00", "from", "2025-11-04T00:00:00 01:00", "%2B", 400},
		{"/api/v1/stations/lake-07/hours?from=2025-11-04T00:00:00Z&to=2025-11-03T00:00:00Z", "to", "2025-11-03T00:00:00Z", "[from, to)", 400},
		{"/api/v1/stations/lake-07/hours?limit=0", "limit", "0", "1 to 10000", 400},
		{"/api/v1/stations/lake-07/hours?limit=many", "limit", "many", "1 to 10000", 400},
		{"/api/v1/stations/lake-07/hours?next=!", "next", "!", "unchanged", 400},
		{"/api/v1/stations/lake-07/readings?next=bm90IGpzb24", "next", "bm90IGpzb24", "unchanged", 400},
		{"/api/v1/stations/lake-07/readings?colour=red", "colour", "red", "from, to, limit, next", 400},
		{"/api/v1/stations/lake-07/readings?limit=1&limit=2", "limit", "1 2", "once", 400},
		{"/api/v1/stations?x=1", "x", "1", "no parameters", 400},
		{"/stations/lake-07/series?points=1", "points", "1", "2 to 5000", 400},
		{"/api/v1/nothing", "path", "/api/v1/nothing", "openapi.json", 404},
		{"/static/0000/style.css", "path", "/static/0000/style.css", "again", 404},
	} {
		w := s.get(t, c.path)
		require.Equal(t, c.status, w.Code, c.path)
		require.Equal(t, "application/problem+json", w.Header().Get("Content-Type"), c.path)
		var p struct {
			Status                   int
			Title, Field, Value, Fix string
		}
		require.NoError(t, json.Unmarshal(w.Body.Bytes(), &p))
		require.Equal(t, c.status, p.Status)
		require.NotEmpty(t, p.Title)
		require.Equal(t, c.field, p.Field, c.path)
		require.Equal(t, c.value, p.Value, c.path)
		require.Contains(t, p.Fix, c.fix, c.path)
	}
	w := s.get(t, "/api/v1/stations/lake-07/hours?from="+strings.Repeat("x", 5000))
	require.Less(t, w.Body.Len(), 1000, "a long value is not thrown back")
}

func TestPathsTakeTheirMethodsOnly(t *testing.T) {
	s := sharedSite(t)
	for _, method := range []string{"POST", "PUT", "DELETE", "PATCH", "OPTIONS"} {
		for path, allow := range map[string]string{"/": "GET, HEAD", "/api/v1/stations": "GET, HEAD", "/people/role": "POST"} {
			if method == allow {
				continue
			}
			w := ask(s, method, "http://127.0.0.1"+path)
			require.Equal(t, http.StatusMethodNotAllowed, w.Code)
			require.Equal(t, allow, w.Header().Get("Allow"))
		}
		require.Equal(t, http.StatusNotFound, ask(s, method, "http://127.0.0.1/api/v1/nothing").Code)
	}
	foreign := ask(s, "POST", "http://127.0.0.1/", "Sec-Fetch-Site", "cross-site")
	require.Equal(t, http.StatusForbidden, foreign.Code)
}

func TestTwoClocksOfAStation(t *testing.T) {
	s := sharedSite(t)
	type clocks struct {
		Cover struct {
			Age     *float64 `json:"age_years"`
			Cracked bool     `json:"cracked"`
			Missing []string `json:"missing"`
		} `json:"cover"`
		Life struct {
			Fraction *float64 `json:"fraction"`
			Dose     float64  `json:"dose"`
			Outlook  string   `json:"outlook"`
			Missing  []string `json:"missing"`
		} `json:"life"`
	}
	got := getJSON[clocks](t, s, "/api/v1/stations/lake-15")
	require.InDelta(t, 6.5, *got.Cover.Age, 0.1)
	require.NotNil(t, got.Cover.Missing)
	require.Nil(t, got.Life.Fraction, "nobody said what board it has")
	require.Equal(t, []string{"board"}, got.Life.Missing)
	require.Positive(t, got.Life.Dose)
	require.True(t, getJSON[clocks](t, s, "/api/v1/stations/quay-03").Cover.Cracked)
	require.Equal(t, "not known yet", getJSON[clocks](t, s, "/api/v1/stations/quay-20").Life.Outlook)
}
