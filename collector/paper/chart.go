package paper

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"codeberg.org/go-pdf/fpdf"

	"dewpost/collector/view"
	"dewpost/collector/words"
	"dewpost/rules/unit"
)

const (
	chartHigh = 38.0 // mm
	gutter    = 13.0 // mm, left of a chart, for its numbers
)

// drawSeries draws the margin of a box over a stretch of time, with where it
// was wet, and says the same in words.
func drawSeries(lc *words.Locale, s *sheet, c *view.Series) {
	lo, hi, ok := c.Range(view.MarginK)
	if !ok {
		s.para(lc.Say("No reading of temperature and humidity inside in these days."))
		return
	}
	zone := c.Station.Site.Zone
	s.room(chartHigh + 22)
	lo, hi = math.Floor(min(lo, -1)), math.Ceil(max(hi, 6))
	x0, y0, w := margin+gutter, s.GetY()+1, s.wide-gutter
	x := func(t unit.Instant) float64 { return x0 + w*float64(t-c.From)/float64(c.To-c.From) }
	y := func(v float64) float64 { return y0 + chartHigh*(hi-v)/(hi-lo) }
	s.SetFillColor(185, 205, 225)
	for _, i := range c.Wet {
		s.Rect(x(max(i.From, c.From)), y0, max(0.2, x(min(i.To, c.To))-x(max(i.From, c.From))), chartHigh, "F")
	}
	s.font("", 7.5)
	for _, line := range []struct {
		at   float64
		text string
	}{{0, lc.Say("0 K wet")}, {3, "3 K"}, {hi, fmt.Sprintf("%.0f K", hi)}} {
		s.SetLineWidth(0.15)
		s.Line(x0, y(line.at), x0+w, y(line.at))
		s.SetXY(margin, y(line.at)-1.8)
		s.CellFormat(gutter-1, 3.6, line.text, "", 0, "R", false, 0, "")
	}
	s.SetLineWidth(0.3)
	last := fpdf.PointType{X: -1}
	for i, t := range c.Time {
		v := c.Values[view.MarginK][i]
		if math.IsNaN(v) {
			last.X = -1
			continue
		}
		p := fpdf.PointType{X: x(t), Y: y(v)}
		if last.X >= 0 {
			s.Line(last.X, last.Y, p.X, p.Y)
		}
		last = p
	}
	days := max(1, int(c.To.Sub(c.From).Hours()/24/6))
	for d := dayOf(c.From, zone); unit.At(d) < c.To; d = d.AddDate(0, 0, days) {
		if at := unit.At(d); at >= c.From && x(at) < x0+w-8 {
			s.SetXY(x(at), y0+chartHigh)
			s.CellFormat(14, 4, lc.Format(d, "2 Jan"), "L", 0, "L", false, 0, "")
		}
	}
	s.font("", body)
	s.SetXY(margin, y0+chartHigh+5)
	s.para(lc.Say("How far the board was above dew or frost, from %s to %s; 0 K or less is wet, shaded. In the hours shown it condensed %s, and was at risk (3 K or less) %s; nothing is known of %.0f h.", lc.Format(dayOf(c.From, zone), "2 Jan 2006"), lc.Format(dayOf(c.To, zone), "2 Jan 2006"), condensed(lc, &c.Sum), hoursOf(lc, c.Sum.AtRisk, c.Sum.AtRiskLow, c.Sum.AtRiskHigh), unitHours(c.Sum.Unknown)))
}

func dayOf(t unit.Instant, zone *time.Location) time.Time {
	l := t.Time().In(zone)
	return time.Date(l.Year(), l.Month(), l.Day(), 0, 0, 0, 0, zone)
}

// bar is one column of a chart with its range; absent ones are empty.
type bar struct {
	name          string
	is, low, high float64
	absent        bool
	part          bool // not all of it is known
}

// drawBars draws columns with ranges; unit is said at the top.
func drawBars(s *sheet, unit string, bars []bar) {
	s.room(chartHigh + 14)
	most := 1.0 // of a chart without a column, too
	for _, b := range bars {
		if !b.absent {
			most = max(most, b.is, b.high)
		}
	}
	step := niceStep(most)
	top := math.Ceil(most/step) * step
	x0, y0, w := margin+gutter, s.GetY()+4, s.wide-gutter
	y := func(v float64) float64 { return y0 + chartHigh*(1-min(v, top)/top) }
	s.font("", 7.5)
	s.SetXY(margin, y0-4.5)
	s.CellFormat(gutter+30, 3.5, unit, "", 0, "L", false, 0, "")
	decimals := max(0, int(-math.Floor(math.Log10(step))))
	for i := range int(math.Round(top/step)) + 1 {
		v := step * float64(i)
		s.SetDrawColor(190, 190, 190)
		s.SetLineWidth(0.15)
		s.Line(x0, y(v), x0+w, y(v))
		s.SetDrawColor(0, 0, 0)
		s.SetXY(margin, y(v)-1.8)
		s.CellFormat(gutter-1.5, 3.6, strconv.FormatFloat(v, 'f', decimals, 64), "", 0, "R", false, 0, "")
	}
	wide := w / float64(max(1, len(bars)))
	every := max(1, int(math.Ceil(9/wide)))
	for i, b := range bars {
		x := x0 + wide*float64(i)
		if i%every == 0 {
			s.SetXY(x, y0+chartHigh+0.5)
			s.CellFormat(wide, 3.6, b.name, "", 0, "C", false, 0, "")
		}
		if b.absent {
			s.SetXY(x, y0+chartHigh-4)
			s.CellFormat(wide, 3.6, "–", "", 0, "C", false, 0, "")
			continue
		}
		s.SetFillColor(120, 150, 180)
		if b.part {
			s.SetFillColor(190, 205, 220)
		}
		s.Rect(x+wide*0.22, y(b.is), wide*0.56, y0+chartHigh-y(b.is), "F")
		s.SetLineWidth(0.35)
		mid := x + wide/2
		s.Line(mid, y(b.low), mid, y(b.high))
		s.Line(mid-1, y(b.low), mid+1, y(b.low))
		s.Line(mid-1, y(b.high), mid+1, y(b.high))
	}
	s.font("", body)
	s.SetXY(margin, y0+chartHigh+5)
}

// niceStep is a step of 1, 2 or 5 times a power of ten, of which three to six
// make up most.
func niceStep(most float64) float64 {
	ten := math.Pow(10, math.Floor(math.Log10(most/3)))
	for _, f := range []float64{1, 2, 5} {
		if most/(f*ten) <= 6 {
			return f * ten
		}
	}
	return 10 * ten
}
