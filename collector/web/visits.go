package web

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"math"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/words"
	"dewpost/rules/bench"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

const visitsShown = 50 // closed ones on the page

// controlPage is one field of a visit's form.
type controlPage struct {
	fieldPage
	Options []choicePage // of a select
	Long    bool         // text of several lines
	Must    bool
	Checked bool   // of a checkbox
	Accept  string // of a file
}

// formPage is a form of the visit pages.
type formPage struct {
	ID, Title, Action, Button string
	Multipart                 bool
	Open                      bool
	Wrong                     string // that belongs to no single field
	Hint                      string
	Fields                    []controlPage
}

// sent is a form as it came, and what is wrong with it.
type sent struct {
	form   string
	values url.Values
	err    books.Error
}

// fill puts back what was written, and says what is wrong with it.
func (f *formPage) fill(lc *words.Locale, s *sent) {
	for i := range f.Fields {
		c := &f.Fields[i]
		c.ID = f.ID + "-" + c.Name
	}
	if s == nil || s.form != f.ID {
		return
	}
	f.Open = true
	field := s.err.Field[strings.LastIndex(s.err.Field, ".")+1:]
	what := capital(lc.Say(s.err.Fix)) + "."
	if s.err.Value != "" {
		what = "“" + s.err.Value + "”: " + what
	}
	found := false
	for i := range f.Fields {
		c := &f.Fields[i]
		value := s.values.Get(c.Name)
		c.Value, c.Checked = value, c.Type == "checkbox" && value != ""
		for j := range c.Options {
			c.Options[j].Chosen = c.Options[j].Value == value
		}
		if c.Name == field && c.Type != "checkbox" {
			c.Error, found = what, true
		}
	}
	if !found {
		f.Wrong = s.err.Field + ": " + what
	}
}

// propose opens a form with what a link says of it.
func (f *formPage) propose(said url.Values) {
	for i := range f.Fields {
		c := &f.Fields[i]
		value := said.Get(c.Name)
		if value == "" {
			continue
		}
		f.Open, c.Value = true, value
		for k := range c.Options {
			c.Options[k].Chosen = c.Options[k].Value == value
		}
	}
}

func control(name, label, kind string) controlPage {
	return controlPage{fieldPage: fieldPage{Name: name, Label: label, Type: kind, Auto: "off"}}
}

func must(c controlPage) controlPage { c.Must = true; return c }

func hint(c controlPage, text string) controlPage { c.Hint = text; return c }

func long(name, label string) controlPage {
	c := control(name, label, "text")
	c.Long = true
	return c
}

// choose is a select whose first option is nothing, unless it must be said.
func choose[T ~string](lc *words.Locale, name, label string, values []T, need bool) controlPage {
	c := control(name, label, "select")
	c.Must = need
	if !need {
		c.Options = append(c.Options, choicePage{"", lc.Say("not said"), false})
	}
	for _, v := range values {
		c.Options = append(c.Options, choicePage{string(v), lc.Code(string(v)), false})
	}
	return c
}

func photoHref(visit, id int64) string {
	return visitHref(visit) + "/photos/" + strconv.FormatInt(id, 10)
}

// stationsListed is of how many stations a form shows a list to choose from; of more
// it asks for the id.
const stationsListed = 200

// stationControl asks for a station; none is what stands for no choice, where that
// is one.
func stationControl(lc *words.Locale, label string, names []stationName, chosen, none string) controlPage {
	if len(names) > stationsListed {
		c := hint(control("station", label, "text"), lc.Say("Its short id; the page Today finds it by name."))
		c.Must, c.Value = none == "", chosen
		return c
	}
	c := control("station", label, "select")
	c.Must = none == ""
	if none != "" {
		c.Options = append(c.Options, choicePage{"", none, chosen == ""})
	}
	for _, n := range names {
		text := n.id
		if n.name != "" && n.name != n.id {
			text = n.name + " (" + n.id + ")"
		}
		c.Options = append(c.Options, choicePage{n.id, text, n.id == chosen})
	}
	return c
}

func when(lc *words.Locale, name, label string) controlPage {
	return hint(control(name, label, "datetime-local"), lc.Say("Local time at the station. Empty: now."))
}

type visitRowPage struct {
	Number           int64
	Href             string
	Station, Name    string
	Kind, State, Who string
	When             moment
	Why              string
	Late             bool // planned for a day that is over
}

type visitsPage struct {
	sheet
	Open, Closed []visitRowPage
	Forms        []formPage
	Zone         string
	More         string // address of older ones
}

func (s *server) withVisits(next func(http.ResponseWriter, *http.Request) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		if s.cfg.Visits.VisitStore == nil {
			return &problem{Status: http.StatusNotFound, Title: "There are no visits here", Field: "path", Value: r.URL.Path, Fix: "begin at /"}
		}
		return next(w, r)
	}
}

func (s *server) visits(w http.ResponseWriter, r *http.Request) error {
	q := ask(r, "before", "station", "why")
	before := q.integer("before", 0, 1, min(1<<53, math.MaxInt))
	if q.err != nil {
		return q.err
	}
	return s.showVisits(w, r, http.StatusOK, int64(before), nil, q.values)
}

