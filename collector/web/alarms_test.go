package web_test

import (
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/finding"
)

const silentAlarm = "lake-15:silent:1"

// silentSite has one station that fell silent, and one that did not.
func silentSite(t *testing.T) *bookSite {
	t.Helper()
	boxes := siteBoxes()
	return bookSiteOf(t, []box{boxes[0], boxes[3]})
}

// silent is the alarm of the silent station as the store has it.
func (s *bookSite) silent() alarm.Occurrence {
	s.t.Helper()
	all, err := s.store.Occurrences(s.t.Context(), "lake-15")
	require.NoError(s.t, err)
	for _, o := range all {
		if o.Finding.Kind == finding.Silent {
			return o
		}
	}
	require.Fail(s.t, "no silent station")
	return alarm.Occurrence{}
}

// holds are those of the silent station.
func (s *bookSite) holds() []alarm.Hold {
	s.t.Helper()
	holds, err := s.store.AlarmHolds(s.t.Context(), siteNow)
	require.NoError(s.t, err)
	return slices.DeleteFunc(holds, func(h alarm.Hold) bool { return h.Station != "lake-15" })
}

func (s *bookSite) posted(path string, pairs ...string) {
	s.t.Helper()
	w := s.post(path, pairs...)
	require.Equal(s.t, http.StatusSeeOther, w.Code, w.Body.String())
	require.Equal(s.t, "/alarms", w.Header().Get("Location"))
}

func TestAlarmForms(t *testing.T) {
	s := silentSite(t)
	require.Equal(t, alarm.Unacknowledged, s.silent().State)
	require.Contains(t, s.ask(record.Work, "/alarms").Body.String(), `action="/alarms/see"`)
	require.NotContains(t, s.ask(record.Look, "/alarms").Body.String(), `method="post" action="/alarms/`, "who only looks has no buttons")

	for _, path := range []string{"/alarms/see", "/alarms/put-aside"} {
		require.Contains(t, s.ask(record.Work, "/stations/lake-15").Body.String(), `action="`+path+`"><input type="hidden" name="id" value="`+silentAlarm+`"`)
		require.NotContains(t, s.ask(record.Look, "/stations/lake-15").Body.String(), path+`"`)
	}

	s.posted("/alarms/see", "id", silentAlarm)
	require.NotContains(t, s.ask(record.Work, "/stations/lake-15").Body.String(), `action="/alarms/see"`)
	require.Equal(t, alarm.Acknowledged, s.silent().State)

	s.posted("/alarms/put-aside", "id", silentAlarm, "days", "30", "why", "the mast is down")
	require.Equal(t, alarm.Shelved, s.silent().State)
	holds := s.holds()
	require.Len(t, holds, 1)
	require.Equal(t, siteNow.Add(30*day), holds[0].Until, "it always ends")
	require.Equal(t, []string{"lake-15", "work (token)", "the mast is down"}, []string{holds[0].Station, holds[0].Who, holds[0].Why})
	require.Contains(t, s.ask(record.Look, "/alarms").Body.String(), "the mast is down")

	s.posted("/alarms/bring-back", "id", "lake-15:silent")
	require.NotEqual(t, alarm.Shelved, s.silent().State)

	s.posted("/alarms/out-of-service", "id", "lake-15", "kind", "", "why", "rebuilt in the shed")
	require.Equal(t, alarm.OutOfService, s.silent().State)
	s.posted("/alarms/in-service", "id", "lake-15")
	require.NotEqual(t, alarm.OutOfService, s.silent().State)
	s.posted("/alarms/out-of-service", "id", "lake-15", "kind", "silent", "why", "rebuilt in the shed")
	require.Equal(t, alarm.OutOfService, s.silent().State)

	var deeds []string
	for _, e := range s.object("/api/v1/alarms/"+silentAlarm, "Alarm")["events"].([]any) {
		x := e.(map[string]any)
		require.NotEmpty(t, x["who"])
		require.NotEmpty(t, x["at"])
		deeds = append(deeds, x["to"].(string))
	}
	require.Contains(t, deeds, string(alarm.Acknowledged))
	require.Contains(t, deeds, string(alarm.Shelved))
	require.Contains(t, deeds, string(alarm.OutOfService))
}

