package paper_test

import (
	"bytes"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/paper"
	"dewpost/collector/record"
	"dewpost/collector/view"
	"dewpost/collector/words"
	"dewpost/rules/alarm"
	"dewpost/rules/bench"
	"dewpost/rules/breathing"
	"dewpost/rules/equal"
	"dewpost/rules/exposure"
	"dewpost/rules/finding"
	"dewpost/rules/life"
	"dewpost/rules/unit"
)

var keep = flag.String("keep", "", "folder to keep the sheets in, to be looked at")

var now = unit.At(time.Date(2025, 10, 26, 6, 10, 0, 0, time.UTC))

const day = 24 * time.Hour

// text is what another program reads in a document (pdftotext, of poppler).
func text(t *testing.T, name string, pdf []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "sheet.pdf")
	require.NoError(t, os.WriteFile(path, pdf, 0o600))
	if *keep != "" {
		require.NoError(t, os.WriteFile(filepath.Join(*keep, name+".pdf"), pdf, 0o600))
	}
	out, err := exec.CommandContext(t.Context(), "pdftotext", "-layout", path, "-").Output()
	require.NoError(t, err, "pdftotext, of poppler-utils, must be there")
	return string(out)
}

// flat is text without the spaces and ends of lines that layout makes.
func flat(s string) string { return strings.Join(strings.Fields(s), "") }

func has(t *testing.T, in string, texts ...string) {
	t.Helper()
	for _, want := range texts {
		require.Contains(t, flat(in), flat(want))
	}
}

func pages(t *testing.T, pdf []byte) int { return bytes.Count(pdf, []byte("/Type /Page\n")) }

func station() view.Station {
	zone, _ := time.LoadLocation("Europe/Berlin")
	return view.Station{
		ID: "lake-07", Name: "Lake 07", Spot: "boathouse wall", Build: "coated-new-cover", CoverNew: "2024-03-01", Installed: "2024-04-02",
		Site: view.Site{ID: "lake", Name: "Larkmoor Lake Park", Owner: "park", Zone: zone},
	}
}

func hour(wet time.Duration) exposure.Hour {
	return exposure.Hour{
		Known: int64(700 * time.Hour), Unknown: int64(20 * time.Hour), Condensing: int64(wet), CondensingLow: int64(wet * 8 / 10), CondensingHigh: int64(wet * 13 / 10),
		AtRisk: int64(3 * wet), AtRiskLow: int64(2 * wet), AtRiskHigh: int64(4 * wet), Tow: int64(5 * wet), Basis: exposure.BasisAir,
	}
}

func occurrence(kind finding.Kind, number int64) alarm.Occurrence {
	return alarm.Occurrence{Station: "lake-07", Number: number, Finding: finding.Finding{
		Kind: kind, From: now.Add(-9 * day), Concluded: now.Add(-8 * day), Confidence: 0.9,
		Evidence: []finding.Evidence{
			{Name: "condensing_on_end", Value: 14.53, Unit: "h"},
			{Name: "excess", Value: 0.5},
			{Name: "excess_low", Value: 0.25},
			{Name: "excess_high", Value: 1},
			{Name: "lowest_low", Value: 3, Unit: "K"},
		},
	}}
}

func chart() view.Series {
	c := view.Series{Station: station(), From: now.Add(-30 * day), To: now, Sum: hour(21 * time.Hour)}
	for i := range 600 {
		c.Time = append(c.Time, c.From.Add(time.Duration(i)*30*day/600))
		c.Values[view.MarginK] = append(c.Values[view.MarginK], 4+5*float64((i*7)%20-10)/10)
	}
	c.Wet = []view.Interval{{From: now.Add(-9 * day), To: now.Add(-8 * day)}}
	return c
}

