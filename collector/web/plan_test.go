package web_test

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
)

// planned waits for the plan that is being made.
func (s *bookSite) planned() map[string]any {
	s.t.Helper()
	state := s.object("/api/v1/plan/round?wait=true", "RoundState")
	require.Equal(s.t, false, state["running"])
	return state
}

func TestRoundsByProgram(t *testing.T) {
	s := newBookSite(t)
	require.Equal(t, http.StatusNoContent, s.say("/api/v1/stations/lake-07/symptoms", `{"kind":"ghost-calls"}`).Code)
	needs := s.items(record.Look, "/api/v1/plan/needs", "StationNeeds")
	require.Len(t, needs, 2)
	require.Equal(t, "lake-07", needs[0]["station"])
	require.Equal(t, http.StatusConflict, s.say("/api/v1/plan/round/take", `{}`).Code, "there is no plan yet")

	s.said("/api/v1/plan/round", `{"first":"2025-11-10","weeks":9}`)
	require.Contains(t, s.planned()["failed"], `Weeks "9": plan one to eight weeks.`)
	s.refuses("/api/v1/plan/settings", `{"speed":"9"}`, "setting", "speed")
	s.said("/api/v1/plan/settings", `{"lat":"60.5","lon":"20.5","range_min":"1440","speed_kmh":"100"}`)
	s.refuses("/api/v1/plan/wishes", `{"station":"nobody","wish":"in"}`, "station", "nobody")
	s.said("/api/v1/plan/wishes", `{"station":"lake-02","wish":"in"}`)
	s.refuses("/api/v1/plan/bookings", `{"day":"2025-11-11","from":"12:00","to":"11:00"}`, "to", "11:00")
	s.said("/api/v1/plan/bookings", `{"day":"2025-11-11","from":"11:00","to":"12:00","note":"a < b"}`)
	require.Equal(t, http.StatusUnsupportedMediaType, s.send("/api/v1/plan/legs", "text/plain", nil).Code)
	require.Equal(t, http.StatusBadRequest, s.send("/api/v1/plan/legs", "text/csv", []byte("from,to\n")).Code)
	require.Equal(t, http.StatusOK, s.send("/api/v1/plan/legs", "text/csv", []byte("from,to,minutes\nworkshop,lake,30\n")).Code)
	said := s.object("/api/v1/plan", "PlanSaid")
	require.Equal(t, "2", said["legs"].(interface{ String() string }).String())

	s.said("/api/v1/plan/round", `{"first":"2025-11-10","weeks":1,"seed":1}`)
	state := s.planned()
	require.Nil(t, state["failed"])
	plan := state["plan"].(map[string]any)
	require.NotEmpty(t, plan["days"])
	w := s.say("/api/v1/plan/round/take", `{}`)
	require.Equal(t, http.StatusOK, w.Code, w.Body.String())
	require.Contains(t, w.Body.String(), `{"visits":[`)
	s.said("/api/v1/plan/round/stop", `{}`)
	s.said("/api/v1/plan/bookings/1/remove", `{}`)
	s.refuses("/api/v1/plan/bookings/1/remove", `{}`, "booking", "1")
	require.Equal(t, http.StatusNotFound, s.say("/api/v1/plan/bookings/x/remove", `{}`).Code)
	for _, path := range []string{"/plan", "/plan/round", "/api/v1/plan", "/api/v1/plan/needs", "/api/v1/plan/round"} {
		w := s.do(t, call{method: "GET", path: path + "?colour=red", headers: s.tokens[record.Look]})
		require.Equal(t, http.StatusBadRequest, w.Code, path)
	}
	for _, path := range []string{"round", "round/stop", "round/take", "settings", "wishes", "bookings", "bookings/1/remove"} {
		require.Equal(t, http.StatusBadRequest, s.say("/api/v1/plan/"+path, `[]`).Code, path)
	}
	trail := s.ask(record.Run, "/audit").Body.String()
	for _, text := range []string{"set of rounds lat 60.5", "wants of the next round lake-02: in", "booked time on 2025-11-11", "put in measured driving, legs: 2"} {
		require.Contains(t, trail, text)
	}
}

