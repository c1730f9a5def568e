package web_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/textproto"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/collector/web"
	"dewpost/rules/fact"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// importSite is a site of its own with a station without readings.
func importSite(t *testing.T) (s *site, will, ruth []string) {
	t.Helper()
	s = newSite(t, siteBoxes()[:1])
	for _, id := range []string{"box-1", "box-2"} {
		secret, err := receipt.NewSecret([]byte("sixteen bytes or more"))
		require.NoError(t, err)
		require.NoError(t, s.store.AddStation(t.Context(), record.Station{ID: id, Secret: secret, Enrolled: 1}, "test"))
		subject := fact.Subject{Kind: fact.KindStation, ID: id}
		require.NoError(t, s.store.AddFacts(t.Context(), []fact.Fact{{Subject: subject, Name: fact.Site, Value: "lake", From: fact.Always, Author: "test", Recorded: 1}}))
	}
	for _, who := range []struct {
		name string
		role record.Role
		to   *[]string
	}{{"will", record.Work, &will}, {"ruth", record.Run, &ruth}} {
		secret, err := s.door.AddToken(t.Context(), who.name, who.role, time.Hour, "test")
		require.NoError(t, err)
		*who.to = []string{"Authorization", "Bearer " + secret}
	}
	return s, will, ruth
}

// send posts a body.
func (s *site) send(t testing.TB, path, media, body string, headers []string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1"+path, strings.NewReader(body))
	r.RemoteAddr = "127.0.0.1:1"
	r.Header.Set("Content-Type", media)
	for i := 0; i < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	s.handler.ServeHTTP(w, r)
	return w
}

const boxLog = "time;Temp;inside_rh_pct;Battery\n2025-10-01 02:00;5,5;90;3\n2025-10-01 05:00;5;91;3\n2025-10-01 08:00;5;920;3\n"

const boxQuery = "?tz=Europe/Helsinki&map=Temp%3Dinside_temp_c&map=Battery%3D"

func decode(t *testing.T, w *httptest.ResponseRecorder) (v map[string]any) {
	t.Helper()
	d := json.NewDecoder(bytes.NewReader(w.Body.Bytes()))
	d.UseNumber()
	require.NoError(t, d.Decode(&v), w.Body.String())
	return v
}

func TestLogByTheAPI(t *testing.T) {
	s, will, _ := importSite(t)
	check := schemas{t, decode(t, s.get(t, "/api/v1/openapi.json", will...))}
	described := map[string]any{"$ref": "#/components/schemas/ImportedReadings"}
	const path = "/api/v1/stations/box-1/readings"
	stored := func() []reading.Reading {
		rs, err := s.store.Readings(t.Context(), "box-1", math.MinInt64, math.MaxInt64)
		require.NoError(t, err)
		return rs
	}
	w := s.send(t, path+boxQuery+"&dry_run=true", "text/csv; charset=UTF-8", boxLog, will)
	require.Equal(t, http.StatusOK, w.Code, w.Body.String())
	require.Empty(t, stored())
	would := decode(t, w)
	check.check("dry run", described, would)

	w = s.send(t, path+boxQuery, "text/csv", boxLog, will)
	require.Equal(t, http.StatusOK, w.Code, w.Body.String())
	require.Equal(t, `{"station":"box-1","dry_run":false,"rows":3,"from":"2025-09-30T23:00:00Z","to":"2025-10-01T05:00:00Z","span_h":6,"stored":3,"repeated":0,"ahead":0,"too_late":0,"refused_values":{"inside_rh_pct":1},"ignored":["Battery"],"max_gap":{"log_s":16200,"station_s":16200,"recorded":true}}`+"\n", w.Body.String())
	require.Len(t, stored(), 3)
	is := decode(t, w)
	check.check("import", described, is)
	would["dry_run"] = false
	require.Equal(t, is, would)

	w = s.send(t, path+boxQuery, "text/csv", boxLog, will)
	require.EqualValues(t, "3", fmt.Sprint(decode(t, w)["repeated"]))
	deeds, _, err := s.store.Audit(t.Context(), record.DeedPlace{}, 99)
	require.NoError(t, err)
	require.Equal(t, "import readings", deeds[0].Action)
	require.Equal(t, "will (token)", deeds[0].Author)
	facts, err := s.store.Facts(t.Context(), fact.Subject{Kind: fact.KindStation, ID: "box-1"})
	require.NoError(t, err)
	require.Equal(t, "will (token)", facts[len(facts)-1].Author)
}

