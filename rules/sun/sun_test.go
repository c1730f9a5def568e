package sun_test

import (
	"math"
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

// At any instant of a solar day its sunrise and sunset are the same, and noon
// lies between them. Noon is at most 17 minutes from that of mean time.
func TestEventsBelongToTheSolarDay(t *testing.T) {
	const unequal = 17 * time.Minute
	rapid.Check(t, func(t *rapid.T) {
		p, at := drawPlace(t), drawInstant(t)
		ahead := time.Duration(p.Lon * float64(4*time.Minute))
		midnight := at.Add(ahead).Floor(day).Add(-ahead)
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

func TestNextSunriseInPolarNight(t *testing.T) {
	_, ok := sun.Place{Lat: 80}.NextSunrise(unit.At(time.Date(2024, 12, 21, 0, 0, 0, 0, time.UTC)))
	require.False(t, ok)
}

// direct is the definition of night, without a cache: outside [sunrise, sunset)
// of the solar day and its neighbours, and not in a solar day whose sun, at
// noon, is so high that it doesn't set.
func direct(p sun.Place, t unit.Instant) bool {
	for d := -day; d <= day; d += day {
		rise, ok := p.Sunrise(t.Add(d))
		set, _ := p.Sunset(t.Add(d))
		if ok && rise <= t && t < set {
			return false
		}
	}
	if _, ok := p.Sunrise(t); ok {
		return true
	}
	ahead := time.Duration(math.Round(p.Lon * float64(4*time.Minute)))
	noon := t.Add(ahead).Floor(day).Add(day/2 - ahead)
	dec, _ := solar((float64(noon)/1e9/86400 - 10957.5) / 36525)
	return 90-math.Abs(p.Lat-dec) < -0.833
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
		steps := rapid.SliceOfN(rapid.Int64Range(0, int64(30*day)), 1, 60).Draw(t, "steps")
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
		for at := start; at < start.Add(4*day); at = at.Add(19 * time.Minute) {
			require.Equal(t, direct(p, at), rising.At(at), "%v", at)
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
