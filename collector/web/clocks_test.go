package web

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/words"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/life"
	"dewpost/rules/unit"
)

func TestCoverInWords(t *testing.T) {
	likely := unit.At(time.Date(2031, 6, 10, 0, 0, 0, 0, time.UTC))
	for want, c := range map[string]life.Cover{
		"Cover: 6.2 years outdoors, weighted by sun; of such covers less than 1 % have cracked, 1 % will have in half a year, half by June 2031 (common practice, no source: 10 to 15 years).": {Age: 6.2, Chance: 0.001, Ahead: 0.011, Likely: likely},
		"Cover: 12.0 years outdoors, weighted by sun, some of which nobody recorded; of such covers that were whole at 11.0 years 0 % have cracked, 20 % will have in half a year (common practice, no source: 10 to 15 years).": {
			Age: 12, Estimated: true, SeenSound: 11, Ahead: 0.2,
		},
		"How old the cover is can’t be told. Record since when the cover is new (cover_new).":                                                          {Missing: []string{fact.CoverNew}},
		"The cover is cracked. How old the cover is can’t be told. Record since when the cover is new (cover_new).":                                    {Cracked: true, Missing: []string{fact.CoverNew}},
		"The cover is missing. Cover: 3.0 years outdoors, weighted by sun.":                                                                            {Cracked: true, Condition: "missing", Age: 3},
		"The cover is crazed: of such fine cracks a crack begins. How old the cover is can’t be told. Record since when the cover is new (cover_new).": {Condition: "crazed", Missing: []string{fact.CoverNew}},
	} {
		got := strings.ReplaceAll(strings.Join(coverWords(words.English, &c, time.UTC), " "), space, " ")
		require.Equal(t, want, got)
	}
}

func TestBoardInWords(t *testing.T) {
	date := unit.At(time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC))
	since := unit.At(time.Date(2025, 5, 14, 0, 0, 0, 0, time.UTC))
	known := func(b life.Board) life.Board {
		b.Known, b.KnownH, b.Fraction, b.Low, b.High = true, 4000, 0.34, 0.25, 0.5
		return b
	}
	for want, b := range map[string]life.Board{
		"About 34 % of the board’s life is used (25 % to 50 %). The rest lasts beyond cover age.":                                                                                                                                       known(life.Board{Outlook: life.BeyondCover}),
		"The budget of the board’s life is used up: about 34 % of it (25 % to 50 %). What you see on it decides.":                                                                                                                       known(life.Board{Outlook: life.UsedUp}),
		"About 34 % of the board’s life is used (25 % to 50 %). At the rates so far the rest lasts until March 2026 (February 2026 to beyond cover age).":                                                                               known(life.Board{Outlook: life.OnDate, Date: date, Early: date.Add(-20 * 24 * time.Hour)}),
		"About 34 % of the board’s life is used (25 % to 50 %). At the rates so far the rest lasts until March 2026 (March 2026 to April 2026).":                                                                                        known(life.Board{Outlook: life.OnDate, Date: date, Early: date, Late: date.Add(40 * 24 * time.Hour)}),
		"About 34 % of the board’s life is used (25 % to 50 %). It began with 30 %, by its grade. 2 % is estimated, for 30 days of which nothing is known, or only from a sensor in doubt. Until when the rest lasts is not known yet.": known(life.Board{Outlook: life.NotKnownYet, Start: 0.3, Estimated: 0.02, UnknownH: 720}),
		"About 34 % of the board’s life is used (25 % to 50 %). At this rate the rest won’t last as long as the cover: look at the board at the next visit.":                                                                            known(life.Board{Outlook: life.BeforeCover}),
		"How much of the board’s life is used is not known yet: nothing was heard since it was fitted.":                                                                                                                                 {},
		"How much of the board’s life is used can’t be told. Since 14 May 2025 it used 12 % of a budget. Record whether its board is new, used or a donor’s (board).":                                                                   {Missing: []string{fact.Board}, Dose: 0.12, KnownH: 9, Since: since},
		"How much of the board’s life is used can’t be told. Record its build (build), and whether its board is new, used or a donor’s (board).":                                                                                        {Missing: []string{fact.Build, fact.Board}},
	} {
		got := strings.ReplaceAll(strings.Join(boardWords(words.English, &b, time.UTC), " "), space, " ")
		require.Equal(t, want, got)
	}
	for _, name := range []string{fact.CoverNew, fact.Build, fact.Board, fact.BoardGrade} {
		require.NotEmpty(t, toEnterWords[name], name)
	}
}

func TestWhyACoverIsDue(t *testing.T) {
	now := unit.At(time.Date(2025, 10, 26, 6, 0, 0, 0, time.UTC))
	f := finding.Finding{Kind: finding.CoverDue, From: now.Add(-400 * 24 * time.Hour)}
	require.Contains(t, coverDueWords(words.English, &f, now, time.UTC), "Since 21 September 2024 the cover is known to be cracked")
	f.Evidence = []finding.Evidence{{Name: "cover_age", Value: 9.6, Unit: "years"}, {Name: "crack_chance", Value: 11, Unit: "%"}}
	require.Contains(t, coverDueWords(words.English, &f, now, time.UTC), "9.6"+space+"years")
	require.Contains(t, coverDueWords(words.English, &f, now, time.UTC), "11.0"+space+"%")
}
