package web_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"html"
	"image"
	"image/jpeg"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/collector/web"
	"dewpost/rules/alarm"
	"dewpost/rules/bench"
	"dewpost/rules/finding"
	"dewpost/rules/stock"
)

func picture(t testing.TB) []byte {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, image.NewGray(image.Rect(0, 0, 320, 200)), nil))
	return b.Bytes()
}

// addVisits writes down visit 1 of a station, with something of everything.
func addVisits(t testing.TB, st *store.Store, station string) {
	t.Helper()
	v := books.Visits{VisitStore: st}
	who, planned, ml := "Ruth", "2025-10-20", int64(120)
	f := books.VisitFile{
		Station: station, Kind: bench.OnSite, Who: &who, Planned: &planned, WhyText: "no dry night in a week",
		States: []books.StateFile{{State: bench.UnderWay, At: "2025-10-20T08:00:00Z", Note: "key under the mat\nof cottage 6"}},
		Found: []books.FindingFile{{
			At: "2025-10-20T08:10:00Z", Moisture: "water", WaterML: &ml, Cover: "cracked", Gasket: "hard",
			Corrosion: map[string]bench.Corrosion{"contacts": "trace", "board": "moderate"}, Note: hostileName,
		}},
		Work:    []books.WorkFile{{Code: bench.Dried, At: "2025-10-20T08:30:00Z"}, {Code: bench.EntrySealed, At: "2025-10-20T08:40:00Z", Note: "butyl"}},
		Photos:  []books.PhotoFile{{Body: picture(t), Caption: hostileSpot, Taken: "2025-10-20T08:12:00Z"}},
		Jars:    []books.JarFile{{Begin: "2025-10-21T08:00:00Z", End: "2025-10-23T08:00:00Z", Inside: "saturated salt solution, 75 %"}},
		Card:    &books.CardFile{At: "2025-10-20T09:00:00Z", Card: bench.Card{TalkOut: bench.Good, TalkIn: bench.Bad}},
		Reports: []books.SymptomFile{{Kind: "ghost-calls", ReportedBy: "Ida of cottage 6", Since: "2025-10-12", Note: "at night"}},
	}
	number, err := v.Record(context.Background(), &f, siteNow, "Will", false)
	require.NoError(t, err)
	require.Equal(t, int64(1), number)
}

func (s *bookSite) send(path, contentType string, body []byte) *httptest.ResponseRecorder {
	s.t.Helper()
	r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1"+path, bytes.NewReader(body))
	r.Header.Set("Content-Type", contentType)
	r.Header.Set("Authorization", s.tokens[record.Work][1])
	w := httptest.NewRecorder()
	s.handler.ServeHTTP(w, r)
	return w
}

// upload sends the form for a photo.
func (s *bookSite) upload(path string, fields map[string]string) *httptest.ResponseRecorder {
	s.t.Helper()
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	for name, value := range fields {
		f, err := m.CreateFormField(name)
		require.NoError(s.t, err)
		_, err = f.Write([]byte(value))
		require.NoError(s.t, err)
	}
	require.NoError(s.t, m.Close())
	return s.send(path, m.FormDataContentType(), b.Bytes())
}

// requireProblem expects an answer of RFC 9457.
func requireProblem(t *testing.T, w *httptest.ResponseRecorder, status int, field, value, fix string) {
	t.Helper()
	require.Equal(t, status, w.Code, w.Body.String())
	require.Equal(t, "application/problem+json", w.Header().Get("Content-Type"))
	var p struct{ Field, Value, Fix string }
	require.NoError(t, json.Unmarshal(w.Body.Bytes(), &p))
	require.Equal(t, field, p.Field)
	require.Equal(t, value, p.Value)
	require.Contains(t, p.Fix, fix)
}

func (s *bookSite) visit(role record.Role, n string) (v map[string]any) {
	s.t.Helper()
	require.NoError(s.t, json.Unmarshal(s.ask(role, "/api/v1/visits/"+n).Body.Bytes(), &v))
	return v
}

