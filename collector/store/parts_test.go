package store

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/stock"
)

func init() {
	also("PartKinds", testPartKinds)
	also("PartLots", testPartLots)
	also("PartTaking", testPartTaking)
	also("PartsOfOthers", testPartsOfOthers)
	also("PartLastOne", testPartLastOne)
	also("PartReservations", testPartReservations)
	also("PartRecipes", testPartRecipes)
	also("PartMaking", testPartMaking)
	also("PartUseIsAtomic", testPartUseIsAtomic)
	also("PartsAgainstModel", testPartsAgainstModel)
	also("PartsLastOneAtOnce", testPartsLastOneAtOnce)
	also("PartsMove", testPartsMove)
}

// workshop is a store with stations of owners, and a few kinds: lake-07 is
// ann's, quay-03 ben's, spare hangs nowhere.
type workshop struct {
	*Store
	t     *testing.T
	where string
}

func newWorkshop(t *testing.T, e engine) workshop {
	t.Helper()
	where := e.fresh(t)
	s := e.openAt(t, where, "lake-07", "quay-03", "spare").(*Store)
	furnish(t, s)
	w := workshop{s, t, where}
	for _, k := range []stock.Kind{
		{ID: "keypad", Name: "Outdoor keypad", Class: "keypad", Unit: stock.Piece, Irreplaceable: true, LastOne: true, Minimum: 2, Fits: []string{"Larkmoor 8", "Larkmoor 4"}},
		{ID: "lamp", Name: "Lamp", Class: "lamp", Unit: stock.Piece},
		{ID: "varnish", Name: "Board coating", Class: "coating", Unit: stock.Millilitre},
	} {
		require.NoError(t, s.PutPartKind(t.Context(), k, false, t0, "Ida"))
	}
	return w
}

// furnish says who owns what.
func furnish(t *testing.T, s *Store) {
	t.Helper()
	ctx := t.Context()
	require.NoError(t, s.AddFacts(ctx, []fact.Fact{
		siteFact("lake", fact.Name, fact.Always, "Lake"), siteFact("quay", fact.Name, fact.Always, "Quay"),
		stationFact("lake-07", fact.Site, fact.Always, "lake"), stationFact("quay-03", fact.Site, fact.Always, "quay"),
	}))
	belongs(t, s, "lake", "ann")
	belongs(t, s, "quay", "ben")
}

// belongs records an owner, and that a site is his.
func belongs(t *testing.T, s *Store, site, owner string) {
	t.Helper()
	list := []fact.Fact{siteFact(site, fact.Owner, fact.Always, owner)}
	if owner != fact.None {
		list = append(list, fact.Fact{Subject: fact.Subject{Kind: fact.KindOwner, ID: owner}, Name: fact.Name, From: fact.Always, Value: owner, Author: "test", Recorded: t0})
	}
	require.NoError(t, s.AddFacts(t.Context(), list))
}

func (w workshop) receive(kind, owner string, n int64) int64 {
	w.t.Helper()
	lot, err := w.ReceivePart(w.t.Context(), stock.Lot{Kind: kind, Condition: stock.Used, Grade: "b", Owner: owner, Quantity: n}, t0, "Ida")
	require.NoError(w.t, err)
	return lot
}

func (w workshop) reserve(r stock.Reservation) int64 {
	w.t.Helper()
	r.Made = t0
	if r.Grade == "" {
		r.Grade = stock.Worst
	}
	id, err := w.ReservePart(w.t.Context(), r, "Ida")
	require.NoError(w.t, err)
	return id
}

func (w workshop) parts() record.Parts {
	w.t.Helper()
	p, err := w.Parts(w.t.Context(), t0)
	require.NoError(w.t, err)
	return p
}

// left is what there is, by lot.
func (w workshop) left() map[int64]int64 {
	w.t.Helper()
	all := map[int64]int64{}
	for _, l := range w.parts().Lots {
		all[l.ID] = l.Quantity
	}
	return all
}

func (w workshop) use(lot, n int64, station string) error {
	return w.TakePart(w.t.Context(), record.PartTaking{Reason: record.PartUsed, PartUse: record.PartUse{Lot: lot, Quantity: n, Station: station}}, t0, "Ida")
}

func (w workshop) moves(kind string) []record.PartMove {
	w.t.Helper()
	list, err := w.PartMoves(w.t.Context(), kind, 0, 100)
	require.NoError(w.t, err)
	return list
}

// refuses requires that an error is a person's to put right, and says so.
func refusesPart(t *testing.T, err error, field, value string, fix ...string) {
	t.Helper()
	var wrong record.PartError
	require.ErrorAs(t, err, &wrong)
	require.Equal(t, field, wrong.Field, err)
	require.Equal(t, value, wrong.Value, err)
	for _, text := range fix {
		require.Contains(t, wrong.Fix, text)
	}
}

