package web

import (
	"context"
	"mime"
	"net/http"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/words"
)

// withPlans is for what only makes sense where rounds are planned.
func (s *server) withPlans(handle func(http.ResponseWriter, *http.Request) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		if s.cfg.Plans == nil {
			return &problem{Status: http.StatusNotFound, Title: "Nothing is planned here", Field: "path", Value: r.URL.Path, Fix: "begin at /"}
		}
		return handle(w, r)
	}
}

func (s *server) apiNeeds(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	all, err := s.cfg.Plans.Needs(r.Context(), s.now())
	if err != nil {
		return err
	}
	return sendJSON(w, r, list[books.StationNeed]{Items: all})
}

func (s *server) apiPlanSaid(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	said, err := s.cfg.Plans.Said(r.Context())
	if err != nil {
		return err
	}
	return sendJSON(w, r, said)
}

// roundState is books.PlanState with why the last plan could not be made.
type roundState struct {
	books.PlanState
	Failed *string `json:"failed"`
}

func (s *server) roundState(lc *words.Locale) roundState {
	out := roundState{PlanState: s.cfg.Plans.State()}
	if out.Err != nil {
		text := s.planFailed(lc, out.Err)
		out.Failed = &text
	}
	return out
}

// roundWait is how long an answer waits for a plan at most.
const roundWait = 30 * time.Second

func (s *server) apiRound(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	q := ask(r, "wait")
	wait := q.yes("wait")
	if q.err != nil {
		return q.err
	}
	if wait {
		ctx, cancel := context.WithTimeout(r.Context(), roundWait)
		defer cancel()
		s.cfg.Plans.Wait(ctx)
	}
	return sendJSON(w, r, s.roundState(lc))
}

func (s *server) apiStartRound(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	var body struct {
		First string `json:"first"`
		Weeks int    `json:"weeks"`
		Seed  uint64 `json:"seed"`
	}
	if err := jsonBody(r, &body); err != nil {
		return err
	}
	if err := s.startRound(books.RoundAsked{First: body.First, Weeks: body.Weeks, Seed: body.Seed}); err != nil {
		return err
	}
	return sendJSON(w, r, s.roundState(lc))
}

func (s *server) startRound(asked books.RoundAsked) error {
	if !s.cfg.Plans.Start(asked, s.now()) {
		return &problem{Status: http.StatusConflict, Title: "A plan is being made", Fix: "wait for it, or stop it"}
	}
	return nil
}

func (s *server) apiStopRound(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	if err := jsonBody(r, &struct{}{}); err != nil {
		return err
	}
	s.cfg.Plans.Stop()
	return sendJSON(w, r, s.roundState(lc))
}

// takeRound takes the last plan over.
func (s *server) takeRound(r *http.Request) ([]int64, error) {
	plan := s.cfg.Plans.State().Plan
	if plan == nil {
		return nil, &problem{Status: http.StatusConflict, Title: "There is no plan", Fix: "make one first"}
	}
	visits, err := s.cfg.Plans.Take(r.Context(), plan, s.now(), visitorOf(r).Name)
	return append([]int64{}, visits...), wrong(err)
}

func (s *server) apiTakeRound(w http.ResponseWriter, r *http.Request) error {
	if err := jsonBody(r, &struct{}{}); err != nil {
		return err
	}
	visits, err := s.takeRound(r)
	if err != nil {
		return err
	}
	return sendJSON(w, r, struct {
		Visits []int64 `json:"visits"`
	}{visits})
}

func (s *server) apiSettlePlan(w http.ResponseWriter, r *http.Request) error {
	var change map[string]string
	if err := jsonBody(r, &change); err != nil {
		return err
	}
	if err := s.cfg.Plans.Settle(r.Context(), change, s.now(), visitorOf(r).Name); err != nil {
		return wrong(err)
	}
	return s.apiSaidNow(w, r)
}

// apiSaidNow answers a change with all that was said.
func (s *server) apiSaidNow(w http.ResponseWriter, r *http.Request) error {
	said, err := s.cfg.Plans.Said(r.Context())
	if err != nil {
		return err
	}
	return sendJSON(w, r, said)
}

func (s *server) apiWish(w http.ResponseWriter, r *http.Request) error {
	var body struct {
		Station string `json:"station"`
		Wish    string `json:"wish"`
		Day     string `json:"day"`
		Note    string `json:"note"`
	}
	if err := jsonBody(r, &body); err != nil {
		return err
	}
	if err := s.cfg.Plans.Wish(r.Context(), body.Station, body.Wish, body.Day, body.Note, s.now(), visitorOf(r).Name); err != nil {
		return wrong(err)
	}
	return s.apiSaidNow(w, r)
}

func (s *server) apiBooking(w http.ResponseWriter, r *http.Request) error {
	var body books.BookingSaid
	if err := jsonBody(r, &body); err != nil {
		return err
	}
	if _, err := s.cfg.Plans.Book(r.Context(), body, s.now(), visitorOf(r).Name); err != nil {
		return wrong(err)
	}
	return s.apiSaidNow(w, r)
}

func (s *server) apiUnbook(w http.ResponseWriter, r *http.Request) error {
	n, err := numberIn(r, "n")
	if err != nil {
		return err
	}
	if err := jsonBody(r, &struct{}{}); err != nil {
		return err
	}
	if err := s.cfg.Plans.Unbook(r.Context(), n, s.now(), visitorOf(r).Name); err != nil {
		return wrong(err)
	}
	return s.apiSaidNow(w, r)
}

func (s *server) apiLegs(w http.ResponseWriter, r *http.Request) error {
	media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || media != "text/csv" {
		return &problem{Status: http.StatusUnsupportedMediaType, Title: "This is not a table", Field: "Content-Type", Value: r.Header.Get("Content-Type"), Fix: "send text/csv"}
	}
	n, err := s.cfg.Plans.ImportLegs(r.Context(), r.Body, s.now(), visitorOf(r).Name)
	if err != nil {
		return wrong(err)
	}
	return sendJSON(w, r, struct {
		Legs int `json:"legs"`
	}{n})
}
