package breathing

import (
	"cmp"
	"math"
	"slices"

	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// Baseline is how the box breathed when it was known to be good.
type Baseline struct {
	Set     bool    `json:"set"`
	From    int64   `json:"from"`    // the first day after it
	Watched int64   `json:"watched"` // the first day that may be of an opened seal
	Days    int     `json:"days"`    // with a breathing time, so far
	Signs   int     `json:"signs"`   // days in a row that spoke for an opened seal
	Spoke   float64 `json:"spoke"`   // … and how clearly all of them
	Shut    int     `json:"shut"`    // … and, while a finding lasts, for one that is shut
	Hourly  Norm    `json:"hourly"`
	Daily   Norm    `json:"daily"`
	Open    bool    `json:"open"`         // it never was tight
	Fed     bool    `json:"fed,omitzero"` // vapour came in then beside that of the air outdoors

	TauH  float64 `json:"tau_h"`
	LowH  float64 `json:"low_h"`
	HighH float64 `json:"high_h"` // the grid's end when unbounded
}

// Norm is what a view says of a baseline.
type Norm struct {
	P       []float64          `json:"p"` // probability of each breathing time of the grid; none: the view says nothing
	Unknown [nUnknowns]float64 `json:"unknown"`
	Left    float64            `json:"left"` // of the vapour pressure, that the fit left
	Sat     float64            `json:"sat"`  // hPa, mean saturation pressure in the box
}

// Judgement values of the sequential test.
const (
	baselineDays = 21
	baselineSpan = 3.0  // a day counts whose interval is narrower than this factor
	baselineSD   = 0.35 // of log τ: less certain is no baseline
	// hPa that came in steadily beside the air outdoors: with more in a baseline, or in the days that are asked, no seal is open
	baselineSource = 0.8
	wander         = 0.25 // of log τ: wind, season, what else a good box does
	leastFall      = 2.0  // factor
	mostFall       = 25.0 // factor
	ratioLeast     = 3.3  // logarithm, of each of …
	leastSigns     = 2    // … so many days in a row: one odd day opens no seal, and shuts none …
	ratioLimit     = 10.0 // … and their sum, where the days can't be compared with the weeks before, or …
	unsure         = 2.5  // … the breathing time may be so many times longer
	misfit         = 2.5  // times what the baseline's fit left: what the model doesn't know, such as dew or water, is no exchange
	misfitLeast    = 0.04 // hPa
	misfitHourly   = 1.6  // times, in the hours of a stretch that is to open a seal: an open box follows what is known best; …
	clearly        = 25.0 // … or, where the days in a row make this together, …
	misfitMost     = 2.0  // … so many times
	outweighed     = 24.0 // h: of a box that breathes slower, hours say more of dew and buffers than of exchange
	leftBeyond     = 2.0  // … unless the fit of the baseline left no more of them than a sensor scatters
	leastWeight    = 0.1  // less is not worth the work
	bufferMost     = 0.85 // of the vapour, that follows warmth
	bufferMore     = 0.25 // it may follow more than the fit says …
	bufferLess     = 0.2  // … or less
	shortest       = 1.0  // h: shorter times are not told apart on hourly values
	openBelow      = 3.0  // h: effectively open (model figure, see the package comment)
	shutDays       = 7
	shutLimit      = 4.5 // logarithm
	hardFrost      = 4.9 // hPa of saturation pressure over water in the mean of days, -3 °C: below, frost and plastic make what air there is come and go
)

// openSD are the deviations of the unknowns from those of the baseline.
var openSD = [views][nUnknowns]float64{
	hourly: {0.02, 0.3, 0.5, 0.5, 1},
	daily:  {0.03, 0.3, 0.5, 0.001, 0.5},
}

// dailySD are those of a box of which nothing is known, in the daily view, in
// which there is no dew.
var dailySD = [nUnknowns]float64{0.03, 0.2, 0.7, 0.001, 1}

// stretches of days that are asked for an opened seal.
var stretches = []int64{4, 5, 7, 10, 14}

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
	s.Tight, s.Past, s.Wet, s.Wall, s.Leaps = Baseline{}, nil, Wetness{}, Walled{}, Leaps{}
	for i := range s.Found {
		if f := &s.Found[i]; f.To == 0 {
			f.To, f.Over = cmp.Or(f.Over, int64(at)), 0
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
	est, ok := s.estimate(day)
	if ok {
		s.Days = append(s.Days, est)
		if est.Basis != Inside {
			s.TauH = est.TauH
		}
	} else if est, ok := s.insideOnly(day); ok {
		s.Days = append(s.Days, est)
	}
	if now.Sensor != Suspect {
		s.watchSeal(day, at, &est, ok)
	} else {
		s.doubt(now.Doubted)
	}
	s.watchWall(day, at, now)
}

func (s *State) watchSeal(day int64, at unit.Instant, est *Day, ok bool) {
	if s.Tight.Open {
		return
	}
	if s.lasting(finding.WaterInside) != nil {
		// What water gives off follows no weather, as in a box that is tight: days
		// with it are asked neither whether the seal is open nor whether it is shut.
		s.Tight.Watched, s.Tight.Signs, s.Tight.Spoke = day+1, 0, 0
		return
	}
	if f := s.lasting(finding.SealOpened); f != nil {
		from := day - shutDays + 1
		if from*24*hourNs < f.Concluded || from < s.Tight.Watched {
			return
		}
		if r, ok := s.opened(from, day); !ok || r.score > -shutLimit || s.fed(from, day) {
			s.Tight.Shut = 0
		} else if s.Tight.Shut++; s.Tight.Shut >= leastSigns {
			f.Over, s.Tight.Watched, s.Tight.Shut = int64(at), day+1, 0
		}
		return
	}
	faster := s.compareLately(day)
	if !s.Tight.Set || s.Tight.Fed {
		if ok && est.HighH != nil && *est.HighH < baselineSpan*est.LowH {
			s.Tight.Days++
			s.setBaseline(day)
		}
		return
	}
	best, first := opening{score: ratioLeast}, int64(0)
	for _, days := range stretches {
		from := day - days + 1
		if from < s.Tight.Watched {
			break
		}
		if r, ok := s.opened(from, day); ok && r.score > best.score {
			best, first = r, from
		}
	}
	if first == 0 || s.meanSat(first, day) < hardFrost || s.likeBaseline(first, day).unknown[nSource] > baselineSource {
		s.Tight.Signs, s.Tight.Spoke = 0, 0
		return
	}
	s.Tight.Signs, s.Tight.Spoke = s.Tight.Signs+1, s.Tight.Spoke+best.score
	if s.Tight.Signs < leastSigns {
		return
	}
	for v := range views {
		if faster[v] < latelyFaster[v] {
			return // what speaks for an opening against the baseline did so for weeks, or does in one view only
		}
	}
	p := best.p // the stretch may hold a day before it opened: the last three say how open it is now
	if now := s.fit(hourly, day-2, day, &s.Tight.Hourly.Unknown, &openSD[hourly], s.Tight.Hourly.Left); now.ok {
		if q := now.posterior(); quantile(&q, 0.5) < quantile(&p, 0.5) {
			p = q
		}
	}
	tau, high := math.Exp(quantile(&p, 0.5)), math.Exp(quantile(&p, 0.95))
	if s.Tight.TauH < leastFall*tau || s.Tight.LowH < math.Exp(wander)*high {
		return // it may yet
	}
	if m := s.misfit(first, day); m > misfitHourly && (s.Tight.Spoke < clearly || m > misfitMost) {
		return
	}
	if s.Tight.Spoke < ratioLimit && (math.IsNaN(faster[hourly]) || high > unsure*tau) {
		return
	}
	s.Tight.Signs, s.Tight.Spoke = 0, 0
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
}

// misfit is how many times as badly as in the baseline the model fits the hours of the
// days from first to last, of whatever breathing time; 0 where they tell nothing.
func (s *State) misfit(first, last int64) float64 {
	f := s.likeBaseline(first, last)
	return f.rms / max(s.Tight.Hourly.Left*f.in, misfitLeast)
}

// likeBaseline fits the hours of the days from first to last of a box that is as in the
// baseline, but for its breathing time.
func (s *State) likeBaseline(first, last int64) fitted {
	unknown, _ := s.Tight.Hourly.now(s.meanSat(first, last))
	return s.fit(hourly, first, last, &unknown, &openSD[hourly], s.Tight.Hourly.Left)
}

// Lately is the breathing time that the last days tell by themselves, with no baseline
// in it, by view: hours; 0 where they tell little of it.
type Lately struct {
	Day int64          `json:"d"`
	Tau [views]float64 `json:"tau"`
}

// Judgement values, by view.
var (
	latelyDays   = [views]int64{hourly: 5, daily: 7}
	latelyFaster = [views]float64{hourly: 0.15, daily: -0.5} // of log τ; the week's means may be of days before as well
)

const (
	latelyNarrow = 1.2 // of log τ, the interval of days that others are compared with …
	latelyKept   = 40  // … which are no older …
	latelyLeast  = 8   // … and as many
)

// compareLately judges the days up to one like those of the weeks before, in each view:
// by how much of log τ the box breathes faster than it usually did in these, NaN
// where that is not known. Days on which the seal was open, water was inside or the
// sensor in doubt are not asked for, and so none that others are compared with.
func (s *State) compareLately(day int64) (faster [views]float64) {
	s.Past = slices.DeleteFunc(s.Past, func(l Lately) bool { return l.Day < day-latelyKept })
	now := Lately{Day: day}
	for v, sd := range [views]*[nUnknowns]float64{&priorSD, &dailySD} {
		faster[v] = math.NaN()
		f := s.fit(view(v), max(day-latelyDays[v]+1, s.Done.First/24, s.baseDay()), day, &priorMean, sd, 0)
		if !f.ok {
			continue
		}
		p := f.posterior()
		tau := quantile(&p, 0.5)
		if quantile(&p, 0.95)-quantile(&p, 0.05) < latelyNarrow {
			now.Tau[v] = short(math.Exp(tau))
		}
		var before []float64
		for _, l := range s.Past {
			if l.Tau[v] > 0 && l.Day < day-latelyDays[v] {
				before = append(before, l.Tau[v])
			}
		}
		if n := len(before); n >= latelyLeast {
			slices.Sort(before)
			faster[v] = math.Log(before[n/2]) - tau
		}
	}
	if now.Tau != [views]float64{} {
		s.Past = append(s.Past, now)
	}
	return faster
}

// fed tells whether the days had more vapour inside than outdoors by more than
// sensors differ, as a little rain in the sump makes: such air does not follow the
// weather, like that of a box that is tight.
func (s *State) fed(first, last int64) bool {
	more, sat := 0.0, 0.0
	for d := first; d <= last; d++ {
		in, out, es := s.dayMeans(d)
		more, sat = more+in-out, sat+es
	}
	return more > (s.bias()+biasShare)*sat
}

func (s *State) setBaseline(day int64) {
	t := &s.Tight
	if t.Days < baselineDays {
		return
	}
	first := max(day-baselineDays+1, s.baseDay())
	h := s.fit(hourly, first, day, &priorMean, &priorSD, 0)
	p := h.posterior()
	if !h.ok || spread(&p) > baselineSD {
		return
	}
	fed := h.unknown[nSource] > baselineSource
	if fed && t.Set {
		return
	}
	sat := s.meanSat(first, day)
	if sat < frozenSat {
		return // frost takes what comes in, and the box seems tight
	}
	*t = Baseline{Set: true, Fed: fed, From: day + 1, Watched: day + 1, Days: t.Days, Hourly: h.norm(sat)}
	if d := s.fit(daily, first, day, &priorMean, &dailySD, 0); d.ok {
		t.Daily = d.norm(sat)
	}
	t.TauH, t.LowH, t.HighH = math.Exp(quantile(&p, 0.5)), math.Exp(quantile(&p, 0.05)), math.Exp(quantile(&p, 0.95))
	if t.TauH < openBelow {
		t.Open = true
	}
}

func (f *fitted) norm(sat float64) Norm {
	p := f.posterior()
	return Norm{P: p[:], Unknown: f.unknown, Left: f.rms / max(f.in, noiseFloor), Sat: short(sat)}
}

// beyondNoise is how much more than a good sensor scatters the fit left, from 0 to 1
// where it left a fifth more, or beyond, as dew and buffers do.
func (n *Norm) beyondNoise() float64 {
	left := n.Left / noiseShare
	return max(0, min(1, leftBeyond*(left*left-1)))
}

// slow is what plastic that remembers holds at saturation, hPa in the air of the box.
func (n *Norm) slow() float64 { return max(0, n.Unknown[nStore]) * remembers[hourly] }

// Usual is how a box breathed when its baseline was taken.
type Usual struct {
	Day        string   `json:"day"`         // from which on later days are compared with it
	TauH       float64  `json:"tau_h"`       // median
	LowH       float64  `json:"low_h"`       // 5 % quantile
	HighH      *float64 `json:"high_h"`      // 95 % quantile; nil when the data set no bound
	NeverTight bool     `json:"never_tight"` // it was effectively open then, which is reported and not watched
	Fed        bool     `json:"fed"`         // more vapour came in then than the air outdoors brings, as from a house, and the box seemed tighter: not watched until there is a baseline without
}

// Usual returns how the box breathed when it was known to be good; false while
// that is not known.
func (s *State) Usual() (Usual, bool) {
	t := &s.Tight
	if !t.Set {
		return Usual{}, false
	}
	u := Usual{Day: dayName(t.From), TauH: t.TauH, LowH: t.LowH, NeverTight: t.Open, Fed: t.Fed}
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

// opening is how much likelier a stretch of days is of a box that has opened
// than of one that breathes as in the baseline, as a logarithm, and what
// breathing time it then has.
type opening struct {
	score float64
	p     [gridN]float64
}

// opened asks the days from first to last, none of the baseline, in both views.
// The daily one counts whole; the hourly one the less, the slower the box
// breathed, and not alone where it counts less than half.
func (s *State) opened(first, last int64) (o opening, ok bool) {
	both := fitted{}
	slow := s.Tight.TauH / outweighed
	weights := [views]float64{hourly: 1 / (1 + s.Tight.Hourly.beyondNoise()*slow*slow), daily: 1}
	for v, weight := range weights {
		norm := [views]*Norm{&s.Tight.Hourly, &s.Tight.Daily}[v]
		if norm.P == nil || weight < leastWeight {
			continue
		}
		unknown, before := norm.now(s.meanSat(first, last))
		f := s.fit(view(v), first, last, &unknown, &openSD[v], norm.Left)
		if !f.ok || f.rms > misfit*max(norm.Left*f.in, misfitLeast) {
			continue
		}
		ok = view(v) == daily || weights[hourly] > weights[daily]/2
		o.score += weight * f.ratio(&before)
		for k := range f.logL {
			both.logL[k] += weight * f.logL[k]
		}
	}
	o.p = both.posterior()
	return o, ok
}

// now is what a baseline lets expect of the same box at another saturation pressure.
// Plastic and cardboard that follow relative humidity hold so many times the vapour
// that is in the air, r, that of the vapour the part r/(1+r) follows warmth and the
// apparent breathing time is 1+r times that of the exchange; and r is inversely
// proportional to saturation pressure: a box seems tighter in winter than in summer.
func (n *Norm) now(sat float64) (unknown [nUnknowns]float64, before [gridN]float64) {
	unknown = n.Unknown
	copy(before[:], n.P)
	if n.Sat == 0 || sat == 0 {
		return unknown, before
	}
	part := n.Unknown[nBuffer]
	unknown[nBuffer] = part + buffered(part, n.Sat/sat) - max(0, min(part, bufferMost))
	a, b := seemsSlower(part-bufferLess, n.Sat/sat), seemsSlower(part+bufferMore, n.Sat/sat)
	shift, sd := (a+b)/2, math.Abs(b-a)/2
	if math.Abs(shift)+sd < gridStep/10 {
		return unknown, before
	}
	before = [gridN]float64{}
	sd = max(sd, gridStep/2)
	for k, p := range n.P {
		if p < 1e-6 {
			continue
		}
		var l [gridN]float64
		sum := 0.0
		for j := range grid {
			d := grid[j].logTau - max(grid[0].logTau, min(grid[k].logTau+shift, grid[gridN-1].logTau))
			l[j] = math.Exp(-d * d / (2 * sd * sd))
			sum += l[j]
		}
		for j := range grid {
			before[j] += p * l[j] / sum
		}
	}
	return unknown, before
}

// buffered is the part of the vapour that follows warmth once the buffer holds so many
// times as much beside the vapour in the air.
func buffered(part, times float64) float64 {
	part = max(0, min(part, bufferMost))
	return times * part / (1 - part + times*part)
}

// seemsSlower is the logarithm by which such a box then seems slower.
func seemsSlower(part, times float64) float64 {
	part = max(0, min(part, bufferMost))
	return math.Log1p((times - 1) * part)
}

// meanSat is the mean saturation pressure in the box on the days from first to last;
// 0: not known.
func (s *State) meanSat(first, last int64) float64 {
	sum, n := 0.0, 0.0
	for _, h := range s.since(first * 24) {
		if h.At < (last+1)*24 && h.In > 0 {
			sum, n = sum+h.Sat, n+1
		}
	}
	return sum / max(n, 1)
}

// ratio returns how much likelier a stretch is of a box that has opened by
// leastFall to mostFall than of one whose breathing time is as in the baseline,
// before, as a logarithm.
func (f *fitted) ratio(before *[gridN]float64) float64 {
	var same, open float64
	var l [gridN]float64
	for j := range grid {
		l[j] = math.Exp(f.logL[j])
	}
	for k := range grid { // baseline
		if before[k] < 1e-6 {
			continue
		}
		var sumSame, sumOpen float64
		for j := range grid { // now
			sumSame += likeSame[k][j] * l[j]
			sumOpen += likeOpen[k][j] * l[j]
		}
		same += before[k] * sumSame
		open += before[k] * sumOpen
	}
	return math.Log((open + 1e-9) / (same + 1e-9))
}

// What breathing times are likely now, after one of the grid in the baseline:
// of a box that is as it was, and of one that has opened.
var likeSame, likeOpen = chances()

func chances() (same, open [gridN][gridN]float64) {
	for k := range grid {
		var nSame, nOpen float64
		for j := range grid {
			d := grid[k].logTau - max(grid[j].logTau, math.Log(shortest))
			same[k][j] = math.Exp(-d * d / (2 * wander * wander))
			if d > math.Log(leastFall) && d < math.Log(mostFall) {
				open[k][j] = 1
			}
			nSame += same[k][j]
			nOpen += open[k][j]
		}
		for j := range grid {
			same[k][j] /= nSame
			open[k][j] /= max(nOpen, 1)
		}
	}
	return same, open
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
	x := s.excess(tau, 0, exchangeOnly)
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
