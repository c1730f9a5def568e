package view

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// Stretch is how long the periods of an exposure are.
type Stretch string

// The stretches: calendar months, seasons of three months (winter begins in
// December, as meteorologists count), calendar years; in the site's time.
const (
	ByMonth  Stretch = "month"
	BySeason Stretch = "season"
	ByYear   Stretch = "year"
)

// start returns when the stretch that holds t begins.
func (s Stretch) start(t unit.Instant, zone *time.Location) time.Time {
	local := t.Time().In(zone)
	year, month := local.Year(), local.Month()
	switch s {
	case BySeason:
		month -= month % 3 // December is month 0 of the next year
	case ByYear:
		month = time.January
	case ByMonth:
	}
	return time.Date(year, month, 1, 0, 0, 0, 0, zone)
}

// next returns when the stretch after one begins.
func (s Stretch) next(begin time.Time) time.Time {
	months := map[Stretch]int{ByMonth: 1, BySeason: 3, ByYear: 12}[s]
	return time.Date(begin.Year(), begin.Month()+time.Month(months), 1, 0, 0, 0, 0, begin.Location())
}

// Period is a stretch of a station's record, cut to what was asked for.
type Period struct {
	Begin time.Time     // of the whole stretch, in the site's time
	Sum   exposure.Hour // times and dose of the hours that begin in it
}

// Enough tells whether so much of the period is known that a night of it can be
// told: a week.
func (p *Period) Enough() bool { return p.Sum.Known >= int64(weekNights*day) }

// ANight returns how long a night (noon to noon) was condensing on average,
// with its range, by what is known: unknown time counts as the known.
func (p *Period) ANight() (condensing, low, high time.Duration) {
	if p.Sum.Known == 0 {
		return 0, 0, 0
	}
	share := func(ns int64) time.Duration {
		return time.Duration(float64(ns) / float64(p.Sum.Known) * float64(day))
	}
	return share(p.Sum.Condensing), share(p.Sum.CondensingLow), share(p.Sum.CondensingHigh)
}

// Exposed is what a station went through.
type Exposed struct {
	Station Station
	All     Period   // Begin is that of the first period
	Periods []Period // each stretch of the question, also those of which nothing is known
	Builds  []BuildPeriod
	Common  exposure.Hour // the nights that are known of all stations of the question
}

// BuildPeriod is what a station went through while it was of one build.
type BuildPeriod struct {
	Build string
	Sum   exposure.Hour
}

// Exposure is the exposure of stations over the same time.
type Exposure struct {
	From, To unit.Instant
	By       Stretch
	Rows     []Exposed     // longest condensing a night first, those of which too little is known last
	Builds   []BuildPeriod // by kind, all rows together
	Nights   int           // known of all rows
}

// MostExposed is how many stations one question compares.
const MostExposed = 60

// Exposure compares stations between two instants. Unknown ids are
// record.ErrNotFound.
func (v *View) Exposure(ctx context.Context, ids []string, from, to unit.Instant, by Stretch) (Exposure, error) {
	e := Exposure{From: from, To: to, By: by}
	b := v.books()
	var nights map[unit.Instant]int
	known := make([]map[unit.Instant]exposure.Hour, len(ids))
	for i, id := range ids {
		r, err := v.store.Station(ctx, id)
		if err != nil {
			return e, fmt.Errorf("station %s: %w", id, err)
		}
		row, own, err := v.exposed(ctx, b, r, from, to, by)
		if err != nil {
			return e, fmt.Errorf("station %s: %w", id, err)
		}
		known[i] = own
		if nights == nil {
			nights = make(map[unit.Instant]int)
		}
		for n := range own {
			nights[n]++
		}
		e.Rows = append(e.Rows, row)
	}
	for n, of := range nights {
		if of != len(ids) {
			continue
		}
		e.Nights++
		for i := range e.Rows {
			h := known[i][n]
			e.Rows[i].Common.Add(&h)
		}
	}
	for i := range e.Rows {
		for _, p := range e.Rows[i].Builds {
			e.Builds = addBuild(e.Builds, p.Build, &p.Sum)
		}
	}
	slices.SortStableFunc(e.Rows, byANight)
	slices.SortFunc(e.Builds, func(a, b BuildPeriod) int { return cmp.Compare(a.Build, b.Build) })
	return e, nil
}

func byANight(a, b Exposed) int {
	rank := func(e *Exposed) int {
		if e.All.Enough() {
			return 0
		}
		return 1
	}
	longA, _, _ := a.All.ANight()
	longB, _, _ := b.All.ANight()
	return cmp.Or(cmp.Compare(rank(&a), rank(&b)), cmp.Compare(longB, longA), cmp.Compare(a.Station.Name, b.Station.Name), cmp.Compare(a.Station.ID, b.Station.ID))
}

// exposed sums one station's hours, and its nights of which most is known.
func (v *View) exposed(ctx context.Context, b *books, r record.Station, from, to unit.Instant, by Stretch) (Exposed, map[unit.Instant]exposure.Hour, error) {
	var e Exposed
	var err error
	if e.Station, err = b.station(ctx, r); err != nil {
		return e, nil, err
	}
	facts, err := v.store.Facts(ctx, fact.Subject{Kind: fact.KindStation, ID: r.ID})
	if err != nil {
		return e, nil, err
	}
	hours, err := v.store.Hours(ctx, r.ID, from, to)
	if err != nil {
		return e, nil, err
	}
	zone := e.Station.Site.Zone
	for begin := by.start(from, zone); unit.At(begin) < to; begin = by.next(begin) {
		e.Periods = append(e.Periods, Period{Begin: begin})
	}
	nights := make(map[unit.Instant]exposure.Hour)
	at := 0
	noon, nextNoon := unit.Instant(0), unit.Instant(0)
	for i := range hours {
		h := &hours[i]
		for at+1 < len(e.Periods) && h.Start >= unit.At(e.Periods[at+1].Begin) {
			at++
		}
		e.All.Sum.Add(h)
		e.Periods[at].Sum.Add(h)
		build, _ := fact.At(facts, fact.Build, h.Start)
		e.Builds = addBuild(e.Builds, build, h)
		if h.Start >= nextNoon {
			noon = noonBefore(h.Start, zone)
			nextNoon = noonBefore(noon.Add(day+12*time.Hour), zone)
		}
		n := nights[noon]
		n.Add(h)
		nights[noon] = n
	}
	for noon, n := range nights {
		if n.Known < int64(20*time.Hour) {
			delete(nights, noon)
		}
	}
	if len(e.Periods) > 0 {
		e.All.Begin = e.Periods[0].Begin
	}
	return e, nights, nil
}

func addBuild(list []BuildPeriod, build string, h *exposure.Hour) []BuildPeriod {
	i := slices.IndexFunc(list, func(p BuildPeriod) bool { return p.Build == build })
	if i < 0 {
		i = len(list)
		list = append(list, BuildPeriod{Build: build})
	}
	list[i].Sum.Add(h)
	return list
}
