package web

import (
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/words"
	"dewpost/rules/stock"
	"dewpost/rules/unit"
)

const shelfMovesShown = 50

// entryPage is a field of the forms about parts: an input, a choice where
// Choices has any, or a box to tick where Type is checkbox.
type entryPage struct {
	fieldPage
	Optional bool
	Choices  []choicePage
}

// Ticked tells whether a box is.
func (e entryPage) Ticked() bool { return e.Value == "yes" }

type shelfFormPage struct {
	Path, Title, Button string
	Entries             []entryPage
	Open                bool
	Wrong               string // what is wrong with none of its fields
}

type shelfRowPage struct {
	ID, Name                        string
	Stock, Reserved, Free, Makeable string
	Says                            []string
}

type reservedPage struct {
	Number        int64
	Kind, KindRef string
	What, State   string
	Says          string
	Waits         bool
	Release       bool // whoever looks may
}

type recipePage struct {
	ID, Makes, Can string
	Needs, Steps   []string
}

type shelfPage struct {
	sheet
	Kinds    []shelfRowPage
	Waiting  []reservedPage
	Held     []reservedPage
	Recipes  []recipePage
	Forms    []shelfFormPage
	Wrong    string // with what was sent; more is told in its form
	Stations []string
	Caution  string
}

// making is what can hurt where parts are made up.
const making = "Cutting, soldering and coating: mind eyes, fumes and fire. " +
	"The makers’ sheets of parts, solder and coating come first, and local rules with them."

// shelfForm is what a form said and what was wrong with it.
type shelfForm struct {
	path   string
	values url.Values
	err    books.Error
}

func (s *server) shelf(w http.ResponseWriter, r *http.Request) error {
	if q := ask(r); q.err != nil {
		return q.err
	}
	return s.showShelf(w, r, http.StatusOK, shelfForm{})
}

func (s *server) showShelf(w http.ResponseWriter, r *http.Request, status int, f shelfForm) error {
	lc := localeOf(r)
	all, err := s.cfg.Parts.Shelf(r.Context(), s.now())
	if err != nil {
		return err
	}
	p := &shelfPage{Caution: lc.Retell(making)}
	names := make(map[string]*books.KindStands)
	for i := range all.Kinds {
		names[all.Kinds[i].Kind] = &all.Kinds[i]
		p.Kinds = append(p.Kinds, shelfRow(lc, &all.Kinds[i]))
	}
	for i := range all.Reservations {
		row := reservedOf(lc, &all.Reservations[i], names[all.Reservations[i].Kind])
		row.Release = visitorOf(r).Role >= record.Work
		if row.Waits {
			p.Waiting = append(p.Waiting, row)
		} else {
			p.Held = append(p.Held, row)
		}
	}
	for i := range all.Recipes {
		p.Recipes = append(p.Recipes, recipeOf(lc, &all.Recipes[i], names))
	}
	if f.path != "" {
		p.Wrong = capital(lc.Say(f.err.Fix)) + "."
	}
	if visitorOf(r).Role >= record.Work && len(all.Kinds) > 0 {
		if err := s.shelfForms(r, p, all, f); err != nil {
			return err
		}
	}
	return s.page(w, r, status, "shelf.html", p)
}

// amount is a quantity with its unit, where that isn't pieces.
func amount(lc *words.Locale, n int64, unit string) string {
	if unit == stock.Piece {
		return grouped(lc, n)
	}
	return grouped(lc, n) + " " + unit
}

func shelfRow(lc *words.Locale, k *books.KindStands) shelfRowPage {
	row := shelfRowPage{
		ID: k.Kind, Name: k.Name, Stock: amount(lc, k.Stock, k.Unit), Reserved: amount(lc, k.Reserved, k.Unit),
		Free: amount(lc, k.Free, k.Unit), Makeable: amount(lc, k.Makeable, k.Unit),
	}
	if k.Makeable == stock.MakeableMost {
		row.Makeable += lc.Say(" or more")
	}
	for _, more := range []struct {
		is   bool
		text string
	}{
		{k.LastOne, lc.Say("the last one")},
		{k.Irreplaceable && k.Stock == 0, lc.Say("none left, and it can’t be bought")},
		{k.Waiting > 0, lc.Say("%s waited for", amount(lc, k.Waiting, k.Unit))},
		{k.BelowMinimum, lc.Say("below %s", amount(lc, k.Minimum, k.Unit))},
		{k.Theirs > 0, lc.Say("%s of customers", amount(lc, k.Theirs, k.Unit))},
		{k.Broken > 0, lc.Say("%s broken", amount(lc, k.Broken, k.Unit))},
	} {
		if more.is {
			row.Says = append(row.Says, more.text)
		}
	}
	return row
}

