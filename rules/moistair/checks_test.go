package moistair_test

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/moistair"
	"dewpost/rules/unit"
)

// Deviations of the package's formulas from the exact formulations, as its
// comments state them.
const pointDeviation = 0.1 // K, dew points of -45..60 °C and frost points of -65..0 °C

// waterDeviation is relative, for -45..60 °C.
func waterDeviation(t float64) float64 {
	if t < -20 {
		return 0.0075
	}
	return 0.004
}

// iceDeviation is relative, for -65..0 °C.
func iceDeviation(t float64) float64 {
	if t < -55 {
		return 0.0025
	}
	return 0.001
}

// wagnerPrussDeviation is by how much the auxiliary equation may differ from
// IAPWS-95 itself, relative, which would have to be solved for the equilibrium
// of two phases.
const wagnerPrussDeviation = 0.0001

// row is one line of testdata/moistair/checks.csv.
type row struct {
	id, quantity string
	in           map[string]float64
	formula      string // the formulation asked for, or none
	source       string
	want, tol    float64
}

// TestChecks runs every published value: the formula that the row names within
// the row's tolerance and, where that isn't the package's, the package's within
// its stated deviation on top. No row is left out.
func TestChecks(t *testing.T) {
	rows := checks(t)
	require.Len(t, rows, 180)
	for _, r := range rows {
		t.Run(r.id+" "+r.quantity, func(t *testing.T) {
			check, ok := quantities[r.quantity]
			require.True(t, ok, "no check for %q", r.quantity)
			check(t, r)
		})
	}
}

var quantities = map[string]func(*testing.T, row){
	"e_sat_water": func(t *testing.T, r row) {
		k := r.kelvin()
		exact := saturation(t, r, map[string]func(float64) float64{
			"Murphy & Koop": murphyKoopWater, "ASHRAE": hylandWexlerWater, "Hyland-Wexler 1983": hylandWexlerWater,
			"Sonntag 1990": sonntagWater, "IAPWS-IF97": if97, "IF97 region 4": if97, "IAPWS-95": wagnerPruss,
		})
		if r.formula == "IAPWS-95" {
			r.within(t, wagnerPrussDeviation, exact(k))
		} else {
			r.near(t, exact(k))
		}
		if c := r.celsius(); c >= -45 && c <= 60 {
			r.within(t, waterDeviation(float64(c)), float64(moistair.SaturationWater(c))*100)
		}
	},
	"e_sat_ice": func(t *testing.T, r row) {
		k := r.kelvin()
		exact := saturation(t, r, map[string]func(float64) float64{
			"Murphy & Koop": murphyKoopIce, "ASHRAE": hylandWexlerIce, "Hyland-Wexler 1983": hylandWexlerIce,
			"IAPWS R14-08": iapwsIce,
		})
		r.near(t, exact(k))
		if c := r.celsius(); c >= -65 {
			r.within(t, iceDeviation(float64(c)), float64(moistair.SaturationIce(c))*100)
		}
	},
	"e_sat_water_wmo": func(t *testing.T, r row) { r.near(t, float64(moistair.SaturationWater(r.celsius()))) },
	"e_sat_ice_wmo":   func(t *testing.T, r row) { r.near(t, float64(moistair.SaturationIce(r.celsius()))) },
	"dew_point_wmo":   func(t *testing.T, r row) { r.near(t, float64(moistair.DewPoint(r.celsius(), r.rh()))) },
	"frost_point_wmo": func(t *testing.T, r row) { r.near(t, float64(moistair.FrostPoint(r.celsius(), r.rh()))) },
	"frost_point": func(t *testing.T, r row) {
		r.near(t, float64(moistair.FrostPoint(r.celsius(), r.rh())))
		r.near(t, exactFrostPoint(r.in["T_C"], r.in["RH_pct"]))
	},
	"dew_point": dewPoint,
	"dew_point_from_wet_bulb": func(t *testing.T, r row) {
		es := float64(moistair.SaturationWater(unit.Celsius(r.in["Tw_C"])))
		e := psychrometer(r.in["T_C"], r.in["Tw_C"], es, r.in["p_hPa"])
		r.near(t, float64(moistair.DewPointOf(unit.Hectopascal(e))))
	},
	"relative_humidity": func(t *testing.T, r row) {
		p := r.in["p_Pa"]
		e := vapourOf(wetBulbRatio(r.in["T_C"], r.in["Tw_C"], p), p) / 100
		r.near(t, float64(moistair.RelativeHumidity(unit.Hectopascal(e), r.celsius())))
	},
	"humidity_ratio":               func(t *testing.T, r row) { r.near(t, wetBulbRatio(r.in["T_C"], r.in["Tw_C"], r.in["p_Pa"])) },
	"humidity_ratio_from_wet_bulb": func(t *testing.T, r row) { r.near(t, wetBulbRatio(r.in["T_C"], r.in["Tw_C"], r.in["p_Pa"])) },
	"humidity_ratio_sat":           saturatedRatio,
	"absolute_humidity_wmo":        func(t *testing.T, r row) { r.near(t, absolute(r.celsius(), r.rh())) },
	"absolute_humidity_sat":        saturatedAbsolute,
	"wet_bulb_stull":               func(t *testing.T, r row) { r.near(t, stull(r.in["T_C"], r.in["RH_pct"])) },
	"wet_bulb_psychro":             wetBulb,
	"dew_point_rule_of_thumb": func(t *testing.T, r row) {
		rule, _ := lawrence(r.in["T_C"], r.in["RH_pct"])
		r.near(t, rule)
		require.InDelta(t, rule, float64(moistair.DewPoint(r.celsius(), r.rh())), 1, "the rule is good to about 1 K")
	},
	"lcl_rule_of_thumb": func(t *testing.T, r row) {
		_, height := lawrence(r.in["T_C"], r.in["RH_pct"])
		r.near(t, height)
	},
}

