package web

import (
	"errors"
	"net/http"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// kindPaths are the kinds of subject in the order of the page, with the word
// that they have in addresses.
var kindPaths = []struct{ path, kind, heading string }{
	{"owners", fact.KindOwner, "Owners"},
	{"sites", fact.KindSite, "Sites"},
	{"lines", fact.KindLine, "Lines"},
	{"stations", fact.KindStation, "Stations"},
	{"sensors", fact.KindSensor, "Sensors"},
}

func bookHref(subject fact.Subject) string {
	for _, k := range kindPaths {
		if k.kind == subject.Kind {
			return "/books/" + k.path + "/" + subject.ID
		}
	}
	return "/books"
}

// withBooks is for what only makes sense where there are books.
func (s *server) withBooks(handle func(http.ResponseWriter, *http.Request) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		if s.cfg.Books == nil {
			return &problem{Status: http.StatusNotFound, Title: "There are no books here", Field: "path", Value: r.URL.Path, Fix: "begin at /"}
		}
		return handle(w, r)
	}
}

func (s *server) now() unit.Instant { return unit.At(s.cfg.Now()) }

// subjectOf reads what an address is about.
func subjectOf(r *http.Request) (fact.Subject, error) {
	for _, k := range kindPaths {
		if k.path == r.PathValue("kind") {
			return fact.Subject{Kind: k.kind, ID: r.PathValue("id")}, nil
		}
	}
	return fact.Subject{}, &problem{
		Status: http.StatusNotFound, Title: "There is nothing of that kind in the books",
		Field: "kind", Value: r.PathValue("kind"), Fix: "use owners, sites, lines, stations or sensors",
	}
}

// about reads a subject for who asks.
func (s *server) about(r *http.Request) (books.Subject, error) {
	subject, err := subjectOf(r)
	if err != nil {
		return books.Subject{}, err
	}
	about, err := books.About(r.Context(), s.cfg.Books, subject)
	if errors.Is(err, record.ErrNotFound) {
		err = &problem{
			Status: http.StatusNotFound, Title: "There is no such " + subject.Kind,
			Field: "id", Value: subject.ID, Fix: "take an id from the page Books",
		}
	}
	return about.For(visitorOf(r).Role), err
}

// wrong makes a problem of what is wrong with something that a person said.
func wrong(err error) error {
	var said books.Error
	if errors.As(err, &said) {
		return &problem{Status: http.StatusBadRequest, Title: "This can't be recorded", Field: said.Field, Value: said.Value, Fix: said.Fix}
	}
	return err
}

type apiEntry struct {
	ID      string            `json:"id"`
	Retired *unit.Instant     `json:"retired,omitempty"`
	Facts   map[string]string `json:"facts"`
}

// apiBook lists all subjects of a kind with what held at an instant.
func (s *server) apiBook(kind string) func(http.ResponseWriter, *http.Request) error {
	return s.withBooks(func(w http.ResponseWriter, r *http.Request) error {
		q := ask(r, "at")
		at := q.instant("at", s.now())
		if q.err != nil {
			return q.err
		}
		all, err := books.All(r.Context(), s.cfg.Books, kind)
		if err != nil {
			return err
		}
		out := list[apiEntry]{Items: make([]apiEntry, 0, len(all))}
		for _, subject := range all {
			out.Items = append(out.Items, apiEntry{subject.ID, instantOrNull(subject.Retired), subject.For(visitorOf(r).Role).Values(at)})
		}
		return sendJSON(w, r, out)
	})
}

// apiFacts tells all that was ever said of a subject, or what held at an
// instant.
func (s *server) apiFacts(w http.ResponseWriter, r *http.Request) error {
	q := ask(r, "at")
	at := q.instant("at", s.now())
	if q.err != nil {
		return q.err
	}
	about, err := s.about(r)
	if err != nil {
		return err
	}
	if q.values.Get("at") != "" {
		return sendJSON(w, r, list[books.Statement]{Items: about.Present(at)})
	}
	return sendJSON(w, r, list[books.Statement]{Items: about.History(at)})
}

// apiSay records facts, all or none.
func (s *server) apiSay(w http.ResponseWriter, r *http.Request) error {
	var body struct {
		New   bool `json:"new"`
		Facts []struct {
			Name  string  `json:"name"`
			Value string  `json:"value"`
			From  *string `json:"from"`
		} `json:"facts"`
	}
	if err := jsonBody(r, &body); err != nil {
		return err
	}
	subject, err := subjectOf(r)
	if err != nil {
		return err
	}
	var said []books.Said
	for _, f := range body.Facts {
		from := fact.Always
		if f.From != nil {
			if from, err = books.ParseSince("from", *f.From); err != nil {
				return wrong(err)
			}
		}
		said = append(said, books.Said{Name: f.Name, Value: f.Value, From: from})
	}
	record := sayer(books.AddSubject)
	if !body.New {
		if _, err := s.about(r); err != nil {
			return err
		}
		record = books.Say
	}
	if err := record(r.Context(), s.cfg.Books, subject, said, s.now(), visitorOf(r).Name); err != nil {
		return wrong(err)
	}
	about, err := s.about(r)
	if err != nil {
		return err
	}
	return sendJSON(w, r, list[books.Statement]{Items: about.History(s.now())})
}

// dayOf writes the date of an instant.
func dayOf(t unit.Instant) string { return t.Time().Format(time.DateOnly) }
