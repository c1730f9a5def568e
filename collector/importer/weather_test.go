package importer_test

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/importer"
	"dewpost/collector/record"
	"dewpost/rules/logfile"
	"dewpost/rules/unit"
)

var ridge = record.WeatherSource{Name: "Ridge, 12 km off", Distance: record.Some(12)}

func (b *shop) observe(t testing.TB, text string, replace bool) importer.Weather {
	t.Helper()
	got, err := importer.ImportWeather(context.Background(), b, "lake", ridge, replace, logOf(text))
	require.NoError(t, err)
	require.Equal(t, got.Rows, got.Stored+got.Repeated+got.Replaced+got.Conflicts+got.Empty+got.Ahead)
	return got
}

func (b *shop) weather(t testing.TB) []record.Weather {
	t.Helper()
	all, err := b.Weather(context.Background(), "lake", math.MinInt64, math.MaxInt64)
	require.NoError(t, err)
	return all
}

// Dew points beside the humidity that they come from: WMO-No. 8's formula, by
// hand for 20 °C and 50 %: 9.26 °C (within a rounded digit).
func TestWeatherRows(t *testing.T) {
	b := newShop(t)
	got := b.observe(t, strings.Join([]string{
		"time,temp_c,rh_pct,dew_point_c,rain_mm,wind_m_s,cloud_oktas,cloud_pct",
		"2025-03-01T01:00:00Z,20,50,,0.4,3.5,8,",
		"2025-03-01T02:00:00Z,20,,9.26,,,,40",
		"2025-03-01T03:00:00Z,20,50,9.9,,,2,30", // both observed; % before oktas
		"2025-03-01T04:00:00Z,20,,20.5,,,9,",    // rounded: saturated; sky not seen
		"2025-03-01T05:00:00Z,20,,21.5,,,,",     // nonsense
		"2025-03-01T06:00:00Z,,50,,,,,",         // nothing to compute with
		"2025-03-01T07:00:00Z,20,0,,,,,",        // no dew point
		"2025-03-01T08:00:00Z,,,,,,,",
		"2026-06-01T12:05:01Z,1,50,,,,,",
		"2025-03-01T09:00:00Z,20,104,,501,-1,,101",
		"2025-03-01T10:00:00Z,,,,,,,0",
	}, "\n"), false)
	require.Equal(t, 9, got.Stored)
	require.Equal(t, 1, got.Empty)
	require.Equal(t, 1, got.Ahead)
	require.Equal(t, map[string]int{"cloud_oktas": 1, "dew_point_c": 1, "rain_mm": 1, "wind_m_s": 1, "cloud_pct": 1}, got.RefusedValues)
	require.Equal(t, 12.0, *got.DistanceKM)
	all := b.weather(t)
	require.Len(t, all, 9)
	for _, w := range all {
		require.Equal(t, ridge.Name, w.Source)
		require.Equal(t, ridge.Distance, w.Distance)
	}
	first := all[0]
	require.InDelta(t, 9.26, first.DewPoint.Value, 0.005)
	require.True(t, first.DewPointComputed && !first.RHComputed)
	require.Equal(t, []record.Maybe{record.Some(20), record.Some(50), record.Some(0.4), record.Some(3.5), record.Some(100)},
		[]record.Maybe{first.Temp, first.RH, first.Rain, first.Wind, first.Cloud})
	require.InDelta(t, 50, all[1].RH.Value, 0.02)
	require.True(t, all[1].RHComputed && !all[1].DewPointComputed)
	require.Equal(t, record.Some(40), all[1].Cloud)
	require.Equal(t, record.Maybe{}, all[1].Rain)
	require.Equal(t, record.Some(9.9), all[2].DewPoint)
	require.False(t, all[2].RHComputed || all[2].DewPointComputed)
	require.Equal(t, record.Some(30), all[2].Cloud)
	require.Equal(t, record.Some(100), all[3].RH)
	require.Equal(t, record.Some(20.5), all[3].DewPoint)
	require.Equal(t, record.Maybe{}, all[3].Cloud)
	require.Equal(t, record.Weather{Time: all[4].Time, Source: ridge.Name, Distance: ridge.Distance, Temp: record.Some(20)}, all[4])
	require.False(t, all[5].DewPoint.There)
	require.False(t, all[6].DewPoint.There)
	require.Equal(t, record.Some(20), all[7].DewPoint, "more than 100 % is 100 % for a dew point")
	require.Equal(t, record.Some(104), all[7].RH, "and kept as observed")
	require.Equal(t, record.Some(0), all[8].Cloud)
}

