package logfile_test

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/logfile"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// wholeLog is a log with all its readings.
type wholeLog struct {
	logfile.Log
	Readings []reading.Reading
}

func read(t require.TestingT, text string, opt logfile.Options) (*wholeLog, error) {
	opt.Name = "log.csv"
	var all []reading.Reading
	l, err := logfile.Read(strings.NewReader(text), opt, func(b []reading.Reading) error {
		all = append(all, b...)
		return nil
	})
	if err != nil {
		require.Nil(t, l)
		return nil, err
	}
	require.Len(t, all, l.Rows)
	return &wholeLog{*l, all}, nil
}

func values(t require.TestingT, l *wholeLog, c reading.Channel) []float64 {
	var out []float64
	for i := range l.Readings {
		v, ok := l.Readings[i].Get(c)
		if !ok {
			v = math.NaN()
		}
		out = append(out, v)
	}
	return out
}

func zone(t require.TestingT, name string) *time.Location {
	l, err := time.LoadLocation(name)
	require.NoError(t, err)
	return l
}

func TestFormsOfTheSameLog(t *testing.T) {
	forms := map[string]string{
		"plain":             "time,inside_temp_c,inside_rh_pct\n2025-11-05T00:00:00Z,11.5,88\n2025-11-05T00:10:00Z,-1.25,\n",
		"semicolon":         "time;inside_temp_c;inside_rh_pct\n2025-11-05T00:00:00Z;11.5;88\n2025-11-05T00:10:00Z;-1.25;---\n",
		"decimal comma":     "time;inside_temp_c;inside_rh_pct\n2025-11-05T00:00:00Z;11,5;88\n2025-11-05T00:10:00Z;-1,25;NaN\n",
		"tab":               "time\tinside_temp_c\tinside_rh_pct\n2025-11-05T00:00:00Z\t11,5\t88\n2025-11-05T00:10:00Z\t-1,25\tnan\n",
		"mark and CRLF":     "\xef\xbb\xbftime,inside_temp_c,inside_rh_pct\r\n2025-11-05T00:00:00Z,11.5,88\r\n2025-11-05T00:10:00Z,-1.25, \r\n",
		"quoted":            "\"time\",\"inside_temp_c\",\"inside_rh_pct\"\n\"2025-11-05T00:00:00Z\",\"11.5\",\"88\"\n\"2025-11-05T00:10:00Z\",\"-1.25\",\"\"\n",
		"quoted commas":     "\"time\";\"inside_temp_c\";\"inside_rh_pct\"\n\"2025-11-05T00:00:00Z\";\"11,5\";\"88\"\n\"2025-11-05T00:10:00Z\";\"-1,25\";\n",
		"offsets":           "time,inside_temp_c,inside_rh_pct\n2025-11-05T02:00:00+02:00,11.5,88\n2025-11-04T19:10:00-05:00,-1.25,\n",
		"space for T":       "time,inside_temp_c,inside_rh_pct\n2025-11-05 00:00:00Z,11.5,88\n2025-11-05 00:10:00+00:00,-1.25,\n",
		"other order":       "inside_rh_pct,time,inside_temp_c\n88,2025-11-05T00:00:00Z,1.15e1\n,2025-11-05T00:10:00Z,-1.25\n",
		"trailing comma":    "time,inside_temp_c,inside_rh_pct,\n2025-11-05T00:00:00Z,11.5,88,\n2025-11-05T00:10:00Z,-1.25,,\n",
		"lines before":      "# from a shelf\n# of loggers\ntime,inside_temp_c,inside_rh_pct\n2025-11-05T00:00:00Z,11.5,88\n\n2025-11-05T00:10:00Z,-1.25,\n",
		"no newline at end": "time,inside_temp_c,inside_rh_pct\n2025-11-05T00:00:00Z,11.5,88\n2025-11-05T00:10:00Z,-1.25,",
	}
	for name, text := range forms {
		t.Run(name, func(t *testing.T) {
			l, err := read(t, text, logfile.Options{})
			require.NoError(t, err)
			require.Len(t, l.Readings, 2)
			require.Equal(t, "2025-11-05T00:00:00Z", l.Readings[0].Time.String())
			require.Equal(t, "2025-11-05T00:10:00Z", l.Readings[1].Time.String())
			require.Equal(t, []float64{11.5, -1.25}, values(t, l, reading.InsideTemp))
			require.False(t, l.Readings[1].Has(reading.InsideRH))
		})
	}
}

