package breathing

import (
	"math"
	"slices"

	"dewpost/rules/unit"
)

// Judgement values for air from the wall that began.
const (
	wetterBy    = 0.75  // of what house air leaves unexplained: what saturation leaves less of is water
	beganGap    = 3     // days in which it began, which tell neither
	beganBefore = 7     // days before that, in which it had not
	beganKnown  = 0.7   // of the days of a stretch must be known
	beganLeast  = 14    // days before the stretch that tell what is usual
	beganRH     = 0.055 // of saturation, by which the mean must have risen
	beganExcess = 0.5   // hPa, the same
	beganSigma  = 5.0   // … and standard errors of the mean, which tails of weather lengthen
	beganAlike  = 7     // days that may have something in common
	beganFloor  = 0.25  // of the scatter of days, that is believed at least: so few days tell little of what they have in common
	beganEach   = 0.3   // of the rise, on three of five days that tell …
	beganLow    = 1     // … and on one of which it may be less, where these are few
	beganBy     = 0.5   // of what enters: less of it before, and it has begun; less of it since, and it is over
	beganStill  = 3     // days that must not tell that it is over
	creepMost   = 0.2   // of saturation, that a sensor creeps
	fullRH      = 0.92  // relative humidity, in the mean of a day, of air that holds nearly as much as it can
	neverDries  = 0.97  // relative humidity of a whole day that dew leaves on no more than every second day, and water does
	dryLeast    = 7     // days that tell what vapour follows
)

// rampDays is how long a sensor may creep: a few weeks, or for ever.
var rampDays = [...]int64{25, 100}

// wallBegan asks whether the last n days have more than those before, which then
// began within days and is the same share of a house's air since; and whether they
// have, if the box breathes faster or slower than is known. Days on which the air held as
// much as it can had at least that.
func (s *State) wallBegan(day, n int64, at unit.Instant) bool {
	w := &s.Wall
	from, box := day-n, s.exchange()
	last, past := w.entered(from, day, box), w.entered(day-wallKept, from-beganGap, box)
	if from < w.Since || float64(len(last)) < beganKnown*float64(n) || len(past) < beganLeast {
		return false
	}
	before, now := meanEntered(past), meanEntered(last)
	usual := scaled(before, now)
	up := now.q - usual
	se := math.Sqrt(spreadOfMean(past, before.q) * (1/float64(len(last)) + 1/float64(len(past))))
	if up < beganSigma*se || up > wallShare*now.house || over(last, usual, up) {
		return false
	}
	high, steady := highDays(last, usual, up/now.house)
	if !steady {
		return false
	}
	for _, times := range netTimes {
		x := box.times(min(times, slowest/s.tau()))
		before, now := meanEntered(w.entered(day-wallKept, from-beganGap, x)), meanEntered(w.entered(from, day, x))
		if now.q-scaled(before, now) < max(beganExcess, beganRH*now.sat) {
			return false
		}
	}
	left := fitHouse(last, usual, up/now.house)
	if w.followsSaturation(from, day, box, left.dry) ||
		ramps(slices.Concat(past, last), usual, misses(past, usual, 0, nothing)+left.all) {
		return false
	}
	w.Usual, w.Part = usual/now.sat, up/now.house
	s.concludeWall(from+1, at, 0.7, up, up/now.sat, high)
	return true
}

// scaled is what was usual before, hPa, as it would be now if it came with saturation, as
// what sensors differ by does, or as it was, if that is more.
func scaled(before, now entered) float64 { return max(before.q, before.q*now.sat/before.sat) }

// over tells whether in the last days so much less entered that it has ended.
func over(last []entered, usual, up float64) bool {
	return meanEntered(last[max(0, len(last)-beganStill):]).q-usual < beganBy*up
}

// highDays counts the days on which a good part of a share of what the house adds entered,
// and tells whether these are most of those that tell, and whether the box dries by day on
// at least every second one, as it does where dew is all the water that is in it.
func highDays(last []entered, usual, share float64) (high int, steady bool) {
	low, dry, never := 0, 0, 0
	for _, x := range last {
		if x.low > neverDries {
			never++
		}
		enough := x.q-usual > beganEach*share*x.house
		if enough {
			high++
		}
		if !x.full {
			dry++
			if !enough {
				low++
			}
		}
	}
	return high, float64(low) <= beganLow+0.4*float64(dry) && never <= len(last)/2
}