func TestVisitsByPrograms(t *testing.T) {
	s := newBookSite(t)
	w := s.say("/api/v1/visits", `{"station":"lake-02","kind":"photos","planned":"2025-10-30"}`)
	require.Equal(t, http.StatusCreated, w.Code, w.Body.String())
	require.Equal(t, "/api/v1/visits/2", w.Header().Get("Location"))
	w = s.say("/api/v1/visits/2", `{"states":[{"state":"done"}],"findings":[{"cover":"crazed"}]}`)
	require.Equal(t, http.StatusCreated, w.Code, w.Body.String())
	v := s.visit(record.Look, "2")
	require.Equal(t, "done", v["state"])
	require.Equal(t, "work (token)", v["findings"].([]any)[0].(map[string]any)["author"])
	require.Equal(t, http.StatusNoContent, s.say("/api/v1/visits?dry_run=true", `{"station":"lake-02","kind":"photos"}`).Code)
	require.Equal(t, http.StatusNoContent, s.say("/api/v1/visits", `{"station":"lake-02","symptoms":[{"kind":"hum"}]}`).Code)
	require.Equal(t, http.StatusNoContent, s.say("/api/v1/stations/lake-02/symptoms", `{"kind":"no-ring","reported_by":"Ann"}`).Code)

	for path, numbers := range map[string][]string{
		"": {"2", "1"}, "?station=lake-07": {"1"}, "?state=done": {"2"}, "?state=planned": {}, "?from=2025-10-21T00:00:00Z": {"2"},
		"?from=2025-10-20T00:00:00Z&to=2025-10-21T00:00:00Z": {"1"},
	} {
		got := []string{}
		for _, item := range s.items(record.Look, "/api/v1/visits"+path, "Visits") {
			got = append(got, item["visit"].(json.Number).String())
		}
		require.Equal(t, numbers, got, path)
	}
	for path, said := range map[string]string{
		"visits?station=nobody": `"field":"station","value":"nobody"`, "exposure?site=nowhere": `"field":"site","value":"nowhere"`,
		"coating?temp_c=21": `"field":"rh_pct","fix"`,
	} {
		w := s.do(t, call{method: "GET", path: "/api/v1/" + path, headers: s.tokens[record.Look]})
		require.GreaterOrEqual(t, w.Code, 400, path)
		require.Contains(t, w.Body.String(), said)
	}
	var p page
	require.NoError(t, json.Unmarshal(s.ask(record.Look, "/api/v1/visits?limit=1").Body.Bytes(), &p))
	require.Len(t, p.Items, 1)
	require.NoError(t, json.Unmarshal(s.ask(record.Look, "/api/v1/visits?limit=1&next="+p.Next).Body.Bytes(), &p))
	require.Equal(t, float64(1), p.Items[0]["visit"])

	symptoms := s.items(record.Look, "/api/v1/stations/lake-02/symptoms", "Symptoms")
	require.Equal(t, []any{"no-ring", nil}, []any{symptoms[0]["kind"], symptoms[0]["reported_by"]}, "who said so is not for all")
	symptoms = s.items(record.Work, "/api/v1/stations/lake-02/symptoms", "Symptoms")
	require.Equal(t, "Ann", symptoms[0]["reported_by"])
	require.Nil(t, s.visit(record.Look, "1")["symptoms"].([]any)[0].(map[string]any)["reported_by"])
	require.NotContains(t, s.ask(record.Look, "/visits/1").Body.String(), "Ida of cottage 6")
	require.Contains(t, s.ask(record.Work, "/visits/1").Body.String(), "Ida of cottage 6")
	baselines := s.items(record.Look, "/api/v1/stations/lake-07/baselines", "Baselines")
	require.Equal(t, "wall", baselines[0]["kind"])
	require.Equal(t, "jar", baselines[len(baselines)-1]["kind"])

	for _, c := range []struct {
		path, body        string
		status            int
		field, value, fix string
	}{
		{"/api/v1/visits", `{"station":"lake-02"}`, 400, "kind", "", "on-site"},
		{"/api/v1/visits", `{"station":"nobody","kind":"photos"}`, 404, "station", "nobody", "/api/v1/stations"},
		{"/api/v1/visits", `{"visit":1}`, 400, "visit", "1", "the address"},
		{"/api/v1/visits?dry_run=perhaps", `{}`, 400, "dry_run", "perhaps", "true, false"},
		{"/api/v1/visits/1", `{"visit":2}`, 400, "visit", "2", "the address"},
		{"/api/v1/visits/1", `{"photos":[{"file":"/etc/passwd"}]}`, 400, "photos", "", "/photos"},
		{"/api/v1/visits/1", `{"work":[{"code":"recoated"}]}`, 400, "work[0].coating", "", "some text"},
		{"/api/v1/visits/1", `{"parts":[{"lot":77,"quantity":1}]}`, 400, "parts[0].lot", "77", ""},
		{"/api/v1/visits/9", `{"states":[{"state":"done"}]}`, 404, "visit", "9", "list of visits"},
		{"/api/v1/visits/x", `{}`, 404, "n", "x", "number from the list"},
		{"/api/v1/visits/1", `{`, 400, "JSON", "{", "whole"},
		{"/api/v1/stations/lake-02/symptoms", `{"kind":"smoke"}`, 400, "symptoms[0].kind", "smoke", "hum"},
		{"/api/v1/stations/nobody/symptoms", `{"kind":"hum"}`, 404, "station", "nobody", "/api/v1/stations"},
		{"/api/v1/stations/lake-02/symptoms?x=1", `{}`, 400, "x", "1", "no parameters"},
		{"/api/v1/stations/lake-02/symptoms", `{"who":"Ann"}`, 400, "who", "", "spelling"},
	} {
		requireProblem(t, s.say(c.path, c.body), c.status, c.field, c.value, c.fix)
	}
	requireProblem(t, s.send("/api/v1/visits", "text/plain", []byte("{}")), 415, "Content-Type", "text/plain", "application/json")
	w = s.send("/api/v1/visits", "application/json", append([]byte(`{"station":"`), bytes.Repeat([]byte("x"), 2<<20)...))
	require.Equal(t, http.StatusRequestEntityTooLarge, w.Code)
	for path, field := range map[string]string{
		"/api/v1/visits/9": "n", "/api/v1/visits/0": "n", "/api/v1/visits/9/card": "n", "/api/v1/visits/1/photos/9": "photo", "/api/v1/visits/1/photos/x": "photo",
		"/api/v1/visits/x/photos/1": "n", "/api/v1/stations/nobody/symptoms": "id", "/api/v1/stations/nobody/baselines": "id",
	} {
		w := s.do(t, call{method: "GET", path: path, headers: s.tokens[record.Look]})
		require.Equal(t, http.StatusNotFound, w.Code, path)
		require.Contains(t, w.Body.String(), `"field":"`+field+`"`, path)
	}
	for _, path := range []string{"?state=finished", "?from=soon", "?from=2025-01-02T00:00:00Z&to=2025-01-01T00:00:00Z", "?limit=0", "?next=x", "?kind=photos", "/1?x=1", "/1/card?x=1", "/1/photos/1?x=1"} {
		require.Equal(t, http.StatusBadRequest, s.do(t, call{method: "GET", path: "/api/v1/visits" + path, headers: s.tokens[record.Look]}).Code, path)
	}
	for _, path := range []string{"symptoms", "baselines"} {
		require.Equal(t, http.StatusBadRequest, s.do(t, call{method: "GET", path: "/api/v1/stations/lake-02/" + path + "?x=1", headers: s.tokens[record.Look]}).Code)
	}
}