func jobCard() *paper.JobCard {
	most, hours, four := 15.0, 24.0, 4
	card := bench.Card{StandbyMostMA: &most, CureHours: &hours, LimitsFrom: "maker's sheet, page 4"}
	card.Keys.There = &four
	return &paper.JobCard{
		Printed: now, Station: station(), Access: "key at the office, from 9 to 16", Warranty: "two years on coating until 2027-01-31", Last: "2025-03-02",
		Visit: record.VisitDetails{Visit: record.Visit{
			Number: 12, Station: "lake-07", Kind: bench.OnSite, State: bench.Planned, Planned: "2025-10-30", Who: "Ruth", WhyText: "keys stick in the morning",
		}, Symptoms: []record.Symptom{{Kind: "ghost-calls", Note: "at night", Since: "2025-10-12"}}},
		Reasons:  []alarm.Occurrence{occurrence(finding.WaterInside, 2), occurrence(finding.LeakageRising, 1)},
		Also:     []alarm.Occurrence{occurrence(finding.CoverDue, 1)},
		Chart:    chart(),
		Loads:    []paper.Load{{Visit: 12, Station: "lake-07", Kind: "lamp", Name: "Lamp, amber", Quantity: 2, Unit: "piece", From: "lot 3, grade a, drawer 7"}, {Name: "Face L8", Quantity: 1, Unit: "piece"}},
		Test:     record.VisitCard{Card: card, Result: bench.Judge(&card, bench.Wanted{Address: "7", Coated: true})},
		Link:     "https://pages.lan:8443/visits/12",
		Outcomes: map[record.Cause]record.Came{{Kind: finding.LeakageRising, Number: 1}: {Visit: 9, VisitOutcome: record.VisitOutcome{Outcome: bench.StillToDo, At: now.Add(-7 * day)}}},
	}
}

func TestAJobCard(t *testing.T) {
	for _, size := range paper.Sizes {
		pdf, err := jobCard().Draw(words.English, size)
		require.NoError(t, err)
		got := text(t, "card-"+size, pdf)
		has(t, got, "Lake 07", "Visit 12 · On site · Thursday 30 October 2025", "Access: key at the office, from 9 to 16", "two years on coating until 2027-01-31; last worked on 2 Mar 2025", "cover new: 1 Mar 2024; installed: 2 Apr 2024",
			"keys stick in the morning", "Water inside (water_inside/2)", "Since 17 Oct 2025, 08:10", "wet on end when concluded, by the middle figure: 14.5 h; excess: 0.5 (0.25 to 1); lowest low: 3 K", "Also found of this station", "Cover due, since", "Still to do on 19 Oct 2025 (visit 9)",
			"it condensed 21.0 h (16.8 to 27.3)", "Noticed: ghost calls, since 12 Oct 2025: at night",
			"Switch the line's supply off", "From a ladder", "the maker's data sheet decides", "unit off its supply", "Never feed an agent",
			"Open it with the face down over a cup", "Clean the board, let it dry", "2 Lamp, amber, lot 3, grade a, drawer 7", "1 Face L8: none is free on the shelf",
			"Standby current as found, mA", "keys", "4 of them", "at most 15", "closed after 24 h or more", "Limits: maker's sheet, page 4", "page 1 of 3", "26 October 2025")
		require.NotContains(t, got, "□ stands")
		again, err := jobCard().Draw(words.English, size)
		require.NoError(t, err)
		require.True(t, bytes.Equal(pdf, again), "the same card is the same bytes")
		require.LessOrEqual(t, pages(t, pdf), 3)
	}
}

func TestOtherJobCards(t *testing.T) {
	c := jobCard()
	c.Visit.Kind, c.Reasons, c.Also, c.Visit.WhyText, c.Chart.Values, c.Link = bench.SendIn, nil, nil, "", view.Series{}.Values, ""
	c.Visit.Symptoms, c.Loads, c.Visit.Planned, c.Test.Card.LimitsFrom = nil, nil, "", ""
	c.Test.At, c.Test.Card.TalkIn = now, bench.Bad
	c.Test.Result = bench.Judge(&c.Test.Card, bench.Wanted{})
	pdf, err := c.Draw(words.English, paper.A4)
	require.NoError(t, err)
	got := text(t, "card-bench", pdf)
	has(t, got, "Bench job, sent in · no day set", "Nobody wrote down why", "No reading of temperature and humidity", "Nothing is reserved", "nothing, or too little, is heard at the station", "need not be asked", "look it up before the test")
	require.NotContains(t, flat(got), flat("From a ladder"))
	c.Visit.Kind = bench.Photos
	pdf, err = c.Draw(words.English, paper.Letter)
	require.NoError(t, err)
	has(t, text(t, "card-photos", pdf), "Photos to ask for", "Gasket and cable entry")
	_, err = c.Draw(words.English, "a5")
	require.Equal(t, books.Error{Field: "paper", Value: "a5", Fix: "use a4 or letter"}, err)
	ended, revised := occurrence("new_kind", 1), occurrence(finding.Silent, 4)
	ended.Finding.To, revised.Revised = now.Add(-day), true
	c.Reasons = []alarm.Occurrence{ended, revised, ended}
	pdf, err = c.Draw(words.English, paper.A4)
	require.NoError(t, err)
	has(t, text(t, "card-over", pdf), "Finding (new_kind/1)", "over since 25 Oct 2025", "withdrawn by later data")
}

