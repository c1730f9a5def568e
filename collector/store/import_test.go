package store

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

func init() {
	also("BeginImport", testBeginImport)
	also("AheadWithoutNumber", testAheadWithoutNumber)
	also("Weather", testWeather)
	also("WeatherReplaced", testWeatherReplaced)
	also("WeatherOfWhom", testWeatherOfWhom)
}

// importStorage is what imports need of every engine.
type importStorage interface {
	BeginImport(ctx context.Context, station string, at unit.Instant, author string) error
	AwaitsTime(ctx context.Context, station string, due unit.Instant, raw []byte) (bool, error)
	BeginWeather(ctx context.Context, site string, source record.WeatherSource, at unit.Instant, author string) error
	AddWeather(ctx context.Context, site, source string, rows []record.Weather, replace bool) (record.WeatherOutcome, error)
	Weather(ctx context.Context, site string, from, to unit.Instant) ([]record.Weather, error)
	WeatherPage(ctx context.Context, site string, from, to unit.Instant, skip, limit int) ([]record.Weather, error)
}

func testBeginImport(t *testing.T, e engine) {
	s := e.new(t, "a", "b")
	require.NoError(t, s.Retire(t.Context(), "b", t0, "Ida"))
	before, _, err := s.Audit(t.Context(), record.DeedPlace{}, 99)
	require.NoError(t, err)
	require.ErrorIs(t, s.BeginImport(t.Context(), "nobody", t0, "Ida"), record.ErrNotFound)
	require.ErrorIs(t, s.BeginImport(t.Context(), "b", t0, "Ida"), record.ErrRetired)
	after, _, err := s.Audit(t.Context(), record.DeedPlace{}, 99)
	require.NoError(t, err)
	require.Equal(t, before, after)
	require.NoError(t, s.BeginImport(t.Context(), "a", t0+1, "Ida"))
	after, _, err = s.Audit(t.Context(), record.DeedPlace{}, 99)
	require.NoError(t, err)
	require.Len(t, after, len(before)+1)
	require.Equal(t, "import readings", after[0].Action)
	require.Equal(t, "a", after[0].Object)
	require.Equal(t, "Ida", after[0].Author)
}

// A line without a number that waits for its time is not taken twice, however
// often it comes.
func testAheadWithoutNumber(t *testing.T, e engine) {
	s := e.new(t, "a", "b")
	ahead := unkeyed(60, 5)
	say := func(station, raw string) record.Outcome {
		a := arrival(station)
		a.At = t0
		a.Batch.Refused = []reading.Refusal{{Reason: reading.ReasonTime, Detail: "why", Raw: []byte(raw), Reading: &ahead}}
		return commit(t, s, a)[0]
	}
	waits := func(station, raw string) bool {
		is, err := s.AwaitsTime(t.Context(), station, ahead.Time, []byte(raw))
		require.NoError(t, err)
		return is
	}
	require.False(t, waits("a", "x"))
	require.Equal(t, record.Outcome{Station: "a", Refused: 1}, say("a", "x"))
	require.True(t, waits("a", "x"))
	require.False(t, waits("a", "y"))
	require.False(t, waits("b", "x"))
	require.Equal(t, record.Outcome{Station: "a", Repeated: 1}, say("a", "x"))
	require.Equal(t, record.Outcome{Station: "a", Refused: 1}, say("a", "y"), "another line")
	require.Equal(t, record.Outcome{Station: "b", Refused: 1}, say("b", "x"), "another station")
	n, err := s.ReleaseDue(t.Context(), ahead.Time)
	require.NoError(t, err)
	require.Equal(t, 3, n)
	require.False(t, waits("a", "x"), "it is stored")
	require.Len(t, readAll(t, s, "a"), 1, "x and y are one reading")
	c := counts(t, s)
	require.Equal(t, c.Received+c.Released, c.Stored+c.Repeated+c.Refused[reading.ReasonTime])
}