func reservedOf(lc *words.Locale, r *books.ReservationStands, k *books.KindStands) reservedPage {
	row := reservedPage{
		Number: r.Reservation, Kind: k.Name, KindRef: "/parts/" + r.Kind, Waits: r.Waiting > 0,
		What:  lc.Say("%s for %s", amount(lc, r.Quantity, k.Unit), r.Station),
		State: lc.Say("all there"),
	}
	if row.Waits {
		row.State = lc.Say("waits for %s", amount(lc, r.Waiting, k.Unit))
		if k.Makeable > 0 {
			row.State += lc.Say(", and %s can be made up", amount(lc, k.Makeable, k.Unit))
		}
	}
	says := []string{lc.Say("grade %s or better", string(r.Grade))}
	if r.Lot != nil {
		says[0] = lc.Say("lot %d", *r.Lot)
	}
	if r.Paid {
		says = append(says, "paid")
	}
	if r.NeedBy != nil {
		says = append(says, lc.Say("needed by %s", date(lc, *r.NeedBy)))
	}
	if r.Order != "" {
		says = append(says, r.Order)
	}
	row.Says = strings.Join(says, " · ")
	return row
}

func recipeOf(lc *words.Locale, r *books.RecipeShown, names map[string]*books.KindStands) recipePage {
	makes := names[r.Makes]
	p := recipePage{
		ID: r.Recipe, Steps: r.Steps,
		Makes: lc.Say("%s of %s, grade %s, in %s h of work", amount(lc, r.Quantity, makes.Unit), makes.Name, r.Grade, strconv.FormatFloat(r.Hours, 'g', -1, 64)),
		Can:   lc.Say("%s can be made from what is free", amount(lc, r.Makeable, makes.Unit)),
	}
	for i := range r.Needs {
		n := &r.Needs[i]
		k := names[n.Kind]
		text := lc.Say("%s of %s", amount(lc, n.Quantity, k.Unit), k.Name)
		if n.Condition != nil {
			text += ", " + string(*n.Condition)
		}
		text += lc.Say(": %s free", amount(lc, n.There, k.Unit))
		if n.Makeable > 0 {
			text += lc.Say(", %s can be made", amount(lc, n.Makeable, k.Unit))
		}
		if n.Lacks > 0 {
			text += lc.Say(", %s lacking", amount(lc, n.Lacks, k.Unit))
		}
		p.Needs = append(p.Needs, text)
	}
	return p
}

func partChoices[T ~string](all []T, chosen string) []choicePage {
	var list []choicePage
	for _, v := range all {
		list = append(list, choicePage{string(v), string(v), string(v) == chosen})
	}
	return list
}

// shelfForms fills the forms; the one that was sent keeps what was written.
func (s *server) shelfForms(r *http.Request, p *shelfPage, all *books.Shelf, f shelfForm) error {
	lc := localeOf(r)
	var kindIDs []choicePage
	for i := range all.Kinds {
		k := &all.Kinds[i]
		kindIDs = append(kindIDs, choicePage{Value: k.Kind, Text: k.Name + " (" + k.Kind + ")"})
	}
	var lotIDs, usable []choicePage
	for i := range all.Lots {
		l := &all.Lots[i]
		text := lc.Say("lot %d: %s of %s, %s, grade %s", l.Lot, grouped(lc, l.Quantity), l.Kind, l.Condition, l.Grade)
		if l.Owner != nil {
			text += lc.Say(", of %s", *l.Owner)
		}
		if l.Place != "" {
			text += ", " + l.Place
		}
		choice := choicePage{Value: strconv.FormatInt(l.Lot, 10), Text: text}
		lotIDs = append(lotIDs, choice)
		if l.Condition != stock.Broken {
			usable = append(usable, choice)
		}
	}
	if s.cfg.Books != nil {
		stations, err := s.cfg.Books.Stations(r.Context())
		if err != nil {
			return err
		}
		for _, st := range stations {
			if st.Retired == 0 {
				p.Stations = append(p.Stations, st.ID)
			}
		}
	}
	for _, form := range shelfFormsOf(lc, kindIDs, lotIDs, usable) {
		form.fill(lc, f)
		if form.Open {
			p.Wrong = lc.Say("Nothing was written down: see below what to change.")
		}
		p.Forms = append(p.Forms, form)
	}
	return nil
}