func TestMapping(t *testing.T) {
	text := "Zeit;\"Temp °C\";Feuchte=RH;Akku\n2025-11-05T00:00:00Z;11,5;88;97\n"
	l, err := read(t, text, logfile.Options{Map: map[string]string{
		"Zeit": "time", "Temp °C": "inside_temp_c", "Feuchte=RH": "inside_rh_pct", "Akku": "",
	}})
	require.NoError(t, err)
	require.Equal(t, []float64{11.5}, values(t, l, reading.InsideTemp))
	require.Equal(t, []string{"time", "inside_temp_c", "inside_rh_pct"}, l.Columns)
	require.Equal(t, []string{"Akku"}, l.Ignored)
}

func TestRefusedValuesAreCounted(t *testing.T) {
	l, err := read(t, "time,inside_temp_c,inside_rh_pct\n2025-11-05T00:00:00Z,95.5,119\n2025-11-05T00:01:00Z,1e308,119.1\n", logfile.Options{})
	require.NoError(t, err)
	require.Len(t, l.Readings, 2)
	require.Equal(t, 3, l.RefusedTotal())
	require.Equal(t, 2, l.Refused[reading.InsideTemp])
}

func TestNoRows(t *testing.T) {
	l, err := read(t, "time,inside_temp_c\n", logfile.Options{})
	require.NoError(t, err)
	require.Empty(t, l.Readings)
}

func TestErrorsNameThePlaceAndTheFix(t *testing.T) {
	helsinki := zone(t, "Europe/Helsinki")
	row := func(cells string) string { return "time,inside_temp_c\n2025-11-05T00:00:00Z,1\n" + cells + "\n" }
	cases := []struct {
		name, text string
		opt        logfile.Options
		want       []string
	}{
		{"empty", "", logfile.Options{}, []string{"log.csv", "empty"}},
		{"blank", "\n \r\n", logfile.Options{}, []string{"log.csv", "empty"}},
		{"UTF-16", "\xff\xfet\x00", logfile.Options{}, []string{"UTF-16", "UTF-8"}},
		{"no time", "inside_temp_c,inside_rh_pct\n1,2\n", logfile.Options{}, []string{`no column "time"`, "inside_temp_c", "--map"}},
		{"unknown column", "time,temperature\n", logfile.Options{}, []string{"log.csv:1", `unknown column "temperature"`, "inside_temp_c", "comb_us", "--map"}},
		{"mapped to nothing known", "time,x\n", logfile.Options{Map: map[string]string{"x": "inside_temp"}}, []string{`unknown column "inside_temp"`}},
		{"mapping of no column", "time,inside_temp_c\n", logfile.Options{Map: map[string]string{"y": ""}}, []string{`"y"`, "not there"}},
		{"one channel twice", "time,inside_temp_c,x\n", logfile.Options{Map: map[string]string{"x": "inside_temp_c"}}, []string{"both inside_temp_c"}},
		{"cell", row("2025-11-05T00:10:00Z,warm"), logfile.Options{}, []string{"log.csv:3", `column "inside_temp_c"`, `value "warm"`, "number"}},
		{"infinity", row("2025-11-05T00:10:00Z,Inf"), logfile.Options{}, []string{"log.csv:3", `value "Inf"`}},
		{"separator in digits", row("2025-11-05T00:10:00Z,1_0"), logfile.Options{}, []string{`value "1_0"`}},
		{"hexadecimal", row("2025-11-05T00:10:00Z,0x10"), logfile.Options{}, []string{`value "0x10"`}},
		{"point and comma", "time;inside_temp_c\n2025-11-05T00:00:00Z;1.234,5\n", logfile.Options{}, []string{"log.csv:2", `value "1.234,5"`}},
		{"too few cells", row("2025-11-05T00:10:00Z"), logfile.Options{}, []string{"log.csv:3", "1 cells where the header has 2"}},
		{"stray quote", row("2025-11-05T00:10:00Z,\"1\"2"), logfile.Options{}, []string{"log.csv:3"}},
		{"line number after comments", "# a\n# b\ntime,inside_temp_c\nx,1\n", logfile.Options{}, []string{"log.csv:4", `column "time"`}},
		{"no time in cell", row(",1"), logfile.Options{}, []string{"log.csv:3", `value ""`}},
		{"month first", row("11/05/2025 00:10,1"), logfile.Options{Zone: helsinki}, []string{`value "11/05/2025 00:10"`, "RFC 3339"}},
		{"31 February", row("2025-02-31T00:10:00Z,1"), logfile.Options{}, []string{"log.csv:3"}},
		{"minute 60", row("2025-02-01T00:60:00Z,1"), logfile.Options{}, []string{"log.csv:3"}},
		{"no zone", row("2025-11-05 00:10,1"), logfile.Options{}, []string{"log.csv:3", "--tz"}},
		{"before 2000", row("1999-12-31T23:59:59Z,1"), logfile.Options{}, []string{"log.csv:3", "before 2000"}},
		{"after 2261", row("2262-01-01T00:00:00Z,1"), logfile.Options{}, []string{"log.csv:3", "2261"}},
		{"does not exist", row("2025-03-30 03:30,1"), logfile.Options{Zone: helsinki}, []string{"log.csv:3", `value "2025-03-30 03:30"`, "does not exist", "offset"}},
		{"twice, backwards", "time,inside_temp_c\n2025-10-26 04:30,1\n2025-10-26 03:30,1\n", logfile.Options{Zone: helsinki}, []string{"log.csv:3", "exists twice", "offset"}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			_, err := read(t, c.text, c.opt)
			require.Error(t, err)
			for _, want := range c.want {
				require.ErrorContains(t, err, want)
			}
		})
	}
}