func TestWeatherByTheAPI(t *testing.T) {
	s, will, _ := importSite(t)
	check := schemas{t, decode(t, s.get(t, "/api/v1/openapi.json", will...))}
	described := map[string]any{"$ref": "#/components/schemas/ImportedWeather"}
	const path = "/api/v1/sites/lake/weather"
	log := "time,temp_c,rh_pct,dew_point_c,cloud_oktas\n2025-10-01T00:00:00Z,5,90,,8\n2025-10-01T01:00:00Z,6,,,\n2025-10-01T02:00:00Z,7,,4,\n"
	w := s.send(t, path+"?source=ridge&distance_km=12.5&dry_run=true", "text/csv", log, will)
	require.Equal(t, http.StatusOK, w.Code, w.Body.String())
	check.check("dry run", described, decode(t, w))
	for _, source := range []string{"ridge&distance_km=12.5", "harbour"} {
		w = s.send(t, path+"?source="+source, "text/csv", log, will)
		require.Equal(t, http.StatusOK, w.Code, w.Body.String())
		is := decode(t, w)
		check.check("import", described, is)
		require.EqualValues(t, "3", fmt.Sprint(is["stored"]))
	}
	other := strings.Replace(log, "6,,", "6.5,,", 1)
	w = s.send(t, path+"?source=ridge", "text/csv", other, will)
	require.Contains(t, w.Body.String(), `"conflicts":1,"conflicting":["2025-10-01T01:00:00Z"]`)
	w = s.send(t, path+"?source=ridge&replace=true", "text/csv", other, will)
	require.Contains(t, w.Body.String(), `"replaced":1`)

	read := func(query string) page {
		w := s.get(t, path+query, will...)
		require.Equal(t, http.StatusOK, w.Code, w.Body.String())
		check.check("weather", map[string]any{"$ref": "#/components/schemas/Weathers"}, decode(t, w))
		var p page
		d := json.NewDecoder(w.Body)
		d.UseNumber()
		require.NoError(t, d.Decode(&p))
		return p
	}
	all := read("")
	require.Len(t, all.Items, 6)
	require.Empty(t, all.Next)
	require.Equal(t, []any{"dew_point_c"}, all.Items[0]["computed"])
	require.Equal(t, "harbour", all.Items[0]["source"])
	require.Nil(t, all.Items[0]["distance_km"])
	require.Equal(t, json.Number("12.5"), all.Items[1]["distance_km"])
	require.Equal(t, json.Number("100"), all.Items[1]["cloud_pct"])
	require.Equal(t, json.Number("6.5"), all.Items[3]["temp_c"])
	require.Equal(t, []any{}, all.Items[3]["computed"])
	require.Equal(t, []any{"rh_pct"}, all.Items[5]["computed"])
	for limit := 1; limit <= 6; limit++ {
		var paged []map[string]any
		for next := ""; ; {
			p := read(fmt.Sprintf("?limit=%d&next=%s", limit, next))
			paged = append(paged, p.Items...)
			if next = p.Next; next == "" {
				break
			}
		}
		require.Equal(t, all.Items, paged, "limit %d", limit)
	}
	require.Len(t, read("?from=2025-10-01T01:00:00Z&to=2025-10-01T02:00:00Z").Items, 2)
	for query, status := range map[string]int{
		"?next=x": 400, "?limit=0": 400, "?next=" + "eyJBdCI6MCwiU2tpcCI6LTF9": 400, "?from=x": 400,
	} {
		require.Equal(t, status, s.get(t, path+query, will...).Code, query)
	}
	w = s.get(t, "/api/v1/sites/nowhere/weather", will...)
	require.Equal(t, http.StatusNotFound, w.Code)
	require.Contains(t, w.Body.String(), "There is no such site")
}

