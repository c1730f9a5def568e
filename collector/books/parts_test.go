package books_test

import (
	"context"
	"errors"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/receipt"
	"dewpost/rules/stock"
	"dewpost/rules/unit"
)

var shelfDay = unit.At(time.Date(2026, 4, 7, 9, 0, 0, 0, time.UTC))

func newShelf(t *testing.T) (*books.Parts, *store.Store) {
	t.Helper()
	s, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "store.db"))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	for _, id := range []string{"lake-07", "quay-03"} {
		secret, err := receipt.NewSecret([]byte("0123456789abcdef" + id))
		require.NoError(t, err)
		require.NoError(t, s.AddStation(t.Context(), record.Station{ID: id, Secret: secret, Enrolled: 1}, "test"))
	}
	return books.NewParts(s), s
}

// wrongPart requires an Error of a field and a value.
func wrongPart(t *testing.T, err error, field, value string) {
	t.Helper()
	var said books.Error
	require.ErrorAs(t, err, &said)
	require.Equal(t, []string{field, value}, []string{said.Field, said.Value}, said.Fix)
	require.NotEmpty(t, said.Fix)
}

func TestPartsRefuse(t *testing.T) {
	p, s := newShelf(t)
	ctx := t.Context()
	long := strings.Repeat("x", 201)

	kind := func(change func(*stock.Kind)) error {
		k := stock.Kind{ID: "lamp", Name: "Lamp", Class: "lamp", Unit: stock.Piece}
		change(&k)
		return p.PutKind(ctx, k, false, shelfDay, "Ida")
	}
	wrongPart(t, kind(func(k *stock.Kind) { k.ID = "Lamp" }), "kind", "Lamp")
	wrongPart(t, kind(func(k *stock.Kind) { k.ID = "\x00" }), "kind", `\x00`)
	wrongPart(t, kind(func(k *stock.Kind) { k.ID = "recipes" }), "kind", "recipes")
	wrongPart(t, kind(func(k *stock.Kind) { k.Name = " " }), "name", " ")
	wrongPart(t, kind(func(k *stock.Kind) { k.Name = long }), "name", long)
	wrongPart(t, kind(func(k *stock.Kind) { k.Class = "a\nb" }), "class", `a\nb`)
	wrongPart(t, kind(func(k *stock.Kind) { k.Unit = "kg" }), "unit", "kg")
	wrongPart(t, kind(func(k *stock.Kind) { k.Minimum = -1 }), "minimum", "-1")
	wrongPart(t, kind(func(k *stock.Kind) { k.Fits = []string{"ok", "\xff"} }), "fits", `\xff`)
	wrongPart(t, kind(func(k *stock.Kind) { k.Fits = slices.Repeat([]string{"x"}, 101) }), "fits", "101")

	lot := func(change func(*stock.Lot)) error {
		l := stock.Lot{Kind: "lamp", Condition: stock.Used, Grade: "b", Quantity: 1}
		change(&l)
		_, err := p.Receive(ctx, l, shelfDay, "Ida")
		return err
	}
	wrongPart(t, lot(func(*stock.Lot) {}), "kind", "lamp") // of the store
	wrongPart(t, lot(func(l *stock.Lot) { l.Quantity = 1_000_001 }), "quantity", "1000001")
	wrongPart(t, lot(func(l *stock.Lot) { l.Condition = "" }), "condition", "")
	wrongPart(t, lot(func(l *stock.Lot) { l.Grade = "e" }), "grade", "e")
	wrongPart(t, lot(func(l *stock.Lot) { l.Place = "\t" }), "place", `\t`)
	wrongPart(t, lot(func(l *stock.Lot) { l.Origin = long }), "origin", long)
	wrongPart(t, lot(func(l *stock.Lot) { l.Note = "\x7f" }), "note", `\x7f`)
	wrongPart(t, lot(func(l *stock.Lot) { l.Loan = true }), "owner", "")

	reserve := func(change func(*stock.Reservation)) error {
		r := stock.Reservation{Kind: "lamp", Quantity: 1, Station: "lake-07", Made: shelfDay}
		change(&r)
		_, err := p.Reserve(ctx, r, "Ida")
		return err
	}
	wrongPart(t, reserve(func(*stock.Reservation) {}), "kind", "lamp")
	wrongPart(t, reserve(func(r *stock.Reservation) { r.Quantity = 0 }), "quantity", "0")
	wrongPart(t, reserve(func(r *stock.Reservation) { r.Grade = "z" }), "grade", "z")
	wrongPart(t, reserve(func(r *stock.Reservation) { r.Visit = -1 }), "visit", "-1")
	wrongPart(t, reserve(func(r *stock.Reservation) { r.Order = "\n" }), "order", `\n`)
	for _, day := range []string{"soon", "2026-02-30", "1999-12-31", "2201-01-01", "2026-04-30T00:00:00Z"} {
		wrongPart(t, reserve(func(r *stock.Reservation) { r.NeedBy = day }), "need_by", day)
	}

	recipe := func(change func(*stock.Recipe)) error {
		r := stock.Recipe{ID: "up", Makes: "lamp", Quantity: 1, Grade: "c", Needs: []stock.Need{{Kind: "bulb", Quantity: 1}}}
		change(&r)
		return p.PutRecipe(ctx, r, false, shelfDay, "Ida")
	}
	wrongPart(t, recipe(func(*stock.Recipe) {}), "kind", "lamp")
	wrongPart(t, recipe(func(r *stock.Recipe) { r.ID = "" }), "recipe", "")
	wrongPart(t, recipe(func(r *stock.Recipe) { r.Quantity = 0 }), "quantity", "0")
	wrongPart(t, recipe(func(r *stock.Recipe) { r.Hours = math.NaN() }), "hours", "NaN")
	wrongPart(t, recipe(func(r *stock.Recipe) { r.Hours = -1 }), "hours", "-1")
	wrongPart(t, recipe(func(r *stock.Recipe) { r.Needs = nil }), "needs", "0")
	wrongPart(t, recipe(func(r *stock.Recipe) { r.Needs[0].Condition = "fine" }), "condition", "fine")
	wrongPart(t, recipe(func(r *stock.Recipe) { r.Needs[0].Quantity = 0 }), "quantity", "0")
	wrongPart(t, recipe(func(r *stock.Recipe) { r.Needs = append(r.Needs, r.Needs[0]) }), "needs", "bulb")
	wrongPart(t, recipe(func(r *stock.Recipe) { r.Steps = []string{""} }), "steps", "")

	wrongPart(t, p.Take(ctx, record.PartTaking{For: "\n"}, shelfDay, "Ida"), "for", `\n`)
	wrongPart(t, p.Take(ctx, record.PartTaking{Reason: record.PartUsed, PartUse: record.PartUse{Lot: 1, Quantity: 1}}, shelfDay, "Ida"), "lot", "1")
	wrongPart(t, p.Return(ctx, record.PartReturn{Visit: -2}, shelfDay, "Ida"), "visit", "-2")
	wrongPart(t, p.Return(ctx, record.PartReturn{Lot: 1, Quantity: 1}, shelfDay, "Ida"), "lot", "1")
	_, err := p.Count(ctx, 1, 2_000_000, "", shelfDay, "Ida")
	wrongPart(t, err, "quantity", "2000000")
	_, err = p.Count(ctx, 1, 2, "", shelfDay, "Ida")
	wrongPart(t, err, "lot", "1")
	wrongPart(t, p.Release(ctx, 7, shelfDay, "Ida"), "reservation", "7")
	_, err = p.Make(ctx, record.PartMaking{Place: "\n"}, shelfDay, "Ida")
	wrongPart(t, err, "place", `\n`)
	_, err = p.Make(ctx, record.PartMaking{Recipe: "soup", Times: 1}, shelfDay, "Ida")
	wrongPart(t, err, "recipe", "soup")

	_, err = p.Kind(ctx, "lamp", shelfDay, 0, 1)
	require.ErrorIs(t, err, record.ErrNotFound)
	_, err = p.CanMake(ctx, "lamp", shelfDay)
	require.ErrorIs(t, err, record.ErrNotFound)
	_, err = p.Recipe(ctx, "up", shelfDay)
	require.ErrorIs(t, err, record.ErrNotFound)
	deeds, _, err := s.Audit(ctx, record.DeedPlace{}, 9)
	require.NoError(t, err)
	require.Len(t, deeds, 2, "the two stations, and nothing else")
}

