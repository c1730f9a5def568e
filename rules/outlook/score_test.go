package outlook

import (
	"bytes"
	"compress/gzip"
	"encoding/csv"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/exposure"
	"dewpost/rules/moistair"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

var update = flag.Bool("update", false, "write prior.go and testdata/others.json from the series")

// air is a reading of a series, with the surface 2 K below the air where none
// was measured.
type air struct {
	at                unit.Instant
	temp, rh, surface float64
}

// series is a log that nights are scored on.
type series struct {
	name  string
	place sun.Place
	group string // of one place
	rows  []air
}

// sharedSeries reads a series beside the project: sources and licences stand
// there in data/README.md.
func sharedSeries(t testing.TB, name, at, temp, rh, surface string) []air {
	f, err := os.Open("../../../shared/data/" + name)
	if err != nil {
		f, err = os.Open("../../../../shared/data/" + name)
	}
	if err != nil {
		t.Skipf("without the real series: %v", err)
	}
	defer func() { require.NoError(t, f.Close()) }()
	z, err := gzip.NewReader(f)
	require.NoError(t, err)
	c := csv.NewReader(z)
	head, err := c.Read()
	require.NoError(t, err)
	col := map[string]int{}
	for i, h := range head {
		col[h] = i
	}
	var rows []air
	for {
		row, err := c.Read()
		if err == io.EOF {
			return rows
		}
		require.NoError(t, err)
		get := func(name string) (float64, bool) {
			v, err := strconv.ParseFloat(row[col[name]], 64)
			return v, err == nil && !math.IsNaN(v)
		}
		when, err := time.Parse(time.RFC3339, row[col[at]])
		require.NoError(t, err)
		a := air{at: unit.At(when)}
		var okT, okH bool
		a.temp, okT = get(temp)
		a.rh, okH = get(rh)
		a.rh = min(a.rh, 100)
		if !okT || !okH || a.rh <= 0 {
			continue
		}
		a.surface = a.temp - 2
		if surface != "" {
			var ok bool
			if a.surface, ok = get(surface); !ok {
				continue
			}
		}
		rows = append(rows, a)
	}
}

func realSeries(t testing.TB) []series {
	return []series{
		{"coast_nl_2015", sun.Place{Lat: 52.93, Lon: 4.78}, "nl", sharedSeries(t, "coast_nl_2015.csv.gz", "time_utc", "temp_c", "rh_pct", "")},
		{"coast_us_2023", sun.Place{Lat: 40.64, Lon: -73.78}, "us", sharedSeries(t, "coast_us_2023.csv.gz", "time_utc", "temp_c", "rh_pct", "")},
		{"attic_fi_inside", sun.Place{Lat: 61.5, Lon: 23.8}, "fi", sharedSeries(t, "paired_attic_fi_2010_2012.csv.gz", "time", "inside_temp_c", "inside_rh_pct", "")},
		{"attic_fi_surface", sun.Place{Lat: 61.5, Lon: 23.8}, "fi", sharedSeries(t, "paired_attic_fi_2010_2012.csv.gz", "time", "inside_temp_c", "inside_rh_pct", "surface_temp_c")},
		{"attic_fi_outside", sun.Place{Lat: 61.5, Lon: 23.8}, "fi", sharedSeries(t, "paired_attic_fi_2010_2012.csv.gz", "time", "outside_temp_c", "outside_rh_pct", "")},
	}
}

// moreSeries are further ones, for the prior only. All are hourly, and of air outdoors.
func moreSeries(t testing.TB) (all []series) {
	for _, s := range []series{
		{"inland_nl_2000", sun.Place{Lat: 52.10, Lon: 5.18}, "nl", nil},
		{"coast_us_2013", sun.Place{Lat: 40.64, Lon: -73.78}, "us", nil},
		{"newark_us_2013", sun.Place{Lat: 40.69, Lon: -74.17}, "us", nil},
		{"laguardia_us_2013", sun.Place{Lat: 40.78, Lon: -73.87}, "us", nil},
		{"new_york_us", sun.Place{Lat: 40.78, Lon: -73.97}, "us", nil},
		{"atlanta_us", sun.Place{Lat: 33.633, Lon: -84.433}, "", nil},
		{"chicago_us", sun.Place{Lat: 41.98, Lon: -87.92}, "", nil},
		{"san_francisco_us", sun.Place{Lat: 37.62, Lon: -122.40}, "", nil},
		{"seattle_us_2015", sun.Place{Lat: 47.45, Lon: -122.31}, "", nil},
		{"seoul_kr_2018", sun.Place{Lat: 37.57, Lon: 126.98}, "", nil},
	} {
		s.rows = sharedSeries(t, "elsewhere/"+s.name+".csv.gz", "time_utc", "temp_c", "rh_pct", "")
		all = append(all, s)
	}
	return all
}

// run takes a whole series; without learning only its past nights are of use.
func (s *series) run(learning bool) *State {
	var st State
	for _, a := range s.rows {
		if !learning {
			st.Seen = 0
		}
		temp, rh := unit.Celsius(a.temp), unit.Percent(a.rh)
		st.Add(a.at, temp, moistair.DewPoint(temp, rh), exposure.Margin(unit.Celsius(a.surface), temp, rh), s.place, 90*time.Minute)
	}
	return &st
}

// priorOf fits the prior's means to the past nights of stations, beginning with p.
func priorOf(issue int, p weights, past ...[]Past) weights {
	weak := func(j int) float64 {
		if j == 0 {
			return 0.1
		}
		return 1
	}
	var zero [numInputs]float64
	for l, limit := range limits {
		for m := range members {
			var rows []row
			for _, ps := range past {
				rows = append(rows, rowsOf(issue, m, limit, ps)...)
			}
			fit(&p[l][m], rows, members[m].inputs, &zero, weak)
			for j, v := range p[l][m] {
				p[l][m][j] = math.Round(v*1e3) / 1e3
			}
		}
	}
	return p
}

// tally scores probabilities of an event.
type tally struct {
	p, climate, persist []float64
	yes                 []bool
	index               []int // of the night
}

func (y *tally) brier(p []float64, from, to int) float64 {
	sum, n := 0.0, 0.0
	for i := range p {
		if y.index[i] < from || y.index[i] >= to {
			continue
		}
		o := 0.0
		if y.yes[i] {
			o = 1
		}
		sum, n = sum+(p[i]-o)*(p[i]-o), n+1
	}
	return sum / n
}

func (y *tally) count(from, to int) (n int) {
	for _, i := range y.index {
		if i >= from && i < to {
			n++
		}
	}
	return n
}

func (y *tally) reliability(from, to int) float64 {
	var n, p, o [10]float64
	total := 0.0
	for i, q := range y.p {
		if y.index[i] < from || y.index[i] >= to {
			continue
		}
		b := min(9, int(q*10))
		n[b]++
		p[b] += q
		total++
		if y.yes[i] {
			o[b]++
		}
	}
	sum := 0.0
	for b := range n {
		if n[b] > 0 {
			d := (p[b] - o[b]) / n[b]
			sum += n[b] * d * d
		}
	}
	return sum / total
}

// score holds the evening outlooks against climatology, the share of event
// nights within ±15 days of the year with the night itself left out, and
// persistence, the share after a night like last night's.
func score(t testing.TB, nights []Night, risk bool) *tally {
	var y tally
	var days []int
	for i := range nights {
		n := &nights[i]
		observed, p := n.ObservedCondensing, n.PCondensing
		if risk {
			observed, p = n.ObservedAtRisk, n.PAtRisk
		}
		if observed == nil {
			continue
		}
		day, err := time.Parse(time.DateOnly, n.Night)
		require.NoError(t, err)
		days = append(days, day.YearDay())
		y.p, y.yes, y.index = append(y.p, p), append(y.yes, *observed), append(y.index, i)
	}
	var after [2][2]float64
	for i := 1; i < len(y.yes); i++ {
		b := b2i(y.yes[i-1])
		after[b][0]++
		after[b][1] += float64(b2i(y.yes[i]))
	}
	rate := 0.0
	for _, yes := range y.yes {
		rate += float64(b2i(yes)) / float64(len(y.yes))
	}
	for i := range y.yes {
		n, wet := 0.0, 0.0
		for j := range y.yes {
			d := days[i] - days[j]
			if d < 0 {
				d = -d
			}
			if d = min(d, 365-d); d <= 15 && i != j {
				n, wet = n+1, wet+float64(b2i(y.yes[j]))
			}
		}
		y.climate = append(y.climate, wet/n)
		y.persist = append(y.persist, rate)
		if i > 0 {
			a := after[b2i(y.yes[i-1])]
			y.persist[i] = a[1] / a[0]
		}
	}
	return &y
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

func pastOf(all []series) (past [][]Past) {
	for i := range all {
		past = append(past, all[i].run(false).Past)
	}
	return past
}

const othersFile = "testdata/others.json"

// The prior's means are those of all places, fitted together; the proof has those of
// all but one's own. With -update they are written anew.
func TestPriorIsThatOfThePlaces(t *testing.T) {
	all := append(realSeries(t), moreSeries(t)...)
	past := pastOf(all)
	known := othersOf(t)
	want := priors
	for i := range issues {
		want[i] = priorOf(i, priors[i], past...)
	}
	others := map[string]weights{}
	for _, group := range groups {
		var without [][]Past
		for i := range all {
			if all[i].group != group {
				without = append(without, past[i])
			}
		}
		others[group] = priorOf(evening, known[group], without...)
	}
	if *update {
		require.NoError(t, os.WriteFile("prior.go", written(&want), 0o644))
		text, err := json.MarshalIndent(others, "", " ")
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(othersFile, append(text, '\n'), 0o644))
		return
	}
	for l := range limits {
		for m := range members {
			for i := range issues {
				require.InDeltaSlice(t, want[i][l][m][:], priors[i][l][m][:], 0.002)
			}
			for _, group := range groups {
				have, fitted := known[group], others[group]
				require.InDeltaSlice(t, fitted[l][m][:], have[l][m][:], 0.002)
			}
		}
	}
}

// groups are the places that are scored.
var groups = []string{"nl", "us", "fi"}

// othersOf returns the means of the evening's prior as they are without a place.
func othersOf(t testing.TB) (others map[string]weights) {
	text, err := os.ReadFile(othersFile)
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(text, &others))
	return others
}

