package web_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/fact"
)

// bookSite is a guarded site of its own, with tokens by role.
type bookSite struct {
	*site
	t      *testing.T
	tokens map[record.Role][]string
}

func newBookSite(t *testing.T) *bookSite {
	t.Helper()
	return bookSiteOf(t, siteBoxes()[:2])
}

// bookSiteOf is one of these boxes, two days old and without faults.
func bookSiteOf(t *testing.T, boxes []box) *bookSite {
	t.Helper()
	for i := range boxes {
		boxes[i].from, boxes[i].faults = ago(2*day), nil
	}
	return guarded(t, newSite(t, boxes))
}

// guarded gives a site an account, and tokens by role.
func guarded(t *testing.T, of *site) *bookSite {
	t.Helper()
	s := &bookSite{of, t, map[record.Role][]string{}}
	require.NoError(t, s.door.AddAccount(t.Context(), "Ruth", record.Run, runners, ""))
	for role := record.Look; role <= record.Run; role++ {
		secret, err := s.door.AddToken(t.Context(), role.String(), role, day, "Ruth")
		require.NoError(t, err)
		s.tokens[role] = []string{"Authorization", "Bearer " + secret}
	}
	return s
}

func (s *bookSite) ask(role record.Role, path string) *httptest.ResponseRecorder {
	s.t.Helper()
	w := s.do(s.t, call{method: "GET", path: path, headers: s.tokens[role]})
	require.Equal(s.t, http.StatusOK, w.Code, w.Body.String())
	return w
}

func (s *bookSite) say(path, body string) *httptest.ResponseRecorder {
	s.t.Helper()
	return s.do(s.t, call{method: "POST", path: path, json: body, headers: s.tokens[record.Work]})
}

func (s *bookSite) said(path, body string) {
	s.t.Helper()
	w := s.say(path, body)
	require.Equal(s.t, http.StatusOK, w.Code, w.Body.String())
}

func (s *bookSite) post(path string, pairs ...string) *httptest.ResponseRecorder {
	s.t.Helper()
	return s.do(s.t, call{method: "POST", path: path, form: form(pairs...), headers: s.tokens[record.Work]})
}

// items are those of a list of the API, as described.
func (s *bookSite) items(role record.Role, path, described string) (items []map[string]any) {
	s.t.Helper()
	var doc, v map[string]any
	require.NoError(s.t, json.Unmarshal(s.ask(role, "/api/v1/openapi.json").Body.Bytes(), &doc))
	d := json.NewDecoder(s.ask(role, path).Body)
	d.UseNumber()
	require.NoError(s.t, d.Decode(&v))
	check := schemas{s.t, doc}
	check.check(path, map[string]any{"$ref": "#/components/schemas/" + described}, v)
	for _, item := range v["items"].([]any) {
		items = append(items, item.(map[string]any))
	}
	return items
}

func (s *bookSite) fill() {
	s.t.Helper()
	s.said("/api/v1/owners/ida/facts", `{"new":true,"facts":[{"name":"name","value":"Ida Example"},{"name":"contact","value":"3 Mill Row"},{"name":"consent","value":"2025-05-01","from":"2025-05-01"}]}`)
	s.said("/api/v1/sites/lake/facts", `{"facts":[{"name":"owner","value":"ida","from":null},{"name":"access","value":"key under the stone"}]}`)
	s.said("/api/v1/lines/east/facts", `{"new":true,"facts":[{"name":"site","value":"lake"},{"name":"supply","value":"ac"}]}`)
	s.said("/api/v1/stations/lake-07/facts", `{"facts":[{"name":"line","value":"east"},{"name":"address","value":"7"},{"name":"spot","value":"jetty","from":"2025-10-01T09:00:00+02:00"}]}`)
	s.said("/api/v1/sensors/h-12/facts", `{"new":true,"facts":[{"name":"station","value":"lake-07"},{"name":"channels","value":"inside_rh_pct"},{"name":"calibration","value":"inside_rh_pct +1.4 salt-75","from":"2025-05-02"}]}`)
}

