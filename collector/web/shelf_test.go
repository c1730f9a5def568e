package web_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/collector/view"
	"dewpost/collector/web"
	"dewpost/rules/stock"
)

// addShelf puts a few parts on the shelf.
func addShelf(t testing.TB, s *store.Store) {
	t.Helper()
	ctx := context.Background()
	for _, k := range []stock.Kind{
		{ID: "keypad", Name: "Outdoor keypad", Class: "keypad", Unit: stock.Piece, Irreplaceable: true, LastOne: true, Minimum: 2, Fits: []string{"Larkmoor 8"}},
		{ID: "keypad-in", Name: hostileName, Class: "keypad", Unit: stock.Piece},
		{ID: "varnish", Name: "Board coating", Class: "coating", Unit: stock.Millilitre},
	} {
		require.NoError(t, s.PutPartKind(ctx, k, false, siteBegin, "Ruth"))
	}
	for _, l := range []stock.Lot{
		{Kind: "keypad", Condition: stock.Used, Grade: "b", Quantity: 1, Place: "drawer 3", Origin: "lake-02"},
		{Kind: "keypad-in", Condition: stock.Used, Grade: "c", Quantity: 3, Note: hostileSpot},
		{Kind: "varnish", Condition: stock.New, Grade: "a", Quantity: 250},
		{Kind: "varnish", Condition: stock.Broken, Grade: "d", Quantity: 40},
	} {
		_, err := s.ReceivePart(ctx, l, siteBegin, "Ruth")
		require.NoError(t, err)
	}
	require.NoError(t, s.PutRecipe(ctx, stock.Recipe{
		ID: "keypad-up", Makes: "keypad", Quantity: 1, Grade: "c", Hours: 1.5, Steps: []string{"Cut the carrier.", "Seal the keys."},
		Needs: []stock.Need{{Kind: "keypad-in", Quantity: 1, Condition: stock.Used}, {Kind: "varnish", Quantity: 20}},
	}, false, siteBegin, "Ruth"))
}

const shelfPagesOfMoves = 50 // on one page