func TestForecastByTheAPI(t *testing.T) {
	s, will, _ := importSite(t)
	check := schemas{t, decode(t, s.get(t, "/api/v1/openapi.json", will...))}
	described := map[string]any{"$ref": "#/components/schemas/ImportedForecast"}
	const path, log = "/api/v1/sites/lake/forecasts", "T,rh_pct,time\n5,90,2025-10-01T02:00:00\n6,80,2025-10-01T03:00:00\n7,,2025-10-01T04:00:00\n"
	const query = "?issued=2025-09-30T22:30:00Z&tz=Etc/GMT-2&map=T%3Dtemp_c"
	issued := unit.At(time.Date(2025, 9, 30, 22, 30, 0, 0, time.UTC))
	for _, dry := range []string{"&dry_run=true", "", ""} {
		before, err := s.store.Forecast(t.Context(), "lake", issued, issued, issued.Add(24*time.Hour))
		require.NoError(t, err)
		w := s.send(t, path+query+dry, "text/csv", log, will)
		require.Equal(t, http.StatusOK, w.Code, w.Body.String())
		is := decode(t, w)
		check.check("import", described, is)
		require.Equal(t, map[string]any{
			"site": "lake", "issued": "2025-09-30T22:30:00Z", "dry_run": dry != "", "rows": json.Number("3"), "used": json.Number("2"), "empty": json.Number("1"), "again": len(before) > 0,
		}, is)
	}
	hours, err := s.store.Forecast(t.Context(), "lake", issued, issued, issued.Add(24*time.Hour))
	require.NoError(t, err)
	require.Len(t, hours, 2)
	require.Equal(t, "2025-10-01T00:00:00Z", hours[0].Time.String())
	require.InDelta(t, 5, hours[0].Temp, 0)
	deeds, _, err := s.store.Audit(t.Context(), record.DeedPlace{}, 1)
	require.NoError(t, err)
	require.Equal(t, "import forecast", deeds[0].Action)
	require.Equal(t, "will (token)", deeds[0].Author)

	w := s.send(t, path+query, "text/csv", strings.Replace(log, "80", "81", 1), will)
	require.Equal(t, http.StatusConflict, w.Code)
	require.Contains(t, w.Body.String(), "outlooks rest on it")
}

