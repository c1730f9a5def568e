package web

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"dewpost/collector/view"
	"dewpost/collector/words"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// sketch is a chart drawn on the server: surface and dew point, washed where
// they meet. It is what paper and browsers without scripts show. The drawing
// has a scale of its own and is stretched to the width there is; labels stand
// at percentages, so they keep their size.
type sketch struct {
	Any               bool
	Title, Desc       string
	Width, Height     int
	Surface, Dew      string // paths
	Wet, Grid         string
	Dark              []bar
	Scale             []sketchLabel
	Days              []sketchLabel
	Hours             []sketchLabel // on the wash, two lines a night
	SurfaceEnd, DewAt sketchLabel
}

type sketchLabel struct{ X, Y, Text, Class string }

const (
	sketchWide = 2000
	sketchTall = 220 // px, plot area
	sketchLift = 7   // px from a line up to the foot of its label
	sketchDrop = 16  // px from a line down to the foot of its label
)

type frame struct {
	from, to unit.Instant
	lo, hi   float64
}

func (f frame) x(t unit.Instant) float64 {
	return float64(t.Sub(f.from)) / float64(max(1, f.to.Sub(f.from))) * sketchWide
}

func (f frame) y(v float64) float64 { return (f.hi - v) / (f.hi - f.lo) * sketchTall }

// temperatures are the quantities in °C; the margin is in K.
var temperatures = []int{
	view.Surface, view.DewPoint, int(reading.InsideTemp), int(reading.BoardTemp), int(reading.CoverTemp), int(reading.OutsideTemp),
}

// inDegrees returns a series with temperatures as the person reads them, and the
// units of those and of the margin.
func inDegrees(lc *words.Locale, s *view.Series) (converted *view.Series, degrees, kelvins string) {
	_, degrees = lc.Temp(0)
	_, kelvins = lc.Warmth(0)
	if !lc.Fahrenheit {
		return s, degrees, kelvins
	}
	c := *s
	each := func(quantity int, of func(float64) (float64, string)) {
		c.Values[quantity] = slices.Clone(c.Values[quantity])
		for i, v := range c.Values[quantity] {
			c.Values[quantity][i], _ = of(v)
		}
	}
	for _, q := range temperatures {
		each(q, lc.Temp)
	}
	each(view.MarginK, lc.Warmth)
	return &c, degrees, kelvins
}

func sketchOf(lc *words.Locale, s *view.Series) sketch {
	s, degrees, kelvins := inDegrees(lc, s)
	k := sketch{Width: sketchWide, Height: sketchTall}
	lo, hi, ok := s.Range(view.Surface)
	dewLo, dewHi, dewOK := s.Range(view.DewPoint)
	zone := s.Station.Site.Zone
	k.Title = lc.Say("Surface and dew point, %s to %s", stamp(lc, s.From, zone), stamp(lc, s.To, zone))
	k.Desc = seriesWords(lc, s, degrees, kelvins)
	if !ok || !dewOK {
		return k
	}
	k.Any = true
	lo, hi = min(lo, dewLo), max(hi, dewHi)
	step := gridStep(hi - lo)
	f := frame{s.From, s.To, math.Floor(lo/step) * step, math.Ceil(hi/step) * step}
	if f.lo == f.hi {
		f.hi += step
	}
	for v := f.lo; v <= f.hi+step/2; v += step {
		k.Grid += fmt.Sprintf("M0 %.1fH%d", f.y(v), sketchWide)
		k.Scale = append(k.Scale, sketchLabel{X: "0", Y: fmt.Sprintf("%.1f", f.y(v)-3), Text: plain(lc, v, 0)})
	}
	k.Surface, k.Dew = linePath(f, s, view.Surface), linePath(f, s, view.DewPoint)
	k.Wet, k.Dark = stretches(f, s.Wet), bars(f, s.Dark)
	k.Days, k.Hours = dayLabels(lc, f, zone), hourLabels(lc, f, s)
	k.SurfaceEnd, k.DewAt = endLabels(lc, f, s)
	return k
}

// gridStep returns the distance of scale lines for a span of °C.
func gridStep(span float64) float64 {
	for _, step := range []float64{1, 2, 5, 10, 20} {
		if span/step <= 7 {
			return step
		}
	}
	return 50
}

// linePath draws a quantity; where it is absent or nothing is known the line
// breaks.
func linePath(f frame, s *view.Series, q int) string {
	var b strings.Builder
	pen := "M"
	dark := 0
	for i, v := range s.Values[q] {
		for dark < len(s.Dark) && s.Dark[dark].To <= s.Time[i] {
			dark++
			pen = "M"
		}
		if math.IsNaN(v) {
			pen = "M"
			continue
		}
		fmt.Fprintf(&b, "%s%.1f %.1f", pen, f.x(s.Time[i]), f.y(v))
		pen = "L"
	}
	return b.String()
}

func stretches(f frame, list []view.Interval) string {
	var b strings.Builder
	for _, v := range list {
		x := f.x(v.From)
		fmt.Fprintf(&b, "M%.1f 0h%.1fv%dh-%.1fz", x, max(1, f.x(v.To)-x), sketchTall, max(1, f.x(v.To)-x))
	}
	return b.String()
}