func TestPhotosByPrograms(t *testing.T) {
	s := newBookSite(t)
	// A photo with a note in it, which goes.
	pic := picture(t)
	noted := append(append(append([]byte(nil), pic[:2]...), "\xff\xfe\x00\x0acottage"+"\x06"...), pic[2:]...)
	w := s.send("/api/v1/visits/1/photos?caption=the+board&taken=2025-10-20T08:00:00Z", "image/jpeg", noted)
	require.Equal(t, http.StatusCreated, w.Code, w.Body.String())
	photos := s.visit(record.Look, "1")["photos"].([]any)
	require.Len(t, photos, 2)
	require.Equal(t, "the board", photos[1].(map[string]any)["caption"])
	for _, path := range []string{"/visits/1/photos/2", "/api/v1/visits/1/photos/2"} {
		w := s.do(t, call{method: "GET", path: path, headers: append([]string{"Accept-Encoding", "gzip"}, s.tokens[record.Look]...)})
		require.Equal(t, http.StatusOK, w.Code)
		require.Equal(t, pic, w.Body.Bytes())
		require.Equal(t, "image/jpeg", w.Header().Get("Content-Type"))
		require.Equal(t, "nosniff", w.Header().Get("X-Content-Type-Options"))
		require.Equal(t, "inline; filename=visit-1-2.jpeg", w.Header().Get("Content-Disposition"))
		require.Empty(t, w.Header().Get("Content-Encoding"))
		require.Equal(t, http.StatusUnauthorized, s.do(t, call{method: "GET", path: "/api/v1/visits/1/photos/2"}).Code)
	}
	requireProblem(t, s.send("/api/v1/visits/1/photos", "image/jpeg", []byte("<svg/>")), 400, "photos[0].photo", `"<svg/>"`, "JPEG or PNG")
	requireProblem(t, s.send("/api/v1/visits/9/photos", "image/jpeg", pic), 404, "visit", "9", "list of visits")
	requireProblem(t, s.send("/api/v1/visits/x/photos", "image/jpeg", pic), 404, "n", "x", "number from the list")
	requireProblem(t, s.send("/api/v1/visits/1/photos?x=1", "image/jpeg", pic), 400, "x", "1", "caption, taken")
	requireProblem(t, s.send("/api/v1/visits/1/photos", "image/jpeg", make([]byte, 9<<20)), 413, "photo", "", "at most 8 MiB")
	// As large as one may be: past the limit of other requests.
	large := append(append([]byte(nil), pic...), make([]byte, books.PhotoMost-len(pic))...)
	require.Equal(t, http.StatusCreated, s.send("/api/v1/visits/1/photos", "image/jpeg", large).Code)
}