func shelfFormsOf(lc *words.Locale, kinds, lots, usable []choicePage) []shelfFormPage {
	pick := func(name, label string, choices []choicePage) entryPage {
		return entryPage{fieldPage: fieldPage{Name: name, Label: label}, Choices: choices}
	}
	write := func(name, label, kind, hint string, optional bool) entryPage {
		return entryPage{fieldPage: fieldPage{Name: name, Label: label, Type: kind, Auto: "off", Hint: hint}, Optional: optional}
	}
	how := write("quantity", lc.Say("How many"), "number", lc.Say("Pieces, or ml where it is counted so."), false)
	station := write("station", lc.Say("Station"), "text", lc.Say("Its short id."), false)
	last := write("last_one_confirmed", lc.Say("It may be the last one of a kind that can’t be bought"), "checkbox", "", true)
	reserved := write("take_reserved", lc.Say("Others who reserved it may wait"), "checkbox", "", true)
	var forms []shelfFormPage
	if len(usable) > 0 {
		forms = append(forms, shelfFormPage{Path: "/parts/use", Title: lc.Say("Use a part"), Button: lc.Say("Use"), Entries: []entryPage{
			pick("lot", lc.Say("Lot"), usable), how, station, write("for", lc.Say("What for"), "text", lc.Say("An order, or a word about the job."), true), last, reserved,
		}})
	}
	forms = append(forms,
		shelfFormPage{Path: "/parts/reserve", Title: lc.Say("Reserve a part"), Button: lc.Say("Reserve"), Entries: []entryPage{
			pick("kind", lc.Say("Kind"), kinds), how, station, pick("grade", lc.Say("This grade or better"), partChoices(stock.Grades, string(stock.Worst))),
			write("order", lc.Say("Order"), "text", "", true), write("paid", lc.Say("The order is paid"), "checkbox", "", true), write("need_by", lc.Say("Needed by"), "date", "", true),
		}},
		shelfFormPage{Path: "/parts/receive", Title: lc.Say("Put parts on the shelf"), Button: lc.Say("Receive"), Entries: []entryPage{
			pick("kind", lc.Say("Kind"), kinds), how, pick("condition", lc.Say("Condition"), partChoices(stock.Conditions, string(stock.Used))),
			pick("grade", lc.Say("Grade"), partChoices(stock.Grades, "b")),
			write("owner", lc.Say("Owner"), "text", lc.Say("A customer’s short id in the books; leave it empty for the shop."), true),
			write("loan", lc.Say("The owner only lends it"), "checkbox", "", true),
			write("place", lc.Say("Place in the shop"), "text", "", true), write("origin", lc.Say("Where from"), "text", lc.Say("Such as the station that it was taken out of."), true),
			write("note", lc.Say("Note"), "text", "", true),
		}})
	if len(lots) > 0 {
		forms = append(forms, shelfFormPage{Path: "/parts/count", Title: lc.Say("Count a lot"), Button: lc.Say("Record the count"), Entries: []entryPage{
			pick("lot", lc.Say("Lot"), lots), write("quantity", lc.Say("How many there are"), "number", "", false), write("for", lc.Say("Why it differs"), "text", "", true),
		}})
	}
	return forms
}

// fill puts into a form's fields what was sent and what was wrong, and makes
// their ids.
func (p *shelfFormPage) fill(lc *words.Locale, f shelfForm) {
	mine := f.path == p.Path
	p.Open = mine
	found := false
	for i := range p.Entries {
		e := &p.Entries[i]
		e.ID = strings.TrimPrefix(p.Path, "/parts/") + "-" + e.Name
		if !mine {
			continue
		}
		e.Value = f.values.Get(e.Name)
		if len(e.Choices) > 0 {
			choices := append([]choicePage(nil), e.Choices...)
			for j := range choices {
				choices[j].Chosen = choices[j].Value == e.Value
			}
			e.Choices = choices
		}
		if e.Name == f.err.Field {
			e.Error, found = capital(lc.Say(f.err.Fix))+".", true
		}
	}
	if mine && !found {
		p.Wrong = capital(f.err.Field) + ": " + lc.Say(f.err.Fix) + "."
	}
}