func (s *server) showVisits(w http.ResponseWriter, r *http.Request, status int, before int64, wrong *sent, planned url.Values) error {
	lc := localeOf(r)
	ctx := r.Context()
	open, err := s.cfg.Visits.Visits(ctx, record.VisitQuery{Open: true})
	if err != nil {
		return err
	}
	all, err := s.cfg.Visits.Visits(ctx, record.VisitQuery{Before: before, Limit: visitsShown})
	if err != nil {
		return err
	}
	names, err := s.stationNames(r)
	if err != nil {
		return err
	}
	zone, err := s.zone(ctx)
	if err != nil {
		return err
	}
	// What is planned first comes first; what has no day comes last.
	slices.SortStableFunc(open, func(a, b record.Visit) int {
		return cmp.Or(cmp.Compare(cmp.Or(a.Planned, "9999"), cmp.Or(b.Planned, "9999")), cmp.Compare(a.Number, b.Number))
	})
	p := &visitsPage{Zone: zone.String()}
	today := s.now().Time().In(zone).Format(time.DateOnly)
	for i := range open {
		p.Open = append(p.Open, visitRowOf(lc, &open[i], names, zone, today))
	}
	for i := range all {
		if !all[i].State.Open() {
			p.Closed = append(p.Closed, visitRowOf(lc, &all[i], names, zone, today))
		}
	}
	if len(all) == visitsShown {
		p.More = "/visits?before=" + strconv.FormatInt(all[len(all)-1].Number, 10)
	}
	p.Forms = visitsForms(lc, names)
	for i := range p.Forms {
		p.Forms[i].fill(lc, wrong)
	}
	p.Forms[0].propose(planned)
	return s.page(w, r, status, "visits.html", p)
}

type stationName struct{ id, name string }

func (s *server) stationNames(r *http.Request) ([]stationName, error) {
	rows, err := s.cfg.View.Stations(r.Context())
	if err != nil {
		return nil, err
	}
	var all []stationName
	for i := range rows {
		all = append(all, stationName{rows[i].Station.ID, rows[i].Station.Name})
	}
	slices.SortFunc(all, func(a, b stationName) int { return cmp.Compare(a.id, b.id) })
	return all, nil
}

func nameOf(names []stationName, id string) string {
	for _, n := range names {
		if n.id == id && n.name != "" {
			return n.name
		}
	}
	return id
}

func visitRowOf(lc *words.Locale, v *record.Visit, names []stationName, zone *time.Location, today string) visitRowPage {
	return visitRowPage{
		Number: v.Number, Href: visitHref(v.Number), Station: v.Station, Name: nameOf(names, v.Station),
		Kind: lc.Code(string(v.Kind)), State: lc.Code(string(v.State)), Who: v.Who, Why: whyOf(lc, v), When: visitWhen(lc, v, zone),
		Late: v.Began == 0 && v.Ended == 0 && v.Planned != "" && v.State.Open() && v.Planned < today,
	}
}

// visitWhen says when a visit is or was.
func visitWhen(lc *words.Locale, v *record.Visit, zone *time.Location) moment {
	switch {
	case v.Ended != 0:
		return moment{lc.Say("ended %s", stamp(lc, v.Ended, zone)), utc(v.Ended)}
	case v.Began != 0:
		return moment{lc.Say("began %s", stamp(lc, v.Began, zone)), utc(v.Began)}
	case v.Planned != "":
		return moment{Text: lc.Say("planned for %s", date(lc, v.Planned))}
	default:
		return moment{Text: lc.Say("no day set")}
	}
}

func whyOf(lc *words.Locale, v *record.Visit) string {
	var all []string
	for _, c := range v.Why {
		all = append(all, lc.Say("%s number %s", lc.Code(string(c.Kind)), strconv.FormatInt(c.Number, 10)))
	}
	if v.WhyText != "" {
		all = append(all, v.WhyText)
	}
	return strings.Join(all, "; ")
}

func visitHref(n int64) string { return "/visits/" + strconv.FormatInt(n, 10) }

func visitsForms(lc *words.Locale, names []stationName) []formPage {
	station := stationControl(lc, lc.Say("Station"), names, "", "")
	return []formPage{
		{
			ID: "add", Title: lc.Say("Plan a visit"), Action: "/visits", Button: lc.Say("Plan it"),
			Fields: []controlPage{
				station, choose(lc, "kind", lc.Say("Kind"), bench.Kinds, true), control("planned", lc.Say("Day"), "date"), control("who", lc.Say("Who goes"), "text"),
				hint(control("why", lc.Say("Finding that leads to it"), "text"), lc.Say("Kind and number, as in board_wet/3. Or say why in words:")),
				long("why_text", lc.Say("Why")),
			},
		},
		{
			ID: "symptom", Title: lc.Say("Write down what somebody noticed"), Action: "/visits/symptom", Button: lc.Say("Write it down"),
			Fields: []controlPage{
				station, choose(lc, "kind", lc.Say("What"), bench.Symptoms, true), long("note", lc.Say("More of it")),
				control("reported_by", lc.Say("Who says so"), "text"), control("since", lc.Say("Since"), "date"),
			},
		},
	}
}