// Every form, as a browser sends it: rightly, and with something wrong in it,
// which is shown beside what was written.
func TestVisitForms(t *testing.T) {
	s := newBookSite(t)
	require.Equal(t, "/visits/2", s.post("/visits", "station", "lake-02", "kind", "send-in", "planned", "2025-10-30", "who", "Ruth", "why", "", "why_text", "dead key").Header().Get("Location"))
	require.Equal(t, "/visits", s.post("/visits/symptom", "station", "lake-02", "kind", "hum", "note", "", "reported_by", "Ann", "since", "").Header().Get("Location"))
	for _, c := range []struct {
		path  string
		pairs []string
	}{
		{"state", []string{"state", "arrived", "at", "2025-10-22T09:00", "planned", "", "who", "Will", "note", "", "without_card", ""}},
		{"state", []string{"state", "on-bench", "at", "", "planned", "", "who", "Will", "note", "parcel torn", "without_card", ""}},
		{"findings", []string{"at", "", "moisture", "damp", "water_ml", "", "cover", "", "gasket", "", "coating", "", "place", "board", "grade", "trace", "corrosion", "keypad = severe\n\nlamp=none", "note", ""}},
		{"work", []string{"code", "board-changed", "details", "board = donor\ngrade = b", "at", "", "note", ""}},
		{"jar", []string{"begin", "2025-10-24T09:00", "end", "", "inside", "water"}},
		{"jar", []string{"begin", "", "end", "2025-10-25T09:30", "inside", ""}},
		{"card", []string{
			"at", "", "keys_there", "4", "keys_good", "1-2, 4", "keys_bad", "3", "lamps_there", "1", "lamps_good", "1", "lamps_bad", "", "volume_steps_there", "0", "volume_steps_good", "", "volume_steps_bad", "",
			"talk_out", "good", "talk_in", "good", "address", "none", "supply_v", "24", "standby_ma", "11.5", "standby_most_ma", "12", "talk_ma", "", "talk_most_ma", "", "limits_from", "sheet",
			"coating_parts", "", "coating_solder", "", "masked.switch_contacts", "", "masked.microphone", "none", "masked.connectors", "", "masked.address_switch", "", "inner_cover", "good", "cure_hours", "", "closed", "",
		}},
	} {
		w := s.post("/visits/2/"+c.path, c.pairs...)
		require.Equal(t, http.StatusSeeOther, w.Code, "%s: %s", c.path, w.Body.String())
		require.Equal(t, "/visits/2", w.Header().Get("Location"))
	}
	require.Equal(t, http.StatusSeeOther, s.upload("/visits/2/photos", map[string]string{"photo": string(picture(t)), "caption": "back", "taken": "2025-10-22T09:00"}).Code)
	v := s.visit(record.Work, "2")
	require.Equal(t, map[string]any{"board": "trace", "keypad": "severe", "lamp": "none"}, v["findings"].([]any)[0].(map[string]any)["corrosion"])
	require.Equal(t, map[string]any{"board": "donor", "grade": "b"}, v["work"].([]any)[0].(map[string]any)["details"])
	require.Equal(t, "2025-10-25T07:30:00Z", v["jars"].([]any)[0].(map[string]any)["end"], "local time was meant")
	require.Equal(t, "2025-10-22T07:00:00Z", v["photos"].([]any)[0].(map[string]any)["taken"])
	card := v["cards"].([]any)[0].(map[string]any)
	require.Equal(t, map[string]any{"there": 4.0, "good": []any{1.0, 2.0, 4.0}, "bad": []any{3.0}}, card["card"].(map[string]any)["keys"])
	require.Equal(t, "failed", card["result"].(map[string]any)["verdict"])
	body := s.ask(record.Work, "/visits/2").Body.String()
	for _, words := range []string{"key 3", "board changed, board donor, grade b", "parcel torn", "went", "corrosion severe at keypad", "Soldering"} {
		require.Contains(t, body, words)
	}
	require.Contains(t, body, `value="4"`, "what the newest card says is there already")
	look := s.ask(record.Look, "/visits/2").Body.String()
	require.NotContains(t, look, "<form class=\"sheet\"")
	require.NotContains(t, s.ask(record.Look, "/visits").Body.String(), "<form class=\"sheet\"")

	for _, c := range []struct {
		path  string
		pairs []string
		shown string
	}{
		{"/visits", []string{"station", "lake-02", "kind", "photos", "why", "board_wet"}, "“board_wet”: Write kind and number"},
		{"/visits", []string{"station", "lake-02", "kind", "photos", "planned", "soon"}, "“soon”: Write a date"},
		{"/visits/symptom", []string{"station", "lake-02", "kind", "other"}, "Say what was noticed"},
		{"/visits/2/state", []string{"state", "done"}, "can become"},
		{"/visits/2/state", []string{"state", "sent-back"}, "takes a passed test card"},
		{"/visits/2/findings", []string{"water_ml", "some"}, "“some”: Write whole millilitres"},
		{"/visits/2/findings", []string{"corrosion", "keypad"}, "one name = value"},
		{"/visits/2/findings", []string{"place", "", "grade", "trace"}, "Use one of board"},
		{"/visits/2/outcome", []string{"finding", "board_wet", "outcome", "put-right", "reason", "x"}, "“board_wet”: Write kind and number"},
		{"/visits/2/outcome", []string{"finding", "board_wet/1", "outcome", "put-right", "reason", ""}, "why nothing more is to be done"},
		{"/visits/2/outcome", []string{"finding", "board_wet/99", "outcome", "still-to-do"}, "lake-02 has no such finding"},
		{"/visits/2/work", []string{"code", "recoated", "details", "coating=acrylic"}, "work[0].sides: Write one of one, both"},
		{"/visits/2/work", []string{"code", "recoated", "details", "a=b\na=c"}, "each name once"},
		{"/visits/2/parts", []string{"lot", "seven", "quantity", "1"}, "“seven”: Write a whole number"},
		{"/visits/2/parts", []string{"lot", "7", "quantity", "1", "last_one_confirmed", "yes"}, "“7”: "},
		{"/visits/2/jar", []string{"begin", "", "end", "", "inside", ""}, "Say when the step began"},
		{"/visits/2/card", []string{"keys_good", "1-x"}, "“1-x”: Write numbers"},
		{"/visits/2/card", []string{"keys_there", "few"}, "“few”: Write a whole number"},
		{"/visits/2/card", []string{"supply_v", "mains"}, "“mains”: Write a number"},
		{"/visits/2/card", []string{"supply_v", "230"}, "“230”: Write a number from 0 to 60"},
	} {
		w := s.post(c.path, c.pairs...)
		require.Equal(t, http.StatusUnprocessableEntity, w.Code, c.path)
		require.Contains(t, html.UnescapeString(w.Body.String()), c.shown, c.path)
		require.Contains(t, w.Body.String(), "<details id=", c.path)
		require.Contains(t, w.Body.String(), " open><summary>", "%s: the form is open", c.path)
	}
	shelf := books.NewParts(s.store)
	require.NoError(t, shelf.PutKind(t.Context(), stock.Kind{ID: "lamp", Name: "Lamp", Class: "lamp", Unit: stock.Piece}, false, siteNow, "Will"))
	lot, err := s.store.ReceivePart(t.Context(), stock.Lot{Kind: "lamp", Condition: stock.New, Grade: "a", Quantity: 3}, siteNow, "Will")
	require.NoError(t, err)
	require.Equal(t, http.StatusSeeOther, s.post("/visits/2/parts", "lot", fmt.Sprint(lot), "quantity", "2").Code)
	body = s.ask(record.Look, "/visits/2").Body.String()
	require.Contains(t, body, fmt.Sprint("2 of lamp, lot ", lot))
	require.Contains(t, body, "hum", "what was told for no visit")
	w := s.post("/visits/2/parts", "lot", "7", "quantity", "3", "take_reserved", "yes")
	require.Contains(t, w.Body.String(), `name="quantity" type="number" value="3"`, "what was written stays")
	require.Contains(t, w.Body.String(), `name="take_reserved" value="yes" checked`)
	for path, status := range map[string]int{"/visits/9/jar": 404, "/visits/x/jar": 404} {
		require.Equal(t, status, s.post(path, "begin", "2025-10-22T09:00", "end", "", "inside", "x").Code, path)
	}
	require.Equal(t, 404, s.post("/visits", "station", "nobody", "kind", "photos").Code)
	require.Equal(t, 400, s.post("/visits/2/jar", "lid", "x").Code)

	require.Equal(t, 422, s.upload("/visits/2/photos", map[string]string{"photo": "GIF89a", "caption": "x"}).Code)
	require.Equal(t, 422, s.upload("/visits/2/photos", map[string]string{"caption": "x"}).Code)
	require.Equal(t, 400, s.upload("/visits/2/photos", map[string]string{"photo": "x", "other": "x"}).Code)
	require.Equal(t, 404, s.upload("/visits/x/photos", map[string]string{"photo": "x"}).Code)
	require.Equal(t, 413, s.upload("/visits/2/photos", map[string]string{"photo": strings.Repeat("x", 9<<20)}).Code)
	require.Equal(t, 400, s.send("/visits/2/photos", "multipart/form-data; boundary=b", []byte("--b\r\nContent-Disposition: form-data; name=\"photo\"\r\n\r\ncut")).Code)
	require.Equal(t, 400, s.send("/visits/2/photos", "multipart/form-data", nil).Code)
}

