package view

import (
	"cmp"
	"slices"
	"time"

	"dewpost/rules/unit"
)

const (
	// A night is compared with the one before it from so long after its noon.
	nightTold = 18 * time.Hour
	// So much of a dry night may be unknown.
	dryUnknown = time.Hour
	// So many nights with condensation on end make a dry one after them worth telling.
	wetStreak = 3
)

// Changes is what is otherwise than a day ago. It is a function of a morning
// look, so it is as old as that and no more.
type Changes struct {
	Compared int         // stations of which last night and the one before are known
	Last     NightTotals // of those, last night
	Before   NightTotals // of those, the night before
	Dry      []Dried     // in the order of the rows
	New      []Fresh     // what matters most first, else in the order of the rows
}

// Fresh is a station of which something was concluded within the last day that needs
// a person.
type Fresh struct {
	Row  *Row
	Need *Need // the first such
}

// NightTotals is one night of many stations.
type NightTotals struct {
	Dewy       int   // stations that condensed, by the middle figure
	Condensing int64 // ns, the middle figures added up
	Low, High  int64 // ns, the ends of their ranges added up
}

// Dried is a station with its first dry night after wet ones.
type Dried struct {
	Row *Row
	Wet int // nights with condensation on end before it
}

// Changes compares the last night with the one before it, and tells what was
// found within the last day. Between midnight and six too little of a night has
// passed, and no nights are compared.
func (t *Today) Changes() Changes {
	var c Changes
	for i := range t.Rows {
		r := &t.Rows[i]
		if n := slices.IndexFunc(r.Needs, func(n Need) bool { return n.Finding.Concluded > t.At.Add(-day) }); n >= 0 {
			c.New = append(c.New, Fresh{r, &r.Needs[n]})
		}
		c.nights(r, t.At)
	}
	slices.SortStableFunc(c.New, func(a, b Fresh) int { return cmp.Compare(a.Need.rank(), b.Need.rank()) })
	return c
}

func (c *Changes) nights(r *Row, now unit.Instant) {
	nights := r.Nights.List()
	last := lastNight(nights, now)
	if last < 1 || now.Sub(nights[last].From) < nightTold {
		return
	}
	n, before := &nights[last], &nights[last-1]
	if n.Sum.Known < nightKnown {
		return
	}
	if before.Sum.Known >= nightKnown {
		c.Compared++
		c.Last.add(n)
		c.Before.add(before)
	}
	if n.Sum.Condensing > 0 || n.Dark() > dryUnknown {
		return
	}
	wet := 0
	for wet < last && nights[last-1-wet].Sum.Condensing > 0 {
		wet++
	}
	if wet >= wetStreak {
		c.Dry = append(c.Dry, Dried{r, wet})
	}
}

func (n *NightTotals) add(one *Night) {
	if one.Sum.Condensing > 0 {
		n.Dewy++
	}
	n.Condensing += one.Sum.Condensing
	n.Low += one.Sum.CondensingLow
	n.High += one.Sum.CondensingHigh
}
