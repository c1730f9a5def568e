package assess_test

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/assess"
	"dewpost/rules/box"
	"dewpost/rules/finding"
	"dewpost/rules/life"
	"dewpost/rules/logfile"
	"dewpost/rules/reading"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

var start = unit.At(time.Date(2025, 3, 1, 0, 0, 0, 0, time.UTC))

func drawLog(t *rapid.T) []reading.Reading {
	step := rapid.Int64Range(int64(time.Minute), int64(2*time.Hour)).Draw(t, "step")
	var rs []reading.Reading
	for i := range rapid.IntRange(0, 600).Draw(t, "n") {
		r := reading.Reading{Time: start + unit.Instant(int64(i)*step)}
		x := float64(i)
		r.Set(reading.InsideTemp, math.Round(600*math.Sin(x/9))/100)
		r.Set(reading.InsideRH, 90+math.Round(1000*math.Sin(x/40))/100)
		if i%7 != 0 {
			r.Set(reading.OutsideTemp, math.Round(500*math.Sin(x/11))/100)
			r.Set(reading.OutsideRH, 85)
		}
		rs = append(rs, r)
	}
	for range rapid.IntRange(0, 3).Draw(t, "copies") {
		if len(rs) > 0 {
			rs = append(rs, rs[rapid.IntRange(0, len(rs)-1).Draw(t, "copy")])
		}
	}
	return rs
}

func text(t require.TestingT, a assess.Assessment) string {
	b, err := json.Marshal(a)
	require.NoError(t, err)
	return string(b)
}

// Reading a log block by block, in any order and with copies, is reading it at
// once.
func TestStreamIsRun(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rs := drawLog(t)
		opt := assess.Options{Place: &sun.Place{Lat: 60, Lon: 25}}
		if rapid.Bool().Draw(t, "gap") {
			opt.MaxGap = 45 * time.Minute
		}
		want := assess.Run(slices.Clone(rs), opt)
		if rapid.Bool().Draw(t, "shuffled") {
			rand.New(rand.NewPCG(1, 2)).Shuffle(len(rs), func(i, j int) { rs[i], rs[j] = rs[j], rs[i] })
		}
		got := assess.Stream(func(yield func([]reading.Reading) bool) {
			for rest := rs; ; {
				n := rapid.IntRange(0, len(rest)).Draw(t, "block")
				if len(rest) < 20 {
					n = len(rest)
				}
				if !yield(rest[:n:n]) || len(rest) == n {
					return
				}
				rest = rest[n:]
			}
		}, opt)
		require.Equal(t, text(t, want), text(t, got))
		require.Equal(t, want.MaxGap, got.MaxGap)
		require.Len(t, got.Ledger, len(want.Ledger))
	})
}

func TestLongestStepFollowsTheLog(t *testing.T) {
	log := func(step time.Duration) (rs []reading.Reading) {
		for i := range 10 {
			rs = append(rs, reading.Reading{Time: start.Add(time.Duration(i) * step)})
		}
		return rs
	}
	require.Equal(t, 30*time.Minute, assess.Run(log(time.Minute), assess.Options{}).MaxGap)
	require.Equal(t, 90*time.Minute, assess.Run(log(time.Hour), assess.Options{}).MaxGap)
	require.Equal(t, 45*time.Minute, assess.Run(log(time.Hour), assess.Options{MaxGap: 45 * time.Minute}).MaxGap)
}

func TestNothingIsNull(t *testing.T) {
	got := text(t, assess.Run(nil, assess.Options{}))
	require.JSONEq(t, `{"from":null,"to":null,"readings":0,"merged":0,"refused":0,"coverage":{"known_h":0,"unknown_h":0},
		"surface":{"basis":null,"allowance_k":0},
		"hours":{"condensing":0,"at_risk":0,"tow":0,"frost":0,"thaw":0,"cover_wet":null},
		"range":{"condensing":{"low":0,"high":0},"at_risk":{"low":0,"high":0}},
		"dew_point_c":{"min":null,"mean":null,"max":null},"dose_h_eq":0,"life":null,"tow_class":null,
		"breathing":[],"findings":[],"outlook":[],"breathing_usual":null,"current":null,"compared":null}`, got)
}

func TestTableSaysWhatWasAssumed(t *testing.T) {
	var rs []reading.Reading
	for i := range 30 {
		r := reading.Reading{Time: start.Add(time.Duration(i) * time.Hour)}
		r.Set(reading.InsideTemp, 10)
		r.Set(reading.InsideRH, 100)
		rs = append(rs, r)
	}
	a := assess.Run(rs, assess.Options{Allowance: 1.5})
	var b bytes.Buffer
	require.NoError(t, a.WriteTable(&b, "log.csv", []string{"battery"}))
	for _, want := range []string{"inside air less 1.5 K", "1h30m0s", "no place given", "±2 %RH", "battery", "board_wet", "look at cover", "breathing time", "not known yet"} {
		require.Contains(t, b.String(), want)
	}
	require.NotContains(t, b.String(), "NaN")
}

