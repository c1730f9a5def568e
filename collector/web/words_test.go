package web

import (
	"go/ast"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/view"
	"dewpost/collector/words"
	"dewpost/rules/alarm"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
	"dewpost/testdata/source"
)

// kindsInSource finds the constants of type Kind of package finding.
func kindsInSource(t *testing.T) []finding.Kind {
	t.Helper()
	var found []finding.Kind
	for _, f := range source.Parse(t, "rules/finding") {
		ast.Inspect(f, func(n ast.Node) bool {
			spec, ok := n.(*ast.ValueSpec)
			if !ok {
				return true
			}
			if name, ok := spec.Type.(*ast.Ident); !ok || name.Name != "Kind" {
				return true
			}
			for _, v := range spec.Values {
				text, err := strconv.Unquote(v.(*ast.BasicLit).Value)
				require.NoError(t, err)
				found = append(found, finding.Kind(text))
			}
			return true
		})
	}
	return found
}

func TestEveryKindHasItsWords(t *testing.T) {
	all := kindsInSource(t)
	require.Contains(t, all, finding.BoardWet)
	require.ElementsMatch(t, all, alarm.Kinds(), "a kind needs a priority and a time to respond, in rules/alarm, and words")
	for _, kind := range all {
		w := words.Of(kind)
		require.NotEqual(t, words.Of("another"), w, "%s", kind)
		require.Regexp(t, `\.$`, w.Verdict)
		require.NotRegexp(t, `\.$`, w.Action, "an action goes on with its deadline")
	}
}

var gap = regexp.MustCompile(`\{[a-z]+\}`)

func TestNoGapStaysOpen(t *testing.T) {
	n := needAt(unit.At(time.Date(2025, 10, 21, 18, 0, 0, 0, time.UTC)))
	for _, kind := range alarm.Kinds() {
		w := words.Of(kind)
		for _, text := range []string{w.Verdict, w.Card, w.Why, w.Action, w.Else, w.Caution} {
			require.NotRegexp(t, gap, fill(words.English, text, n, rowAt(time.UTC), n.By), "%s", kind)
		}
	}
}

func TestStateNames(t *testing.T) {
	require.Equal(t, "new", stateName(words.English, &alarm.Occurrence{State: alarm.Unacknowledged}))
	require.Equal(t, "seen", stateName(words.English, &alarm.Occurrence{State: alarm.Acknowledged}))
	require.Equal(t, "over, not seen", stateName(words.English, &alarm.Occurrence{State: alarm.Returned}))
	require.Equal(t, "over", stateName(words.English, &alarm.Occurrence{State: alarm.Normal}))
	require.Equal(t, "withdrawn by later data", stateName(words.English, &alarm.Occurrence{State: alarm.Returned, Revised: true}))
}

func TestTimesInWords(t *testing.T) {
	zone, err := time.LoadLocation("CET")
	require.NoError(t, err)
	now := unit.At(time.Date(2025, 10, 26, 7, 10, 0, 0, zone)) // a Sunday, an hour after the clocks went back
	local := func(month time.Month, d, hour, minute int) unit.Instant {
		return unit.At(time.Date(2025, month, d, hour, minute, 0, 0, zone))
	}
	for want, at := range map[string]unit.Instant{
		"05:40":               local(10, 26, 5, 40),
		"yesterday evening":   local(10, 25, 18, 0),
		"early yesterday":     local(10, 25, 2, 0),
		"Tuesday evening":     local(10, 21, 18, 0),
		"early Tuesday":       local(10, 21, 4, 59),
		"Monday morning":      local(10, 20, 5, 0),
		"yesterday afternoon": local(10, 25, 17, 59),
		"19 October":          local(10, 19, 23, 59),
		"31 December 2024":    unit.At(time.Date(2024, 12, 31, 12, 0, 0, 0, zone)),
	} {
		require.Equal(t, want, since(words.English, at, now, zone))
	}
	for want, at := range map[string]unit.Instant{
		"by tonight":                local(10, 26, 22, 0),
		"by tomorrow":               local(10, 27, 1, 0),
		"by Thursday":               local(10, 30, 1, 0),
		"by 10 November":            local(11, 10, 1, 0),
		"overdue since 06:00":       local(10, 26, 6, 0),
		"overdue since Friday":      local(10, 24, 6, 0),
		"overdue since 1 September": local(9, 1, 6, 0),
	} {
		require.Equal(t, want, by(words.English, at, now, zone))
	}
	for want, d := range map[string]time.Duration{
		"less than a minute": 59 * time.Second, "2 min": 2 * time.Minute, "89 min": 89 * time.Minute,
		"1 h": 90 * time.Minute, "47 h": 47 * time.Hour, "3 days": 73 * time.Hour,
	} {
		require.Equal(t, want, age(words.English, d))
	}
}