func TestShelfByProgram(t *testing.T) {
	s := newBookSite(t)
	s.fill() // lake is ida's
	parts := s.items(record.Look, "/api/v1/parts", "Parts")
	require.Len(t, parts, 3)
	figures := func(names ...string) string {
		t.Helper()
		var out []string
		for _, name := range names {
			out = append(out, fmt.Sprint(s.items(record.Look, "/api/v1/parts", "Parts")[0][name]))
		}
		return strings.Join(out, " ")
	}
	require.Equal(t, "1 0 1 3 4 true true", figures("stock", "reserved", "free", "makeable", "available", "last_one", "below_minimum"))

	s.said("/api/v1/parts/reservations", `{"kind":"keypad","quantity":2,"station":"lake-07","order":"12/25","paid":true,"need_by":"2025-11-30"}`)
	require.Equal(t, "1 2 1 1 0", figures("stock", "reserved", "held", "waiting", "free"))
	open := s.items(record.Look, "/api/v1/parts/reservations", "PartReservations")
	require.Equal(t, []any{"lake-07", "2025-11-30", true, nil, json.Number("1")}, []any{open[0]["station"], open[0]["need_by"], open[0]["paid"], open[0]["lot"], open[0]["waiting"]})

	s.refuses("/api/v1/parts/moves", `{"reason":"used","lot":1,"quantity":1,"station":"lake-02"}`, "last_one_confirmed", "false", "last one")
	s.refuses("/api/v1/parts/moves", `{"reason":"used","lot":1,"quantity":1,"station":"lake-02","last_one_confirmed":true}`, "take_reserved", "false", "1 for lake-07")
	s.refuses("/api/v1/parts/moves", `{"reason":"made","lot":1,"quantity":1}`, "reason", "made", "by a recipe")
	s.said("/api/v1/parts/recipes/keypad-up/make", `{"times":2,"place":"drawer 1"}`)
	s.refuses("/api/v1/parts/moves", `{"reason":"used","lot":5,"quantity":2,"station":"lake-07","visit":3}`, "visit", "3", "no such visit")
	require.Equal(t, http.StatusNoContent, s.say("/api/v1/visits?dry_run=true", `{"station":"lake-07","kind":"on-site"}`).Code)
	w := s.say("/api/v1/visits", `{"station":"lake-07","kind":"on-site"}`)
	require.Less(t, w.Code, 300, w.Body.String())
	s.said("/api/v1/parts/moves", `{"reason":"used","lot":5,"quantity":2,"station":"lake-07","visit":1}`)
	require.Equal(t, "1 0 0 1", figures("stock", "reserved", "waiting", "makeable"))
	s.said("/api/v1/parts/moves", `{"reason":"returned","lot":5,"quantity":1,"station":"lake-07","for":"not needed"}`)
	s.said("/api/v1/parts/moves", `{"reason":"lent","lot":5,"quantity":1,"party":"ida"}`)
	s.said("/api/v1/parts/moves", `{"reason":"returned","lot":5,"quantity":1}`)
	s.said("/api/v1/parts/moves", `{"reason":"counted","lot":3,"quantity":200}`)
	s.said("/api/v1/parts/moves", `{"reason":"scrapped","lot":4,"quantity":40}`)
	s.said("/api/v1/owners/ben/facts", `{"new":true,"facts":[{"name":"name","value":"Ben Example"}]}`)
	s.said("/api/v1/parts/moves", `{"reason":"received","kind":"keypad","quantity":1,"condition":"refurbished","grade":"a","owner":"ben","loan":true,"place":"drawer 2","origin":"lake-07","note":"hers"}`)
	s.refuses("/api/v1/parts/moves", `{"reason":"used","lot":6,"quantity":1,"station":"lake-02"}`, "lot", "6", "belongs to owner ben", "lake-02's site belongs to ida")
	s.said("/api/v1/parts/moves", `{"reason":"given-back","lot":6,"quantity":1}`)

	card := s.object("/api/v1/parts/keypad?limit=4", "PartInFull")
	require.Len(t, card["moves"], 4)
	require.Equal(t, "given-back", card["moves"].([]any)[0].(map[string]any)["reason"])
	rest := s.object("/api/v1/parts/keypad?limit=100&next="+card["next"].(string), "PartInFull")
	require.Len(t, rest["moves"], 4)
	require.NotContains(t, rest, "next")
	made := s.object("/api/v1/parts/varnish", "PartInFull")
	require.Equal(t, "into-recipe", made["moves"].([]any)[2].(map[string]any)["reason"].(string))

	require.Equal(t, json.Number("1"), s.object("/api/v1/parts/keypad/can-make", "CanMake")["makeable"])
	require.Len(t, s.items(record.Look, "/api/v1/parts/recipes", "PartRecipes"), 1)
	s.said("/api/v1/parts/kinds", `{"kind":"gasket","name":"Gasket","class":"gasket","fits":["Larkmoor 8"],"minimum":4}`)
	s.said("/api/v1/parts/recipes", `{"recipe":"gasket-cut","makes":"gasket","grade":"b","hours":0.25,"needs":[{"kind":"keypad-in","quantity":1}],"steps":["Cut."]}`)
	s.said("/api/v1/parts/recipes", `{"recipe":"gasket-cut","makes":"gasket","grade":"c","needs":[{"kind":"keypad-in","quantity":1,"condition":"broken"}],"replace":true}`)
	s.said("/api/v1/parts/reservations", `{"kind":"gasket","quantity":1,"station":"lake-02"}`)
	s.said("/api/v1/parts/reservations/2/release", `{}`)
	s.refuses("/api/v1/parts/reservations/2/release", `{}`, "reservation", "2", "no such reservation is open")

	s.refuses("/api/v1/parts/kinds", `{"kind":"gasket","name":"Gasket","class":"gasket"}`, "kind", "gasket", "another id")
	s.refuses("/api/v1/parts/recipes", `{"recipe":"x","makes":"gasket","grade":"b","needs":[]}`, "needs", "0")
	s.refuses("/api/v1/parts/recipes/soup/make", `{}`, "recipe", "soup", "no such recipe")
	s.refuses("/api/v1/parts/reservations", `{"kind":"gasket","quantity":0,"station":"lake-02"}`, "quantity", "0")
	for path, field := range map[string]string{"/api/v1/parts/horn": "kind", "/api/v1/parts/horn/can-make": "kind"} {
		w := s.do(t, call{method: "GET", path: path, headers: s.tokens[record.Look]})
		require.Equal(t, http.StatusNotFound, w.Code)
		require.Contains(t, w.Body.String(), `"field":"`+field+`","value":"horn"`)
	}
	require.Equal(t, http.StatusNotFound, s.say("/api/v1/parts/reservations/x/release", `{}`).Code)
	body := textOf(s.ask(record.Look, "/parts/keypad").Body.String())
	for _, want := range []string{
		"Lot 5 1 made-up, grade c, the shop’s drawer 1 · recipe keypad-up", "Made up from 2 of keypad-in, lot 2; 40 of varnish, lot 3",
		"−1 lent, lot 5", "by work (token) · to ida", "−2 used, lot 5", "for lake-07 · visit 1", "+1 put back, lot 5", "not needed",
		"−1 given back, lot 6", "+2 made up, lot 5", "1 of grade b", "1 of grade c",
	} {
		require.Contains(t, body, want)
	}
	body = textOf(s.ask(record.Look, "/parts").Body.String())
	require.Contains(t, body, "gasket-cut 1 of Gasket, grade c, in 0 h of work. 0 can be made from what is free.")
	require.Contains(t, body, ", broken: 0 free, 1 lacking")
	for range shelfPagesOfMoves {
		s.said("/api/v1/parts/moves", `{"reason":"counted","lot":1,"quantity":1}`)
	}
	require.Contains(t, s.ask(record.Look, "/parts/keypad").Body.String(), `#moves">Older</a>`)
	for _, path := range []string{"/parts", "/parts/keypad", "/api/v1/parts", "/api/v1/parts/keypad", "/api/v1/parts/keypad/can-make", "/api/v1/parts/reservations", "/api/v1/parts/recipes"} {
		w := s.do(t, call{method: "GET", path: path + "?colour=red", headers: s.tokens[record.Look]})
		require.Equal(t, http.StatusBadRequest, w.Code, path)
	}
	trail := s.ask(record.Run, "/audit").Body.String()
	require.Contains(t, trail, "work (token)")
	require.Contains(t, trail, "made up 2 of keypad, lot 5, by recipe keypad-up")
}