// A dry run says what the import then does, and writes nothing; what is
// recorded stays unless it should be replaced.
func TestWeatherDryRunTellsTheTruth(t *testing.T) {
	series := func(n int, temp func(i int) float64) string {
		var s strings.Builder
		s.WriteString("time,temp_c,rh_pct\n")
		for i := range n {
			fmt.Fprintf(&s, "%s,%.1f,80\n", begin.Add(time.Duration(i)*time.Hour).Format("2006-01-02T15:04:05Z"), temp(i))
		}
		return s.String()
	}
	same := func(i int) float64 { return float64(i % 20) }
	other := func(i int) float64 { return float64(i%20) + float64(i%2) }
	twice := series(4500, same) + "2025-03-01T00:00:00Z,7,80\n2025-03-01T00:00:00Z,7,80\n2025-03-01T01:00:00Z,1,80\n2025-03-01T02:00:00Z,,\n2027-01-01T00:00:00Z,1,1\n"
	for name, text := range map[string]string{"some": series(3000, same), "more": series(9000, other), "twice": twice, "none": series(0, nil)} {
		for _, replace := range []bool{false, true} {
			t.Run(name, func(t *testing.T) {
				b := newShop(t)
				for range 2 {
					for _, text := range []string{series(2000, same), text} {
						before := b.all(t)
						dry := logOf(text)
						dry.DryRun = true
						would, err := importer.ImportWeather(t.Context(), b, "lake", ridge, replace, dry)
						require.NoError(t, err)
						require.Equal(t, before, b.all(t))
						is := b.observe(t, text, replace)
						would.DryRun = false
						require.Equal(t, is, would)
					}
				}
			})
		}
	}
}

func TestWeatherConflictsAreNamed(t *testing.T) {
	b := newShop(t)
	day := "time,temp_c\n2025-03-01T00:00:00Z,%[1]d\n2025-03-01T01:00:00Z,5\n2025-03-01T02:00:00Z,%[1]d\n"
	b.observe(t, fmt.Sprintf(day, 1), false)
	got := b.observe(t, fmt.Sprintf(day, 2), false)
	require.Equal(t, 2, got.Conflicts)
	require.Equal(t, []unit.Instant{unit.At(begin), unit.At(begin).Add(7200e9)}, got.Conflicting)
	require.Equal(t, record.Some(1), b.weather(t)[0].Temp)
	got = b.observe(t, fmt.Sprintf(day, 2), true)
	require.Equal(t, 2, got.Replaced)
	require.Equal(t, 1, got.Repeated)
	require.Equal(t, record.Some(2), b.weather(t)[0].Temp)

	// Another source's rows are none of this one's.
	log := logOf(fmt.Sprintf(day, 9))
	got, err := importer.ImportWeather(t.Context(), b, "lake", record.WeatherSource{Name: "harbour"}, false, log)
	require.NoError(t, err)
	require.Equal(t, 3, got.Stored)
	require.Nil(t, got.DistanceKM)
	require.Len(t, b.weather(t), 6)
}