// visitEntryPage is one line of what was written down of a visit.
type visitEntryPage struct {
	At       moment
	Text     string
	Note     string
	By       string
	Recorded moment
}

// visitEntriesPage is a list of them under a heading.
type visitEntriesPage struct {
	ID, Title string
	Items     []visitEntryPage
}

type photoPage struct {
	Src, Caption, Said string
}

type testLinePage struct{ What, Verdict, Reason string }

type testCardPage struct {
	At      moment
	Verdict string
	Bad     bool
	Lines   []testLinePage
	By      string
}

type visitPage struct {
	sheet
	Row                                          visitRowPage
	Zone                                         string
	Cautions                                     []string
	Steps, Findings, Work, Parts, Jars, Symptoms []visitEntryPage
	Outcomes                                     []visitEntryPage
	Photos                                       []photoPage
	Cards                                        []testCardPage
	Forms                                        []formPage
}

func noSuchVisit(field, value string) error {
	return &problem{Status: http.StatusNotFound, Title: "There is no such visit", Field: field, Value: value, Fix: "take a number from the list of visits"}
}

// detailsOf reads the visit that a request is about.
func (s *server) detailsOf(r *http.Request) (record.VisitDetails, error) {
	n, err := numberIn(r, "n")
	if err != nil {
		return record.VisitDetails{}, err
	}
	d, err := s.cfg.Visits.Visit(r.Context(), n)
	if errors.Is(err, record.ErrNotFound) {
		err = noSuchVisit("n", r.PathValue("n"))
	}
	return d, err
}

func (s *server) visit(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	return s.showVisit(w, r, http.StatusOK, nil)
}

func (s *server) showVisit(w http.ResponseWriter, r *http.Request, status int, wrong *sent) error {
	lc := localeOf(r)
	d, err := s.detailsOf(r)
	if err != nil {
		return err
	}
	// All of the station: what is told between visits is for the next one.
	if d.Symptoms, err = s.cfg.Visits.Symptoms(r.Context(), d.Station); err != nil {
		return err
	}
	card, err := s.cfg.Visits.Card(r.Context(), d.Number, s.now())
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
	today := s.now().Time().In(zone).Format(time.DateOnly)
	p := &visitPage{Row: visitRowOf(lc, &d.Visit, names, zone, today), Zone: zone.String(), Cautions: lc.RetellAll(books.CautionsOf(&d))}
	p.entries(lc, &d, zone, visitorOf(r).Role >= record.Work)
	p.Forms = visitForms(lc, &d, &card)
	for i := range p.Forms {
		p.Forms[i].fill(lc, wrong)
	}
	return s.page(w, r, status, "visit.html", p)
}

func visitEntryOf(lc *words.Locale, at unit.Instant, text, note string, e record.Entry, zone *time.Location) visitEntryPage {
	p := visitEntryPage{Text: text, Note: note, By: e.Author, Recorded: moment{stamp(lc, e.Recorded, zone), utc(e.Recorded)}}
	if at != 0 {
		p.At = moment{stamp(lc, at, zone), utc(at)}
	}
	return p
}

func (p *visitPage) entries(lc *words.Locale, d *record.VisitDetails, zone *time.Location, personal bool) {
	for i := range d.Steps {
		s := &d.Steps[i]
		note := s.Note
		if s.WithoutCard != "" {
			note = strings.TrimSpace(lc.Say("%s Without a passed test card: %s", note, s.WithoutCard))
		}
		p.Steps = append(p.Steps, visitEntryOf(lc, s.At, lc.Code(string(s.State)), note, s.Entry, zone))
	}
	for i := range d.Findings {
		f := &d.Findings[i]
		p.Findings = append(p.Findings, visitEntryOf(lc, f.At, strings.Join(lc.Found(&f.Findings), ", "), f.Note, f.Entry, zone))
	}
	for i := range d.Outcomes {
		o := &d.Outcomes[i]
		p.Outcomes = append(p.Outcomes, visitEntryOf(lc, o.At, lc.Kind(o.Kind).Name+": "+lc.Code(string(o.Outcome)), o.Reason, o.Entry, zone))
	}
	for i := range d.Work {
		k := &d.Work[i]
		p.Work = append(p.Work, visitEntryOf(lc, k.At, strings.Join(lc.Done(&k.Work), ", "), k.Note, k.Entry, zone))
	}
	for _, u := range d.Parts {
		p.Parts = append(p.Parts, visitEntryOf(lc, 0, lc.Say("%s of %s, lot %s", strconv.FormatInt(u.Quantity, 10), u.Kind, strconv.FormatInt(u.Lot, 10)), "", u.Entry, zone))
	}
	for _, j := range d.Jars {
		text := lc.Say("went in, and is still there: ")
		if j.End != 0 {
			text = lc.Say("to %s: ", stamp(lc, j.End, zone))
		}
		p.Jars = append(p.Jars, visitEntryOf(lc, j.Begin, text+j.Inside, "", j.Entry, zone))
	}
	for i := range d.Symptoms {
		y := &d.Symptoms[i]
		text := lc.Code(string(y.Kind))
		if y.Since != "" {
			text += lc.Say(", since %s", date(lc, y.Since))
		}
		if personal && y.ReportedBy != "" {
			text += lc.Say(", said by %s", y.ReportedBy)
		}
		p.Symptoms = append(p.Symptoms, visitEntryOf(lc, 0, text, y.Note, y.Entry, zone))
	}
	for i := range d.Photos {
		ph := &d.Photos[i]
		said := lc.Say("kept by %s, %s", ph.Author, stamp(lc, ph.Recorded, zone))
		if ph.Taken != 0 {
			said = lc.Say("taken %s, %s", stamp(lc, ph.Taken, zone), said)
		}
		caption := ph.Caption
		if caption == "" {
			caption = lc.Say("no caption")
		}
		p.Photos = append(p.Photos, photoPage{photoHref(d.Number, ph.ID), caption, said})
	}
	for i := range d.Cards {
		c := &d.Cards[i]
		k := testCardPage{At: moment{stamp(lc, c.At, zone), utc(c.At)}, Verdict: lc.Say(string(c.Result.Verdict)), Bad: c.Result.Verdict != bench.Passed, By: c.Author}
		for _, l := range c.Result.Lines {
			k.Lines = append(k.Lines, testLinePage{lc.Say(cardWords[l.Check]), lc.Say(string(l.Verdict)), lc.Retell(l.Reason)})
		}
		p.Cards = append([]testCardPage{k}, p.Cards...)
	}
}