// saturation picks the formula that a row names, else the one its source names.
func saturation(t *testing.T, r row, formulas map[string]func(float64) float64) func(float64) float64 {
	if f, ok := formulas[r.formula]; ok {
		return f
	}
	for name, f := range formulas {
		if r.formula == "" && strings.HasPrefix(r.source, name) {
			return f
		}
	}
	require.Failf(t, "no formula", "row %s asks for %q, %q", r.id, r.formula, r.source)
	return nil
}

func dewPoint(t *testing.T, r row) {
	if tw, ok := r.in["Tw_C"]; ok {
		p := r.in["p_Pa"]
		e := vapourOf(wetBulbRatio(r.in["T_C"], tw, p), p) / 100
		r.near(t, float64(moistair.DewPointOf(unit.Hectopascal(e))))
		es := float64(moistair.SaturationWater(unit.Celsius(tw)))
		r.near(t, float64(moistair.DewPointOf(unit.Hectopascal(psychrometer(r.in["T_C"], tw, es, p/100)))))
		return
	}
	if f, ok := r.in["T_F"]; ok {
		r.near(t, float64(moistair.DewPoint(unit.Celsius((f-32)/1.8), r.rh()))*1.8+32)
		return
	}
	r.near(t, float64(moistair.DewPoint(r.celsius(), r.rh())))
	r.near(t, exactDewPoint(r.in["T_C"], r.in["RH_pct"]))
}

func saturatedRatio(t *testing.T, r row) {
	p, k := r.in["p_Pa"], r.kelvin()
	exact, own := hylandWexlerWater(k), moistair.SaturationWater(r.celsius())
	if r.in["T_C"] < 0 {
		exact, own = hylandWexlerIce(k), moistair.SaturationIce(r.celsius())
	}
	r.near(t, humidityRatio(exact, p))
	r.within(t, waterDeviation(r.in["T_C"]), humidityRatio(float64(own)*100, p))
}

func saturatedAbsolute(t *testing.T, r row) {
	exact := unit.Hectopascal(murphyKoopWater(r.kelvin()) / 100)
	r.near(t, float64(moistair.AbsoluteHumidity(exact, r.celsius())))
	r.within(t, waterDeviation(r.in["T_C"]), absolute(r.celsius(), 100))
}

func wetBulb(t *testing.T, r row) {
	p := r.in["p_Pa"]
	w := humidityRatio(r.in["RH_pct"]/100*hylandWexlerWater(r.kelvin()), p)
	r.near(t, solve(0, r.in["T_C"], func(tw float64) float64 { return wetBulbRatio(r.in["T_C"], tw, p) - w }))
}

func absolute(t unit.Celsius, rh unit.Percent) float64 {
	return float64(moistair.AbsoluteHumidity(moistair.VapourPressure(t, rh), t))
}

func (r row) kelvin() float64 {
	if k, ok := r.in["T_K"]; ok {
		return k
	}
	return r.in["T_C"] + 273.15
}

func (r row) celsius() unit.Celsius { return unit.Celsius(r.kelvin() - 273.15) }
func (r row) rh() unit.Percent      { return unit.Percent(r.in["RH_pct"]) }

func (r row) near(t *testing.T, got float64) {
	t.Helper()
	require.InDelta(t, r.want, got, r.tol)
}

// within allows a stated deviation, relative, on top of the row's tolerance.
func (r row) within(t *testing.T, deviation, got float64) {
	t.Helper()
	require.InDelta(t, r.want, got, r.tol+deviation*math.Abs(r.want))
}

// perUnit is how many of the unit that a test computes in make the row's.
var perUnit = map[string]float64{"MPa": 1e6, "hPa": 100}

func checks(t *testing.T) []row {
	t.Helper()
	var rows []row
	for _, f := range table(t, "checks.csv")[1:] {
		r := row{id: f[0], quantity: f[2], in: map[string]float64{}, source: f[7], want: number(t, f[4]), tol: number(t, f[6])}
		for pair := range strings.SplitSeq(f[3], ";") {
			name, value, _ := strings.Cut(pair, "=")
			if strings.HasPrefix(name, "formula") {
				r.formula = value
				continue
			}
			r.in[name] = number(t, value)
		}
		if scale, ok := perUnit[f[5]]; ok && strings.HasPrefix(r.quantity, "e_sat") && !strings.HasSuffix(r.quantity, "_wmo") {
			r.want, r.tol = r.want*scale, r.tol*scale // compared in Pa
		}
		require.Equal(t, "no", f[8], "row %s is from memory", r.id)
		rows = append(rows, r)
	}
	return rows
}

// table reads a file of testdata/moistair, without its comments.
func table(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open("../../testdata/moistair/" + name)
	require.NoError(t, err)
	defer func() { require.NoError(t, f.Close()) }()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	return rows
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	require.NoError(t, err)
	return x
}
