package breathing

import (
	"math"

	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// Judgement values.
const (
	beganGap    = 3     // days in which it began, which tell neither
	beganBefore = 7     // days before that, in which it had not
	beganKnown  = 0.7   // of the days of a stretch must be known
	beganLeast  = 10    // days before the stretch that tell what is usual
	beganRH     = 0.055 // of saturation, by which the mean must have risen
	beganExcess = 0.8   // hPa, the same
	beganSigma  = 4.5   // … and standard errors of the mean, which tails of weather lengthen; days are alike for twice the breathing time
	beganEach   = 0.3   // of the rise, on three days of four
	beganSteady = 0.25  // of the rise, by which the second half may be above the first: a sensor that creeps goes on
	showsWeek   = 8     // days in which air from the wall may already show, though it can't be named yet …
	showsMost   = 0.08  // … by so much of saturation, more than sensors differ by
	showsMore   = 0.05  // … or by so much more than in the weeks before
	beganShort  = 0.25  // of the rise, that there may have been in the week before
)

// Walled is what the watch for wall air keeps.
type Walled struct {
	Days  []WallDay `json:"days"`  // the last pastDays
	Usual float64   `json:"usual"` // of saturation, the mean before the finding that lasts
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
	Net    float64 `json:"n"`           // hPa, beyond exchange alone in the box's own breathing time
	NetRH  float64 `json:"r"`           // … as a share of saturation
	House  float64 `json:"b"`           // hPa, the most that house air can add
	Odd    bool    `json:"z,omitempty"` // water was inside, or the seal open
	Follow float64 `json:"f"`           // part of the deficit that is made up, in hours that tell; -1: none
}

// stretches of days that are asked for air from the wall that began.
var wallStretches = []int64{14, 21}

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
		s.endWall(f, day, at, ease)
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
	d.Net, d.NetRH = s.net(day)
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
	for w.Days[0].Day <= day-pastDays {
		w.Days = w.Days[1:]
	}
	return true
}

// netTimes are the breathing times, as multiples of the one that is known, that a
// day's excess must be beyond: a repair nobody wrote down, wind.
var netTimes = [...]float64{0.5, 1, 2, 4}

const slowest = 200.0 // h: what is kept tells of no slower exchange

// net returns the mean of what there was on a day beyond exchange alone.
func (s *State) net(day int64) (hPa, share float64) {
	hPa, share = math.Inf(1), math.Inf(1)
	for _, times := range netTimes {
		p := lag(min(times*s.tau(), slowest))
		n, net, rh, brought, last, known := 0.0, 0.0, 0.0, 0.0, 0.0, false
		for i := range s.Hours {
			h := &s.Hours[i]
			if h.Out == 0 {
				continue
			}
			if !known {
				brought, last, known = h.Out, h.Out, true
			}
			brought, last = p.step(brought, last, h.Out), h.Out
			if h.In > 0 && h.At/24 == day {
				n, net, rh = n+1, net+h.In-brought, rh+(h.In-brought)/h.Sat
			}
		}
		if n = max(n, 1); rh/n < share {
			hPa, share = short(net/n), short(rh/n)
		}
	}
	return hPa, share
}

// wallStretch is days of a stretch and what they have in the mean.
type wallStretch struct {
	days                          []WallDay
	net, rh, excess, share, house float64
	follow                        float64 // of the days that tell
}

// between returns the days in (from, to], the odd ones left out.
func (w *Walled) between(from, to int64) (out wallStretch) {
	tell := 0.0
	for _, d := range w.Days {
		if d.Day <= from || d.Day > to || d.Odd {
			continue
		}
		out.days = append(out.days, d)
		out.net, out.rh = out.net+d.Net, out.rh+d.NetRH
		out.excess, out.share, out.house = out.excess+d.Excess, out.share+d.Share, out.house+d.House
		if d.Follow >= 0 {
			out.follow += d.Follow
			tell++
		}
	}
	n := max(1, float64(len(out.days)))
	out.net, out.rh, out.excess, out.share, out.house = out.net/n, out.rh/n, out.excess/n, out.share/n, out.house/n
	out.follow /= max(1, tell)
	return out
}

// shows tells whether the week before a day had more than exchange brings, or more
// than the weeks before it.
func (w *Walled) shows(day int64) bool {
	week, past := w.between(day-showsWeek, day-1), w.between(day-pastDays, day-showsWeek)
	return week.rh > showsMost || len(past.days) >= beganLeast && week.rh-past.rh > showsMore
}

