package web

import (
	"cmp"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/words"
	"dewpost/rules/bench"
	"dewpost/rules/need"
)

// needRow is a station in the list of who is first.
type needRow struct {
	Station, Name, Where string
	Loss, Range          string
	Suggest, Why         string
	First                string // the largest term's sentence
	Terms                []termRow
	Parts                []string
	Missing              []string
	Open                 []openRow
	Form                 formPage
	Wish                 string
	Worth                bool // something is to be done: it is told how
}

type termRow struct{ What, Chance, Cost, Loss, Why string }

type openRow struct {
	Number     int64
	Kind, When string
}

type planPage struct {
	sheet
	At    moment
	Zone  string
	Needs []needRow
	More  int // that are not shown
	Total string
}

// whatTerms say what a term is of.
var whatTerms = map[string]string{
	need.BoardEnds:    "the board’s life ends",
	need.FaultWorsens: "the fault gets worse",
	need.Unseen:       "a fault that nobody sees",
}

var kindWords = map[bench.Kind]string{
	bench.OnSite:         "Go there",
	bench.LocalInstaller: "Send an installer who lives near",
	bench.Photos:         "Ask for photos",
	bench.SendIn:         "Have it sent in",
}

// work writes hours of work.
func work(lc *words.Locale, h float64) string {
	if h < 0.995 {
		return plain(lc, 60*h, 0) + space + "min"
	}
	return plain(lc, h, 1) + space + "h"
}

func chance(lc *words.Locale, p float64) string {
	if p < 0.01 {
		return plain(lc, 100*p, 2) + space + "%"
	}
	return plain(lc, 100*p, 1) + space + "%"
}

// needRowsMost is how many stations a page shows unless it is asked for all.
const needRowsMost = 60

func (s *server) plan(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	q := ask(r, "all")
	every := q.yes("all")
	if q.err != nil {
		return q.err
	}
	all, err := s.cfg.Plans.Needs(r.Context(), s.now())
	if err != nil {
		return err
	}
	zone, err := s.zone(r.Context())
	if err != nil {
		return err
	}
	p := &planPage{At: moment{stamp(lc, s.now(), zone), utc(s.now())}, Zone: zone.String()}
	total := 0.0
	for i := range all {
		if total += all[i].LossH; every || i < needRowsMost {
			p.Needs = append(p.Needs, needRowOf(lc, &all[i]))
		}
	}
	p.More = len(all) - len(p.Needs)
	p.Total = work(lc, total)
	return s.page(w, r, http.StatusOK, "plan.html", p)
}

func needRowOf(lc *words.Locale, n *books.StationNeed) needRow {
	row := needRow{
		Station: n.Station, Name: n.Name, Where: n.SiteName, Loss: work(lc, n.LossH), Range: lc.Say("%s to %s", work(lc, n.LowH), work(lc, n.HighH)),
		Suggest: lc.Say(kindWords[n.Suggest.Kind]), Why: lc.Retell(n.Suggest.Why), Missing: factWordsOf(lc, n.Missing), Wish: wishWords(lc, n),
		Worth: n.Cause,
	}
	if n.Suggest.Loan {
		row.Suggest += lc.Say(", with a loan unit")
	}
	if n.DriveMin != nil {
		row.Where = strings.TrimPrefix(row.Where+", "+lc.Say("%s\u00a0min to drive", plain(lc, *n.DriveMin, 0)), ", ")
	}
	for i := range n.Terms {
		t := &n.Terms[i]
		row.Terms = append(row.Terms, termRow{
			lc.Say(whatTerms[t.What]), lc.Say("%s (%s to %s)", chance(lc, t.Chance), chance(lc, t.Low), chance(lc, t.High)), work(lc, t.CostH), work(lc, t.LossH), lc.Retell(t.Why),
		})
	}
	if len(n.Terms) > 0 {
		row.First = lc.Retell(n.Terms[0].Why)
	}
	for _, part := range n.Parts {
		row.Parts = append(row.Parts, partWords(lc, &part))
	}
	for _, v := range n.Open {
		o := openRow{v.Visit, lc.Code(string(v.Kind)), lc.Code(string(v.State))}
		if v.Planned != nil {
			o.When += ", " + *v.Planned
		}
		row.Open = append(row.Open, o)
	}
	row.Form = wishForm(lc, n)
	return row
}

func wishWords(lc *words.Locale, n *books.StationNeed) string {
	switch n.Wish {
	case "on":
		return lc.Say("Wanted on %s.", *n.WishDay)
	case "in":
		return lc.Say("Wanted in the next round.")
	case "out":
		return lc.Say("Not in the next round, as a person said.")
	}
	return ""
}

