package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/words"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// factWords name facts for people.
var factWords = map[string]string{
	fact.Name: "name", fact.Serial: "serial number", fact.Model: "model",
	fact.Contact: "contact", fact.Consent: "consent to recording", fact.Warranty: "warranty", fact.WarrantyUntil: "warranty until",
	fact.Zone: "time zone", fact.Lat: "latitude", fact.Lon: "longitude", fact.Salt: "salt", fact.Owner: "owner", fact.Access: "access",
	fact.Sun: "sun", fact.TravelMin: "minutes to drive", fact.Reach: "reached by", fact.Power: "power", fact.LetIn: "lets people in",
	fact.Site: "site", fact.Supply: "supply", fact.SupplyV: "supply, V", fact.SupplyMA: "supply can give, mA", fact.CurrentSensor: "current read at",
	fact.Spot: "spot", fact.Mounting: "mounting", fact.Build: "build", fact.Installed: "on the wall since",
	fact.MaxGap: "longest known step", fact.AllowanceK: "surface allowance, K", fact.Undercooling: "learned surface allowance", fact.AllowedSilence: "allowed silence", fact.Interval: "interval", fact.RHCheck: "check of the humidity sensor",
	fact.System: "system", fact.Wires: "wires", fact.Terminals: "terminals", fact.Line: "line", fact.Address: "address on the line",
	fact.Orientation: "looks to", fact.Eave: "eave", fact.CableEntry: "cable entry", fact.WeepHole: "weep hole",
	fact.Board: "board", fact.BoardGrade: "grade of the board", fact.BoardFitted: "board fitted",
	fact.Coating: "coating", fact.CoatingSides: "coated sides", fact.Coats: "coats", fact.Coated: "coated on", fact.Cured: "cure ends",
	fact.Cover: "cover", fact.CoverNew: "cover new", fact.CoverCondition: "condition of the cover",
	fact.Face: "face", fact.FaceNew: "face new", fact.FaceCondition: "condition of the face",
	fact.Station: "station", fact.Channels: "channels", fact.Place: "place in the box",
}

func factWord(lc *words.Locale, name string) string {
	if channel, ok := strings.CutPrefix(name, fact.Calibration+"."); ok {
		return lc.Say("added to %s", channel)
	}
	return lc.Say(factWords[name])
}

// bookNames are the facts in the line that the list of books has for each.
var bookNames = map[string][]string{
	fact.KindOwner:   {fact.Name, fact.Contact},
	fact.KindSite:    {fact.Name, fact.Owner},
	fact.KindLine:    {fact.Name, fact.Site, fact.Supply},
	fact.KindStation: {fact.Name, fact.Site, fact.Spot, fact.Line, fact.Address},
	fact.KindSensor:  {fact.Model, fact.Serial, fact.Station, fact.Place},
}

type bookPage struct {
	ID, Heading string
	Items       []bookItemPage
}

type bookItemPage struct {
	Href, ID, Says string
	When           string // it refers to what the page is about
}

type booksPage struct {
	sheet
	Books []bookPage

	Kinds  []choicesPage
	Fields []fieldPage
	Open   bool
}

// choicesPage is a group of choices.
type choicesPage struct {
	Name    string
	Choices []choicePage
}

// saidForm is what a form said, and what was wrong with it.
type saidForm struct {
	values url.Values
	err    books.Error
	wrong  bool
}

func (s *server) books(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	return s.showBooks(w, r, http.StatusOK, saidForm{})
}

func (s *server) showBooks(w http.ResponseWriter, r *http.Request, status int, f saidForm) error {
	lc := localeOf(r)
	p := &booksPage{Open: f.wrong, Fields: s.saidFields(lc, "new-", f)}
	for _, k := range kindPaths {
		all, err := books.All(r.Context(), s.cfg.Books, k.kind)
		if err != nil {
			return err
		}
		p.Books = append(p.Books, bookPage{k.path, lc.Say(k.heading), bookItems(lc, all, visitorOf(r).Role, s.now())})
		if k.kind == fact.KindStation {
			continue // is enrolled, with a secret
		}
		var group choicesPage
		for _, name := range fact.Names(k.kind) {
			value := k.kind + "." + name
			group.Choices = append(group.Choices, choicePage{value, lc.Say(k.kind) + ": " + factWord(lc, name), f.values.Get("what") == value})
		}
		group.Name = k.heading
		p.Kinds = append(p.Kinds, group)
	}
	return s.page(w, r, status, "books.html", p)
}

