package sun_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

const day = 24 * time.Hour

// drawPlace draws any place, often one where the sun hardly rises or sets.
func drawPlace(t *rapid.T) sun.Place {
	return sun.Place{
		Lat: rapid.OneOf(rapid.Float64Range(-90, 90), rapid.Float64Range(64, 69), rapid.Float64Range(-69, -64)).Draw(t, "lat"),
		Lon: rapid.Float64Range(-180, 180).Draw(t, "lon"),
	}
}

func drawInstant(t *rapid.T) unit.Instant {
	from, to := time.Date(1900, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC)
	return unit.Instant(rapid.Int64Range(from.UnixNano(), to.UnixNano()).Draw(t, "instant"))
}

func TestValidate(t *testing.T) {
	for _, p := range []sun.Place{{}, {Lat: 90, Lon: 180}, {Lat: -90, Lon: -180}} {
		require.NoError(t, p.Validate())
	}
	require.EqualError(t, sun.Place{Lat: 91}.Validate(), "latitude 91 is out of range: write -90 to 90 degrees, north positive")
	require.EqualError(t, sun.Place{Lon: -181}.Validate(), "longitude -181 is out of range: write -180 to 180 degrees, east positive")
	require.ErrorContains(t, sun.Place{Lat: math.NaN()}.Validate(), "latitude")
	require.ErrorContains(t, sun.Place{Lon: math.Inf(1)}.Validate(), "longitude")
}

// midnight returns the beginning of the solar day that contains t.
func midnight(p sun.Place, t unit.Instant) unit.Instant {
	ahead := time.Duration(math.Round(p.Lon * float64(4*time.Minute)))
	return t.Add(ahead).Floor(day).Add(-ahead)
}

// At any instant of a solar day its sunrise and sunset are the same, and noon
// lies between them. Noon is at most 17 minutes from that of mean time.
func TestEventsBelongToTheSolarDay(t *testing.T) {
	const unequal = 17 * time.Minute
	rapid.Check(t, func(t *rapid.T) {
		p, at := drawPlace(t), drawInstant(t)
		midnight := midnight(p, at)
		rise, ok := p.Sunrise(at)
		set, okSet := p.Sunset(at)
		require.Equal(t, ok, okSet)

		other := midnight.Add(time.Duration(rapid.Int64Range(1, int64(day)-1).Draw(t, "other")))
		again, okAgain := p.Sunrise(other)
		require.Equal(t, ok, okAgain)
		require.Equal(t, rise, again)
		if !ok {
			return
		}
		noon := midnight.Add(day / 2)
		require.LessOrEqual(t, rise.Sub(noon), unequal)
		require.GreaterOrEqual(t, set.Sub(noon), -unequal)
		require.GreaterOrEqual(t, rise.Sub(midnight), -unequal)
		require.LessOrEqual(t, set.Sub(midnight), day+unequal)
		require.LessOrEqual(t, rise, set)
	})
}

// Each day of a year at high latitudes, where sunrise and sunset come close to
// noon and midnight. At the first three there are days on which the sun reaches
// the horizon by its declination at noon, but not by that of its sunrise or
// sunset.
func TestHighLatitudes(t *testing.T) {
	lats := []float64{-85.04, -89.52, -89.88, 90}
	for lat := 65.5; lat < 90; lat += 3 {
		lats = append(lats, lat, -lat)
	}
	for _, lat := range lats {
		p := sun.Place{Lat: lat, Lon: 20}
		nights := sun.NewNights(&p)
		for d := range 366 {
			at := midnight(p, unit.At(time.Date(2024, 1, 1+d, 12, 0, 0, 0, time.UTC)))
			requireSolarDay(t, p, at)
			rise, _ := p.Sunrise(at)
			set, _ := p.Sunset(at)
			for _, edge := range [...]unit.Instant{at, at - 1, rise, rise - 1, set, set - 1} {
				if direct(p, edge) != nights.At(edge) {
					t.Fatalf("night is %v at %v, %v°", nights.At(edge), edge, lat)
				}
			}
		}
	}
}

