package web

import (
	"errors"
	"net/http"
	"strconv"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/rules/stock"
)

// withShelf is for what only makes sense where parts are kept.
func (s *server) withShelf(handle func(http.ResponseWriter, *http.Request) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		if s.cfg.Parts == nil {
			return &problem{Status: http.StatusNotFound, Title: "No parts are kept here", Field: "path", Value: r.URL.Path, Fix: "begin at /"}
		}
		return handle(w, r)
	}
}

// noPart says that what an address names isn't there.
func noPart(err error, what, id, fix string) error {
	if errors.Is(err, record.ErrNotFound) {
		return &problem{Status: http.StatusNotFound, Title: "There is no such " + what, Field: what, Value: id, Fix: fix}
	}
	return wrong(err)
}

// numberIn reads a number of an address.
func numberIn(r *http.Request, name string) (int64, error) {
	text := r.PathValue(name)
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil || n < 1 {
		return 0, &problem{Status: http.StatusNotFound, Title: "There is nothing at this address", Field: name, Value: text, Fix: "use a number from the list"}
	}
	return n, nil
}

// answerPart sends what somebody recorded, or what was wrong with it.
func answerPart(w http.ResponseWriter, r *http.Request, v any, err error) error {
	if err != nil {
		return wrong(err)
	}
	return sendJSON(w, r, v)
}

func (s *server) apiParts(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	all, err := s.cfg.Parts.Shelf(r.Context(), s.now())
	if err != nil {
		return err
	}
	return sendJSON(w, r, list[books.KindStands]{Items: all.Kinds})
}

func (s *server) apiPart(w http.ResponseWriter, r *http.Request) error {
	q := ask(r, "limit", "next")
	var before int64
	q.next(&before)
	limit := q.limit()
	if q.err != nil {
		return q.err
	}
	id := r.PathValue("part")
	k, err := s.cfg.Parts.Kind(r.Context(), id, s.now(), before, limit)
	if err != nil {
		return noPart(err, "kind", id, "take an id from /api/v1/parts")
	}
	out := struct {
		*books.KindCard
		Next string `json:"next,omitempty"`
	}{KindCard: k}
	if k.Before != 0 {
		if out.Next, err = cursor(k.Before); err != nil {
			return err
		}
	}
	return sendJSON(w, r, out)
}

func (s *server) apiCanMake(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	id := r.PathValue("part")
	m, err := s.cfg.Parts.CanMake(r.Context(), id, s.now())
	if err != nil {
		return noPart(err, "kind", id, "take an id from /api/v1/parts")
	}
	return sendJSON(w, r, m)
}

// kindName answers what was done to a kind or a recipe.
type kindName struct {
	Kind   string `json:"kind,omitempty"`
	Recipe string `json:"recipe,omitempty"`
}

func (s *server) apiPutKind(w http.ResponseWriter, r *http.Request) error {
	body := struct {
		Kind          string   `json:"kind"`
		Name          string   `json:"name"`
		Class         string   `json:"class"`
		Fits          []string `json:"fits"`
		Unit          string   `json:"unit"`
		Irreplaceable bool     `json:"irreplaceable"`
		LastOneRule   bool     `json:"last_one_rule"`
		Minimum       int64    `json:"minimum"`
		Replace       bool     `json:"replace"`
	}{LastOneRule: true}
	if err := jsonBody(r, &body); err != nil {
		return err
	}
	k := stock.Kind{
		ID: body.Kind, Name: body.Name, Class: body.Class, Fits: body.Fits, Unit: body.Unit,
		Irreplaceable: body.Irreplaceable, LastOne: body.LastOneRule, Minimum: body.Minimum,
	}
	err := s.cfg.Parts.PutKind(r.Context(), k, body.Replace, s.now(), visitorOf(r).Name)
	return answerPart(w, r, kindName{Kind: body.Kind}, err)
}

// moveAsked is a move as a program asks for it: which members count depends on
// the reason.
type moveAsked struct {
	Reason   record.PartReason `json:"reason"`
	Lot      int64             `json:"lot"`
	Quantity int64             `json:"quantity"`

	Kind      string          `json:"kind"`
	Condition stock.Condition `json:"condition"`
	Grade     stock.Grade     `json:"grade"`
	Owner     string          `json:"owner"`
	Loan      bool            `json:"loan"`
	Place     string          `json:"place"`
	Origin    string          `json:"origin"`
	Note      string          `json:"note"`

	Station          string `json:"station"`
	Visit            int64  `json:"visit"`
	Party            string `json:"party"`
	For              string `json:"for"`
	LastOneConfirmed bool   `json:"last_one_confirmed"`
	TakeReserved     bool   `json:"take_reserved"`
}

func (m *moveAsked) lot() stock.Lot {
	return stock.Lot{
		Kind: m.Kind, Condition: m.Condition, Grade: m.Grade, Owner: m.Owner, Loan: m.Loan, Quantity: m.Quantity,
		Place: m.Place, Origin: m.Origin, Note: m.Note,
	}
}

func (m *moveAsked) taking() record.PartTaking {
	return record.PartTaking{
		PartUse: record.PartUse{
			Lot: m.Lot, Quantity: m.Quantity, Station: m.Station, Visit: m.Visit, LastOneConfirmed: m.LastOneConfirmed, TakeReserved: m.TakeReserved,
		},
		Reason: m.Reason, Party: m.Party, For: m.For,
	}
}

