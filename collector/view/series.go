package view

import (
	"context"
	"math"
	"time"

	"dewpost/rules/exposure"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Quantities of a series beyond the channels.
const (
	Surface    = int(reading.NumChannels) + iota // °C, what stands for the board's surface
	DewPoint                                     // °C, over water, of the air inside
	MarginK                                      // K
	quantities                                   // how many there are
)

// QuantityName returns the name of a quantity of a series: a channel's, or one
// of those that follow from them.
func QuantityName(q int) string {
	switch q {
	case Surface:
		return "surface_c"
	case DewPoint:
		return "dew_point_c"
	case MarginK:
		return "margin_k"
	}
	return reading.Channel(q).Name()
}

// Interval is a stretch of time, [From, To).
type Interval struct{ From, To unit.Instant }

// Series is a station's readings in [From, To), thinned for a chart.
type Series struct {
	Station  Station
	From, To unit.Instant
	Readings int // instants before thinning
	Time     []unit.Instant
	Values   [quantities][]float64 // NaN: absent; nil: never there
	Wet      []Interval            // condensing, at the resolution of the chart
	Dark     []Interval            // nothing known
	Nights   []Night               // that touch what was heard of [From, To)
	Sum      exposure.Hour         // of the ledger hours that begin in [From, To)
}

// Range returns the smallest and largest value of a quantity; ok is false when
// it is absent throughout.
func (s *Series) Range(q int) (lo, hi float64, ok bool) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for _, x := range s.Values[q] {
		if !math.IsNaN(x) {
			lo, hi = min(lo, x), max(hi, x)
		}
	}
	return lo, hi, lo <= hi
}

// drawn is the number of steps to which stretches of a chart are told apart: a
// few pixels each.
const drawn = 300

// chunk is how much of a series is held in memory before thinning.
const chunk = 15 * day

// Series returns at most points instants of [from, to); Beginning and End stand
// for the first and the newest reading. Where there are more, time is cut into
// buckets, and of each the first and last instant stay and those at which a
// quantity is smallest or largest: no peak is lost and none made up.
func (v *View) Series(ctx context.Context, id string, from, to unit.Instant, points int) (Series, error) {
	r, err := v.store.Station(ctx, id)
	if err != nil {
		return Series{}, err
	}
	s, err := v.books().station(ctx, r)
	if err != nil {
		return Series{}, err
	}
	return v.series(ctx, s, from, to, points)
}

func (v *View) series(ctx context.Context, s Station, from, to unit.Instant, points int) (Series, error) {
	first, last, ok, err := v.store.Span(ctx, s.ID)
	if err != nil {
		return Series{}, err
	}
	if from == Beginning {
		from = min(first, to)
	}
	if to == End {
		to = max(last+1, from)
	}
	out := Series{Station: s, From: from, To: to}
	if !ok || from >= to {
		return out, nil
	}
	p := newPlotter(&s, max(from, first), min(to, last+1), points)
	if err := v.prime(ctx, s.ID, max(from, first), &p.past); err != nil {
		return out, err
	}
	for t := max(from, first); t < min(to, last+1); t = t.Add(chunk) {
		rs, err := v.store.Readings(ctx, s.ID, t, min(t.Add(chunk), to))
		if err != nil {
			return out, err
		}
		rs = reading.Merge(rs)
		for i := range rs {
			p.add(&rs[i])
		}
	}
	p.result(&out)
	nights, hours, err := v.nightsBetween(ctx, &s, max(from, first), min(to, last), first)
	out.Nights, out.Sum = nights, sum(hours, from, to)
	return out, err
}

// nightsBetween returns the nights that touch [from, to], filled, and the hours
// that they were filled from.
func (v *View) nightsBetween(ctx context.Context, s *Station, from, to, first unit.Instant) ([]Night, []exposure.Hour, error) {
	if from > to {
		return nil, nil, nil
	}
	nights := nightsUntil(from, to, s.Site.Zone)
	hours, err := v.store.Hours(ctx, s.ID, nights[0].From.Floor(time.Hour), nights[len(nights)-1].To)
	if err != nil {
		return nil, nil, err
	}
	fill(nights, hours, first, v.instant())
	return nights, hours, nil
}