// requireSolarDay holds that the sun crosses the horizon just when it is above
// it at noon and below it at midnight, and that it is at it then.
func requireSolarDay(t *testing.T, p sun.Place, midnight unit.Instant) {
	t.Helper()
	highest, lowest := extremes(p, midnight)
	rise, ok := p.Sunrise(midnight)
	set, _ := p.Sunset(midnight)
	require.Equal(t, highest >= -0.833 && lowest <= -0.833, ok, "%v at %v°", midnight, p.Lat)
	if !ok {
		return
	}
	require.GreaterOrEqual(t, rise.Sub(midnight), -17*time.Minute)
	require.LessOrEqual(t, rise, set, "%v at %v°", midnight, p.Lat)
	require.LessOrEqual(t, set.Sub(midnight), day+17*time.Minute)
	if length := set.Sub(rise); math.Abs(p.Lat) < 85 && length > 2*time.Hour && length < 22*time.Hour {
		require.InDelta(t, -0.833, altitude(p.Lat, p.Lon, float64(rise)/1e9), 0.004, "%v at %v°", rise, p.Lat)
		require.InDelta(t, -0.833, altitude(p.Lat, p.Lon, float64(set)/1e9), 0.004, "%v at %v°", set, p.Lat)
	}
}

// A solar day begins with its midnight.
func TestMidnightBelongsToTheDayItBegins(t *testing.T) {
	p := sun.Place{Lat: 50}
	midnight := unit.At(time.Date(2024, 5, 1, 0, 0, 0, 0, time.UTC))
	today, _ := p.Sunrise(midnight.Add(time.Hour))
	yesterday, _ := p.Sunrise(midnight.Add(-time.Hour))
	require.NotEqual(t, yesterday, today)
	at, _ := p.Sunrise(midnight)
	require.Equal(t, today, at)
	at, _ = p.Sunrise(midnight - 1)
	require.Equal(t, yesterday, at)
}

func TestNextSunrise(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, after := drawPlace(t), drawInstant(t)
		want, found := unit.Instant(math.MaxInt64), false
		for d := -3 * day; d <= 3*day; d += day {
			rise, ok := p.Sunrise(after.Add(d))
			if ok && rise > after && rise.Sub(after) <= 36*time.Hour && rise < want {
				want, found = rise, true
			}
		}
		got, ok := p.NextSunrise(after)
		require.Equal(t, found, ok)
		if !found {
			return
		}
		require.Equal(t, want, got)
		same, ok := p.NextSunrise(got - 1)
		require.True(t, ok)
		require.Equal(t, got, same)
		if later, ok := p.NextSunrise(got); ok {
			require.Greater(t, later, got, "strictly after")
		}
	})
}

// The first sunrise after the polar night is seen 36 h ahead, and no sooner.
func TestNextSunriseInPolarNight(t *testing.T) {
	p := sun.Place{Lat: 70}
	var first unit.Instant
	for d, ok := 0, false; !ok; d++ {
		first, ok = p.Sunrise(unit.At(time.Date(2024, 1, 1+d, 12, 0, 0, 0, time.UTC)))
	}
	require.Less(t, first, midnight(p, first).Add(day/2), "36 h before it are two days before")
	at, ok := p.NextSunrise(first.Add(-36 * time.Hour))
	require.True(t, ok)
	require.Equal(t, first, at)
	_, ok = p.NextSunrise(first.Add(-36*time.Hour - 1))
	require.False(t, ok)
}

// direct is the definition of night, without a cache: outside [sunrise, sunset)
// of the solar day or, where there are none, all day when the sun is below the
// horizon at noon.
func direct(p sun.Place, t unit.Instant) bool {
	rise, ok := p.Sunrise(t)
	if !ok {
		highest, _ := extremes(p, midnight(p, t))
		return highest < -0.833
	}
	set, _ := p.Sunset(t)
	return t < rise || t >= set
}

