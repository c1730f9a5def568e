package store

import (
	"context"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/box"
	"dewpost/rules/breathing"
	"dewpost/rules/equal"
	"dewpost/rules/fact"
	"dewpost/rules/sensing"
	"dewpost/rules/unit"
)

func init() {
	also("Box", testBox)
	also("OutdoorsMarkNeighbours", testOutdoorsMarkNeighbours)
	also("WeatherMarks", testWeatherMarks)
}

type boxStorage interface {
	BoxRun(ctx context.Context, station string, before unit.Instant) (record.BoxRun, error)
	BoxStates(ctx context.Context, station string) ([]unit.Instant, error)
	Breathing(ctx context.Context, station, from, to string, limit int) ([]breathing.Day, error)
	BreathingNow(ctx context.Context, station string) (*breathing.Day, *breathing.Usual, error)
	Burst(ctx context.Context, station string) (*sensing.Burst, error)
	Outdoors(ctx context.Context, station string, from, to unit.Instant) ([]equal.Air, error)
	Neighbours(ctx context.Context, site string, from, to unit.Instant) ([]record.Neighbour, error)
	RecordVisit(ctx context.Context, e record.VisitEntry) (int64, error)
	Visit(ctx context.Context, number int64) (record.VisitDetails, error)
}

// boxFrom is what a fold finds of a box from a day on, after 2025-11-05.
func boxFrom(d int, states ...int) *record.Box {
	b := &record.Box{Since: math.MinInt64, Upto: t0.Add(20 * day), Version: 3}
	if d > 0 {
		b.Since = t0.Add(time.Duration(d) * day)
	}
	for _, at := range states {
		b.States = append(b.States, record.BoxState{At: t0.Add(time.Duration(at) * day), Body: []byte{byte(at), 0}})
	}
	for i := d; i < 20; i++ {
		high := float64(50 + i)
		e := breathing.Day{Day: t0.Add(time.Duration(i) * day).Time().UTC().Format("2006-01-02"), TauH: 40, LowH: float64(d), HighH: &high, WindowD: 7, Basis: breathing.Own}
		if i%2 == 0 {
			e.HighH = nil
		}
		b.Days = append(b.Days, e)
	}
	return b
}

func testBox(t *testing.T, e engine) {
	ctx := t.Context()
	s := e.new(t, "a", "b")
	run, err := s.BoxRun(ctx, "a", math.MaxInt64)
	require.NoError(t, err)
	require.Equal(t, record.BoxRun{}, run)
	follow := func(b *record.Box) {
		require.NoError(t, s.CommitFold(ctx, record.Folded{Mark: record.Mark{Station: "a"}, Box: b}))
	}
	follow(boxFrom(0, 2, 4, 6))
	run, err = s.BoxRun(ctx, "a", t0.Add(6*day))
	require.NoError(t, err)
	require.Equal(t, record.BoxRun{Upto: t0.Add(20 * day), Version: 3, State: record.BoxState{At: t0.Add(4 * day), Body: []byte{4, 0}}}, run)
	days, err := s.Breathing(ctx, "a", "2025", "2026", 100)
	require.NoError(t, err)
	require.Equal(t, boxFrom(0).Days, days)
	now, usual, err := s.BreathingNow(ctx, "a")
	require.NoError(t, err)
	require.Equal(t, &days[19], now)
	require.Nil(t, usual)
	some, err := s.Breathing(ctx, "a", days[3].Day, days[9].Day, 4)
	require.NoError(t, err)
	require.Equal(t, days[3:7], some)
	burst, err := s.Burst(ctx, "a")
	require.NoError(t, err)
	require.Nil(t, burst)
	other, _, err := s.BreathingNow(ctx, "b")
	require.NoError(t, err)
	require.Nil(t, other)

	again := boxFrom(4, 5)
	again.Drop = []unit.Instant{t0.Add(2 * day)}
	follow(again)
	states, err := s.BoxStates(ctx, "a")
	require.NoError(t, err)
	require.Equal(t, []unit.Instant{t0.Add(4 * day), t0.Add(5 * day)}, states)
	got, err := s.Breathing(ctx, "a", "2025", "2026", 100)
	require.NoError(t, err)
	require.Equal(t, append(days[:4:4], again.Days...), got)
	all := boxFrom(0)
	all.Usual = &breathing.Usual{Day: "2025-11-20", TauH: 40, LowH: 30, NeverTight: true}
	back := -0.5
	all.Heater = &sensing.Burst{At: t0.Add(time.Hour), Result: sensing.HeaterPassed, Fell: 40, Due: 45, WarmedK: 20, Back: &back}
	follow(all)
	burst, err = s.Burst(ctx, "a")
	require.NoError(t, err)
	require.Equal(t, all.Heater, burst)
	_, usual, err = s.BreathingNow(ctx, "a")
	require.NoError(t, err)
	require.Equal(t, all.Usual, usual)
	follow(boxFrom(0))
	burst, err = s.Burst(ctx, "a")
	require.NoError(t, err)
	require.Nil(t, burst)
	states, err = s.BoxStates(ctx, "a")
	require.NoError(t, err)
	require.Empty(t, states)
}