// Old visits come page by page, and one whose day is over is to be done.
func TestVisitsPage(t *testing.T) {
	s := newBookSite(t)
	v := books.Visits{VisitStore: s.store}
	for i := range 60 {
		f := books.VisitFile{Station: "lake-02", Kind: bench.Photos, States: []books.StateFile{{State: bench.CalledOff}}}
		if i == 30 {
			f.States, f.Planned = nil, new(string)
			*f.Planned = "2025-10-25"
		}
		if i == 31 {
			f.States = nil
		}
		_, err := v.Record(t.Context(), &f, siteNow, "Will", false)
		require.NoError(t, err)
	}
	body := s.ask(record.Look, "/visits").Body.String()
	require.Contains(t, body, "do it or set another day: planned for 25 October 2025")
	require.Contains(t, body, "no day set")
	require.Contains(t, body, `href="/visits?before=12"`)
	require.Less(t, strings.Index(body, "/visits/32\""), strings.Index(body, "/visits/33\""), "what has a day comes before what has none")
	body = s.ask(record.Look, "/visits?before=12").Body.String()
	require.Contains(t, body, `href="/visits/2"`)
	require.NotContains(t, body, "Older")
	for _, path := range []string{"/visits?before=0", "/visits?x=1", "/visits/1?x=1"} {
		require.Equal(t, http.StatusBadRequest, s.do(t, call{method: "GET", path: path, headers: s.tokens[record.Look]}).Code)
	}
	require.Equal(t, http.StatusNotFound, s.do(t, call{method: "GET", path: "/visits/99", headers: s.tokens[record.Look]}).Code)
}

