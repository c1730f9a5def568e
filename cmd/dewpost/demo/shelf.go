package demo

import (
	"context"

	"dewpost/collector/record"
	"dewpost/rules/stock"
	"dewpost/rules/unit"
)

const workshop = "Otter Lane Restorations"

// The workshop's shelf: what is left of parts that nobody makes any more, and
// what they are made up from. Hours and steps are common practice, no source.
var (
	shelfKinds = []stock.Kind{
		{ID: "board", Name: "Board", Class: "board", Irreplaceable: true, LastOne: true, Minimum: 2},
		{ID: "coating", Name: "Coating for boards", Class: "coating", Unit: stock.Millilitre, Minimum: 200},
		{ID: "cone", Name: "Loudspeaker cone", Class: "cone", Minimum: 4},
		{ID: "cover", Name: "Cover", Class: "cover", Irreplaceable: true, LastOne: true, Minimum: 3},
		{ID: "face", Name: "Face", Class: "face", Irreplaceable: true, LastOne: true},
		{ID: "gasket", Name: "Gasket", Class: "gasket", Minimum: 6},
		{ID: "keypad-in", Name: "Keypad, indoor", Class: "keypad", Irreplaceable: true},
		{ID: "keypad-out", Name: "Keypad, outdoor", Class: "keypad", Irreplaceable: true, LastOne: true, Minimum: 1},
		{ID: "lamp", Name: "Lamp", Class: "lamp", Minimum: 10},
		{ID: "sheet-rubber", Name: "Sheet rubber, a hand wide", Class: "gasket"},
	}
	shelfLots = []stock.Lot{
		{Kind: "board", Condition: stock.Used, Grade: "b", Quantity: 1, Place: "drawer 1", Origin: "taken out of a unit beyond repair"},
		{Kind: "board", Condition: stock.Broken, Grade: "d", Quantity: 2, Place: "drawer 1", Note: "for their connectors"},
		{Kind: "coating", Condition: stock.New, Grade: "a", Quantity: 350, Place: "cabinet for solvents"},
		{Kind: "cone", Condition: stock.New, Grade: "a", Quantity: 6, Place: "drawer 4"},
		{Kind: "cover", Condition: stock.Used, Grade: "a", Quantity: 1, Place: "drawer 2"},
		{Kind: "cover", Condition: stock.Used, Grade: "c", Quantity: 2, Place: "drawer 2", Note: "crazed, not cracked"},
		{Kind: "face", Condition: stock.Refurbished, Grade: "b", Quantity: 2, Place: "drawer 2"},
		{Kind: "gasket", Condition: stock.New, Grade: "a", Quantity: 3, Place: "drawer 3"},
		{Kind: "keypad-in", Condition: stock.Used, Grade: "b", Quantity: 3, Place: "drawer 5"},
		{Kind: "lamp", Condition: stock.New, Grade: "a", Quantity: 14, Place: "drawer 6"},
		{Kind: "sheet-rubber", Condition: stock.New, Grade: "a", Quantity: 5, Place: "drawer 3"},
	}
	shelfRecipes = []stock.Recipe{
		{
			ID: "gasket-cut", Makes: "gasket", Quantity: 2, Grade: "b", Hours: 0.5, Needs: []stock.Need{{Kind: "sheet-rubber", Quantity: 1}},
			Steps: []string{"Cut two by the template.", "Punch the holes, and try one in a box."},
		},
		{
			ID: "keypad-from-indoor", Makes: "keypad-out", Quantity: 1, Grade: "c", Hours: 2.5,
			Needs: []stock.Need{{Kind: "keypad-in", Quantity: 1, Condition: stock.Used}, {Kind: "gasket", Quantity: 1}, {Kind: "coating", Quantity: 15}},
			Steps: []string{
				"Clean the indoor keypad and try every key.", "Cut the carrier to the outdoor face.",
				"Mask the contacts, coat both sides, let it cure as the maker’s sheet says.", "Seat it with a gasket and try every key again.",
			},
		},
	}
	shelfReservations = []stock.Reservation{
		{Kind: "cover", Quantity: 1, Grade: "b", Station: "lake-07", Order: "water inside", Paid: true},
		{Kind: "keypad-out", Quantity: 1, Grade: stock.Worst, Station: "lake-05"},
	}
)

// goes says how the workshop goes on rounds: it lies half an hour from the lake,
// and the quay is out of its range.
func (d *demo) goes(ctx context.Context, now unit.Instant) error {
	return d.col.Store().PutPlanSettings(ctx, map[string]string{"lat": "58.3", "lon": "14.4", "zone": lake.zone, "people": workshop}, now, workshop)
}

// stock fills the shelf.
func (d *demo) stock(ctx context.Context, now unit.Instant) error {
	s := d.col.Store()
	for _, k := range shelfKinds {
		if k.Unit == "" {
			k.Unit = stock.Piece
		}
		if err := s.PutPartKind(ctx, k, false, now, workshop); err != nil {
			return err
		}
	}
	for _, l := range append(shelfLots, stock.Lot{
		Kind: "face", Condition: stock.Used, Grade: "b", Owner: lake.owner, Quantity: 1, Place: "drawer 2", Note: "came with lake-05, to go back on it",
	}) {
		if _, err := s.ReceivePart(ctx, l, now, workshop); err != nil {
			return err
		}
	}
	for _, r := range shelfRecipes {
		if err := s.PutRecipe(ctx, r, false, now, workshop); err != nil {
			return err
		}
	}
	for _, r := range shelfReservations {
		r.Made = now
		if _, err := s.ReservePart(ctx, r, workshop); err != nil {
			return err
		}
	}
	return s.TakePart(ctx, record.PartTaking{
		PartUse: record.PartUse{Lot: 10, Quantity: 2, Station: "lake-08"}, Reason: record.PartUsed, For: "both lamps were dark",
	}, now, workshop)
}