func partDeeds(t *testing.T, s *Store) (list []string) {
	t.Helper()
	all, _, err := s.Audit(t.Context(), record.DeedPlace{}, 1000)
	require.NoError(t, err)
	for _, d := range all {
		if d.Action != "fact" && d.Action != "enrol" {
			list = append(list, d.Author+": "+d.Action+" "+d.Object)
		}
	}
	slices.Reverse(list)
	return list
}

func testPartKinds(t *testing.T, e engine) {
	w := newWorkshop(t, e)
	ctx := t.Context()
	kinds := w.parts().Kinds
	require.Equal(t, []string{"keypad", "lamp", "varnish"}, []string{kinds[0].ID, kinds[1].ID, kinds[2].ID})
	require.Equal(t, stock.Kind{
		ID: "keypad", Name: "Outdoor keypad", Class: "keypad", Unit: stock.Piece, Irreplaceable: true, LastOne: true, Minimum: 2, Fits: []string{"Larkmoor 8", "Larkmoor 4"},
	}, kinds[0])

	refusesPart(t, w.PutPartKind(ctx, stock.Kind{ID: "lamp"}, false, t0, "Ida"), "kind", "lamp", "another id")
	refusesPart(t, w.PutPartKind(ctx, stock.Kind{ID: "horn"}, true, t0, "Ida"), "kind", "horn", "add it")
	refusesPart(t, w.PutPartKind(ctx, stock.Kind{ID: "lamp", Unit: stock.Millilitre}, true, t0, "Ida"), "unit", "ml", "piece")
	require.NoError(t, w.PutPartKind(ctx, stock.Kind{ID: "keypad", Name: "Keypad", Class: "keypad", Unit: stock.Piece, Fits: []string{"Larkmoor 4"}}, true, t0, "Ida"))
	require.Equal(t, stock.Kind{ID: "keypad", Name: "Keypad", Class: "keypad", Unit: stock.Piece, Fits: []string{"Larkmoor 4"}}, w.parts().Kinds[0])
	require.Equal(t, []string{"Ida: add part kind keypad", "Ida: add part kind lamp", "Ida: add part kind varnish", "Ida: change part kind keypad"}, partDeeds(t, w.Store))
}

func testPartLots(t *testing.T, e engine) {
	w := newWorkshop(t, e)
	ctx := t.Context()
	full := stock.Lot{
		Kind: "keypad", Condition: stock.Refurbished, Grade: "a", Owner: "ann", Loan: true, Quantity: 2, Place: "drawer 3", Origin: "spare", Note: "one key stiff",
	}
	lot, err := w.ReceivePart(ctx, full, t0, "Ida")
	require.NoError(t, err)
	full.ID = lot
	require.Equal(t, []stock.Lot{full}, w.parts().Lots)
	require.Equal(t, []record.PartMove{{ID: w.moves("keypad")[0].ID, Lot: lot, Kind: "keypad", Delta: 2, Reason: record.PartReceived, At: t0, Author: "Ida"}}, w.moves("keypad"))

	_, err = w.ReceivePart(ctx, stock.Lot{Kind: "horn", Quantity: 1}, t0, "Ida")
	refusesPart(t, err, "kind", "horn", "add it first")
	_, err = w.ReceivePart(ctx, stock.Lot{Kind: "", Quantity: 1}, t0, "Ida")
	refusesPart(t, err, "kind", "")
	_, err = w.ReceivePart(ctx, stock.Lot{Kind: "keypad", Owner: "dora", Quantity: 1}, t0, "Ida")
	refusesPart(t, err, "owner", "dora", "dewpost owner add")
	_, err = w.ReceivePart(ctx, stock.Lot{Kind: "keypad", Quantity: 0}, t0, "Ida")
	refusesPart(t, err, "quantity", "0", "from 1")

	delta, err := w.CountPart(ctx, lot, 5, "found three more", t0, "Jo")
	require.NoError(t, err)
	require.Equal(t, int64(3), delta)
	delta, err = w.CountPart(ctx, lot, 5, "", t0, "Jo")
	require.NoError(t, err)
	require.Zero(t, delta)
	_, err = w.CountPart(ctx, lot, -1, "", t0, "Jo")
	refusesPart(t, err, "quantity", "-1")
	_, err = w.CountPart(ctx, 99, 1, "", t0, "Jo")
	refusesPart(t, err, "lot", "99", "no such lot")
	_, err = w.CountPart(ctx, lot, 0, "", t0, "Jo")
	require.NoError(t, err)
	require.Empty(t, w.parts().Lots, "an empty lot is not on the shelf")
	_, err = w.CountPart(ctx, lot, 1, "", t0, "Jo")
	require.NoError(t, err)
	require.Equal(t, map[int64]int64{lot: 1}, w.left(), "and still a lot")

	page, err := w.PartMoves(ctx, "keypad", w.moves("keypad")[2].ID, 1)
	require.NoError(t, err)
	require.Equal(t, "found three more", page[0].For)
	require.Equal(t, []string{
		"Ida: receive part 2 of keypad, lot 1", "Jo: count part 5 of keypad, lot 1", "Jo: count part 5 of keypad, lot 1",
		"Jo: count part 0 of keypad, lot 1", "Jo: count part 1 of keypad, lot 1",
	}, partDeeds(t, w.Store)[3:])
}

