package store

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
)

func init() {
	also("Rounds", testRounds)
}

func testRounds(t *testing.T, e engine) {
	s := e.new(t).(*Store)
	ctx := t.Context()
	enrol(t, s, "lake-07")
	b, err := s.PlanBooks(ctx)
	require.NoError(t, err)
	require.Equal(t, record.PlanBooks{Settings: map[string]string{}}, b)

	require.NoError(t, s.PutPlanSettings(ctx, map[string]string{"open": "08:00", "lat": "54.1"}, t0, "Ida"))
	require.NoError(t, s.PutPlanSettings(ctx, map[string]string{"open": "09:00", "lat": ""}, t0, "Ida"))
	entry := record.Entry{Author: "Ida", Recorded: t0}
	var wrong record.PartError
	require.ErrorAs(t, s.PutWish(ctx, record.PlanWish{Station: "nowhere", Wish: record.InAny, Entry: entry}), &wrong)
	require.Equal(t, "station", wrong.Field)
	require.NoError(t, s.PutWish(ctx, record.PlanWish{Station: "lake-07", Wish: record.OnDay, Day: "2025-11-05", Entry: entry}))
	out := record.PlanWish{Station: "lake-07", Wish: record.Out, Note: "they are away", Entry: entry}
	require.NoError(t, s.PutWish(ctx, out))

	k := record.Booking{Day: "2025-11-05", From: 540, To: 600, Site: "park", Note: "meter", Entry: entry}
	k.ID, err = s.AddBooking(ctx, k)
	require.NoError(t, err)
	second := record.Booking{Day: "2025-11-05", From: 600, To: 660, Entry: entry}
	second.ID, err = s.AddBooking(ctx, second)
	require.NoError(t, err, "one may begin when the other ends")
	_, err = s.AddBooking(ctx, record.Booking{Day: "2025-11-05", From: 590, To: 610, Entry: entry})
	require.ErrorAs(t, err, &wrong)
	require.Equal(t, "from", wrong.Field)
	other := record.Booking{Day: "2025-11-05", From: 590, To: 610, Person: "Will", Entry: entry}
	other.ID, err = s.AddBooking(ctx, other)
	require.NoError(t, err, "another person's time")

	legs := []record.Leg{{To: "park", Minutes: 20, KM: 15}, {From: "park", Minutes: 22, KM: 15}}
	require.NoError(t, s.PutLegs(ctx, []record.Leg{{To: "quay", Minutes: 1, KM: 1}}, t0, "Ida"))
	require.NoError(t, s.PutLegs(ctx, legs, t0, "Ida"))

	b, err = s.PlanBooks(ctx)
	require.NoError(t, err)
	require.Equal(t, record.PlanBooks{
		Settings: map[string]string{"open": "09:00"}, Wishes: []record.PlanWish{out},
		Bookings: []record.Booking{k, other, second}, Legs: legs,
	}, b)

	require.NoError(t, s.RemoveBooking(ctx, k.ID, t0, "Ida"))
	require.ErrorAs(t, s.RemoveBooking(ctx, k.ID, t0, "Ida"), &wrong)
	require.Equal(t, "booking", wrong.Field)
	require.NoError(t, s.PutWish(ctx, record.PlanWish{Station: "lake-07", Entry: entry}))
	b, err = s.PlanBooks(ctx)
	require.NoError(t, err)
	require.Empty(t, b.Wishes)
	require.Len(t, b.Bookings, 2)
}

// TestEveryStepOfRoundsFails does with rounds what TestEveryStepFails does with
// the rest.
func TestEveryStepOfRoundsFails(t *testing.T) {
	from := filepath.Join(t.TempDir(), "template.db")
	s, err := Open(t.Context(), from)
	require.NoError(t, err)
	enrol(t, s, "lake-07")
	entry := record.Entry{Author: "Ida", Recorded: t0}
	_, err = s.AddBooking(t.Context(), record.Booking{Day: "2025-11-05", From: 1, To: 2, Entry: entry})
	require.NoError(t, err)
	require.NoError(t, s.PutPlanSettings(t.Context(), map[string]string{"open": "08:00"}, t0, "Ida"))
	require.NoError(t, s.PutWish(t.Context(), record.PlanWish{Station: "lake-07", Wish: record.InAny, Entry: entry}))
	require.NoError(t, s.PutLegs(t.Context(), []record.Leg{{To: "park", Minutes: 1, KM: 1}}, t0, "Ida"))
	require.NoError(t, s.Close())
	withFaults(t)
	ctx := t.Context()
	for name, method := range map[string]func(*Store) error{
		"PlanBooks": func(s *Store) error { _, err := s.PlanBooks(ctx); return err },
		"PutPlanSettings": func(s *Store) error {
			return s.PutPlanSettings(ctx, map[string]string{"open": "", "close": "1"}, t0, "Ida")
		},
		"PutWish": func(s *Store) error {
			return s.PutWish(ctx, record.PlanWish{Station: "lake-07", Wish: record.InAny, Entry: entry})
		},
		"AddBooking": func(s *Store) error {
			_, err := s.AddBooking(ctx, record.Booking{Day: "2025-11-06", From: 1, To: 2, Entry: entry})
			return err
		},
		"RemoveBooking": func(s *Store) error { return s.RemoveBooking(ctx, 1, t0, "Ida") },
		"PutLegs":       func(s *Store) error { return s.PutLegs(ctx, []record.Leg{{To: "quay", Minutes: 1, KM: 1}}, t0, "Ida") },
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