// What can't be taken is refused with a field, a value and a fix, and nothing
// is written.
func TestBadLogsByTheAPI(t *testing.T) {
	s, will, _ := importSite(t)
	require.NoError(t, s.store.Retire(t.Context(), "box-2", 1, "test"))
	before, err := s.store.Counts(t.Context())
	require.NoError(t, err)
	const box, lake, forecasts = "/api/v1/stations/box-1/readings", "/api/v1/sites/lake/weather", "/api/v1/sites/lake/forecasts"
	for _, c := range []struct {
		path, media, body string
		status            int
		says              []string
	}{
		{box, "application/json", "{}", 415, []string{"Content-Type", "application/json", "text/csv"}},
		{box, "text/csv; charset=utf-16", "", 415, []string{"UTF-8"}},
		{box, "text/csv", "", 400, []string{"the file is empty"}},
		{box, "text/csv", boxLog, 400, []string{"Temp", `map it with map \"Temp=inside_temp_c\"`, "line 1"}},
		{box + "?map=Temp%3Dinside_temp_c&map=Battery%3D", "text/csv", boxLog, 400, []string{"column time", "2025-10-01 02:00", "as in tz Europe/Helsinki"}},
		{box, "text/csv", "time,inside_temp_c\n2025-10-01T00:00:00Z,warm\n", 400, []string{"column inside_temp_c", "warm", "line 2"}},
		{box, "text/csv", "time,inside_temp_c\n2035-10-01T00:00:00Z,1\n", 400, []string{"ahead"}},
		{box + "?tz=Nowhere/Land", "text/csv", "time\n", 400, []string{"tz", "Nowhere/Land", "Europe/Helsinki"}},
		{box + "?tz=Local", "text/csv", "time\n", 400, []string{"tz"}},
		{box + "?map=x", "text/csv", "time\n", 400, []string{"map", "COLUMN=NAME"}},
		{box + "?map=x%3Dbogus", "text/csv", "time\n", 400, []string{"map", "inside_temp_c"}},
		{box + "?dry_run=perhaps", "text/csv", "time\n", 400, []string{"dry_run", "true, false"}},
		{box + "?tz=UTC&tz=UTC", "text/csv", "time\n", 400, []string{"give it once"}},
		{box + "?source=x", "text/csv", "time\n", 400, []string{"source"}},
		{"/api/v1/stations/nobody/readings", "text/csv", "time\n", 404, []string{"There is no such station", "nobody"}},
		{"/api/v1/stations/box-2/readings", "text/csv", "time\n", 409, []string{"retired"}},
		{lake, "text/csv", "time,temp_c\n", 400, []string{"source", "who observed"}},
		{lake + "?source=%00", "text/csv", "time,temp_c\n", 400, []string{"source"}},
		{lake + "?source=x&distance_km=far", "text/csv", "time,temp_c\n", 400, []string{"distance_km", "far"}},
		{lake + "?source=x&distance_km=-1", "text/csv", "time,temp_c\n", 400, []string{"distance_km", "-1"}},
		{lake + "?source=x&replace=1", "text/csv", "time,temp_c\n", 400, []string{"replace"}},
		{lake + "?source=x", "text/csv", "time,inside_temp_c\n", 400, []string{"inside_temp_c", "temp_c"}},
		{forecasts, "text/csv", "time,temp_c\n", 400, []string{"issued", "write when it was issued"}},
		{forecasts + "?issued=2025-10-01T00:00:00Z&source=x", "text/csv", "time,temp_c\n", 400, []string{"source"}},
		{forecasts + "?issued=2035-10-01T00:00:00Z", "text/csv", "time,temp_c\n", 400, []string{"issued", "2035", "not later than now"}},
		{forecasts + "?issued=2025-10-01T00:00:00Z", "text/csv", "time,temp_c,rh_pct\n2025-09-30T00:00:00Z,1,50\n", 400, []string{"time", "2025-09-30", "after its issue"}},
		{forecasts + "?issued=2025-10-01T00:00:00Z", "text/csv", "time,inside_temp_c\n", 400, []string{"inside_temp_c", "temp_c"}},
		{"/api/v1/sites/nowhere/forecasts?issued=2025-10-01T00:00:00Z", "text/csv", "time,temp_c,rh_pct\n2025-10-02T00:00:00Z,1,50\n", 404, []string{"There is no such site", "nowhere"}},
		{"/api/v1/sites/nowhere/weather?source=x", "text/csv", "time,temp_c\n", 404, []string{"There is no such site", "nowhere"}},
	} {
		w := s.send(t, c.path, c.media, c.body, will)
		require.Equal(t, c.status, w.Code, "%s: %s", c.path, w.Body.String())
		require.Equal(t, "application/problem+json", w.Header().Get("Content-Type"), c.path)
		for _, want := range c.says {
			require.Contains(t, w.Body.String(), want, c.path)
		}
	}
	after, err := s.store.Counts(t.Context())
	require.NoError(t, err)
	require.Equal(t, before, after)

	long := "time,inside_temp_c\n" + strings.Repeat("2025-10-01T00:00:00Z,1\n", 64<<20/23)
	w := s.send(t, box, "text/csv", long, will)
	require.Equal(t, http.StatusRequestEntityTooLarge, w.Code)
	require.Contains(t, w.Body.String(), "64 MiB")
}

func TestPagesWithoutImports(t *testing.T) {
	s := sharedSite(t)
	h, err := web.New(web.Config{View: s.view, Ready: func(context.Context) error { return nil }, Metrics: http.NotFoundHandler(), Everybody: record.Run})
	require.NoError(t, err)
	alone := &site{handler: h}
	at := []string{"Sec-Fetch-Site", "same-origin"}
	for _, path := range []string{"/api/v1/stations/lake-07/readings", "/api/v1/sites/lake/weather", "/stations/lake-07/import"} {
		w := alone.send(t, path, "text/csv", "time\n", at)
		require.Equal(t, http.StatusForbidden, w.Code, path)
		require.Contains(t, w.Body.String(), "dewpost readings import", path)
	}
	w := alone.send(t, "/stations/lake-07/import/store", "application/x-www-form-urlencoded", "upload=x", at)
	require.Equal(t, http.StatusForbidden, w.Code)
}

// bring is a form with a file as a browser sends it.
func bring(t *testing.T, fields ...string) (media, body string) {
	t.Helper()
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	for i := 0; i < len(fields); i += 2 {
		h := textproto.MIMEHeader{"Content-Disposition": {fmt.Sprintf(`form-data; name=%q`, fields[i])}}
		if fields[i] == "log" {
			h = textproto.MIMEHeader{"Content-Disposition": {`form-data; name="log"; filename="box.csv"`}, "Content-Type": {"text/csv"}}
		}
		p, err := m.CreatePart(h)
		require.NoError(t, err)
		_, err = p.Write([]byte(fields[i+1]))
		require.NoError(t, err)
	}
	require.NoError(t, m.Close())
	return m.FormDataContentType(), b.String()
}