// A local log through both changes of the clock is the same log in UTC.
func TestLocalTimeAcrossBothChanges(t *testing.T) {
	for _, name := range []string{"Europe/Helsinki", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata", "Africa/Casablanca", "Pacific/Apia"} {
		t.Run(name, func(t *testing.T) {
			location := zone(t, name)
			for _, step := range []time.Duration{10 * time.Minute, time.Hour} {
				if step == time.Hour && name == "Australia/Lord_Howe" {
					continue // put back by half an hour: two readings of time order alone
				}
				var b strings.Builder
				b.WriteString("time,inside_temp_c\n")
				var want []unit.Instant
				for at := time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC); at.Year() < 2026; at = at.Add(step) {
					b.WriteString(at.In(location).Format("2006-01-02 15:04:05") + ",1\n")
					want = append(want, unit.At(at))
				}
				l, err := read(t, b.String(), logfile.Options{Zone: location})
				require.NoError(t, err)
				require.Len(t, l.Readings, len(want))
				for i := range want {
					require.Equal(t, want[i], l.Readings[i].Time, "row %d", i)
				}
				require.True(t, l.Local)
			}
		})
	}
}

// A line that stands twice in the repeated hour is the same instant twice, as
// it is in any other hour.
func TestDoubledLineInTheRepeatedHour(t *testing.T) {
	l, err := read(t, "time,inside_temp_c\n2025-10-26 03:10,1\n2025-10-26 03:30,1\n2025-10-26 03:30,1\n2025-10-26 03:40,1\n2025-10-26 04:10,1\n", logfile.Options{Zone: zone(t, "Europe/Helsinki")})
	require.NoError(t, err)
	require.Equal(t, l.Readings[1].Time, l.Readings[2].Time)
	require.Equal(t, 10*time.Minute, l.Readings[3].Time.Sub(l.Readings[2].Time))
}

// The short way with plain numbers is the library's result, bit for bit.
func TestNumbersAreThoseOfStrconv(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cell := rapid.StringMatching(`-?[0-9]{1,3}(\.[0-9]{0,17})?(e-?[0-9])?`).Draw(t, "cell")
		want, err := strconv.ParseFloat(cell, 64)
		require.NoError(t, err)
		l, err := read(t, "time,line_current_ma\n2025-11-05T00:00:00Z,"+cell+"\n", logfile.Options{})
		require.NoError(t, err)
		got, ok := l.Readings[0].Get(reading.LineCurrent)
		if !reading.InRange(reading.LineCurrent, want) {
			require.Equal(t, 1, l.RefusedTotal())
			return
		}
		require.True(t, ok)
		require.Equal(t, want+0, got)
	})
}

// What the fast way splits is what encoding/csv splits, wherever the first
// quote stands.
func TestRowsAreThoseOfEncodingCSV(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var b strings.Builder
		b.WriteString("time,inside_temp_c,inside_rh_pct\n")
		var plain []string
		for i := range rapid.IntRange(0, 20).Draw(t, "rows") {
			row := fmt.Sprintf("2025-11-05T00:%02d:00Z,%d,%d", i, i, 50+i)
			plain = append(plain, row)
			switch rapid.IntRange(0, 5).Draw(t, "form") {
			case 0:
				row = "\"" + strings.ReplaceAll(row, ",", "\",\"") + "\""
			case 1:
				row += "\n"
			case 2:
				row += "\r"
			}
			b.WriteString(row + "\n")
		}
		got, err := read(t, b.String(), logfile.Options{})
		require.NoError(t, err)
		want, err := read(t, "time,inside_temp_c,inside_rh_pct\n"+strings.Join(plain, "\n"), logfile.Options{})
		require.NoError(t, err)
		require.Equal(t, want.Readings, got.Readings)
	})
}

