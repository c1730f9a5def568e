package breathing

import (
	"math"

	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// Baseline is how the box breathed when it was known to be good.
type Baseline struct {
	Set     bool               `json:"set"`
	From    int64              `json:"from"` // the first day after it
	Days    int                `json:"days"` // with a breathing time, so far
	TauH    float64            `json:"tau_h"`
	LowH    float64            `json:"low_h"`
	HighH   float64            `json:"high_h"` // the grid's end when unbounded
	P       []float64          `json:"p"`      // probability of each breathing time of the grid
	Unknown [nUnknowns]float64 `json:"unknown"`
	RMS     float64            `json:"rms"`  // hPa, what the fit left
	Open    bool               `json:"open"` // it never was tight
}

// Opening is what the watch for an opened seal keeps.
type Opening struct {
	Days []DayRatio `json:"days"` // of the longest stretch
	Shut int        `json:"shut"` // days in a row, while a finding lasts, on which the box was tight again
}

// DayRatio is what one day says by itself.
type DayRatio struct {
	Day   int64   `json:"d"`
	Ratio float64 `json:"r"`
}

// Judgement values of the sequential test, set with simulated boxes without a
// fault. See the package comment for its rate of false alarms.
const (
	baselineDays  = 21
	baselineSpan  = 3.0  // a day counts whose interval is narrower than this factor
	baselineSD    = 0.35 // of log τ: less certain is no baseline
	wander        = 0.25 // of log τ: wind, season, what else a good box does
	leastFall     = 2.0  // factor
	mostFall      = 25.0 // factor
	dayAgainst    = -0.7
	dayLimit      = 1.0
	daysFor       = 0.8
	leastDays     = 2
	misfit        = 2.5  // times what the baseline's fit left: the model knows not what goes on
	unwatched     = 4    // days at least, where no sensor on the cover tells dew from exchange
	wallsOnly     = 80.0 // h
	unwatchedLong = 7    // days, the same for a box that breathes slower than in wallsOnly: dew outweighs its exchange
	misfitLeast   = 0.04 // hPa
	longest       = 14   // days
	ratioLimit    = 10.0 // logarithm
	coverLimit    = 6.0  // with a sensor on the cover: dew can't be taken for exchange
	shortest      = 1.0  // h: shorter times are not told apart on hourly values
	openBelow     = 3.0  // h: effectively open (model figure, see the package comment)
	shutDays      = 3
)

// openSD are the deviations of the unknowns from those of the baseline.
var openSD = [nUnknowns]float64{0.02, 0.2, 0.5, 0.5}

// stretches of days that are asked for an opened seal.
var stretches = []int64{3, 4, 5, 7, 10, 14}

// rebase begins anew where the caller knows the box to be good again.
func (s *State) rebase(at unit.Instant, now *Facts) {
	from := int64(0)
	for _, b := range now.Baseline {
		if b.From < at {
			from = int64(b.From) / hourNs
		}
	}
	if from == s.Done.Rebased {
		return
	}
	s.Done.Rebased = from
	s.Tight, s.Opening, s.Wet, s.Wall = Baseline{}, Opening{}, Wetness{}, Walled{}
	for i := range s.Found {
		if f := &s.Found[i]; f.To == 0 {
			f.To = int64(at)
		}
	}
}

// endDay concludes a UTC day.
func (s *State) endDay(day int64, at unit.Instant, now *Facts) {
	for d := range s.fits {
		if d <= day-keepDays {
			delete(s.fits, d)
		}
	}
	est, p, ok := s.estimate(day)
	if ok {
		s.Days = append(s.Days, est)
		if est.Basis != Inside {
			s.TauH = est.TauH
		}
	} else if est, ok := s.insideOnly(day); ok {
		s.Days = append(s.Days, est)
	}
	if now.Sensor != Suspect {
		s.watchSeal(day, at, &est, &p, ok)
	}
	s.watchWall(day, at, now)
}

func (s *State) watchSeal(day int64, at unit.Instant, est *Day, p *[gridN]float64, ok bool) {
	if !s.Tight.Set {
		if ok && s.lasting(finding.WaterInside) == nil && est.HighH != nil && *est.HighH < baselineSpan*est.LowH {
			s.Tight.Days++
			s.setBaseline(day)
		}
		return
	}
	if f := s.lasting(finding.SealOpened); f != nil {
		s.watchShut(f, at, est, ok)
		return
	}
	if s.Tight.Open || s.lasting(finding.WaterInside) != nil {
		return
	}
	first, ok := s.opened(day)
	if !ok {
		return
	}
	recent := s.fit(first, day, &priorMean, &priorSD, 0)
	if !recent.ok {
		return
	}
	*p = recent.posterior()
	high := math.Exp(quantile(p, 0.95))
	if high > min(s.Tight.TauH/1.5, s.Tight.LowH) {
		return
	}
	tau := math.Exp(quantile(p, 0.5))
	confidence := 0.8
	evidence := []finding.Evidence{
		{Name: "breathing_time", Value: tau, Unit: "h"},
		{Name: "breathing_time_high", Value: high, Unit: "h"},
		{Name: "breathing_time_baseline", Value: s.Tight.TauH, Unit: "h"},
		{Name: "breathing_time_baseline_low", Value: s.Tight.LowH, Unit: "h"},
	}
	if jumps, rains := s.rainJumps((first-rainBefore)*24, tau); rains > 0 {
		evidence = append(evidence,
			finding.Evidence{Name: "rain_spells", Value: float64(rains)},
			finding.Evidence{Name: "vapour_jumps_after_rain", Value: float64(jumps)})
		if jumps > 0 {
			confidence = 0.95
		}
	}
	s.conclude(finding.SealOpened, first*24, at, confidence, evidence...)
	s.Opening = Opening{}
}

// setBaseline fixes the baseline when enough is known.
func (s *State) setBaseline(day int64) {
	t := &s.Tight
	if t.Days < baselineDays {
		return
	}
	f := s.fit(max(day-baselineDays+1, s.baseDay()), day, &priorMean, &priorSD, 0)
	if !f.ok {
		return
	}
	p := f.posterior()
	if spread(&p) > baselineSD {
		return
	}
	t.From, t.Set, t.P, t.Unknown, t.RMS = day+1, true, p[:], f.unknown, f.rms
	t.TauH, t.LowH, t.HighH = math.Exp(quantile(&p, 0.5)), math.Exp(quantile(&p, 0.05)), math.Exp(quantile(&p, 0.95))
	if t.HighH < openBelow {
		t.Open = true
	}
}

// Usual is how a box breathed when its baseline was taken.
type Usual struct {
	Day        string   `json:"day"`         // from which on later days are compared with it
	TauH       float64  `json:"tau_h"`       // median
	LowH       float64  `json:"low_h"`       // 5 % quantile
	HighH      *float64 `json:"high_h"`      // 95 % quantile; nil when the data set no bound
	NeverTight bool     `json:"never_tight"` // it was effectively open then, which is reported and not watched
}

// Usual returns how the box breathed when it was known to be good; false while
// that is not known.
func (s *State) Usual() (Usual, bool) {
	t := &s.Tight
	if !t.Set {
		return Usual{}, false
	}
	u := Usual{Day: dayName(t.From), TauH: t.TauH, LowH: t.LowH, NeverTight: t.Open}
	if high := t.HighH; high < gridHigh*0.99 {
		u.HighH = &high
	}
	return u, true
}

func spread(p *[gridN]float64) float64 {
	mean, square := 0.0, 0.0
	for k, w := range p {
		mean += w * grid[k].logTau
		square += w * grid[k].logTau * grid[k].logTau
	}
	return math.Sqrt(max(0, square-mean*mean))
}

// opened looks for a stretch of days up to the given one that speaks for a box
// that has opened, and returns its first day.
func (s *State) opened(day int64) (first int64, ok bool) {
	limit, least := ratioLimit, int64(unwatched)
	if s.day(day).cover > 0 {
		limit, least = coverLimit, stretches[0]
	}
	o := &s.Opening
	if f := s.fit(day, day, &s.Tight.Unknown, &openSD, s.Tight.RMS); f.ok {
		o.Days = append(o.Days, DayRatio{day, short(s.ratio(&f))})
	}
	for len(o.Days) > 0 && o.Days[0].Day <= day-longest {
		o.Days = o.Days[1:]
	}
	if least == unwatched && s.Tight.TauH > wallsOnly {
		least = unwatchedLong
	}
	best := limit
	for _, days := range stretches {
		from := max(day-days+1, s.Tight.From)
		if days < least || !o.agree(from) {
			continue
		}
		f := s.fit(from, day, &s.Tight.Unknown, &openSD, s.Tight.RMS)
		if !f.ok {
			continue
		}
		if r := s.ratio(&f); r > best && f.rms < misfit*max(s.Tight.RMS, misfitLeast) {
			best, first, ok = r, from, true
		}
	}
	return first, ok
}

// agree tells whether no day of a stretch speaks for the baseline, and enough
// of them together against it: a single odd day makes no opened seal.
func (o *Opening) agree(from int64) bool {
	sum, n := 0.0, 0
	for _, d := range o.Days {
		if d.Day < from {
			continue
		}
		if d.Ratio < dayAgainst {
			return false
		}
		sum += min(d.Ratio, dayLimit)
		n++
	}
	return n >= leastDays && sum > daysFor
}

// ratio returns how much likelier a stretch is of a box that has opened by
// leastFall to mostFall than of one that breathes as in the baseline, as a
// logarithm.
func (s *State) ratio(f *fitted) float64 {
	var same, open float64
	for k := range grid { // baseline
		if s.Tight.P[k] < 1e-6 {
			continue
		}
		var sumSame, sumOpen, wSame, wOpen float64
		for j := range grid { // now
			l := math.Exp(f.logL[j])
			d := grid[k].logTau - max(grid[j].logTau, math.Log(shortest))
			w := math.Exp(-d * d / (2 * wander * wander))
			wSame += w
			sumSame += w * l
			if d > math.Log(leastFall) && d < math.Log(mostFall) {
				wOpen++
				sumOpen += l
			}
		}
		same += s.Tight.P[k] * sumSame / wSame
		if wOpen > 0 {
			open += s.Tight.P[k] * sumOpen / wOpen
		}
	}
	return math.Log((open + 1e-9) / (same + 1e-9))
}

// watchShut ends a finding when the box has been as tight as before again.
func (s *State) watchShut(f *Found, at unit.Instant, est *Day, ok bool) {
	if !ok {
		return
	}
	if est.LowH < s.Tight.TauH/leastFall {
		s.Opening.Shut = 0
		return
	}
	if s.Opening.Shut++; s.Opening.Shut >= shutDays {
		f.To = int64(at)
		s.Opening = Opening{}
	}
}

// Rain that counts, and a jump after it: judgement values.
const (
	rainBegins = 0.2  // mm/h
	rainBefore = 7    // days before the stretch in which a jump speaks for it too
	rainDry    = 6    // h without rain before it
	rainReach  = 24   // h after it in which the jump comes
	jumpShare  = 0.08 // of saturation
)

// rainJumps counts the spells of rain from an hour on, and those after which
// the vapour in the box rose beyond what the exchange explains.
func (s *State) rainJumps(from int64, tau float64) (jumps, rains int) {
	x := s.excess(tau, 0)
	dry := 0
	for i := range x {
		h := &s.Hours[i]
		if h.Rain < rainBegins {
			dry++
			continue
		}
		if dry >= rainDry && h.At >= from && i > 0 {
			rains++
			before, rise := x[i-1].share(), 0.0
			for j := i; j < len(x) && s.Hours[j].At <= h.At+rainReach; j++ {
				rise = max(rise, x[j].share()-before)
			}
			if rise > jumpShare {
				jumps++
			}
		}
		dry = 0
	}
	return jumps, rains
}
