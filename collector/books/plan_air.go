package books

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"dewpost/rules/round"
	"dewpost/rules/unit"
)

// holds is for how long an hour of a forecast holds at most: forecasts come in
// steps of one to six hours.
const holds = 6 * time.Hour

// forecasts reads what the forecasts of sites say of the days to plan: when the
// air is so near its dew point that no box should be opened. A forecast here
// knows temperature and dew point, not rain; rain comes with such air. Of what
// none speaks nothing is known, and a person looks.
func (p *Planner) forecasts(ctx context.Context, b *roundBuild, now unit.Instant) error {
	b.air = make(map[string]map[string][]round.Window)
	if b.set.damp == 0 {
		return nil
	}
	from := time.Date(b.first.Year(), b.first.Month(), b.first.Day(), 0, 0, 0, 0, b.set.zone)
	to := from.AddDate(0, 0, 7*b.asked.Weeks)
	for i := range b.needs {
		n := &b.needs[i]
		if _, done := b.air[n.Site]; done || !n.Dry || n.Site == "" {
			continue
		}
		b.air[n.Site] = nil
		hours, err := p.store.Forecast(ctx, n.Site, now, unit.At(from), unit.At(to))
		if err != nil {
			return err
		}
		damp := make(map[string][]round.Window)
		for i := range hours {
			if hours[i].Temp-hours[i].DewPoint >= b.set.damp {
				continue
			}
			begin := hours[i].Time.Time().In(b.set.zone)
			end := begin.Add(holds)
			if i+1 < len(hours) {
				end = hours[i+1].Time.Time().In(b.set.zone)
				end = begin.Add(min(end.Sub(begin), holds))
			}
			for ; begin.Before(end); begin = midnight(begin) { // each day that it touches
				last := int64(24 * 3600)
				if begin.Format(time.DateOnly) == end.Format(time.DateOnly) {
					last = sinceMidnight(end)
				}
				day := begin.Format(time.DateOnly)
				damp[day] = further(damp[day], round.Window{From: sinceMidnight(begin), To: last})
			}
		}
		if len(damp) > 0 {
			b.air[n.Site] = damp
		}
	}
	return nil
}

// midnight is the end of a day.
func midnight(t time.Time) time.Time {
	return time.Date(t.Year(), t.Month(), t.Day()+1, 0, 0, 0, 0, t.Location())
}

func sinceMidnight(t time.Time) int64 {
	return int64(t.Hour())*3600 + int64(t.Minute())*60 + int64(t.Second())
}

// further adds a window that begins at the end of the last one or later.
func further(list []round.Window, w round.Window) []round.Window {
	if n := len(list); n > 0 && list[n-1].To >= w.From {
		list[n-1].To = max(list[n-1].To, w.To)
		return list
	}
	return append(list, w)
}

// without returns what is left of windows that are in order, without others that
// are.
func without(windows, not []round.Window) (left []round.Window) {
	for _, w := range windows {
		for _, n := range not {
			if n.To <= w.From || n.From >= w.To {
				continue
			}
			if n.From > w.From {
				left = append(left, round.Window{From: w.From, To: n.From})
			}
			w.From = n.To
		}
		if w.From < w.To {
			left = append(left, w)
		}
	}
	return left
}

// airSays says what forecasts keep closed, in working hours: a sentence for each
// site, in order.
func (b *roundBuild) airSays() (says []string) {
	for _, site := range b.places {
		var days []string
		for i, date := range b.dates {
			day := &b.problem.Days[i]
			if i > 0 && b.dates[i-1] == date || len(b.air[site][date]) == 0 {
				continue
			}
			work := []round.Window{{From: day.Open, To: day.Close}}
			left := without(work, b.air[site][date])
			if slices.Equal(left, work) {
				continue
			}
			text := date
			for k, w := range left {
				text += []string{" but for ", " and "}[min(k, 1)] + clock(w.From) + " to " + clock(w.To)
			}
			days = append(days, text)
		}
		if len(days) > 0 {
			says = append(says, fmt.Sprintf("By the forecast of %s the air is too damp to open a box on %s.", b.siteName(site), strings.Join(days, ", ")))
		}
	}
	return says
}