func bookItems(lc *words.Locale, all []books.Subject, role record.Role, now unit.Instant) []bookItemPage {
	var list []bookItemPage
	for _, subject := range all {
		list = append(list, bookItem(lc, subject.For(role), now))
	}
	return list
}

func bookItem(lc *words.Locale, subject books.Subject, now unit.Instant) bookItemPage {
	values := subject.Values(now)
	var says []string
	for _, name := range bookNames[subject.Kind] {
		if v := values[name]; v != "" && v != fact.None {
			if name != fact.Name {
				v = factWord(lc, name) + " " + v
			}
			says = append(says, v)
		}
	}
	if subject.Retired != 0 {
		says = append(says, lc.Say("retired"))
	}
	return bookItemPage{Href: bookHref(subject.Subject), ID: subject.ID, Says: strings.Join(says, " · ")}
}

// saidFields are the fields of a form that records a fact, but for its name.
func (s *server) saidFields(lc *words.Locale, prefix string, f saidForm) []fieldPage {
	fields := []fieldPage{
		{ID: prefix + "id", Name: "id", Label: lc.Say("Short id"), Type: "text", Auto: "off", Hint: lc.Say("Of a-z, 0-9 and -. It stays for ever.")},
		{ID: prefix + "value", Name: "value", Label: lc.Say("Value"), Type: "text", Auto: "off"},
		{
			ID: prefix + "from", Name: "from", Label: lc.Say("Since"), Type: "text", Auto: "off", Value: dayOf(s.now()),
			Hint: lc.Say("A date, which begins at midnight UTC, an instant as in 2025-05-14T09:00:00Z, or always."),
		},
	}
	wrong := "value"
	if f.err.Field == "id" || f.err.Field == "from" {
		wrong = f.err.Field
	}
	for i := range fields {
		field := &fields[i]
		if f.values != nil {
			field.Value = f.values.Get(field.Name)
		}
		if f.wrong && field.Name == wrong {
			field.Error = capital(lc.Say(f.err.Fix)) + "."
		}
	}
	return fields
}

// addBook writes down a new owner, site, line or sensor by its first fact.
func (s *server) addBook(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r, "what", "id", "value", "from")
	if err != nil {
		return err
	}
	kind, name, _ := strings.Cut(f.Get("what"), ".")
	subject := fact.Subject{Kind: kind, ID: strings.TrimSpace(f.Get("id"))}
	refused, err := s.say(r, f, subject, name, books.AddSubject)
	if refused != nil {
		return s.showBooks(w, r, http.StatusUnprocessableEntity, saidForm{f, *refused, true})
	}
	if err != nil {
		return err
	}
	seeOther(w, r, bookHref(subject))
	return nil
}

type sayer func(context.Context, books.FactStore, fact.Subject, []books.Said, unit.Instant, string) error

// say records what a form says; refused is what is wrong with it.
func (s *server) say(r *http.Request, f url.Values, subject fact.Subject, name string, record sayer) (refused *books.Error, err error) {
	from, err := books.ParseSince("from", f.Get("from"))
	if err == nil {
		said := []books.Said{{Name: name, Value: strings.TrimSpace(f.Get("value")), From: from, Undated: strings.TrimSpace(f.Get("from")) == ""}}
		err = record(r.Context(), s.cfg.Books, subject, said, s.now(), visitorOf(r).Name)
	}
	var said books.Error
	if errors.As(err, &said) {
		return &said, nil
	}
	return nil, err
}

type subjectPage struct {
	sheet
	Name, Kind, Path, ID string
	Retired              moment
	Withheld             bool // something is for others than who looks
	Facts                []statementPage
	Named                []bookPage      // what refers to it
	History              []statementPage // newest first
	Zone                 string

	Names  []choicePage
	Fields []fieldPage
	Hints  []hintPage
}

type statementPage struct {
	Name, Value, Href string // Href: of what the value refers to
	Since, Recorded   moment
	By                string
	Valid             bool
}

type hintPage struct{ Name, How string }

func (s *server) book(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	return s.showBook(w, r, http.StatusOK, saidForm{})
}