func TestNumbersInWords(t *testing.T) {
	h := func(x float64) int64 { return int64(math.Round(x * 3600e9)) }
	require.Equal(t, "3.2\u00a0h, 1.1 to 5.0", hoursRange(words.English, h(3.2), h(1.1), h(5)))
	require.Equal(t, "0\u00a0h, 0 to 5.0", hoursRange(words.English, 0, 0, h(5)))
	require.Equal(t, "0\u00a0h", hoursRange(words.English, 0, 0, 0))
	require.Equal(t, "<0.1\u00a0h, 0 to 0.1", hoursRange(words.English, 1, 0, h(0.05)))
	for x, want := range map[float64]string{1.14: "+1.1", -0.24: "−0.2", -0.04: "0.0", 0.04: "0.0", 12: "+12.0"} {
		require.Equal(t, want, signed(words.English, x))
	}
	require.Equal(t, "−3.5", plain(words.English, -3.5, 1))
	require.Equal(t, "0", plain(words.English, -0.4, 0))
	require.Equal(t, "−10", plain(words.English, -10, 0))
	require.Equal(t, "30", plain(words.English, 30, 0))
	require.Equal(t, "90 min", duration(words.English, "90m"))
	require.Equal(t, "2 h", duration(words.English, "2h"))
	require.Equal(t, "30 April 2014", date(words.English, "2014-04-30"))
}

// Every condition that a station can be in without needing a person has its
// sentence.
func TestConditions(t *testing.T) {
	now := unit.At(time.Date(2025, 10, 26, 7, 10, 0, 0, time.UTC))
	row := func(change func(r *view.Row, nights []view.Night)) *view.Row {
		r := rowAt(time.UTC)
		r.Heard, r.Current = true, true
		r.Now = view.Now{At: now.Add(-10 * time.Minute), Known: true, Margin: 2}
		nights := make([]view.Night, 30)
		for i := range nights {
			n := &nights[i]
			n.From = now.Add(-19*time.Hour - time.Duration(29-i)*24*time.Hour)
			n.To, n.Sum.Known, n.Installed = n.From.Add(24*time.Hour), 1, true
		}
		change(r, nights)
		r.Nights = view.PackNights(nights)
		return r
	}
	for want, change := range map[string]func(r *view.Row, nights []view.Night){
		"Dry.":                                 func(*view.Row, []view.Night) {},
		"Dry, as far as its sensors tell.":     func(_ *view.Row, nights []view.Night) { nights[25].Sum.CondensingHigh = 1 },
		"Dew on one of the last seven nights.": func(_ *view.Row, nights []view.Night) { nights[25].Sum.Condensing = 1 },
		"Dew last night, dry since.":           func(_ *view.Row, nights []view.Night) { nights[29].Sum.Condensing = 1 },
		"Dew on it now.":                       func(r *view.Row, _ []view.Night) { r.Now.Margin = 0 },
		"Frost on it now.":                     func(r *view.Row, _ []view.Night) { r.Now.Margin, r.Now.Ice = -1, true },
		"Nothing heard yet.":                   func(r *view.Row, _ []view.Night) { r.Now, r.Heard, r.Current = view.Now{}, false, false },
		"Not heard for 5 h.":                   func(r *view.Row, _ []view.Night) { r.Now.At, r.Heard, r.Current = now.Add(-5*time.Hour), false, false },
		"Nothing newer than 14 October.":       func(r *view.Row, _ []view.Night) { r.Now.At, r.Current = now.Add(-12*24*time.Hour), false },
		"Heard, but its sensors tell nothing.": func(_ *view.Row, nights []view.Night) { clear(nights) },
	} {
		require.Equal(t, want, condition(words.English, row(change), now))
	}
}