// Where no visits are kept there are none.
func TestWithoutVisits(t *testing.T) {
	s := sharedSite(t)
	h, err := web.New(web.Config{View: s.view, Ready: func(context.Context) error { return nil }, Metrics: http.NotFoundHandler(), Everybody: record.Work})
	require.NoError(t, err)
	for _, path := range []string{"/visits", "/visits/1", "/api/v1/visits"} {
		require.Equal(t, http.StatusNotFound, (&site{handler: h}).do(t, call{method: "GET", path: path}).Code, path)
	}
}

// Somebody else was quicker.
type quicker struct{ books.VisitStore }

func (quicker) RecordVisit(context.Context, record.VisitEntry) (int64, error) {
	return 0, fmt.Errorf("visit 1: %w", record.ErrChanged)
}

func TestVisitChangedMeanwhile(t *testing.T) {
	s := sharedSite(t)
	h, err := web.New(web.Config{
		View: s.view, Ready: func(context.Context) error { return nil }, Metrics: http.NotFoundHandler(), Everybody: record.Work,
		Visits: books.Visits{VisitStore: quicker{s.store}}, Now: siteNow.Time,
	})
	require.NoError(t, err)
	other := &site{handler: h}
	w := other.do(t, call{method: "POST", path: "/visits/1/jar", form: form("begin", "2025-10-22T09:00", "end", "", "inside", "x")})
	require.Equal(t, http.StatusConflict, w.Code)
	w = other.do(t, call{method: "POST", path: "/api/v1/visits/1", json: "{}", headers: []string{"Sec-Fetch-Site", "same-origin"}})
	require.Equal(t, http.StatusConflict, w.Code)
}

