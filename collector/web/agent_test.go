package web_test

import (
	"bytes"
	"encoding/json"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/unit"
)

// report is what the agent of lake-02 says, in full.
const report = `{"run":"9f31c2aa07de4410","conn":3,"version":"0.1.0","uptime_s":7200,
"clock":{"now":"2026-05-01T10:00:00Z","set":true,"synchronised":false,"jumps":1,"drift_ppm":12.5},
"readings":{"sampled":120,"receipted":110,"queued":9,"waiting":0,"discarded":{"io":1}},
"spool":{"bytes":60000000,"max_bytes":67108864,"max_days":7,"last":120,"upto":110,"oldest_at":"2026-05-01T09:50:00Z"},
"sensors":[{"driver":"sht4x","channels":["inside_temp_c","inside_rh_pct"],"serial":"A12345","calibrated":"2026-03-01","health":{"samples":600,"failed":90,"retries":180,"last_error":"checksum <differs>"}},
{"driver":"replay","channels":["board_temp_c"]}],"interval_s":60,
"link":{"connections":3,"deaf":1,"receipt_age_s":61,"interface":2,"reboots":1},
"board":{"disk_bytes":4000000000,"disk_free_bytes":40000000,"temp_c":82.4,"undervoltage":true},
"orders":{"answers":[],"refused":1}}`

// agentSays lets the agent of a station say something of itself.
func (s *site) agentSays(t *testing.T, station, body string) {
	t.Helper()
	st := record.State{Station: station, Body: []byte(body), At: unit.At(s.at)}
	require.NoError(t, json.Unmarshal(st.Body, &st.Report))
	kept, err := s.store.KeepStates(t.Context(), []record.State{st})
	require.NoError(t, err)
	require.Equal(t, 1, kept)
}

func TestAgentOfAStation(t *testing.T) {
	s := newBookSite(t)
	page := func() string { return s.ask(record.Look, "/stations/lake-02/agent").Body.String() }
	require.Contains(t, page(), "Nothing is known of it yet")
	require.Contains(t, s.ask(record.Look, "/stations/lake-02").Body.String(), `href="/stations/lake-02/agent"`)

	s.agentSays(t, "lake-02", report)
	for _, text := range []string{
		"The supply of its board is too low", "Its disk is nearly full: 40.0 MB of 4.0 GB are left.", "Its processor is at 82 °C",
		"Its clock is not synchronised", "Its spool is nearly full", "brought its network up anew 2 times and restarted once",
		"Of its sensor sht4x 90 of 600 samples failed", "It refused one order",
		"0.1.0, running for 2 h", "every 1 min", "60.0 MB of 67.1 MB, 7 days at most", "3 connections, 1 given up without a receipt", "anew 2×, machine restarted 1×", "120 readings, 110 of them safe here",
		"9 readings, the oldest for", "1 given up", "set, not synchronised, 1 jump", "too low", "serial A12345, calibrated 1 March 2026",
		"600 samples, 90 failed, 180 were tried again", "checksum &lt;differs&gt;", "1 min before it said this",
	} {
		require.Contains(t, page(), text)
	}
	require.Contains(t, s.ask(record.Look, "/stations/lake-02").Body.String(), "<p>The supply of its board is too low")
	require.NotContains(t, page(), "Give an order", "who may only look")
	var a, doc map[string]any
	answer := s.ask(record.Look, "/api/v1/stations/lake-02/agent").Body.Bytes()
	require.NoError(t, json.Unmarshal(answer, &a))
	require.NoError(t, json.Unmarshal(s.ask(record.Look, "/api/v1/openapi.json").Body.Bytes(), &doc))
	var exact map[string]any
	d := json.NewDecoder(bytes.NewReader(answer))
	d.UseNumber()
	require.NoError(t, d.Decode(&exact))
	(&schemas{t, doc}).check("agent", map[string]any{"$ref": "#/components/schemas/Agent"}, exact)
	require.Equal(t, 82.4, a["board"].(map[string]any)["temp_c"])
	require.Equal(t, 1.0, a["link"].(map[string]any)["reboots"])
	require.Len(t, a["mind"], 8)

	// Of another make: what can't be read is named, the rest stays.
	s.agentSays(t, "lake-02", `{"run":"9f31c2aa07de4410","conn":4,"board":"a small one","link":{"connections":4},"clock":{"set":false,"now":"1970-01-01T00:00:10Z"}}`)
	require.Contains(t, page(), "What can't be read of what it says: board.")
	require.Contains(t, page(), "4 connections")
	require.Contains(t, page(), "never needed")
	_, err := s.store.KeepStates(t.Context(), []record.State{{Station: "lake-02", At: unit.At(s.at), Report: record.Report{Run: "9f31c2aa07de4410", Conn: 4, Gone: true}}})
	require.NoError(t, err)
	require.Contains(t, page(), ", has left since</p>")
	require.Contains(t, page(), "It does not know the time")
}