// partWords say whether a part is there for a visit.
func partWords(lc *words.Locale, p *books.PartToLoad) string {
	name := lc.Code(p.Class)
	if p.Name != "" {
		name = p.Name
	}
	switch {
	case p.Kind == "":
		return name
	case p.Held > 0:
		return lc.Say("%s: reserved for it", name)
	case p.Free > 0 && p.Irreplaceable:
		return lc.Say("%s: %s free, and it can’t be bought any more: reserve it", name, amount(lc, p.Free, p.Unit))
	case p.Free > 0:
		return lc.Say("%s: %s free", name, amount(lc, p.Free, p.Unit))
	case p.Makeable > 0:
		return lc.Say("%s: none free, %s can be made up", name, amount(lc, p.Makeable, p.Unit))
	case p.Needed:
		return lc.Say("%s: none free, and going there doesn’t help without: find one", name)
	}
	return lc.Say("%s: none free", name)
}

func wishForm(lc *words.Locale, n *books.StationNeed) formPage {
	f := formPage{ID: "wish-" + n.Station, Title: lc.Say("Say when"), Action: "/plan/wish", Button: lc.Say("Say so")}
	c := control("wish", lc.Say("In the next round"), "select")
	for _, o := range [][2]string{{"", lc.Say("as the plan finds best")}, {"in", lc.Say("on any day, but in it")}, {"on", lc.Say("on this day")}, {"out", lc.Say("not in it")}} {
		c.Options = append(c.Options, choicePage{o[0], o[1], o[0] == n.Wish})
	}
	day := control("day", lc.Say("Day, for “on this day”"), "date")
	day.Optional = true
	if n.WishDay != nil {
		day.Value = *n.WishDay
	}
	f.Fields = []controlPage{c, day}
	f.fill(lc, nil)
	return f
}

// postWish takes the form of a row.
func (s *server) postWish(w http.ResponseWriter, r *http.Request) error {
	v, err := form(w, r, "station", "wish", "day")
	if err != nil {
		return err
	}
	day := v.Get("day")
	if v.Get("wish") != "on" {
		day = ""
	}
	if err := s.cfg.Plans.Wish(r.Context(), v.Get("station"), v.Get("wish"), day, "", s.now(), visitorOf(r).Name); err != nil {
		return wrong(err)
	}
	http.Redirect(w, r, "/plan#"+v.Get("station"), http.StatusSeeOther)
	return nil
}

type roundPage struct {
	sheet
	Running  bool
	Progress string
	Failed   string
	Made     moment
	Says     []string
	Days     []roundDayPage
	Left     []books.RoundLeft
	HasPlan  bool
	Forms    []formPage
	Bookings []bookingPage
	Zone     string
}

type roundDayPage struct {
	Title, Says string
	Load        []string
	Visits      []roundVisitPage
}

type roundVisitPage struct {
	books.RoundVisit
	Drive, Says, Reason string
}

type bookingPage struct {
	Number int64
	Says   string
}

// planFailed says why a plan could not be made.
func (s *server) planFailed(lc *words.Locale, err error) string {
	var said books.Error
	if errors.As(err, &said) {
		return capital(said.Error()) + "."
	}
	s.cfg.Log.Error("plan failed", "error", err)
	return lc.Say("Something went wrong in the collector: look at its log, then try again.")
}

func (s *server) round(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	if q := ask(r); q.err != nil {
		return q.err
	}
	said, err := s.cfg.Plans.Said(r.Context())
	if err != nil {
		return err
	}
	zone, err := s.zone(r.Context())
	if err != nil {
		return err
	}
	state := s.roundState(lc)
	p := &roundPage{Running: state.Running, HasPlan: state.Plan != nil && !state.Running, Zone: zone.String()}
	if state.Running {
		p.Progress = lc.Say("It is being made.")
		if state.Of > 0 {
			p.Progress = lc.Say("%s\u00a0%% of the search is done; the best so far counts %s of work.", plain(lc, 100*float64(state.Step)/float64(state.Of), 0), work(lc, state.CostH))
		}
	}
	if state.Failed != nil && !state.Running {
		p.Failed = *state.Failed
	}
	if p.HasPlan {
		p.Made = moment{stamp(lc, state.Plan.Made, zone), utc(state.Plan.Made)}
		p.Says, p.Left = lc.RetellAll(state.Plan.Says), leftOf(lc, state.Plan.Left)
		for i := range state.Plan.Days {
			p.Days = append(p.Days, roundDayOf(lc, &state.Plan.Days[i]))
		}
	}
	for _, k := range said.Bookings {
		p.Bookings = append(p.Bookings, bookingPage{k.Booking, strings.Join(nonEmpty(lc.Say("%s, %s to %s", k.Day, k.From, k.To), k.Person, k.Site, k.Note), ", ")})
	}
	p.Forms = roundForms(lc, &said, state.Plan)
	return s.page(w, r, http.StatusOK, "round.html", p)
}