func testPartTaking(t *testing.T, e engine) {
	w := newWorkshop(t, e)
	ctx := t.Context()
	lamps := w.receive("lamp", "", 9)
	take := func(reason record.PartReason, n int64, party string) error {
		return w.TakePart(ctx, record.PartTaking{Reason: reason, PartUse: record.PartUse{Lot: lamps, Quantity: n, Visit: 4}, Party: party, For: "order 12"}, t0, "Jo")
	}
	require.NoError(t, take(record.PartUsed, 1, ""))
	require.NoError(t, take(record.PartLent, 2, "ann"))
	require.NoError(t, take(record.PartScrapped, 1, ""))
	require.NoError(t, w.use(lamps, 1, "lake-07"))
	require.Equal(t, map[int64]int64{lamps: 4}, w.left())
	require.Equal(t, record.PartMove{
		ID: w.moves("lamp")[2].ID, Lot: lamps, Kind: "lamp", Delta: -2, Reason: record.PartLent, Visit: 4, Party: "ann", For: "order 12", At: t0, Author: "Jo",
	}, w.moves("lamp")[2])

	refusesPart(t, take(record.PartUsed, 5, ""), "quantity", "5", "lamp", "lot 1", "there are 4 and 5 were asked")
	refusesPart(t, take(record.PartUsed, 0, ""), "quantity", "0")
	refusesPart(t, take(record.PartUsed, -3, ""), "quantity", "-3")
	refusesPart(t, take(record.PartLent, 1, ""), "party", "", "to which owner")
	refusesPart(t, take(record.PartLent, 1, "dora"), "party", "dora")
	refusesPart(t, take(record.PartGivenBack, 1, ""), "lot", "1", "the shop's own")
	refusesPart(t, take(record.PartReceived, 1, ""), "reason", "received", "scrapped")
	refusesPart(t, w.use(lamps, 1, "nowhere"), "station", "nowhere", "no such station")
	refusesPart(t, w.use(77, 1, "lake-07"), "lot", "77")
	broken, err := w.ReceivePart(ctx, stock.Lot{Kind: "lamp", Condition: stock.Broken, Grade: "d", Quantity: 1}, t0, "Ida")
	require.NoError(t, err)
	refusesPart(t, w.use(broken, 1, "lake-07"), "lot", "2", "broken")

	back := func(n int64) error {
		return w.ReturnPart(ctx, record.PartReturn{Lot: lamps, Quantity: n, Station: "lake-07", Visit: 4, For: "not needed"}, t0, "Jo")
	}
	refusesPart(t, back(5), "quantity", "5", "only 4 were used or lent")
	require.NoError(t, back(3))
	require.Equal(t, int64(7), w.left()[lamps])
	refusesPart(t, back(2), "quantity", "2", "only 1")
	refusesPart(t, back(0), "quantity", "0")
	refusesPart(t, w.ReturnPart(ctx, record.PartReturn{Lot: lamps, Quantity: 1, Station: "nowhere"}, t0, "Jo"), "station", "nowhere")
	refusesPart(t, w.ReturnPart(ctx, record.PartReturn{Lot: 77, Quantity: 1}, t0, "Jo"), "lot", "77")
	require.Equal(t, []string{
		"Jo: use part 1 of lamp, lot 1", "Jo: lend part 2 of lamp, lot 1, to ann", "Jo: scrap part 1 of lamp, lot 1", "Ida: use part 1 of lamp, lot 1, for lake-07",
		"Ida: receive part 1 of lamp, lot 2", "Jo: return part 3 of lamp, lot 1",
	}, partDeeds(t, w.Store)[4:])
}

// A customer's parts, given or lent, are for his own stations.
func testPartsOfOthers(t *testing.T, e engine) {
	w := newWorkshop(t, e)
	ctx := t.Context()
	anns := w.receive("lamp", "ann", 5)
	require.NoError(t, w.use(anns, 1, "lake-07"))
	refusesPart(t, w.use(anns, 1, "quay-03"), "lot", "1", "belongs to owner ann", "quay-03's site belongs to ben")
	refusesPart(t, w.use(anns, 1, "spare"), "lot", "1", "spare's site no owner is recorded")
	refusesPart(t, w.use(anns, 1, ""), "lot", "1", "for which station")
	take := func(reason record.PartReason) error {
		return w.TakePart(ctx, record.PartTaking{Reason: reason, PartUse: record.PartUse{Lot: anns, Quantity: 1}, Party: "ben"}, t0, "Ida")
	}
	refusesPart(t, take(record.PartLent), "lot", "1", "not the shop's to lend")
	require.NoError(t, take(record.PartGivenBack))
	require.Equal(t, int64(3), w.left()[anns])

	// Whose the site is counts at the time of the deed.
	require.NoError(t, w.AddFacts(ctx, []fact.Fact{stationFact("lake-07", fact.Site, t0.Add(day), "quay")}))
	later := record.PartTaking{Reason: record.PartUsed, PartUse: record.PartUse{Lot: anns, Quantity: 1, Station: "lake-07"}}
	refusesPart(t, w.TakePart(ctx, later, t0.Add(day), "Ida"), "lot", "1", "belongs to ben")
	require.NoError(t, w.use(anns, 1, "lake-07"))
	belongs(t, w.Store, "lake", fact.None)
	refusesPart(t, w.use(anns, 1, "lake-07"), "lot", "1", "no owner is recorded")
}

