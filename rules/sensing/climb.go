package sensing

import "math"

// Judgement values. Humidities are in %RH.
const (
	dryMost   = 80.0 // of what saturated air has: exchange would keep the box as dry in dry hours, …
	dryPart   = 0.7  // of the breathing times that the box is like, that must be known
	dryHours  = 6    // … of which a day must have so many to tell
	dryDays   = 3    // days that tell, of a week, …
	dryBefore = 8    // … and of what was before

	climbLeast   = 5.0   // in dry hours, of the last week beyond what was usual before, …
	climbOff     = 3.0   // … and so many times the usual scatter, up to …
	climbSure    = 6.0   // … so much
	climbGrew    = 0.3   // of it within two weeks: it still goes on
	climbSince   = 20    // days ago at least: what comes as a step is full before
	climbMost    = 48    // days ago: what has grown for longer is a season
	climbLong    = 14    // days at least
	climbEnded   = 9     // days ago at most
	climbLook    = 54    // days ago that it is looked for
	climbBest    = 0.85  // of the deviations that a step leaves are the most that a climb may leave
	climbTimes   = 2.0   // times the deviation that it leaves
	climbAny     = 0.5   // of it, whatever the breathing time is now
	climbFollows = 0.005 // change of the slope in dry hours by %RH of it: water makes -0.03, house air 0.014
	climbOpen    = 0.5   // of what exchange makes within a day that the box follows: one full of paper fills for weeks, …
	climbHouse   = 1.5   // … but with no more than house air adds, of which it is so many times
	evenDays     = 10    // of the last, of which is known what house air could add, that tell whether it does, …
	evenWithin   = 0.5   // … in a box that breathes within so many: …
	evenPart     = 0.5   // … a straight line leaves so much of the squares at most that one of its shares leaves
	stepFirst    = 3     // days ago, and …
	stepLast     = 30    // … at which a step may have been
	dewLeast     = 2.0   // deviations of days that are more count less: dew dries
)

// stepFills are breathing times that what comes at once may take to fill a box and what it
// holds.
var stepFills = [...]float64{0, 1, 4}

// climb is an excess in dry hours that grows from week to week.
type climb struct {
	from          int64 // the day
	excess, usual float64
}

// climbs tells whether the sensor shows more and more, in hours in which exchange would
// keep the box dry. Water, house air and a seal that opens come as a step, of some
// breathing times: a ramp that began about three weeks ago or more explains the days
// better than a step on any of them. What creeps adds the same at noon as at night, so
// that the slope over what exchange makes stays, in a box that follows it at all. In one
// flush in a wall, air of the house may come with the season, but adds as much on no two
// days.
func (d *drift) climbs(day int64, ends [4]int64, b like, flush bool) (out climb, yes bool) {
	var weeks [3]float64 // the last first
	for i := range weeks {
		y := d.dry(ends[i+1], ends[i], b).y
		if len(y) < dryDays {
			return out, false
		}
		weeks[i] = median(y)
	}
	base := d.usual().dry(d.oldest(day), ends[3]+baseAfter, b)
	if len(base.y) < dryBefore {
		return out, false
	}
	out.excess, out.usual = weeks[0], median(base.y)
	if d.between(ends[2], day, b).ice >= dryTop {
		return out, false // frost keeps what came in for weeks, and gives it back
	}
	size := out.excess - out.usual
	all := d.usual().between(d.oldest(day), ends[3]+baseAfter, b)
	least := max(climbLeast, min(climbSure, climbOff*min(base.scatter(), all.scatter())))
	if size < least || out.excess < climbAny*size || weeks[0]-weeks[2] < climbGrew*size || !d.climbsInAny(day, ends, climbAny*size) {
		return out, false
	}
	var ramp bool
	if out.from, ramp = d.ramp(day, b, least); !ramp {
		return out, false
	}
	last, before := d.dry(ends[2], day, b), d.dry(out.from-2*week, out.from, b)
	follows := last.slope() - base.slope()
	if other := last.slope() - before.slope(); len(before.y) >= dryBefore && math.Abs(other) < math.Abs(follows) {
		follows = other
	}
	house := 0.0 // times what air from there could add
	switch fills := 1+min(last.slope(), base.slope()) < climbOpen; {
	case fills:
		house = climbHouse
	case flush && !d.evenly(b, median(all.y)):
		house = 1
	}
	if wall := d.between(ends[2], day, b).wall; house > 0 && len(wall) > 0 && size <= house*median(wall) {
		return out, false
	}
	return out, math.Abs(follows) <= climbFollows*size
}

// evenly tells whether the last days follow a straight line rather than a growing share
// of what air from a house could add on each of them.
func (d *drift) evenly(b like, usual float64) bool {
	if b.days() > evenWithin {
		return false // it makes a mean of them
	}
	var y, ones, days, walls, grown []float64
	for i := range d.Days {
		x := &d.Days[i]
		if x.RH == 0 {
			continue
		}
		all, _ := b.mix(&x.Y, nil)
		day, wall := float64(x.Day-d.Days[0].Day), float64(x.W)
		y, ones, days = append(y, all-usual), append(ones, 1), append(days, day)
		walls, grown = append(walls, wall), append(grown, day*wall)
	}
	return len(y) >= evenDays && leaves(y, ones, days) <= evenPart*leaves(y, walls, grown)
}

