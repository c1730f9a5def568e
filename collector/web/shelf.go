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
	all, err := s.cfg.Parts.Shelf(r.Context(), s.now())
	if err != nil {
		return err
	}
	p := &shelfPage{Caution: making}
	names := make(map[string]*books.KindStands)
	for i := range all.Kinds {
		names[all.Kinds[i].Kind] = &all.Kinds[i]
		p.Kinds = append(p.Kinds, shelfRow(&all.Kinds[i]))
	}
	for i := range all.Reservations {
		row := reservedOf(&all.Reservations[i], names[all.Reservations[i].Kind])
		row.Release = visitorOf(r).Role >= record.Work
		if row.Waits {
			p.Waiting = append(p.Waiting, row)
		} else {
			p.Held = append(p.Held, row)
		}
	}
	for i := range all.Recipes {
		p.Recipes = append(p.Recipes, recipeOf(&all.Recipes[i], names))
	}
	if f.path != "" {
		p.Wrong = capital(f.err.Fix) + "."
	}
	if visitorOf(r).Role >= record.Work && len(all.Kinds) > 0 {
		if err := s.shelfForms(r, p, all, f); err != nil {
			return err
		}
	}
	return s.page(w, r, status, "shelf.html", p)
}

// amount is a quantity with its unit, where that isn't pieces.
func amount(n int64, unit string) string {
	if unit == stock.Piece {
		return grouped(n)
	}
	return grouped(n) + " " + unit
}

func shelfRow(k *books.KindStands) shelfRowPage {
	row := shelfRowPage{
		ID: k.Kind, Name: k.Name, Stock: amount(k.Stock, k.Unit), Reserved: amount(k.Reserved, k.Unit),
		Free: amount(k.Free, k.Unit), Makeable: amount(k.Makeable, k.Unit),
	}
	if k.Makeable == stock.MakeableMost {
		row.Makeable += " or more"
	}
	for _, more := range []struct {
		is   bool
		text string
	}{
		{k.LastOne, "the last one"},
		{k.Irreplaceable && k.Stock == 0, "none left, and it can’t be bought"},
		{k.Waiting > 0, amount(k.Waiting, k.Unit) + " waited for"},
		{k.BelowMinimum, "below " + amount(k.Minimum, k.Unit)},
		{k.Theirs > 0, amount(k.Theirs, k.Unit) + " of customers"},
		{k.Broken > 0, amount(k.Broken, k.Unit) + " broken"},
	} {
		if more.is {
			row.Says = append(row.Says, more.text)
		}
	}
	return row
}

func reservedOf(r *books.ReservationStands, k *books.KindStands) reservedPage {
	row := reservedPage{
		Number: r.Reservation, Kind: k.Name, KindRef: "/parts/" + r.Kind, Waits: r.Waiting > 0,
		What:  fmt.Sprintf("%s for %s", amount(r.Quantity, k.Unit), r.Station),
		State: "all there",
	}
	if row.Waits {
		row.State = "waits for " + amount(r.Waiting, k.Unit)
		if k.Makeable > 0 {
			row.State += ", and " + amount(k.Makeable, k.Unit) + " can be made up"
		}
	}
	says := []string{"grade " + string(r.Grade) + " or better"}
	if r.Lot != nil {
		says[0] = fmt.Sprintf("lot %d", *r.Lot)
	}
	if r.Paid {
		says = append(says, "paid")
	}
	if r.NeedBy != nil {
		says = append(says, "needed by "+date(*r.NeedBy))
	}
	if r.Order != "" {
		says = append(says, r.Order)
	}
	row.Says = strings.Join(says, " · ")
	return row
}