// shelved shows the page again: anew when something is done, or with what is
// wrong.
func (s *server) shelved(w http.ResponseWriter, r *http.Request, f url.Values, err error) error {
	var said books.Error
	switch {
	case err == nil:
		seeOther(w, r, "/parts")
		return nil
	case errors.As(err, &said):
		return s.showShelf(w, r, http.StatusUnprocessableEntity, shelfForm{r.URL.Path, f, said})
	}
	return err
}

// wholeNumber reads a number of a form.
func wholeNumber(f url.Values, name string) (int64, error) {
	text := strings.TrimSpace(f.Get(name))
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil {
		return 0, books.Error{Field: name, Value: text, Fix: "write a whole number"}
	}
	return n, nil
}

// shelfMoves are the fields of forms that move parts, by reason.
var shelfMoves = map[record.PartReason][]string{
	record.PartReceived: {"kind", "quantity", "condition", "grade", "owner", "loan", "place", "origin", "note"},
	record.PartUsed:     {"lot", "quantity", "station", "for", "last_one_confirmed", "take_reserved"},
	record.PartCounted:  {"lot", "quantity", "for"},
}

// shelfMove makes the handler of a form that moves parts.
func (s *server) shelfMove(reason record.PartReason) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		f, err := form(w, r, shelfMoves[reason]...)
		if err != nil {
			return err
		}
		m := moveAsked{
			Reason: reason, Kind: f.Get("kind"), Condition: stock.Condition(f.Get("condition")), Grade: stock.Grade(f.Get("grade")),
			Owner: strings.TrimSpace(f.Get("owner")), Loan: f.Get("loan") == "yes", Place: f.Get("place"), Origin: f.Get("origin"), Note: f.Get("note"),
			Station: strings.TrimSpace(f.Get("station")), For: f.Get("for"),
			LastOneConfirmed: f.Get("last_one_confirmed") == "yes", TakeReserved: f.Get("take_reserved") == "yes",
		}
		m.Quantity, err = wholeNumber(f, "quantity")
		if err == nil && reason != record.PartReceived {
			m.Lot, err = wholeNumber(f, "lot")
		}
		if err == nil {
			_, _, err = s.movePart(r, &m)
		}
		return s.shelved(w, r, f, err)
	}
}

func (s *server) shelfReserve(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r, "kind", "quantity", "station", "grade", "order", "paid", "need_by")
	if err != nil {
		return err
	}
	n, err := wholeNumber(f, "quantity")
	if err == nil {
		_, err = s.cfg.Parts.Reserve(r.Context(), stock.Reservation{
			Kind: f.Get("kind"), Quantity: n, Grade: stock.Grade(f.Get("grade")), Station: strings.TrimSpace(f.Get("station")),
			Order: f.Get("order"), Paid: f.Get("paid") == "yes", NeedBy: f.Get("need_by"), Made: s.now(),
		}, visitorOf(r).Name)
	}
	return s.shelved(w, r, f, err)
}

func (s *server) shelfRelease(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r, "reservation")
	if err != nil {
		return err
	}
	n, err := wholeNumber(f, "reservation")
	if err == nil {
		err = s.cfg.Parts.Release(r.Context(), n, s.now(), visitorOf(r).Name)
	}
	return s.shelved(w, r, f, err)
}

type lotPage struct {
	Number            int64
	What, Whose, Says string
	MadeFrom          []string
}

type movePage struct {
	At           moment
	Change       string
	Lot          int64
	Reason, Says string
}

type shelfKindPage struct {
	sheet
	Row      shelfRowPage
	Class    string
	Fits     []string
	Grades   []string
	Lots     []lotPage
	Reserved []reservedPage
	Moves    []movePage
	Older    string
	Zone     string
}