// spanOf returns the marked stretch of a station.
func spanOf(t *testing.T, s storage, station string) (from, to unit.Instant, ok bool) {
	t.Helper()
	for _, m := range marks(t, s) {
		if m.Station == station {
			return m.From, m.To, true
		}
	}
	return 0, 0, false
}

// three are stations of which two hang on one site, with readings over ten
// hours and nothing to fold.
func three(t *testing.T, e engine) storage {
	s := e.new(t, "a", "b", "c")
	require.NoError(t, s.AddFacts(t.Context(), []fact.Fact{
		siteFact("lake", fact.Zone, fact.Always, "CET"), siteFact("quay", fact.Zone, fact.Always, "CET"),
		stationFact("a", fact.Site, fact.Always, "lake"), stationFact("b", fact.Site, fact.Always, "lake"), stationFact("c", fact.Site, fact.Always, "quay"),
	}))
	for _, id := range []string{"a", "b", "c"} {
		for h := range 10 {
			r := unkeyed(int64(h), 5)
			r.Time = t0.Add(time.Duration(h) * time.Hour)
			commit(t, s, arrival(id, r))
		}
	}
	clear3(t, s)
	return s
}

func clear3(t *testing.T, s storage) {
	for _, m := range marks(t, s) {
		require.NoError(t, s.CommitFold(t.Context(), record.Folded{Mark: m}))
	}
}

func testOutdoorsMarkNeighbours(t *testing.T, e engine) {
	s := three(t, e)
	hear := func(since unit.Instant, os ...equal.Air) {
		require.NoError(t, s.CommitFold(t.Context(), record.Folded{Mark: record.Mark{Station: "a"}, Box: &record.Box{Since: since, Upto: 9, Version: 1, Outdoors: os}}))
	}
	o := func(h int, temp unit.Celsius) equal.Air {
		return equal.Air{Hour: t0.Add(time.Duration(h) * time.Hour).Floor(time.Hour), Temp: temp, RH: 80}
	}
	hear(math.MinInt64, o(2, 5), o(3, 5), o(4, 5))
	from, to, ok := spanOf(t, s, "b")
	require.True(t, ok)
	require.Equal(t, o(2, 0).Hour, from)
	require.Equal(t, o(5, 0).Hour, to)
	for _, id := range []string{"a", "c"} {
		_, _, ok = spanOf(t, s, id)
		require.False(t, ok, id)
	}
	clear3(t, s)
	list, err := s.Neighbours(t.Context(), "lake", o(2, 0).Hour, o(4, 0).Hour)
	require.NoError(t, err)
	require.Equal(t, []record.Neighbour{{Station: "a", Air: o(2, 5)}, {Station: "a", Air: o(3, 5)}}, list)
	own, err := s.Outdoors(t.Context(), "a", o(2, 0).Hour, o(4, 0).Hour)
	require.NoError(t, err)
	require.Equal(t, []equal.Air{o(2, 5), o(3, 5)}, own)
	none, err := s.Neighbours(t.Context(), "quay", math.MinInt64, math.MaxInt64)
	require.NoError(t, err)
	require.Empty(t, none)

	hear(o(3, 0).Hour.Add(time.Minute), o(3, 5), o(4, 5)) // the same again
	require.Empty(t, marks(t, s))
	hear(o(3, 0).Hour.Add(time.Minute), o(3, 5), o(5, 6)) // one hour gone, one new
	from, to, _ = spanOf(t, s, "b")
	require.Equal(t, o(4, 0).Hour, from)
	require.Equal(t, o(6, 0).Hour, to)
	list, err = s.Neighbours(t.Context(), "lake", math.MinInt64, math.MaxInt64)
	require.NoError(t, err)
	require.Equal(t, []record.Neighbour{{Station: "a", Air: o(2, 5)}, {Station: "a", Air: o(3, 5)}, {Station: "a", Air: o(5, 6)}}, list)
}

// Observed weather tells what air a box breathes: the stations of its site are
// followed again.
func testWeatherMarks(t *testing.T, e engine) {
	s := three(t, e)
	require.NoError(t, s.BeginWeather(t.Context(), "lake", record.WeatherSource{Name: "ridge"}, t0, "x"))
	add := func() {
		_, err := s.AddWeather(t.Context(), "lake", "ridge", []record.Weather{observedAt(300, 1), observedAt(240, 2)}, false)
		require.NoError(t, err)
	}
	add()
	for _, id := range []string{"a", "b"} {
		from, to, ok := spanOf(t, s, id)
		require.True(t, ok, id)
		require.Equal(t, observedAt(240, 0).Time.Add(-box.WeatherReach), from)
		require.Equal(t, observedAt(300, 0).Time.Add(box.WeatherReach), to)
	}
	_, _, ok := spanOf(t, s, "c")
	require.False(t, ok)
	clear3(t, s)
	add() // repeated
	require.Empty(t, marks(t, s))
}
