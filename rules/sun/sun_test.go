package sun_test

import (
	"encoding/csv"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

// events returns all changes between day and night in the civil day that
// begins at from, found by asking Nights.
func events(p sun.Place, from time.Time) (rise, set []time.Time) {
	n := sun.NewNights(&p)
	before := n.At(unit.At(from) - 1)
	for s := range 86400 {
		t := from.Add(time.Duration(s) * time.Second)
		night := n.At(unit.At(t))
		if night && !before {
			set = append(set, t)
		}
		if !night && before {
			rise = append(rise, t)
		}
		before = night
	}
	return rise, set
}

// Rows of topic sun but for position (zenith, azimuth), which nothing here
// computes. The NREL report prints the sunset of the UT day, which is the
// local evening of 16 October; the rows say so.
func TestSunriseAndSunset_PublishedTimes(t *testing.T) {
	f, err := os.Open("../../testdata/sun/checks.csv")
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 1+18)
	for _, row := range rows[1:] {
		id, quantity, expected, unitName, tolerance := row[0], row[2], row[4], row[5], row[6]
		t.Run(id, func(t *testing.T) {
			in := map[string]string{}
			for pair := range strings.SplitSeq(row[3], ";") {
				k, v, _ := strings.Cut(pair, "=")
				in[k] = v
			}
			number := func(k string) float64 {
				x, err := strconv.ParseFloat(in[k], 64)
				require.NoError(t, err)
				return x
			}
			p := sun.Place{Lat: number("lat"), Lon: number("lon")}
			zone := time.UTC
			if in["tz"] != "" {
				zone = time.FixedZone("", int(number("tz")*3600))
			}
			date, err := time.ParseInLocation(time.DateOnly, in["date"], zone)
			require.NoError(t, err)
			rise, set := events(p, date)
			if quantity == "sunset_exists" {
				require.Empty(t, set)
				require.Empty(t, rise)
				return
			}
			got := set
			if strings.HasPrefix(quantity, "sunrise") {
				got = rise
			}
			require.Len(t, got, 1)
			layout := "15:04"
			if strings.HasPrefix(unitName, "HH:MM:SS") {
				layout = time.TimeOnly
			}
			want, err := time.Parse(layout, expected)
			require.NoError(t, err)
			minutes, err := strconv.ParseFloat(tolerance, 64)
			require.NoError(t, err)
			at := date.Add(time.Duration(want.Hour())*time.Hour + time.Duration(want.Minute())*time.Minute + time.Duration(want.Second())*time.Second)
			require.InDelta(t, 0, got[0].Sub(at).Minutes(), minutes, "%s, expected %s", got[0], at)
		})
	}
}

func TestNightsAnswerTheSameInAnyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := sun.Place{Lat: rapid.Float64Range(-90, 90).Draw(t, "lat"), Lon: rapid.Float64Range(-180, 180).Draw(t, "lon")}
		n := sun.NewNights(&p)
		for range 20 {
			at := unit.Instant(rapid.Int64Range(946684800, 4102444800).Draw(t, "t")) * 1e9
			require.Equal(t, sun.NewNights(&p).At(at), n.At(at))
		}
	})
}

func TestNextSunriseIsWhereNightEnds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := sun.Place{Lat: rapid.Float64Range(-60, 60).Draw(t, "lat"), Lon: rapid.Float64Range(-180, 180).Draw(t, "lon")}
		at := unit.Instant(rapid.Int64Range(946684800, 4102444800).Draw(t, "t")) * 1e9
		rise, ok := p.NextSunrise(at)
		require.True(t, ok)
		require.Greater(t, rise, at)
		require.LessOrEqual(t, rise.Sub(at), 25*time.Hour)
		n := sun.NewNights(&p)
		require.True(t, n.At(rise-1))
		require.False(t, n.At(rise))
	})
}

func TestPolarSeasons(t *testing.T) {
	p := sun.Place{Lat: 69.6492, Lon: 18.9553}
	summer, winter := unit.At(time.Date(2024, 6, 21, 0, 0, 0, 0, time.UTC)), unit.At(time.Date(2024, 12, 21, 11, 0, 0, 0, time.UTC))
	require.False(t, sun.NewNights(&p).At(summer), "the sun does not set")
	require.True(t, sun.NewNights(&p).At(winter), "the sun does not rise")
	_, ok := p.NextSunrise(winter)
	require.False(t, ok)
	require.True(t, sun.NewNights(nil).At(summer), "without a place it is always night")
}

func TestValidate(t *testing.T) {
	require.NoError(t, sun.Place{Lat: -90, Lon: 180}.Validate())
	require.ErrorContains(t, sun.Place{Lat: 90.1}.Validate(), "latitude 90.1")
	require.ErrorContains(t, sun.Place{Lon: -181}.Validate(), "longitude -181")
}

func BenchmarkNights(b *testing.B) {
	n := sun.NewNights(&sun.Place{Lat: 61.5, Lon: 23.8})
	at := unit.At(time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC))
	for b.Loop() {
		n.At(at)
		at = at.Add(time.Minute)
	}
}
