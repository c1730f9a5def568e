package books_test

import (
	"context"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/fact"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

var now = unit.At(time.Date(2025, 6, 1, 9, 0, 0, 0, time.UTC))

func open(t *testing.T, stations ...string) *store.Store {
	t.Helper()
	s, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "books.db"))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	for _, id := range stations {
		secret, err := receipt.NewSecret([]byte("0123456789abcdef0123456789abcdef"))
		require.NoError(t, err)
		require.NoError(t, s.AddStation(t.Context(), record.Station{ID: id, Secret: secret, Enrolled: now}, "Ida"))
	}
	return s
}

func subject(kind, id string) fact.Subject { return fact.Subject{Kind: kind, ID: id} }

func TestAddAndSay(t *testing.T) {
	s := open(t, "lake-07")
	ctx := t.Context()
	ida := subject(fact.KindOwner, "ida")
	name := books.Said{Name: fact.Name, Value: "Ida Example", From: fact.Always}
	require.ErrorIs(t, books.Say(ctx, s, ida, []books.Said{name}, now, "Will"), record.ErrNotFound)
	require.Equal(t, books.Error{Field: "facts", Fix: "say at least one"}, books.AddSubject(ctx, s, ida, nil, now, "Will"))
	require.NoError(t, books.AddSubject(ctx, s, ida, []books.Said{name}, now, "Will"))
	require.Equal(t, books.Error{Field: "id", Value: "ida", Fix: "it is in the books already: record facts about it, or choose another id"},
		books.AddSubject(ctx, s, ida, []books.Said{name}, now, "Will"))
	require.ErrorAs(t, books.AddSubject(ctx, s, subject(fact.KindStation, "lake-08"), []books.Said{name}, now, "Will"), new(books.Error))

	consent := books.Said{Name: fact.Consent, Value: "2025-05-30", From: now}
	require.NoError(t, books.Say(ctx, s, ida, []books.Said{consent}, now+1, "Lou"))
	require.Equal(t, books.Error{Field: fact.Consent, Value: "2025-05-30", Fix: "it is said twice: say it once"},
		books.Say(ctx, s, ida, []books.Said{consent, consent}, now, "Lou"))
	require.Equal(t, books.Error{Field: fact.Consent, Value: "maybe", Fix: "write a date between 1900 and 2200, such as 2025-04-30, or none"},
		books.Say(ctx, s, ida, []books.Said{{Name: fact.Consent, Value: "maybe"}}, now, "Lou"))

	about, err := books.About(ctx, s, ida)
	require.NoError(t, err)
	require.Equal(t, []fact.Fact{
		{Subject: ida, Name: fact.Name, From: fact.Always, Value: "Ida Example", Author: "Will", Recorded: now},
		{Subject: ida, Name: fact.Consent, From: now, Value: "2025-05-30", Author: "Lou", Recorded: now + 1},
	}, about.Facts)
}

// What is wrong with another subject is said of that.
func TestWrongElsewhere(t *testing.T) {
	s := open(t, "lake-07")
	ctx := t.Context()
	for _, id := range []string{"lake", "quay"} {
		require.NoError(t, books.AddSubject(ctx, s, subject(fact.KindSite, id), []books.Said{{Name: fact.Name, Value: id, From: fact.Always}}, now, "Will"))
	}
	east := subject(fact.KindLine, "east")
	require.NoError(t, books.AddSubject(ctx, s, east, []books.Said{{Name: fact.Site, Value: "lake", From: now}}, now, "Will"))
	require.NoError(t, books.Say(ctx, s, subject(fact.KindStation, "lake-07"), []books.Said{
		{Name: fact.Site, Value: "lake", From: now}, {Name: fact.Line, Value: "east", From: now},
	}, now, "Will"))
	err := books.Say(ctx, s, east, []books.Said{{Name: fact.Site, Value: "quay", From: now + 9}}, now, "Will")
	require.ErrorContains(t, err, `line "east": station lake-07: the line is on site quay and the station on lake`)
	require.ErrorAs(t, err, new(books.Error))
}

func TestWhatIsTold(t *testing.T) {
	s := open(t, "lake-07", "lake-08")
	ctx := t.Context()
	station := subject(fact.KindStation, "lake-07")
	require.NoError(t, s.Retire(ctx, "lake-08", now, "Ida"))
	require.NoError(t, books.Say(ctx, s, station, []books.Said{
		{Name: fact.Spot, Value: "gate", From: fact.Always}, {Name: fact.Spot, Value: "wall", From: now}, {Name: fact.Name, Value: "Lake 07", From: fact.Always},
	}, now, "Will"))
	about, err := books.About(ctx, s, station)
	require.NoError(t, err)
	name := books.Statement{Name: fact.Name, Value: "Lake 07", Author: "Will", Recorded: now, Valid: true}
	gate := books.Statement{Name: fact.Spot, Value: "gate", Author: "Will", Recorded: now}
	from := now
	wall := books.Statement{Name: fact.Spot, Value: "wall", From: &from, Author: "Will", Recorded: now, Valid: true}
	require.Equal(t, []books.Statement{name, wall}, about.Present(now))
	require.Equal(t, []books.Statement{gate, wall, name}, about.History(now))
	require.Equal(t, map[string]string{fact.Name: "Lake 07", fact.Spot: "gate"}, about.Values(now-1))
	require.Equal(t, "always", name.Since())
	require.Equal(t, "2025-06-01T09:00:00Z", wall.Since())

	all, err := books.All(ctx, s, fact.KindStation)
	require.NoError(t, err)
	require.Equal(t, []books.Subject{about, {Subject: subject(fact.KindStation, "lake-08"), Retired: now}}, all)
	_, err = books.About(ctx, s, subject(fact.KindStation, "lake-09"))
	require.ErrorIs(t, err, record.ErrNotFound)
}