func testPartLastOne(t *testing.T, e engine) {
	w := newWorkshop(t, e)
	ctx := t.Context()
	keypads := w.receive("keypad", "", 2)
	require.NoError(t, w.use(keypads, 1, "lake-07"))
	refusesPart(t, w.use(keypads, 1, "lake-07"), "last_one_confirmed", "false", "keypad", "last one")
	scrap := record.PartTaking{Reason: record.PartScrapped, PartUse: record.PartUse{Lot: keypads, Quantity: 1}}
	refusesPart(t, w.TakePart(ctx, scrap, t0, "Ida"), "last_one_confirmed", "false")
	require.Equal(t, int64(1), w.left()[keypads])
	scrap.LastOneConfirmed = true
	require.NoError(t, w.TakePart(ctx, scrap, t0+7, "Jo"))
	last := w.moves("keypad")[0]
	require.Equal(t, []any{true, "Jo", t0 + 7}, []any{last.LastOne, last.Author, last.At}, "who and when is on record")
	require.False(t, w.moves("keypad")[1].LastOne)

	// Nobody's word is needed for a count, nor where the rule is off.
	keypads = w.receive("keypad", "", 1)
	_, err := w.CountPart(ctx, keypads, 0, "", t0, "Jo")
	require.NoError(t, err)
	lamp := w.receive("lamp", "", 1)
	require.NoError(t, w.TakePart(ctx, record.PartTaking{Reason: record.PartUsed, PartUse: record.PartUse{Lot: lamp, Quantity: 1, LastOneConfirmed: true}}, t0, "Ida"))
	require.False(t, w.moves("lamp")[0].LastOne, "it was needless to say so")
}

func testPartReservations(t *testing.T, e engine) {
	w := newWorkshop(t, e)
	ctx := t.Context()
	lamps := w.receive("lamp", "", 2)
	anns := w.receive("lamp", "ann", 1)
	lake := w.reserve(stock.Reservation{Kind: "lamp", Quantity: 2, Station: "lake-07", Visit: 5, Order: "order 12", NeedBy: "2026-05-01", Grade: "b"})
	quay := w.reserve(stock.Reservation{Kind: "lamp", Quantity: 3, Station: "quay-03", Paid: true})
	own := w.reserve(stock.Reservation{Kind: "lamp", Quantity: 1, Station: "lake-07", Lot: anns})
	open := w.parts().Reservations
	require.Equal(t, stock.Reservation{
		ID: lake, Kind: "lamp", Quantity: 2, Grade: "b", Station: "lake-07", Owner: "ann", Visit: 5, Order: "order 12", NeedBy: "2026-05-01", Made: t0,
	}, open[0])
	require.Equal(t, stock.Reservation{ID: quay, Kind: "lamp", Quantity: 3, Grade: "d", Station: "quay-03", Owner: "ben", Paid: true, Made: t0}, open[1])
	require.Equal(t, anns, open[2].Lot)

	bad := func(r stock.Reservation) error { _, err := w.ReservePart(ctx, r, "Ida"); return err }
	refusesPart(t, bad(stock.Reservation{Kind: "lamp", Quantity: 1}), "station", "")
	refusesPart(t, bad(stock.Reservation{Kind: "horn", Quantity: 1, Station: "spare"}), "kind", "horn")
	refusesPart(t, bad(stock.Reservation{Kind: "lamp", Quantity: 0, Station: "spare"}), "quantity", "0")
	refusesPart(t, bad(stock.Reservation{Kind: "lamp", Quantity: 1, Station: "nowhere"}), "station", "nowhere")
	refusesPart(t, bad(stock.Reservation{Kind: "lamp", Quantity: 1, Station: "spare", Lot: 99}), "lot", "99")
	refusesPart(t, bad(stock.Reservation{Kind: "keypad", Quantity: 1, Station: "spare", Lot: lamps}), "lot", "1", "of kind lamp")
	refusesPart(t, bad(stock.Reservation{Kind: "lamp", Quantity: 1, Station: "quay-03", Lot: anns}), "lot", "2", "belongs to owner ann")
	broken, err := w.ReceivePart(ctx, stock.Lot{Kind: "lamp", Condition: stock.Broken, Grade: "d", Quantity: 1}, t0, "Ida")
	require.NoError(t, err)
	refusesPart(t, bad(stock.Reservation{Kind: "lamp", Quantity: 1, Station: "lake-07", Lot: broken}), "lot", "3", "broken")

	// Both of the shop's are for the paid order: others get them on somebody's
	// word only.
	refusesPart(t, w.use(lamps, 1, "spare"), "take_reserved", "false", "1 for quay-03 (reservation 2)")
	refusesPart(t, w.use(lamps, 1, "lake-07"), "take_reserved", "false", "quay-03")
	lend := record.PartTaking{Reason: record.PartLent, PartUse: record.PartUse{Lot: lamps, Quantity: 1}, Party: "ann"}
	refusesPart(t, w.TakePart(ctx, lend, t0, "Ida"), "take_reserved", "false")
	lend.TakeReserved = true
	require.NoError(t, w.TakePart(ctx, lend, t0, "Ida"))
	require.True(t, w.moves("lamp")[0].TookReserved)
	require.Len(t, w.parts().Reservations, 3, "they wait")

	// Whoever it is reserved for gets it, and the reservation shrinks or ends.
	require.NoError(t, w.use(lamps, 1, "quay-03"))
	require.False(t, w.moves("lamp")[0].TookReserved)
	require.Equal(t, int64(2), w.parts().Reservations[1].Quantity)
	require.NoError(t, w.use(anns, 1, "lake-07"))
	require.Equal(t, []int64{lake, quay}, []int64{w.parts().Reservations[0].ID, w.parts().Reservations[1].ID}, "that of the very lot was served")
	more := w.receive("lamp", "", 9)
	require.NoError(t, w.use(more, 3, "quay-03"))
	require.Len(t, w.parts().Reservations, 1)

	refusesPart(t, w.ReleaseReservation(ctx, own, t0, "Ida"), "reservation", fmt.Sprint(own), "no such reservation is open")
	require.NoError(t, w.ReleaseReservation(ctx, lake, t0, "Ida"))
	require.Empty(t, w.parts().Reservations)
	refusesPart(t, w.ReleaseReservation(ctx, lake, t0, "Ida"), "reservation", "1")
	require.Contains(t, partDeeds(t, w.Store), "Ida: reserve part 3 of lamp for quay-03, reservation 2")
	require.Contains(t, partDeeds(t, w.Store), "Ida: release part 2 of lamp for lake-07, reservation 1")
}

