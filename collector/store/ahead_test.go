package store

import (
	"context"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/life"
	"dewpost/rules/outlook"
	"dewpost/rules/unit"
)

func init() {
	also("Outlooks", testOutlooks)
	also("OutlookScore", testOutlookScore)
	also("Forecasts", testForecasts)
	also("Looks", testLooks)
}

type aheadStorage interface {
	Recent(ctx context.Context, stations []string) (map[string]*record.Recent, error)
	OutlookState(ctx context.Context, station string, before unit.Instant) (record.OutlookState, error)
	Outlooks(ctx context.Context, station string, from, to unit.Instant, limit int) ([]record.Outlook, error)
	OutlookResults(ctx context.Context, station string, issue outlook.Issue) ([]record.Outlook, error)
	OutlookScore(ctx context.Context, issue outlook.Issue) (outlook.Score, error)
	AddForecast(ctx context.Context, f record.Forecast, at unit.Instant, author string) (bool, error)
	Forecast(ctx context.Context, site string, issued, from, to unit.Instant) ([]record.ForecastHour, error)
	PutLooks(ctx context.Context, station string, looks []life.Look) error
	Looks(ctx context.Context) (map[string][]life.Look, error)
}

// foretold is an outlook for the night of a day after t0.
func foretold(day int, issue outlook.Issue, p float64) outlook.Told {
	at := t0.Add(time.Duration(day)*24*time.Hour + map[outlook.Issue]time.Duration{outlook.Early: 0, outlook.Evening: 5 * time.Hour, outlook.Late: 8 * time.Hour}[issue])
	return outlook.Told{
		Issue: issue, Night: outlook.Night{Night: at.Time().UTC().Format(time.DateOnly), Issued: at, PCondensing: p, PAtRisk: p / 2},
		Until: t0.Add(time.Duration(day)*24*time.Hour + 12*time.Hour), Heard: at.Add(-time.Minute), Basis: outlook.OfSite, Forecast: day == 1,
	}
}

func saidOf(station string, told outlook.Told) record.Outlook {
	return record.Outlook{Station: station, Told: told, Made: t0}
}

func testOutlooks(t *testing.T, e engine) {
	ctx := t.Context()
	s := e.new(t, "a", "b")
	put := func(station string, f record.Foretold) {
		f.Made = t0
		require.NoError(t, s.CommitFold(ctx, record.Folded{Mark: record.Mark{Station: station}, Nights: &f}))
	}
	none, err := s.OutlookState(ctx, "a", math.MaxInt64)
	require.NoError(t, err)
	require.Equal(t, record.OutlookState{}, none)
	yes, no := true, false
	put("a", record.Foretold{
		State: &record.OutlookState{At: t0, Due: t0.Add(day), Version: 1, Body: []byte{1}},
		Told:  []outlook.Told{foretold(0, outlook.Early, 0.25), foretold(0, outlook.Evening, 0.5), foretold(1, outlook.Evening, 0.75)},
	})
	put("b", record.Foretold{Told: []outlook.Told{foretold(1, outlook.Early, 1)}})
	// What was told stays, what it came to is put right.
	put("a", record.Foretold{
		State: &record.OutlookState{At: t0.Add(2 * day), Due: t0.Add(3 * day), Version: 1, Body: []byte{2}},
		Told:  []outlook.Told{foretold(0, outlook.Evening, 0.125), foretold(1, outlook.Late, 1)}, Outcomes: []outlook.Outcome{{Night: foretold(0, outlook.Early, 0).Night.Night, Condensing: &no}, {Night: "2024-01-01"}},
	})
	put("a", record.Foretold{
		State:    &record.OutlookState{At: t0.Add(2 * day), Due: t0.Add(4 * day), Version: 2, Body: []byte{3}},
		Drop:     []unit.Instant{t0},
		Outcomes: []outlook.Outcome{{Night: foretold(0, outlook.Early, 0).Night.Night, Condensing: &yes, AtRisk: &no}},
	})
	recent, err := s.Recent(ctx, []string{"a"})
	require.NoError(t, err)
	require.Equal(t, []record.OutlookState{{At: t0.Add(2 * day), Due: t0.Add(4 * day), Version: 2}}, recent["a"].Nights)
	st, err := s.OutlookState(ctx, "a", t0.Add(2*day+1))
	require.NoError(t, err)
	require.Equal(t, []byte{3}, st.Body)
	st, err = s.OutlookState(ctx, "a", t0.Add(2*day))
	require.NoError(t, err)
	require.Zero(t, st.At)

	all, err := s.Outlooks(ctx, "a", math.MinInt64, math.MaxInt64, 100)
	require.NoError(t, err)
	want := []record.Outlook{saidOf("a", foretold(0, outlook.Early, 0.25)), saidOf("a", foretold(0, outlook.Evening, 0.5)), saidOf("a", foretold(1, outlook.Evening, 0.75)), saidOf("a", foretold(1, outlook.Late, 1))}
	for i := range 2 {
		want[i].ObservedCondensing, want[i].ObservedAtRisk = &yes, &no
	}
	require.Equal(t, want, all)
	some, err := s.Outlooks(ctx, "a", want[1].Issued, want[3].Issued, 1)
	require.NoError(t, err)
	require.Equal(t, want[1:2], some)

	results, err := s.OutlookResults(ctx, "a", outlook.Evening)
	require.NoError(t, err)
	require.Equal(t, want[1:2], results)
	results, err = s.OutlookResults(ctx, "b", outlook.Early)
	require.NoError(t, err)
	require.Empty(t, results)
	requireScore(t, s, outlook.Evening, foretoldAnd{0.5, true})
}

