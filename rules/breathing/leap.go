package breathing

import (
	"cmp"
	"math"
	"slices"
	"time"

	"dewpost/rules/finding"
	"dewpost/rules/means"
	"dewpost/rules/moistair"
	"dewpost/rules/unit"
)

// Leaps is what is kept to see water come: air over it is damp within minutes,
// while whatever comes with the exchange takes the breathing time.
type Leaps struct {
	Slots []Slot `json:"slots"` // the last leapReach
	Seen  []Leap `json:"seen"`  // the last leapDays
}

// Slot is the vapour in the box in one slot.
type Slot struct {
	Start int64   `json:"t"` // ns
	In    float64 `json:"i"` // hPa
	Sat   float64 `json:"s"` // hPa
}

// Leap is a rise of humidity that is too fast for any exchange.
type Leap struct {
	At   int64   `json:"h"` // the hour of it
	From float64 `json:"i"` // hPa, before
	Out  float64 `json:"o"` // hPa, outdoors at the time; 0: not known
	Rise float64 `json:"r"` // of saturation
}

// Judgement values.
const (
	leapReach    = 70 * time.Minute // two readings an hour apart are still near each other
	leapNear     = 45 * time.Minute // … and those that are more often, so near
	leapLeast    = 0.025            // of saturation: three times what a sensor scatters in two slots, and more
	leapDoubt    = 1.3              // times what exchange can bring
	leapGusts    = 2.0              // so many times as fast as usual the box may breathe in a gust
	leapFastest  = 0.5              // h
	leapBlind    = 1.0              // h: breathing time of a box of whose outdoor air nothing is known, which may be saturated
	frostGoes    = 1.15             // times saturation at 0 °C, 2 °C: below, frost may melt into the air of such a box
	leapDays     = 2                // days in which it must be told
	leapHeld     = 20               // h that it must have held
	leapBefore   = 48               // h before it that tell what is usual
	leapUsually  = 0.9              // of these hours have less beyond exchange and dew
	leapUsual    = 3                // days before it, where nothing is known of the air outdoors
	leapTells    = 0.04             // of saturation that must be wanting, for an hour to tell
	leapTelling  = 8                // such hours
	leapMost     = 0.9              // of them that must be damper …
	leapOver     = 0.02             // … by so much of saturation
	leapPart     = 0.7              // of what was wanting
	leapNightRH  = 0.92             // in the coldest hours
	leapSharp    = 0.07             // a leap that neither dew that melts nor what plastic gives back makes: after it
	sharpTelling = 12               // … so many hours,
	sharpMost    = 0.75             // … of which so many must be damper,
	sharpShare   = 0.04             // … by so much of saturation in the mean, are enough …
	sharpPart    = 0.33             // … and by so much of what was wanting; …
	sharpClear   = 0.08             // … or by so much of saturation in the mean, …
	sharpMore    = 0.55             // … and damper in so many hours, …
	sharpColdRH  = 0.72             // … with as much in the coldest hours: the water may be 5 K colder than the air
	warmsRH      = 0.85             // in the coldest hours since a sharp leap …
	warmsMore    = 0.04             // … and so much of saturation more than outdoors, in the mean, …
	warmsLike    = 0.45             // … and vapour that goes up and down with saturation by so much of what water makes, …
	warmsUsual   = 0.5              // … of which it did so little before …
	warmsDry     = 0.75             // at most of relative humidity in these, in which even a cold cover has no dew, …
	warmsSwing   = 0.12             // … that it tells: standard deviation of saturation, of its mean
	leapSettles  = 2                // h after it, from which humidity keeps its level
	leapsKept    = 8
	keptMost     = 0.01   // of saturation: less dew is none
	frostyRH     = 0.77   // relative humidity from which frost may form on a cover that is 3 K colder than air of 0 to 2 °C, …
	frostStays   = 4 * 24 // h, for which it may stay
	frostMelts   = 0.12   // of saturation: more than it makes within an hour when it melts

	meltDays        = 3      // before a leap, in which frost that melts …
	meltRH          = 0.97   // … made the air as damp
	leapFollowed    = 4 * 24 // h that dew must have been followed
	leapDamper      = 0.06   // of relative humidity: since a leap it is damper than the day before …
	leapDamperBlind = 0.1    // … where nothing is known of the air outdoors
	offsetMost      = 0.06   // of saturation
)