// Each kind that a log can show is told in words.
func TestEveryKindIsToldInWords(t *testing.T) {
	for _, k := range append([]finding.Kind{finding.BoardWet, finding.DampWeek}, box.Kinds...) {
		at := unit.At(time.Date(2025, 3, 1, 0, 0, 0, 0, time.UTC))
		a := assess.Assessment{From: &at, To: &at, Findings: []assess.Finding{{Kind: k, From: at, Concluded: at}}}
		var b strings.Builder
		require.NoError(t, a.WriteTable(&b, "log.csv", nil))
		require.Regexp(t, string(k)+` .*[a-z]; first [a-z]`, b.String())
	}
}

func TestEvidenceOfAFinding(t *testing.T) {
	at := unit.At(time.Date(2025, 3, 1, 0, 0, 0, 0, time.UTC))
	a := assess.Assessment{From: &at, To: &at, Findings: []assess.Finding{
		{Kind: finding.LeakageRising, From: at, Concluded: at, Confidence: 0.85, Evidence: []finding.Evidence{{Name: "leakage_at_saturation", Value: 0.0812, Unit: "mA"}, {Name: "nights", Value: 5}}},
		{Kind: finding.WaterInside, From: at, Concluded: at, Evidence: []finding.Evidence{{Name: "water_or_sensor", Value: 1}}},
		{Kind: finding.WaterInside, From: at, Concluded: at, Evidence: []finding.Evidence{{Name: "water_or_sensor"}}},
	}}
	var b strings.Builder
	require.NoError(t, a.WriteTable(&b, "log.csv", nil))
	require.Regexp(t, `concluded 2025-03-01 00:00Z +confidence 85 % +leakage at saturation 0\.0812 mA, nights 5\n`, b.String())
	require.Contains(t, b.String(), "water or sensor is not decided yet")
	require.Contains(t, b.String(), "it is water, not the sensor")
}

// shared opens one of the real series beside the project, which are not part
// of it.
func shared(t *testing.T, name string) io.Reader {
	t.Helper()
	f, err := os.Open("../../../shared/data/" + name)
	if err != nil {
		t.Skipf("without the real series: %v", err)
	}
	t.Cleanup(func() { f.Close() })
	z, err := gzip.NewReader(f)
	require.NoError(t, err)
	return z
}

func assessShared(t *testing.T, name string, columns map[string]string) assess.Assessment {
	t.Helper()
	var rs []reading.Reading
	_, err := logfile.Read(shared(t, name), logfile.Options{Name: name, Map: columns}, func(b []reading.Reading) error {
		rs = append(rs, b...)
		return nil
	})
	require.NoError(t, err)
	return assess.Run(rs, assess.Options{})
}

// A year of a coast: 4,947 hours with RH > 80 % and t > 0 °C by whole hours,
// 5,219 with RH ≥ 80 % (KNMI, hourly values of station 235, 2015, CC BY 4.0):
// class τ4 of ISO 9223.
func TestTowClass_KNMI_2015(t *testing.T) {
	ignored := map[string]string{"time_utc": "time", "temp_c": "outside_temp_c", "rh_pct": "outside_rh_pct"}
	for _, c := range []string{"dewpoint_c", "pressure_hpa", "wind_ms", "cloud", "rain_mm", "fog"} {
		ignored[c] = ""
	}
	a := assessShared(t, "coast_nl_2015.csv.gz", ignored)
	require.NotNil(t, a.TowClass)
	require.Equal(t, 4, *a.TowClass)

	ignored["temp_c"], ignored["rh_pct"] = "inside_temp_c", "inside_rh_pct"
	a = assessShared(t, "coast_nl_2015.csv.gz", ignored)
	require.Nil(t, a.TowClass, "nothing is known of outdoors")
	// Readings in whole percent: between the counts with > 80 % and ≥ 80 %.
	require.Greater(t, a.Hours.Tow, 4947.0)
	require.Less(t, a.Hours.Tow, 5219.0)
}

// An uncoated board uses up its budget within about half a year in the open
// (common practice, no source), on the coasts of both real years.
func TestUncoatedBudget_TwoCoasts(t *testing.T) {
	for name, columns := range map[string][]string{
		"coast_nl_2015.csv.gz": {"dewpoint_c", "pressure_hpa", "wind_ms", "cloud", "rain_mm", "fog"},
		"coast_us_2023.csv.gz": {"dewpoint_c", "pressure_hpa", "wind_ms", "cloud"},
	} {
		m := map[string]string{"time_utc": "time", "temp_c": "inside_temp_c", "rh_pct": "inside_rh_pct"}
		for _, c := range columns {
			m[c] = ""
		}
		budget, err := life.Budget("uncoated")
		require.NoError(t, err)
		halfYear := assessShared(t, name, m).DoseHEq / 2
		require.InEpsilon(t, budget, halfYear, 0.1, name)
	}
}

// An unheated cavity with a surface that undercools (Tampere University,
// TRH-database, R4, CC BY 4.0): contract figures.
func TestPairedCavity_TRH_R4(t *testing.T) {
	columns := map[string]string{"surface_temp_c": "board_temp_c", "surface_rh_pct": ""}
	a := assessShared(t, "paired_attic_fi_2010_2012.csv.gz", columns)
	require.Equal(t, 13224.0, a.Coverage.KnownH)
	require.InDelta(t, 744, a.Hours.Condensing, 0.5)

	columns["surface_temp_c"] = ""
	a = assessShared(t, "paired_attic_fi_2010_2012.csv.gz", columns)
	require.Equal(t, "air", *a.Surface.Basis)
	require.InDelta(t, 3, a.Hours.Condensing, 0.5)
}