// cardWords are the questions of the test card.
var cardWords = map[string]string{
	"keys": "Every key gives its call", "lamps": "Every lamp lights", "volume_steps": "Every volume step", "address": "Address read back",
	"standby_current": "Standby current", "talk_current": "Talk current", "talk_out": "Talk, station to house", "talk_in": "Talk, house to station",
	"coating_parts": "Coating under UV, side with the parts", "coating_solder": "Coating under UV, side with the joints",
	"masked.switch_contacts": "Switch contacts free of coating", "masked.microphone": "Microphone free of coating",
	"masked.connectors": "Connectors free of coating", "masked.address_switch": "Address switch free of coating",
	"inner_cover": "Inner cover back on", "cure": "Cure ended before it was closed",
}

func visitForms(lc *words.Locale, d *record.VisitDetails, card *record.VisitCard) []formPage {
	at := visitHref(d.Number)
	details := hint(long("details", lc.Say("Details")), lc.Say("One on a line, as in coating = acrylic. %s", detailsHint(lc)))
	return []formPage{
		{
			ID: "state", Title: lc.Say("How far it is"), Action: at + "/state", Button: lc.Say("Write it down"),
			Fields: []controlPage{
				choose(lc, "state", lc.Say("It is now"), bench.Next(d.Kind, d.State), true), when(lc, "at", lc.Say("Since")),
				valued(control("planned", lc.Say("Planned for"), "date"), d.Planned), valued(control("who", lc.Say("Who goes"), "text"), d.Who), long("note", lc.Say("Note")),
				hint(long("without_card", lc.Say("Why it may go without a passed test card")), lc.Say("Only for a unit whose board was worked on. It is kept.")),
			},
		},
		{
			ID: "findings", Title: lc.Say("What was found"), Action: at + "/findings", Button: lc.Say("Write it down"),
			Fields: []controlPage{
				when(lc, "at", lc.Say("When")), choose(lc, "moisture", lc.Say("Inside"), bench.Moistures, false), control("water_ml", lc.Say("Water drained, ml"), "number"),
				choose(lc, "cover", lc.Say("Cover"), bench.CoverConditions, false), choose(lc, "gasket", lc.Say("Gasket"), bench.GasketConditions, false),
				choose(lc, "coating", lc.Say("Coating"), bench.CoatConditions, false),
				choose(lc, "place", lc.Say("Corrosion at"), bench.Places, false), choose(lc, "grade", lc.Say("Corrosion"), bench.Corrosions, false),
				hint(long("corrosion", lc.Say("Corrosion at more places")), lc.Say("One on a line, as in keypad = trace.")), long("note", lc.Say("Note")),
			},
		},
		outcomeForm(lc, at, d),
		{
			ID: "work", Title: lc.Say("What was done"), Action: at + "/work", Button: lc.Say("Write it down"),
			Fields: []controlPage{choose(lc, "code", lc.Say("Work"), bench.Codes, true), details, when(lc, "at", lc.Say("When")), long("note", lc.Say("Note"))},
		},
		{
			ID: "parts", Title: lc.Say("Part used"), Action: at + "/parts", Button: lc.Say("Take it"),
			Fields: []controlPage{
				must(control("lot", lc.Say("Number of the lot"), "number")), must(valued(control("quantity", lc.Say("How many"), "number"), "1")),
				control("last_one_confirmed", lc.Say("Yes, take the last one of a kind that can’t be bought any more"), "checkbox"),
				control("take_reserved", lc.Say("Yes, take what is reserved for others"), "checkbox"),
			},
		},
		{
			ID: "photos", Title: lc.Say("Photo"), Action: at + "/photos", Button: lc.Say("Keep it"), Multipart: true,
			Hint: lc.Say("JPEG or PNG, up to 8 MiB. Where and with what it was taken is left out."),
			Fields: []controlPage{
				{fieldPage: fieldPage{Name: "photo", Label: lc.Say("Picture"), Type: "file", Auto: "off"}, Must: true, Accept: "image/jpeg,image/png"},
				control("caption", lc.Say("What it shows"), "text"), hint(control("taken", lc.Say("Taken"), "datetime-local"), lc.Say("Local time at the station, if known.")),
			},
		},
		cardForm(lc, at, card),
		{
			ID: "jar", Title: lc.Say("Humid jar"), Action: at + "/jar", Button: lc.Say("Write it down"),
			Hint: lc.Say("The end alone ends the step that lasts."),
			Fields: []controlPage{
				control("begin", lc.Say("Went in"), "datetime-local"), control("end", lc.Say("Came out"), "datetime-local"),
				hint(control("inside", lc.Say("What was in the jar"), "text"), lc.Say("As in: saturated salt solution, 75 %")),
			},
		},
	}
}