func TestLineNumbersOnBothWays(t *testing.T) {
	rows := "time,inside_temp_c\n\n2025-11-05T00:00:00Z,1\n"
	_, err := read(t, rows+"2025-11-05T00:10:00Z,x\n", logfile.Options{})
	require.ErrorContains(t, err, "log.csv:4:")
	_, err = read(t, rows+"\"2025-11-05T00:10:00Z\",1\n2025-11-05T00:20:00Z,x\n", logfile.Options{})
	require.ErrorContains(t, err, "log.csv:5:")
	_, err = read(t, rows+"2025-11-05T00:10:00Z,\"1\n", logfile.Options{})
	require.ErrorContains(t, err, "log.csv:4:")
}

func FuzzRead(f *testing.F) {
	f.Add("time,inside_temp_c\n2025-11-05T00:00:00Z,1\n")
	f.Add("\xef\xbb\xbftime;inside_temp_c\r\n05.11.2025 00:00;1,5\r\n")
	f.Add("# x\n\"time\"\n\"")
	f.Fuzz(func(t *testing.T, text string) {
		l, err := read(t, text, logfile.Options{Zone: time.UTC})
		if err != nil {
			return
		}
		for i := range l.Readings {
			require.GreaterOrEqual(t, l.Readings[i].Time.Time().Year(), 2000)
		}
	})
}

// A table with columns of its own is read by the same rules.
func TestReadTable(t *testing.T) {
	columns := []logfile.Column{{Name: "rain_mm", Lo: 0, Hi: 500}, {Name: "wind_m_s", Lo: 0, Hi: 150}}
	var rows []logfile.Row
	take := func(b []logfile.Row) error {
		rows = append(rows, b...)
		return nil
	}
	text := "time;wind_m_s;Rain;x\n2025-11-05 02:00;3,5;-0;1\n2025-11-05 03:00;;501;\n"
	opt := logfile.Options{Name: "w.csv", Zone: zone(t, "Europe/Helsinki"), Map: map[string]string{"Rain": "rain_mm", "x": ""}}
	log, err := logfile.ReadTable(strings.NewReader(text), opt, columns, take)
	require.NoError(t, err)
	require.Equal(t, []int{1, 0}, log.Refused)
	require.Equal(t, []string{"time", "wind_m_s", "rain_mm"}, log.Columns)
	require.Equal(t, []string{"x"}, log.Ignored)
	require.Len(t, rows, 2)
	require.Equal(t, "2025-11-05T00:00:00Z", rows[0].Time.String())
	wind, ok := rows[0].Get(1)
	require.True(t, ok)
	require.Equal(t, 3.5, wind)
	rain, ok := rows[0].Get(0)
	require.True(t, ok)
	require.False(t, math.Signbit(rain))
	_, ok = rows[1].Get(0)
	require.False(t, ok, "refused")
	_, ok = rows[1].Get(1)
	require.False(t, ok, "blank")
	require.Equal(t, []string{"time", "rain_mm", "wind_m_s"}, logfile.Names(columns))

	_, err = logfile.ReadTable(strings.NewReader("time,inside_temp_c\n"), logfile.Options{Name: "w.csv"}, columns, take)
	require.ErrorContains(t, err, `known are time, rain_mm, wind_m_s; map it with --map "inside_temp_c=rain_mm"`)
	errFull := errors.New("full")
	_, err = logfile.ReadTable(strings.NewReader("time\n"), logfile.Options{}, columns, func([]logfile.Row) error { return errFull })
	require.ErrorIs(t, err, errFull)
}

// Errors name fields where a form has no flags.
func TestErrorsOfForms(t *testing.T) {
	for text, want := range map[string]string{
		"time,x\n":                 `map it with map "x=inside_temp_c" or ignore it with map "x="`,
		"a,b\n":                    `unknown column "a"`,
		"time\n2025-11-05 02:00\n": "say its zone, as in tz Europe/Helsinki",
		"time\nnoon\n":             "with tz",
	} {
		_, err := read(t, text, logfile.Options{Form: true})
		require.ErrorContains(t, err, want)
		require.NotContains(t, err.Error(), "--")
	}
	_, err := read(t, "time\n", logfile.Options{Form: true, Map: map[string]string{"y": ""}})
	require.ErrorContains(t, err, `map names a column "y"`)
}