func TestOrdersToAStation(t *testing.T) {
	s := newBookSite(t)
	const path = "/api/v1/stations/lake-02/orders"
	require.Empty(t, s.items(record.Look, path, "Orders"))
	require.Contains(t, s.ask(record.Work, "/stations/lake-02/agent").Body.String(), "None in the last 31 days")
	s.said(path, `{"interval":"300s","valid":"2h"}`)
	for _, pair := range [][]string{{"heat", "3"}, {"identify_s", "60", "valid", "1h"}} {
		w := s.post("/stations/lake-02/orders", pair...)
		require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
		require.Equal(t, "/stations/lake-02/agent#orders", w.Header().Get("Location"))
	}
	items := s.items(record.Look, path, "Orders")
	require.Len(t, items, 3)
	require.Equal(t, []any{"waiting", "replaced", "replaced"}, []any{items[0]["state"], items[1]["state"], items[2]["state"]})
	require.Equal(t, "5m", items[2]["interval"])
	s.agentSays(t, "lake-02", `{"run":"9f31c2aa07de4410","conn":4,"orders":{"answers":[{"id":"`+items[0]["id"].(string)+
		`","at":"2026-05-01T10:00:00Z","error":"identify: the configuration names no lamp"},{"id":"`+items[2]["id"].(string)+`","at":"2026-05-01T10:00:01Z"}]}}`)
	page := s.ask(record.Work, "/stations/lake-02/agent").Body.String()
	for _, text := range []string{
		"A reading every 5m", "carried out", "3 pulses of the sensors’ heaters", "a later order took its place",
		"Blink for 60 s", "not carried out: identify: the configuration names no lamp", "Give an order", "By work",
	} {
		require.Contains(t, page, text)
	}
	require.Contains(t, s.ask(record.Run, "/audit").Body.String(), "gave an order to lake-02: interval 5m, until ")

	for _, c := range []struct{ path, body, field, fix string }{
		{"lake-02", `{}`, "order", "one thing"},
		{"lake-02", `{"interval":"5m","heat":1}`, "order", "one thing"},
		{"lake-02", `{"interval":"soon"}`, "interval", "24h"},
		{"lake-02", `{"interval":"25h"}`, "interval", "24h"},
		{"lake-02", `{"heat":31}`, "heat", "30"},
		{"lake-02", `{"identify_s":601}`, "identify_s", "600"},
		{"lake-02", `{"heat":1,"valid":"a day"}`, "valid", "24h"},
		{"lake-02", `{"heat":1,"valid":"0s"}`, "valid", "744h"},
		{"lake-99", `{"heat":1}`, "id", "/api/v1/stations"},
	} {
		w := s.say("/api/v1/stations/"+c.path+"/orders", c.body)
		require.Contains(t, []int{http.StatusBadRequest, http.StatusNotFound}, w.Code, c.body)
		require.Contains(t, w.Body.String(), `"`+c.field, c.body)
		require.Contains(t, w.Body.String(), c.fix, c.body)
	}
	require.Equal(t, http.StatusBadRequest, s.post("/stations/lake-02/orders", "heat", "warm").Code)
	require.Equal(t, http.StatusBadRequest, s.post("/stations/lake-02/orders", "heat", "99").Code)
	require.Equal(t, http.StatusBadRequest, s.post("/stations/lake-02/orders", "colour", "red").Code)
	require.Equal(t, http.StatusBadRequest, s.say(path, `{"colour":"red"}`).Code)
	for _, path := range []string{path, "/api/v1/stations/lake-02/agent", "/stations/lake-02/agent"} {
		require.Equal(t, http.StatusBadRequest, s.do(t, call{method: "GET", path: path + "?x=1", headers: s.tokens[record.Look]}).Code)
	}
	for _, path := range []string{"/api/v1/stations/lake-99/orders", "/api/v1/stations/lake-99/agent", "/stations/lake-99/agent"} {
		require.Equal(t, http.StatusNotFound, s.do(t, call{method: "GET", path: path, headers: s.tokens[record.Look]}).Code)
	}
	require.NoError(t, s.store.Retire(t.Context(), "lake-02", unit.At(s.at), "test"))
	require.Contains(t, s.say(path, `{"heat":1}`).Body.String(), "takes no orders")
	require.NotContains(t, s.ask(record.Work, "/stations/lake-02/agent").Body.String(), "Give an order")
}
