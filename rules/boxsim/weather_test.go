package boxsim

import (
	"compress/gzip"
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/moistair"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

func date(month time.Month, day, hours int) unit.Instant {
	return unit.At(time.Date(2021, month, day, hours, 0, 0, 0, time.UTC))
}

func TestWeatherIsAFunctionOfTheInstant(t *testing.T) {
	start := date(time.January, 1, 0)
	var forward []Air
	g := NewWeather(Lakeside(), 42)
	for i := range 5000 {
		forward = append(forward, g.At(start+unit.Instant(i)*hour/4))
	}
	again := NewWeather(Lakeside(), 42)
	for _, i := range rand.New(rand.NewPCG(1, 2)).Perm(len(forward)) {
		require.Equal(t, forward[i], again.At(start+unit.Instant(i)*hour/4))
	}

	other, same := NewWeather(Lakeside(), 43), 0
	for i := range forward {
		if other.At(start+unit.Instant(i)*hour/4) == forward[i] {
			same++
		}
	}
	require.Zero(t, same, "another seed is other weather")
}

// TestWeatherPossible holds, for any climate and instant, what is true of all
// weather, and that nothing jumps.
func TestWeatherPossible(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := Climate{
			Lat: rapid.Float64Range(-75, 75).Draw(t, "lat"), Lon: rapid.Float64Range(-180, 180).Draw(t, "lon"),
			MeanC: rapid.Float64Range(-5, 28).Draw(t, "mean"), SeasonAmpC: rapid.Float64Range(0, 15).Draw(t, "season"),
			DiurnalAmpC: rapid.Float64Range(0, 9).Draw(t, "diurnal"), SynopticC: rapid.Float64Range(0, 5).Draw(t, "synoptic"),
			MeanRH: rapid.Float64Range(30, 99).Draw(t, "rh"), Wetness: rapid.Float64Range(0, 0.4).Draw(t, "wetness"),
			Maritime: rapid.Float64Range(0, 1).Draw(t, "maritime"),
		}
		g := NewWeather(c, rapid.Uint64().Draw(t, "seed"))
		at := unit.Instant(rapid.Int64Range(-1e18, 4e18).Draw(t, "at"))
		a, soon := g.At(at), g.At(at+hour/60)
		dew := moistair.DewPoint(a.Temp, a.RH)
		require.LessOrEqual(t, dew, a.Temp+1e-9, "temperature below dew point")
		require.Positive(t, a.RH)
		require.LessOrEqual(t, a.RH, unit.Percent(100))
		require.True(t, a.Cloud01 >= 0 && a.Cloud01 <= 1)
		require.True(t, a.WindMS > 0 && a.WindMS < 60, "wind %v", a.WindMS)
		require.True(t, a.RainMMh >= 0 && a.RainMMh < 20, "rain %v", a.RainMMh)
		require.True(t, a.SunWm2 >= 0 && a.SunWm2 < 1100)
		require.InDelta(t, float64(a.Temp), float64(soon.Temp), 0.5, "jump in a minute")
		require.InDelta(t, float64(a.RH), float64(soon.RH), 3, "jump in a minute")
	})
}

// TestSunFollowsPlace compares day and night with rules/sun.
func TestSunFollowsPlace(t *testing.T) {
	c := Lakeside()
	g := NewWeather(c, 5)
	nights := sun.NewNights(&sun.Place{Lat: c.Lat, Lon: c.Lon})
	differ := 0
	for at := date(time.January, 1, 0); at < date(time.December, 31, 0); at += hour / 4 {
		if nights.At(at) != (g.At(at).SunWm2 == 0) {
			differ++
		}
	}
	// The light sun here has no equation of time and begins above 0.6°: up to
	// 25 min at each end of the day.
	require.Less(t, float64(differ)/4/364, 1.0, "hours a day in which only one of the two says night")
}

// climatology is what weather looks like over years.
type climatology struct {
	month    [12]float64 // mean temperature
	rh       []float64   // sorted
	hourRH   [24]float64 // mean RH by UTC hour
	mean, mm float64     // yearly
	wet      float64     // share of hours with rain
}

func survey(w Weather, years int) climatology {
	var c climatology
	var monthN [12]float64
	start := date(time.January, 1, 0)
	hours := years * 8766
	for i := range hours {
		at := start + unit.Instant(i)*hour
		a := w.At(at)
		m := at.Time().Month() - 1
		c.month[m] += float64(a.Temp)
		monthN[m]++
		c.mean += float64(a.Temp) / float64(hours)
		c.mm += a.RainMMh / float64(years)
		if a.RainMMh > 0 {
			c.wet += 1 / float64(hours)
		}
		c.hourRH[at.Time().Hour()] += float64(a.RH) / float64(hours/24)
		c.rh = append(c.rh, float64(a.RH))
	}
	for m := range c.month {
		c.month[m] /= monthN[m]
	}
	slices.Sort(c.rh)
	return c
}

func quantile(sorted []float64, q float64) float64 { return sorted[int(q*float64(len(sorted)-1))] }