func keypadRecipe() stock.Recipe {
	return stock.Recipe{
		ID: "keypad-up", Makes: "keypad", Quantity: 1, Grade: "c", Hours: 1.5, Steps: []string{"Cut the carrier.", "Seal the keys."},
		Needs: []stock.Need{{Kind: "keypad-in", Quantity: 1, Condition: stock.Used}, {Kind: "varnish", Quantity: 20}},
	}
}

func testPartRecipes(t *testing.T, e engine) {
	w := newWorkshop(t, e)
	ctx := t.Context()
	put := func(r stock.Recipe, replace bool) error { return w.PutRecipe(ctx, r, replace, t0, "Ida") }
	refusesPart(t, put(keypadRecipe(), false), "kind", "keypad-in", "add it first")
	require.NoError(t, w.PutPartKind(ctx, stock.Kind{ID: "keypad-in", Name: "Indoor keypad", Class: "keypad", Unit: stock.Piece}, false, t0, "Ida"))
	require.NoError(t, put(keypadRecipe(), false))
	refusesPart(t, put(keypadRecipe(), false), "recipe", "keypad-up", "another id")
	other := keypadRecipe()
	other.ID = "other"
	refusesPart(t, put(other, true), "recipe", "other", "add it")
	other.Makes = "horn"
	refusesPart(t, put(other, false), "kind", "horn")
	around := stock.Recipe{ID: "around", Makes: "varnish", Quantity: 1, Grade: "b", Needs: []stock.Need{{Kind: "keypad", Quantity: 1}}}
	refusesPart(t, put(around, false), "needs", "keypad from varnish from keypad", "from itself")
	require.Equal(t, []stock.Recipe{keypadRecipe()}, w.parts().Recipes)
	changed := keypadRecipe()
	changed.Steps, changed.Needs, changed.Grade = nil, changed.Needs[:1], "b"
	require.NoError(t, put(changed, true))
	require.Equal(t, []stock.Recipe{changed}, w.parts().Recipes)
	require.Equal(t, []string{"Ida: add recipe keypad-up", "Ida: change recipe keypad-up"}, partDeeds(t, w.Store)[4:])
}