func recipeOf(r *books.RecipeShown, names map[string]*books.KindStands) recipePage {
	makes := names[r.Makes]
	p := recipePage{
		ID: r.Recipe, Steps: r.Steps,
		Makes: fmt.Sprintf("%s of %s, grade %s, in %s h of work", amount(r.Quantity, makes.Unit), makes.Name, r.Grade, strconv.FormatFloat(r.Hours, 'g', -1, 64)),
		Can:   fmt.Sprintf("%s can be made from what is free", amount(r.Makeable, makes.Unit)),
	}
	for i := range r.Needs {
		n := &r.Needs[i]
		k := names[n.Kind]
		text := amount(n.Quantity, k.Unit) + " of " + k.Name
		if n.Condition != nil {
			text += ", " + string(*n.Condition)
		}
		text += ": " + amount(n.There, k.Unit) + " free"
		if n.Makeable > 0 {
			text += ", " + amount(n.Makeable, k.Unit) + " can be made"
		}
		if n.Lacks > 0 {
			text += ", " + amount(n.Lacks, k.Unit) + " lacking"
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
	var kindIDs []choicePage
	for i := range all.Kinds {
		k := &all.Kinds[i]
		kindIDs = append(kindIDs, choicePage{Value: k.Kind, Text: k.Name + " (" + k.Kind + ")"})
	}
	var lotIDs, usable []choicePage
	for i := range all.Lots {
		l := &all.Lots[i]
		text := fmt.Sprintf("lot %d: %s of %s, %s, grade %s", l.Lot, grouped(l.Quantity), l.Kind, l.Condition, l.Grade)
		if l.Owner != nil {
			text += ", of " + *l.Owner
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
	for _, form := range shelfFormsOf(kindIDs, lotIDs, usable) {
		form.fill(f)
		if form.Open {
			p.Wrong = "Nothing was written down: see below what to change."
		}
		p.Forms = append(p.Forms, form)
	}
	return nil
}

func shelfFormsOf(kinds, lots, usable []choicePage) []shelfFormPage {
	pick := func(name, label string, choices []choicePage) entryPage {
		return entryPage{fieldPage: fieldPage{Name: name, Label: label}, Choices: choices}
	}
	write := func(name, label, kind, hint string, optional bool) entryPage {
		return entryPage{fieldPage: fieldPage{Name: name, Label: label, Type: kind, Auto: "off", Hint: hint}, Optional: optional}
	}
	how := write("quantity", "How many", "number", "Pieces, or ml where it is counted so.", false)
	station := write("station", "Station", "text", "Its short id.", false)
	last := write("last_one_confirmed", "It may be the last one of a kind that can’t be bought", "checkbox", "", true)
	reserved := write("take_reserved", "Others who reserved it may wait", "checkbox", "", true)
	var forms []shelfFormPage
	if len(usable) > 0 {
		forms = append(forms, shelfFormPage{Path: "/parts/use", Title: "Use a part", Button: "Use", Entries: []entryPage{
			pick("lot", "Lot", usable), how, station, write("for", "What for", "text", "An order, or a word about the job.", true), last, reserved,
		}})
	}
	forms = append(forms,
		shelfFormPage{Path: "/parts/reserve", Title: "Reserve a part", Button: "Reserve", Entries: []entryPage{
			pick("kind", "Kind", kinds), how, station, pick("grade", "This grade or better", partChoices(stock.Grades, string(stock.Worst))),
			write("order", "Order", "text", "", true), write("paid", "The order is paid", "checkbox", "", true), write("need_by", "Needed by", "date", "", true),
		}},
		shelfFormPage{Path: "/parts/receive", Title: "Put parts on the shelf", Button: "Receive", Entries: []entryPage{
			pick("kind", "Kind", kinds), how, pick("condition", "Condition", partChoices(stock.Conditions, string(stock.Used))),
			pick("grade", "Grade", partChoices(stock.Grades, "b")),
			write("owner", "Owner", "text", "A customer’s short id in the books; leave it empty for the shop.", true),
			write("loan", "The owner only lends it", "checkbox", "", true),
			write("place", "Place in the shop", "text", "", true), write("origin", "Where from", "text", "Such as the station that it was taken out of.", true),
			write("note", "Note", "text", "", true),
		}})
	if len(lots) > 0 {
		forms = append(forms, shelfFormPage{Path: "/parts/count", Title: "Count a lot", Button: "Record the count", Entries: []entryPage{
			pick("lot", "Lot", lots), write("quantity", "How many there are", "number", "", false), write("for", "Why it differs", "text", "", true),
		}})
	}
	return forms
}

// fill puts into a form's fields what was sent and what was wrong, and makes
// their ids.
func (p *shelfFormPage) fill(f shelfForm) {
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
			e.Error, found = capital(f.err.Fix)+".", true
		}
	}
	if mine && !found {
		p.Wrong = capital(f.err.Field) + ": " + f.err.Fix + "."
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
	p := &shelfKindPage{Row: shelfRow(&k.KindStands), Class: k.Class, Fits: k.Fits, Zone: zone.String()}
	for _, g := range stock.Grades {
		if n := k.Grades[g]; n > 0 {
			p.Grades = append(p.Grades, amount(n, k.Unit)+" of grade "+string(g))
		}
	}
	for i := range k.Lots {
		p.Lots = append(p.Lots, lotOf(&k.Lots[i], k.Unit))
	}
	for i := range k.Reservations {
		p.Reserved = append(p.Reserved, reservedOf(&k.Reservations[i], &k.KindStands))
	}
	for i := range k.Moves {
		p.Moves = append(p.Moves, moveOf(&k.Moves[i], k.Unit, zone))
	}
	if k.Before != 0 {
		p.Older = fmt.Sprintf("/parts/%s?before=%d#moves", id, k.Before)
	}
	return s.page(w, r, http.StatusOK, "shelf-kind.html", p)
}

func lotOf(l *books.LotStands, unit string) lotPage {
	p := lotPage{Number: l.Lot, What: fmt.Sprintf("%s %s, grade %s", amount(l.Quantity, unit), l.Condition, l.Grade), Whose: "the shop’s"}
	if l.Owner != nil {
		p.Whose = "of " + *l.Owner
		if l.Loan {
			p.Whose = "lent by " + *l.Owner
		}
	}
	var says []string
	if l.Held > 0 {
		says = append(says, amount(l.Held, unit)+" reserved")
	}
	for _, text := range []string{l.Place, l.Origin, l.Note} {
		if text != "" {
			says = append(says, text)
		}
	}
	p.Says = strings.Join(says, " · ")
	for _, in := range l.MadeFrom {
		p.MadeFrom = append(p.MadeFrom, fmt.Sprintf("%s of %s, lot %d", grouped(in.Quantity), in.Kind, in.Lot))
	}
	return p
}

func moveOf(m *books.MoveShown, unitName string, zone *time.Location) movePage {
	p := movePage{At: momentOf(m.At, zone), Change: amount(m.Delta, unitName), Lot: m.Lot, Reason: reasonsOfMoves[m.Reason]}
	if m.Delta > 0 {
		p.Change = "+" + p.Change
	}
	says := []string{"by " + m.Author}
	if m.Station != nil {
		says = append(says, "for "+*m.Station)
	}
	if m.Visit != nil {
		says = append(says, fmt.Sprintf("visit %d", *m.Visit))
	}
	if m.Party != nil {
		says = append(says, "to "+*m.Party)
	}
	if m.For != "" {
		says = append(says, m.For)
	}
	if m.LastOne {
		says = append(says, "the last one, confirmed")
	}
	if m.TookReserved {
		says = append(says, "though it was reserved, confirmed")
	}
	p.Says = strings.Join(says, " · ")
	return p
}

func momentOf(t unit.Instant, zone *time.Location) moment { return moment{stamp(t, zone), utc(t)} }