func TestPartsShown(t *testing.T) {
	p, s := newShelf(t)
	ctx := t.Context()
	for _, k := range []stock.Kind{
		{ID: "keypad", Name: "Keypad", Class: "keypad", Irreplaceable: true, LastOne: true, Minimum: 2},
		{ID: "keypad-in", Name: "Indoor keypad", Class: "keypad", Fits: []string{"Larkmoor 8"}},
		{ID: "carrier", Name: "Carrier", Class: "plate"},
	} {
		require.NoError(t, p.PutKind(ctx, k, false, shelfDay, "Ida"))
	}
	for _, r := range []stock.Recipe{
		{ID: "keypad-up", Makes: "keypad", Quantity: 1, Grade: "c", Hours: 1.5, Needs: []stock.Need{{Kind: "keypad-in", Quantity: 1, Condition: stock.Used}, {Kind: "carrier", Quantity: 1}}, Steps: []string{"Cut."}},
		{ID: "carrier-cut", Makes: "carrier", Quantity: 2, Grade: "b", Needs: []stock.Need{{Kind: "keypad", Quantity: 1, Condition: stock.Broken}}},
	} {
		require.NoError(t, p.PutRecipe(ctx, r, false, shelfDay, "Ida"))
	}
	receive := func(l stock.Lot) int64 {
		t.Helper()
		id, err := p.Receive(ctx, l, shelfDay, "Ida")
		require.NoError(t, err)
		return id
	}
	good := receive(stock.Lot{Kind: "keypad", Condition: stock.Used, Grade: "b", Quantity: 2, Place: "drawer 3"})
	receive(stock.Lot{Kind: "keypad", Condition: stock.Broken, Grade: "d", Quantity: 1})
	receive(stock.Lot{Kind: "keypad-in", Condition: stock.Used, Grade: "c", Quantity: 5})
	_, err := p.Reserve(ctx, stock.Reservation{Kind: "keypad", Quantity: 3, Station: "lake-07", Visit: 4, Made: shelfDay}, "Ida")
	wrongPart(t, err, "visit", "4")
	visit, err := books.Visits{VisitStore: s}.Record(ctx, &books.VisitFile{Station: "lake-07", Kind: "on-site"}, shelfDay, "Ida", false)
	require.NoError(t, err)
	_, err = p.Reserve(ctx, stock.Reservation{Kind: "keypad", Quantity: 1, Station: "quay-03", Visit: visit, Made: shelfDay}, "Ida")
	wrongPart(t, err, "visit", "1")
	_, err = p.Reserve(ctx, stock.Reservation{Kind: "keypad", Quantity: 3, Station: "lake-07", Visit: visit, Order: "12/26", NeedBy: "2026-05-01", Made: shelfDay}, "Ida")
	require.NoError(t, err)
	paid, err := p.Reserve(ctx, stock.Reservation{Kind: "keypad", Lot: good, Quantity: 1, Station: "quay-03", Paid: true, Made: shelfDay}, "Ida")
	require.NoError(t, err)

	shelf, err := p.Shelf(ctx, shelfDay)
	require.NoError(t, err)
	keypad := shelf.Kinds[1]
	require.Equal(t, books.KindStands{
		Kind: "keypad", Name: "Keypad", Class: "keypad", Fits: []string{}, Unit: stock.Piece, Irreplaceable: true, LastOneRule: true, Minimum: 2,
		Stock: 2, Broken: 1, Reserved: 4, Held: 2, Waiting: 2, Makeable: 2, Available: 2, Grades: map[stock.Grade]int64{"a": 0, "b": 2, "c": 0, "d": 0},
	}, keypad)
	require.Equal(t, []string{"carrier-cut", "keypad-up"}, []string{shelf.Recipes[0].Recipe, shelf.Recipes[1].Recipe})
	require.Len(t, shelf.Lots, 3)
	first, second := shelf.Reservations[0], shelf.Reservations[1]
	require.Equal(t, []any{paid, int64(1), int64(0), good}, []any{first.Reservation, first.Held, first.Waiting, *first.Lot})
	require.Equal(t, []any{int64(1), int64(2), "2026-05-01", visit}, []any{second.Held, second.Waiting, *second.NeedBy, *second.Visit})
	require.Nil(t, second.Lot)

	r, err := p.Recipe(ctx, "keypad-up", shelfDay)
	require.NoError(t, err)
	require.Equal(t, shelf.Recipes[1], r)
	m, err := p.CanMake(ctx, "keypad", shelfDay)
	require.NoError(t, err)
	require.Equal(t, []int64{0, 2, 2}, []int64{m.Free, m.Makeable, m.Available})
	carrier := m.Recipes[0].Needs[1]
	require.Equal(t, []int64{0, 2, 0}, []int64{carrier.There, carrier.Makeable, carrier.Lacks})
	require.Nil(t, carrier.Condition)
	require.Equal(t, stock.Broken, *carrier.Recipes[0].Needs[0].Condition)

	lot, err := p.Make(ctx, record.PartMaking{Recipe: "carrier-cut", Times: 1}, shelfDay, "Ida")
	require.NoError(t, err)
	card, err := p.Kind(ctx, "carrier", shelfDay, 0, 9)
	require.NoError(t, err)
	require.Equal(t, []books.WentIn{{Lot: 2, Kind: "keypad", Quantity: 1}}, card.Lots[0].MadeFrom)
	require.Equal(t, lot, card.Lots[0].Lot)
	require.NoError(t, p.Release(ctx, paid, shelfDay, "Ida"))
	require.NoError(t, p.Take(ctx, record.PartTaking{Reason: record.PartUsed, PartUse: record.PartUse{Lot: good, Quantity: 1, Station: "lake-07"}}, shelfDay, "Ida"))
	card, err = p.Kind(ctx, "keypad", shelfDay, 0, 2)
	require.NoError(t, err)
	require.True(t, card.LastOne)
	require.True(t, card.BelowMinimum)
	require.Equal(t, int64(1), card.Lots[0].Held)
	require.Equal(t, []record.PartReason{record.PartUsed, record.PartIntoRecipe}, []record.PartReason{card.Moves[0].Reason, card.Moves[1].Reason})
	rest, err := p.Kind(ctx, "keypad", shelfDay, card.Before, 2)
	require.NoError(t, err)
	require.Zero(t, rest.Before)
	require.Len(t, rest.Moves, 2)
}

