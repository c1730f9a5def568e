package web_test

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/collector/web"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

func TestExports(t *testing.T) {
	s := newGuardedSite(t)
	sign := func(name, password string) []*http.Cookie { return []*http.Cookie{s.signIn(t, name, password)} }
	work, run := sign("Will", workers), sign("Ruth", runners)
	get := func(path string, as []*http.Cookie) *httptest.ResponseRecorder {
		return s.do(t, call{method: "GET", path: path, cookies: as})
	}
	require.NoError(t, s.store.AddFacts(t.Context(), []fact.Fact{said(fact.KindOwner, "ida", fact.Name, "Ida Example")}))

	page := get("/export", work).Body.String()
	require.Contains(t, page, `<h2 id="findings">findings</h2>`)
	require.Contains(t, page, `<option value="lp">line protocol</option>`)
	require.NotContains(t, page, `id="owners"`)
	require.Contains(t, get("/export", run).Body.String(), `id="owners"`)

	w := get("/api/v1/export/readings?station=lake-07&format=lp&from=2025-10-26T00:00:00Z", work)
	require.Equal(t, http.StatusOK, w.Code)
	require.Equal(t, "text/plain; charset=utf-8", w.Header().Get("Content-Type"))
	require.Equal(t, `attachment; filename="readings-lake-07.lp"`, w.Header().Get("Content-Disposition"))
	require.True(t, strings.HasPrefix(w.Body.String(), "reading,station=lake-07"))
	w = get("/api/v1/export/hours?station=lake-07", work)
	rows, err := csv.NewReader(w.Body).ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(rows), 1000)
	for line := range strings.Lines(get("/api/v1/export/facts?format=jsonl", work).Body.String()) {
		require.True(t, json.Valid([]byte(line)))
		require.NotContains(t, line, "Ida")
	}
	require.Contains(t, get("/api/v1/export/facts", run).Body.String(), "owner,ida,name,always,Ida Example,")
	require.Equal(t, http.StatusForbidden, get("/api/v1/export/owners", work).Code)
	require.Equal(t, http.StatusForbidden, get("/api/v1/export/audit", work).Code)
	require.Contains(t, get("/api/v1/export/owners", run).Body.String(), "Ida Example")
	require.Contains(t, get("/api/v1/export/audit", run).Body.String(), ",enrol,lake-07\n")
	require.Equal(t, "kind,subject,name,from,value,author,recorded\n", get("/api/v1/export/facts?from=2190-01-01T00:00:00Z", run).Body.String())

	head := s.do(t, call{method: "HEAD", path: "/api/v1/export/facts", cookies: run})
	require.Equal(t, http.StatusOK, head.Code)
	require.Empty(t, head.Body.String())
	require.Equal(t, "text/csv; charset=utf-8; header=present", head.Header().Get("Content-Type"))
	for path, says := range map[string]string{
		"/api/v1/export/secrets":             "There is no such export",
		"/api/v1/export/facts?format=lp":     "facts can be had as csv or jsonl",
		"/api/v1/export/facts?format=xml":    "use one of csv, jsonl, lp",
		"/api/v1/export/readings":            "name one",
		"/api/v1/export/readings?station=no": "there is no such station",
		"/api/v1/export/findings?from=2025-01-02T00:00:00Z&to=2025-01-01T00:00:00Z": "let it be after from",
	} {
		w := get(path, run)
		require.GreaterOrEqual(t, w.Code, 400, path)
		require.Contains(t, w.Body.String(), says, path)
		require.Equal(t, "application/problem+json", w.Header().Get("Content-Type"))
	}
}

func said(kind, id, name, value string) fact.Fact {
	return fact.Fact{Subject: fact.Subject{Kind: kind, ID: id}, Name: name, From: fact.Always, Value: value, Author: "workshop", Recorded: siteNow}
}

// dying is a store that breaks after so many rows.
type dying struct {
	*store.Store
	rows int
}

var errDying = errors.New("the disk is gone")

func (d *dying) Rows(ctx context.Context, table string, want record.Want, row func([]any) error) error {
	for range d.rows {
		if err := row([]any{"fact", "x", "name", unit.Instant(1), strings.Repeat("v", 200), "a", unit.Instant(2)}); err != nil {
			return err
		}
	}
	return errDying
}

// An export that fails before anything is sent is an error; later it is broken
// off, and doesn't look whole.
func TestExportThatFails(t *testing.T) {
	s := newSite(t, siteBoxes()[:1])
	with := func(rows int) http.Handler {
		h, err := web.New(web.Config{
			View: s.view, Ready: func(context.Context) error { return nil }, Metrics: http.NotFoundHandler(), Everybody: record.Run,
			Export: &dying{s.store, rows},
		})
		require.NoError(t, err)
		return h
	}
	few := &site{handler: with(3)}
	require.Equal(t, http.StatusInternalServerError, few.do(t, call{method: "GET", path: "/api/v1/export/facts"}).Code)
	many := &site{handler: with(1000)}
	require.PanicsWithValue(t, http.ErrAbortHandler, func() { many.do(t, call{method: "GET", path: "/api/v1/export/facts"}) })
	none, err := web.New(web.Config{View: s.view, Ready: func(context.Context) error { return nil }, Metrics: http.NotFoundHandler(), Everybody: record.Run})
	require.NoError(t, err)
	for _, path := range []string{"/export", "/erase", "/api/v1/export", "/api/v1/erasures"} {
		require.Equal(t, http.StatusNotFound, (&site{handler: none}).do(t, call{method: "GET", path: path}).Code, path)
	}
}