func TestNaming(t *testing.T) {
	s := open(t, "lake-07", "lake-08")
	ctx := t.Context()
	say := func(kind, id string, said ...books.Said) {
		f := books.AddSubject
		if kind == fact.KindStation {
			f = books.Say
		}
		require.NoError(t, f(ctx, s, subject(kind, id), said, now, "Will"))
	}
	say(fact.KindSite, "lake", books.Said{Name: fact.Name, Value: "Lake", From: fact.Always})
	say(fact.KindLine, "east", books.Said{Name: fact.Site, Value: "lake", From: fact.Always}, books.Said{Name: fact.CurrentSensor, Value: "lake-07", From: now})
	say(fact.KindStation, "lake-07", books.Said{Name: fact.Site, Value: "lake", From: now}, books.Said{Name: fact.Site, Value: fact.None, From: now + 5},
		books.Said{Name: fact.Site, Value: "lake", From: now + 7})
	say(fact.KindStation, "lake-08", books.Said{Name: fact.Site, Value: "lake", From: fact.Always}, books.Said{Name: fact.Name, Value: "lake", From: fact.Always})
	require.NoError(t, s.Retire(ctx, "lake-08", now, "Ida"))
	told := func(kind, id string) (all []string) {
		list, err := books.Naming(ctx, s, subject(kind, id))
		require.NoError(t, err)
		for _, r := range list {
			require.Equal(t, id, r.Value)
			from, to := "always", "for ever"
			if r.From != fact.Always {
				from = fmt.Sprint(int64(r.From - now))
			}
			if r.To != fact.Forever {
				to = fmt.Sprint(int64(r.To - now))
			}
			all = append(all, fmt.Sprint(r.Subject.Subject, ": ", from, " to ", to))
		}
		return all
	}
	require.Equal(t, []string{"line east: always to for ever", "station lake-07: 0 to 5", "station lake-07: 7 to for ever", "station lake-08: always to 0"}, told(fact.KindSite, "lake"))
	require.Equal(t, []string{"line east: 0 to for ever"}, told(fact.KindStation, "lake-07"))
	require.Empty(t, told(fact.KindLine, "east"))
}

func TestWhoIsTold(t *testing.T) {
	s := open(t)
	ctx := t.Context()
	ida := subject(fact.KindOwner, "ida")
	require.NoError(t, books.AddSubject(ctx, s, ida, []books.Said{
		{Name: fact.Name, Value: "Ida Example"}, {Name: fact.Contact, Value: "3 Mill Row"}, {Name: fact.Consent, Value: "none"},
	}, now, "Will"))
	about, err := books.About(ctx, s, ida)
	require.NoError(t, err)
	require.Len(t, about.For(record.Run).Facts, 3)
	require.Len(t, about.For(record.Work).Facts, 3)
	require.Equal(t, map[string]string{fact.Consent: "none"}, about.For(record.Look).Values(now))
	require.Len(t, about.Facts, 3, "nothing is taken from what was read")
}

func TestSince(t *testing.T) {
	at := func(y int, m time.Month, d, h int) unit.Instant {
		return unit.At(time.Date(y, m, d, h, 0, 0, 0, time.UTC))
	}
	for text, want := range map[string]unit.Instant{
		"": fact.Always, " always ": fact.Always, "2025-05-14": at(2025, 5, 14, 0), "2025-05-14T09:00:00+02:00": at(2025, 5, 14, 7), "1900-01-01": at(1900, 1, 1, 0),
	} {
		got, err := books.ParseSince("from", text)
		require.NoError(t, err, text)
		require.Equal(t, want, got, text)
	}
	for _, text := range []string{"yesterday", "1899-12-31", "2201-01-01", "2025-02-30", "2025-05-14T09:00:00", "14.5.2025"} {
		_, err := books.ParseSince("from", text)
		require.ErrorContains(t, err, "from \""+text+"\": write a date", text)
		require.ErrorAs(t, err, new(books.Error))
	}
}

// halfBroken can't read stations.
type halfBroken struct{ *store.Store }

func (halfBroken) Stations(context.Context) ([]record.Station, error) { return nil, context.Canceled }

// A store that fails is nobody's mistake.
func TestStoreFails(t *testing.T) {
	s := open(t, "lake-07")
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	said := []books.Said{{Name: fact.Spot, Value: "gate"}}
	_, err := books.All(ctx, s, fact.KindStation)
	require.ErrorIs(t, err, context.Canceled)
	_, err = books.All(t.Context(), halfBroken{s}, fact.KindStation)
	require.ErrorIs(t, err, context.Canceled)
	_, err = books.Naming(ctx, s, subject(fact.KindStation, "lake-07"))
	require.ErrorIs(t, err, context.Canceled)
	_, err = books.About(ctx, s, subject(fact.KindStation, "lake-07"))
	require.ErrorIs(t, err, context.Canceled)
	require.ErrorIs(t, books.AddSubject(ctx, s, subject(fact.KindSite, "lake"), said, now, "Will"), context.Canceled)
}
