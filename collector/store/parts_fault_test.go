package store

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/stock"
)

// partsTemplate makes a store with parts of all sorts in it.
func partsTemplate(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "template.db")
	s, err := Open(t.Context(), path)
	require.NoError(t, err)
	for _, id := range []string{"lake-07", "quay-03"} {
		enrol(t, s, id)
	}
	furnish(t, s)
	ctx := t.Context()
	for _, id := range []string{"keypad", "keypad-in"} {
		require.NoError(t, s.PutPartKind(ctx, stock.Kind{ID: id, Unit: stock.Piece, Fits: []string{"Larkmoor 8"}}, false, t0, "Ida"))
	}
	recipe := stock.Recipe{ID: "up", Makes: "keypad", Quantity: 1, Grade: "c", Needs: []stock.Need{{Kind: "keypad-in", Quantity: 1}}, Steps: []string{"Cut."}}
	require.NoError(t, s.PutRecipe(ctx, recipe, false, t0, "Ida"))
	for _, owner := range []string{"", "ann"} {
		_, err := s.ReceivePart(ctx, stock.Lot{Kind: "keypad-in", Condition: stock.Used, Grade: "b", Owner: owner, Quantity: 4}, t0, "Ida")
		require.NoError(t, err)
	}
	for _, station := range []string{"lake-07", "quay-03"} {
		_, err := s.ReservePart(ctx, stock.Reservation{Kind: "keypad-in", Quantity: 1, Grade: "d", Station: station, Made: t0}, "Ida")
		require.NoError(t, err)
	}
	_, err = s.MakePart(ctx, record.PartMaking{Recipe: "up", Times: 1}, t0, "Ida")
	require.NoError(t, err)
	use := record.PartUse{Lot: 2, Quantity: 1, Station: "lake-07"}
	require.NoError(t, s.TakePart(ctx, record.PartTaking{PartUse: use, Reason: record.PartUsed}, t0, "Ida"))
	_, err = s.ReservePart(ctx, stock.Reservation{Kind: "keypad-in", Quantity: 1, Grade: "d", Station: "lake-07", Made: t0}, "Ida")
	require.NoError(t, err)
	require.NoError(t, s.Close())
	return path
}

// TestEveryStepOfPartsFails does with parts what TestEveryStepFails does with
// the rest.
func TestEveryStepOfPartsFails(t *testing.T) {
	from := partsTemplate(t)
	withFaults(t)
	ctx := t.Context()
	use := record.PartUse{Lot: 2, Quantity: 1, Station: "lake-07", Visit: 3}
	for name, method := range map[string]func(*Store) error{
		"PutPartKind": func(s *Store) error {
			return s.PutPartKind(ctx, stock.Kind{ID: "lamp", Unit: stock.Piece, Fits: []string{"x", "y"}}, false, t0, "Ida")
		},
		"PutPartKind again": func(s *Store) error {
			return s.PutPartKind(ctx, stock.Kind{ID: "keypad", Unit: stock.Piece, Fits: []string{"x"}}, true, t0, "Ida")
		},
		"ReceivePart": func(s *Store) error {
			_, err := s.ReceivePart(ctx, stock.Lot{Kind: "keypad", Condition: stock.New, Grade: "a", Owner: "ann", Quantity: 1}, t0, "Ida")
			return err
		},
		"ImportParts": func(s *Store) error {
			return s.ImportParts(ctx, []stock.Kind{{ID: "lamp", Unit: stock.Piece}}, []stock.Lot{{Kind: "lamp", Condition: stock.New, Grade: "a", Quantity: 1}}, t0, "Ida", false)
		},
		"TakePart": func(s *Store) error {
			return s.TakePart(ctx, record.PartTaking{PartUse: use, Reason: record.PartUsed}, t0, "Ida")
		},
		"TakePart lent": func(s *Store) error {
			return s.TakePart(ctx, record.PartTaking{PartUse: record.PartUse{Lot: 1, Quantity: 1}, Reason: record.PartLent, Party: "ann"}, t0, "Ida")
		},
		"usePart": func(s *Store) error {
			return s.inTx(ctx, func(t *tx) error { return usePart(t, use, t0, "Ida") })
		},
		"ReturnPart": func(s *Store) error {
			return s.ReturnPart(ctx, record.PartReturn{Lot: 2, Quantity: 1, Station: "lake-07"}, t0, "Ida")
		},
		"CountPart": func(s *Store) error { _, err := s.CountPart(ctx, 1, 9, "", t0, "Ida"); return err },
		"ReservePart": func(s *Store) error {
			_, err := s.ReservePart(ctx, stock.Reservation{Kind: "keypad-in", Lot: 2, Quantity: 1, Grade: "d", Station: "lake-07", Made: t0}, "Ida")
			return err
		},
		"ReleaseReservation": func(s *Store) error { return s.ReleaseReservation(ctx, 2, t0, "Ida") },
		"PutRecipe": func(s *Store) error {
			return s.PutRecipe(ctx, stock.Recipe{ID: "up", Makes: "keypad", Quantity: 2, Grade: "c", Needs: []stock.Need{{Kind: "keypad-in", Quantity: 2}}, Steps: []string{"Cut.", "Glue."}}, true, t0, "Ida")
		},
		"MakePart": func(s *Store) error {
			_, err := s.MakePart(ctx, record.PartMaking{Recipe: "up", Times: 2, Station: "lake-07"}, t0, "Ida")
			return err
		},
		"Parts":     func(s *Store) error { _, err := s.Parts(ctx, t0); return err },
		"PartMoves": func(s *Store) error { _, err := s.PartMoves(ctx, "keypad", 0, 9); return err },
		"MadeFrom":  func(s *Store) error { _, err := s.MadeFrom(ctx, 1); return err },
	} {
		t.Run(name, func(t *testing.T) {
			s, err := Open(ctx, copyStore(t, from))
			require.NoError(t, err)
			defer func() { require.NoError(t, s.Close()) }()
			before := dump(t, s)
			require.NoError(t, method(s))
			after := dump(t, s)
			plan.column = -1
			for _, how := range []manner{refuses, lies, dies, garbles} {
				everyStepFails(t, from, how, before, after, method)
			}
		})
	}
}