// reasonsOfMoves say why a stock changed.
var reasonsOfMoves = map[record.PartReason]string{
	record.PartReceived: "received", record.PartMade: "made up", record.PartReturned: "put back", record.PartUsed: "used",
	record.PartIntoRecipe: "made into another", record.PartLent: "lent", record.PartGivenBack: "given back", record.PartScrapped: "scrapped",
	record.PartCounted: "counted",
}

func (s *server) shelfKind(w http.ResponseWriter, r *http.Request) error {
	lc := localeOf(r)
	q := ask(r, "before")
	before := int64(q.integer("before", 0, 1, math.MaxInt))
	if q.err != nil {
		return q.err
	}
	id := r.PathValue("part")
	k, err := s.cfg.Parts.Kind(r.Context(), id, s.now(), before, shelfMovesShown)
	if err != nil {
		return noPart(err, "kind", id, "choose one on the page Parts")
	}
	zone, err := s.zone(r.Context())
	if err != nil {
		return err
	}
	p := &shelfKindPage{Row: shelfRow(lc, &k.KindStands), Class: k.Class, Fits: k.Fits, Zone: zone.String()}
	for _, g := range stock.Grades {
		if n := k.Grades[g]; n > 0 {
			p.Grades = append(p.Grades, lc.Say("%s of grade %s", amount(lc, n, k.Unit), string(g)))
		}
	}
	for i := range k.Lots {
		p.Lots = append(p.Lots, lotOf(lc, &k.Lots[i], k.Unit))
	}
	for i := range k.Reservations {
		p.Reserved = append(p.Reserved, reservedOf(lc, &k.Reservations[i], &k.KindStands))
	}
	for i := range k.Moves {
		p.Moves = append(p.Moves, moveOf(lc, &k.Moves[i], k.Unit, zone))
	}
	if k.Before != 0 {
		p.Older = fmt.Sprintf("/parts/%s?before=%d#moves", id, k.Before)
	}
	return s.page(w, r, http.StatusOK, "shelf-kind.html", p)
}

func lotOf(lc *words.Locale, l *books.LotStands, unit string) lotPage {
	p := lotPage{Number: l.Lot, What: lc.Say("%s %s, grade %s", amount(lc, l.Quantity, unit), l.Condition, l.Grade), Whose: lc.Say("the shop’s")}
	if l.Owner != nil {
		p.Whose = lc.Say("of %s", *l.Owner)
		if l.Loan {
			p.Whose = lc.Say("lent by %s", *l.Owner)
		}
	}
	var says []string
	if l.Held > 0 {
		says = append(says, lc.Say("%s reserved", amount(lc, l.Held, unit)))
	}
	for _, text := range []string{l.Place, l.Origin, l.Note} {
		if text != "" {
			says = append(says, text)
		}
	}
	p.Says = strings.Join(says, " · ")
	for _, in := range l.MadeFrom {
		p.MadeFrom = append(p.MadeFrom, lc.Say("%s of %s, lot %d", grouped(lc, in.Quantity), in.Kind, in.Lot))
	}
	return p
}

func moveOf(lc *words.Locale, m *books.MoveShown, unitName string, zone *time.Location) movePage {
	p := movePage{At: momentOf(lc, m.At, zone), Change: amount(lc, m.Delta, unitName), Lot: m.Lot, Reason: lc.Say(reasonsOfMoves[m.Reason])}
	if m.Delta > 0 {
		p.Change = "+" + p.Change
	}
	says := []string{lc.Say("written down by %s", m.Author)}
	if m.Station != nil {
		says = append(says, lc.Say("for %s", *m.Station))
	}
	if m.Visit != nil {
		says = append(says, lc.Say("visit %d", *m.Visit))
	}
	if m.Party != nil {
		says = append(says, lc.Say("to %s", *m.Party))
	}
	if m.For != "" {
		says = append(says, m.For)
	}
	if m.LastOne {
		says = append(says, lc.Say("the last one, confirmed"))
	}
	if m.TookReserved {
		says = append(says, lc.Say("though it was reserved, confirmed"))
	}
	p.Says = strings.Join(says, " · ")
	return p
}

func momentOf(lc *words.Locale, t unit.Instant, zone *time.Location) moment {
	return moment{stamp(lc, t, zone), utc(t)}
}