func nonEmpty(texts ...string) (some []string) {
	for _, t := range texts {
		if t != "" {
			some = append(some, t)
		}
	}
	return some
}

func roundDayOf(lc *words.Locale, d *books.RoundDay) roundDayPage {
	title := d.Day
	if t, err := time.Parse(time.DateOnly, d.Day); err == nil {
		title = lc.Format(t, "Monday 2 January 2006")
	}
	p := roundDayPage{Title: title, Says: lc.Say("%s, leaves at %s, back at %s; %s\u00a0min of driving", d.Who, d.Leave, d.Back, plain(lc, d.DriveMin, 0))}
	if d.OvertimeMin > 0 {
		p.Says += lc.Say(", %s\u00a0min of overtime", plain(lc, d.OvertimeMin, 0))
	}
	for _, l := range d.Load {
		text := fmt.Sprintf("%d × %s (%s)", l.Quantity, l.Name, strings.Join(l.Stations, ", "))
		if l.Make != "" {
			text += ", " + l.Make
		}
		if l.Missing > 0 {
			text += lc.Say(", %d of them missing on the shelf", l.Missing)
		}
		p.Load = append(p.Load, text)
	}
	for i := range d.Visits {
		p.Visits = append(p.Visits, roundVisitPage{d.Visits[i], plain(lc, d.Visits[i].DriveMin, 0) + space + "min", capital(lc.Retell(d.Visits[i].What)), lc.Retell(d.Visits[i].Why)})
	}
	return p
}

// leftOf are the stations that a plan left out.
func leftOf(lc *words.Locale, all []books.RoundLeft) []books.RoundLeft {
	out := slices.Clone(all)
	for i := range out {
		out[i].Why = lc.Retell(out[i].Why)
	}
	return out
}

// settingWords name settings of rounds that are missing as facts may be.
var settingWords = map[string]string{"plan lat": "the workshop’s latitude", "plan lon": "the workshop’s longitude"}

// factWordsOf name facts that somebody should record; of a site's the site stands
// before it.
func factWordsOf(lc *words.Locale, names []string) (all []string) {
	for _, name := range names {
		if said, ok := settingWords[name]; ok {
			all = append(all, lc.Say(said))
			continue
		}
		kind, of, ok := strings.Cut(name, " ")
		if !ok {
			kind, of = "", name
		}
		all = append(all, strings.TrimSpace(lc.Say(kind)+" "+lc.Say(cmp.Or(factWords[of], of))))
	}
	return all
}

func roundForms(lc *words.Locale, said *books.PlanSaid, plan *books.RoundPlan) []formPage {
	first, weeks := control("first", lc.Say("First day"), "date"), must(control("weeks", lc.Say("Weeks"), "number"))
	weeks.Value = "2"
	if plan != nil {
		first.Value, weeks.Value = plan.First, strconv.Itoa(plan.Weeks)
	}
	seed := hint(control("seed", lc.Say("Seed"), "number"), lc.Say("another seed searches otherwise; the same gives the same plan"))
	if seed.Value = "1"; plan != nil {
		seed.Value = strconv.FormatUint(plan.Seed, 10)
	}
	forms := []formPage{
		{ID: "start", Title: lc.Say("Make a plan"), Action: "/plan/round", Button: lc.Say("Plan"), Open: plan == nil, Fields: []controlPage{hint(first, lc.Say("left out: tomorrow")), weeks, seed}},
		{ID: "book", Title: lc.Say("Book time that is taken"), Action: "/plan/book", Button: lc.Say("Book"), Fields: []controlPage{
			must(control("day", lc.Say("Day"), "date")), must(control("from", lc.Say("From"), "time")), must(control("to", lc.Say("To"), "time")),
			control("person", lc.Say("Who"), "text"), hint(control("site", lc.Say("Site"), "text"), lc.Say("its id; left out: in the workshop")), control("note", lc.Say("Note"), "text"),
		}},
	}
	settings := formPage{ID: "settings", Title: lc.Say("How the workshop goes on rounds"), Action: "/plan/settings", Button: lc.Say("Set"), Hint: lc.Say("Costs are in hours of work, all judgement values. An empty field takes what is proposed.")}
	for _, v := range said.Settings {
		c := hint(control(v.Name, lc.Retell(strings.ReplaceAll(v.Name, "_", " ")), "text"), lc.Retell(v.Says))
		c.Value = v.Value
		settings.Fields = append(settings.Fields, c)
	}
	legs := long("table", lc.Say("Table"))
	forms = append(forms, settings, formPage{
		ID: "legs", Title: lc.Say("Measured driving"), Action: "/plan/legs", Button: lc.Say("Put in the place of what was measured"),
		Hint:   lc.Say("%d legs are known. Where none is, the minutes to drive of the site count, else the straight line times the road factor.", said.Legs),
		Fields: []controlPage{hint(legs, lc.Say("CSV with the columns from, to, minutes and km; places are ids of sites, or workshop"))},
	})
	for i := range forms {
		forms[i].fill(lc, nil)
	}
	return forms
}