func testPartMaking(t *testing.T, e engine) {
	w := newWorkshop(t, e)
	ctx := t.Context()
	require.NoError(t, w.PutPartKind(ctx, stock.Kind{ID: "keypad-in", Name: "Indoor keypad", Class: "keypad", Unit: stock.Piece, Irreplaceable: true, LastOne: true}, false, t0, "Ida"))
	recipe := keypadRecipe()
	recipe.Needs = append(recipe.Needs, stock.Need{Kind: "varnish", Quantity: 1, Condition: stock.New}) // one kind twice
	require.NoError(t, w.PutRecipe(ctx, recipe, false, t0, "Ida"))
	make := func(p record.PartMaking) (int64, error) {
		p.Recipe = "keypad-up"
		if p.Times == 0 {
			p.Times = 1
		}
		return w.MakePart(ctx, p, t0+3, "Jo")
	}
	fails := func(p record.PartMaking) error { _, err := make(p); return err }
	refusesPart(t, fails(record.PartMaking{}), "recipe", "keypad-up", "1 used keypad-in of 1; 1 new varnish of 1; 20 varnish of 20")
	indoor := w.receive("keypad-in", "", 2)
	fresh, err := w.ReceivePart(ctx, stock.Lot{Kind: "varnish", Condition: stock.New, Grade: "a", Quantity: 5}, t0, "Ida")
	require.NoError(t, err)
	varnish := w.receive("varnish", "", 100)
	refusesPart(t, fails(record.PartMaking{Station: "nowhere"}), "station", "nowhere")
	refusesPart(t, fails(record.PartMaking{Times: -1}), "times", "-1")
	refusesPart(t, fails(record.PartMaking{Times: 1001}), "times", "1001")
	_, err = w.MakePart(ctx, record.PartMaking{Times: 1}, t0, "Jo")
	refusesPart(t, err, "recipe", "")
	_, err = w.MakePart(ctx, record.PartMaking{Recipe: "soup", Times: 1}, t0, "Jo")
	refusesPart(t, err, "recipe", "soup", "no such recipe")
	before := w.left()
	refusesPart(t, fails(record.PartMaking{Times: 3}), "recipe", "keypad-up", "1 used keypad-in of 3")
	require.Equal(t, before, w.left(), "nothing was taken")

	lot, err := make(record.PartMaking{Place: "drawer 1"})
	require.NoError(t, err)
	require.Equal(t, map[int64]int64{indoor: 1, fresh: 4, varnish: 80, lot: 1}, w.left())
	made := w.parts().Lots[3]
	require.Equal(t, stock.Lot{
		ID: lot, Kind: "keypad", Condition: stock.MadeUp, Grade: "c", Quantity: 1, Place: "drawer 1", Origin: "recipe keypad-up", Make: made.Make,
	}, made)
	from, err := w.MadeFrom(ctx, made.Make)
	require.NoError(t, err)
	got := map[int64]int64{}
	for _, m := range from {
		require.Equal(t, []any{made.Make, t0 + 3, "Jo"}, []any{m.Make, m.At, m.Author})
		got[m.Lot] = m.Delta
	}
	require.Equal(t, map[int64]int64{indoor: -1, fresh: -1, varnish: -20, lot: 1}, got)

	// The last indoor keypad goes on somebody's word only.
	refusesPart(t, fails(record.PartMaking{}), "last_one_confirmed", "false", "keypad-in")
	// And what others reserved likewise; for whom it is reserved it is free.
	quay := w.reserve(stock.Reservation{Kind: "keypad-in", Quantity: 1, Station: "quay-03"})
	refusesPart(t, fails(record.PartMaking{LastOneConfirmed: true}), "recipe", "keypad-up", "1 used keypad-in of 1 (1 more are reserved or belong to others)")
	lot, err = make(record.PartMaking{LastOneConfirmed: true, Station: "quay-03"})
	require.NoError(t, err)
	require.Empty(t, w.parts().Reservations, "reservation %d is served", quay)
	require.Equal(t, int64(1), w.left()[lot])
	require.True(t, w.moves("keypad-in")[0].LastOne)
	require.False(t, w.moves("keypad-in")[0].TookReserved)

	w.receive("keypad-in", "", 1)
	w.reserve(stock.Reservation{Kind: "keypad-in", Quantity: 1, Station: "quay-03"})
	_, err = make(record.PartMaking{LastOneConfirmed: true, TakeReserved: true, Station: "lake-07"})
	require.NoError(t, err)
	require.True(t, w.moves("keypad-in")[0].TookReserved)

	// What a customer's part went into is hers, and lent if that was.
	_, err = w.ReceivePart(ctx, stock.Lot{Kind: "keypad-in", Condition: stock.Used, Grade: "b", Owner: "ann", Loan: true, Quantity: 1}, t0, "Ida")
	require.NoError(t, err)
	refusesPart(t, fails(record.PartMaking{LastOneConfirmed: true, Station: "quay-03"}), "recipe", "keypad-up")
	lot, err = make(record.PartMaking{LastOneConfirmed: true, Station: "lake-07"})
	require.NoError(t, err)
	lots := w.parts().Lots
	last := lots[len(lots)-1]
	require.Equal(t, []any{lot, "ann", true}, []any{last.ID, last.Owner, last.Loan})
	require.Contains(t, partDeeds(t, w.Store), "Jo: make part 1 of keypad, lot 4, by recipe keypad-up")
}

