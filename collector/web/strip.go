package web

import (
	"fmt"
	"math"
	"strings"
	"time"

	"dewpost/collector/view"
	"dewpost/collector/words"
	"dewpost/rules/unit"
)

// Hours per night as ink: one column a night, 12 h full height. The column is
// the hours counted, the lighter cap goes up to the high end of their range,
// what is unknown is hatched on top.
const (
	fullNight  = 12 * time.Hour
	stripFull  = 36 // px of a full column
	stripAbove = 16 // px over it for the number
	columnStep = 8  // px from one column to the next
	columnWide = 6
	worthHatch = 15 * time.Minute // less can't be drawn
)

// strip is the drawing of some nights.
type strip struct {
	ID                  string
	Title, Desc         string
	Width               int // of the drawing's own pixels; it is stretched to fit
	Height, Above, Full int
	Ink, Cap            string // paths
	Dark                []bar  // not stretched, so that the hatching stays as it is
	Base, Before        string // base line, and where nothing was installed
	Numbers             []stripNumber
	First, Last, Most   string // captions: ends, and the highest with its range
}

// bar is a rectangle of a drawing that is stretched in width: X and Wide in
// percent.
type bar struct{ X, Wide, Y, Tall string }

type stripNumber struct {
	X     string // percent
	Y     string
	Text  string
	Class string
}

// stripOf draws nights in the columns that place gives, of count columns.
func stripOf(lc *words.Locale, id string, nights []view.Night, zone *time.Location, count int, place func(i int) int, numbered bool) strip {
	s := strip{
		ID: id, Width: count * columnStep, Height: stripAbove + stripFull + 2, Above: stripAbove, Full: stripFull,
	}
	var ink, caps, base, before, desc strings.Builder
	most := highest(nights)
	for i := range nights {
		n := &nights[i]
		x := place(i) * columnStep
		line := &base
		if !n.Installed {
			line = &before
		}
		fmt.Fprintf(line, "M%d %dh%d", x, stripFull, columnStep)
		h := tall(time.Duration(n.Sum.Condensing))
		high := tall(time.Duration(n.Sum.CondensingHigh))
		column(&ink, x, 0, h)
		column(&caps, x, h, high)
		if d := n.Dark(); d >= worthHatch {
			s.hatch(place(i), count, h, tall(min(d, fullNight-min(fullNight, time.Duration(n.Sum.Condensing)))))
		}
		if n.Sum.Condensing > 0 && (i == most || numbered) {
			s.number(lc, n, place(i), count, max(h, high), i == most)
		}
		if desc.Len() > 0 {
			desc.WriteString("; ")
		}
		desc.WriteString(nightName(lc, n, zone) + " " + nightWords(lc, n))
	}
	s.Ink, s.Cap, s.Base, s.Before, s.Desc = ink.String(), caps.String(), base.String(), before.String(), desc.String()
	if most >= 0 {
		n := &nights[most]
		s.Most = lc.Say("most %s", hoursRange(lc, n.Sum.Condensing, n.Sum.CondensingLow, n.Sum.CondensingHigh))
	}
	return s
}

// tall returns the height of a column in px; anything above nothing shows.
func tall(d time.Duration) float64 {
	if d <= 0 {
		return 0
	}
	px := min(1, d.Hours()/fullNight.Hours()) * stripFull
	return max(0.6, math.Round(px*10)/10)
}

// column adds a rectangle that stands from low to high px above the base line.
func column(b *strings.Builder, x int, low, high float64) {
	if high-low < 0.05 {
		return
	}
	fmt.Fprintf(b, "M%d %gv-%gh%dv%gz", x+(columnStep-columnWide)/2, round1(stripFull-low), round1(high-low), columnWide, round1(high-low))
}

// hatch adds unknown time on top of a column.
func (s *strip) hatch(column, count int, low, high float64) {
	if high <= 0 {
		return
	}
	one := 100 / float64(count)
	side := one * (columnStep - columnWide) / columnStep / 2
	s.Dark = append(s.Dark, bar{
		X: fmt.Sprintf("%.2f%%", float64(column)*one+side), Wide: fmt.Sprintf("%.2f%%", one-2*side),
		Y: fmt.Sprintf("%.1f", stripAbove+stripFull-low-high), Tall: fmt.Sprintf("%.1f", high),
	})
}

func round1(x float64) float64 { return math.Round(x*10) / 10 }

func (s *strip) number(lc *words.Locale, n *view.Night, column, count int, height float64, most bool) {
	class := "n"
	if most {
		class = "n most"
	}
	s.Numbers = append(s.Numbers, stripNumber{
		X:     fmt.Sprintf("%.2f%%", (float64(column)+0.5)/float64(count)*100),
		Y:     fmt.Sprintf("%.1f", stripAbove+stripFull-height-3),
		Text:  hours(lc, n.Sum.Condensing),
		Class: class,
	})
}

// highest returns the index of the night that condensed longest, -1 if none
// did.
func highest(nights []view.Night) int {
	most := -1
	for i := range nights {
		if c := nights[i].Sum.Condensing; c > 0 && (most < 0 || c > nights[most].Sum.Condensing) {
			most = i
		}
	}
	return most
}

// nightWords says what a column shows.
func nightWords(lc *words.Locale, n *view.Night) string {
	switch {
	case !n.Installed:
		return lc.Say("not installed")
	case !n.Known() && n.Dark() < worthHatch:
		return lc.Say("has only begun")
	case !n.Known() && n.Sum.Unknown == 0:
		return lc.Say("not heard")
	case !n.Known():
		return lc.Say("unknown")
	}
	text := hoursRange(lc, n.Sum.Condensing, n.Sum.CondensingLow, n.Sum.CondensingHigh)
	if d := n.Dark(); d >= worthHatch {
		text += lc.Say(", %s\u00a0h unknown", hours(lc, int64(d)))
	}
	return text
}

// lastNights draws the nights of a row.
func lastNights(lc *words.Locale, r *view.Row, now unit.Instant) strip {
	zone := r.Station.Site.Zone
	nights := r.Nights.List()
	s := stripOf(lc, r.Station.ID, nights, zone, len(nights), func(i int) int { return i }, false)
	first, last := &nights[0], &nights[len(nights)-1]
	s.Title = lc.Say("Hours condensing per night, %d nights from %s", len(nights), nightName(lc, first, zone))
	s.First, s.Last = nightName(lc, first, zone), lc.Say("last night")
	if r.Nights.Last(now).From != last.From {
		s.Last = lc.Say("since noon")
	}
	return s
}

// monthNights draws the nights of a month, each at its day.
func monthNights(lc *words.Locale, id string, m *view.Month, zone *time.Location) strip {
	days := m.First.AddDate(0, 1, -1).Day()
	s := stripOf(lc, id, m.Nights, zone, days, func(i int) int { return m.Nights[i].From.Time().In(zone).Day() - 1 }, true)
	s.Title = lc.Say("Hours condensing per night, %s", lc.Format(m.First, "January 2006"))
	s.First, s.Last = lc.Format(m.First, "2 Jan"), lc.Format(m.First.AddDate(0, 1, -1), "2 Jan")
	return s
}
