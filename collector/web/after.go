package web

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/words"
	"dewpost/rules/bench"
)

// workPage is one thing that may have been done, with what it takes.
type workPage struct {
	Code, Name string
	Details    []controlPage
}

// loadPage is a part that went along.
type loadPage struct {
	ID, Name string
	Lot      int64
	Most     int64
}

// reasonPage is a finding that the visit may have settled.
type reasonPage struct{ ID, Key, Name string }

type afterPage struct {
	sheet
	Row      visitRowPage
	Zone     string
	Kind     bench.Kind
	State    bench.State
	Cautions []string
	Reasons  []reasonPage
	Outcomes []choicePage
	Found    []controlPage
	Work     []workPage
	Loads    []loadPage
	Done     bool // the visit can end here
}

// outcomeChoices are what can come of a finding.
func outcomeChoices(lc *words.Locale) (all []choicePage) {
	for _, o := range bench.Outcomes {
		all = append(all, choicePage{Value: string(o), Text: lc.Code(string(o))})
	}
	return all
}

// outcomeWords says what came of a finding, and why.
func outcomeWords(lc *words.Locale, o *record.VisitOutcome, zone *time.Location) string {
	text := capital(lc.Code(string(o.Outcome))) + ", " + stamp(lc, o.At, zone)
	if o.Reason != "" {
		text += ": " + o.Reason
	}
	return text
}

// after is the form that is filled in at the station. It is kept on the phone
// until the collector has it; see static/after.js and static/offline.js.
func (s *server) after(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	if q := ask(r); q.err != nil {
		return q.err
	}
	d, err := s.detailsOf(r)
	if err != nil {
		return err
	}
	zone, err := s.cfg.Visits.Zone(r.Context(), d.Station, s.now())
	if err != nil {
		return err
	}
	names, err := s.stationNames(r)
	if err != nil {
		return err
	}
	p := &afterPage{
		Row:  visitRowOf(lc, &d.Visit, names, zone, s.now().Time().In(zone).Format(time.DateOnly)),
		Zone: zone.String(), Kind: d.Kind, State: d.State, Cautions: lc.RetellAll(books.CautionsOf(&d)), Outcomes: outcomeChoices(lc),
		Done: d.Kind != bench.SendIn && d.State.Open(),
	}
	for i, c := range d.Why {
		p.Reasons = append(p.Reasons, reasonPage{fmt.Sprintf("reason-%d", i), fmt.Sprintf("%s/%d", c.Kind, c.Number), lc.Kind(c.Kind).Name})
	}
	p.Found = []controlPage{
		choose(lc, "moisture", lc.Say("Inside it was"), bench.Moistures, false),
		control("water_ml", lc.Say("Water that ran out, ml"), "number"),
		choose(lc, "cover", lc.Say("Cover"), bench.CoverConditions, false),
		choose(lc, "gasket", lc.Say("Gasket"), bench.GasketConditions, false),
		choose(lc, "coating", lc.Say("Coating"), bench.CoatConditions, false),
	}
	for _, place := range []string{"board", "contacts", "connector", "terminals"} {
		p.Found = append(p.Found, choose(lc, "corrosion:"+place, lc.Say("Corrosion, %s", place), bench.Corrosions, false))
	}
	for i := range p.Found {
		p.Found[i].ID = "after-" + strings.ReplaceAll(p.Found[i].Name, ":", "-")
	}
	for _, code := range bench.Codes {
		one := workPage{Code: string(code), Name: capital(lc.Code(string(code)))}
		for _, detail := range code.Details() {
			name, need := strings.CutSuffix(detail, "*")
			c := control("detail:"+string(code)+":"+name, capital(lc.Code(name)), "text")
			if !need {
				c.Label += lc.Say(" (if known)")
			}
			c.ID = "after-" + string(code) + "-" + name
			one.Details = append(one.Details, c)
		}
		p.Work = append(p.Work, one)
	}
	if err := s.fillLoads(r, p, d.Number); err != nil {
		return err
	}
	return s.page(w, r, http.StatusOK, "after.html", p)
}

// fillLoads adds the parts that were reserved, by lot.
func (s *server) fillLoads(r *http.Request, p *afterPage, number int64) error {
	lc := localeOf(r)
	d, err := s.cfg.Visits.Visit(r.Context(), number)
	if err != nil {
		return err
	}
	loads, err := s.desk(r).Loads(r.Context(), lc, d.Visit, s.now())
	if err != nil {
		return err
	}
	for i := range loads {
		l := &loads[i]
		if l.Lot == 0 || slices.ContainsFunc(p.Loads, func(o loadPage) bool { return o.Lot == l.Lot }) {
			continue
		}
		p.Loads = append(p.Loads, loadPage{fmt.Sprintf("lot-%d", l.Lot), l.Name + ", " + l.From, l.Lot, l.Quantity})
	}
	return nil
}

// offline is the script by which pages of visits open without reception. It
// lies here because a browser lets it serve only what is below its address.
func (s *server) offline(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	return send(w, r, http.StatusOK, "text/javascript; charset=utf-8", s.static.files["offline.js"].body)
}