func outcomeForm(lc *words.Locale, at string, d *record.VisitDetails) formPage {
	of := must(control("finding", lc.Say("Finding"), "text"))
	of.Hint = lc.Say("Kind and number, as in board_wet/3.")
	if len(d.Why) > 0 {
		var all []string
		for _, c := range d.Why {
			all = append(all, fmt.Sprintf("%s/%d", c.Kind, c.Number))
		}
		of = choose(lc, "finding", lc.Say("Finding"), all, true)
	}
	return formPage{
		ID: "outcome", Title: lc.Say("What came of a finding"), Action: at + "/outcome", Button: lc.Say("Write it down"),
		Fields: []controlPage{
			of, choose(lc, "outcome", lc.Say("What came of it"), bench.Outcomes, true),
			hint(control("reason", lc.Say("Reason"), "text"), lc.Say("Needed unless it is still to do.")), when(lc, "at", lc.Say("When")),
		},
	}
}

func valued(c controlPage, value string) controlPage { c.Value = value; return c }

// detailsHint says what each code takes.
func detailsHint(lc *words.Locale) string {
	var all []string
	for _, c := range bench.Codes {
		if d := c.Details(); len(d) > 0 {
			all = append(all, lc.Say("%s takes %s", lc.Code(string(c)), strings.Join(d, ", ")))
		}
	}
	return lc.Say("%s. What ends in * must be said.", strings.Join(all, "; "))
}

func cardForm(lc *words.Locale, at string, c *record.VisitCard) formPage {
	k := &c.Card
	row := func(name, label string, r *bench.Row) []controlPage {
		there := ""
		if r.There != nil {
			there = strconv.Itoa(*r.There)
		}
		return []controlPage{
			valued(control(name+"_there", lc.Say("%s: how many there are", label), "number"), there),
			hint(control(name+"_good", lc.Say("%s: good", label), "text"), lc.Say("Numbers, as in 1-4, 6")),
			control(name+"_bad", lc.Say("%s: bad", label), "text"),
		}
	}
	number := func(name, label string, value *float64) controlPage {
		f := control(name, label, "number")
		if value != nil {
			f.Value = strconv.FormatFloat(*value, 'f', -1, 64)
		}
		return f
	}
	answer := func(name string) controlPage { return choose(lc, name, lc.Say(cardWords[name]), bench.Answers, false) }
	f := formPage{
		ID: "card", Title: lc.Say("Test card"), Action: at + "/card", Button: lc.Say("Write it down"),
		Hint: lc.Say("Limits are those of the maker’s sheet. What is left empty is told as missing."),
	}
	f.Fields = slices.Concat(
		[]controlPage{when(lc, "at", lc.Say("Tested"))},
		row("keys", lc.Say("Keys"), &k.Keys), row("lamps", lc.Say("Lamps, by their polarity"), &k.Lamps), row("volume_steps", lc.Say("Volume steps"), &k.VolumeSteps),
		[]controlPage{
			answer("talk_out"), answer("talk_in"),
			hint(control("address", lc.Say("Address read back"), "text"), lc.Say("Or none, where a unit has none.")),
			number("supply_v", lc.Say("Supply, V"), nil), number("standby_ma", lc.Say("Standby current, mA"), nil), number("standby_most_ma", lc.Say("Standby current at most, mA"), k.StandbyMostMA),
			number("talk_ma", lc.Say("Talk current, mA"), nil), number("talk_most_ma", lc.Say("Talk current at most, mA"), k.TalkMostMA),
			valued(control("limits_from", lc.Say("Where the limits stand"), "text"), k.LimitsFrom),
			answer("coating_parts"), answer("coating_solder"), answer("masked.switch_contacts"), answer("masked.microphone"),
			answer("masked.connectors"), answer("masked.address_switch"), answer("inner_cover"),
			number("cure_hours", lc.Say("Hours of cure, from the coating’s sheet"), k.CureHours),
			hint(control("closed", lc.Say("Closed"), "datetime-local"), lc.Say("When the unit was closed.")),
		})
	return f
}