// refuses requires that what is said is refused with its field, value and fix.
func (s *bookSite) refuses(path, body, field, value string, fix ...string) {
	s.t.Helper()
	w := s.say(path, body)
	require.Equal(s.t, http.StatusBadRequest, w.Code, w.Body.String())
	var p struct{ Field, Value, Fix string }
	require.NoError(s.t, json.Unmarshal(w.Body.Bytes(), &p))
	require.Equal(s.t, []string{field, value}, []string{p.Field, p.Value}, p.Fix)
	for _, text := range fix {
		require.Contains(s.t, p.Fix, text)
	}
}

// object is an answer of the API, as described.
func (s *bookSite) object(path, described string) (v map[string]any) {
	s.t.Helper()
	var doc map[string]any
	require.NoError(s.t, json.Unmarshal(s.ask(record.Look, "/api/v1/openapi.json").Body.Bytes(), &doc))
	d := json.NewDecoder(s.ask(record.Look, path).Body)
	d.UseNumber()
	require.NoError(s.t, d.Decode(&v))
	check := schemas{s.t, doc}
	check.check(path, map[string]any{"$ref": "#/components/schemas/" + described}, v)
	return v
}

func TestShelfByForm(t *testing.T) {
	s := newBookSite(t)
	s.fill()
	text := func(w *httptest.ResponseRecorder) string { return textOf(w.Body.String()) }
	page := s.ask(record.Look, "/parts")
	require.Contains(t, text(page), "Outdoor keypad the last one, below 2 1 0 1 3")
	require.Contains(t, text(page), "Board coating 40 ml broken 250 ml 0 ml 250 ml 0 ml")
	require.Contains(t, text(page), "keypad-up 1 of Outdoor keypad, grade c, in 1.5 h of work. 3 can be made from what is free.")
	require.NotContains(t, page.Body.String(), "<form class=\"sheet\"", "who may only look has no forms")
	require.NotContains(t, page.Body.String(), "<script>")
	require.Contains(t, s.ask(record.Work, "/parts").Body.String(), `<option value="lake-07">`)

	// What was written stays, and what is wrong stands beside it.
	w := s.post("/parts/use", "lot", "1", "quantity", "1", "station", "lake-07", "for", "a < b")
	require.Equal(t, http.StatusUnprocessableEntity, w.Code)
	require.Contains(t, text(w), "this is the last one: confirm that it may go.")
	require.Contains(t, w.Body.String(), `value="a &lt; b"`)
	require.Contains(t, w.Body.String(), `aria-describedby="use-last_one_confirmed-error"`)
	require.Contains(t, w.Body.String(), `<option value="1" selected>`)
	w = s.post("/parts/use", "lot", "1", "quantity", "many", "station", "lake-07")
	require.Contains(t, text(w), "Write a whole number.")
	w = s.post("/parts/use", "lot", "9", "quantity", "1", "station", "lake-07")
	require.Contains(t, text(w), "There is no such lot: take its number from the list of parts.")
	w = s.post("/parts/use", "lot", "x", "quantity", "1", "station", "lake-07")
	require.Contains(t, text(w), "Write a whole number.")
	require.Equal(t, http.StatusUnprocessableEntity, s.post("/parts/receive", "kind", "keypad", "quantity", "1", "condition", "used", "grade", "b", "loan", "yes").Code)
	w = s.post("/parts/receive", "kind", "horn", "quantity", "1", "condition", "used", "grade", "b")
	require.Contains(t, text(w), "There is no such kind of part")

	for path, said := range map[string][]string{
		"/parts/reserve": {"kind", "keypad", "quantity", "1", "station", "lake-02", "grade", "d", "paid", "yes", "need_by", "2025-11-30", "order", "12/25"},
		"/parts/count":   {"lot", "3", "quantity", "240", "for", "spilt"},
		"/parts/receive": {"kind", "keypad-in", "quantity", "2", "condition", "used", "grade", "b", "owner", "ida", "loan", "yes", "place", "shelf"},
	} {
		w := s.post(path, said...)
		require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
		require.Equal(t, "/parts", w.Header().Get("Location"))
	}
	w = s.post("/parts/use", "lot", "1", "quantity", "1", "station", "lake-07", "last_one_confirmed", "yes")
	require.Contains(t, text(w), "Keypad is reserved: 1 for lake-02 (reservation 1)")
	body := text(s.ask(record.Work, "/parts"))
	require.Contains(t, body, "Reserved, and there Outdoor keypad 1 for lake-02: all there grade d or better · paid · needed by 30 November 2025 · 12/25")
	require.Equal(t, http.StatusSeeOther, s.post("/parts/use", "lot", "1", "quantity", "1", "station", "lake-07", "last_one_confirmed", "yes", "take_reserved", "yes").Code)
	body = text(s.ask(record.Work, "/parts"))
	require.Contains(t, body, "Outdoor keypad none left, and it can’t be bought, 1 waited for, below 2 0 1 0 3")
	require.Contains(t, body, "Reserved, and not there Outdoor keypad 1 for lake-02: waits for 1, and 3 can be made up")
	require.Contains(t, body, "2 of customers")

	raw := s.ask(record.Look, "/parts/keypad").Body.String()
	body = textOf(raw)
	require.Contains(t, body, "0 in stock, 0 free 1 reserved. 3 can be made from what is free. Mind: none left")
	require.Contains(t, body, "−1 used, lot 1")
	require.Contains(t, body, "by work (token) · for lake-07 · the last one, confirmed · though it was reserved, confirmed")
	require.NotContains(t, s.ask(record.Look, "/parts/keypad-in").Body.String(), "<img")
	body = textOf(s.ask(record.Look, "/parts/keypad-in").Body.String())
	require.Contains(t, body, "2 used, grade b, lent by ida shelf")

	require.Equal(t, http.StatusSeeOther, s.post("/parts/release", "reservation", "1").Code)
	w = s.post("/parts/release", "reservation", "1")
	require.Equal(t, http.StatusUnprocessableEntity, w.Code)
	require.Contains(t, text(w), "No such reservation is open")
	w = s.do(t, call{method: "GET", path: "/parts/horn", headers: s.tokens[record.Look]})
	require.Equal(t, http.StatusNotFound, w.Code)
	require.Contains(t, text(w), "There is no such kind")
}

