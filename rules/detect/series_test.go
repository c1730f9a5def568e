package detect

import (
	"compress/gzip"
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/boxsim"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

const (
	hour = unit.Instant(time.Hour)
	day  = 24 * hour
)

// series is weather from values at even steps, straight in between. Outside
// its span it begins anew, so that a year of it serves any year.
type series struct {
	start, step unit.Instant
	air         []boxsim.Air
	place       sun.Place
}

// At implements boxsim.Weather. Sun is that of the clear sky less its cloud.
func (s *series) At(t unit.Instant) boxsim.Air {
	span := s.step * unit.Instant(len(s.air))
	t = ((t-s.start)%span + span) % span
	i, x := int(t/s.step), float64(t%s.step)/float64(s.step)
	a, b := &s.air[i], &s.air[(i+1)%len(s.air)]
	mix := func(a, b float64) float64 { return a + (b-a)*x }
	out := boxsim.Air{
		Temp:   unit.Celsius(mix(float64(a.Temp), float64(b.Temp))),
		RH:     unit.Percent(mix(float64(a.RH), float64(b.RH))),
		WindMS: mix(a.WindMS, b.WindMS), Cloud01: mix(a.Cloud01, b.Cloud01), RainMMh: b.RainMMh,
	}
	out.SunWm2 = clearSky(s.place, s.start+t) * (1 - 0.75*math.Pow(out.Cloud01, 3.4)) // Kasten and Czeplak 1980, from memory
	return out
}

// clearSky is the sun's power on level ground under a clear sky, W/m²
// (Haurwitz 1945, from memory), the height of the sun good to a degree or two.
func clearSky(p sun.Place, t unit.Instant) float64 {
	days := float64(t) / float64(day)
	noon := days + p.Lon/360
	doy := math.Mod(days, 365.2425)
	sinD := -0.39779 * math.Cos(2*math.Pi*(doy+10)/365.2425)
	sinL, cosL := math.Sincos(p.Lat * math.Pi / 180)
	height := sinL*sinD - cosL*math.Sqrt(1-sinD*sinD)*math.Cos(2*math.Pi*(noon-math.Floor(noon)))
	if height < 0.01 {
		return 0
	}
	return 1098 * height * math.Exp(-0.059/height)
}

// dataFile is where the measured series lie beside a working copy.
func dataFile(name string) string {
	for _, up := range []string{"../../..", "../../../.."} {
		path := filepath.Join(up, "shared", "data", name)
		if _, err := os.Stat(path); err == nil {
			return path
		}
	}
	return ""
}

// table reads a packed CSV file into its columns; cells without a number are
// NaN, and the first column is time.
func table(t *testing.T, path string) (at []unit.Instant, columns map[string][]float64) {
	t.Helper()
	f, err := os.Open(path)
	require.NoError(t, err)
	defer f.Close()
	unzipped, err := gzip.NewReader(f)
	require.NoError(t, err)
	rows, err := csv.NewReader(unzipped).ReadAll()
	require.NoError(t, err)
	columns = map[string][]float64{}
	for _, row := range rows[1:] {
		when, err := time.Parse(time.RFC3339, row[0])
		require.NoError(t, err)
		at = append(at, unit.At(when))
		for i, name := range rows[0][1:] {
			v, err := strconv.ParseFloat(row[i+1], 64)
			if err != nil {
				v = math.NaN()
			}
			columns[name] = append(columns[name], v)
		}
	}
	return at, columns
}

// measured reads hourly weather of a place; nil where the file is not there.
// What it doesn't tell is taken as half a sky of cloud and no rain.
func measured(t *testing.T, name string, place sun.Place) *series {
	t.Helper()
	path := dataFile(name)
	if path == "" {
		return nil
	}
	at, c := table(t, path)
	s := &series{start: at[0], step: hour, place: place}
	value := func(name string, i int, otherwise float64) float64 {
		if i >= len(c[name]) || math.IsNaN(c[name][i]) {
			return otherwise
		}
		return c[name][i]
	}
	last := boxsim.Air{}
	for i, next := range at {
		for s.start+unit.Instant(len(s.air))*hour < next { // a row that is missing
			s.air = append(s.air, last)
		}
		last = boxsim.Air{
			Temp: unit.Celsius(value("temp_c", i, float64(last.Temp))), RH: unit.Percent(value("rh_pct", i, float64(last.RH))),
			WindMS: value("wind_ms", i, last.WindMS), Cloud01: min(1, value("cloud", i, 4)/8), RainMMh: max(0, value("rain_mm", i, 0)),
		}
		s.air = append(s.air, last)
	}
	return s
}

func TestSeries(t *testing.T) {
	s := &series{start: 5 * hour, step: hour, air: []boxsim.Air{
		{Temp: 10, RH: 80, WindMS: 2, Cloud01: 1}, {Temp: 12, RH: 70, WindMS: 4, Cloud01: 1, RainMMh: 3}, {Temp: 8, RH: 90, Cloud01: 1},
	}}
	a := s.At(5*hour + hour/4)
	require.InDelta(t, 10.5, float64(a.Temp), 1e-12)
	require.InDelta(t, 77.5, float64(a.RH), 1e-12)
	require.InDelta(t, 2.5, a.WindMS, 1e-12)
	require.Equal(t, 3.0, a.RainMMh, "fell in the hour that ends with the stamp")
	for _, turns := range []unit.Instant{-2, -1, 1, 1000} {
		require.Equal(t, a.Temp, s.At(5*hour+hour/4+turns*3*hour).Temp, "begins anew")
	}
	require.InDelta(t, 9, float64(s.At(7*hour+hour/2).Temp), 1e-12, "the end leads to the beginning")
}

// TestClearSky: no sun at night, and at noon of an equinox on the equator the
// sun stands overhead.
func TestClearSky(t *testing.T) {
	equinox := unit.At(time.Date(2021, 3, 20, 0, 0, 0, 0, time.UTC))
	require.InDelta(t, 1098*math.Exp(-0.059), clearSky(sun.Place{}, equinox+12*hour), 2)
	require.Zero(t, clearSky(sun.Place{}, equinox))
	require.Zero(t, clearSky(sun.Place{Lon: 180}, equinox+12*hour))
	require.InDelta(t, clearSky(sun.Place{Lat: 60}, equinox+15*hour), clearSky(sun.Place{Lat: 60, Lon: 90}, equinox+9*hour), 2)
}