func (s *server) postRound(w http.ResponseWriter, r *http.Request) error {
	v, err := form(w, r, "first", "weeks", "seed")
	if err != nil {
		return err
	}
	asked := books.RoundAsked{First: v.Get("first")}
	if asked.Weeks, err = strconv.Atoi(v.Get("weeks")); err != nil {
		return wrong(books.Error{Field: "weeks", Value: v.Get("weeks"), Fix: "plan one to eight weeks"})
	}
	if text := v.Get("seed"); text != "" {
		if asked.Seed, err = strconv.ParseUint(text, 10, 64); err != nil {
			return wrong(books.Error{Field: "seed", Value: text, Fix: "write a whole number"})
		}
	}
	if err := s.startRound(asked); err != nil {
		return err
	}
	return toRound(w, r)
}

func toRound(w http.ResponseWriter, r *http.Request) error {
	http.Redirect(w, r, "/plan/round", http.StatusSeeOther)
	return nil
}

func (s *server) stopRound(w http.ResponseWriter, r *http.Request) error {
	if _, err := form(w, r); err != nil {
		return err
	}
	s.cfg.Plans.Stop()
	return toRound(w, r)
}

func (s *server) postTake(w http.ResponseWriter, r *http.Request) error {
	if _, err := form(w, r); err != nil {
		return err
	}
	if _, err := s.takeRound(r); err != nil {
		return err
	}
	http.Redirect(w, r, "/visits", http.StatusSeeOther)
	return nil
}

func (s *server) postBooking(w http.ResponseWriter, r *http.Request) error {
	v, err := form(w, r, "day", "from", "to", "person", "site", "note")
	if err != nil {
		return err
	}
	said := books.BookingSaid{Day: v.Get("day"), From: v.Get("from"), To: v.Get("to"), Person: v.Get("person"), Site: v.Get("site"), Note: v.Get("note")}
	if _, err := s.cfg.Plans.Book(r.Context(), said, s.now(), visitorOf(r).Name); err != nil {
		return wrong(err)
	}
	return toRound(w, r)
}

func (s *server) postUnbook(w http.ResponseWriter, r *http.Request) error {
	v, err := form(w, r, "booking")
	if err != nil {
		return err
	}
	n, err := strconv.ParseInt(v.Get("booking"), 10, 64)
	if err != nil {
		return wrong(books.Error{Field: "booking", Value: v.Get("booking"), Fix: "take its number from the list"})
	}
	if err := s.cfg.Plans.Unbook(r.Context(), n, s.now(), visitorOf(r).Name); err != nil {
		return wrong(err)
	}
	return toRound(w, r)
}

// postSettings changes what differs from before.
func (s *server) postSettings(w http.ResponseWriter, r *http.Request) error {
	said, err := s.cfg.Plans.Said(r.Context())
	if err != nil {
		return err
	}
	var names []string
	for _, v := range said.Settings {
		names = append(names, v.Name)
	}
	v, err := form(w, r, names...)
	if err != nil {
		return err
	}
	change := make(map[string]string)
	for _, had := range said.Settings {
		if value := strings.TrimSpace(v.Get(had.Name)); v.Has(had.Name) && value != had.Value {
			change[had.Name] = value
		}
	}
	if err := s.cfg.Plans.Settle(r.Context(), change, s.now(), visitorOf(r).Name); err != nil {
		return wrong(err)
	}
	return toRound(w, r)
}

func (s *server) postLegs(w http.ResponseWriter, r *http.Request) error {
	v, err := form(w, r, "table")
	if err != nil {
		return err
	}
	if _, err := s.cfg.Plans.ImportLegs(r.Context(), strings.NewReader(v.Get("table")), s.now(), visitorOf(r).Name); err != nil {
		return wrong(err)
	}
	return toRound(w, r)
}