func lakeSite(t *testing.T, s storage, sites ...string) {
	t.Helper()
	for _, site := range sites {
		require.NoError(t, s.AddFacts(t.Context(), []fact.Fact{siteFact(site, fact.Salt, fact.Always, "none")}))
	}
}

// observedAt is a row in which everything depends on v.
func observedAt(minute int64, v float64) record.Weather {
	return record.Weather{
		Time: t0.Add(unitMinutes(minute)), Temp: record.Some(v), RH: record.Some(v + 1), DewPoint: record.Some(v + 2), DewPointComputed: true,
		Rain: record.Some(0), Wind: record.Maybe{}, Cloud: record.Some(v + 3),
	}
}

func from(source string, distance record.Maybe, w record.Weather) record.Weather {
	w.Source, w.Distance = source, distance
	return w
}

func testWeather(t *testing.T, e engine) {
	ctx := t.Context()
	s := e.new(t)
	lakeSite(t, s, "lake", "quay")
	far := record.Some(12.5)
	require.NoError(t, s.BeginWeather(ctx, "lake", record.WeatherSource{Name: "ridge", Distance: far}, t0, "Ida"))
	require.NoError(t, s.BeginWeather(ctx, "lake", record.WeatherSource{Name: "harbour"}, t0, "Ida"))
	rows := []record.Weather{observedAt(60, 1.1), observedAt(0, -2.25), {Time: t0.Add(unitMinutes(30)), Wind: record.Some(3)}}
	rows[1].RHComputed, rows[1].DewPointComputed = true, false
	got, err := s.AddWeather(ctx, "lake", "ridge", rows, false)
	require.NoError(t, err)
	require.Equal(t, record.WeatherOutcome{Stored: 3}, got)
	got, err = s.AddWeather(ctx, "lake", "harbour", rows[:1], false)
	require.NoError(t, err)
	require.Equal(t, record.WeatherOutcome{Stored: 1}, got)

	all, err := s.Weather(ctx, "lake", always, never)
	require.NoError(t, err)
	want := []record.Weather{
		from("ridge", far, rows[1]), from("ridge", far, rows[2]), from("harbour", record.Maybe{}, rows[0]), from("ridge", far, rows[0]),
	}
	require.Equal(t, want, all, "by time, then by source")
	some, err := s.Weather(ctx, "lake", rows[1].Time+1, rows[0].Time)
	require.NoError(t, err)
	require.Equal(t, want[1:2], some, "to is not in the interval")
	some, err = s.WeatherPage(ctx, "lake", always, never, 1, 2)
	require.NoError(t, err)
	require.Equal(t, want[1:3], some)
	none, err := s.Weather(ctx, "quay", always, never)
	require.NoError(t, err)
	require.Empty(t, none)

	// A distance that is said later holds for all of the source's rows; one that
	// is not said leaves it.
	require.NoError(t, s.BeginWeather(ctx, "lake", record.WeatherSource{Name: "harbour", Distance: record.Some(3)}, t0, "Ida"))
	require.NoError(t, s.BeginWeather(ctx, "lake", record.WeatherSource{Name: "ridge"}, t0, "Ida"))
	all, err = s.Weather(ctx, "lake", always, never)
	require.NoError(t, err)
	require.Equal(t, record.Some(3), all[2].Distance)
	require.Equal(t, far, all[3].Distance)
	deeds, _, err := s.Audit(ctx, record.DeedPlace{}, 99)
	require.NoError(t, err)
	require.Equal(t, "import weather", deeds[0].Action)
	require.Equal(t, "lake", deeds[0].Object)
}