// wrote answers a form: it shows the page again, anew when all is written
// down, else with what is wrong.
func (s *server) wrote(w http.ResponseWriter, r *http.Request, form string, values url.Values, f *books.VisitFile, err error) error {
	var number int64
	if err == nil {
		number, err = s.cfg.Visits.Record(r.Context(), f, s.now(), visitorOf(r).Name, false)
	}
	var bad books.Error
	switch {
	case err == nil && number == 0:
		seeOther(w, r, "/visits")
		return nil
	case err == nil:
		seeOther(w, r, visitHref(number))
		return nil
	case errors.As(err, &bad) && f.Visit == 0:
		return s.showVisits(w, r, http.StatusUnprocessableEntity, 0, &sent{form, values, bad}, nil)
	case errors.As(err, &bad):
		return s.showVisit(w, r, http.StatusUnprocessableEntity, &sent{form, values, bad})
	}
	return visitProblem(err, f)
}

// visitProblem turns an error of writing down into what is shown of it.
func visitProblem(err error, f *books.VisitFile) error {
	switch {
	case errors.Is(err, record.ErrChanged):
		return &problem{Status: http.StatusConflict, Title: "Somebody else wrote something down of this visit at this moment", Fix: "look at it, then say it again"}
	case errors.Is(err, record.ErrNotFound) && f.Visit != 0:
		return noSuchVisit("visit", strconv.FormatInt(f.Visit, 10))
	case errors.Is(err, record.ErrNotFound):
		return &problem{Status: http.StatusNotFound, Title: "There is no such station", Field: "station", Value: f.Station, Fix: "take an id from /api/v1/stations"}
	}
	return wrong(err)
}

func (s *server) addVisit(w http.ResponseWriter, r *http.Request) error {
	v, err := form(w, r, "station", "kind", "planned", "who", "why", "why_text")
	if err != nil {
		return err
	}
	planned, who := v.Get("planned"), v.Get("who")
	f := &books.VisitFile{Station: v.Get("station"), Kind: bench.Kind(v.Get("kind")), Planned: &planned, Who: &who, WhyText: v.Get("why_text")}
	if why := v.Get("why"); why != "" {
		var of books.CauseFile
		of, err = causeOf("why", why)
		f.Why = []books.CauseFile{of}
	}
	return s.wrote(w, r, "add", v, f, err)
}

func (s *server) addSymptom(w http.ResponseWriter, r *http.Request) error {
	v, err := form(w, r, "station", "kind", "note", "reported_by", "since")
	if err != nil {
		return err
	}
	f := &books.VisitFile{Station: v.Get("station"), Reports: []books.SymptomFile{{
		Kind: bench.Symptom(v.Get("kind")), Note: v.Get("note"), ReportedBy: v.Get("reported_by"), Since: v.Get("since"),
	}}}
	return s.wrote(w, r, "symptom", v, f, nil)
}

// visitForm reads a form that is about the visit in the path.
func (s *server) visitForm(w http.ResponseWriter, r *http.Request, names ...string) (url.Values, *books.VisitFile, error) {
	v, err := form(w, r, names...)
	if err != nil {
		return nil, nil, err
	}
	n, err := numberIn(r, "n")
	return v, &books.VisitFile{Visit: n}, err
}

func (s *server) addOutcome(w http.ResponseWriter, r *http.Request) error {
	v, f, err := s.visitForm(w, r, "finding", "outcome", "reason", "at")
	if err != nil {
		return err
	}
	of, wrong := causeOf("finding", v.Get("finding"))
	f.Came = []books.OutcomeFile{{CauseFile: of, Outcome: bench.Outcome(v.Get("outcome")), Reason: v.Get("reason"), At: v.Get("at")}}
	return s.wrote(w, r, "outcome", v, f, wrong)
}

// causeOf reads a finding as forms name it.
func causeOf(field, text string) (books.CauseFile, error) {
	kind, number, _ := strings.Cut(text, "/")
	n, err := strconv.ParseInt(number, 10, 64)
	if err != nil {
		return books.CauseFile{}, books.Error{Field: field, Value: text, Fix: "write kind and number, as in board_wet/3"}
	}
	return books.CauseFile{Kind: finding.Kind(kind), Number: n}, nil
}

func (s *server) setVisitState(w http.ResponseWriter, r *http.Request) error {
	v, f, err := s.visitForm(w, r, "state", "at", "planned", "who", "note", "without_card")
	if err != nil {
		return err
	}
	for name, to := range map[string]**string{"planned": &f.Planned, "who": &f.Who} {
		if v.Has(name) {
			text := v.Get(name)
			*to = &text
		}
	}
	f.States = []books.StateFile{{State: bench.State(v.Get("state")), At: v.Get("at"), Note: v.Get("note"), WithoutCard: v.Get("without_card")}}
	return s.wrote(w, r, "state", v, f, nil)
}

