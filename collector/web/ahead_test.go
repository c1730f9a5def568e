package web

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/collector/view"
	"dewpost/collector/words"
	"dewpost/rules/life"
	"dewpost/rules/outlook"
	"dewpost/rules/season"
	"dewpost/rules/unit"
)

func plainText(says ...string) string {
	return strings.ReplaceAll(strings.Join(says, " "), space, " ")
}

func TestTonightInWords(t *testing.T) {
	now := unit.At(time.Date(2025, 10, 26, 21, 0, 0, 0, time.UTC))
	o := view.Outlook{Condensing: outlook.NewScore(), AtRisk: outlook.NewScore()}
	require.Contains(t, plainText(tonightWords(words.English, &o, now, time.UTC)...), "No outlook for tonight")
	require.Contains(t, cameTrueWords(words.English, &o), "not known yet")

	o.Tonight = &record.Outlook{Told: outlook.Told{
		Issue: outlook.Early, Night: outlook.Night{Issued: now.Add(-time.Hour), PCondensing: 0.72, PAtRisk: 0.9}, Basis: outlook.OfSite, Forecast: true,
	}}
	says := plainText(tonightWords(words.English, &o, now, time.UTC)...)
	require.Contains(t, says, "condenses with 72 %, and is at risk with 90 %")
	require.Contains(t, says, "and a forecast of the weather, begun with what other boxes of the site learned")
	require.Contains(t, says, "early view")
	for basis := range map[outlook.Basis]int{outlook.Own: 0, outlook.OfSite: 0, outlook.OfBuild: 0, outlook.Climate: 0} {
		require.NotEmpty(t, basisOfOutlook[basis])
	}

	others := outlook.NewScore()
	for i := range 20 {
		others.Add(0.75, i < 14)
		others.Add(0.1, i < 1)
	}
	o.Others = &others
	require.Equal(t, "So far at all stations, for here too few nights are over, 40 nights are over, of which 15 condensed. Of the 20 on which 70 % to 80 % was foretold, as for tonight, 14 did. That is 44 % less error than always saying how many nights are wet.", plainText(cameTrueWords(words.English, &o)))
	o.Condensing = others
	o.Tonight.PCondensing = 0.5
	require.Contains(t, plainText(cameTrueWords(words.English, &o)), "So far here 40 nights are over, of which 15 condensed. On none of them 50 % to 60 %")
	bad := outlook.NewScore()
	for i := range 40 {
		bad.Add(0.9, i < 10)
	}
	o.Condensing = bad
	require.Contains(t, cameTrueWords(words.English, &o), "no better than")
	require.Equal(t, bandPage{"90 % to 100 %", "40", "10", "25 %"}, func() bandPage {
		b := bandsOf(words.English, &bad)[9]
		return bandPage{plainText(b.Foretold), b.Nights, b.Came, plainText(b.Share)}
	}())
	require.Equal(t, "–", bandsOf(words.English, &bad)[0].Share)
}

func TestSeasonInWords(t *testing.T) {
	s := view.YearAhead{Months: []season.Month{{Month: "2026-01", Basis: season.Nothing}, {Month: "2026-02", Basis: season.Nothing}}, Missing: 2}
	require.Contains(t, plainText(yearWords(words.English, &s)...), "not known yet")
	s.Missing, s.Dose, s.Low, s.High, s.Budget, s.BudgetLow, s.BudgetHigh = 1, 350, 200, 500, 700, 300, 1600
	require.Equal(t, "The months ahead bring a dose of about 350 (200 to 500) equivalent hours at saturation, without 1 month of which nothing is known. That is 50 % of its budget of 700 (300 to 1600), a judgement.",
		strings.ReplaceAll(plainText(yearWords(words.English, &s)...), "1,600", "1600"))
	s.Learned = true
	require.Contains(t, plainText(yearWords(words.English, &s)...), "as visits taught")
	require.Equal(t, "its own past, 2 years", plainText(monthAheadOf(words.English, &season.Month{Month: "2026-01", Basis: season.Own, Years: 2}).From))
	require.Equal(t, "the air outdoors there, 1 year", plainText(monthAheadOf(words.English, &season.Month{Month: "2026-01", Basis: season.Climate, Years: 1}).From))
	require.Equal(t, "January 2026", monthAheadOf(words.English, &s.Months[0]).Name)

	coat := changeOf(words.English, &season.Result{What: "coat the board", Hours: 720, Dose: 1, DoseLow: 1, DoseTop: 1, Wear: 0.03, WearLow: 0.01, WearTop: 0.1})
	require.Contains(t, plainText(coat.Says), "Of a budget it would use 3 % of what it uses now (1 % to 10 %)")
	require.Contains(t, plainText(coat.Says), "From 30 days of its weather.")
	heat := changeOf(words.English, &season.Result{Hours: 720, Dose: 0.3, DoseLow: 0.1, DoseTop: 0.7, Wear: 0.3})
	require.Contains(t, plainText(heat.Says), "the dose would have been 30 % of what it was (10 % to 70 %)")
	require.Equal(t, "Not reckoned: too little.", changeOf(words.English, &season.Result{WhyNot: "too little"}).Says)
}

func TestWhatWasLearnedInWords(t *testing.T) {
	require.Contains(t, plainText(learnedWords(words.English, nil, 0)...), "Nothing learned yet")
	var looks []life.Look
	for range 20 {
		looks = append(looks, life.Look{Group: "uncoated", Low: 1.5, High: 2.5})
	}
	looks = append(looks, life.Look{Group: life.CoverGroup, Low: 0, High: 1})
	says := plainText(learnedWords(words.English, life.Learn(looks), len(looks))...)
	require.Contains(t, says, "Budget of uncoated boards: 1")
	require.Contains(t, says, "from 20 looks, of which 20 found it.")
	require.Contains(t, says, "Age of a cover at its first crack: nothing learned yet from 1 look.")
}