// watchLeap takes note of a slot's vapour, and of a leap that it makes. What
// warms with the box or falls with it is none: both vapour and relative humidity
// must rise.
func (s *State) watchLeap(m *means.Mean, now *Facts, in, sat float64) {
	l := &s.Leaps
	start := int64(m.Start)
	for len(l.Slots) > 0 && start-l.Slots[0].Start > int64(leapReach) {
		l.Slots = l.Slots[1:]
	}
	out, house, tau := sat, 0.0, leapBlind
	outdoor := outdoorOf(m, now)
	if outdoor != nil {
		out = vapour(outdoor)
		house = wallShare * float64(moistair.HouseExcess(outdoor.Temp, unit.Hectopascal(out)))
		tau = max(s.tau()/leapGusts, leapFastest)
	}
	best := Leap{At: start / hourNs}
	for i, x := range l.Slots {
		since := start - x.Start
		if since > int64(leapNear) && i < len(l.Slots)-1 {
			continue
		}
		most := (max(0, out-x.In) + house) * -math.Expm1(-float64(since)/float64(hourNs)/tau)
		rise := (min(in-x.In, in-x.In/x.Sat*sat) - leapDoubt*most) / sat
		if rise > max(best.Rise, leapLeast) {
			best.Rise, best.From = short(rise), x.In
		}
	}
	l.Slots = append(l.Slots, Slot{start, short(in), short(sat)})
	if best.Rise == 0 || outdoor == nil && (best.Rise < leapSharp || sat < frozenSat*frostGoes) {
		return
	}
	if outdoor != nil {
		best.Out = short(out)
	}
	if n := len(l.Seen); n > 0 && best.At-l.Seen[n-1].At <= 1 { // the same one goes on
		if last := &l.Seen[n-1]; best.Rise > last.Rise {
			last.Rise = best.Rise
		}
		return
	}
	if l.Seen = append(l.Seen, best); len(l.Seen) > leapsKept {
		l.Seen = l.Seen[1:]
	}
}

// judgeLeaps asks whether the air became damp too fast for any exchange, and has
// been so since, in the hours in which nothing else would have made it so.
func (s *State) judgeLeaps(at unit.Instant, end int64, now *Facts) bool {
	l := &s.Leaps
	for len(l.Seen) > 0 && end-l.Seen[0].At > leapDays*24 {
		l.Seen = l.Seen[1:]
	}
	for i := range l.Seen {
		leap := &l.Seen[i]
		if end-leap.At <= leapHeld {
			break
		}
		if leap.At-max(s.Done.First, s.Done.Rebased) < leapFollowed {
			continue // dew may be older
		}
		if s.meltsDaily(leap.At) {
			continue
		}
		after, dry := s.sinceLeap(leap)
		fresh := func() bool { return dry && scattersLess(s.plainly(leap.At+leapSettles, end, after), 1) }
		part, holds := leap.holds(after, fresh)
		if !holds && dry && leap.Rise >= leapSharp && s.followsWarmth(leap.At, end) {
			after, holds = s.beyondOutdoors(leap.At+1, end), true
			part = madeUp(after)
		}
		if holds && s.damperSince(leap, end) {
			s.concludeWater(after, at, leap.At, part, now.Sensor, leap.evidence())
			return true
		}
	}
	return false
}

func (l *Leap) evidence() finding.Evidence {
	return finding.Evidence{Name: "sudden_rise_rh", Value: 100 * l.Rise, Unit: "%RH"}
}

// holds tells whether the hours after a leap are as damp as over water, and what part
// of the deficit they make up: nearly saturated; or, after a leap that nothing but
// water makes, damp in the coldest hours and steadier than a sensor that is off by as
// much would show.
func (l *Leap) holds(after []surplus, fresh func() bool) (part float64, yes bool) {
	if len(after) < leapHeld*3/4 {
		return 0, false
	}
	var x, deficit, share float64
	over, n := 0, 0
	for i := range after {
		y := &after[i]
		if y.deficit < leapTells*y.sat {
			continue
		}
		n++
		x, deficit, share = x+y.x, deficit+y.deficit, share+y.share()
		if y.share() > leapOver {
			over++
		}
	}
	part = x / max(deficit, 1e-9)
	sharp := l.Rise >= leapSharp && n >= sharpTelling && part > sharpPart
	if mean(after) < -leapOver { // a cold cover takes what water gives off, and not much more
		return part, false
	}
	switch cold := coldRH(after); {
	case cold >= leapNightRH && n >= leapTelling && float64(over) >= leapMost*float64(n) && part > leapPart:
		return part, true
	case sharp && cold >= nightRH && float64(over) >= sharpMost*float64(n) && share > sharpShare*float64(n),
		sharp && l.Out > 0 && cold >= sharpColdRH && float64(over) >= sharpMore*float64(n) && share > sharpClear*float64(n):
		return part, fresh()
	}
	return part, false
}