// written is prior.go.
func written(p *[issues]weights) []byte {
	var b bytes.Buffer
	b.WriteString(`package outlook

// priors are the means of the prior, by time of issue, limit and member: fitted to
// the North Sea coast in 2015 and a place inland in 2000 (KNMI, hourly values of
// stations 235 and 260, CC BY 4.0), three airfields about New York in 2013
// (nycflights13, CC0) and one in 2023 (nycflights23, CC0), Seattle in 2015
// (seaflights15, CC0), Seoul from 2017 to 2018 (UCI, Seoul Bike Sharing Demand,
// CC BY 4.0), typical years of Atlanta, Chicago, New York and San Francisco (TMY3,
// public domain), and a ventilated attic in Finland with the air outdoors, 2010 to
// 2012 (TRH-database, building R4, CC BY 4.0). A test fits them again.
var priors = [issues]weights{
`)
	for i := range p {
		b.WriteString("\t{\n")
		for l := range p[i] {
			b.WriteString("\t\t{\n")
			for m := range p[i][l] {
				b.WriteString("\t\t\t{")
				for j, v := range p[i][l][m][:members[m].inputs] {
					if j > 0 {
						b.WriteString(", ")
					}
					fmt.Fprint(&b, v)
				}
				b.WriteString("},\n")
			}
			b.WriteString("\t\t},\n")
		}
		b.WriteString("\t},\n")
	}
	b.WriteString("}\n")
	return b.Bytes()
}