// plotter takes in a station's merged readings in time order.
type plotter struct {
	station *Station
	thin    thinner
	merge   time.Duration // stretches closer than this are one
	count   int
	last    instant
	past    exposure.Past
	wet     []Interval
	dark    []Interval
}

// instant is one reading with what follows from it.
type instant struct {
	at    unit.Instant
	known bool
	state
	facts             exposure.Facts
	coolHour, coolSix float64 // K/h
}

// under is the surface on basis air under other facts.
func (i *instant) under(f *exposure.Facts) float64 {
	return i.temp - float64(f.AllowanceAt(i.at, i.temp, i.rh, i.coolHour, i.coolSix))
}

func newPlotter(s *Station, from, to unit.Instant, points int) *plotter {
	return &plotter{station: s, thin: newThinner(from, to, points), merge: to.Sub(from) / drawn}
}

func (p *plotter) add(r *reading.Reading) {
	now := instant{at: r.Time, facts: p.station.factsAt(r.Time)}
	if now.state, now.known = stateOf(r); now.known {
		now.coolHour, now.coolSix = p.past.Cooling(r.Time, now.temp)
		now.air = now.under(&now.facts)
	}
	if p.count > 0 {
		p.segment(&p.last, &now)
	}
	p.count++
	p.thin.add(rowOf(r, &now))
	p.last = now
}

// segment notes where the stretch between two readings is wet or unknown, by
// the rules of the ledger.
func (p *plotter) segment(a, b *instant) {
	if !a.known || !b.known || b.at.Sub(a.at) > a.facts.MaxGap {
		p.dark = p.extend(p.dark, Interval{a.at, b.at})
		return
	}
	sa, sb := a.under(&a.facts), b.under(&a.facts)
	if a.hasBoard && b.hasBoard {
		sa, sb = a.board, b.board
	}
	x, y := a.margin(sa), b.margin(sb)
	if x > 0 && y > 0 {
		return
	}
	wet := Interval{a.at, b.at}
	cross := func() unit.Instant { return a.at.Add(time.Duration(x / (x - y) * float64(b.at.Sub(a.at)))) }
	if x > 0 {
		wet.From = cross()
	}
	if y > 0 {
		wet.To = cross()
	}
	p.wet = p.extend(p.wet, wet)
}

// extend appends a stretch, or makes the last one longer when nothing that
// could be drawn lies between them.
func (p *plotter) extend(list []Interval, i Interval) []Interval {
	if n := len(list); n > 0 && i.From.Sub(list[n-1].To) <= p.merge {
		list[n-1].To = i.To
		return list
	}
	return append(list, i)
}

func rowOf(r *reading.Reading, s *instant) row {
	w := row{at: r.Time}
	for c := range reading.NumChannels {
		w.values[c] = math.NaN()
		if x, ok := r.Get(c); ok {
			w.values[c] = x
		}
	}
	w.values[Surface], w.values[DewPoint], w.values[MarginK] = math.NaN(), math.NaN(), math.NaN()
	if s.known {
		w.values[Surface] = milli(s.surface())
		w.values[DewPoint] = milli(s.dew)
		w.values[MarginK] = milli(s.margin(s.surface()))
	}
	return w
}

// milli rounds to a thousandth: a chart needs no more.
func milli(x float64) float64 { return math.Round(x*1000)/1000 + 0 }

func (p *plotter) result(out *Series) {
	rows := p.thin.rows()
	out.Readings, out.Wet, out.Dark = p.count, p.wet, p.dark
	out.Time = make([]unit.Instant, len(rows))
	for i := range rows {
		out.Time[i] = rows[i].at
	}
	for q := range quantities {
		values := make([]float64, len(rows))
		there := false
		for i := range rows {
			values[i] = rows[i].values[q]
			there = there || !math.IsNaN(values[i])
		}
		if there {
			out.Values[q] = values
		}
	}
}