func (s *server) showBook(w http.ResponseWriter, r *http.Request, status int, f saidForm) error {
	lc := localeOf(r)
	about, err := s.about(r)
	if err != nil {
		return err
	}
	zone, err := s.zone(r.Context())
	if err != nil {
		return err
	}
	now := s.now()
	p := &subjectPage{
		Name: about.ID, Kind: about.Kind, Path: r.URL.Path, ID: about.ID, Zone: zone.String(),
		Withheld: withheld(about.Kind, visitorOf(r).Role), Fields: s.saidFields(lc, "say-", f)[1:],
	}
	if name := about.Values(now)[fact.Name]; name != "" {
		p.Name = name
	}
	if about.Retired != 0 {
		p.Retired = moment{stamp(lc, about.Retired, zone), utc(about.Retired)}
	}
	for _, st := range about.Present(now) {
		p.Facts = append(p.Facts, factOf(lc, about.Kind, &st, zone))
	}
	for _, st := range about.History(now) {
		p.History = append(p.History, factOf(lc, about.Kind, &st, zone))
	}
	slices.Reverse(p.History)
	if p.Named, err = s.naming(r, about.Subject, zone); err != nil {
		return err
	}
	for _, name := range fact.Names(about.Kind) {
		p.Names = append(p.Names, choicePage{name, factWord(lc, name), f.values.Get("name") == name})
		p.Hints = append(p.Hints, hintPage{factWord(lc, name), lc.Retell(fact.Hint(about.Kind, name))})
	}
	return s.page(w, r, status, "book.html", p)
}

// withheld tells whether some facts about a kind are not for that role.
func withheld(kind string, role record.Role) bool {
	return role < record.Work && slices.ContainsFunc(fact.Names(kind), func(name string) bool { return fact.Personal(kind, name) })
}

// naming lists what refers to a subject, or did, by kind.
func (s *server) naming(r *http.Request, subject fact.Subject, zone *time.Location) ([]bookPage, error) {
	lc := localeOf(r)
	all, err := books.Naming(r.Context(), s.cfg.Books, subject)
	if err != nil {
		return nil, err
	}
	var list []bookPage
	for _, k := range kindPaths {
		p := bookPage{ID: "its-" + k.path, Heading: k.heading}
		for _, ref := range all {
			if ref.Kind == k.kind {
				item := bookItem(lc, ref.For(visitorOf(r).Role), s.now())
				item.When = heldWords(lc, ref.Held, zone)
				p.Items = append(p.Items, item)
			}
		}
		if len(p.Items) > 0 {
			list = append(list, p)
		}
	}
	return list, nil
}

// heldWords say how long something held; "" for always.
func heldWords(lc *words.Locale, h fact.Held, zone *time.Location) string {
	switch from, to := sinceOf(lc, h.From, zone).Text, sinceOf(lc, h.To, zone).Text; {
	case h.From == fact.Always && h.To == fact.Forever:
		return ""
	case h.To == fact.Forever:
		return lc.Say("since %s", from)
	case h.From == fact.Always:
		return lc.Say("until %s", to)
	default:
		return lc.Say("%s to %s", from, to)
	}
}

func sinceOf(lc *words.Locale, t unit.Instant, zone *time.Location) moment {
	switch {
	case t == fact.Always:
		return moment{Text: lc.Say("always")}
	case t == t.Floor(24*time.Hour): // said as a date
		return moment{date(lc, dayOf(t)), utc(t)}
	}
	return moment{stamp(lc, t, zone), utc(t)}
}

func factOf(lc *words.Locale, kind string, st *books.Statement, zone *time.Location) statementPage {
	p := statementPage{Name: factWord(lc, st.Name), Value: st.Value, By: st.Author, Valid: st.Valid, Recorded: moment{stamp(lc, st.Recorded, zone), utc(st.Recorded)}}
	if to, ok := fact.Refers(fact.Fact{Subject: fact.Subject{Kind: kind}, Name: st.Name, Value: st.Value}); ok {
		p.Href = bookHref(to)
	}
	p.Since = sinceOf(lc, fact.Always, zone)
	if st.From != nil {
		p.Since = sinceOf(lc, *st.From, zone)
	}
	return p
}

// doSay records a fact about a subject.
func (s *server) doSay(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r, "name", "value", "from")
	if err != nil {
		return err
	}
	about, err := s.about(r)
	if err != nil {
		return err
	}
	refused, err := s.say(r, f, about.Subject, f.Get("name"), books.Say)
	if refused != nil {
		return s.showBook(w, r, http.StatusUnprocessableEntity, saidForm{f, *refused, true})
	}
	if err != nil {
		return err
	}
	seeOther(w, r, bookHref(about.Subject))
	return nil
}