// Each place is foretold with a prior of the other ones only, as a place is that
// nobody has seen before; the line of the proof named outlook is of that. Skill
// from night 45 on is 1 less the quotient of Brier scores.
func TestOutlook(t *testing.T) {
	all := realSeries(t)
	others := othersOf(t)
	shipped := priors
	defer func() { priors = shipped }()
	var brier, climate, persist, reliability, nights float64 // sums over all nights
	line := func(name string, n, brier, climate, persist, reliability float64) {
		fmt.Printf("%s: nights=%.0f brier=%.4f skill_vs_climatology=%.3f skill_vs_persistence=%.3f reliability=%.4f\n", name, n, brier/n, 1-brier/climate, 1-brier/persist, reliability/n)
	}
	for i := range all {
		priors[evening] = others[all[i].group]
		y := score(t, all[i].run(true).Nights, false)
		const first, last = 45, 1 << 30
		n := float64(y.count(first, last))
		b, c, p, r := n*y.brier(y.p, first, last), n*y.brier(y.climate, first, last), n*y.brier(y.persist, first, last), n*y.reliability(first, last)
		line("outlook("+all[i].name+")", n, b, c, p, r)
		brier, climate, persist, reliability, nights = brier+b, climate+c, persist+p, reliability+r, nights+n
		require.LessOrEqual(t, r/n, 0.01, all[i].name)
		require.Less(t, y.brier(y.p, 0, first), y.brier(y.climate, 0, first), "a new station is never worse than the climate: %s", all[i].name)
		least := map[string][2]float64{
			"coast_nl_2015": {0.295, 0.31}, "coast_us_2023": {0.58, 0.565}, "attic_fi_inside": {0.52, 0.56},
			"attic_fi_surface": {0.325, 0.35}, "attic_fi_outside": {0.48, 0.55},
		}[all[i].name]
		require.Greater(t, 1-b/c, least[0], all[i].name)
		require.Greater(t, 1-b/p, least[1], all[i].name)
	}
	line("outlook", nights, brier, climate, persist, reliability)
}
