package store

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/bench"
)

func init() {
	also("CalendarLinks", testCalendarLinks)
	also("Forms", testForms)
}

func testCalendarLinks(t *testing.T, e engine) {
	ctx := t.Context()
	s := e.new(t).(*Store)
	l := record.CalendarLink{Name: "Phone", Author: "ann", Made: t0}
	require.NoError(t, s.AddCalendarLink(ctx, l, []byte("h1")))
	for _, hash := range []string{"h1", "h2"} {
		other := l
		other.Name = map[string]string{"h1": "van", "h2": "PHONE"}[hash]
		require.ErrorIs(t, s.AddCalendarLink(ctx, other, []byte(hash)), record.ErrTaken)
	}
	got, err := s.CalendarLink(ctx, []byte("h1"))
	require.NoError(t, err)
	require.Equal(t, l, got)
	_, err = s.CalendarLink(ctx, []byte("h2"))
	require.ErrorIs(t, err, record.ErrNotFound)
	require.NoError(t, s.AddCalendarLink(ctx, record.CalendarLink{Name: "desk", Author: "ben", Made: t0}, []byte("h3")))
	list, err := s.CalendarLinks(ctx)
	require.NoError(t, err)
	require.Equal(t, []record.CalendarLink{{Name: "desk", Author: "ben", Made: t0}, l}, list)
	require.NoError(t, s.RemoveCalendarLink(ctx, "phone", t0, "bea"))
	_, err = s.CalendarLink(ctx, []byte("h1"))
	require.ErrorIs(t, err, record.ErrNotFound)
	require.ErrorIs(t, s.RemoveCalendarLink(ctx, "phone", t0, "bea"), record.ErrNotFound)
	require.ElementsMatch(t, []string{"ann: add calendar: Phone", "bea: revoke calendar: Phone", "ben: add calendar: desk"}, deeds(t, s))

	require.NoError(t, s.AddAccount(ctx, account("ann", record.Run), true, ""))
	require.NoError(t, s.AddAccount(ctx, account("ben", record.Look), false, "ann"))
	require.NoError(t, s.RemoveAccount(ctx, "ben", t0, "ann"))
	_, err = s.CalendarLink(ctx, []byte("h3"))
	require.ErrorIs(t, err, record.ErrNotFound, "what somebody made who is gone")
}

const aForm = "7d0c6f2e-aaaa-4bbb-8ccc-0123456789ab"

// A form is written down once, whatever it holds the second time.
func testForms(t *testing.T, e engine) {
	ctx := t.Context()
	s := newBench(t, e)
	number, err := s.FormVisit(ctx, aForm)
	require.NoError(t, err)
	require.Zero(t, number)
	entry := fullVisit()
	entry.Form = aForm
	tried := entry
	tried.Try = true
	_, err = s.RecordVisit(ctx, tried)
	require.ErrorIs(t, err, record.ErrOnlyTried)
	number, err = s.FormVisit(ctx, aForm)
	require.NoError(t, err)
	require.Zero(t, number, "trying is not sending")
	first, err := s.RecordVisit(ctx, entry)
	require.NoError(t, err)
	_, err = s.RecordVisit(ctx, entry)
	require.ErrorIs(t, err, record.ErrSent)
	number, err = s.FormVisit(ctx, aForm)
	require.NoError(t, err)
	require.Equal(t, first, number)
	list, err := s.Visits(ctx, record.VisitQuery{})
	require.NoError(t, err)
	require.Len(t, list, 1)
	shelf, err := s.Parts(ctx, t0.Add(9*time.Hour))
	require.NoError(t, err)
	require.Equal(t, int64(2), shelf.Lots[0].Quantity, "parts went once")
	had, err := s.Visit(ctx, first)
	require.NoError(t, err)
	more := record.VisitEntry{Entry: wrote(t0.Add(5 * time.Hour)), Visit: had.Visit, Form: "another-form-of-it", Findings: []record.VisitFinding{{At: t0, Findings: bench.Findings{Moisture: "dry"}}}}
	_, err = s.RecordVisit(ctx, more)
	require.NoError(t, err)
	more.Visit.Version++
	_, err = s.RecordVisit(ctx, more)
	require.ErrorIs(t, err, record.ErrSent)
	after, err := s.Visit(ctx, first)
	require.NoError(t, err)
	require.Equal(t, had.Version+1, after.Version, "nothing of what came again stays")
}

// calendarSteps are the methods about addresses of the calendar.
func calendarSteps(ctx context.Context) map[string]func(*Store) error {
	return map[string]func(*Store) error{
		"AddCalendarLink": func(s *Store) error {
			return s.AddCalendarLink(ctx, record.CalendarLink{Name: "van"}, []byte("h9"))
		},
		"CalendarLink":       func(s *Store) error { _, err := s.CalendarLink(ctx, []byte("h1")); return err },
		"CalendarLinks":      func(s *Store) error { _, err := s.CalendarLinks(ctx); return err },
		"RemoveCalendarLink": func(s *Store) error { return s.RemoveCalendarLink(ctx, "phone", t0, "ann") },
	}
}
