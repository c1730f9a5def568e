package web

import (
	"strings"

	"dewpost/collector/view"
	"dewpost/collector/words"
)

// namesTold is how many stations one sentence names; the others are counted.
const namesTold = 3

// sinceYesterday says what is otherwise than a day ago, in at most three sentences.
func sinceYesterday(lc *words.Locale, c *view.Changes) []string {
	var told []string
	if n := len(c.New); n > 0 {
		var names []string
		for _, f := range c.New {
			names = append(names, f.Row.Station.Name+" ("+lc.Lower(lc.Kind(f.Need.Finding.Kind).Name)+")")
		}
		told = append(told, lc.Say("New since this time yesterday: %s.", someOf(lc, names)))
	}
	if c.Last.Dewy > 0 || c.Before.Dewy > 0 {
		told = append(told, lc.Say("Condensing last night: %s; the night before: %s. %s.", totals(lc, &c.Last), totals(lc, &c.Before), lc.Say("Counted where both nights are known, at %s", spelled(lc, c.Compared))))
	}
	if len(c.Dry) > 0 {
		var names []string
		for _, d := range c.Dry {
			names = append(names, lc.Say("%s after %s", d.Row.Station.Name, spelled(lc, d.Wet)))
		}
		told = append(told, lc.Say("First dry night after nights with condensation: %s.", someOf(lc, names)))
	}
	return told
}

func totals(lc *words.Locale, n *view.NightTotals) string {
	if n.Dewy == 0 {
		return lc.Say("none")
	}
	if n.Dewy == 1 {
		return lc.Say("one box, in all %s", hoursRange(lc, n.Condensing, n.Low, n.High))
	}
	return lc.Say("%s boxes, in all %s", spelled(lc, n.Dewy), hoursRange(lc, n.Condensing, n.Low, n.High))
}

// someOf names the first few and counts the others.
func someOf(lc *words.Locale, names []string) string {
	if len(names) <= namesTold {
		return andOf(lc, names)
	}
	return strings.Join(names[:namesTold], ", ") + lc.Say(" and %d more", len(names)-namesTold)
}
