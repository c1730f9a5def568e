package corrosion_test

import (
	"encoding/csv"
	"math"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/corrosion"
	"dewpost/rules/exposure"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// table reads a reference table; lines that begin with # tell its source.
func table(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open("../../testdata/corrosion/" + name)
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	var all []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, name := range rows[0] {
			m[name] = row[i]
		}
		all = append(all, m)
	}
	return all
}

func number(t *testing.T, text string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(text, 64)
	require.NoError(t, err)
	return x
}

// exponent is the power of time that Depth uses.
func exponent(m corrosion.Metal, conservative bool) float64 {
	return math.Log2(corrosion.Depth(m, 1, 2, conservative))
}

// outsideOf counts what of an air with one mean changed lies outside.
func outsideOf(param string, x float64) int {
	a := corrosion.Air{Temp: 10, RH: 75, Sulphur: 10, Chloride: 5}
	*map[string]*float64{"T": &a.Temp, "RH": &a.RH, "Pd": &a.Sulphur, "Sd": &a.Chloride}[param] = x
	return len(corrosion.Outside(a))
}

func TestChecks_ISO9223_2012_ISO9224_2012(t *testing.T) {
	rows := table(t, "checks.csv")
	published := 0
	limitUm := map[string]float64{} // by metal and category
	for _, row := range rows {
		if row["from_memory"] == "no" {
			published++
		}
		if row["quantity"] == "category_upper_limit_um" {
			limitUm[row["inputs"]] = number(t, row["expected"])
		}
	}
	require.Equal(t, 88, published)
	require.Equal(t, 136, len(rows))
	for _, row := range rows {
		in := map[string]string{}
		for _, part := range strings.Split(row["inputs"], ";") {
			k, v, _ := strings.Cut(part, "=")
			in[k] = v
		}
		metal, want, tol := corrosion.Metal(in["metal"]), number(t, row["expected"]), number(t, row["abs_tol"])
		check := func(got float64) { require.InDelta(t, want, got, max(tol, 1e-9), row["id"]) }
		switch quantity := row["quantity"]; quantity {
		case "r_corr_steel", "r_corr_zinc", "r_corr_copper", "r_corr_aluminium":
			air := corrosion.Air{Temp: number(t, in["T_C"]), RH: number(t, in["RH_pct"]), Sulphur: number(t, in["Pd"]), Chloride: number(t, in["Sd"])}
			loss := corrosion.FirstYear(corrosion.Metal(strings.TrimPrefix(quantity, "r_corr_")), air)
			check(loss.Um)
			require.Equal(t, row["from_memory"] == "yes", loss.Memory, row["id"])
			require.Empty(t, corrosion.Outside(air), row["id"])
			if category := regexp.MustCompile(`category (C.)`).FindStringSubmatch(row["source"]); category != nil {
				require.Equal(t, category[1], corrosion.CategoryOf(corrosion.Metal(strings.TrimPrefix(quantity, "r_corr_")), loss).Name, row["id"])
			}
		case "category_upper_limit_g": // the same categories as in depth, but aluminium, which has none
			c := corrosion.CategoryOf(metal, corrosion.Loss{Um: limitUm[row["inputs"]], G: want})
			require.Equal(t, in["category"], c.Name, row["id"])
			check(c.ToG)
		case "category_upper_limit_um":
			c := corrosion.CategoryOf(metal, corrosion.Loss{Um: want})
			require.Equal(t, in["category"], c.Name, "%s: an upper limit is inclusive", row["id"])
			require.False(t, c.Beyond)
			above := corrosion.CategoryOf(metal, corrosion.Loss{Um: math.Nextafter(want, 1e9)})
			require.True(t, above.Name != c.Name || above.Beyond, row["id"])
		case "drf_valid_low":
			require.Zero(t, outsideOf(in["param"], want), row["id"])
			require.Equal(t, 1, outsideOf(in["param"], math.Nextafter(want, -1e9)), row["id"])
		case "drf_valid_high":
			require.Zero(t, outsideOf(in["param"], want), row["id"])
			require.Equal(t, 1, outsideOf(in["param"], math.Nextafter(want, 1e9)), row["id"])
		case "iso9224_b1", "iso9224_b2":
			check(exponent(metal, quantity == "iso9224_b2"))
		case "iso9224_t_pow_b": // the table runs on with the power beyond 20 years
			check(math.Pow(number(t, in["t_years"]), exponent(metal, in["b"] == "B2")))
		case "iso9224_linear_after_20":
			check(corrosion.Depth(metal, 1, number(t, in["t_years"]), in["b"] == "B2"))
		case "iso9224_depth":
			check(corrosion.Depth(metal, number(t, in["r_corr_um"]), number(t, in["t_years"]), in["b"] == "B2"))
		case "tow_class_upper":
			class := int(number(t, strings.TrimPrefix(in["class"], "tau")))
			require.Equal(t, class, exposure.TowClass(want), row["id"])
			require.Equal(t, min(class+1, 5), exposure.TowClass(math.Nextafter(want, 1e9)), row["id"])
		case "so2_deposition_from_concentration":
			check(corrosion.SulphurOfAir * number(t, in["Pc_ug_m3"]))
		case "unit_convert":
			check(corrosion.SulphurOfLoad * number(t, in["kg_S_per_ha_a"]))
		case "steel_mass_to_depth":
			one := corrosion.FirstYear(corrosion.Steel, corrosion.Air{Temp: 10, RH: 75, Sulphur: 10, Chloride: 5})
			require.InDelta(t, number(t, in["rho"]), one.G/one.Um, 1e-12)
			check(number(t, in["g_m2"]) / (one.G / one.Um))
		default:
			t.Errorf("%s: no test of %s", row["id"], quantity)
		}
	}
}

