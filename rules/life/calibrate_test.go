package life_test

import (
	"compress/gzip"
	"errors"
	"io/fs"
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/assess"
	"dewpost/rules/exposure"
	"dewpost/rules/life"
	"dewpost/rules/logfile"
	"dewpost/rules/reading"
)

// coast returns the ledger of a year of air at a coast, taken as the air in a
// box. The series stay where they are kept and are no part of the project.
func coast(t *testing.T, name string, also ...string) []exposure.Hour {
	t.Helper()
	f, err := os.Open("../../../shared/data/" + name)
	if errors.Is(err, fs.ErrNotExist) {
		f, err = os.Open("../../../../shared/data/" + name)
	}
	if errors.Is(err, fs.ErrNotExist) {
		t.Skipf("the series %s are not kept beside this project", name)
	}
	require.NoError(t, err)
	defer f.Close()
	text, err := gzip.NewReader(f)
	require.NoError(t, err)
	opt := logfile.Options{Name: name, Map: map[string]string{"time_utc": "time", "temp_c": "inside_temp_c", "rh_pct": "inside_rh_pct"}}
	for _, column := range append(also, "dewpoint_c", "pressure_hpa", "wind_ms", "cloud") {
		opt.Map[column] = ""
	}
	var all []reading.Reading
	_, err = logfile.Read(text, opt, func(rs []reading.Reading) error {
		all = append(all, rs...)
		return nil
	})
	require.NoError(t, err)
	return assess.Run(all, assess.Options{}).Ledger
}

// An uncoated board in the open is used up within half a year, give or take a
// tenth, on both coasts; the constant is what they give.
func TestUncoatedIsCalibratedOnTwoCoasts(t *testing.T) {
	c, err := life.Calibrate([][]exposure.Hour{coast(t, "coast_nl_2015.csv.gz", "rain_mm", "fog"), coast(t, "coast_us_2023.csv.gz")})
	require.NoError(t, err)
	t.Logf("%+v", c)
	require.Equal(t, c.InUse, c.Budget)
	budget, err := life.Budget("uncoated")
	require.NoError(t, err)
	require.Equal(t, budget, c.Budget)
	for _, half := range c.Logs {
		require.InDelta(t, 1, half.HEq/budget, 0.1)
	}
	require.InDelta(t, 747.3, c.Logs[0].HEq, 0.1, "as the package's text says")
	require.InDelta(t, 682.2, c.Logs[1].HEq, 0.1)
	require.InDelta(t, 714.0, c.Middle, 0.1)
}

func TestCalibrateWantsAYear(t *testing.T) {
	_, err := life.Calibrate([][]exposure.Hour{steady("2024-01-01", "2025-01-01", 0.16), steady("2024-01-01", "2024-06-01", 0.1)})
	require.ErrorContains(t, err, "log 2 holds 3648 known hours of 7000")
	_, err = life.Calibrate([][]exposure.Hour{steady("2024-01-01", "2025-01-01", 0)})
	require.ErrorContains(t, err, "with a dose")
	c, err := life.Calibrate([][]exposure.Hour{steady("2024-01-01", "2025-01-01", 0.16), steady("2024-01-01", "2025-01-01", 0.04)})
	require.NoError(t, err)
	require.InDelta(t, 0.08*4383, c.Middle, 1e-6)
	require.Equal(t, 350.0, c.Budget)
}