// followsWarmth tells whether since a leap the vapour in the box goes up and down with
// saturation, as it does over water, and did so far less in the four days before, in which
// nothing was dewy. Where the sun heats the air far above the water, humidity keeps no
// level.
func (s *State) followsWarmth(leap, end int64) bool {
	after, before := s.warmth(leap+leapSettles, end), s.warmth(leap-surgeBefore, leap)
	return after.n >= leapHeld && before.n >= surgeLeast && after.tells() && before.tells() &&
		after.cold >= warmsRH && after.more >= warmsMore*after.sat &&
		after.slope >= warmsLike && before.slope <= warmsUsual*after.slope && before.dampest <= warmsDry
}

// warmly is how the vapour in the box went with its warmth.
type warmly struct {
	n             int
	in, more, sat float64 // hPa, means; more is beyond outdoors
	swing         float64 // standard deviation of saturation, of its mean
	slope         float64 // of vapour over saturation, against that over water as damp
	cold, dampest float64 // relative humidity of the coldest hours, and the highest
}

func (w *warmly) tells() bool { return w.swing >= warmsSwing }

// warmth returns that of the hours in [from, to) in which the air outdoors is known, too.
func (s *State) warmth(from, to int64) (w warmly) {
	xs := s.beyondOutdoors(from, to)
	if w.n = len(xs); w.n == 0 {
		return w
	}
	n := float64(w.n)
	for _, x := range xs {
		w.in, w.more, w.sat = w.in+x.in/n, w.more+x.x/n, w.sat+x.sat/n
		w.dampest = max(w.dampest, x.rh())
	}
	var ss, es float64
	for _, x := range xs {
		ss += (x.sat - w.sat) * (x.sat - w.sat)
		es += (x.sat - w.sat) * (x.in - w.in)
	}
	w.swing, w.cold = math.Sqrt(ss/n)/w.sat, coldRH(xs)
	w.slope = es / max(ss, 1e-9) * w.sat / w.in
	return w
}

// beyondOutdoors returns the hours in [from, to) in which the air outdoors is known
// against that.
func (s *State) beyondOutdoors(from, to int64) (xs []surplus) {
	for _, h := range s.since(from) {
		if h.At < to && h.In > 0 && h.Out > 0 {
			xs = append(xs, surplus{at: h.At, x: h.In - h.Out, deficit: h.Sat - h.Out, in: h.In, sat: h.Sat})
		}
	}
	return xs
}

// damperSince tells whether it is damper since a leap than in the day before it. Dew that
// the sun dries on a cover makes a leap as well, and is gone from there, but was in the
// box before.
func (s *State) damperSince(leap *Leap, end int64) bool {
	least := leapDamper
	if leap.Out == 0 {
		least = leapDamperBlind
	}
	var rh, n [2]float64
	for _, h := range s.since(leap.At - 24) {
		if h.In > 0 && h.At < end && h.At != leap.At {
			since := 0
			if h.At > leap.At {
				since = 1
			}
			rh[since] += h.In / h.Sat
			n[since]++
		}
	}
	return n[0] == 0 || rh[1]/max(n[1], 1)-rh[0]/n[0] >= least
}

// leftBefore tells whether before an hour there was in the box what the sun could have
// dried or melted: in the last day dew, and for longer frost.
func (s *State) leftBefore(at int64) (dew, frost bool) {
	for _, h := range s.since(at - frostStays) {
		if h.At < at && h.In > 0 {
			dew = dew || h.Wet && h.At >= at-24
			frost = frost || h.Sat < frozenSat*frostGoes && (h.Wet || h.In > frostyRH*h.Sat)
		}
	}
	return dew, frost
}

// meltsDaily tells whether before an hour there was frost in the box within a day, and in
// the three days before it melted into air that it saturated.
func (s *State) meltsDaily(at int64) bool {
	frost, melted := false, false
	for _, h := range s.since(at - meltDays*24) {
		if h.At < at && h.In > 0 {
			frost = frost || h.At >= at-24 && h.Wet && h.Sat < frozenSat
			melted = melted || h.Sat > frozenSat && h.In > meltRH*h.Sat
		}
	}
	return frost && melted
}

