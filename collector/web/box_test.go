package web_test

import (
	"encoding/json"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/fact"
)

// A station's answer tells the line that it shares, what was seen and done at
// visits, and a visit can be compared around.
func TestWhatStandsBesideAStation(t *testing.T) {
	s := newBookSite(t)
	about := func(kind, id string) fact.Subject { return fact.Subject{Kind: kind, ID: id} }
	said := func(subject fact.Subject, name, value string) fact.Fact {
		return fact.Fact{Subject: subject, Name: name, Value: value, From: siteNow.Add(-day), Author: "Ida", Recorded: siteNow}
	}
	require.NoError(t, s.store.AddFacts(t.Context(), []fact.Fact{
		said(about(fact.KindLine, "gate"), fact.Site, "lake"), said(about(fact.KindLine, "gate"), fact.CurrentSensor, "lake-02"),
		said(about(fact.KindStation, "lake-02"), fact.Line, "gate"), said(about(fact.KindStation, "lake-07"), fact.Line, "gate"),
	}))
	w := s.say("/api/v1/visits/1", `{"states":[{"state":"done","at":"2025-10-23T10:00:00Z","without_card":"it talks"}]}`)
	require.Equal(t, http.StatusCreated, w.Code, w.Body.String())
	id := s.visit(record.Look, "1")["station"].(string)

	answer := func(path string) (v map[string]any) {
		d := json.NewDecoder(s.ask(record.Look, path).Body)
		d.UseNumber()
		require.NoError(t, d.Decode(&v))
		return v
	}
	check := schemas{t, answer("/api/v1/openapi.json")}
	got := answer("/api/v1/stations/" + id)
	check.check("station", map[string]any{"$ref": "#/components/schemas/StationInFull"}, got)
	require.Equal(t, map[string]any{"id": "gate", "stations": []any{"lake-02", "lake-07"}, "current_sensor": "lake-02"}, got["line"])
	require.Len(t, got["corrosion_seen"], 2)
	require.Equal(t, []any{"dried", "entry-sealed"}, got["last_repair"].(map[string]any)["work"])
	compared := answer("/api/v1/stations/" + id + "/comparison?visit=1")
	check.check("comparison", map[string]any{"$ref": "#/components/schemas/Compared"}, compared)
	require.Nil(t, compared["at_risk"].(map[string]any)["before"].(map[string]any)["from"], "not known before")

	for query, fix := range map[string]string{
		"?visit=2": "work on the box that is done", "?visit=0": "", "?visit=x": "", "?visit=1&before=2025-10-20..2025-10-24": "or for two periods",
	} {
		w := s.do(t, call{method: "GET", path: "/api/v1/stations/" + id + "/comparison" + query, headers: s.tokens[record.Look]})
		require.Equal(t, http.StatusBadRequest, w.Code, query)
		require.Contains(t, w.Body.String(), fix)
	}

	page := s.ask(record.Look, "/stations/"+id).Body.String()
	for _, text := range []string{"Corrosion seen at visit 1, 20 October 2025: board moderate, contacts trace.", "Since the visit of 23 October 2025 (dried, entry sealed): not enough is known yet", "<dt>Line</dt><dd>gate, which also feeds Lake "} {
		require.Contains(t, page, text)
	}
}
