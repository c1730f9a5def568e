package web

import (
	"errors"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/calendar"
	"dewpost/collector/paper"
	"dewpost/collector/record"
	"dewpost/collector/view"
)

// base is the address of the pages: that of the config, or as whoever asks reaches
// them; the host is one of ours, see known.
func (s *server) base(r *http.Request) string {
	if s.cfg.Pages != "" {
		return s.cfg.Pages
	}
	scheme := "http://"
	if overTLS(r) {
		scheme = "https://"
	}
	return scheme + r.Host
}

func (s *server) desk(r *http.Request) *paper.Desk {
	return &paper.Desk{View: s.cfg.View, Visits: s.cfg.Visits, Shelf: s.cfg.Shelf, Base: s.base(r)}
}

// sendPDF shows a document under a name of letters, digits and -.
func sendPDF(w http.ResponseWriter, r *http.Request, name string, body []byte) error {
	w.Header().Set("Content-Disposition", "inline; filename="+name+".pdf")
	return sendAsIs(w, r, "application/pdf", body)
}

// asked is err, as a problem where somebody can ask better.
func asked(err error) error {
	var said books.Error
	if errors.As(err, &said) {
		return &problem{Status: http.StatusBadRequest, Title: "A parameter is wrong", Field: said.Field, Value: said.Value, Fix: said.Fix}
	}
	return err
}

func (s *server) jobCard(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	q := ask(r, "paper")
	size := q.choice("paper", paper.A4, paper.Sizes)
	if q.err != nil {
		return q.err
	}
	d, err := s.detailsOf(r)
	if err != nil {
		return err
	}
	card, err := s.desk(r).JobCard(r.Context(), lc, d.Number, s.now())
	if err != nil {
		return err
	}
	body, err := card.Draw(lc, size)
	if err != nil {
		return err
	}
	return sendPDF(w, r, "visit-"+strconv.FormatInt(d.Number, 10), body)
}

func (s *server) loadList(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	q := ask(r, "paper", "day", "who")
	size := q.choice("paper", paper.A4, paper.Sizes)
	if q.err != nil {
		return q.err
	}
	l, err := s.desk(r).LoadList(r.Context(), lc, q.values.Get("day"), q.values.Get("who"), s.now())
	if err != nil {
		return asked(err)
	}
	body, err := l.Draw(lc, size)
	if err != nil {
		return err
	}
	return sendPDF(w, r, "load-"+l.Day, body)
}

func (s *server) label(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	q := ask(r, "size", "skip")
	size, skip := q.choice("size", paper.Strip, []string{paper.Strip, paper.Sheet}), q.integer("skip", 0, 0, 26)
	if q.err != nil {
		return q.err
	}
	l, err := s.desk(r).Label(r.Context(), lc, r.PathValue("id"), s.now())
	if err != nil {
		return err
	}
	body, err := paper.DrawLabels(lc, []paper.Label{l}, size, skip)
	if err != nil {
		return err
	}
	return sendPDF(w, r, "label-"+l.ID, body)
}

// Parameters of a report that are amounts.
var amounts = []string{"retrofit_cost", "care_cost", "unit_value", "loss_without_low", "loss_without_high", "loss_with_low", "loss_with_high", "so2", "cl"}

func (s *server) report(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	q := ask(r, append([]string{"paper", "of", "id", "subject", "from", "to", "currency"}, amounts...)...)
	size := q.choice("paper", paper.A4, paper.Sizes)
	want := paper.ReportQuery{
		ID: q.values.Get("id"), From: q.values.Get("from"), To: q.values.Get("to"),
		Costs: view.DefaultCosts, Currency: q.values.Get("currency"),
	}
	want.Of = q.choice("of", paper.OfStation, []string{paper.OfStation, paper.OfSite, paper.OfOwner})
	if of, id, ok := strings.Cut(q.values.Get("subject"), ":"); ok { // of the form, which chooses both at once
		want.Of, want.ID = of, id
	}
	c := &want.Costs
	for name, to := range map[string]*float64{
		"retrofit_cost": &c.Retrofit, "care_cost": &c.Care, "unit_value": &c.UnitValue,
		"loss_without_low": &c.WithoutLow, "loss_without_high": &c.WithoutHigh, "loss_with_low": &c.WithLow, "loss_with_high": &c.WithHigh,
	} {
		q.amount(name, to)
	}
	for name, to := range map[string]**float64{"so2": &want.SO2, "cl": &want.Cl} {
		x := math.NaN()
		if q.amount(name, &x); !math.IsNaN(x) {
			*to = &x
		}
	}
	if q.err != nil {
		return q.err
	}
	report, err := s.desk(r).Report(r.Context(), lc, want, s.now())
	if errors.Is(err, record.ErrNotFound) {
		return &problem{Status: http.StatusNotFound, Title: "There is no station of that", Field: want.Of, Value: want.ID, Fix: "choose one on the page Reports"}
	}
	if err != nil {
		return asked(err)
	}
	body, err := report.Draw(lc, size)
	if err != nil {
		return err
	}
	return sendPDF(w, r, "season-"+want.From, body)
}