// What people wrote can be long, in any script, or meant to do harm: it stays
// within the sheet, and what has no shape is said to have none.
func TestHostileText(t *testing.T) {
	c := jobCard()
	c.Station.Name = strings.Repeat("Verylongnamewithoutspaces", 12)
	c.Station.Spot = "駐車場 الباب 🚪 \u202eevil"
	c.Visit.WhyText = strings.Repeat("x", 300) + "\n\tand (text) \\ with {nb} %s"
	c.Access = strings.Repeat("Ключ под ковриком; κλειδί ", 12)
	c.Loads[0].Name = strings.Repeat("W", 300)
	for _, size := range paper.Sizes {
		pdf, err := c.Draw(words.English, size)
		require.NoError(t, err)
		got := text(t, "card-hostile-"+size, pdf)
		has(t, got, "Ключ под ковриком; κλειδί", "□□□", "□ stands for a character that this print has no shape for", strings.Repeat("x", 60), "and (text) \\ with")
		require.Equal(t, 300, strings.Count(flat(got), "x")-strings.Count(flat(got), "box")-strings.Count(flat(got), "exposure")-countOther(flat(got)))
		inside(t, pdf)
	}
}

// countOther counts the letter x in words of the card itself.
func countOther(s string) (n int) {
	s = strings.ReplaceAll(strings.ReplaceAll(s, "box", ""), "exposure", "")
	for word := range strings.SplitSeq(s, strings.Repeat("x", 20)) {
		trimmed := strings.Trim(word, "x")
		n += strings.Count(trimmed, "x")
	}
	return n
}

// inside requires that every word stands between the margins.
func inside(t *testing.T, pdf []byte) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "sheet.pdf")
	require.NoError(t, os.WriteFile(path, pdf, 0o600))
	out, err := exec.CommandContext(t.Context(), "pdftotext", "-bbox", path, "-").Output()
	require.NoError(t, err)
	wide := 0.0
	for line := range strings.Lines(string(out)) {
		switch {
		case strings.Contains(line, "<page "):
			wide = number(t, line, `width="`)
		case strings.Contains(line, "<word "):
			require.Greater(t, number(t, line, `xMin="`), 30.0, line)
			require.Less(t, number(t, line, `xMax="`), wide-30, line)
		}
	}
	require.NotZero(t, wide)
}

func number(t *testing.T, line, after string) (x float64) {
	t.Helper()
	_, rest, _ := strings.Cut(line, after)
	text, _, _ := strings.Cut(rest, `"`)
	_, err := sscan(text, &x)
	require.NoError(t, err, line)
	return x
}

func TestALoadList(t *testing.T) {
	l := &paper.LoadList{
		Printed: now.Time(), Day: "2025-10-30", Names: map[string]string{"lake-07": "Lake 07"},
		Visits: []record.Visit{{Number: 12, Station: "lake-07", Kind: bench.OnSite, Who: "Ruth"}}, Loads: jobCard().Loads,
	}
	pdf, err := l.Draw(words.English, paper.A4)
	require.NoError(t, err)
	has(t, text(t, "load", pdf), "Load list, Thursday 30 October 2025", "12 · Lake 07, lake-07 · On site · Ruth", "2 Lamp, amber, lot 3, grade a, drawer 7 (visit 12, lake-07)", "Ladder")
	pdf, err = (&paper.LoadList{Printed: now.Time(), Day: "x"}).Draw(words.English, paper.Letter)
	require.NoError(t, err)
	has(t, text(t, "load-none", pdf), "No visit is planned for this day")
	_, err = l.Draw(words.English, "")
	require.Error(t, err)
}