// plainly returns the hours in [from, to) against exchange alone, or else, where the air
// outdoors isn't known.
func (s *State) plainly(from, to int64, otherwise []surplus) []surplus {
	if xs := between(s.excess(s.seems(), 0, exchangeOnly), from, to); len(xs) > 0 {
		return xs
	}
	return otherwise
}

// sinceLeap returns the hours since a leap against what else could be: exchange,
// that of an opened box too, air from the wall as far as it may be there, air that
// came in with the leap when the box stood open, and what the sensors differed by in
// the days before; and whether there was no dew in the box that the sun could have
// dried, nor frost. Where nothing is known of the air outdoors, it is the humidity of
// the same hours of the days before.
func (s *State) sinceLeap(leap *Leap) (after []surplus, dry bool) {
	tau := s.seems()
	sources := hiddenToo
	if s.Wall.shows(leap.At/24, tau) {
		sources = walledToo // it makes dew that nothing else tells from water
	}
	all := s.excess(tau, 0, sources)
	before := between(all, max(leap.At-leapBefore, s.Done.Rebased), leap.At)
	offset := 0.0
	if len(before) > 0 {
		offset = max(-offsetMost, min(offsetMost, mean(before)), quantileOf(before, leapUsually))
	}
	usual, days := s.usualHours(leap.At, leapUsual)
	dew, frost := s.leftBefore(leap.At)
	came := max(leap.From, leap.Out)
	if n := len(before); n > 0 {
		if last := &before[n-1]; last.kept < keptMost*last.sat {
			dew, all = false, s.excessSince(leap, tau, 0, sources)
			frost = frost && leap.Rise < frostMelts // of which such a balance knows nothing
		} else {
			came = max(came, last.in-last.x)
		}
	}
	for i := range all {
		h, x := &s.Hours[i], all[i]
		if h.At <= leap.At || h.In == 0 {
			continue
		}
		if x.sat == 0 && h.Out == 0 && days[h.At%24] > 0 {
			from := usual[h.At%24] / days[h.At%24] * h.Sat
			after = append(after, surplus{at: h.At, x: h.In - from, deficit: h.Sat - from, in: h.In, sat: h.Sat})
		}
		if x.sat == 0 {
			continue
		}
		came += (h.Out - min(x.in, came)) / tau / dewSlower
		from := max(x.in-x.x, came) + offset*x.sat
		x.x, x.deficit = x.in-from, x.sat-from
		after = append(after, x)
	}
	return after, !dew && !frost
}

// quantileOf is what a part of the hours don't exceed of what is in excess, as a share of
// saturation.
func quantileOf(xs []surplus, part float64) float64 {
	return partBelow(xs, part, (*surplus).share)
}

// partBelow is what a part of the hours don't exceed.
func partBelow(xs []surplus, part float64, of func(*surplus) float64) float64 {
	vs := make([]float64, len(xs))
	for i := range xs {
		vs[i] = of(&xs[i])
	}
	slices.Sort(vs)
	return vs[int(float64(len(vs))*part)]
}

// usualHours sums the relative humidity by the hour of the day, of some days before
// an hour.
func (s *State) usualHours(before, days int64) (sum, n [24]float64) {
	for _, h := range s.since(before - days*24) {
		if h.At < before && h.In > 0 {
			sum[h.At%24] += h.In / h.Sat
			n[h.At%24]++
		}
	}
	return sum, n
}

// coldest are the coldest hours.
func coldest(xs []surplus) []surplus {
	xs = slices.Clone(xs)
	slices.SortFunc(xs, byWarmth)
	return xs[:min(nightHours, len(xs))]
}

// byWarmth orders hours by warmth; of those alike the driest are first, which speak
// against water.
func byWarmth(a, b surplus) int {
	return cmp.Or(cmp.Compare(a.sat, b.sat), cmp.Compare(a.in, b.in), cmp.Compare(a.at, b.at))
}

// coldRH is the mean relative humidity of the coldest hours.
func coldRH(xs []surplus) float64 {
	xs = coldest(xs)
	rh := 0.0
	for _, h := range xs {
		rh += h.in / h.sat / float64(len(xs))
	}
	return rh
}

// vapour is the vapour pressure outdoors, hPa.
func vapour(o *Outdoor) float64 {
	return float64(moistair.SaturationWater(o.Temp)) * float64(o.RH) / 100
}