// amount reads a number that is not below 0; left as it is where none is given.
func (q *query) amount(name string, to *float64) {
	text := strings.TrimSpace(q.values.Get(name))
	if text == "" {
		return
	}
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || !(x >= 0) {
		q.refuse(name, text, "write a number from 0 on, with a point, as in 12.5")
		return
	}
	*to = x
}

type reportsPage struct {
	sheet
	Form formPage
	Zone string
}

// reports is the page on which a report is asked for.
func (s *server) reports(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	if q := ask(r); q.err != nil {
		return q.err
	}
	rows, err := s.cfg.View.Stations(r.Context())
	if err != nil {
		return err
	}
	subject := must(control("subject", lc.Say("Of what"), "select"))
	seen := map[string]bool{}
	add := func(of, id, text string) {
		if key := of + ":" + id; id != "" && !seen[key] {
			seen[key] = true
			subject.Options = append(subject.Options, choicePage{key, text, false})
		}
	}
	for i := range rows {
		add(paper.OfSite, rows[i].Station.Site.ID, lc.Say("Site: %s", rows[i].Station.Site.Name))
	}
	for i := range rows {
		add(paper.OfOwner, rows[i].Station.Site.Owner, lc.Say("Owner: %s", rows[i].Station.Site.Owner))
	}
	for i := range rows {
		add(paper.OfStation, rows[i].Station.ID, lc.Say("Station: %s (%s)", rows[i].Station.Name, rows[i].Station.ID))
	}
	zone, err := s.zone(r.Context())
	if err != nil {
		return err
	}
	today := s.now().Time().In(zone)
	number := func(name, label string, value float64) controlPage {
		return valued(control(name, label, "number"), strconv.FormatFloat(value, 'f', -1, 64))
	}
	size := control("paper", lc.Say("Paper"), "select")
	size.Options = []choicePage{{paper.A4, "A4", true}, {paper.Letter, lc.Say("US Letter"), false}}
	c := view.DefaultCosts
	p := &reportsPage{Zone: zone.String(), Form: formPage{ID: "report", Action: "/report.pdf", Button: lc.Say("Make the report"), Fields: []controlPage{
		subject,
		valued(must(control("from", lc.Say("From"), "date")), time.Date(today.Year()-1, today.Month(), 1, 0, 0, 0, 0, zone).Format(time.DateOnly)),
		hint(valued(must(control("to", lc.Say("Up to, not included"), "date")), time.Date(today.Year(), today.Month(), 1, 0, 0, 0, 0, zone).Format(time.DateOnly)), lc.Say("At most ten years at once.")),
		size,
		hint(control("currency", lc.Say("Currency"), "text"), lc.Say("As it shall stand behind amounts, such as EUR.")),
		hint(number("retrofit_cost", lc.Say("Retrofit, once"), c.Retrofit), lc.Say("Sensors, new coat and cover. These amounts are assumptions of this program: put in yours.")),
		number("care_cost", lc.Say("Care, a year"), c.Care), number("unit_value", lc.Say("Value of the unit"), c.UnitValue),
		hint(number("loss_without_low", lc.Say("Lost in a year without the retrofit, at least"), c.WithoutLow), lc.Say("A part of 1. Judgement values, no source.")),
		number("loss_without_high", lc.Say("… at most"), c.WithoutHigh),
		number("loss_with_low", lc.Say("Lost in a year with the retrofit, at least"), c.WithLow), number("loss_with_high", lc.Say("… at most"), c.WithHigh),
		hint(control("so2", lc.Say("Sulphur dioxide deposited, mg/(m² d)"), "number"), lc.Say("Both, or neither: for the categories of ISO 9223 in the appendix.")),
		control("cl", lc.Say("Chloride deposited, mg/(m² d)"), "number"),
	}}}
	p.Form.fill(lc, nil)
	return s.page(w, r, http.StatusOK, "reports.html", p)
}

