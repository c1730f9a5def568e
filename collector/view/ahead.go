package view

import (
	"cmp"
	"context"
	"maps"
	"math"
	"slices"
	"sync"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/exposure"
	"dewpost/rules/life"
	"dewpost/rules/outlook"
	"dewpost/rules/season"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

// Outlook is what is foretold of a station's coming night, or of the one under way,
// and how such outlooks did.
type Outlook struct {
	Tonight    *record.Outlook // the newest; nil: none
	Condensing outlook.Score   // of this station's evening outlooks
	AtRisk     outlook.Score
	Others     *outlook.Score // of all stations' for condensing nights, while this one's are few; nil: they are enough
}

// FewNights is up to how many nights a station's own score says little.
const FewNights = 30

// Outlook tells the outlook of a station now.
func (v *View) Outlook(ctx context.Context, id string) (o Outlook, err error) {
	now := v.instant()
	newest, err := v.store.Outlooks(ctx, id, now.Add(-2*day), now+1, 100)
	if err != nil {
		return o, err
	}
	if n := len(newest); n > 0 && newest[n-1].Until > now {
		o.Tonight = &newest[n-1]
	}
	own, err := v.store.OutlookResults(ctx, id, outlook.Evening)
	if err != nil {
		return o, err
	}
	o.Condensing, o.AtRisk = outlook.NewScore(), outlook.NewScore()
	for i := range own {
		if r := &own[i]; r.Until <= now {
			o.Condensing.Add(r.PCondensing, *r.ObservedCondensing)
			if r.ObservedAtRisk != nil {
				o.AtRisk.Add(r.PAtRisk, *r.ObservedAtRisk)
			}
		}
	}
	if o.Condensing.Nights >= FewNights {
		return o, nil
	}
	others, err := v.others.get(ctx, v.store, now)
	if err == nil {
		o.Others = &others
	}
	return o, err
}

// others is how the evening outlooks of all stations did, an hour ago at most: for
// that all of them are gone through.
type others struct {
	mu    sync.Mutex
	until unit.Instant
	score outlook.Score
}

func (o *others) get(ctx context.Context, store Store, now unit.Instant) (outlook.Score, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if now < o.until {
		return o.score, nil
	}
	score, err := store.OutlookScore(ctx, outlook.Evening)
	if err == nil {
		o.score, o.until = score, now.Add(time.Hour)
	}
	return score, err
}

// Outlooks lists what was foretold of a station's nights, by the time of issue; next
// is 0 at the end.
func (v *View) Outlooks(ctx context.Context, id string, from, to unit.Instant, limit int) (list []record.Outlook, next unit.Instant, err error) {
	if _, err := v.store.Station(ctx, id); err != nil {
		return nil, 0, err
	}
	list, err = v.store.Outlooks(ctx, id, from, to, limit+1)
	if err == nil && len(list) > limit {
		list, next = list[:limit], list[limit].Issued
	}
	return list, next, err
}

// Lessons are what looks into boxes taught; nil where nobody has looked yet. looks
// is how many there were.
func (v *View) Lessons(ctx context.Context) (lessons *life.Lessons, looks int, err error) {
	by, err := v.store.Looks(ctx)
	if err != nil {
		return nil, 0, err
	}
	var all []life.Look
	for _, id := range slices.Sorted(maps.Keys(by)) {
		all = append(all, by[id]...)
	}
	if len(all) == 0 {
		return nil, 0, nil
	}
	return life.Learn(all), len(all), nil
}

// YearAhead is what is to come of a station's board in the twelve months ahead, and
// what changes would have made of the weather that it had.
type YearAhead struct {
	Station               Station
	Months                []season.Month
	Dose, Low, High       float64 // h eq, of the months that are known
	Missing               int     // months of which nothing is known
	Budget                float64 // h eq; 0: the build is not recorded
	BudgetLow, BudgetHigh float64
	Learned               bool // the budget is what looks taught
	Tau                   float64
	Changes               []season.Result
}

// seasonYears is how many years back weather is taken.
const seasonYears = 3

// YearAhead tells a station's season ahead, with the changes that are asked about. An
// unknown change is a season.Unknown.
func (v *View) YearAhead(ctx context.Context, id string, changes []season.Change) (out YearAhead, err error) {
	r, err := v.store.Station(ctx, id)
	if err != nil {
		return out, err
	}
	b := v.books()
	if out.Station, err = b.station(ctx, r); err != nil {
		return out, err
	}
	s := &out.Station
	hours, err := v.trusted(ctx, id, Beginning, End)
	if err != nil {
		return out, err
	}
	from := b.at.Add(-seasonYears * 366 * day)
	air, err := v.outdoors(ctx, s, from, b.at)
	if err != nil {
		return out, err
	}
	climate := season.Rates{}
	vapour := make(map[unit.Instant]float64, len(air))
	for _, a := range air {
		climate.AddAir(a.Hour, a.Temp, a.RH)
		vapour[a.Hour] = season.Vapour(a.Temp, a.RH)
	}
	out.Months = season.Ahead(season.RatesOf(hours, b.at), climate, b.at)
	out.Dose, out.Low, out.High, out.Missing = season.Year(out.Months)
	lessons, _, err := v.Lessons(ctx)
	if err != nil {
		return out, err
	}
	if s.Build != "" {
		if out.Budget, out.BudgetLow, out.BudgetHigh, out.Learned, err = lessons.Budget(s.Build); err != nil {
			return out, err
		}
	}
	now, usual, err := v.store.BreathingNow(ctx, id)
	if err != nil {
		return out, err
	}
	switch {
	case now != nil:
		out.Tau = now.TauH
	case usual != nil:
		out.Tau = usual.TauH
	}
	out.Changes, err = season.Judge(v.weathered(s, hours, vapour, from), season.Box{Tau: out.Tau, Build: s.Build}, changes)
	return out, err
}

// weathered are the hours that are known, with the air outdoors where it is.
func (v *View) weathered(s *Station, hours []exposure.Hour, outdoors map[unit.Instant]float64, from unit.Instant) (list []season.Hour) {
	var nights *sun.Nights
	first, _ := slices.BinarySearchFunc(hours, from, func(h exposure.Hour, t unit.Instant) int { return cmp.Compare(h.Start, t) })
	for i := first; i < len(hours); i++ {
		h := &hours[i]
		if h.Known < int64(30*time.Minute) || math.IsNaN(h.InsideTempMean) || math.IsNaN(h.InsideRHMean) {
			continue
		}
		facts := s.factsAt(h.Start)
		if nights == nil {
			nights = sun.NewNights(facts.Place)
		}
		one := season.Hour{Start: h.Start, Temp: h.InsideTempMean, RH: h.InsideRHMean, Night: nights.At(h.Start)}
		if h.Basis == exposure.BasisAir {
			one.Cold = float64(facts.Allowance)
		}
		if e, ok := outdoors[h.Start]; ok {
			one.Out = &e
		}
		list = append(list, one)
	}
	return list
}