// spreadOfMean is the variance that the mean of many days has, times their number: that
// of days and what they have in common with the days after them (Newey and West
// 1987, from memory). Dew that forms and dries scatters days, not their mean.
func spreadOfMean(xs []entered, usual float64) float64 {
	var sum [beganAlike + 1]float64
	for i := range xs {
		for k := range sum {
			if i >= k {
				sum[k] += (xs[i].q - usual) * (xs[i-k].q - usual)
			}
		}
	}
	v := sum[0]
	for k := 1; k < len(sum); k++ {
		v += 2 * (1 - float64(k)/float64(len(sum))) * sum[k]
	}
	return max(v, beganFloor*sum[0]) / float64(len(xs)-1)
}

// shape is how what entered goes with the days, but for a factor.
type shape func(*entered) float64

func nothing(*entered) float64 { return 0 }

// misses is the sum of squares by which days differ from what is usual and k times a
// shape; days on which the air was full, by what is above it only.
func misses(days []entered, usual, k float64, x shape) (squares float64) {
	for i := range days {
		d := &days[i]
		if r := d.q - usual - k*x(d); r > 0 || !d.full {
			squares += r * r
		}
	}
	return squares
}

// leastMisses returns the k of the least misses, at most so much: of full days count those that
// are above it, which is so for some days by turns until they stay the same (Newton's
// method; the squares are convex).
func leastMisses(days []entered, usual, k, most float64, x shape) float64 {
	for range 20 {
		before := k
		var xx, xy float64
		for i := range days {
			if d := &days[i]; !d.full || d.q-usual > k*x(d) {
				u := x(d)
				xx, xy = xx+u*u, xy+u*(d.q-usual)
			}
		}
		if xx == 0 {
			break
		}
		if k = min(xy/xx, most); k == before {
			break
		}
	}
	return k
}

// leftover is what a shape leaves unexplained of all days, and of those on which the air
// was not full.
type leftover struct{ all, dry float64 }

// fitHouse returns what the same share of what a house adds leaves, or the same amount,
// if that leaves less: by how much a house's air is moister in mild weather differs.
func fitHouse(days []entered, usual, share float64) leftover {
	house := meanEntered(days).house
	dry := slices.DeleteFunc(slices.Clone(days), func(d entered) bool { return d.full })
	left := leftover{math.Inf(1), math.Inf(1)}
	for _, x := range [...]shape{func(d *entered) float64 { return d.house }, func(*entered) float64 { return house }} {
		k := leastMisses(days, usual, share, wallShare, x)
		left.all, left.dry = min(left.all, misses(days, usual, k, x)), min(left.dry, misses(dry, usual, k, x))
	}
	return left
}

// ramps tells whether a slope of saturation that begins on some day, as of a sensor that
// creeps, leaves no more of the days than so many squares.
func ramps(days []entered, usual, squares float64) bool {
	first, end := days[0].day, days[len(days)-1].day
	for begins := first - beganBefore; begins < end-beganBefore; begins++ {
		for _, n := range rampDays {
			x := func(d *entered) float64 { return float64(max(0, min(d.day-begins, n))) * d.sat }
			if misses(days, usual, leastMisses(days, usual, 0, creepMost/float64(min(n, end-begins)), x), x) <= squares {
				return true
			}
		}
	}
	return false
}

// followsSaturation tells whether the vapour of the days in (from, to] on which the air
// was not full is the same share of saturation, as over water, much rather than what comes
// with house air, which leaves squares of it unexplained.
func (w *Walled) followsSaturation(from, to int64, box exchange, squares float64) bool {
	tells := func(d *WallDay) bool { return d.Day <= to && !d.Odd && !d.full() }
	rh, n := 0.0, 0.0
	for i := range w.Days {
		if d := &w.Days[i]; tells(d) && d.Day > from {
			rh, n = rh+d.In/d.Sat, n+1
		}
	}
	rh /= max(n, 1)
	wet, pairs := 0.0, 0
	for i := 1; i < len(w.Days); i++ {
		a, b := &w.Days[i-1], &w.Days[i]
		if b.Day <= from || b.Day != a.Day+1 || !tells(a) || !tells(b) {
			continue
		}
		x, y := a.In-rh*a.Sat, b.In-rh*b.Sat
		d := (x+y)/2 + box.tau*(y-x)/24 + box.held*(b.In/b.Sat-a.In/a.Sat)/24
		wet += d * d
		pairs++
	}
	return pairs >= dryLeast && wet < wetterBy*wetterBy*squares
}