// What came of a finding stands on the visit, on the station's card and on the
// job card, whose page says what its PDF says.
func TestWhatCameOfAFinding(t *testing.T) {
	s := newBookSite(t)
	f := finding.Finding{Kind: finding.BoardWet, From: siteNow - 5*86400e9, Concluded: siteNow - 4*86400e9, Confidence: 0.9}
	require.NoError(t, s.store.CommitFold(t.Context(), record.Folded{
		Mark: record.Mark{Station: "lake-07"}, Occurrences: []alarm.Occurrence{{Station: "lake-07", Number: 7, Finding: f, State: alarm.Unacknowledged}},
	}))
	number, of := 7.0, "board_wet/7"
	w := s.post("/visits/1/outcome", "finding", of, "outcome", "put-right", "reason", "gasket changed", "at", "2025-10-24T09:00")
	require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
	o := s.visit(record.Look, "1")["outcomes"].([]any)[0].(map[string]any)
	require.Equal(t, []any{"board_wet", number, "put-right", true, "gasket changed", "2025-10-24T07:00:00Z"}, []any{o["kind"], o["number"], o["outcome"], o["closes"], o["reason"], o["at"]})
	require.Contains(t, s.ask(record.Look, "/visits/1").Body.String(), "Board does not dry: put right")
	require.Contains(t, s.ask(record.Look, "/stations/lake-07").Body.String(), `Put right, Fri 24 Oct 2025, 09:00: gasket changed (<a href="/visits/1">visit</a>)`)

	require.Equal(t, http.StatusCreated, s.say("/api/v1/visits", `{"station":"lake-07","kind":"on-site","why":[{"kind":"board_wet","number":`+fmt.Sprint(number)+`}],"planned":"2025-10-31"}`).Code)
	require.Contains(t, s.ask(record.Work, "/visits/2").Body.String(), `<option value="`+of+`"`)
	page := html.UnescapeString(regexp.MustCompile(`(?s)<svg.*?</svg>|<figure.*?</figure>|<[^>]*>`).ReplaceAllString(s.ask(record.Work, "/visits/2/card").Body.String(), " "))
	sheet := pdfText(t, s.ask(record.Work, "/visits/2/card.pdf").Body.Bytes())
	_, page, _ = strings.Cut(page, "Why")
	page, _, _ = strings.Cut(page, "Times are of")
	lines := 0
	for line := range strings.Lines(page) {
		for _, word := range strings.Fields(line) {
			require.Contains(t, sheet, strings.NewReplacer("−", "-").Replace(word), "the sheet lacks what the page says: %s", line)
			lines++
		}
	}
	require.Greater(t, lines, 200)
	require.Contains(t, page, "Put right on 24 Oct 2025: gasket changed (visit 1)")
}