// movePart does what is asked for, and returns lot and change.
func (s *server) movePart(r *http.Request, m *moveAsked) (lot, delta int64, err error) {
	p, ctx, now, author := s.cfg.Parts, r.Context(), s.now(), visitorOf(r).Name
	switch m.Reason {
	case record.PartReceived:
		lot, err = p.Receive(ctx, m.lot(), now, author)
		return lot, m.Quantity, err
	case record.PartReturned:
		back := record.PartReturn{Lot: m.Lot, Quantity: m.Quantity, Station: m.Station, Visit: m.Visit, For: m.For}
		return m.Lot, m.Quantity, p.Return(ctx, back, now, author)
	case record.PartCounted:
		delta, err = p.Count(ctx, m.Lot, m.Quantity, m.For, now, author)
		return m.Lot, delta, err
	case record.PartUsed, record.PartLent, record.PartGivenBack, record.PartScrapped:
		return m.Lot, -m.Quantity, p.Take(ctx, m.taking(), now, author)
	}
	return 0, 0, books.Error{
		Field: "reason", Value: string(m.Reason),
		Fix: "write received, used, returned, counted, lent, given-back or scrapped; what is made goes by a recipe",
	}
}

func (s *server) apiMovePart(w http.ResponseWriter, r *http.Request) error {
	var body moveAsked
	if err := jsonBody(r, &body); err != nil {
		return err
	}
	lot, delta, err := s.movePart(r, &body)
	return answerPart(w, r, struct {
		Lot   int64 `json:"lot"`
		Delta int64 `json:"delta"`
	}{lot, delta}, err)
}

func (s *server) apiReservations(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	all, err := s.cfg.Parts.Shelf(r.Context(), s.now())
	if err != nil {
		return err
	}
	return sendJSON(w, r, list[books.ReservationStands]{Items: all.Reservations})
}

type reservationNumber struct {
	Reservation int64 `json:"reservation"`
}

func (s *server) apiReserve(w http.ResponseWriter, r *http.Request) error {
	var body struct {
		Kind     string      `json:"kind"`
		Lot      int64       `json:"lot"`
		Quantity int64       `json:"quantity"`
		Grade    stock.Grade `json:"grade"`
		Station  string      `json:"station"`
		Visit    int64       `json:"visit"`
		Order    string      `json:"order"`
		Paid     bool        `json:"paid"`
		NeedBy   string      `json:"need_by"`
	}
	if err := jsonBody(r, &body); err != nil {
		return err
	}
	id, err := s.cfg.Parts.Reserve(r.Context(), stock.Reservation{
		Kind: body.Kind, Lot: body.Lot, Quantity: body.Quantity, Grade: body.Grade, Station: body.Station, Visit: body.Visit,
		Order: body.Order, Paid: body.Paid, NeedBy: body.NeedBy, Made: s.now(),
	}, visitorOf(r).Name)
	return answerPart(w, r, reservationNumber{id}, err)
}

func (s *server) apiReleaseReservation(w http.ResponseWriter, r *http.Request) error {
	if err := jsonBody(r, &struct{}{}); err != nil {
		return err
	}
	n, err := numberIn(r, "n")
	if err != nil {
		return err
	}
	err = s.cfg.Parts.Release(r.Context(), n, s.now(), visitorOf(r).Name)
	return answerPart(w, r, reservationNumber{n}, err)
}

func (s *server) apiRecipes(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	all, err := s.cfg.Parts.Shelf(r.Context(), s.now())
	if err != nil {
		return err
	}
	return sendJSON(w, r, list[books.RecipeShown]{Items: all.Recipes})
}

func (s *server) apiPutRecipe(w http.ResponseWriter, r *http.Request) error {
	body := struct {
		Recipe   string      `json:"recipe"`
		Makes    string      `json:"makes"`
		Quantity int64       `json:"quantity"`
		Grade    stock.Grade `json:"grade"`
		Hours    float64     `json:"hours"`
		Needs    []struct {
			Kind      string          `json:"kind"`
			Quantity  int64           `json:"quantity"`
			Condition stock.Condition `json:"condition"`
		} `json:"needs"`
		Steps   []string `json:"steps"`
		Replace bool     `json:"replace"`
	}{Quantity: 1}
	if err := jsonBody(r, &body); err != nil {
		return err
	}
	recipe := stock.Recipe{ID: body.Recipe, Makes: body.Makes, Quantity: body.Quantity, Grade: body.Grade, Hours: body.Hours, Steps: body.Steps}
	for _, n := range body.Needs {
		recipe.Needs = append(recipe.Needs, stock.Need(n))
	}
	err := s.cfg.Parts.PutRecipe(r.Context(), recipe, body.Replace, s.now(), visitorOf(r).Name)
	return answerPart(w, r, kindName{Recipe: body.Recipe}, err)
}

func (s *server) apiMakePart(w http.ResponseWriter, r *http.Request) error {
	body := struct {
		Times            int64  `json:"times"`
		Station          string `json:"station"`
		Place            string `json:"place"`
		LastOneConfirmed bool   `json:"last_one_confirmed"`
		TakeReserved     bool   `json:"take_reserved"`
	}{Times: 1}
	if err := jsonBody(r, &body); err != nil {
		return err
	}
	lot, err := s.cfg.Parts.Make(r.Context(), record.PartMaking{
		Recipe: r.PathValue("recipe"), Times: body.Times, Station: body.Station, Place: body.Place,
		LastOneConfirmed: body.LastOneConfirmed, TakeReserved: body.TakeReserved,
	}, s.now(), visitorOf(r).Name)
	return answerPart(w, r, struct {
		Lot int64 `json:"lot"`
	}{lot}, err)
}
