package moistair_test

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/moistair"
	"dewpost/rules/unit"
)

// point is one line of testdata/moistair/psychrolib_grid.csv, by column name; a
// cell left blank is NaN.
type point map[string]float64

func (p point) air() (unit.Celsius, unit.Percent) {
	return unit.Celsius(p["T_C"]), unit.Percent(p["RH_pct"])
}

func grid(t *testing.T) []point {
	t.Helper()
	rows := table(t, "psychrolib_grid.csv")
	var points []point
	for _, f := range rows[1:] {
		p := point{}
		for i, name := range rows[0] {
			p[name] = math.NaN()
			if f[i] != "" {
				p[name] = number(t, f[i])
			}
		}
		points = append(points, p)
	}
	require.Len(t, points, 380)
	return points
}

// TestGrid_PSYCHROLIB compares with an implementation of other people on other
// formulas. It takes relative humidity over ice at 0 °C and below and calls a
// frost point a dew point: those cells are compared with what they are.
func TestGrid_PSYCHROLIB(t *testing.T) {
	for _, p := range grid(t) {
		c, rh := p.air()
		at := fmt.Sprintf("%v °C, %v %%", c, rh)

		e, es, deviation := moistair.VapourPressure(c, rh), hylandWexlerWater, waterDeviation(float64(c))
		overIce := p["ps_rh_is_over_ice"] == 1
		require.Equal(t, c <= 0, overIce, at)
		if overIce {
			e = moistair.SaturationIce(c) * unit.Hectopascal(rh) / 100
			es, deviation = hylandWexlerIce, iceDeviation(float64(c))
		}
		ps := p["ps_vapour_pressure_Pa"]
		require.InDelta(t, ps, float64(rh)/100*es(float64(c)+273.15), 0.0005+1e-6*ps, at)
		require.InDelta(t, ps, float64(e)*100, 0.0005+deviation*ps, at)

		dew := moistair.DewPointOf
		if p["ps_dew_is_frost"] == 1 {
			dew = moistair.FrostPointOf
		}
		require.InDelta(t, p["ps_dewpoint_C"], float64(dew(e)), pointDeviation, at)
	}
}

// gasDeviation is by how much the constant that the grid's absolute humidity
// was computed with, from molar mass and gas constant (18.015268 g/mol,
// 8.314462618 J/(mol K)), is below 216.679; relative.
const gasDeviation = 2.4e-5

// TestGrid_WMO8_2008 compares with the same formulas computed elsewhere, to
// the last digit printed.
func TestGrid_WMO8_2008(t *testing.T) {
	for _, p := range grid(t) {
		c, rh := p.air()
		at := fmt.Sprintf("%v °C, %v %%", c, rh)
		e, frost := moistair.VapourPressure(c, rh), float64(moistair.FrostPoint(c, rh))
		require.InDelta(t, p["wmo_e_hPa"], float64(e), 0.5e-5+1e-9, at)
		require.InDelta(t, p["wmo_dewpoint_water_C"], float64(moistair.DewPoint(c, rh)), 0.5e-4+1e-9, at)
		if math.IsNaN(p["wmo_frostpoint_C"]) {
			require.GreaterOrEqual(t, frost, 0.0, at)
		} else {
			require.InDelta(t, p["wmo_frostpoint_C"], frost, 0.5e-4+1e-9, at)
		}
		vapour := p["abs_humidity_g_m3"]
		require.InDelta(t, vapour, float64(moistair.AbsoluteHumidity(e, c)), 0.5e-5+gasDeviation*vapour, at)
		require.InEpsilon(t, float64(rh), float64(moistair.RelativeHumidity(e, c)), 1e-12, at)
	}
}

// TestPublishedDewPoints compares with the table that painters use. It prints
// one digit, is up to 0.14 K from any formula, and below 0 °C holds frost points.
func TestPublishedDewPoints(t *testing.T) {
	rows := table(t, "dewpoint_table_published.csv")
	cells := 0
	for _, f := range rows[1:] {
		for i, cell := range f[1:] {
			if cell == "" {
				continue
			}
			c, rh := unit.Celsius(number(t, f[0])), unit.Percent(50+5*i)
			require.Equal(t, fmt.Sprintf("RH%v", rh), rows[0][1+i])
			want, got := number(t, cell), moistair.DewPoint(c, rh)
			if want < 0 {
				got = moistair.FrostPoint(c, rh)
			}
			require.InDelta(t, want, float64(got), 0.05+pointDeviation, "%v °C, %v %%", c, rh)
			cells++
		}
	}
	require.Equal(t, 153, cells)
}