// halfStore reads lots and no moves.
type halfStore struct {
	*store.Store
	moves, made error
}

func (h halfStore) PartMoves(context.Context, string, int64, int) ([]record.PartMove, error) {
	return nil, h.moves
}

func (h halfStore) MadeFrom(context.Context, int64) ([]record.PartMove, error) { return nil, h.made }

// What the store can't do is told as it is.
func TestPartsTellOfTheStore(t *testing.T) {
	_, s := newShelf(t)
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	p := books.NewParts(s)
	_, err := p.Shelf(gone, shelfDay)
	require.ErrorIs(t, err, context.Canceled)
	_, err = p.Kind(gone, "lamp", shelfDay, 0, 1)
	require.ErrorIs(t, err, context.Canceled)
	_, err = p.CanMake(gone, "lamp", shelfDay)
	require.ErrorIs(t, err, context.Canceled)
	_, err = p.Recipe(gone, "lamp", shelfDay)
	require.ErrorIs(t, err, context.Canceled)
	require.ErrorIs(t, p.Release(gone, 1, shelfDay, "Ida"), context.Canceled)
	for _, k := range []string{"lamp", "bulb"} {
		require.NoError(t, p.PutKind(t.Context(), stock.Kind{ID: k, Name: k, Class: "lamp"}, false, shelfDay, "Ida"))
	}
	require.NoError(t, p.PutRecipe(t.Context(), stock.Recipe{ID: "up", Makes: "lamp", Quantity: 1, Grade: "c", Needs: []stock.Need{{Kind: "bulb", Quantity: 1}}}, false, shelfDay, "Ida"))
	_, err = p.Receive(t.Context(), stock.Lot{Kind: "bulb", Condition: stock.New, Grade: "a", Quantity: 1}, shelfDay, "Ida")
	require.NoError(t, err)
	_, err = p.Make(t.Context(), record.PartMaking{Recipe: "up", Times: 1}, shelfDay, "Ida")
	require.NoError(t, err)
	broken := errors.New("broken on purpose")
	_, err = books.NewParts(halfStore{s, nil, broken}).Kind(t.Context(), "lamp", shelfDay, 0, 1)
	require.ErrorIs(t, err, broken)
	_, err = books.NewParts(halfStore{s, broken, nil}).Kind(t.Context(), "lamp", shelfDay, 0, 1)
	require.ErrorIs(t, err, broken)
	require.False(t, errors.As(p.Release(gone, 1, shelfDay, "Ida"), new(books.Error)))
}