func TestPowersOfTime_ISO9224_2012(t *testing.T) {
	for _, row := range table(t, "iso9224_table.csv") {
		years := number(t, row["t_years"])
		for _, m := range corrosion.Metals {
			for _, b := range []string{"B1", "B2"} {
				want := number(t, row[string(m)+"_"+b])
				if m == corrosion.Aluminium && b == "B1" && years == 30 {
					want = 11.894 // see the table's head
				}
				got := math.Pow(years, exponent(m, b == "B2"))
				if years <= 20 {
					got = corrosion.Depth(m, 1, years, b == "B2")
				}
				require.InDelta(t, want, got, 0.002, "%s %s %v", m, b, years)
			}
		}
	}
}

// The four formulas grow with humidity and deposits; depth grows with time, by
// less each year, without a step at 20 years.
func TestMonotonic(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := rapid.SampledFrom(corrosion.Metals).Draw(t, "metal")
		a := corrosion.Air{
			Temp: rapid.Float64Range(-17.1, 28.7).Draw(t, "t"), RH: rapid.Float64Range(34, 92).Draw(t, "rh"),
			Sulphur: rapid.Float64Range(0.7, 150).Draw(t, "so2"), Chloride: rapid.Float64Range(0.4, 760).Draw(t, "cl"),
		}
		base := corrosion.FirstYear(m, a)
		require.Greater(t, base.Um, 0.0)
		require.Less(t, base.Low, base.Um)
		require.Greater(t, base.High, base.Um)
		for _, x := range []*float64{&a.RH, &a.Sulphur, &a.Chloride} {
			*x++
			require.Greater(t, corrosion.FirstYear(m, a).Um, base.Um)
		}
		conservative := rapid.Bool().Draw(t, "conservative")
		years := rapid.Float64Range(0.1, 60).Draw(t, "years")
		one, two, three := corrosion.Depth(m, 1, years, conservative), corrosion.Depth(m, 1, years+1, conservative), corrosion.Depth(m, 1, years+2, conservative)
		require.Greater(t, two, one)
		require.LessOrEqual(t, three-two, two-one+1e-9)
		require.InDelta(t, corrosion.Depth(m, 1, 20, conservative), corrosion.Depth(m, 1, 20+1e-9, conservative), 1e-7)
	})
	// At 10 °C both branches of the temperature are one.
	for _, m := range corrosion.Metals {
		a := corrosion.Air{Temp: 10, RH: 80, Sulphur: 20, Chloride: 100}
		below := corrosion.FirstYear(m, a).Um
		a.Temp = math.Nextafter(10, 11)
		require.InDelta(t, below, corrosion.FirstYear(m, a).Um, 1e-9)
	}
}

func TestOutsideIsSaidAndNotClipped(t *testing.T) {
	a := corrosion.Air{Temp: 10, RH: 97, Sulphur: 0, Chloride: 5}
	require.Equal(t, []string{"humidity 97 %RH, outside of 34 to 93", "sulphur dioxide 0 mg/(m² d), outside of 0.7 to 150.4"}, corrosion.Outside(a))
	inside := a
	inside.RH = 93
	require.Greater(t, corrosion.FirstYear(corrosion.Zinc, a).Um, corrosion.FirstYear(corrosion.Zinc, inside).Um)
	require.True(t, corrosion.FirstYear(corrosion.Copper, a).Memory)
	require.True(t, corrosion.CategoryOf(corrosion.Zinc, corrosion.Loss{Um: 26}).Beyond)
	require.Equal(t, "C3", corrosion.CategoryOf(corrosion.Aluminium, corrosion.Loss{G: 1.4}).Name)
}

func TestYear(t *testing.T) {
	start := unit.At(time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC))
	air := func(days int, skip time.Month) *corrosion.Year {
		y := &corrosion.Year{MaxGap: 3 * time.Hour}
		for h := 0; h <= 24*days; h++ {
			r := reading.Reading{Time: start.Add(time.Duration(h) * time.Hour)}
			if r.Time.Time().Month() == skip {
				continue
			}
			r.Set(reading.OutsideTemp, float64(r.Time.Time().Month()))
			r.Set(reading.OutsideRH, 104)
			y.Add(&r)
		}
		return y
	}
	temp, rh, err := air(366, 0).Mean()
	require.NoError(t, err)
	require.InDelta(t, 6.53, temp, 0.05)
	require.Equal(t, 100.0, rh, "raw values above 100 % are saturation")
	longer, _, err := air(366+120, 0).Mean()
	require.NoError(t, err)
	require.InDelta(t, temp, longer, 0.01, "four winter months more weigh nothing")
	_, _, err = air(366, time.May).Mean()
	require.ErrorContains(t, err, "May is known for 0 h of at least 240")
}

// Every key that stands beside a value is listed, and every listed one is cited.
func TestSources(t *testing.T) {
	files, err := os.ReadDir(".")
	require.NoError(t, err)
	cited := map[string]bool{}
	for _, f := range files {
		if strings.HasSuffix(f.Name(), "_test.go") {
			continue
		}
		text, err := os.ReadFile(f.Name())
		require.NoError(t, err)
		for _, m := range regexp.MustCompile(`\[([A-Z]+[A-Z0-9-]*-[0-9]+)\]`).FindAllSubmatch(text, -1) {
			require.Contains(t, corrosion.Sources, string(m[1]), f.Name())
			cited[string(m[1])] = true
		}
	}
	for key := range corrosion.Sources {
		require.True(t, cited[key], "%s is listed and not cited", key)
	}
}
