package web_test

import (
	"encoding/json"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/link"
	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// seenPath is the address that a message's link has.
func seenPath() string {
	token, err := link.Token([]byte(messageKey), link.Seen{Event: "lake-07:board_wet:1", Person: "Ida"}, siteNow)
	if err != nil {
		panic(err)
	}
	return "/seen/" + token
}

// tell writes the message of an occurrence.
func (s *site) tell(t testing.TB, o alarm.Occurrence) {
	t.Helper()
	body, err := json.Marshal(record.MessageBody{Station: o.Station, Kind: o.Finding.Kind, Number: o.Number})
	require.NoError(t, err)
	m := record.Message{EventID: o.ID(), Station: o.Station, Kind: o.Finding.Kind, Number: o.Number, Created: unit.At(s.at), Body: string(body)}
	require.NoError(t, s.store.ChangeAlarms(t.Context(), record.AlarmChange{Outbox: []record.Message{m}}))
}

// The link in a message opens a page that changes nothing; its button does, for
// one occurrence, once, and nothing else lets in.
func TestSeenByLink(t *testing.T) {
	s := newSite(t, siteBoxes()[:2])
	ctx := t.Context()
	at := unit.At(s.at)
	o := alarm.Occurrence{
		Station: "lake-02", Number: 9, State: alarm.Unacknowledged, Told: true, Finding: finding.Finding{Kind: finding.NoCurrent, From: at, Concluded: at},
	}
	require.NoError(t, s.store.ChangeAlarms(ctx, record.AlarmChange{Occurrences: []alarm.Occurrence{o}}))
	s.tell(t, o)
	token, err := link.Token([]byte(messageKey), link.Seen{Event: o.ID(), Person: "Ida"}, unit.At(s.at))
	require.NoError(t, err)
	state := func() alarm.State {
		all, err := s.store.Occurrences(ctx, o.Station)
		require.NoError(t, err)
		for _, x := range all {
			if x.ID() == o.ID() {
				return x.State
			}
		}
		return ""
	}
	for range 2 {
		w := s.do(t, call{method: "GET", path: "/seen/" + token})
		require.Equal(t, http.StatusOK, w.Code)
		require.Contains(t, w.Body.String(), "<button>I have seen it</button>")
		require.Contains(t, w.Body.String(), o.Station)
	}
	require.Equal(t, http.StatusOK, s.do(t, call{method: "HEAD", path: "/seen/" + token}).Code)
	require.Equal(t, alarm.Unacknowledged, state(), "reading changes nothing")

	foreign := s.do(t, call{method: "POST", path: "/seen/" + token, form: form(), headers: []string{"Sec-Fetch-Site", "cross-site", "Origin", "https://evil.example"}})
	require.Equal(t, http.StatusForbidden, foreign.Code)
	require.Equal(t, alarm.Unacknowledged, state())

	w := s.do(t, call{method: "POST", path: "/seen/" + token, form: form()})
	require.Equal(t, http.StatusOK, w.Code)
	require.Contains(t, w.Body.String(), "It is written down that Ida has seen it")
	require.Equal(t, alarm.Acknowledged, state())
	events, err := s.store.Events(ctx, o.Station, o.Finding.Kind, o.Number)
	require.NoError(t, err)
	last := events[len(events)-1]
	require.Equal(t, [2]string{"Ida", "by the link in a message"}, [2]string{last.Who, last.Why})

	w = s.do(t, call{method: "POST", path: "/seen/" + token, form: form()})
	require.Contains(t, w.Body.String(), "It had been seen already")

	require.Equal(t, http.StatusNotFound, s.do(t, call{method: "POST", path: "/seen/" + token[:len(token)-2], form: form()}).Code)
	require.Equal(t, http.StatusNotFound, s.do(t, call{method: "GET", path: "/seen/x"}).Code)
	gone, err := link.Token([]byte(messageKey), link.Seen{Event: "lake-07:silent:999", Person: "Ida"}, unit.At(s.at))
	require.NoError(t, err)
	require.Equal(t, http.StatusNotFound, s.do(t, call{method: "POST", path: "/seen/" + gone, form: form()}).Code)
	old, err := link.Token([]byte(messageKey), link.Seen{Event: o.ID(), Person: "Ida"}, unit.At(siteNow.Time()).Add(-link.Life))
	require.NoError(t, err)
	require.Equal(t, http.StatusGone, s.do(t, call{method: "GET", path: "/seen/" + old}).Code)
}

// Who has seen the one message of a common cause has seen all that it tells; the
// page of messages names the cause.
func TestSeenByLinkOfACause(t *testing.T) {
	s := newSite(t, siteBoxes()[:2])
	at := unit.At(s.at)
	c := record.AlarmChange{Causes: []alarm.Cause{{Number: 7, Scope: alarm.OfSite, Subject: "lake", Kind: finding.NoCurrent, From: at}}}
	b := record.MessageBody{Station: "lake-02", Kind: finding.NoCurrent, Number: 9, Cause: &record.MessageCause{Scope: alarm.OfSite, Subject: "lake"}}
	for _, id := range []string{"lake-02", "lake-07"} {
		o := alarm.Occurrence{Station: id, Number: 9, State: alarm.Unacknowledged, Told: true, Cause: 7, Finding: finding.Finding{Kind: finding.NoCurrent, From: at, Concluded: at}}
		c.Occurrences = append(c.Occurrences, o)
		b.Cause.Stations, b.Cause.Alarms = append(b.Cause.Stations, id), append(b.Cause.Alarms, o.ID())
	}
	body, err := json.Marshal(&b)
	require.NoError(t, err)
	c.Outbox = []record.Message{{EventID: "cause:x", Station: "lake-02", Kind: finding.NoCurrent, Number: 9, Created: at, Cause: 7, Body: string(body)}}
	require.NoError(t, s.store.ChangeAlarms(t.Context(), c))
	ida, err := s.store.PutPerson(t.Context(), books.NewPerson("Ida", "Europe/Berlin"), at, "Ruth")
	require.NoError(t, err)
	require.NoError(t, s.store.Route(t.Context(), "cause:x", at, []record.Delivery{{Event: "cause:x", Person: ida, Why: record.WhyFirst, Created: at, Due: at}}))
	require.Contains(t, s.do(t, call{method: "GET", path: "/messages"}).Body.String(), `<a href="/alarms">A site is quiet</a>, told to <b>Ida</b>`)
	token, err := link.Token([]byte(messageKey), link.Seen{Event: "cause:x", Person: "Ida"}, at)
	require.NoError(t, err)
	for i, says := range []string{"that Ida has seen it", "It had been seen already"} {
		w := s.do(t, call{method: "POST", path: "/seen/" + token, form: form()})
		require.Equal(t, http.StatusOK, w.Code)
		require.Contains(t, w.Body.String(), "<b>A site is quiet</b>: lake-02, lake-07.")
		require.Contains(t, w.Body.String(), says, i)
	}
	for _, id := range []string{"lake-02", "lake-07"} {
		all, err := s.store.Occurrences(t.Context(), id)
		require.NoError(t, err)
		i := slices.IndexFunc(all, func(o alarm.Occurrence) bool { return o.Number == 9 })
		require.Equal(t, alarm.Acknowledged, all[i].State)
	}
}

// Who has seen a letter has seen what stands in it.
func TestSeenByLinkOfALetter(t *testing.T) {
	s := newSite(t, siteBoxes()[:2])
	at := unit.At(s.at)
	o := alarm.Occurrence{
		Station: "lake-02", Number: 9, State: alarm.Unacknowledged, Told: true, Finding: finding.Finding{Kind: finding.SealOpened, From: at, Concluded: at},
	}
	require.NoError(t, s.store.ChangeAlarms(t.Context(), record.AlarmChange{Occurrences: []alarm.Occurrence{o}}))
	n := record.Notice{Event: "letter:1:2025-10-26", Kind: record.Letter, Created: at, Subject: "Morning letter: 1 to do today", Body: `{"alarms":["` + o.ID() + `","lake-02:silent:77"]}`}
	require.NoError(t, s.store.AddNotice(t.Context(), n, nil))
	token, err := link.Token([]byte(messageKey), link.Seen{Event: n.Event, Person: "Ida"}, at)
	require.NoError(t, err)
	w := s.do(t, call{method: "GET", path: "/seen/" + token})
	require.Contains(t, w.Body.String(), "<b>Morning letter: 1 to do today</b>: lake-02.")
	w = s.do(t, call{method: "POST", path: "/seen/" + token, form: form()})
	require.Contains(t, w.Body.String(), "that Ida has seen it")
	all, err := s.store.Occurrences(t.Context(), "lake-02")
	require.NoError(t, err)
	i := slices.IndexFunc(all, func(o alarm.Occurrence) bool { return o.Number == 9 })
	require.Equal(t, alarm.Acknowledged, all[i].State)
}

// Who is told is added, changed, tried and removed on a page; what is wrong
// stands at its field, and nothing else is lost.
func TestMessagesPage(t *testing.T) {
	s := newGuardedSite(t)
	ruth := []*http.Cookie{s.signIn(t, "Ruth", runners)}
	lou := []*http.Cookie{s.signIn(t, "Lou", lookers)}
	page := func(cookies []*http.Cookie) string {
		w := s.do(t, call{method: "GET", path: "/messages", cookies: cookies})
		require.Equal(t, http.StatusOK, w.Code)
		return w.Body.String()
	}
	require.Contains(t, page(lou), "Nobody is told of anything")
	require.NotContains(t, page(lou), "<form class=\"sheet\"")

	ida := form("was", "", "name", "Ida", "channels", "mail:ida@workshop.example\nwebhook:https://hooks.workshop.example/x", "zone", "Europe/Berlin",
		"rest_from", "22:00", "rest_to", "07:00", "letter", "07:00", "at_once", "all", "pass_on", "120", "sites", "", "kinds", "water_inside, silent")
	post := func(path string, pairs ...string) (int, string) {
		f := form()
		for k, v := range ida {
			if path == "/messages" {
				f[k] = v
			}
		}
		for i := 0; i < len(pairs); i += 2 {
			f.Set(pairs[i], pairs[i+1])
		}
		w := s.do(t, call{method: "POST", path: path, form: f, cookies: ruth})
		return w.Code, w.Body.String()
	}
	for field, bad := range map[string][2]string{
		"channels": {"mail:ida@@", "write one address"}, "zone": {"Nowhere", "IANA time zone"}, "letter": {"7", "time of day"},
		"pass_on": {"soon", "whole minutes"}, "kinds": {"dry", "kind of finding"}, "sites": {"moon", "no such site"},
	} {
		code, body := post("/messages", field, bad[0])
		require.Equal(t, http.StatusUnprocessableEntity, code, field)
		require.Contains(t, strings.ToLower(body), strings.ToLower(bad[1]), field)
		require.Contains(t, body, "<details open><summary>Tell somebody", field)
		require.Contains(t, body, "ida@", field)
	}
	code, body := post("/messages")
	require.Equal(t, http.StatusOK, code)
	require.Contains(t, body, "is signed with whsec_", "shown once")
	require.NotContains(t, page(ruth), "whsec_")
	require.Contains(t, page(ruth), "ida@workshop.example")
	require.NotContains(t, page(lou), "ida@workshop.example")

	code, _ = post("/messages", "was", "Ida", "at_once", "urgent")
	require.Equal(t, http.StatusSeeOther, code)
	people, err := books.NewPeople(s.store).List(t.Context())
	require.NoError(t, err)
	require.Len(t, people, 1)
	require.Equal(t, record.LeastUrgent, people[0].Least)
	require.NotEmpty(t, people[0].Channels[1].Secret, "it keeps its key")

	code, _ = post("/messages/try", "name", "ida")
	require.Equal(t, http.StatusSeeOther, code)
	require.Contains(t, page(lou), "Test, told to <b>Ida</b> by mail")
	w := s.do(t, call{method: "GET", path: "/api/v1/messages", cookies: lou})
	require.Contains(t, w.Body.String(), `"kind":"trial","station":null,"cause":null,"person":"Ida","channel":"mail"`)
	w = s.do(t, call{method: "GET", path: "/api/v1/messages/people", cookies: ruth})
	require.Contains(t, w.Body.String(), `"channels":["mail:ida@workshop.example","webhook:https://hooks.workshop.example/x"]`)
	require.NotContains(t, w.Body.String(), "whsec_")

	code, _ = post("/messages/remove", "name", "Ida")
	require.Equal(t, http.StatusUnprocessableEntity, code)
	code, _ = post("/messages/remove", "name", "Ida", "sure", "yes")
	require.Equal(t, http.StatusSeeOther, code)
	code, _ = post("/messages/remove", "name", "Ida", "sure", "yes")
	require.Equal(t, http.StatusBadRequest, code)
	require.Contains(t, page(lou), "Nobody is told of anything")
}

// A watched installation calls with its key, and with nothing else.
func TestWatchedCalls(t *testing.T) {
	s := newSite(t, siteBoxes()[:1])
	require.NoError(t, s.store.AddWatched(t.Context(), record.WatchedPeer{Name: "Quay", Every: time.Minute, Made: unit.At(s.at)}, books.WatchedHash("k"), "test"))
	ask := func(auth string) int {
		return s.do(t, call{method: "POST", path: "/api/v1/watched", headers: []string{"Authorization", auth}}).Code
	}
	require.Equal(t, http.StatusBadRequest, ask("Basic d2F0Y2g6eA==")) // watch:x
	require.Equal(t, http.StatusBadRequest, ask("Bearer k"))
	require.Equal(t, http.StatusOK, ask("Basic d2F0Y2g6aw==")) // watch:k
	list, err := s.store.WatchedPeers(t.Context())
	require.NoError(t, err)
	require.Equal(t, unit.At(s.at), list[0].Heard)
}
