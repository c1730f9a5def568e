package web_test

import (
	"encoding/json"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
)

func TestSaltChecksOfAStation(t *testing.T) {
	s := newBookSite(t)
	const path = "/api/v1/stations/lake-02/salt-checks"
	require.Empty(t, s.items(record.Look, path, "SaltChecks"))
	require.Contains(t, s.ask(record.Work, "/stations/lake-02").Body.String(), "Not checked so far.")

	w := s.say(path, `{"salt":"nacl","temp_c":25,"reads_pct":85.3,"settled":"10h","at":"2020-05-01T09:00:00Z"}`)
	require.Equal(t, http.StatusOK, w.Code, w.Body.String())
	var got map[string]any
	require.NoError(t, json.Unmarshal(w.Body.Bytes(), &got))
	require.Equal(t, []any{"suspect", 75.3, -10.0, "NaCl"}, []any{got["verdict"], got["reference_pct"], got["offset_pct"], got["salt"]})
	w = s.post("/stations/lake-02/check-salt", "salt", "MgCl2", "temp_c", "25", "reads_pct", "33.4", "settled", "8h", "at", "2020-05-02T09:00:00Z")
	require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
	require.Equal(t, "/stations/lake-02#salt", w.Header().Get("Location"))
	s.said(path, `{"salt":"MgCl2","temp_c":25,"reads_pct":36.5}`)

	items := s.items(record.Look, path, "SaltChecks")
	require.Len(t, items, 3)
	require.Equal(t, []any{"offset", "sound", "suspect"}, []any{items[0]["verdict"], items[1]["verdict"], items[2]["verdict"]})
	require.NotNil(t, items[1]["two_salts"])
	page := s.ask(record.Look, "/stations/lake-02").Body.String()
	for _, text := range []string{"That is sound. With NaCl before: true = ", "It is in doubt: off by &#43;10.0", "Add −3.7"} {
		require.Contains(t, page, text)
	}
	require.NotContains(t, page, "Write down a check")
	require.Contains(t, s.ask(record.Work, "/stations/lake-02").Body.String(), "must not touch the sensor")
}

func TestWhatIsNoSaltCheck(t *testing.T) {
	s := newBookSite(t)
	for _, c := range []struct{ path, body, field, fix string }{
		{"lake-02", `{"salt":"NaBr","temp_c":25,"reads_pct":50}`, "salt", "NaCl"},
		{"lake-02", `{"salt":"NaCl","reads_pct":50}`, "temp_c", "number"},
		{"lake-02", `{"salt":"NaCl","temp_c":25}`, "reads_pct", "number"},
		{"lake-02", `{"salt":"NaCl","temp_c":70,"reads_pct":50}`, "temp_c", "50"},
		{"lake-02", `{"salt":"NaCl","temp_c":25,"reads_pct":0}`, "reads_pct", "119"},
		{"lake-02", `{"salt":"NaCl","temp_c":25,"reads_pct":75,"settled":"night"}`, "settled", "8h"},
		{"lake-02", `{"salt":"NaCl","temp_c":25,"reads_pct":75,"settled":"1h"}`, "settled", "8h"},
		{"lake-02", `{"salt":"NaCl","temp_c":25,"reads_pct":75,"at":"soon"}`, "at", "RFC 3339"},
		{"lake-02", `{"salt":"NaCl","temp_c":25,"reads_pct":75,"at":"2190-01-01"}`, "at", "ahead"},
		{"lake-02", `{"smell":1}`, "", ""},
		{"lake-99", `{"salt":"NaCl","temp_c":25,"reads_pct":75}`, "id", "Books"},
	} {
		w := s.say("/api/v1/stations/"+c.path+"/salt-checks", c.body)
		require.Contains(t, []int{http.StatusBadRequest, http.StatusNotFound}, w.Code, c.body)
		require.Contains(t, w.Body.String(), `"`+c.field, c.body)
		require.Contains(t, w.Body.String(), c.fix, c.body)
	}
	require.Equal(t, http.StatusBadRequest, s.post("/stations/lake-02/check-salt", "salt", "NaCl", "temp_c", "warm", "reads_pct", "75", "settled", "8h").Code)
	require.Equal(t, http.StatusBadRequest, s.post("/stations/lake-02/check-salt", "salt", "NaCl", "temp_c", "20", "reads_pct", "75", "settled", "1h").Code)
	require.Equal(t, http.StatusBadRequest, s.post("/stations/lake-02/check-salt", "colour", "red").Code)
	require.Equal(t, http.StatusBadRequest, s.do(t, call{method: "GET", path: "/api/v1/stations/lake-02/salt-checks?x=1", headers: s.tokens[record.Look]}).Code)
	require.Equal(t, http.StatusNotFound, s.do(t, call{method: "GET", path: "/api/v1/stations/lake-99/salt-checks", headers: s.tokens[record.Look]}).Code)
}