// enough tells whether so many days as are asked for are known.
func (x *wallStretch) enough(asked int64) bool {
	return float64(len(x.days)) >= beganKnown*float64(asked)
}

// wallBegan asks whether the last n days have more than those before, which then
// began within days and is steady since.
func (s *State) wallBegan(day, n int64, at unit.Instant) bool {
	w := &s.Wall
	from := day - n
	last, first, second := w.between(from, day), w.between(from, from+n/2), w.between(from+n/2, day)
	week := w.between(from-beganGap-beganBefore, from-beganGap)
	past := w.between(day-pastDays, from-beganGap)
	if !last.enough(n) || !first.enough(n/2) || !second.enough(n/2) || !week.enough(beganBefore) || len(past.days) < beganLeast {
		return false
	}
	scatter := 0.0
	for _, d := range past.days {
		scatter += (d.NetRH - past.rh) * (d.NetRH - past.rh)
	}
	scatter = math.Sqrt(scatter / float64(len(past.days)-1))
	rise := last.rh - past.rh
	scatter *= math.Sqrt((1 + 2*s.tau()/24) / float64(len(last.days)))
	high := 0
	for _, d := range last.days {
		if d.NetRH-past.rh > beganEach*rise {
			high++
		}
	}
	switch {
	case rise < max(beganRH, beganSigma*scatter), last.net-past.net < beganExcess, last.net-past.net > last.house,
		second.rh-first.rh > beganSteady*rise, week.rh-past.rh > beganShort*rise,
		float64(high) < 0.75*float64(len(last.days)), last.follow > followWall:
		return false
	}
	if !w.steps(from, day, past.rh, last.rh) {
		return false
	}
	s.concludeWall(from+1, at, 0.7, last.net-past.net, rise, high)
	return true
}

// steps tells whether the days up to the last are rather at two levels, the other
// from a day on, than on a slope that begins on some day, as of a sensor that
// creeps.
func (w *Walled) steps(from, day int64, before, after float64) bool {
	all := w.between(from-beganGap-beganBefore, day)
	step := 0.0
	for _, d := range all.days {
		switch {
		case d.Day <= from-beganGap:
			step += (d.NetRH - before) * (d.NetRH - before)
		case d.Day > from:
			step += (d.NetRH - after) * (d.NetRH - after)
		}
	}
	slope := math.Inf(1)
	for begins := from - 2*beganBefore; begins < day-beganBefore; begins++ {
		var xx, xy, yy float64
		for _, d := range all.days {
			if d.Day > from-beganGap && d.Day <= from {
				continue
			}
			x, y := float64(max(0, d.Day-begins)), d.NetRH-before
			xx, xy, yy = xx+x*x, xy+x*y, yy+y*y
		}
		slope = min(slope, yy-xy*xy/max(xx, 1))
	}
	return step < slope
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
	if len(x.days) < wallMin || x.excess > x.house || x.excess < wallExcess*ease || x.share < wallRH*ease ||
		float64(high) < 0.8*float64(len(x.days)) || x.follow > followWall {
		return
	}
	confidence := 0.6
	if flush {
		confidence = 0.8
	}
	s.concludeWall(x.days[0].Day, at, confidence, x.excess, x.share, high)
}

func (s *State) concludeWall(day int64, at unit.Instant, confidence, excess, share float64, high int) {
	s.Wall.Usual = s.Wall.between(day-pastDays, day-beganGap-1).rh
	s.conclude(finding.MoistAirFromWall, day*24, at, confidence,
		finding.Evidence{Name: "vapour_excess", Value: excess, Unit: "hPa"},
		finding.Evidence{Name: "vapour_excess_rh", Value: 100 * share, Unit: "%RH"},
		finding.Evidence{Name: "days_with_excess", Value: float64(high), Unit: "d"})
}

// endWall ends a finding when there is half of what it takes to begin one.
func (s *State) endWall(f *Found, day int64, at unit.Instant, ease float64) {
	x := s.Wall.between(day-wallDays, day)
	if len(x.days) >= wallMin && x.excess < wallExcess*ease/2 && x.share < wallRH*ease/2 && x.rh-s.Wall.Usual < beganRH*ease/2 {
		f.To = int64(at)
	}
}