func TestLabels(t *testing.T) {
	l := paper.Label{
		Printed: now.Time(), ID: "lake-07", Name: "Lake 07", Build: "coated-new-cover", Board: "donor, grade b, 2025-10-01",
		Coating: "acrylic, sides both", Cover: "2025-10-02", Date: "2025-10-26", Link: "https://pages.lan:8443/stations/lake-07",
	}
	long := l
	long.ID, long.Name, long.Coating, long.Link = strings.Repeat("a", 32), strings.Repeat("Ж", 300), strings.Repeat("w", 300), ""
	pdf, err := paper.DrawLabels(words.English, []paper.Label{l, long}, paper.Strip, 0)
	require.NoError(t, err)
	got := text(t, "label", pdf)
	has(t, got, "lake-07", "Build: coated new cover", "Board: donor, grade b", "Coat: acrylic, sides both", "Restored: 2025-10-26", "Line off before opening.", strings.Repeat("a", 32), "ЖЖ…")
	require.NotContains(t, got, "park", "a label names no owner")
	require.Contains(t, string(pdf), "/MediaBox [0 0 175.75 82.20]")
	many := make([]paper.Label, 30)
	for i := range many {
		many[i] = l
	}
	pdf, err = paper.DrawLabels(words.English, many, paper.Sheet, 2)
	require.NoError(t, err)
	require.Equal(t, 30, strings.Count(text(t, "labels", pdf), "Line off"))
	require.Equal(t, 2, pages(t, pdf))
	for _, bad := range []struct {
		labels []paper.Label
		how    string
		skip   int
		field  string
	}{{nil, paper.Strip, 0, "station"}, {many, "a5", 0, "size"}, {many, paper.Sheet, 27, "skip"}, {many, paper.Sheet, -1, "skip"}} {
		_, err := paper.DrawLabels(words.English, bad.labels, bad.how, bad.skip)
		var wrong books.Error
		require.ErrorAs(t, err, &wrong)
		require.Equal(t, bad.field, wrong.Field)
	}
	long.Link = "https://" + strings.Repeat("x", 3000)
	_, err = paper.DrawLabels(words.English, []paper.Label{long}, paper.Strip, 0)
	require.ErrorContains(t, err, "QR code")
}

func report() *paper.Report {
	s := paper.StationSeason{Season: view.Season{Station: station(), From: now.Add(-365 * day), To: now}, Since: "the work of 2 March 2025"}
	first := time.Date(2024, 11, 1, 0, 0, 0, 0, station().Site.Zone)
	for i := range 12 {
		bound := 90.0 - 4*float64(i)
		m := view.SeasonMonth{First: first.AddDate(0, i, 0), Sum: hour(time.Duration(10+3*i) * time.Hour), Breath: &breathing.Day{TauH: 50 - 3*float64(i), LowH: 40 - 3*float64(i), HighH: &bound}}
		switch i {
		case 3:
			m.Sum, m.Breath = exposure.Hour{}, nil
		case 4:
			m.NotHeard, s.NotHeard = 300*time.Hour, 300*time.Hour
			m.Breath.HighH = nil
		}
		s.Months = append(s.Months, m)
		s.Sum.Add(&m.Sum)
	}
	s.Findings = []alarm.Occurrence{occurrence(finding.WaterInside, 2), occurrence(finding.SealOpened, 1)}
	s.Findings[0].Finding.To = now.Add(-2 * day)
	for i := range 3 { // it came again and again
		again := occurrence(finding.DampWeek, int64(1+i))
		again.Finding.To = now.Add(-time.Duration(6-i) * day)
		s.Findings = append(s.Findings, again)
	}
	s.Findings[4].Finding.To = 0
	s.Outcomes = map[record.Cause]record.Came{{Kind: finding.WaterInside, Number: 2}: {Visit: 9, VisitOutcome: record.VisitOutcome{Outcome: bench.PutRight, Reason: "weep hole opened", At: now.Add(-2 * day)}}}
	s.Visits = []record.VisitDetails{{
		Visit:    record.Visit{Kind: bench.OnSite, Began: now.Add(-2 * day)},
		Findings: []record.VisitFinding{{Findings: bench.Findings{Moisture: "water", Cover: "cracked"}}},
		Work:     []record.VisitWork{{Work: bench.Work{Code: bench.CoverChanged}}},
		Parts:    []record.VisitPart{{Kind: "cover", Quantity: 1}},
	}}
	change, low, high := -1.4, -2.2, -0.6
	s.Compared.Condensing.Change, s.Compared.Condensing.Low, s.Compared.Condensing.High = &change, &low, &high
	s.Compared.Condensing.After.Expected, s.Compared.Condensing.After.Days, s.Compared.Condensing.After.Compared = &equal.Hours{Mid: 3.1, Low: 2.2, High: 4}, 50, &equal.Hours{Mid: 1.7, Low: 1.1, High: 2.3}
	s.Clocks.Cover = life.Cover{Age: 1.4, Chance: 0.02, Ahead: 0.03}
	s.Clocks.Board = life.Board{Known: true, Fraction: 0.21, Low: 0.12, High: 0.4, Outlook: life.BeyondCover}
	s.Outdoors = view.Outdoors{KnownH: 8700, WetH: 3800, TempC: 9.1, RHPct: 79, TowYearH: 3829, Enough: true}
	s.Compared.SensorChanged = true
	so2, cl := 4.0, 12.0
	return &paper.Report{
		Printed: now, Title: "Larkmoor Lake Park", Stations: []paper.StationSeason{s},
		ReportQuery: paper.ReportQuery{Of: paper.OfStation, ID: "lake-07", From: "2024-11-01", To: "2025-11-01", Costs: view.DefaultCosts, Currency: "EUR", SO2: &so2, Cl: &cl},
	}
}

