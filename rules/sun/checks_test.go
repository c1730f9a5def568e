package sun_test

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

// leftOut are the rows of testdata/sun/checks.csv that no test runs.
var leftOut = map[string]string{
	"sun-009": "apparent zenith distance: the package gives no positions, and none with refraction",
	"sun-010": "azimuth: the package gives no positions",
}

// TestChecks_NOAA_SOLCALC runs each published sunrise and sunset.
func TestChecks_NOAA_SOLCALC(t *testing.T) {
	f, err := os.Open("../../testdata/sun/checks.csv")
	require.NoError(t, err)
	defer func() { require.NoError(t, f.Close()) }()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 1+20)
	for _, row := range rows[1:] {
		if leftOut[row[0]] != "" {
			continue
		}
		t.Run(row[0]+" "+row[2], func(t *testing.T) { check(t, row) })
	}
}

func check(t *testing.T, row []string) {
	in := map[string]string{}
	for pair := range strings.SplitSeq(row[3], ";") {
		name, value, _ := strings.Cut(pair, "=")
		in[name] = value
	}
	zone := time.UTC
	if tz, ok := in["tz"]; ok {
		zone = time.FixedZone("", int(number(t, tz))*3600)
	}
	noon, err := time.ParseInLocation("2006-01-02 15:04", in["date"]+" 12:00", zone)
	require.NoError(t, err)

	p := sun.Place{Lat: number(t, in["lat"]), Lon: number(t, in["lon"])}
	event := p.Sunset
	if strings.HasPrefix(row[2], "sunrise") {
		event = p.Sunrise
	}
	got, ok := event(unit.At(noon))
	if row[4] == "none" {
		require.False(t, ok)
		return
	}
	require.True(t, ok)
	want, err := time.ParseInLocation("2006-01-02 15:04:05", in["date"]+" "+(row[4] + ":00")[:8], zone)
	require.NoError(t, err)
	require.LessOrEqual(t, math.Abs(got.Time().Sub(want).Minutes()), number(t, row[6]), "%v, not %v", got.Time().In(zone), want)
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	require.NoError(t, err)
	return x
}

// The series, written out twice, agree over all the time that an instant can
// be; so no coefficient can change unseen.
func TestPosition_NOAA_SOLCALC(t *testing.T) {
	for days := -100000.; days < 100000; days += 17.3 {
		decl, eot := sun.Position(days * 86400)
		wantDecl, wantEot := solar((days - 10957.5) / 36525)
		require.InDelta(t, wantDecl, decl*180/math.Pi, 1e-9)
		require.InDelta(t, wantEot, eot, 1e-9)
	}
}

// Meeus, Astronomical Algorithms, second edition, example 25.a (declination)
// and 28.b (equation of time, 3.427749° there), 1992-10-13 0h. The numbers are
// from memory, and are not the only evidence.
func TestPosition_MEEUS(t *testing.T) {
	decl, eot := sun.Position(float64(time.Date(1992, 10, 13, 0, 0, 0, 0, time.UTC).Unix()))
	require.InDelta(t, -7.78507, decl*180/math.Pi, 1e-5)
	require.InDelta(t, 4*3.427749, eot, 2e-3)
}

// At sunrise and sunset the sun's centre is 0.833° below the horizon. An event
// is rounded to a second, which moves the sun by up to 0.004°; over many
// events that averages out.
func TestTheSunIsAtTheHorizon(t *testing.T) {
	var sum, n float64
	for _, p := range []sun.Place{{Lat: 0, Lon: 10}, {Lat: 35, Lon: 139}, {Lat: -45, Lon: -70}, {Lat: 60, Lon: -180}} {
		for day := range 1000 {
			near := unit.At(time.Date(2023, 1, 1+day, 12, 0, 0, 0, time.UTC))
			for _, event := range []func(unit.Instant) (unit.Instant, bool){p.Sunrise, p.Sunset} {
				at, ok := event(near)
				require.True(t, ok)
				require.Zero(t, int64(at)%int64(time.Second))
				a := altitude(p.Lat, p.Lon, float64(at)/1e9)
				require.InDelta(t, -0.833, a, 0.003, "%v at %v", at, p)
				sum, n = sum+a, n+1
			}
		}
	}
	require.InDelta(t, -0.833, sum/n, 0.0003)
}
