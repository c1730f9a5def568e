package calendar_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/calendar"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/collector/view"
	"dewpost/rules/bench"
	"dewpost/rules/fact"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
	"dewpost/testdata/blank"
)

// shop is a store with a station in Berlin's time, and its calendar.
func shop(t *testing.T) (*store.Store, *calendar.Desk) {
	t.Helper()
	ctx := t.Context()
	st, err := store.Open(ctx, blank.Store(t))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, st.Close()) })
	secret, err := receipt.NewSecret(make([]byte, 32))
	require.NoError(t, err)
	require.NoError(t, st.AddStation(ctx, record.Station{ID: "lake-07", Secret: secret, Enrolled: unit.At(stamp)}, "x"))
	say := func(kind, id, name, value string) {
		require.NoError(t, st.AddFacts(ctx, []fact.Fact{{Subject: fact.Subject{Kind: kind, ID: id}, Name: name, From: fact.Always, Value: value, Author: "x"}}))
	}
	say(fact.KindSite, "lake", fact.Name, "Larkmoor Lake Park")
	say(fact.KindSite, "lake", fact.Zone, "Europe/Berlin")
	say(fact.KindSite, "lake", fact.Access, "key under the mat")
	say(fact.KindStation, "lake-07", fact.Site, "lake")
	say(fact.KindStation, "lake-07", fact.Name, "Lake 07")
	return st, &calendar.Desk{Store: st, View: view.New(st, func() time.Time { return stamp }), Visits: books.Visits{VisitStore: st}}
}

func visit(t *testing.T, d *calendar.Desk, f books.VisitFile) int64 {
	t.Helper()
	n, err := d.Visits.Record(t.Context(), &f, unit.At(stamp), "Will", false)
	require.NoError(t, err)
	return n
}

func TestTheCalendarIsReadByItsAddressAlone(t *testing.T) {
	ctx := t.Context()
	_, d := shop(t)
	now := unit.At(stamp)
	soon, none := "2025-11-02", ""
	first := visit(t, d, books.VisitFile{Station: "lake-07", Kind: bench.OnSite, Planned: &soon, WhyText: "gasket"})
	visit(t, d, books.VisitFile{Station: "lake-07", Kind: bench.OnSite, Planned: &none})
	done := visit(t, d, books.VisitFile{Station: "lake-07", Kind: bench.OnSite, States: []books.StateFile{{State: bench.UnderWay, At: "2025-10-20T08:00:00Z"}, {State: bench.Done, At: "2025-10-20T09:30:00Z"}}})
	secret, err := d.Add(ctx, " Phone ", "Will", now)
	require.NoError(t, err)
	text, err := d.Read(ctx, secret, "https://pages.lan/", now)
	require.NoError(t, err)
	require.NotContains(t, text, "mat", "a calendar is passed on: no access codes")
	all := read(t, text)
	require.Len(t, all, 2)
	require.Contains(t, text, "https://pages.lan/visits/1")
	require.Contains(t, text, "DTSTART;TZID=Europe/Berlin:20251020T100000\r\n")

	uid := ""
	for id := range all {
		if strings.HasPrefix(id, "visit-1-") {
			uid = id
		}
	}
	later := "2025-11-05"
	visit(t, d, books.VisitFile{Visit: first, Planned: &later, States: []books.StateFile{{State: bench.Agreed}}})
	text, err = d.Feed(ctx, "", now)
	require.NoError(t, err)
	got := read(t, text)[uid]
	require.Equal(t, "1", got.Props.Get("SEQUENCE").Value, "moved: the same UID with a higher number")
	require.Equal(t, "20251105", got.Props.Get("DTSTART").Value)
	require.Equal(t, int64(3), done)

	for _, bad := range []string{"", "x", secret + "x", strings.ToUpper(secret)} {
		_, err = d.Read(ctx, bad, "", now)
		require.ErrorIs(t, err, record.ErrNotFound)
	}
	var wrong books.Error
	for _, name := range []string{"phone", "", " ", "a\nb", "\xff", strings.Repeat("x", 41)} {
		_, err = d.Add(ctx, name, "Will", now)
		require.ErrorAs(t, err, &wrong)
		require.Equal(t, "name", wrong.Field)
	}
	require.NoError(t, d.Revoke(ctx, "PHONE", "Will", now))
	require.ErrorAs(t, d.Revoke(ctx, "PHONE", "Will", now), &wrong)
	_, err = d.Read(ctx, secret, "", now)
	require.ErrorIs(t, err, record.ErrNotFound)
}

// few reads at most two visits at a time, as a store with very many reads some.
type few struct{ books.VisitStore }

func (f few) Visits(ctx context.Context, q record.VisitQuery) ([]record.Visit, error) {
	q.Limit = 2
	return f.VisitStore.Visits(ctx, q)
}

func TestNoVisitIsLeftOut(t *testing.T) {
	_, d := shop(t)
	for i := range 7 {
		day := stamp.AddDate(0, i, 0).Format(time.DateOnly)
		visit(t, d, books.VisitFile{Station: "lake-07", Kind: bench.OnSite, Planned: &day})
	}
	whole, err := d.Feed(t.Context(), "", unit.At(stamp))
	require.NoError(t, err)
	d.Visits = books.Visits{VisitStore: few{d.Visits.VisitStore}}
	text, err := d.Feed(t.Context(), "", unit.At(stamp))
	require.NoError(t, err)
	require.Equal(t, whole, text)
	require.Len(t, read(t, text), 7)
	require.Contains(t, text, "DESCRIPTION:Visits of the last 366 days", "the calendar says what is in it")
}

type failing struct{ books.VisitStore }

var errFails = errors.New("on purpose")

func (failing) Visits(context.Context, record.VisitQuery) ([]record.Visit, error) {
	return nil, errFails
}

type elsewhere struct{ books.VisitStore }

func (elsewhere) Visits(_ context.Context, q record.VisitQuery) ([]record.Visit, error) {
	if q.Before != 0 {
		return nil, nil
	}
	return []record.Visit{{Number: 1, Station: "nowhere", Kind: bench.OnSite}}, nil
}

func TestWhatFailsIsTold(t *testing.T) {
	_, d := shop(t)
	d.Visits = books.Visits{VisitStore: failing{}}
	_, err := d.Feed(t.Context(), "", 0)
	require.ErrorIs(t, err, errFails)
	d.Visits = books.Visits{VisitStore: elsewhere{}}
	_, err = d.Feed(t.Context(), "", 0)
	require.ErrorIs(t, err, record.ErrNotFound)
}
