package web

import (
	"context"
	"errors"
	"net/http"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/words"
	"dewpost/rules/alarm"
	"dewpost/rules/unit"
)

type apiEvent struct {
	At       unit.Instant `json:"at"`
	Recorded unit.Instant `json:"recorded"`
	From     alarm.State  `json:"from"`
	To       alarm.State  `json:"to"`
	Who      string       `json:"who"`
	Why      string       `json:"why"`
}

type apiHold struct {
	Station string        `json:"station"`
	Kind    *string       `json:"kind"` // null for all
	State   alarm.State   `json:"state"`
	From    unit.Instant  `json:"from"`
	Until   *unit.Instant `json:"until"`
	Who     string        `json:"who"`
	Why     string        `json:"why"`
}

type apiAlarm struct {
	apiFinding
	Priority alarm.Priority `json:"priority"`
	By       unit.Instant   `json:"by"`
	Screen   string         `json:"screen"`
	Hold     *apiHold       `json:"hold"`
	Events   []apiEvent     `json:"events"`
}

func holdJSON(h *alarm.Hold) *apiHold {
	if h == nil {
		return nil
	}
	return &apiHold{h.Station, textOrNull(string(h.Kind)), h.State, h.From, instantOrNull(h.Until), h.Who, h.Why}
}

func (s *server) apiAlarm(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	return s.sendAlarm(w, r, r.PathValue("alarm"))
}

func (s *server) sendAlarm(w http.ResponseWriter, r *http.Request, id string) error {
	lc := localeOf(r)
	a, events, err := s.cfg.Alarms.Show(r.Context(), id, s.now())
	if err != nil {
		return noAlarm(lc, err)
	}
	found, err := findingsJSON([]alarm.Occurrence{a.Occurrence}, nil)
	if err != nil {
		return err
	}
	out := apiAlarm{apiFinding: found.Items[0], Priority: a.Priority, By: a.By, Screen: a.Screen(), Hold: holdJSON(a.Hold), Events: []apiEvent{}}
	for _, e := range events {
		out.Events = append(out.Events, apiEvent{e.At, e.Recorded, e.From, e.To, e.Who, e.Why})
	}
	return sendJSON(w, r, out)
}

// noAlarm makes a problem of an id that names no alarm.
func noAlarm(lc *words.Locale, err error) error {
	var p *problem
	if errors.As(wrong(err), &p) {
		p.Status, p.Title = http.StatusNotFound, lc.Say("There is no such alarm")
		return p
	}
	return err
}

func (s *server) apiHolds(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	all, err := s.cfg.Alarms.List(r.Context(), s.now())
	if err != nil {
		return err
	}
	out := list[*apiHold]{Items: make([]*apiHold, 0, len(all.Holds))}
	for i := range all.Holds {
		out.Items = append(out.Items, holdJSON(&all.Holds[i]))
	}
	return sendJSON(w, r, out)
}

func (s *server) apiAlarmQuality(w http.ResponseWriter, r *http.Request) error {
	q := ask(r, "month")
	if q.err != nil {
		return q.err
	}
	from, to, err := books.Month(q.values.Get("month"), s.now())
	if err != nil {
		return parameter(err)
	}
	m, err := s.cfg.Alarms.Quality(r.Context(), from, to)
	if err != nil {
		return err
	}
	return sendJSON(w, r, m)
}

// changer is what a person does with alarms.
type changer func(ctx context.Context, id, why, author string, now unit.Instant) error

// changeAlarm does what a body with a reason asks for.
func (s *server) changeAlarm(r *http.Request, change changer) error {
	var body struct {
		Why string `json:"why"`
	}
	if err := jsonBody(r, &body); err != nil {
		return err
	}
	return wrong(change(r.Context(), r.PathValue("alarm"), body.Why, visitorOf(r).Name, s.now()))
}

// holdAlarm answers with what is kept quiet after a change.
func (s *server) holdAlarm(w http.ResponseWriter, r *http.Request, change changer) error {
	if err := s.changeAlarm(r, change); err != nil {
		return err
	}
	return s.apiHolds(w, r)
}

func (s *server) apiSeeAlarm(w http.ResponseWriter, r *http.Request) error {
	return s.stepAlarm(w, r, s.cfg.Alarms.See)
}

func (s *server) apiResetAlarm(w http.ResponseWriter, r *http.Request) error {
	return s.stepAlarm(w, r, s.cfg.Alarms.Reset)
}

// stepAlarm answers with the alarm as it is after a change.
func (s *server) stepAlarm(w http.ResponseWriter, r *http.Request, change changer) error {
	if err := s.changeAlarm(r, change); err != nil {
		return err
	}
	return s.sendAlarm(w, r, r.PathValue("alarm"))
}

func (s *server) apiPutAlarmAside(w http.ResponseWriter, r *http.Request) error {
	var body struct {
		Why   string    `json:"why"`
		Until time.Time `json:"until"`
	}
	if err := jsonBody(r, &body); err != nil {
		return err
	}
	if y := body.Until.Year(); y < 1970 || y > 2200 {
		return &problem{Status: http.StatusBadRequest, Title: "This can't be recorded", Field: "until", Fix: "say until when, in RFC 3339, at most 30 days from now"}
	}
	if err := s.cfg.Alarms.PutAside(r.Context(), r.PathValue("alarm"), unit.At(body.Until), body.Why, visitorOf(r).Name, s.now()); err != nil {
		return wrong(err)
	}
	return s.apiHolds(w, r)
}

func (s *server) apiBringAlarmBack(w http.ResponseWriter, r *http.Request) error {
	return s.holdAlarm(w, r, s.cfg.Alarms.BringBack)
}

func (s *server) apiTakeAlarmsOut(w http.ResponseWriter, r *http.Request) error {
	return s.holdAlarm(w, r, s.cfg.Alarms.OutOfService)
}

func (s *server) apiTakeAlarmsIn(w http.ResponseWriter, r *http.Request) error {
	return s.holdAlarm(w, r, s.cfg.Alarms.InService)
}