func TestBooksByProgram(t *testing.T) {
	s := newBookSite(t)
	s.fill()
	require.Equal(t, map[string]any{"name": "Ida Example", "contact": "3 Mill Row", "consent": "2025-05-01"}, s.items(record.Work, "/api/v1/owners", "Entries")[0]["facts"])
	require.Equal(t, map[string]any{"name": "Ida Example", "contact": "3 Mill Row"}, s.items(record.Run, "/api/v1/owners?at=2025-04-30T00:00:00Z", "Entries")[0]["facts"])
	require.Equal(t, map[string]any{"site": "lake", "supply": "ac"}, s.items(record.Look, "/api/v1/lines", "Entries")[0]["facts"])
	require.Equal(t, map[string]any{"station": "lake-07", "channels": "inside_rh_pct", "calibration.inside_rh_pct": "+1.4 salt-75"}, s.items(record.Look, "/api/v1/sensors", "Entries")[0]["facts"])

	all := s.items(record.Look, "/api/v1/stations/lake-07/facts", "Statements")
	last := all[len(all)-1]
	require.Equal(t, map[string]any{"name": "spot", "value": "jetty", "from": "2025-10-01T07:00:00Z", "author": "work (token)", "recorded": siteNow.String(), "valid": true}, last)
	require.Equal(t, []any{"spot", "boathouse wall", nil, false}, func() []any {
		for _, st := range all {
			if st["name"] == "spot" {
				return []any{st["name"], st["value"], st["from"], st["valid"]}
			}
		}
		return nil
	}(), "it is kept")
	then := s.items(record.Look, "/api/v1/stations/lake-07/facts?at=2025-09-30T00:00:00Z", "Statements")
	require.Equal(t, "boathouse wall", valueOf(then, "spot"))
	require.Less(t, len(then), len(all))
}

func valueOf(statements []map[string]any, name string) any {
	for _, st := range statements {
		if st["name"] == name && st["valid"] == true {
			return st["value"]
		}
	}
	return nil
}

// Who owners are, how to reach them and how to get in: only those who work here
// see it, on any page and in any answer.
func TestPersonalFactsAreForWork(t *testing.T) {
	s := newBookSite(t)
	s.fill()
	for _, path := range []string{
		"/books", "/books/owners/ida", "/books/sites/lake", "/books/lines/east", "/books/stations/lake-07",
		"/api/v1/owners", "/api/v1/owners/ida/facts", "/api/v1/owners/ida/facts?at=2025-10-01T00:00:00Z", "/api/v1/sites/lake/facts", "/api/v1/sites", "/",
	} {
		body := s.ask(record.Look, path).Body.String()
		for _, secret := range []string{"Ida Example", "Mill Row", "stone"} {
			require.False(t, strings.Contains(body, secret), "%s shows %q", path, secret)
		}
	}
	require.Contains(t, s.ask(record.Look, "/books/owners/ida").Body.String(), "for those who work here")
	for path, want := range map[string]string{
		"/books": "Ida Example", "/books/owners/ida": "3 Mill Row", "/books/sites/lake": "key under the stone",
		"/api/v1/owners": "Ida Example", "/api/v1/sites/lake/facts": "key under the stone", "/api/v1/owners/ida/facts": "3 Mill Row",
	} {
		for _, role := range []record.Role{record.Work, record.Run} {
			require.Contains(t, s.ask(role, path).Body.String(), want, path)
		}
	}
}

