package web

import (
	"fmt"
	"strings"

	"dewpost/collector/view"
	"dewpost/collector/words"
)

// namesTold is how many stations one sentence names; the others are counted.
const namesTold = 3

// sinceYesterday says what is otherwise than a day ago, in at most three sentences.
func sinceYesterday(c *view.Changes) []string {
	var told []string
	if n := len(c.New); n > 0 {
		var names []string
		for _, r := range c.New {
			names = append(names, r.Station.Name+" ("+strings.ToLower(words.Of(r.Needs[0].Finding.Kind).Name)+")")
		}
		told = append(told, "New since this time yesterday: "+someOf(names)+".")
	}
	if c.Last.Dewy > 0 || c.Before.Dewy > 0 {
		told = append(told, fmt.Sprintf("Condensing last night: %s; the night before: %s. %s.",
			totals(&c.Last), totals(&c.Before), "Counted where both nights are known, at "+spelled(c.Compared)))
	}
	if len(c.Dry) > 0 {
		var names []string
		for _, d := range c.Dry {
			names = append(names, fmt.Sprintf("%s after %s", d.Row.Station.Name, spelled(d.Wet)))
		}
		told = append(told, "First dry night after nights with condensation: "+someOf(names)+".")
	}
	return told
}

func totals(n *view.NightTotals) string {
	if n.Dewy == 0 {
		return "none"
	}
	boxes := " boxes, "
	if n.Dewy == 1 {
		boxes = " box, "
	}
	return spelled(n.Dewy) + boxes + hours(n.Condensing) + space + "h in all"
}

// someOf names the first few and counts the others.
func someOf(names []string) string {
	if len(names) <= namesTold {
		return andOf(names)
	}
	return strings.Join(names[:namesTold], ", ") + fmt.Sprintf(" and %d more", len(names)-namesTold)
}
