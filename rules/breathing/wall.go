package breathing

import (
	"math"
	"slices"

	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// Judgement values.
const (
	wallKept  = 70   // days
	showsWeek = 8    // days in which air from the wall may already show, though it can't be named yet …
	showsMost = 0.08 // … by so much of saturation, more than sensors differ by
	showsMore = 0.05 // … or by so much more than in the weeks before
	endsDue   = 0.3  // hPa: what the house adds tells that it doesn't
)

// Walled is what the watch for wall air keeps.
type Walled struct {
	Days  []WallDay `json:"days"`  // the last wallKept
	Usual float64   `json:"usual"` // of saturation, what entered before the finding that lasts
	Part  float64   `json:"part"`  // of what a house adds, that entered beside it
	Since int64     `json:"since"` // the first day after the last finding
}

// past returns the mean excess, as a share of saturation, of the days before
// the last two, the late ones weighing more, and whether enough is known.
func (w *Walled) past(day int64) (share float64, known bool) {
	n, weight := 0, 0.0
	for _, d := range w.Days {
		if d.Day < day-pastTo {
			g := math.Exp(float64(d.Day-day) / pastFade)
			share += g * d.Over
			weight += g
			n++
		}
	}
	if n < pastMin {
		return 0, false
	}
	return max(pastLeast, share/weight), true
}

// WallDay is the mean of one UTC day.
type WallDay struct {
	Day    int64   `json:"d"`
	Excess float64 `json:"x"`           // hPa
	Share  float64 `json:"s"`           // of saturation
	Over   float64 `json:"o"`           // of saturation, beyond what a buffer gives back too
	In     float64 `json:"i"`           // hPa, mean of the hours in which both are known
	Out    float64 `json:"e"`           // hPa, the same outdoors
	Sat    float64 `json:"t"`           // hPa, saturation in the box
	House  float64 `json:"b"`           // hPa, the most that house air can add
	Odd    bool    `json:"z,omitempty"` // water was inside, the seal open, or the sensor wrong
	Follow float64 `json:"f"`           // part of the deficit that is made up, in hours that tell; -1: none
	Low    float64 `json:"l"`           // relative humidity, the lowest of its hours
}

// stretches of days that are asked for air from the wall that began.
var wallStretches = []int64{14, 21, 28, 35}

// watchWall asks whether a steady part of the vapour comes from the house.
func (s *State) watchWall(day int64, at unit.Instant, now *Facts) {
	if !s.addWallDay(day) || now.Sensor == Suspect {
		return
	}
	f := s.lasting(finding.MoistAirFromWall)
	ease := 1.0
	if now.Flush {
		ease = flushEase
	}
	if f != nil {
		s.endWall(f, day, at)
		return
	}
	if s.lasting(finding.WaterInside) != nil || s.lasting(finding.SealOpened) != nil {
		return
	}
	for _, n := range wallStretches {
		if s.wallBegan(day, n, at) {
			return
		}
	}
	s.wallAlways(day, at, ease, now.Flush)
}

// doubt takes what an inside sensor in doubt showed since an instant for odd: days
// on which it read too little would make of the days after it, when it was seen to,
// days with more vapour than usual.
func (s *State) doubt(since unit.Instant) {
	for i := range s.Wall.Days {
		d := &s.Wall.Days[i]
		d.Odd = d.Odd || since != 0 && d.Day >= int64(since)/(24*hourNs)
	}
}

// addWallDay keeps what a day says.
func (s *State) addWallDay(day int64) bool {
	w := &s.Wall
	for _, kind := range []finding.Kind{finding.WaterInside, finding.SealOpened} {
		if f := s.lasting(kind); f != nil {
			for i := range w.Days {
				w.Days[i].Odd = w.Days[i].Odd || (w.Days[i].Day+1)*24 > f.From/hourNs
			}
		}
	}
	xs := between(s.excess(s.tau(), 0, exchangeOnly), day*24, (day+1)*24)
	if len(xs) < 12 {
		return false
	}
	d := WallDay{
		Day: day, Over: mean(between(s.excess(s.tau(), 0, soakedToo), day*24, (day+1)*24)), Follow: -1,
		Odd: s.lasting(finding.WaterInside) != nil || s.lasting(finding.SealOpened) != nil,
	}
	d.In, d.Out, d.Sat = s.dayMeans(day)
	d.Low = s.lowestRH(day)
	var x, deficit float64
	for _, h := range xs {
		d.Excess += h.x / float64(len(xs))
		d.Share += h.share() / float64(len(xs))
		d.House += h.bound / wallShare / float64(len(xs))
		if h.tells() {
			x += h.x
			deficit += h.deficit
		}
	}
	if deficit > 0 {
		d.Follow = x / deficit
	}
	w.Days = append(w.Days, d)
	for w.Days[0].Day <= day-wallKept {
		w.Days = w.Days[1:]
	}
	return true
}

// netTimes are the breathing times, as multiples of the one that is known, that a
// day's excess must be beyond: a repair nobody wrote down, wind.
var netTimes = [...]float64{0.5, 1, 2, 4}

const slowest = 200.0 // h: what is kept tells of no slower exchange

// exchange is what a box does with vapour: how fast it breathes, and what it holds
// beside the air. Plastic and cardboard follow relative humidity, not vapour pressure:
// what they hold is the same in any season at the same humidity.
type exchange struct {
	tau  float64 // h, of the air alone
	held float64 // h·hPa: tau times what is held at saturation, as the vapour pressure that it would make in the air
}

// exchange returns that of the box. Its breathing time, which is apparent, is split
// by what the baseline's fit found to follow warmth, at once and within hours: of a box
// without a baseline, or whose seal is open, nothing is known of it.
func (s *State) exchange() exchange {
	tau, norm := s.tau(), &s.Tight.Hourly
	if !s.Tight.Set || tau != s.Tight.TauH {
		return exchange{tau: tau}
	}
	part := max(0, min(norm.Unknown[nBuffer], bufferMost))
	return exchange{tau: tau * (1 - part), held: tau * (part*norm.Sat + norm.slow())}
}

// times is a box that breathes in so many times the breathing time.
func (x exchange) times(n float64) exchange { return exchange{x.tau * n, x.held * n} }

// takes is what must enter, hPa, for what the box holds to become from one day to the
// next what it did.
func (x exchange) takes(a, b *WallDay) float64 {
	return x.tau*(b.In-a.In)/24 + x.held*(b.In/b.Sat-a.In/a.Sat)/24
}

// dayMeans returns a day's means of vapour inside and outdoors, and of saturation
// inside.
func (s *State) dayMeans(day int64) (in, out, sat float64) {
	n := 0.0
	for _, h := range s.since(day * 24) {
		if h.At < (day+1)*24 && h.In > 0 && h.Out > 0 {
			n, in, out, sat = n+1, in+h.In, out+h.Out, sat+h.Sat
		}
	}
	n = max(n, 1)
	return short(in / n), short(out / n), short(sat / n)
}

// lowestRH is the lowest relative humidity of a day's hours.
func (s *State) lowestRH(day int64) float64 {
	low := 1.0
	for _, h := range s.since(day * 24) {
		if h.At < (day+1)*24 && h.In > 0 {
			low = min(low, h.In/h.Sat)
		}
	}
	return short(low)
}

// full tells whether the air held nearly as much as it can for most of a day: what
// more may have entered became dew.
func (d *WallDay) full() bool { return d.In > fullRH*d.Sat }

// entered is what entered beside outdoor air from the middle of one day to that of
// the next: the balance of vapour, τ·de/dt + h·d(e/es)/dt = eout − e + q, solved for q. Dew is in it while it forms or dries, and
// drops out over days.
type entered struct {
	day   int64
	q     float64 // hPa
	house float64 // hPa, the most that house air can add
	sat   float64 // hPa
	full  bool    // more may have entered: it became dew
	low   float64 // relative humidity, the lowest of its hours
}

// entered returns what entered on the days in (from, to] of a box that breathes in
// such an exchange, as far as days follow each other.
func (w *Walled) entered(from, to int64, x exchange) (out []entered) {
	for i := 1; i < len(w.Days); i++ {
		a, b := &w.Days[i-1], &w.Days[i]
		if b.Day <= from || b.Day > to || b.Day != a.Day+1 || a.Odd || b.Odd {
			continue
		}
		out = append(out, entered{
			day: b.Day, q: (a.In+b.In-a.Out-b.Out)/2 + x.takes(a, b),
			house: (a.House + b.House) / 2, sat: (a.Sat + b.Sat) / 2,
			full: a.full() || b.full(), low: b.Low,
		})
	}
	return out
}

// meanEntered returns the means.
func meanEntered(xs []entered) (m entered) {
	for _, x := range xs {
		m.q, m.house, m.sat = m.q+x.q, m.house+x.house, m.sat+x.sat
	}
	n := max(1, float64(len(xs)))
	m.q, m.house, m.sat = m.q/n, m.house/n, m.sat/n
	return m
}

// wallStretch is days of a stretch and what they have in the mean.
type wallStretch struct {
	days                 []WallDay
	excess, share, house float64
	follow               float64 // of the days that tell
}

// between returns the days in (from, to], the odd ones left out.
func (w *Walled) between(from, to int64) (out wallStretch) {
	tell := 0.0
	for _, d := range w.Days {
		if d.Day <= from || d.Day > to || d.Odd {
			continue
		}
		out.days = append(out.days, d)
		out.excess, out.share, out.house = out.excess+d.Excess, out.share+d.Share, out.house+d.House
		if d.Follow >= 0 {
			out.follow += d.Follow
			tell++
		}
	}
	n := max(1, float64(len(out.days)))
	out.excess, out.share, out.house = out.excess/n, out.share/n, out.house/n
	out.follow /= max(1, tell)
	return out
}

// shows tells whether in the week before a day more entered than outdoor air, or
// more than in the weeks before it.
func (w *Walled) shows(day int64, tau float64) bool {
	x := exchange{tau: tau}
	week, past := w.entered(day-showsWeek, day-1, x), w.entered(day-pastDays, day-showsWeek, x)
	now, usual := meanEntered(week), meanEntered(past)
	return now.q > showsMost*now.sat || len(past) >= beganLeast && now.q-usual.q > showsMore*now.sat
}

// wallAlways asks whether the last days have more than sensors may be off, where
// nothing tells of a beginning.
func (s *State) wallAlways(day int64, at unit.Instant, ease float64, flush bool) {
	x := s.Wall.between(day-wallDays, day)
	high := 0
	for _, d := range x.days {
		if d.Share > wallEachDay {
			high++
		}
	}
	if len(x.days) < wallMin || x.excess > wallShare*x.house || x.excess < wallExcess*ease || x.share < wallRH*ease ||
		float64(high) < 0.8*float64(len(x.days)) || x.follow > followWall || !s.wallBefore(day, flush) {
		return
	}
	confidence := 0.6
	if flush {
		confidence = 0.8
	}
	s.Wall.Usual, s.Wall.Part = 0, x.excess/x.house
	s.concludeWall(x.days[0].Day, at, confidence, x.excess, x.share, high)
}

// wallBefore tells whether the weeks before the last wallDays, as far as they are
// known, let what is in excess come from the house: then it was no more than a house can
// add, of which water that dries knows nothing; and either as much enters since, or, where
// less than half of it entered then, it has begun, and must not follow saturation. A
// sensor that creeps does neither, and what is over does not either. Of a box that is new
// and not mounted flush nothing is told: what it was shut up with dries for weeks.
func (s *State) wallBefore(day int64, flush bool) bool {
	w, box, from := &s.Wall, s.exchange(), day-wallDays
	past, last := w.entered(day-wallKept, from-beganGap, box), w.entered(from, day, box)
	usual, now := meanEntered(past), meanEntered(last)
	switch {
	case over(last, 0, now.q):
		return false
	case len(past) < beganLeast:
		return flush
	case usual.q > wallShare*usual.house:
		return false
	case usual.q >= beganBy*now.q:
		all := slices.Concat(past, last)
		return !ramps(all, 0, fitHouse(all, 0, now.q/now.house).all)
	}
	up := now.q - usual.q
	left := fitHouse(last, usual.q, up/now.house)
	return !over(last, usual.q, up) && !ramps(slices.Concat(past, last), usual.q, misses(past, usual.q, 0, nothing)+left.all) &&
		!w.followsSaturation(from, day, box, left.dry)
}

func (s *State) concludeWall(day int64, at unit.Instant, confidence, excess, share float64, high int) {
	s.conclude(finding.MoistAirFromWall, day*24, at, confidence,
		finding.Evidence{Name: "vapour_excess", Value: excess, Unit: "hPa"},
		finding.Evidence{Name: "vapour_excess_rh", Value: 100 * share, Unit: "%RH"},
		finding.Evidence{Name: "days_with_excess", Value: float64(high), Unit: "d"})
}

// endWall ends a finding when less than half of what the house would add enters: in
// summer, when it adds little, nothing is told.
func (s *State) endWall(f *Found, day int64, at unit.Instant) {
	w := &s.Wall
	x := w.entered(day-wallDays, day, s.exchange())
	now := meanEntered(x)
	if due := w.Part * now.house; len(x) >= wallMin && due > endsDue && now.q-w.Usual*now.sat < due/2 {
		f.Over, w.Since = int64(at), day+1
	}
}