func (s *server) addFindings(w http.ResponseWriter, r *http.Request) error {
	v, f, err := s.visitForm(w, r, "at", "moisture", "water_ml", "cover", "gasket", "coating", "place", "grade", "corrosion", "note")
	if err != nil {
		return err
	}
	found := books.FindingFile{
		At: v.Get("at"), Moisture: bench.Moisture(v.Get("moisture")), Cover: bench.Condition(v.Get("cover")),
		Gasket: bench.Condition(v.Get("gasket")), Coating: bench.Condition(v.Get("coating")), Note: v.Get("note"),
	}
	var wrong error
	if text := v.Get("water_ml"); text != "" {
		ml, err := strconv.ParseInt(text, 10, 64)
		if err != nil {
			wrong = books.Error{Field: "water_ml", Value: text, Fix: "write whole millilitres"}
		}
		found.WaterML = &ml
	}
	corrosion, err := pairs("corrosion", v.Get("corrosion"))
	wrong = errors.Join(wrong, err)
	if place, grade := v.Get("place"), v.Get("grade"); place != "" || grade != "" {
		corrosion[place] = grade
	}
	for place, grade := range corrosion {
		if found.Corrosion == nil {
			found.Corrosion = make(map[string]bench.Corrosion)
		}
		found.Corrosion[place] = bench.Corrosion(grade)
	}
	f.Found = []books.FindingFile{found}
	return s.wrote(w, r, "findings", v, f, wrong)
}

// pairs reads lines of name = value.
func pairs(field, text string) (map[string]string, error) {
	all := make(map[string]string)
	for line := range strings.Lines(text) {
		if line = strings.TrimSpace(line); line == "" {
			continue
		}
		name, value, ok := strings.Cut(line, "=")
		name = strings.TrimSpace(name)
		if _, twice := all[name]; !ok || twice {
			return all, books.Error{Field: field, Value: line, Fix: "write one name = value on a line, and each name once"}
		}
		all[name] = strings.TrimSpace(value)
	}
	return all, nil
}

func (s *server) addWork(w http.ResponseWriter, r *http.Request) error {
	v, f, err := s.visitForm(w, r, "code", "details", "at", "note")
	if err != nil {
		return err
	}
	details, wrong := pairs("details", v.Get("details"))
	f.Work = []books.WorkFile{{Code: bench.Code(v.Get("code")), At: v.Get("at"), Note: v.Get("note"), Details: details}}
	return s.wrote(w, r, "work", v, f, wrong)
}

func (s *server) useVisitPart(w http.ResponseWriter, r *http.Request) error {
	v, f, err := s.visitForm(w, r, "lot", "quantity", "last_one_confirmed", "take_reserved")
	if err != nil {
		return err
	}
	var wrong error
	use := books.PartFile{LastOneConfirmed: v.Get("last_one_confirmed") != "", TakeReserved: v.Get("take_reserved") != ""}
	for name, to := range map[string]*int64{"lot": &use.Lot, "quantity": &use.Quantity} {
		n, err := strconv.ParseInt(v.Get(name), 10, 64)
		if err != nil {
			wrong = books.Error{Field: name, Value: v.Get(name), Fix: "write a whole number"}
		}
		*to = n
	}
	f.Parts = []books.PartFile{use}
	return s.wrote(w, r, "parts", v, f, wrong)
}

func (s *server) addJar(w http.ResponseWriter, r *http.Request) error {
	v, f, err := s.visitForm(w, r, "begin", "end", "inside")
	if err != nil {
		return err
	}
	f.Jars = []books.JarFile{{Begin: v.Get("begin"), End: v.Get("end"), Inside: v.Get("inside")}}
	return s.wrote(w, r, "jar", v, f, nil)
}

var cardFields = []string{
	"at", "keys_there", "keys_good", "keys_bad", "lamps_there", "lamps_good", "lamps_bad", "volume_steps_there", "volume_steps_good", "volume_steps_bad",
	"talk_out", "talk_in", "address", "supply_v", "standby_ma", "standby_most_ma", "talk_ma", "talk_most_ma", "limits_from", "coating_parts", "coating_solder",
	"masked.switch_contacts", "masked.microphone", "masked.connectors", "masked.address_switch", "inner_cover", "cure_hours", "closed",
}

func (s *server) addCard(w http.ResponseWriter, r *http.Request) error {
	v, f, err := s.visitForm(w, r, cardFields...)
	if err != nil {
		return err
	}
	c := cardReader{values: v}
	is := func(name string) bench.Answer { return bench.Answer(v.Get(name)) }
	f.Card = &books.CardFile{At: v.Get("at"), Closed: v.Get("closed"), Card: bench.Card{
		Keys: c.row("keys"), Lamps: c.row("lamps"), VolumeSteps: c.row("volume_steps"),
		TalkOut: is("talk_out"), TalkIn: is("talk_in"), Address: v.Get("address"),
		SupplyV: c.number("supply_v"), StandbyMA: c.number("standby_ma"), StandbyMostMA: c.number("standby_most_ma"),
		TalkMA: c.number("talk_ma"), TalkMostMA: c.number("talk_most_ma"), LimitsFrom: v.Get("limits_from"),
		CoatingParts: is("coating_parts"), CoatingSolder: is("coating_solder"),
		Masked: bench.Masks{
			SwitchContacts: is("masked.switch_contacts"), Microphone: is("masked.microphone"),
			Connectors: is("masked.connectors"), AddressSwitch: is("masked.address_switch"),
		},
		InnerCover: is("inner_cover"), CureHours: c.number("cure_hours"),
	}}
	return s.wrote(w, r, "card", v, f, c.err)
}

// cardReader reads the fields of a card and keeps the first error.
type cardReader struct {
	values url.Values
	err    error
}