// What a visit does besides is undone with the parts that can't be taken, and
// the other way round.
func testPartUseIsAtomic(t *testing.T, e engine) {
	w := newWorkshop(t, e)
	lamps := w.receive("lamp", "", 3)
	err := w.inTx(t.Context(), func(t *tx) error {
		return errors.Join(
			usePart(t, record.PartUse{Lot: lamps, Quantity: 2, Station: "lake-07", Visit: 8}, t0, "Jo"),
			usePart(t, record.PartUse{Lot: lamps, Quantity: 2, Station: "lake-07", Visit: 8}, t0, "Jo"))
	})
	refusesPart(t, err, "quantity", "2", "there are 1 and 2 were asked")
	require.Equal(t, map[int64]int64{lamps: 3}, w.left())
	require.NoError(t, w.inTx(t.Context(), func(t *tx) error {
		return usePart(t, record.PartUse{Lot: lamps, Quantity: 2, Station: "lake-07", Visit: 8}, t0, "Jo")
	}))
	require.Equal(t, map[int64]int64{lamps: 1}, w.left())
	require.Equal(t, int64(8), w.moves("lamp")[0].Visit)
	err = w.inTx(t.Context(), func(t *tx) error { return usePart(t, record.PartUse{Lot: lamps, Quantity: 1}, t0, "Jo") })
	refusesPart(t, err, "station", "")
}

// testPartsAgainstModel does random things and compares with plain maps.
func testPartsAgainstModel(t *testing.T, e engine) {
	w := newWorkshop(t, e)
	ctx := context.Background()
	type thing struct {
		kind, owner string
		have, out   int64
	}
	lots := map[int64]*thing{w.receive("lamp", "", 2): {kind: "lamp", have: 2}}
	wanted := map[int64]*stock.Reservation{}
	owners := map[string]string{"lake-07": "ann", "quay-03": "ben"}
	made := t0
	check := func(t *rapid.T) {
		p, err := w.Parts(ctx, t0)
		require.NoError(t, err)
		got, want := map[int64]int64{}, map[int64]int64{}
		for _, l := range p.Lots {
			got[l.ID] = l.Quantity
		}
		for id, l := range lots {
			if l.have > 0 {
				want[id] = l.have
			}
		}
		require.Equal(t, want, got)
		gotOpen, wantOpen := map[int64]int64{}, map[int64]int64{}
		for _, r := range p.Reservations {
			gotOpen[r.ID] = r.Quantity
		}
		for id, r := range wanted {
			if r.Quantity > 0 {
				wantOpen[id] = r.Quantity
			}
		}
		require.Equal(t, wantOpen, gotOpen)
	}
	lotOf := func(t *rapid.T) (int64, *thing) {
		id := rapid.SampledFrom(slices.Sorted(maps.Keys(lots))).Draw(t, "lot")
		return id, lots[id]
	}
	quantity := rapid.Int64Range(1, 4)
	rapid.Check(t, func(t *rapid.T) {
		deeds := map[string]func(*rapid.T){
			"receive": func(t *rapid.T) {
				l := thing{rapid.SampledFrom([]string{"lamp", "varnish"}).Draw(t, "kind"), rapid.SampledFrom([]string{"", "", "ann", "ben"}).Draw(t, "owner"), quantity.Draw(t, "n"), 0}
				id, err := w.ReceivePart(ctx, stock.Lot{Kind: l.kind, Condition: stock.New, Grade: "a", Owner: l.owner, Quantity: l.have}, t0, "Ida")
				require.NoError(t, err)
				lots[id] = &l
			},
			"use": func(t *rapid.T) {
				id, l := lotOf(t)
				n, station := quantity.Draw(t, "n"), rapid.SampledFrom([]string{"", "lake-07", "quay-03", "spare"}).Draw(t, "station")
				force := rapid.Bool().Draw(t, "force")
				p, err := w.Parts(ctx, t0)
				require.NoError(t, err)
				err = w.TakePart(ctx, record.PartTaking{
					Reason: record.PartUsed, PartUse: record.PartUse{Lot: id, Quantity: n, Station: station, TakeReserved: force},
				}, t0, "Ida")
				legal := n <= l.have && (l.owner == "" || l.owner == owners[station])
				if err != nil {
					if legal { // then somebody has it, and more than is left was asked
						require.False(t, force)
						refused := record.PartError{}
						require.ErrorAs(t, err, &refused)
						require.Equal(t, "take_reserved", refused.Field)
						lots, open := ofKind(p, l.kind)
						require.Less(t, stock.Allocate(lots, open).Free[id], n)
					}
					return
				}
				require.True(t, legal)
				lots, open := ofKind(p, l.kind)
				l.have, l.out = l.have-n, l.out+n
				for _, s := range stock.Fulfil(lots, open, map[int64]int64{id: n}, station, 0) {
					wanted[s.Reservation].Quantity -= s.Quantity
				}
			},
			"return": func(t *rapid.T) {
				id, l := lotOf(t)
				n := quantity.Draw(t, "n")
				err := w.ReturnPart(ctx, record.PartReturn{Lot: id, Quantity: n}, t0, "Ida")
				require.Equal(t, n <= l.out, err == nil)
				if err == nil {
					l.have, l.out = l.have+n, l.out-n
				}
			},
			"count": func(t *rapid.T) {
				id, l := lotOf(t)
				n := quantity.Draw(t, "n")
				delta, err := w.CountPart(ctx, id, n, "", t0, "Ida")
				require.NoError(t, err)
				require.Equal(t, n-l.have, delta)
				l.have = n
			},
			"reserve": func(t *rapid.T) {
				made++
				r := stock.Reservation{
					Kind: rapid.SampledFrom([]string{"lamp", "varnish"}).Draw(t, "kind"), Quantity: quantity.Draw(t, "n"), Grade: "a",
					Station: rapid.SampledFrom([]string{"lake-07", "quay-03", "spare"}).Draw(t, "station"), Paid: rapid.Bool().Draw(t, "paid"), Made: made,
				}
				id, err := w.ReservePart(ctx, r, "Ida")
				require.NoError(t, err)
				wanted[id] = &r
			},
			"release": func(t *rapid.T) {
				if len(wanted) == 0 {
					return
				}
				id := rapid.SampledFrom(slices.Sorted(maps.Keys(wanted))).Draw(t, "reservation")
				err := w.ReleaseReservation(ctx, id, t0, "Ida")
				require.Equal(t, wanted[id].Quantity > 0, err == nil)
				wanted[id].Quantity = 0
			},
		}
		for range rapid.IntRange(1, 8).Draw(t, "deeds") {
			deeds[rapid.SampledFrom(slices.Sorted(maps.Keys(deeds))).Draw(t, "deed")](t)
		}
		check(t)
	})
}

