package web

import (
	"encoding/json"
	"errors"
	"io"
	"mime"
	"net/http"
	"strconv"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/rules/bench"
)

func (s *server) apiVisits(w http.ResponseWriter, r *http.Request) error {
	q := ask(r, "station", "state", "from", "to", "limit", "next")
	want := record.VisitQuery{
		Station: q.values.Get("station"), State: bench.State(q.choice("state", "", codes(bench.States))),
		From: q.instant("from", 0), To: q.instant("to", 0), Limit: q.limit(),
	}
	if want.To != 0 && want.From > want.To {
		q.refuse("to", q.values.Get("to"), "let it be after from: intervals are [from, to)")
	}
	q.next(&want.Before)
	if q.err != nil {
		return q.err
	}
	if err := s.cfg.Visits.Known(r.Context(), want.Station); errors.Is(err, record.ErrNotFound) {
		return &problem{Status: http.StatusNotFound, Title: "There is no such station", Field: "station", Value: want.Station, Fix: "take an id from /api/v1/stations"}
	} else if err != nil {
		return err
	}
	found, err := s.cfg.Visits.Visits(r.Context(), want)
	if err != nil {
		return err
	}
	out := list[books.VisitHead]{Items: make([]books.VisitHead, 0, len(found))}
	for i := range found {
		out.Items = append(out.Items, books.HeadOf(&found[i]))
	}
	if len(found) == want.Limit {
		if out.Next, err = cursor(found[len(found)-1].Number); err != nil {
			return err
		}
	}
	return sendJSON(w, r, out)
}

func codes[T ~string](all []T) []string {
	var out []string
	for _, v := range all {
		out = append(out, string(v))
	}
	return out
}

func (s *server) apiVisit(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	d, err := s.detailsOf(r)
	if err != nil {
		return err
	}
	return sendJSON(w, r, books.VisitOf(&d, visitorOf(r).Role >= record.Work))
}

// body reads what a program sends as JSON.
func body(r *http.Request, v any) error {
	if media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || media != "application/json" {
		return &problem{
			Status: http.StatusUnsupportedMediaType, Title: "This is not JSON",
			Field: "Content-Type", Value: r.Header.Get("Content-Type"), Fix: "send application/json",
		}
	}
	err := books.ReadJSON(r.Body, v)
	var tooLong *http.MaxBytesError
	if errors.As(err, &tooLong) {
		return &problem{Status: http.StatusRequestEntityTooLarge, Title: "The body is too long", Fix: "send at most 1 MiB; photos have an address of their own"}
	}
	return visitProblem(err, &books.VisitFile{})
}

func (s *server) apiAddVisit(w http.ResponseWriter, r *http.Request) error {
	return s.apiRecord(w, r, 0)
}

func (s *server) apiAddToVisit(w http.ResponseWriter, r *http.Request) error {
	n, err := numberIn(r, "n")
	if err != nil {
		return err
	}
	return s.apiRecord(w, r, n)
}

// apiRecord writes down what a program says: of a new visit, or of visit n.
func (s *server) apiRecord(w http.ResponseWriter, r *http.Request, n int64) error {
	q := ask(r, "dry_run")
	try := q.choice("dry_run", "", []string{"true", "false"}) == "true"
	if q.err != nil {
		return q.err
	}
	var f books.VisitFile
	if err := body(r, &f); err != nil {
		return err
	}
	switch {
	case f.Visit != n && f.Visit != 0:
		return &problem{Status: http.StatusBadRequest, Title: "A field is wrong", Field: "visit", Value: strconv.FormatInt(f.Visit, 10), Fix: "leave it out: the address names the visit"}
	case len(f.Photos) > 0:
		return &problem{Status: http.StatusBadRequest, Title: "A field is wrong", Field: "photos", Fix: "send each photo to /api/v1/visits/{n}/photos"}
	}
	f.Visit = n
	return s.apiWrote(w, r, &f, try)
}

// apiWrote writes down what a file says and answers with the visit as it is
// then.
func (s *server) apiWrote(w http.ResponseWriter, r *http.Request, f *books.VisitFile, try bool) error {
	number, err := s.cfg.Visits.Record(r.Context(), f, s.now(), visitorOf(r).Name, try)
	if errors.Is(err, record.ErrOnlyTried) {
		w.WriteHeader(http.StatusNoContent)
		return nil
	}
	if err != nil {
		return visitProblem(err, f)
	}
	if number == 0 {
		w.WriteHeader(http.StatusNoContent)
		return nil
	}
	d, err := s.cfg.Visits.Visit(r.Context(), number)
	if err != nil {
		return err
	}
	w.Header().Set("Location", "/api/v1/visits/"+strconv.FormatInt(number, 10))
	answer, err := json.Marshal(books.VisitOf(&d, true))
	if err != nil {
		return err
	}
	return send(w, r, http.StatusCreated, "application/json", append(answer, '\n'))
}

func (s *server) apiAddPhoto(w http.ResponseWriter, r *http.Request) error {
	q := ask(r, "caption", "taken")
	if q.err != nil {
		return q.err
	}
	n, err := numberIn(r, "n")
	if err != nil {
		return err
	}
	patient(w)
	picture, err := io.ReadAll(r.Body)
	if err != nil {
		return photoProblem(err)
	}
	return s.apiWrote(w, r, &books.VisitFile{Visit: n, Photos: []books.PhotoFile{{
		Body: picture, Caption: q.values.Get("caption"), Taken: q.values.Get("taken"),
	}}}, false)
}

func (s *server) apiCard(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	d, err := s.detailsOf(r)
	if err != nil {
		return err
	}
	c, err := s.cfg.Visits.Card(r.Context(), d.Number, s.now())
	if err != nil {
		return err
	}
	return sendJSON(w, r, books.CardOf(&c))
}

func (s *server) apiSymptoms(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	id := r.PathValue("id")
	if _, err := s.cfg.Visits.Station(r.Context(), id); err != nil {
		return err
	}
	found, err := s.cfg.Visits.Symptoms(r.Context(), id)
	if err != nil {
		return err
	}
	out := list[books.SymptomJSON]{Items: make([]books.SymptomJSON, 0, len(found))}
	for i := range found {
		out.Items = append(out.Items, books.SymptomOf(&found[i], visitorOf(r).Role >= record.Work))
	}
	return sendJSON(w, r, out)
}

func (s *server) apiAddSymptom(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	var report books.SymptomFile
	if err := body(r, &report); err != nil {
		return err
	}
	f := books.VisitFile{Station: r.PathValue("id"), Reports: []books.SymptomFile{report}}
	return s.apiWrote(w, r, &f, false)
}

func (s *server) apiBaselines(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	found, err := s.cfg.Visits.Baselines(r.Context(), r.PathValue("id"), s.now())
	if err != nil {
		return err
	}
	out := list[books.BaselineJSON]{Items: make([]books.BaselineJSON, 0, len(found))}
	for i := range found {
		out.Items = append(out.Items, books.BaselineOf(&found[i]))
	}
	return sendJSON(w, r, out)
}