func TestAlarmFormsRefuse(t *testing.T) {
	s := silentSite(t)
	before := s.silent()
	for _, c := range []struct {
		path  string
		pairs []string
		says  string
	}{
		{"see", []string{"id", "lake-15:silent:9"}, "lake-15:silent:9"},
		{"see", []string{"id", "lake-15:damp-feet:1"}, "kinds are"},
		{"reset", []string{"id", silentAlarm, "why", "x"}, silentAlarm},
		{"put-aside", []string{"id", silentAlarm, "days", "0", "why", "x"}, "choose 1 to 30 days"},
		{"put-aside", []string{"id", silentAlarm, "days", "31", "why", "x"}, "choose 1 to 30 days"},
		{"put-aside", []string{"id", silentAlarm, "days", "", "why", "x"}, "choose 1 to 30 days"},
		{"put-aside", []string{"id", silentAlarm, "days", "7", "why", " "}, "say why"},
		{"put-aside", []string{"id", silentAlarm, "days", "7", "why", strings.Repeat("x", 501)}, "write at most 500 characters"},
		{"put-aside", []string{"id", "lake-15", "days", "7", "why", "x"}, "name the kind"},
		{"bring-back", []string{"id", "lake-15:silent"}, "it is not put aside"},
		{"out-of-service", []string{"id", "lake-15", "kind", "", "why", ""}, "say why"},
		{"out-of-service", []string{"id", "lake-99", "kind", "", "why", "x"}, "there is no such station"},
		{"in-service", []string{"id", "lake-15"}, "it is not out of service"},
	} {
		w := s.post("/alarms/"+c.path, c.pairs...)
		require.Equal(t, http.StatusUnprocessableEntity, w.Code, "%s %q", c.path, c.pairs)
		require.Contains(t, w.Body.String(), c.says, "%s %q", c.path, c.pairs)
		require.Contains(t, w.Body.String(), `role="alert"`)
	}
	put := "/api/v1/alarms/" + silentAlarm + "/put-aside"
	for _, until := range []time.Time{siteNow.Time(), siteNow.Add(30*day + time.Second).Time()} {
		w := s.say(put, `{"why":"x","until":"`+until.UTC().Format(time.RFC3339)+`"}`)
		require.Equal(t, http.StatusBadRequest, w.Code)
		require.Contains(t, w.Body.String(), "at most 30 days from now")
	}
	s.refuses(put, `{"why":"","until":"`+siteNow.Add(day).Time().UTC().Format(time.RFC3339)+`"}`, "why", "", "say why")
	for _, path := range []string{"see", "reset", "put-aside", "bring-back", "out-of-service", "in-service"} {
		pairs := form("id", silentAlarm, "days", "7", "why", "x")
		look := s.do(t, call{method: "POST", path: "/alarms/" + path, form: pairs, headers: s.tokens[record.Look]})
		require.Equal(t, http.StatusForbidden, look.Code, path)
		api := "/api/v1/alarms/" + silentAlarm + "/" + path
		require.Equal(t, http.StatusForbidden, s.do(t, call{method: "POST", path: api, json: `{"why":"x"}`, headers: s.tokens[record.Look]}).Code, path)
		require.Equal(t, http.StatusUnauthorized, s.do(t, call{method: "POST", path: api, json: `{"why":"x"}`}).Code, path)
	}
	require.Equal(t, before, s.silent(), "nothing refused has changed anything")
	require.Empty(t, s.holds())
}

// ended adds n alarms of the silent station that ended unseen, an hour apart, the
// last one an hour ago.
func (s *site) ended(t *testing.T, n int) {
	t.Helper()
	var c record.AlarmChange
	for i := range n {
		at := ago(time.Duration(n-i) * time.Hour)
		c.Occurrences = append(c.Occurrences, alarm.Occurrence{
			Station: "lake-15", Number: int64(100 + i), State: alarm.Returned, Told: true,
			Finding: finding.Finding{Kind: finding.NoCurrent, From: at.Add(-time.Hour), Concluded: at, To: at},
		})
	}
	require.NoError(t, s.store.ChangeAlarms(t.Context(), c))
}

// unseen are the alarms that are over, and that nobody has seen.
func (s *bookSite) unseen() (ids []string) {
	s.t.Helper()
	list, err := books.Alarms{AlarmStore: s.store}.List(s.t.Context(), siteNow)
	require.NoError(s.t, err)
	for i := range list.Over {
		ids = append(ids, list.Over[i].ID())
	}
	return ids
}

// What nobody looks at for years neither fills the page nor has to be seen one by
// one.
func TestManyAlarmsThatAreOver(t *testing.T) {
	s := silentSite(t)
	require.NotContains(t, s.ask(record.Work, "/alarms").Body.String(), `action="/alarms/see-ended"`)
	s.ended(t, 150)
	page := s.ask(record.Work, "/alarms").Body.String()
	require.Equal(t, 100, strings.Count(page, `action="/alarms/see"><input type="hidden" name="id" value="lake-15:no_current:`))
	require.Contains(t, page, `value="lake-15:no_current:249"`)
	require.NotContains(t, page, `value="lake-15:no_current:149"`)
	require.Contains(t, page, "The newest 100 of 150.")
	require.Contains(t, page, `name="before" type="date" value="2025-10-26"`)
	require.NotContains(t, s.ask(record.Look, "/alarms").Body.String(), "see-ended")

	for _, before := range []string{"", "2025-02-30", "yesterday"} {
		w := s.post("/alarms/see-ended", "before", before)
		require.Equal(t, http.StatusUnprocessableEntity, w.Code, before)
		require.Contains(t, w.Body.String(), "write a date, such as 2025-04-30")
	}
	w := s.post("/alarms/see-ended", "before", "2025-10-01")
	require.Equal(t, http.StatusUnprocessableEntity, w.Code)
	require.Contains(t, w.Body.String(), "choose a later day")
	require.Contains(t, w.Body.String(), `name="before" type="date" value="2025-10-01"`)
	look := s.do(t, call{method: "POST", path: "/alarms/see-ended", form: form("before", "2025-10-26"), headers: s.tokens[record.Look]})
	require.Equal(t, http.StatusForbidden, look.Code)
	require.Len(t, s.unseen(), 150)

	s.posted("/alarms/see-ended", "before", "2025-10-26") // in CEST: 8 hours ago
	left := s.unseen()
	require.Len(t, left, 8)
	require.Equal(t, []string{"lake-15:no_current:249", "lake-15:no_current:242"}, []string{left[0], left[7]})
	require.NotContains(t, s.ask(record.Work, "/alarms").Body.String(), "The newest")
	require.Equal(t, alarm.Unacknowledged, s.silent().State, "what lasts stays")
	events := s.object("/api/v1/alarms/lake-15:no_current:100", "Alarm")["events"].([]any)
	require.Len(t, events, 1)
	require.Equal(t, "work (token)", events[0].(map[string]any)["who"])
	require.Contains(t, s.ask(record.Run, "/audit").Body.String(), "has seen many alarms at once: 142 that ended before 2025-10-25T22:00:00Z")
	require.Contains(t, s.ask(record.Run, "/audit").Body.String(), "work (token)")
}