func TestRoundsByForm(t *testing.T) {
	s := newBookSite(t)
	require.Equal(t, http.StatusNoContent, s.say("/api/v1/stations/lake-07/symptoms", `{"kind":"ghost-calls","note":"at night"}`).Code)
	page := s.ask(record.Look, "/plan")
	text := textOf(page.Body.String())
	require.Contains(t, text, "Somebody reported ghost-calls on")
	require.Contains(t, text, "the board’s life ends")
	require.NotContains(t, page.Body.String(), "<form class=\"sheet\"", "who may only look has no forms")
	require.Contains(t, textOf(s.ask(record.Look, "/plan/round").Body.String()), "Nothing is booked.")

	done := func(where, path string, pairs ...string) {
		t.Helper()
		w := s.post(path, pairs...)
		require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
		require.Equal(t, where, w.Header().Get("Location"))
	}
	refused := func(path, fix string, pairs ...string) {
		t.Helper()
		w := s.post(path, pairs...)
		require.Equal(t, http.StatusBadRequest, w.Code)
		require.Contains(t, textOf(w.Body.String()), fix)
	}
	done("/plan/round", "/plan/round", "first", "2025-11-10", "weeks", "1", "seed", "1")
	require.Contains(t, s.planned()["failed"], "say where the workshop is")
	require.Contains(t, textOf(s.ask(record.Work, "/plan/round").Body.String()), "No plan could be made.")
	done("/plan/round", "/plan/settings", "lat", "60.5", "lon", "20.5", "open", "08:00")
	done("/plan/round", "/plan/legs", "table", "from,to,minutes\nworkshop,lake,30\n")
	done("/plan#lake-02", "/plan/wish", "station", "lake-02", "wish", "on", "day", "2025-11-11")
	require.Contains(t, textOf(s.ask(record.Look, "/plan").Body.String()), "Wanted on 2025-11-11.")
	done("/plan#lake-07", "/plan/wish", "station", "lake-07", "wish", "out", "day", "2025-11-11")
	require.Contains(t, textOf(s.ask(record.Look, "/plan").Body.String()), "Not in the next round, as a person said.")
	done("/plan/round", "/plan/book", "day", "2025-11-11", "from", "15:00", "to", "16:00", "note", "<b>meter</b>")
	done("/plan/round", "/plan/round", "first", "2025-11-10", "weeks", "1", "seed", "")
	require.Nil(t, s.planned()["failed"])
	body := s.ask(record.Work, "/plan/round").Body.String()
	require.NotContains(t, body, "<b>meter</b>")
	text = textOf(body)
	for _, want := range []string{"Tuesday 11 November 2025", "A person wants it on this day.", "Time that is booked", "Left out: 1", "Visit 1 is under-way: somebody is at it already.", "Write these down as visits"} {
		require.Contains(t, text, want)
	}
	done("/visits", "/plan/round/take")
	require.Contains(t, textOf(s.ask(record.Look, "/plan").Body.String()), "Visit 2, on site, planned, 2025-11-11")
	done("/plan/round", "/plan/round/stop")
	done("/plan/round", "/plan/unbook", "booking", "1")
	done("/plan#lake-07", "/plan/wish", "station", "lake-07", "wish", "in")
	require.Contains(t, textOf(s.ask(record.Look, "/plan").Body.String()), "Wanted in the next round.")

	refused("/plan/unbook", "there is no such booking", "booking", "1")
	refused("/plan/unbook", "take its number from the list", "booking", "x")
	refused("/plan/round", "plan one to eight weeks", "weeks", "x")
	refused("/plan/round", "write a whole number", "weeks", "1", "seed", "x")
	refused("/plan/book", "write a date", "day", "x", "from", "1", "to", "2")
	refused("/plan/settings", "write a time of day", "open", "8")
	refused("/plan/legs", "write the id of a site", "table", "from,to,minutes\nworkshop,moon,30\n")
	refused("/plan/wish", "use one of on, in, out", "station", "lake-07", "wish", "maybe")
	for _, path := range []string{"wish", "round", "round/stop", "round/take", "book", "unbook", "settings", "legs"} {
		refused("/plan/"+path, "", "colour", "red")
	}
}