func ofKind(p record.Parts, kind string) (lots []stock.Lot, open []stock.Reservation) {
	for _, l := range p.Lots {
		if l.Kind == kind {
			lots = append(lots, l)
		}
	}
	for _, r := range p.Reservations {
		if r.Kind == kind {
			open = append(open, r)
		}
	}
	return lots, open
}

// Two programs take the last one at once: one of them gets it.
func testPartsLastOneAtOnce(t *testing.T, e engine) {
	w := newWorkshop(t, e)
	other := e.openAt(t, w.where).(*Store)
	for range 10 {
		lot := w.receive("keypad", "", 1)
		begin, ended := make(chan struct{}), make(chan error, 2)
		for _, s := range []*Store{w.Store, other} {
			go func() {
				<-begin
				ended <- s.TakePart(t.Context(), record.PartTaking{
					Reason: record.PartUsed, PartUse: record.PartUse{Lot: lot, Quantity: 1, Station: "lake-07", LastOneConfirmed: true},
				}, t0, "Ida")
			}()
		}
		close(begin)
		first, second := <-ended, <-ended
		if first != nil {
			first, second = second, first
		}
		require.NoError(t, first)
		refusesPart(t, second, "quantity", "1", "there are 0 and 1 were asked")
		require.NotContains(t, w.left(), lot)
	}
}

// An installation moves with its shelf, and goes on counting where it was.
func testPartsMove(t *testing.T, e engine) {
	for name, other := range map[string]engine{"sqlite": sqliteEngine, "postgres": postgresEngine} {
		t.Run(name, func(t *testing.T) {
			w := newWorkshop(t, e)
			require.NoError(t, w.PutPartKind(t.Context(), stock.Kind{ID: "keypad-in", Unit: stock.Piece}, false, t0, "Ida"))
			require.NoError(t, w.PutRecipe(t.Context(), keypadRecipe(), false, t0, "Ida"))
			w.receive("keypad-in", "", 2)
			w.receive("varnish", "ann", 100)
			w.receive("varnish", "", 100)
			w.reserve(stock.Reservation{Kind: "varnish", Quantity: 30, Station: "lake-07"})
			_, err := w.MakePart(t.Context(), record.PartMaking{Recipe: "keypad-up", Times: 1}, t0, "Ida")
			require.NoError(t, err)
			before, moves := w.parts(), w.moves("varnish")
			to := other.empty(t)
			_, err = Move(t.Context(), w.where, to, 77, "Ida", nil)
			require.NoError(t, err)
			is := workshop{other.openAt(t, to).(*Store), t, to}
			require.Equal(t, before, is.parts())
			require.Equal(t, moves, is.moves("varnish"))
			require.Equal(t, int64(5), is.receive("lamp", "", 1))
			require.Equal(t, int64(2), is.reserve(stock.Reservation{Kind: "lamp", Quantity: 1, Station: "quay-03"}))
			lot, err := is.MakePart(t.Context(), record.PartMaking{Recipe: "keypad-up", Times: 1}, t0, "Ida")
			require.NoError(t, err)
			require.Equal(t, int64(6), lot)
		})
	}
}