// foretoldAnd is what was foretold of a night and what it came to.
type foretoldAnd struct {
	p   float64
	wet bool
}

func requireScore(t *testing.T, s aheadStorage, issue outlook.Issue, nights ...foretoldAnd) {
	t.Helper()
	want := outlook.NewScore()
	for _, n := range nights {
		want.Add(n.p, n.wet)
	}
	got, err := s.OutlookScore(t.Context(), issue)
	require.NoError(t, err)
	require.InDelta(t, want.Brier, got.Brier, 1e-12)
	want.Brier = got.Brier
	for i := range want.Bands {
		require.InDelta(t, want.Bands[i].Foretold, got.Bands[i].Foretold, 1e-12)
		want.Bands[i].Foretold = got.Bands[i].Foretold
	}
	require.Equal(t, want, got)
}

// The score of all stations is that of their nights, one by one.
func testOutlookScore(t *testing.T, e engine) {
	s := e.new(t, "a", "b")
	requireScore(t, s, outlook.Evening)
	var nights []foretoldAnd
	for i, p := range []float64{0, 0.05, 0.1, math.Nextafter(0.1, 0), 0.3, math.Nextafter(0.3, 0), 0.3, 0.6, 0.7, 0.9, math.Nextafter(1, 0), 1} {
		told, wet := foretold(i, outlook.Evening, p), i%3 == 0
		f := record.Foretold{Made: t0, Told: []outlook.Told{told, foretold(i, outlook.Late, 0.5)}, Outcomes: []outlook.Outcome{{Night: told.Night.Night, Condensing: &wet}}}
		if i == 3 {
			f.Outcomes[0].Condensing = nil
		} else {
			nights = append(nights, foretoldAnd{p, wet})
		}
		require.NoError(t, s.CommitFold(t.Context(), record.Folded{Mark: record.Mark{Station: []string{"a", "b"}[i%2]}, Nights: &f}))
	}
	requireScore(t, s, outlook.Evening, nights...)
	requireScore(t, s, outlook.Early)
}

func testForecasts(t *testing.T, e engine) {
	ctx := t.Context()
	s := e.new(t, "a")
	hour := func(h int, temp float64) record.ForecastHour {
		return record.ForecastHour{Time: t0.Add(time.Duration(h) * time.Hour), Temp: temp, DewPoint: 3, Cloud: record.Some(40)}
	}
	f := record.Forecast{Site: "lake", Issued: t0, Hours: []record.ForecastHour{hour(1, 5), hour(2, 6), hour(3, 7)}}
	_, err := s.AddForecast(ctx, f, t0, "ana")
	require.ErrorIs(t, err, record.ErrNotFound)
	require.NoError(t, s.AddFacts(ctx, []fact.Fact{siteFact("lake", fact.Zone, fact.Always, "CET")}))
	for _, again := range []bool{false, true} {
		is, err := s.AddForecast(ctx, f, t0, "ana")
		require.NoError(t, err)
		require.Equal(t, again, is)
	}
	for _, hours := range [][]record.ForecastHour{f.Hours[:2], {hour(1, 5), hour(2, 6), hour(3, 8)}} {
		_, err = s.AddForecast(ctx, record.Forecast{Site: "lake", Issued: t0, Hours: hours}, t0, "ana")
		require.ErrorIs(t, err, record.ErrForecastThere)
	}
	later := record.Forecast{Site: "lake", Issued: t0.Add(time.Hour), Hours: []record.ForecastHour{{Time: t0.Add(2 * time.Hour), Temp: 9, DewPoint: 8, Wind: record.Some(3)}}}
	_, err = s.AddForecast(ctx, later, t0, "ana")
	require.NoError(t, err)

	ask := func(issued, from, to time.Duration) []record.ForecastHour {
		got, err := s.Forecast(ctx, "lake", t0.Add(issued), t0.Add(from), t0.Add(to))
		require.NoError(t, err)
		return got
	}
	require.Equal(t, f.Hours[1:], ask(0, 2*time.Hour, 9*time.Hour))
	require.Equal(t, later.Hours, ask(time.Hour, 2*time.Hour, 9*time.Hour), "the newest that says something")
	require.Equal(t, f.Hours[2:], ask(time.Hour, 3*time.Hour, 9*time.Hour))
	require.Empty(t, ask(-time.Second, 0, 9*time.Hour), "nothing that was issued later")
}

func testLooks(t *testing.T, e engine) {
	ctx := t.Context()
	s := e.new(t, "a", "b")
	require.ErrorIs(t, s.PutLooks(ctx, "nobody", nil), record.ErrNotFound)
	looks := []life.Look{{Group: "uncoated", Low: 0.5, High: math.Inf(1)}, {Group: life.CoverGroup, Low: 0, High: 0.75}}
	require.NoError(t, s.PutLooks(ctx, "b", looks))
	require.NoError(t, s.PutLooks(ctx, "a", looks[:1]))
	require.NoError(t, s.PutLooks(ctx, "a", looks[1:]))
	all, err := s.Looks(ctx)
	require.NoError(t, err)
	require.Equal(t, map[string][]life.Look{"a": looks[1:], "b": looks}, all)
}