func testWeatherReplaced(t *testing.T, e engine) {
	ctx := t.Context()
	s := e.new(t)
	lakeSite(t, s, "lake")
	require.NoError(t, s.BeginWeather(ctx, "lake", record.WeatherSource{Name: "ridge"}, t0, "Ida"))
	add := func(replace bool, rows ...record.Weather) record.WeatherOutcome {
		got, err := s.AddWeather(ctx, "lake", "ridge", rows, replace)
		require.NoError(t, err)
		return got
	}
	is := func() (list []float64) {
		all, err := s.Weather(ctx, "lake", always, never)
		require.NoError(t, err)
		for _, w := range all {
			list = append(list, w.Temp.Value)
		}
		return list
	}
	require.Equal(t, record.WeatherOutcome{}, add(false), "nothing")
	require.Equal(t, record.WeatherOutcome{Stored: 2}, add(false, observedAt(0, 1), observedAt(60, 2)))

	same := observedAt(0, 1)
	same.DewPoint = record.Some(1e9) // computed, by other arithmetic
	other := observedAt(60, 7)
	require.Equal(t, record.WeatherOutcome{Stored: 1, Repeated: 2, Conflicts: []unit.Instant{other.Time, t0.Add(unitMinutes(90))}},
		add(false, same, other, observedAt(90, 3), observedAt(90, 3), observedAt(90, 4)), "also within one call")
	require.Equal(t, []float64{1, 2, 3}, is())

	seen := observedAt(0, 1)
	seen.DewPointComputed = false
	require.Equal(t, record.WeatherOutcome{Replaced: 1}, add(true, seen), "observed and not computed is another row")
	require.Equal(t, record.WeatherOutcome{Stored: 1, Replaced: 3, Repeated: 1},
		add(true, other, observedAt(60, 8), observedAt(90, 3), observedAt(120, 5), observedAt(120, 6)), "the last one stays")
	require.Equal(t, []float64{1, 8, 3, 6}, is())
}

func testWeatherOfWhom(t *testing.T, e engine) {
	ctx := t.Context()
	s := e.new(t)
	require.ErrorIs(t, s.BeginWeather(ctx, "lake", record.WeatherSource{Name: "ridge"}, t0, "Ida"), record.ErrNotFound)
	lakeSite(t, s, "lake")
	_, err := s.AddWeather(ctx, "lake", "ridge", []record.Weather{observedAt(0, 1)}, false)
	require.ErrorIs(t, err, record.ErrNotFound)
	require.ErrorContains(t, err, "ridge")
}

// weatherThere puts some weather into a store that has the site.
func weatherThere(t *testing.T, s storage) {
	t.Helper()
	require.NoError(t, s.BeginWeather(t.Context(), "lake", record.WeatherSource{Name: "ridge"}, t0, "x"))
	_, err := s.AddWeather(t.Context(), "lake", "ridge", []record.Weather{observedAt(0, 1), observedAt(60, 2)}, false)
	require.NoError(t, err)
}

func importSteps(ctx context.Context) map[string]func(*Store) error {
	late := unkeyed(3, 5)
	late.Time = t0.Add(4 * day)
	return map[string]func(*Store) error{
		"BeginImport": func(s *Store) error { return s.BeginImport(ctx, "a", t0, "x") },
		"AwaitsTime":  func(s *Store) error { _, err := s.AwaitsTime(ctx, "a", late.Time, []byte("x")); return err },
		"Commit again of what is ahead": func(s *Store) error {
			a := arrival("a")
			a.At, a.Batch.Refused = t0, []reading.Refusal{early(t0, late)}
			_, err := s.Commit(ctx, []record.Arrival{a})
			return err
		},
		"BeginWeather": func(s *Store) error {
			return s.BeginWeather(ctx, "lake", record.WeatherSource{Name: "quay", Distance: record.Some(1)}, t0, "x")
		},
		"AddWeather": func(s *Store) error {
			_, err := s.AddWeather(ctx, "lake", "ridge", []record.Weather{observedAt(0, 3), observedAt(60, 2), observedAt(90, 1)}, true)
			return err
		},
		"Weather": func(s *Store) error { _, err := s.Weather(ctx, "lake", always, never); return err },
	}
}