func (s *server) withCalendar(next func(http.ResponseWriter, *http.Request) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		if s.cfg.Calendars == nil {
			return &problem{Status: http.StatusNotFound, Title: "There is no calendar here", Field: "path", Value: r.URL.Path, Fix: "begin at /"}
		}
		return next(w, r)
	}
}

func (s *server) calendarDesk() *calendar.Desk {
	return &calendar.Desk{Store: s.cfg.Calendars, View: s.cfg.View, Visits: s.cfg.Visits}
}

type calendarLinkPage struct {
	ID, Name, By string
	Made         moment
}

type calendarPage struct {
	sheet
	Addresses        []calendarLinkPage
	Fresh, FreshName string
	Field            fieldPage
	Open             bool
	Wrong            string
}

func (s *server) calendars(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	return s.showCalendars(w, r, http.StatusOK, &calendarPage{})
}

func (s *server) showCalendars(w http.ResponseWriter, r *http.Request, status int, p *calendarPage) error {
	lc := localeOf(r)
	zone, err := s.zone(r.Context())
	if err != nil {
		return err
	}
	links, err := s.cfg.Calendars.CalendarLinks(r.Context())
	if err != nil {
		return err
	}
	for i, l := range links {
		p.Addresses = append(p.Addresses, calendarLinkPage{"link-" + strconv.Itoa(i), l.Name, l.Author, moment{stamp(lc, l.Made, zone), utc(l.Made)}})
	}
	value, bad := p.Field.Value, p.Field.Error
	p.Field = fieldPage{ID: "calendar-name", Name: "name", Label: lc.Say("Whose calendar"), Type: "text", Auto: "off", Hint: lc.Say("As in: Ruth’s phone. At most 40 characters."), Value: value, Error: bad}
	return s.page(w, r, status, "calendar.html", p)
}

func (s *server) addCalendar(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	v, err := form(w, r, "name")
	if err != nil {
		return err
	}
	secret, err := s.calendarDesk().Add(r.Context(), v.Get("name"), visitorOf(r).Name, s.now())
	var bad books.Error
	switch {
	case errors.As(err, &bad):
		return s.showCalendars(w, r, http.StatusUnprocessableEntity, &calendarPage{Open: true, Field: fieldPage{Value: v.Get("name"), Error: capital(lc.Say(bad.Fix)) + "."}})
	case err != nil:
		return err
	}
	return s.showCalendars(w, r, http.StatusOK, &calendarPage{Fresh: s.base(r) + calendar.Path(secret), FreshName: strings.TrimSpace(v.Get("name"))})
}

func (s *server) revokeCalendar(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	v, err := form(w, r, "name")
	if err != nil {
		return err
	}
	err = s.calendarDesk().Revoke(r.Context(), v.Get("name"), visitorOf(r).Name, s.now())
	var bad books.Error
	switch {
	case errors.As(err, &bad):
		return s.showCalendars(w, r, http.StatusUnprocessableEntity, &calendarPage{Wrong: capital(lc.Say(bad.Fix)) + "."})
	case err != nil:
		return err
	}
	seeOther(w, r, "/calendar")
	return nil
}

// calendarFeed is for calendar programs, which can't sign in: who has the
// address may read it.
func (s *server) calendarFeed(w http.ResponseWriter, r *http.Request) error {
	secret, ok := strings.CutSuffix(r.PathValue("secret"), ".ics")
	none := &problem{Status: http.StatusNotFound, Title: "There is no such calendar", Field: "path", Fix: "make an address on the page Calendar: this one may have been revoked"}
	if !ok || r.URL.RawQuery != "" {
		return none
	}
	text, err := s.calendarDesk().Read(r.Context(), secret, s.base(r), s.now())
	if errors.Is(err, record.ErrNotFound) {
		return none
	}
	if err != nil {
		return err
	}
	w.Header().Set("Cache-Control", "private, no-cache")
	return send(w, r, http.StatusOK, "text/calendar; charset=utf-8", []byte(text))
}