func TestBooksRefuse(t *testing.T) {
	s := newBookSite(t)
	s.fill()
	before := s.ask(record.Run, "/api/v1/stations/lake-07/facts").Body.String()
	const station = "/api/v1/stations/lake-07/facts"
	for _, tt := range []struct {
		path, body string
		status     int
		field, fix string
	}{
		{station, `{"facts":[{"name":"spot","value":"gate"},{"name":"wires","value":"two"}]}`, 400, "wires", "whole number from 1 to 32"},
		{station, `{"facts":[{"name":"colour","value":"red"}]}`, 400, "colour", "known are name, site"},
		{station, `{"facts":[{"name":"site","value":"quay"}]}`, 400, "line", "the line is on site lake and the station on quay"},
		{station, `{"facts":[{"name":"spot","value":"gate","from":"soon"}]}`, 400, "from", "write a date such as"},
		{station, `{"facts":[]}`, 400, "facts", "say at least one"},
		{station, `{"facts":[{"name":"spot","valu":"gate"}]}`, 400, "body", "openapi.json"},
		{station, `{"facts":[{"name":"spot","value":"gate"}]} {}`, 400, "body", ""},
		{station, `{"facts":[{"name":"spot","value":"gate"}]} x`, 400, "body", ""},
		{station, `{"facts":[{"name":"spot","value":"` + strings.Repeat("x", 2<<20) + `"}]}`, 413, "", "1 MiB"},
		{station, `{"new":true,"facts":[{"name":"spot","value":"gate"}]}`, 400, "kind", "dewpost station add"},
		{"/api/v1/stations/lake-02/facts", `{"facts":[{"name":"line","value":"east"},{"name":"address","value":"7"}]}`, 400, "address", "station lake-07 has it too on line east, both from the beginning on"},
		{"/api/v1/stations/lake-99/facts", `{"facts":[{"name":"spot","value":"gate"}]}`, 404, "id", "page Books"},
		{"/api/v1/sensors/h-99/facts", `{"facts":[{"name":"place","value":"lid"}]}`, 404, "id", "page Books"},
		{"/api/v1/lines/east/facts", `{"new":true,"facts":[{"name":"supply","value":"dc"}]}`, 400, "id", "in the books already"},
		{"/api/v1/planets/mars/facts", `{"facts":[{"name":"name","value":"Mars"}]}`, 404, "kind", "owners, sites"},
	} {
		w := s.say(tt.path, tt.body)
		require.Equal(t, tt.status, w.Code, w.Body.String())
		var p struct{ Field, Fix string }
		require.NoError(t, json.Unmarshal(w.Body.Bytes(), &p))
		require.Equal(t, tt.field, p.Field, w.Body.String())
		require.Contains(t, p.Fix, tt.fix)
	}
	w := s.do(t, call{method: "POST", path: station, form: form("facts", "x"), headers: s.tokens[record.Work]})
	require.Equal(t, http.StatusUnsupportedMediaType, w.Code)
	require.Equal(t, before, s.ask(record.Run, station).Body.String(), "nothing was recorded")
	for path, status := range map[string]int{
		"/api/v1/stations/lake-99/facts": 404, "/api/v1/planets/mars/facts": 404, "/books/planets/mars": 404, "/books/lines/north": 404,
		"/api/v1/lines?at=soon": 400, "/api/v1/lines/east/facts?to=x": 400, "/books?x=1": 400, "/books/lines/east?x=1": 400,
	} {
		require.Equal(t, status, s.do(t, call{method: "GET", path: path, headers: s.tokens[record.Run]}).Code, path)
	}
}

func TestBooksByForm(t *testing.T) {
	s := newBookSite(t)
	s.fill()
	w := s.post("/books", "what", "line.site", "id", " west ", "value", " lake ", "from", "2025-10-01")
	require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
	require.Equal(t, "/books/lines/west", w.Header().Get("Location"))
	require.Equal(t, map[string]any{"site": "lake"}, s.items(record.Look, "/api/v1/lines", "Entries")[1]["facts"])
	w = s.post("/books/lines/west", "name", "supply_v", "value", "12", "from", "")
	require.Equal(t, "/books/lines/west", w.Header().Get("Location"), w.Body.String())

	page := s.ask(record.Work, "/books/lines/west").Body.String()
	for _, want := range []string{
		`<a href="/books/sites/lake">lake</a> <span class="small">since <time datetime="2025-10-01T00:00:00Z" title="2025-10-01T00:00:00Z">1 October 2025</time></span>`,
		`<dt>supply, V</dt><dd>12</dd>`, "holds now, since always · said by work (token)", `value="2025-10-26"`, "write a number from 1 to 60 (volts)",
	} {
		require.Contains(t, page, want)
	}
	look := s.ask(record.Look, "/books/lines/west").Body.String()
	require.NotContains(t, look, "<form")
	require.NotContains(t, s.ask(record.Look, "/books").Body.String(), `action="/books"`)
	require.Contains(t, s.ask(record.Look, "/books/stations/lake-07").Body.String(), `<a href="/books/sensors/h-12">h-12</a>`, "what is in it")
	require.Contains(t, s.ask(record.Look, "/books/sites/lake").Body.String(), `<a href="/books/stations/lake-07">lake-07</a>`)

	s.said("/api/v1/sensors/h-12/facts", `{"facts":[{"name":"station","value":"none","from":"2025-10-02T10:00:00Z"},{"name":"station","value":"lake-07","from":"2025-10-03"},
		{"name":"station","value":"lake-02","from":"2025-10-04"}]}`)
	page = s.ask(record.Look, "/books/stations/lake-07").Body.String()
	require.Contains(t, page, "until Thu 2 Oct 2025, 12:00")
	require.Contains(t, page, "3 October 2025 to 4 October 2025")
	require.Contains(t, s.ask(record.Look, "/books/stations/lake-02").Body.String(), "since 4 October 2025")

	for _, tt := range []struct {
		path  string
		form  []string
		field string
		want  string
	}{
		{"/books", []string{"what", "line.site", "id", "north", "value", "sea", "from", "always"}, "new-value", "There is no such site: add it first."},
		{"/books", []string{"what", "line.site", "id", "east", "value", "lake", "from", "always"}, "new-id", "It is in the books already"},
		{"/books", []string{"what", "line.site", "id", "No such", "value", "lake", "from", "always"}, "new-id", "Use 1 to 32 of a-z"},
		{"/books", []string{"what", "station.site", "id", "a", "value", "lake", "from", "always"}, "new-value", "Stations are enrolled"},
		{"/books", []string{"what", "nonsense", "id", "a", "value", "lake", "from", "always"}, "new-value", "Facts are about one of owner"},
		{"/books/stations/lake-02", []string{"name", "wires", "value", "two", "from", "always"}, "say-value", "Write a whole number from 1 to 32 (wires)."},
		{"/books/stations/lake-02", []string{"name", "wires", "value", "2", "from", "soon"}, "say-from", "Write a date such as"},
		{"/books/stations/lake-07", []string{"name", "site", "value", "quay", "from", "always"}, "say-value", "The line is on site lake and the station on quay"},
	} {
		w := s.post(tt.path, tt.form...)
		require.Equal(t, http.StatusUnprocessableEntity, w.Code, w.Body.String())
		body := w.Body.String()
		require.Contains(t, body, fmt.Sprintf(`id="%s-error">%s`, tt.field, tt.want))
		for i := 3; i < len(tt.form); i += 2 {
			require.Contains(t, body, fmt.Sprintf(`value="%s"`, tt.form[i]), "what was written stays")
		}
	}
	require.Equal(t, http.StatusNotFound, s.post("/books/lines/north", "name", "supply", "value", "ac", "from", "").Code)
	require.Equal(t, http.StatusBadRequest, s.post("/books", "colour", "red").Code)
}