func TestTodayInSentences(t *testing.T) {
	require.Equal(t, "No station is in service.", headline(words.English, 0, 0))
	require.Equal(t, "No box needs a person.", headline(words.English, 0, 5))
	require.Equal(t, "One box needs a person.", headline(words.English, 1, 5))
	require.Equal(t, "Twelve boxes need a person.", headline(words.English, 12, 50))
	require.Equal(t, "13 boxes need a person.", headline(words.English, 13, 50))
	require.Equal(t, "heard from 3 of 5, one not heard yet", heardWords(words.English, &view.Today{Heard: 3, Unheard: 1, Rows: make([]view.Row, 5)}))
	require.Equal(t, "Of all 3 heard none met the dew point last night.", restWords(words.English, &view.Today{Heard: 3, Rest: view.Rest{Count: 3}}))
	require.Equal(t, "Nothing is known of last night.", restWords(words.English, &view.Today{Heard: 1, Rest: view.Rest{Unknown: 1}}))
	require.Equal(t, "The one other box heard did not meet the dew point last night; nothing is known of two.",
		restWords(words.English, &view.Today{Heard: 5, Rest: view.Rest{Count: 1, Unknown: 2}}))
	h := int64(time.Hour)
	night := view.Night{}
	night.Sum.Condensing, night.Sum.CondensingLow, night.Sum.CondensingHigh = 3*h, h, 5*h
	longest := rowAt(time.UTC)
	longest.Station.Name = "Lake 02"
	require.Equal(t, "Of the other 3 heard, 2 met the dew point last night, longest Lake 02: 3.0\u00a0h, 1.0 to 5.0.",
		restWords(words.English, &view.Today{Heard: 4, Rest: view.Rest{Count: 3, Dewy: 2, Longest: longest, Night: night}}))
}

// A finding of a line names the stations that the line feeds.
func TestALineIsNamedWithItsStations(t *testing.T) {
	now := unit.At(time.Date(2025, 11, 4, 6, 0, 0, 0, time.UTC))
	o := alarm.Occurrence{Station: "lake-01", Finding: finding.Finding{Kind: finding.NoCurrent, From: now.Add(-time.Hour), Concluded: now}}
	r := &view.Row{Station: view.Station{Name: "Lake 01", Site: view.Site{Zone: time.UTC}}, Needs: []view.Need{{Occurrence: o, By: now}}}
	alone := needSentence(words.English, r, now)
	r.Feeds = []string{"Lake 02"}
	require.Equal(t, strings.TrimSuffix(alone, ".")+", on the line that also feeds Lake 02.", needSentence(words.English, r, now))
	r.Feeds = []string{"Lake 02", "Lake 03", "Quay 9"}
	require.Contains(t, needSentence(words.English, r, now), ", on the line that also feeds Lake 02, Lake 03 and Quay 9.")

	other := &view.Row{Station: r.Station, Told: []string{"Lake 01"}, Nights: view.PackNights(make([]view.Night, 30))}
	require.Equal(t, "what is found at Lake 01, on the same line", rowOf(words.English, other, now).Also)
}

func TestHoursHaveTheirRange(t *testing.T) {
	f := &finding.Finding{Evidence: []finding.Evidence{
		{Name: "at_risk_7_days", Value: 102, Unit: "h"},
		{Name: "at_risk_7_days_low", Value: 90.25, Unit: "h"},
		{Name: "at_risk_7_days_high", Value: 130, Unit: "h"},
		{Name: "limit_7_days", Value: 87, Unit: "h"},
		{Name: "step_low", Value: 1, Unit: "mA"},
	}}
	require.Equal(t, "102.0\u00a0h, 90.2 to 130.0", evidence(words.English, f, "at_risk_7_days"))
	require.Equal(t, "87.0\u00a0h", evidence(words.English, f, "limit_7_days"))
	require.Equal(t, "not known", evidence(words.English, f, "normal_7_days"))
	f.Evidence = append(f.Evidence, finding.Evidence{Name: "stations_on_line", Value: 2, Unit: "stations"})
	require.Equal(t, "2\u00a0stations", evidence(words.English, f, "stations_on_line"))
	require.True(t, isEnd(f, "at_risk_7_days_low"))
	require.True(t, isEnd(f, "at_risk_7_days_high"))
	require.False(t, isEnd(f, "at_risk_7_days"))
	require.False(t, isEnd(f, "step_low"))
}

func TestALoadSaysWhatIsMissing(t *testing.T) {
	german, ok := words.In("de")
	require.True(t, ok)
	d := books.RoundDay{Day: "2025-11-11", Load: []books.LoadShown{{Name: "Gasket", Quantity: 2, Stations: []string{"s2", "s1"}, Missing: 1}}}
	require.Equal(t, []string{"2 × Gasket (s2, s1), 1 of them missing on the shelf"}, roundDayOf(words.English, &d).Load)
	require.Equal(t, []string{"2 × Gasket (s2, s1), davon 1 nicht im Regal"}, roundDayOf(&german, &d).Load)
}