func TestEmptyShelf(t *testing.T) {
	st, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "empty.db"))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, st.Close()) })
	now := func() time.Time { return siteNow.Time() }
	pages := func(shelf *books.Parts) *site {
		h, err := web.New(web.Config{
			View: view.New(st, now), Ready: func(context.Context) error { return nil }, Metrics: http.NotFoundHandler(), Everybody: record.Work,
			Parts: shelf, Now: now,
		})
		require.NoError(t, err)
		return &site{handler: h}
	}
	s := pages(books.NewParts(st))
	w := s.get(t, "/parts")
	require.Equal(t, http.StatusOK, w.Code)
	require.Contains(t, textOf(w.Body.String()), "No kind of part yet. Where the collector runs, dewpost part kind add adds one.")
	require.NotContains(t, w.Body.String(), "<form")
	require.JSONEq(t, `{"items":[]}`, s.get(t, "/api/v1/parts").Body.String())
	w = s.do(t, call{method: "POST", path: "/parts/use", form: form("lot", "1", "quantity", "1", "station", "lake-07")})
	require.Equal(t, http.StatusUnprocessableEntity, w.Code)
	require.Contains(t, textOf(w.Body.String()), "There is no such lot")
	for _, path := range []string{"/parts", "/api/v1/parts"} {
		require.Equal(t, http.StatusNotFound, pages(nil).get(t, path).Code, "none are kept here")
	}
}