func bars(f frame, list []view.Interval) []bar {
	var out []bar
	for _, v := range list {
		x := f.x(v.From) / sketchWide
		out = append(out, bar{
			X: fmt.Sprintf("%.2f%%", x*100), Wide: fmt.Sprintf("%.2f%%", max(0.1, (f.x(v.To)/sketchWide-x)*100)),
			Y: "0", Tall: fmt.Sprint(sketchTall),
		})
	}
	return out
}

const mostDayLabels = 8

// dayLabels stand in the middle of the days shown, as many as there is room
// for; on narrow pages every other one is left out.
func dayLabels(lc *words.Locale, f frame, zone *time.Location) []sketchLabel {
	length := f.to.Sub(f.from)
	every := max(1, int(math.Ceil(length.Hours()/24/mostDayLabels)))
	local := f.from.Time().In(zone)
	var labels []sketchLabel
	for i := 0; ; i += every {
		noon := unit.At(time.Date(local.Year(), local.Month(), local.Day()+i, 12, 0, 0, 0, zone))
		if noon > f.to {
			return labels
		}
		x := f.x(noon) / sketchWide
		if x < 0.03 || x > 0.97 {
			continue
		}
		text := lc.Format(noon.Time().In(zone), "Mon 2")
		if every > 6 {
			text = lc.Format(noon.Time().In(zone), "2 Jan 06")
		}
		class := "day"
		if len(labels)%2 == 1 {
			class = "day odd"
		}
		labels = append(labels, sketchLabel{X: fmt.Sprintf("%.2f%%", x*100), Text: text, Class: class})
	}
}

const hoursApart = 0.09 // of the width, between two labels on the wash

// hourLabels write on the wash how long each night condensed, and the range
// under it. Where two would touch, the longer night keeps its label.
func hourLabels(lc *words.Locale, f frame, s *view.Series) []sketchLabel {
	if len(s.Nights) > mostDayLabels+1 {
		return nil
	}
	nights := slices.Clone(s.Nights)
	slices.SortStableFunc(nights, func(a, b view.Night) int { return cmp.Compare(b.Sum.Condensing, a.Sum.Condensing) })
	var taken []float64
	var labels []sketchLabel
	for i := range nights {
		n := &nights[i]
		at, ok := n.Middle(s.Wet)
		x := f.x(at) / sketchWide
		tooClose := func(other float64) bool { return math.Abs(other-x) < hoursApart }
		if !ok || n.Sum.Condensing == 0 || x < 0.04 || x > 0.96 || slices.ContainsFunc(taken, tooClose) {
			continue
		}
		taken = append(taken, x)
		percent := fmt.Sprintf("%.2f%%", x*100)
		labels = append(labels,
			sketchLabel{X: percent, Y: "14", Text: hours(lc, n.Sum.Condensing) + space + "h"},
			sketchLabel{X: percent, Y: "29", Text: lc.Say("%s to %s", hours(lc, n.Sum.CondensingLow), hours(lc, n.Sum.CondensingHigh))})
	}
	return labels
}

// endLabels name the lines where they end, apart from each other.
func endLabels(lc *words.Locale, f frame, s *view.Series) (surface, dew sketchLabel) {
	last := func(q int) float64 {
		for i := len(s.Values[q]) - 1; i >= 0; i-- {
			if v := s.Values[q][i]; !math.IsNaN(v) {
				return f.y(v)
			}
		}
		return 0
	}
	a, b := last(view.Surface), last(view.DewPoint)
	if a <= b {
		a, b = a-sketchLift, b+sketchDrop
	} else {
		a, b = a+sketchDrop, b-sketchLift
	}
	lowest, top := float64(sketchTall-4), 12.0
	if over := max(a, b) - lowest; over > 0 {
		a, b = a-over, b-over
	}
	if under := top - min(a, b); under > 0 {
		a, b = a+under, b+under
	}
	return sketchLabel{X: "100%", Y: fmt.Sprintf("%.1f", a), Text: lc.Say("surface")},
		sketchLabel{X: "100%", Y: fmt.Sprintf("%.1f", b), Text: lc.Say("dew point")}
}

// seriesWords says in a sentence what a chart shows.
func seriesWords(lc *words.Locale, s *view.Series, degrees, kelvins string) string {
	if s.Readings == 0 {
		return lc.Say("Nothing was heard in this time.")
	}
	var parts []string
	for _, q := range []struct {
		name     string
		quantity int
		unit     string
		decimals int
	}{
		{lc.Say("surface"), view.Surface, degrees, 1},
		{lc.Say("dew point"), view.DewPoint, degrees, 1},
		{lc.Say("margin"), view.MarginK, kelvins, 1},
		{lc.Say("humidity inside"), int(reading.InsideRH), "%RH", 0},
		{lc.Say("line current"), int(reading.LineCurrent), "mA", 1},
	} {
		if lo, hi, ok := s.Range(q.quantity); ok {
			parts = append(parts, lc.Say("%s %s to %s\u00a0%s", q.name, plain(lc, lo, q.decimals), plain(lc, hi, q.decimals), q.unit))
		}
	}
	h := &s.Sum
	parts = append(parts, lc.Say("condensing for %s", hoursRange(lc, h.Condensing, h.CondensingLow, h.CondensingHigh)))
	if h.Unknown > 0 {
		parts = append(parts, lc.Say("%s\u00a0h unknown", hours(lc, h.Unknown)))
	}
	return capital(strings.Join(parts, "; ")) + "."
}