var uploadField = regexp.MustCompile(`name="upload" value="([0-9a-f]{32})"`)

func TestLogByThePage(t *testing.T) {
	s, will, ruth := importSite(t)
	const path = "/stations/box-1/import"
	w := s.get(t, path, will...)
	require.Equal(t, http.StatusOK, w.Code)
	require.Contains(t, w.Body.String(), `action="/stations/box-1/import" enctype="multipart/form-data"`)
	require.Contains(t, w.Body.String(), `name="tz" type="text" value="CET"`, "the site's zone")
	require.Contains(t, s.get(t, "/stations/box-1", will...).Body.String(), `href="/stations/box-1/import"`)
	require.Equal(t, http.StatusNotFound, s.get(t, "/stations/nobody/import", will...).Code)

	look := func(who []string, log string) string {
		media, body := bring(t, "tz", " Europe/Helsinki ", "map", "Temp = inside_temp_c\r\n\r\nBattery=", "log", log)
		w := s.send(t, path, media, body, who)
		require.Equal(t, http.StatusOK, w.Code, w.Body.String())
		return w.Body.String()
	}
	store := func(who []string, station, upload string) *httptest.ResponseRecorder {
		return s.send(t, "/stations/"+station+"/import/store", "application/x-www-form-urlencoded", url.Values{"upload": {upload}}.Encode(), who)
	}
	seen := look(will, boxLog)
	for _, want := range []string{"What would be stored", "<dt>rows</dt><dd>3</dd>", "<dt>new</dt><dd>3</dd>", "refused inside_rh_pct", "Ignored columns: Battery.", "2025-09-30 23:00 UTC", "4h30m0s will count as known", "Store 3 new rows", "Temp = inside_temp_c"} {
		require.Contains(t, seen, want)
	}
	first := uploadField.FindStringSubmatch(seen)
	require.NotNil(t, first, seen)
	_, _, heard, err := s.store.Span(t.Context(), "box-1")
	require.NoError(t, err)
	require.False(t, heard, "nothing is written before somebody says so")

	for _, w := range []*httptest.ResponseRecorder{
		store(ruth, "box-1", first[1]), store(will, "box-2", first[1]), store(will, "box-1", strings.Repeat("0", 32)), store(will, "box-1", ""),
	} {
		require.Equal(t, http.StatusGone, w.Code, "another's, another station's, nobody's")
	}
	w = store(will, "box-1", first[1])
	require.Equal(t, http.StatusOK, w.Code, w.Body.String())
	require.Contains(t, w.Body.String(), "<dt>stored</dt><dd>3</dd>")
	require.Contains(t, w.Body.String(), "count as known for this station from now on")
	require.Equal(t, http.StatusGone, store(will, "box-1", first[1]).Code, "once")

	seen = look(will, boxLog)
	require.Contains(t, seen, "<dt>in the record already</dt><dd>3</dd>")
	require.Nil(t, uploadField.FindStringSubmatch(seen), "there is nothing to store")
	seen = look(will, "time;Temp;Battery\n2025-12-01 02:00;1;1\n2025-10-01 12:00;1;1\n")
	require.Contains(t, seen, "go to quarantine")
	require.Contains(t, seen, "ahead of the clock")
	seen = look(will, "time;Temp;Battery\n2025-10-02 02:00;1;1\n2025-10-02 12:00;1;1\n")
	require.Contains(t, seen, "Steps of more than 4h30m0s are unknown time")

	// A few wait; the oldest makes room.
	var held []string
	for i := range 5 {
		seen := look(will, fmt.Sprintf("time;Temp;Battery\n2025-10-05 0%d:00;1;1\n", i))
		held = append(held, uploadField.FindStringSubmatch(seen)[1])
	}
	require.Equal(t, http.StatusGone, store(will, "box-1", held[0]).Code)
	require.Equal(t, http.StatusOK, store(will, "box-1", held[1]).Code)
	require.NoError(t, s.store.Retire(t.Context(), "box-1", unit.Instant(1), "test"))
	require.Equal(t, http.StatusConflict, store(will, "box-1", held[2]).Code)
	media, body := bring(t, "log", "time\n")
	require.Equal(t, http.StatusConflict, s.send(t, path, media, body, will).Code)
}