func TestClimates(t *testing.T) {
	for _, row := range []struct {
		name           string
		climate        Climate
		cold, warm     int        // months, January 0
		coldC, warmC   [2]float64 // means of those months
		rainMM         [2]float64
		dawn, midday   [2]float64 // mean RH at 04 and 14 UTC
		median, driest [2]float64 // RH
	}{
		{
			name: "lakeside", climate: Lakeside(), cold: 0, warm: 6,
			coldC: [2]float64{-6, -2}, warmC: [2]float64{16, 20}, rainMM: [2]float64{450, 900},
			dawn: [2]float64{88, 97}, midday: [2]float64{66, 78}, median: [2]float64{80, 89}, driest: [2]float64{50, 68},
		},
		{
			name: "quayside", climate: Quayside(), cold: 1, warm: 7,
			coldC: [2]float64{2, 5}, warmC: [2]float64{16, 19}, rainMM: [2]float64{700, 1200},
			dawn: [2]float64{85, 94}, midday: [2]float64{72, 82}, median: [2]float64{80, 88}, driest: [2]float64{60, 73},
		},
	} {
		t.Run(row.name, func(t *testing.T) {
			between := func(v float64, r [2]float64, what string) {
				t.Helper()
				require.True(t, v >= r[0] && v <= r[1], "%s is %.2f, not in %v", what, v, r)
			}
			c := survey(NewWeather(row.climate, 11), 6)
			between(c.month[row.cold], row.coldC, "cold month")
			between(c.month[row.warm], row.warmC, "warm month")
			between(c.mean, [2]float64{row.climate.MeanC - 1.2, row.climate.MeanC + 1.2}, "yearly mean")
			between(c.mm, row.rainMM, "rain, mm a year")
			between(c.wet, [2]float64{0.7 * row.climate.Wetness, 1.3 * row.climate.Wetness}, "share of wet hours")
			between(c.hourRH[4], row.dawn, "RH before dawn")
			between(c.hourRH[14], row.midday, "RH after noon")
			between(quantile(c.rh, 0.5), row.median, "median RH")
			between(quantile(c.rh, 0.05), row.driest, "5 % quantile of RH")
			between(quantile(c.rh, 0.95), [2]float64{94, 100}, "95 % quantile of RH")
		})
	}
}

// TestClearNights: nights with little cloud cool more and end near saturation.
func TestClearNights(t *testing.T) {
	g := NewWeather(Lakeside(), 3)
	var fall, endRH [2][]float64 // clear, overcast
	for day := range 3 * 365 {
		evening := date(time.January, 1, 17) + unit.Instant(day)*24*hour
		cloud := 0.0
		for h := range unit.Instant(10) {
			cloud += g.At(evening+h*hour).Cloud01 / 10
		}
		kind := 0
		switch {
		case cloud > 0.8:
			kind = 1
		case cloud > 0.3:
			continue
		}
		end := g.At(evening + 10*hour)
		fall[kind] = append(fall[kind], float64(g.At(evening).Temp-end.Temp))
		endRH[kind] = append(endRH[kind], float64(end.RH))
	}
	for kind := range fall {
		require.Greater(t, len(fall[kind]), 50)
		slices.Sort(fall[kind])
		slices.Sort(endRH[kind])
	}
	require.Greater(t, quantile(fall[0], 0.5), 3.0, "K that a clear night cools")
	require.Less(t, quantile(fall[1], 0.5), 2.0, "K that an overcast night cools")
	require.Greater(t, quantile(endRH[0], 0.5), 88.0, "RH at the end of a clear night")
	require.Greater(t, quantile(endRH[0], 0.75), 94.0)
}

// TestQuaysideLikeACoast compares with a year of hourly observations at a sea
// coast, of a national weather service (station and licence in the data's own
// notes).
func TestQuaysideLikeACoast(t *testing.T) {
	file, err := os.Open("../../../shared/data/coast_nl_2015.csv.gz")
	if err != nil {
		t.Skip("the observed year is not beside this checkout: ", err)
	}
	defer func() { require.NoError(t, file.Close()) }()
	unzipped, err := gzip.NewReader(file)
	require.NoError(t, err)
	rows, err := csv.NewReader(unzipped).ReadAll()
	require.NoError(t, err)
	require.Equal(t, []string{"time_utc", "temp_c", "rh_pct"}, rows[0][:3])

	var rh []float64
	mean := 0.0
	for _, row := range rows[1:] {
		temp, err := strconv.ParseFloat(row[1], 64)
		require.NoError(t, err)
		humidity, err := strconv.ParseFloat(row[2], 64)
		require.NoError(t, err)
		mean += temp / float64(len(rows)-1)
		rh = append(rh, humidity)
	}
	slices.Sort(rh)
	c := survey(NewWeather(Quayside(), 11), 6)
	require.InDelta(t, mean, c.mean, 1.5)
	for _, q := range []float64{0.05, 0.25, 0.5, 0.75, 0.95} {
		require.InDelta(t, quantile(rh, q), quantile(c.rh, q), 6, "quantile %v of RH", q)
	}
}

// TestWave holds that a wave has mean 0 and deviation 1 at every place
// between its nodes, and neither jumps nor bends at them.
func TestWave(t *testing.T) {
	w := newWave(1, 2, 10)
	for _, place := range []float64{0, 0.3, 0.5, 0.9} {
		var sum, squares float64
		const n = 20000
		for i := range n {
			v := w.at(unit.Instant((float64(i-n/2) + place) * 10 * hour))
			sum += v
			squares += v * v
		}
		require.InDelta(t, 0, sum/n, 0.03)
		require.InDelta(t, 1, math.Sqrt(squares/n), 0.02)
	}
	for i := range unit.Instant(1000) {
		node := (i - 500) * 10 * hour
		require.InDelta(t, w.at(node-1), w.at(node), 1e-6)
		require.InDelta(t, w.at(node+hour/100), w.at(node), 1e-4, "a kink at the node")
	}
}