// A year of real weather: what is computed lies beside what was published. The
// README of the series has 0.046 °C on average, 0.094 °C for 95 of 100.
func TestRealWeather(t *testing.T) {
	text := shared(t, "coast_nl_2015")
	columns := map[string]string{
		"time_utc": "time", "dewpoint_c": "", "pressure_hpa": "", "wind_ms": "wind_m_s", "cloud": "cloud_oktas", "fog": "",
	}
	b := newShop(t)
	log := logOf(text)
	log.Options.Map = columns
	got, err := importer.ImportWeather(t.Context(), b, "lake", ridge, false, log)
	require.NoError(t, err)
	require.Equal(t, 8760, got.Stored)
	require.Equal(t, []string{"cloud_oktas"}, keys(got.RefusedValues))
	computed := b.weather(t)

	b = newShop(t)
	columns["dewpoint_c"] = "dew_point_c"
	_, err = importer.ImportWeather(t.Context(), b, "lake", ridge, false, log)
	require.NoError(t, err)
	sum := 0.0
	for i, w := range b.weather(t) {
		require.False(t, w.DewPointComputed)
		require.True(t, computed[i].DewPointComputed)
		sum += math.Abs(w.DewPoint.Value - computed[i].DewPoint.Value)
	}
	require.InDelta(t, 0.046, sum/8760, 0.001)

	log = logOf(shared(t, "coast_us_2023"))
	log.Options.Map = map[string]string{"time_utc": "time", "dewpoint_c": "dew_point_c", "pressure_hpa": "", "wind_ms": "wind_m_s", "cloud": "cloud_oktas"}
	got, err = importer.ImportWeather(t.Context(), b, "lake", record.WeatherSource{Name: "bay"}, false, log)
	require.NoError(t, err)
	require.Equal(t, 8736, got.Stored)
	require.Empty(t, got.RefusedValues)
}

func keys(m map[string]int) (list []string) {
	for k := range m {
		list = append(list, k)
	}
	return list
}

func TestWeatherOfWhomAndFromWhom(t *testing.T) {
	b := newShop(t)
	before := b.all(t)
	text := "time,temp_c\n2025-03-01T00:00:00Z,1\n"
	_, err := importer.ImportWeather(t.Context(), b, "nowhere", ridge, false, logOf(text))
	require.ErrorIs(t, err, record.ErrNotFound)
	require.ErrorContains(t, err, "site nowhere")
	for _, name := range []string{"", " ", "x ", "a\nb", "a\x00b", "\xff", strings.Repeat("x", 201)} {
		_, err = importer.ImportWeather(t.Context(), b, "lake", record.WeatherSource{Name: name}, false, logOf(text))
		var bad importer.SourceError
		require.ErrorAs(t, err, &bad, "%q", name)
		require.Equal(t, "source", bad.Field)
		require.ErrorContains(t, err, "source")
	}
	for _, km := range []float64{-1, 20001, math.NaN(), math.Inf(1)} {
		_, err = importer.ImportWeather(t.Context(), b, "lake", record.WeatherSource{Name: "x", Distance: record.Some(km)}, false, logOf(text))
		require.ErrorContains(t, err, "distance_km")
	}
	for _, text := range []string{
		"time,inside_temp_c\n", "time,temp_c\n2025-03-01T00:00:00Z,1\n2025-03-01T00:00:00Z,warm\n",
	} {
		_, err = importer.ImportWeather(t.Context(), b, "lake", ridge, false, logOf(text))
		var bad *logfile.Error
		require.ErrorAs(t, err, &bad)
	}
	require.Equal(t, before, b.all(t))
	require.Equal(t, "time", importer.WeatherColumns()[0])
}

func TestWeatherLogThatChangesMeanwhile(t *testing.T) {
	b := newShop(t)
	log := logOf("")
	log.From = &changing{ReadSeeker: strings.NewReader("time,temp_c\n2025-03-01T00:00:00Z,1\n"), then: strings.NewReader("time,temp_c\n")}
	_, err := importer.ImportWeather(t.Context(), b, "lake", ridge, false, log)
	require.ErrorContains(t, err, "changed while it was read")
}