// extremes returns the sun's highest and lowest altitude, degrees, on the solar
// day from midnight on, with the declination that it has at noon.
func extremes(p sun.Place, midnight unit.Instant) (highest, lowest float64) {
	dec, _ := solar((float64(midnight.Add(day/2))/1e9/86400 - 10957.5) / 36525)
	return 90 - math.Abs(p.Lat-dec), math.Abs(p.Lat+dec) - 90
}

func TestNightsAreTheDefinition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, at := drawPlace(t), drawInstant(t)
		require.Equal(t, direct(p, at), sun.NewNights(&p).At(at))
	})
}

// Answers don't depend on what was asked before.
func TestNightsInAnyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, start := drawPlace(t), drawInstant(t)
		steps := rapid.SliceOfN(rapid.Int64Range(0, int64(30*day)), 1, 30).Draw(t, "steps")
		asked := make([]unit.Instant, len(steps))
		want := make([]bool, len(steps))
		for i, s := range steps {
			asked[i] = start.Add(time.Duration(s))
			want[i] = direct(p, asked[i])
		}
		shuffled, rising := sun.NewNights(&p), sun.NewNights(&p)
		for i, at := range asked {
			require.Equal(t, want[i], shuffled.At(at))
		}
		slices.Sort(asked)
		for _, at := range asked {
			require.Equal(t, direct(p, at), rising.At(at))
		}
	})
}

// Night is when the sun is below the horizon: computed from its altitude at the
// instant itself, with no notion of days. Near polar day and night, where a
// solar day is all light or all dark, the altitude may be off by what the
// declination changes within a day.
func TestNightIsWhenTheSunIsDown(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, at := drawPlace(t), drawInstant(t)
		margin := 0.005
		if math.Abs(p.Lat) > 65 {
			margin = 0.3
		}
		above := altitude(p.Lat, p.Lon, float64(at)/1e9) + 0.833
		if math.Abs(above) > margin {
			require.Equal(t, above < 0, sun.NewNights(&p).At(at), "%v° above", above)
		}
	})
}

func TestNightBeginsWithSunset(t *testing.T) {
	p := sun.Place{Lat: 50, Lon: 10}
	nights := sun.NewNights(&p)
	noon := unit.At(time.Date(2024, 3, 1, 12, 0, 0, 0, time.UTC))
	rise, _ := p.Sunrise(noon)
	set, _ := p.Sunset(noon)
	require.True(t, nights.At(rise-1))
	require.False(t, nights.At(rise))
	require.False(t, nights.At(set-1))
	require.True(t, nights.At(set))
}

func TestNightsFarNorth(t *testing.T) {
	nights := sun.NewNights(&sun.Place{Lat: 80, Lon: 20})
	for h := range 48 {
		require.False(t, nights.At(unit.At(time.Date(2024, 6, 20, h, 0, 0, 0, time.UTC))), "polar day")
		require.True(t, nights.At(unit.At(time.Date(2024, 12, 20, h, 0, 0, 0, time.UTC))), "polar night")
	}
}

func TestNowhereIsAlwaysNight(t *testing.T) {
	nights := sun.NewNights(nil)
	for h := range 24 {
		require.True(t, nights.At(unit.At(time.Date(2024, 6, 20, h, 0, 0, 0, time.UTC))))
	}
}

func BenchmarkNights(b *testing.B) {
	p := sun.Place{Lat: 60, Lon: 25}
	start := unit.At(time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC))
	b.Run("each minute of a year", func(b *testing.B) {
		nights := sun.NewNights(&p)
		for i := 0; b.Loop(); i++ {
			nights.At(start.Add(time.Duration(i%525600) * time.Minute))
		}
	})
	b.Run("no order", func(b *testing.B) {
		nights := sun.NewNights(&p)
		for i := 0; b.Loop(); i++ {
			nights.At(start.Add(time.Duration(i*7919%525600) * time.Minute))
		}
	})
}