func (c *cardReader) refuse(field, fix string) {
	if c.err == nil {
		c.err = books.Error{Field: field, Value: c.values.Get(field), Fix: fix}
	}
}

func (c *cardReader) number(name string) *float64 {
	text := strings.TrimSpace(c.values.Get(name))
	if text == "" {
		return nil
	}
	x, err := strconv.ParseFloat(text, 64)
	if err != nil {
		c.refuse(name, "write a number")
	}
	return &x
}

func (c *cardReader) row(name string) bench.Row {
	r := bench.Row{Good: c.numbers(name + "_good"), Bad: c.numbers(name + "_bad")}
	if text := c.values.Get(name + "_there"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil {
			c.refuse(name+"_there", "write a whole number")
		}
		r.There = &n
	}
	return r
}

const rowMost = 100 // numbers in one field

// numbers reads numbers and ranges, as in 1-4, 6.
func (c *cardReader) numbers(name string) (all []int) {
	for part := range strings.FieldsFuncSeq(c.values.Get(name), func(r rune) bool { return r == ',' || r == ' ' || r == ';' }) {
		first, last, isRange := strings.Cut(part, "-")
		if !isRange {
			last = first
		}
		from, err1 := strconv.Atoi(first)
		to, err2 := strconv.Atoi(last)
		if err1 != nil || err2 != nil || from < 1 || to < from || to > rowMost {
			c.refuse(name, "write numbers, as in 1-4, 6")
			return nil
		}
		for n := from; n <= to; n++ {
			all = append(all, n)
		}
	}
	return all
}

// photoBody is how large the body of a request with a photo may be, and
// photoTime how long it may take: people send photos from where they are.
const (
	photoBody = books.PhotoMost + 64<<10
	photoTime = 5 * time.Minute
)

// takesPhoto tells whether a route's requests may be as large as a photo.
func takesPhoto(path string) bool { return strings.HasSuffix(path, "/visits/{n}/photos") }

// patient lets a request take as long as a photo may, and its answer a minute
// more. Where nothing limits it, as in a test, there is nothing to do.
func patient(w http.ResponseWriter) {
	c, end := http.NewResponseController(w), time.Now().Add(photoTime)
	_ = c.SetReadDeadline(end)
	_ = c.SetWriteDeadline(end.Add(time.Minute))
}

func (s *server) addPhoto(w http.ResponseWriter, r *http.Request) error {
	media, params, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || media != "multipart/form-data" || params["boundary"] == "" {
		return &problem{
			Status: http.StatusBadRequest, Title: "This is not a form with a file",
			Field: "Content-Type", Value: r.Header.Get("Content-Type"), Fix: "send multipart/form-data",
		}
	}
	n, err := numberIn(r, "n")
	if err != nil {
		return err
	}
	patient(w)
	parts, err := r.MultipartReader()
	if err != nil {
		return err
	}
	values, photo := url.Values{}, books.PhotoFile{}
	for {
		part, err := parts.NextPart()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return photoProblem(err)
		}
		body, err := io.ReadAll(part)
		if err != nil {
			return photoProblem(err)
		}
		switch name := part.FormName(); name {
		case "photo":
			photo.Body = body
		case "caption", "taken":
			values.Set(name, string(body))
		default:
			return &problem{Status: http.StatusBadRequest, Title: "A field is wrong", Field: name, Fix: "use photo, caption, taken"}
		}
	}
	photo.Caption, photo.Taken = values.Get("caption"), values.Get("taken")
	return s.wrote(w, r, "photos", values, &books.VisitFile{Visit: n, Photos: []books.PhotoFile{photo}}, nil)
}

// photoProblem says why a body could not be read.
func photoProblem(err error) error {
	var tooLong *http.MaxBytesError
	if errors.As(err, &tooLong) {
		return &problem{Status: http.StatusRequestEntityTooLarge, Title: "The photo is too large", Field: "photo", Fix: "send at most 8 MiB: make it smaller"}
	}
	return &problem{Status: http.StatusBadRequest, Title: "The photo can't be read", Field: "photo", Fix: "send it again, whole"}
}

func (s *server) visitPhoto(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	n, err := numberIn(r, "n")
	if err != nil {
		return err
	}
	id, err := numberIn(r, "photo")
	if err != nil {
		return err
	}
	p, err := s.cfg.Visits.VisitPhoto(r.Context(), n, id)
	if errors.Is(err, record.ErrNotFound) {
		return &problem{Status: http.StatusNotFound, Title: "There is no such photo", Field: "photo", Value: r.PathValue("photo"), Fix: "take a number from the visit"}
	}
	if err != nil {
		return err
	}
	w.Header().Set("Content-Disposition", "inline; filename=visit-"+strconv.FormatInt(n, 10)+"-"+strconv.FormatInt(id, 10)+strings.Replace(p.Type, "image/", ".", 1))
	return sendAsIs(w, r, p.Type, p.Body)
}

// sendAsIs is send for what is packed already.
func sendAsIs(w http.ResponseWriter, r *http.Request, contentType string, body []byte) error {
	plain := r.Clone(r.Context())
	plain.Header.Del("Accept-Encoding")
	return send(w, plain, http.StatusOK, contentType, body)
}
