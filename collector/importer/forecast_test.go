package importer_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/importer"
	"dewpost/collector/record"
	"dewpost/rules/unit"
)

func TestForecasts(t *testing.T) {
	b := newShop(t)
	issued := unit.At(begin)
	take := func(text string, dry bool) (importer.Forecast, error) {
		log := logOf(text)
		log.DryRun = dry
		return importer.ImportForecast(t.Context(), b, "lake", issued, log)
	}
	const good = "time,temp_c,rh_pct,dew_point_c,cloud_oktas,wind_m_s\n" +
		"2025-03-01T02:00:00Z,20,,9.26,4,2\n2025-03-01T01:00:00Z,20,50,,,\n2025-03-01T03:00:00Z,,50,,,\n"
	for _, dry := range []bool{true, false} {
		got, err := take(good, dry)
		require.NoError(t, err)
		require.Equal(t, importer.Forecast{Site: "lake", Issued: issued, DryRun: dry, Rows: 3, Used: 2, Empty: 1}, got)
	}
	hours, err := b.Forecast(t.Context(), "lake", issued, issued, issued.Add(9*time.Hour))
	require.NoError(t, err)
	require.Len(t, hours, 2)
	require.InDelta(t, 9.26, hours[0].DewPoint, 0.005)
	require.Equal(t, record.Some(50), hours[1].Cloud)
	again, err := take(good, false)
	require.NoError(t, err)
	require.True(t, again.Again)
	_, err = take(strings.Replace(good, "9.26", "9", 1), false)
	require.ErrorIs(t, err, record.ErrForecastThere)

	var long strings.Builder
	long.WriteString("time,temp_c,rh_pct\n")
	for i := range 2201 {
		fmt.Fprintf(&long, "%s,1,50\n", begin.Add(time.Duration(i)*time.Minute).Format("2006-01-02T15:04:05Z"))
	}
	for want, text := range map[string]string{
		`rows "1": give`:  "time,temp_c\n2025-03-01T01:00:00Z,1\n",
		"comes after its": "time,temp_c,rh_pct\n2025-02-28T01:00:00Z,1,50\n",
		"each instant":    "time,temp_c,rh_pct\n2025-03-01T01:00:00Z,1,50\n2025-03-01T01:00:00Z,1,50\n",
		"2200 at most":    long.String(),
		"rain":            "time,temp_c,rh_pct,rain\n",
		`column "temp_c"`: "time,temp_c,rh_pct\n2025-03-01T01:00:00Z,warm,50\n",
	} {
		_, err := take(text, false)
		require.ErrorContains(t, err, want)
	}
	_, err = importer.ImportForecast(t.Context(), b, "nowhere", issued, logOf(good))
	require.ErrorIs(t, err, record.ErrNotFound)
	late := logOf(good)
	_, err = importer.ImportForecast(t.Context(), b, "lake", late.At.Add(time.Hour), late)
	require.ErrorContains(t, err, "not later than now")
}