func TestBadFormsWithLogs(t *testing.T) {
	s, will, _ := importSite(t)
	const path = "/stations/box-1/import"
	for _, c := range []struct {
		fields []string
		status int
		says   string
	}{
		{[]string{"log", "time,inside_temp_c\n2025-10-01T00:00:00Z,<b>\n"}, 422, "Column inside_temp_c “&lt;b&gt;”: line 2: not a number"},
		{[]string{"log", "time,x\n", "map", "x=bogus"}, 422, "Map “x=bogus”: behind the = goes one of time, inside_temp_c"},
		{[]string{"log", "", "tz", "Nowhere/Land"}, 422, "Tz “Nowhere/Land”"},
		{[]string{"log", ""}, 422, "Log: the file is empty"},
		{[]string{"tz", "UTC"}, 400, "choose a file"},
		{[]string{"log", "time\n", "log", "time\n"}, 400, "give it once"},
		{[]string{"tz", "UTC", "tz", "UTC"}, 400, "give it once"},
		{[]string{"log", "time\n", "x", "y"}, 400, "use log, tz, map"},
		{[]string{"map", "\xff"}, 400, "UTF-8"},
		{[]string{"map", strings.Repeat("x", 64<<10+1)}, 400, "64 KiB"},
		{[]string{"map", strings.Repeat("x", 64<<20)}, 400, "64 KiB"},
		{[]string{"log", strings.Repeat("x", 64<<20)}, 413, "64 MiB"},
		{[]string{"log", strings.Repeat("x", 64<<20-200), "map", strings.Repeat("x", 300)}, 413, "64 MiB"},
	} {
		media, body := bring(t, c.fields...)
		w := s.send(t, path, media, body, will)
		require.Equal(t, c.status, w.Code, c.says)
		require.Contains(t, w.Body.String(), c.says)
	}
	media, body := bring(t, "log", "time\n")
	require.Equal(t, http.StatusNotFound, s.send(t, "/stations/nobody/import", media, body, will).Code)
	require.Equal(t, http.StatusBadRequest, s.send(t, path, media, body[:len(body)-10], will).Code, "cut off")
	require.Equal(t, http.StatusBadRequest, s.send(t, path, "multipart/form-data", body, will).Code, "without a boundary")
	require.Equal(t, http.StatusUnsupportedMediaType, s.send(t, path, "text/csv", "time\n", will).Code)
	require.Equal(t, http.StatusBadRequest, s.send(t, path+"/store", "application/x-www-form-urlencoded", "other=1", will).Code)
	require.Equal(t, http.StatusBadRequest, s.get(t, path+"?x=1", will...).Code)
}

// Few logs come in at a time; who comes too many is told when to come again.
func TestLogsAtOnce(t *testing.T) {
	s, will, _ := importSite(t)
	slow := make([]*io.PipeWriter, 2)
	answers := make(chan int, len(slow))
	for i := range slow {
		var body *io.PipeReader
		body, slow[i] = io.Pipe()
		r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1/api/v1/stations/box-1/readings", body)
		r.Header.Set("Content-Type", "text/csv")
		r.Header.Set(will[0], will[1])
		go func() {
			w := httptest.NewRecorder()
			s.handler.ServeHTTP(w, r)
			answers <- w.Code
		}()
		_, err := slow[i].Write([]byte("time,inside_temp_c\n")) // it is being read
		require.NoError(t, err)
	}
	media, form := bring(t, "log", "time\n")
	for path, body := range map[string][2]string{
		"/api/v1/stations/box-1/readings":                          {"text/csv", "time\n"},
		"/api/v1/sites/lake/weather?source=ridge":                  {"text/csv", "time\n"},
		"/api/v1/sites/lake/forecasts?issued=2025-10-01T00:00:00Z": {"text/csv", "time\n"},
		"/stations/box-1/import":                                   {media, form},
		"/stations/box-1/import/store":                             {"application/x-www-form-urlencoded", "upload=x"},
	} {
		w := s.send(t, path, body[0], body[1], will)
		require.Equal(t, http.StatusServiceUnavailable, w.Code, path)
		require.Equal(t, "10", w.Header().Get("Retry-After"), path)
	}
	for _, p := range slow {
		require.NoError(t, p.Close())
		require.Equal(t, http.StatusOK, <-answers)
	}
	require.Equal(t, http.StatusOK, s.send(t, "/api/v1/stations/box-1/readings", "text/csv", "time\n", will).Code)
}
