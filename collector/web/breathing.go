package web

import (
	"fmt"
	"math"
	"net/http"
	"strings"
	"time"

	"dewpost/collector/view"
	"dewpost/collector/words"
	"dewpost/rules/breathing"
	"dewpost/rules/unit"
)

func (s *server) apiBreathing(w http.ResponseWriter, r *http.Request) error {
	q := ask(r, "from", "to", "limit", "next")
	from, to := q.interval(view.Beginning, view.End)
	first, end := dayFrom(from), dayFrom(to)
	if begin := ""; q.next(&begin) {
		if begin < first || begin >= end {
			q.refuse("next", q.values.Get("next"), "send the same from and to as with the page before")
		}
		first = begin
	}
	limit := q.limit()
	if q.err != nil {
		return q.err
	}
	days, next, err := s.cfg.View.Breathing(r.Context(), r.PathValue("id"), first, end, limit)
	if err != nil {
		return err
	}
	out := list[breathing.Day]{Items: days}
	if days == nil {
		out.Items = []breathing.Day{}
	}
	if next != "" {
		if out.Next, err = cursor(next); err != nil {
			return err
		}
	}
	return sendJSON(w, r, out)
}

// dayFrom returns the first UTC day that begins at t or later.
func dayFrom(t unit.Instant) string {
	if d := t.Floor(24 * time.Hour); d < t && t < view.End {
		t = d.Add(24 * time.Hour)
	}
	switch day := t.Time().UTC(); {
	case t == view.End:
		return "9999"
	default:
		return day.Format(time.DateOnly)
	}
}

// basisWords say where the air outdoors was heard.
var basisWords = map[breathing.Basis]string{
	breathing.Own:     "air outdoors heard by its own sensor",
	breathing.Site:    "air outdoors heard by another sensor of the site",
	breathing.Weather: "air outdoors as observed weather has it",
	breathing.Inside:  "nothing heard of the air outdoors, so only a hint from how restless the air in the box is",
}

// breathPage is what a card says of how open a box is.
type breathPage struct {
	Says, Usual string
	Desc        string
	Band, Line  string // paths
	UsualLine   string
	Scale       []sketchLabel
	Width, Tall int
	Days        []breathDay
}

type breathDay struct{ Day, Tau, Range, Over, Basis string }

const (
	breathTall = 120
	breathLow  = 0.5 // h, at the foot of the drawing
	breathHigh = 500 // h, at its top
)

func breathOf(lc *words.Locale, c *view.Card) *breathPage {
	b := &c.Breath
	if b.Now == nil {
		return nil
	}
	p := &breathPage{Width: sketchWide, Tall: breathTall}
	p.Says = lc.Say("The air in the box is exchanged in about %s (%s, nine in ten), as the %d days up to %s tell; %s.", tauAbout(lc, b.Now.TauH), tauRange(lc, b.Now.LowH, b.Now.HighH), b.Now.WindowD, date(lc, b.Now.Day), lc.Say(basisWords[b.Now.Basis]))
	switch u := b.Usual; {
	case u == nil && b.Now.Basis == breathing.Inside:
		p.Usual = lc.Say("Whether its seal has opened can't be told without the air outdoors: give the site an outdoor sensor, or weather.")
	case u == nil:
		p.Usual = lc.Say("Not enough is known yet of how it breathed when it was good to tell whether that changed.")
	case u.NeverTight:
		p.Usual = lc.Say("It was never tight: it breathed in %s already when its baseline was taken, so an opened seal can't be told.", tauRange(lc, u.LowH, u.HighH))
	case u.Fed:
		p.Usual = lc.Say("When its baseline was taken, before %s, it was about %s, but more vapour came in than the air outdoors brings, as from a house, which makes a box seem tighter: an opened seal is looked for once that is little.", date(lc, u.Day), tauAbout(lc, u.TauH))
	default:
		p.Usual = lc.Say("When its baseline was taken, before %s, it was %s (%s).", date(lc, u.Day), tauAbout(lc, u.TauH), tauRange(lc, u.LowH, u.HighH))
	}
	p.draw(lc, c)
	for i := len(b.Days) - 1; i >= 0; i-- {
		d := &b.Days[i]
		p.Days = append(p.Days, breathDay{date(lc, d.Day), tauAbout(lc, d.TauH), tauRange(lc, d.LowH, d.HighH), lc.Say("%d days", d.WindowD), lc.Say(basisWords[d.Basis])})
	}
	return p
}

// draw draws the days, on a scale of hours on which a step is a factor.
func (p *breathPage) draw(lc *words.Locale, c *view.Card) {
	days := c.Breath.Days
	if len(days) < 2 {
		return
	}
	at := func(day string) float64 {
		t, err := time.Parse(time.DateOnly, day)
		if err != nil {
			return math.NaN()
		}
		return float64(t.Unix()) / 86400
	}
	first, last := at(days[0].Day), at(days[len(days)-1].Day)
	x := func(day string) float64 { return (at(day) - first) / max(1, last-first) * sketchWide }
	y := func(h float64) float64 {
		h = min(max(h, breathLow), breathHigh)
		return breathTall * (1 - math.Log(h/breathLow)/math.Log(breathHigh/breathLow))
	}
	var upper, lower, line strings.Builder
	for i := range days {
		d := &days[i]
		high := float64(breathHigh)
		if d.HighH != nil {
			high = *d.HighH
		}
		pen := "L"
		if i == 0 {
			pen = "M"
		}
		fmt.Fprintf(&upper, "%s%.1f %.1f", pen, x(d.Day), y(high))
		fmt.Fprintf(&line, "%s%.1f %.1f", pen, x(d.Day), y(d.TauH))
		e := &days[len(days)-1-i]
		fmt.Fprintf(&lower, "L%.1f %.1f", x(e.Day), y(e.LowH))
	}
	p.Band, p.Line = upper.String()+lower.String()+"z", line.String()
	for _, h := range []float64{1, 10, 100} {
		p.Scale = append(p.Scale, sketchLabel{X: "0", Y: fmt.Sprintf("%.1f", y(h)-3), Text: fmt.Sprintf("%.0f h", h)})
		p.UsualLine += fmt.Sprintf("M0 %.1fH%d", y(h), sketchWide)
	}
	p.Desc = lc.Say("Breathing time by day from %s to %s, with the range that holds it nine times in ten: from %s to %s.", date(lc, days[0].Day), date(lc, days[len(days)-1].Day), tauAbout(lc, days[0].TauH), tauAbout(lc, days[len(days)-1].TauH))
}

// tauAbout writes a span of hours with two figures.
func tauAbout(lc *words.Locale, h float64) string {
	if h < 10 {
		return plain(lc, h, 1) + " h"
	}
	return plain(lc, h, 0) + " h"
}

func tauRange(lc *words.Locale, low float64, high *float64) string {
	if high == nil {
		return lc.Say("at least %s", tauAbout(lc, low))
	}
	return lc.Say("%s to %s", strings.TrimSuffix(tauAbout(lc, low), " h"), tauAbout(lc, *high))
}