// leaves is the sum of squares that the best sum of two parts leaves of y.
func leaves(y, a, b []float64) (left float64) {
	var aa, ab, bb, ay, by, yy float64
	for i := range y {
		aa, ab, bb = aa+a[i]*a[i], ab+a[i]*b[i], bb+b[i]*b[i]
		ay, by, yy = ay+a[i]*y[i], by+b[i]*y[i], yy+y[i]*y[i]
	}
	det := aa*bb - ab*ab
	if det <= 0 {
		return yy
	}
	return yy - (ay*(ay*bb-by*ab)+by*(by*aa-ay*ab))/det
}

// climbsInAny tells whether the last week is so much moister than before, in dry hours,
// for any breathing time that the box may have now.
func (d *drift) climbsInAny(day int64, ends [4]int64, least float64) bool {
	for _, k := range d.mayBe(ends) {
		y, before := d.dry(ends[1], day, one(k)).y, d.usual().dry(d.oldest(day), ends[3]+baseAfter, one(k)).y
		if len(y) > 0 && len(before) > 0 && median(y)-median(before) < least {
			return false
		}
	}
	return true
}

// dry is what days have in common in their dry hours.
func (d *drift) dry(from, to int64, b like) (out stretch) {
	for i := range d.Days {
		x := &d.Days[i]
		if x.Day <= from || x.Day > to {
			continue
		}
		if y, told := b.dry(x); told {
			out.y = append(out.y, y)
			out.s += float64(x.DryS[b.Lag])
			out.q += float64(x.DryQ[b.Lag])
		}
	}
	return out
}

// dry is what the dry hours of a day show beyond what exchange makes, if it has enough.
func (b *like) dry(x *DriftDay) (y float64, told bool) {
	if x.DryQ[b.Lag] == 0 {
		return 0, false
	}
	y, part := b.mix(&x.DryY, &x.DryQ)
	return y, part >= dryPart
}

// ramp tells whether what the sensor shows beyond exchange, in dry hours or at any, is a
// climb that goes on, or went on until lately, rather than a step, and when it began. At
// any hour it scatters less, but for dew and a sensor at its end.
func (d *drift) ramp(day int64, b like, size float64) (from int64, yes bool) {
	var at, y, atDry, dry []float64 // days ago, negative
	for i := range d.Days {
		x := &d.Days[i]
		ago := float64(x.Day - day)
		all, _ := b.mix(&x.Y, nil)
		at, y = append(at, ago), append(y, all)
		if of, told := b.dry(x); told {
			atDry, dry = append(atDry, ago), append(dry, of)
		}
	}
	if from, yes = ramp(day, atDry, dry, size, b.days()); !yes {
		from, yes = ramp(day, at, y, size, b.days())
	}
	return from, yes
}

func ramp(day int64, at, y []float64, size, breathes float64) (from int64, yes bool) {
	step, least, height := math.Inf(1), math.Inf(1), 0.0
	for ago := stepFirst; ago <= stepLast; ago++ {
		for _, fills := range stepFills {
			left, _ := fit(at, y, func(t float64) float64 { return filled(t+float64(ago), fills*breathes) })
			step = min(step, left)
		}
	}
	for ago := climbLook; ago >= climbLong; ago-- {
		for ended := 0; ended <= min(climbEnded, ago-climbLong); ended += 3 {
			begun, days := -float64(ago), float64(ago-ended)
			if left, h := fit(at, y, func(t float64) float64 { return min(1, max(0, (t-begun)/days)) }); left < least {
				from, least, height = day-int64(ago), left, h
			}
		}
	}
	return from, from <= day-climbSince && from >= day-climbMost && least <= climbBest*step &&
		height >= max(size, climbTimes*math.Sqrt(least))
}

// filled is how far a box is, so many days after what came, which takes so many.
func filled(since, takes float64) float64 {
	switch {
	case since <= 0:
		return 0
	case takes == 0:
		return 1
	}
	return 1 - math.Exp(-since/takes)
}

// fit fits y by a constant and times of a shape, and returns the mean square that is
// left, where a deviation beyond dewLeast counts no more than in proportion to it.
func fit(at, y []float64, shape func(at float64) float64) (left, times float64) {
	var g []float64
	for _, t := range at {
		g = append(g, shape(t))
	}
	my, mg := mean(y), mean(g)
	gg, gy := 0.0, 0.0
	for i := range g {
		gg += (g[i] - mg) * (g[i] - mg)
		gy += (g[i] - mg) * (y[i] - my)
	}
	if gg > 0 {
		times = gy / gg
	}
	for i := range g {
		off := math.Abs(y[i] - my - times*(g[i]-mg))
		if off > dewLeast {
			left += dewLeast * (2*off - dewLeast)
		} else {
			left += off * off
		}
	}
	return left / float64(len(g)), times
}