func TestASeasonReport(t *testing.T) {
	for _, size := range paper.Sizes {
		pdf, err := report().Draw(words.English, size)
		require.NoError(t, err)
		got := text(t, "season-"+size, pdf)
		has(t, got, "Season report: Larkmoor Lake Park", "1 November 2024 to 31 October 2025", "Dew or frost lay on the board for 299.0 h (239.2 to 388.7)", "of 520 h nothing is known",
			"Hours of dew or frost, by month", "How tight the box is, by month", "Nov 24", "Water inside", "24 Oct 2025", "still so",
			"Put right on 24 Oct 2025: weep hole opened", "Damper than usual, 3 times",
			"24 October 2025, on site. Found: water, cover cracked. Done: cover changed. Parts: 1 cover.", "Cover: 1.4 years outdoors", "about 21 % of its life used (12 to 40 %), beyond cover age",
			"Held against the work of 2 March 2025, on 50 days", "1.4 h a day less (-2.2 to -0.6, nine times in ten). The box is drier than it was", "A sensor was changed in between",
			"the retrofit costs 180 EUR once and care 40 EUR a year", "That saves -10 EUR to 134 EUR a year", "paid back in 1.3 years at best, and never at worst", "not your figures: no source",
			"3829 h a year, class τ4", "9.1 °C, 79 %", "both as the sensors read, without a range", "In 20 years", "steel C2 25 µm (17 to 37) 120 µm (at most 210)", "zinc C3 1.2 µm (0.78 to 1.7)", "copper (from memory) C3", "uncertainty (from memory)", "page 1 of 2")
		again, err := report().Draw(words.English, size)
		require.NoError(t, err)
		require.True(t, bytes.Equal(pdf, again))
		inside(t, pdf)
	}
}

// Means outside of what the formulas hold for are said, in the reader's language,
// and clip nothing.
func TestMetalsOutsideOfTheFormulas(t *testing.T) {
	r := report()
	r.Stations[0].Outdoors.RHPct = 95
	german, ok := words.In("de")
	require.True(t, ok)
	pdf, err := r.Draw(&german, paper.A4)
	require.NoError(t, err)
	has(t, text(t, "season-outside", pdf), "Stahl C3 37 µm (25 bis 56)", "Kupfer (aus dem Gedächtnis)", "Außerhalb dessen, wofür die Formeln gelten: Feuchte 95 %RH, außerhalb von 34 bis 93.")
}

func TestASeasonOfWhichLittleIsKnown(t *testing.T) {
	r := report()
	r.Costs, r.SO2, r.Cl = view.Costs{Retrofit: 100, Care: 10, UnitValue: 1000, WithoutLow: 0.1, WithoutHigh: 0.2}, nil, nil
	other := paper.StationSeason{Season: view.Season{Station: station()}}
	other.Station.ID, other.Station.Name, other.Station.Site = "quay-09", strings.Repeat("界", 300), view.Site{Zone: time.UTC}
	other.Clocks.Cover.Missing, other.Clocks.Board.Missing, other.Since = []string{"cover_new"}, []string{"build"}, "the same months a year before"
	third := other
	third.Clocks.Cover.Cracked, third.Clocks.Board.Missing = true, nil
	third.Sum, third.Months = hour(time.Hour), []view.SeasonMonth{{First: now.Time(), Sum: hour(0)}}
	r.Stations = append(r.Stations, other, third)
	pdf, err := r.Draw(words.English, paper.A4)
	require.NoError(t, err)
	has(t, text(t, "season-site", pdf), "At a glance", "Nothing is known of this station in this time", "Nothing that needed a person", "There was no visit", "nobody has recorded cover new", "it has cracked or is gone",
		"build is not recorded", "not known yet", "not enough is known. It takes fourteen days", "How tight the box is, is not known", "paid back in 0.5 to 1.1 years", "as the workshop gave them", "deposits not given", "not known: 0 h of 7000", "□ stands")
	inside(t, pdf)
	r.Costs.UnitValue = 0
	r.Stations[0].Clocks.Board.Fraction, r.Stations[0].Clocks.Board.Low, r.Stations[0].Clocks.Board.High = 6.4, 3.4, 12.2
	_, err = r.Draw(words.English, "")
	require.Error(t, err)
	pdf, err = r.Draw(words.English, paper.Letter)
	require.NoError(t, err)
	has(t, text(t, "season-never", pdf), "it does not pay for itself by this reckoning alone", "its budget of damp hours is used 6.4 times over (3.4 to 12.2)", "640 % (340 to 1220 %)")
}