// What people say is shown as text, in every place of the pages.
func TestHostileFactsAreText(t *testing.T) {
	s := newBookSite(t)
	s.fill()
	for _, f := range []fact.Fact{
		{Subject: fact.Subject{Kind: fact.KindOwner, ID: "ida"}, Name: fact.Name, Value: hostileName},
		{Subject: fact.Subject{Kind: fact.KindLine, ID: "east"}, Name: fact.Name, Value: hostileSpot},
		{Subject: fact.Subject{Kind: fact.KindSensor, ID: "h-12"}, Name: fact.Place, Value: hostileSpot},
	} {
		f.Author, f.From, f.Recorded = hostileName, fact.Always, siteNow
		require.NoError(t, s.store.AddFacts(t.Context(), []fact.Fact{f}))
	}
	for _, path := range []string{"/books", "/books/owners/ida", "/books/lines/east", "/books/sensors/h-12", "/books/stations/lake-07", "/books/sites/lake"} {
		body := s.ask(record.Run, path).Body.String()
		require.NotContains(t, body, "<script", path)
		require.NotContains(t, body, "<img", path)
	}
	w := s.post("/books/lines/east", "name", "supply", "value", hostileSpot, "from", hostileName)
	require.Equal(t, http.StatusUnprocessableEntity, w.Code)
	require.NotContains(t, w.Body.String(), "<script")
	require.NotContains(t, w.Body.String(), "<img")
}

func TestRetiredStationsStayInTheBooks(t *testing.T) {
	s := newBookSite(t)
	require.NoError(t, s.store.Retire(t.Context(), "lake-02", siteNow, "Ruth"))
	require.Contains(t, s.ask(record.Look, "/books").Body.String(), "gatehouse · retired")
	require.Contains(t, s.ask(record.Look, "/books/stations/lake-02").Body.String(), "Retired since")
}

// Every fact has its words.
func TestFactsHaveWords(t *testing.T) {
	s := newBookSite(t)
	s.fill()
	for path, kind := range map[string]string{
		"owners/ida": fact.KindOwner, "sites/lake": fact.KindSite, "lines/east": fact.KindLine, "stations/lake-07": fact.KindStation, "sensors/h-12": fact.KindSensor,
	} {
		body := s.ask(record.Work, "/books/"+path).Body.String()
		for _, name := range fact.Names(kind) {
			require.Regexp(t, `<option value="`+name+`">[^<]+</option>`, body, name)
		}
		require.NotContains(t, body, "<dt><b></b></dt>")
	}
}