func TestErasing(t *testing.T) {
	s := newGuardedSite(t)
	run := []*http.Cookie{s.signIn(t, "Ruth", runners)}
	post := func(form map[string][]string) *httptest.ResponseRecorder {
		return s.do(t, call{method: "POST", path: "/erase", form: form, cookies: run})
	}
	require.NoError(t, s.store.AddFacts(t.Context(), []fact.Fact{
		said(fact.KindOwner, "ida", fact.Name, "Ida <Example>"), said(fact.KindOwner, "otto", fact.Name, "Otto Post"), said(fact.KindOwner, "ruth", fact.Name, "Ruth Kay"),
		said(fact.KindSite, "lake", fact.Owner, "ida"), said(fact.KindStation, "lake-07", fact.Name, "At <Example>'s"),
	}))
	require.Contains(t, s.do(t, call{method: "GET", path: "/erase?owner=ida", cookies: run}).Body.String(), `name="owner" type="text" value="ida"`)

	w := post(form("owner", "ida", "also", "boathouse; ", "keep_words", "", "keep_ids", "ida"))
	require.Equal(t, http.StatusOK, w.Code, w.Body.String())
	require.Contains(t, w.Body.String(), "Nothing was changed yet. 1 facts would be deleted, 3 texts changed:")
	require.Contains(t, w.Body.String(), `<q>At &lt;Example&gt;&#39;s</q> becomes <q>At &lt;(erased)&gt;&#39;s</q>`)
	require.Contains(t, w.Body.String(), `<input type="hidden" name="also" value="boathouse; ">`)
	w = post(form("owner", "ida", "also", "boathouse; ", "keep_words", "", "keep_ids", "ida", "confirm", "idaa"))
	require.Equal(t, http.StatusUnprocessableEntity, w.Code)
	require.Contains(t, w.Body.String(), "once more")
	require.Contains(t, w.Body.String(), "Erase for good")
	w = post(form("owner", "ida", "also", "boathouse; ", "keep_words", "", "keep_ids", "ida", "confirm", "ida"))
	require.Equal(t, http.StatusOK, w.Code, w.Body.String())
	require.Contains(t, w.Body.String(), "Owner ida: 1 facts deleted, 3 texts changed.")
	require.NotContains(t, w.Body.String(), "Example")
	require.Contains(t, w.Body.String(), "off the disk")
	facts, err := s.store.Facts(t.Context(), fact.Subject{Kind: fact.KindStation, ID: "lake-07"})
	require.NoError(t, err)
	require.NotContains(t, facts, "boathouse")

	w = post(form("owner", "ida"))
	require.Equal(t, http.StatusUnprocessableEntity, w.Code)
	require.Contains(t, w.Body.String(), "the owner was erased already")
	w = post(form("owner", "nobody"))
	require.Equal(t, http.StatusNotFound, w.Code)
	w = post(form("owner", "ruth"))
	require.Equal(t, http.StatusUnprocessableEntity, w.Code)
	require.Contains(t, w.Body.String(), "account Ruth")

	read := func(path string) (v any) {
		d := json.NewDecoder(s.do(t, call{method: "GET", path: path, cookies: run}).Body)
		d.UseNumber()
		require.NoError(t, d.Decode(&v))
		return v
	}
	api := func(body string) *httptest.ResponseRecorder {
		return s.do(t, call{method: "POST", path: "/api/v1/erasures", json: body, cookies: run})
	}
	require.Contains(t, api(`{"owner":"ruth","confirm":"ruth"}`).Body.String(), `"field":"id","value":"account Ruth`)
	require.Equal(t, http.StatusNotFound, api(`{"owner":"nobody","dry_run":true}`).Code)
	require.Equal(t, http.StatusBadRequest, api(`{"owner":"otto"}`).Code)
	check := schemas{t, read("/api/v1/openapi.json").(map[string]any)}
	for _, body := range []string{`{"owner":"otto","dry_run":true,"keep_ids":["otto"]}`, `{"owner":"otto","confirm":"otto","keep_ids":["otto"]}`} {
		w := api(body)
		require.Equal(t, http.StatusOK, w.Code, w.Body.String())
		var v any
		d := json.NewDecoder(w.Body)
		d.UseNumber()
		require.NoError(t, d.Decode(&v))
		check.check("report", map[string]any{"$ref": "#/components/schemas/EraseReport"}, v)
	}
	list := read("/api/v1/erasures").(map[string]any)
	check.check("erasures", map[string]any{"$ref": "#/components/schemas/Erasures"}, list)
	require.Len(t, list["items"], 2)
	check.check("exports", map[string]any{"$ref": "#/components/schemas/Exports"}, read("/api/v1/export"))
	audit := s.do(t, call{method: "GET", path: "/audit", cookies: run}).Body.String()
	require.Contains(t, audit, "erased owner ida")
	require.NotContains(t, audit, "Example")
	w = s.do(t, call{method: "POST", path: "/erase/finish", form: form(), cookies: run})
	require.Equal(t, http.StatusSeeOther, w.Code)
}
