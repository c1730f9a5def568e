package sensing

import (
	"math"
	"slices"

	"dewpost/rules/finding"
	"dewpost/rules/moistair"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// lags are breathing times, h, of boxes that the one may be like.
var lags = [...]float64{2, 4, 8, 15, 28, 50, 90, 160}

// hourly is the part of the way that such a box goes in an hour.
var hourly = func() (part [len(lags)]float64) {
	for k, tau := range lags {
		part[k] = 1 - math.Exp(-1/tau)
	}
	return part
}()

// Judgement values. Humidities are in %RH.
const (
	keepDays  = 61
	tellDays  = 2 * week // of them that the means of humidities are kept
	warmUp    = 72       // h that outdoor air is followed before it tells
	lostAfter = 24       // h without outdoor air: it is followed anew
	dayLeast  = 12       // h of a day that must be known

	week      = 9  // days
	weekLeast = 5  // of them that must be known, …
	weeksMost = 40 // … or as many days as three weeks have within so many
	baseAfter = 2  // days of the third week that count as before, too
	baseLeast = 10

	mixRounds = 20
	mixLeast  = 1e-3 // %RH², below which two breathing times are alike

	creepLeast = 7.0 // beyond what exchange makes, in the last week
	shiftLeast = 7.0 // … and beyond what was usual 25 to 60 days before
	shiftTimes = 2.0 // of the scatter of those days
	dryLeast   = 5.0 // of both, to the dry side, where it is neither water nor the house,
	dryTimes   = 3.0 // … if it is so many times the scatter
	creepAny   = 0.5 // of both, whatever the breathing time is now
	mayLeave   = 2.5 // times the least variance, that a breathing time of now may leave
	stepLeast  = 0.5 // from week to week, twice: it creeps
	stepMost   = 10  // … and more is weather
	topLeast   = 104.0
	topMore    = 3.0   // above the highest of before: no air holds so much
	followMore = 0.12  // slope of the excess over the humidity that exchange makes, against before, …
	followPart = 0.5   // of what moist air would make of it
	coolTell   = 0.15  // what dry air would make of it, which must be so much to tell, …
	coolPart   = 0.35  // … and the part of it that is too much for a sensor
	followTell = 0.07  // … which must be so much to tell: a box whose buffers hold its humidity still shows none
	swingLeast = 5.0   // standard deviation of that humidity within a day
	dryTop     = 97.0  // of what saturated air has; below: neither dew, frost nor water has held it
	paperSlope = -1.15 // slope of a box whose humidity rises as it warms: full of paper, it remembers more than the longest lag
	houseShare = 0.5   // of the air that enters may come through the wall
	cooled     = 12.0  // hPa: air at 24 °C and 40 %, of a house that is cooled
	holdDays   = 3     // that it must have looked so: weather passes
	creepOver  = 0.5   // of what it was: it is over
)

// drift follows what the inside humidity sensor shows beyond what outdoor air
// would bring into boxes of several breathing times.
type drift struct {
	E    [len(lags)]float64 `json:"e"`    // hPa, in such boxes
	At   int64              `json:"at"`   // the hour of it; 0: none
	Warm int64              `json:"warm"` // the hour from which it tells
	Peer bool               `json:"peer"` // by what others say of outdoors
	Now  driftSums          `json:"now"`
	Held int                `json:"held"`          // days on end on which it looked like creeping
	Rose int                `json:"rose"`          // days on which it looked like climbing, less those since on which it didn't
	Days []DriftDay         `json:"days"`          // the last keepDays, beside those with water
	Like like               `json:"like,omitzero"` // what the box was when it was found to creep
}

type driftSums struct {
	N   int                `json:"n"`
	Y   [len(lags)]float64 `json:"y"`
	X   [len(lags)]float64 `json:"x"`
	YX  [len(lags)]float64 `json:"yx"`
	XX  [len(lags)]float64 `json:"xx"`
	YY  [len(lags)]float64 `json:"yy"`
	Top [3]float64         `json:"top"`
	Sat [3]float64         `json:"sat"`
	RH  float64            `json:"rh"`
	W   float64            `json:"w"`
	C   float64            `json:"c"`
	Dry [len(lags)]drySums `json:"dry"`
}

// drySums are driftSums of the hours in which exchange would keep a box dry.
type drySums struct {
	N  int     `json:"n"`
	Y  float64 `json:"y"`
	X  float64 `json:"x"`
	YX float64 `json:"yx"`
	XX float64 `json:"xx"`
}

// DriftDay is a UTC day: what the sensor shows beyond exchange, Y, and the
// humidity X that exchange would make, for each lag.
type DriftDay struct {
	Day int64              `json:"d"`
	Y   [len(lags)]float32 `json:"y"`           // mean, %RH
	V   [len(lags)]float32 `json:"v"`           // variance of Y within the day
	S   [len(lags)]float32 `json:"s"`           // covariance of Y and X within the day
	Q   [len(lags)]float32 `json:"q"`           // variance of X within the day
	Top float32            `json:"t"`           // the third highest hour shown
	Ice float32            `json:"f,omitempty"` // by how much the same is more over ice, below 0 °C
	RH  float32            `json:"r,omitempty"` // mean shown; of the last tellDays only, as the next
	W   float32            `json:"w,omitempty"` // mean %RH that air from the wall could add
	C   float32            `json:"c,omitempty"` // … and that of a cooled house could take

	Water bool `json:"wa,omitempty"` // it was known of: what it adds is no usual offset

	DryY [len(lags)]float32 `json:"dy,omitzero"` // Y, S and Q of the hours in which exchange would keep a box dry
	DryS [len(lags)]float32 `json:"ds,omitzero"`
	DryQ [len(lags)]float32 `json:"dq,omitzero"` // 0: of too few
}

// add takes an hour. What is in doubt is the air outdoors, or the thermometer inside.
func (d *drift) add(h *Hour, peer, outdoors, inside bool) {
	if !h.has(reading.OutsideTemp) || !h.has(reading.OutsideRH) || outdoors {
		return
	}
	known := h.has(reading.InsideTemp) && h.has(reading.InsideRH) && !inside
	out := satWater(h.is(reading.OutsideTemp)) * min(100, h.is(reading.OutsideRH)) / 100
	if peer != d.Peer {
		d.Days = nil
	}
	if d.At == 0 || h.At-d.At > lostAfter || peer != d.Peer {
		from := out
		if known {
			from = satWater(h.is(reading.InsideTemp)) * min(100, h.is(reading.InsideRH)) / 100
		}
		for k := range d.E {
			d.E[k] = from
		}
		d.Peer, d.Warm, d.At = peer, h.At+warmUp, h.At
	}
	for k := range lags {
		follow := hourly[k]
		if h.At-d.At > 1 {
			follow = 1 - math.Exp(-float64(h.At-d.At)/lags[k])
		}
		d.E[k] += (out - d.E[k]) * follow
	}
	if d.At = h.At; known && h.At >= d.Warm {
		d.Now.add(d.E, h.is(reading.OutsideTemp), out, h.is(reading.InsideTemp), h.is(reading.InsideRH))
	}
}

func (n *driftSums) add(e [len(lags)]float64, outdoors, vapour, temp, rh float64) {
	sat, most := satWater(temp), mostRH(temp)
	for k := range lags {
		x := min(most, 100*e[k]/sat)
		y := rh - x
		n.Y[k] += y
		n.X[k] += x
		n.YX[k] += y * x
		n.XX[k] += x * x
		n.YY[k] += y * y
		if x <= dryMost/100*most {
			n.Dry[k].add(x, y)
		}
	}
	n.N++
	n.RH += rh
	n.W += 100 * houseShare * float64(moistair.HouseExcess(unit.Celsius(outdoors), unit.Hectopascal(vapour))) / sat
	n.C += 100 * houseShare * max(0, vapour-cooled) / sat
	third(&n.Top, rh)
	third(&n.Sat, 100*rh/most)
}

func (n *drySums) add(x, y float64) {
	n.N++
	n.Y += y
	n.X += x
	n.YX += y * x
	n.XX += x * x
}

// third keeps the three highest values.
func third(top *[3]float64, v float64) {
	for i := range top {
		if v > top[i] {
			top[i], v = v, top[i]
		}
	}
}

func short(v, perUnit float64) float32 { return float32(math.Round(v*perUnit) / perUnit) }

// digits keeps a tenth, or a hundredth part: states are kept for each station and day.
func digits(v float64) float32 {
	if math.Abs(v) >= 50 {
		return short(v, 1)
	}
	return short(v, 10)
}

func (d *drift) endDay(day int64) bool {
	sums := d.Now
	d.Now = driftSums{}
	if sums.N < dayLeast {
		return false
	}
	n := float64(sums.N)
	x := DriftDay{
		Day: day, Top: short(sums.Top[2], 10), Ice: short(sums.Sat[2]-sums.Top[2], 10),
		RH: short(sums.RH/n, 10), W: short(sums.W/n, 10), C: short(sums.C/n, 10),
	}
	for k := range lags {
		y, m := sums.Y[k]/n, sums.X[k]/n
		x.Y[k] = short(y, 10)
		x.V[k] = digits(sums.YY[k]/n - y*y)
		x.S[k] = digits(sums.YX[k]/n - y*m)
		x.Q[k] = digits(sums.XX[k]/n - m*m)
		if dry := &sums.Dry[k]; dry.N >= dryHours {
			n := float64(dry.N)
			y, m := dry.Y/n, dry.X/n
			x.DryY[k], x.DryS[k], x.DryQ[k] = short(y, 10), short(dry.YX/n-y*m, 10), short(dry.XX/n-m*m, 1)
		}
	}
	d.Days = append(d.Days, x)
	if i := len(d.Days) - 1 - tellDays; i >= 0 {
		d.Days[i].RH, d.Days[i].W, d.Days[i].C = 0, 0, 0
	}
	for d.Days[0].Day <= d.oldest(day) {
		d.Days = d.Days[1:]
	}
	return true
}

// lag returns the breathing time that explains the days best: with it, what is
// left varies least.
func (d *drift) lag() int {
	best, least := 0, math.Inf(1)
	for k := range lags {
		if left := d.left(0, k); left < least {
			best, least = k, left
		}
	}
	return best
}

// left is the variance that a breathing time leaves of the days after one, from
// hour to hour beside what a buffer takes of it, and from day to day.
func (d *drift) left(after int64, k int) float64 {
	var within, steps []float64
	for i := range d.Days {
		x := &d.Days[i]
		if x.Day <= after {
			continue
		}
		within = append(within, float64(x.V[k]-x.S[k]*x.S[k]/max(x.Q[k], 0.1)))
		if i > 0 && x.Day-d.Days[i-1].Day == 1 {
			step := float64(x.Y[k] - d.Days[i-1].Y[k])
			steps = append(steps, step*step/2)
		}
	}
	return median(within) + median(steps)
}

// like is a box that is like those of the lags, by parts that make up 1: one with a buffer
// follows outdoors at once and for days, and one between two lags like either.
type like struct {
	Part [len(lags)]float64 `json:"p"`
	Lag  int                `json:"l"` // that explains it best by itself
}

func one(lag int) like {
	b := like{Lag: lag}
	b.Part[lag] = 1
	return b
}

// mix is the sum of the parts of y; where some are unknown, of those known, and how much
// those make up.
func (b *like) mix(y, known *[len(lags)]float32) (sum, part float64) {
	for k, p := range b.Part {
		if p > 0 && (known == nil || known[k] > 0) {
			sum, part = sum+p*float64(y[k]), part+p
		}
	}
	return sum / part, part
}

// days is its breathing time.
func (b *like) days() (sum float64) {
	for k, p := range b.Part {
		sum += p * lags[k] / 24
	}
	return sum
}

// likeBefore is the mix of breathing times with which the days up to one vary least, about
// their mean and from day to day. What creeps later has no part in it.
func (d *drift) likeBefore(last int64) like {
	b := one(d.lag())
	var days []*[len(lags)]float32
	var means [len(lags)]float64
	for i := range d.Days {
		if x := &d.Days[i]; x.Day <= last {
			days = append(days, &x.Y)
			for k, y := range x.Y {
				means[k] += float64(y)
			}
		}
	}
	n := float64(len(days))
	if len(days) < baseLeast {
		return b
	}
	var vary [len(lags)][len(lags)]float64
	for i, y := range days {
		var off, step [len(lags)]float64
		for k := range y {
			off[k] = float64(y[k]) - means[k]/n
			if i > 0 {
				step[k] = float64(y[k]-days[i-1][k]) / math.Sqrt2
			}
		}
		for k := range off {
			for l := range k + 1 {
				vary[k][l] += (off[k]*off[l] + step[k]*step[l]) / n
				vary[l][k] = vary[k][l]
			}
		}
	}
	// A convex form: what one part gives to another lowers it, pair by pair.
	for range mixRounds {
		for k := range lags {
			for l := range k {
				by := 0.0
				for m, p := range b.Part {
					by += (vary[l][m] - vary[k][m]) * p
				}
				bend := vary[k][k] + vary[l][l] - 2*vary[k][l]
				if bend < mixLeast {
					continue
				}
				by = max(-b.Part[k], min(b.Part[l], by/bend))
				b.Part[k] += by
				b.Part[l] -= by
			}
		}
	}
	return b
}

// oldest is the day up to which those are forgotten that come before day. Those with
// water don't count: without them too little would be left to compare with.
func (d *drift) oldest(day int64) int64 {
	wet := int64(0)
	for i := range d.Days {
		if d.Days[i].Water && wet < keepDays {
			wet++
		}
	}
	return day - keepDays - wet
}

// usual are the days that tell what is usual.
func (d *drift) usual() *drift {
	return &drift{Days: slices.DeleteFunc(slices.Clone(d.Days), func(x DriftDay) bool { return x.Water })}
}

// stretch is what days have in common, for one kind of box.
type stretch struct {
	y    []float64
	s, q float64
	x    []float64 // what exchange would make, where that is known
	wall []float64 // what air from the wall could add
	cool []float64 // … and that of a cooled house could take
	top  float64
	sat  float64
	ice  float64 // the highest that ice makes of what was shown, below 0 °C
}

func (d *drift) between(from, to int64, b like) (out stretch) {
	for i := range d.Days {
		if x := &d.Days[i]; x.Day > from && x.Day <= to {
			y, _ := b.mix(&x.Y, nil)
			out.y = append(out.y, y)
			if x.RH > 0 {
				out.x = append(out.x, float64(x.RH)-y)
				out.wall = append(out.wall, float64(x.W))
				out.cool = append(out.cool, float64(x.C))
			}
			out.s += float64(x.S[b.Lag])
			out.q += float64(x.Q[b.Lag])
			out.top = max(out.top, float64(x.Top))
			out.sat = max(out.sat, float64(x.Top+x.Ice))
			if x.Ice > 0 {
				out.ice = max(out.ice, float64(x.Top+x.Ice))
			}
		}
	}
	return out
}

// slope is that of the excess over what exchange makes.
func (s *stretch) slope() float64 { return s.s / max(s.q, 1e-9) }

// scatter is that of the days about their median.
func (s *stretch) scatter() float64 {
	usual := median(s.y)
	off := make([]float64, len(s.y))
	for i, y := range s.y {
		off[i] = math.Abs(y - usual)
	}
	return 1.4826 * median(off)
}

// weeks returns the days with which the last three weeks and what was before end, the
// last first. Across an outage they are made of the days that are known.
func (d *drift) weeks(day int64) (ends [4]int64, known bool) {
	known = true
	for i := range ends {
		ends[i] = day - int64(i)*week
		if i > 0 {
			known = known && len(d.between(ends[i], ends[i-1], one(0)).y) >= weekLeast
		}
	}
	n := len(d.Days)
	if known || n < 3*week || d.Days[n-3*week].Day <= day-weeksMost {
		return ends, known
	}
	for i := 1; i < len(ends); i++ {
		ends[i] = d.Days[n-i*week].Day - 1
	}
	return ends, true
}

// judgeDrift asks at the end of a day whether the inside humidity sensor creeps.
func (s *State) judgeDrift(day int64, at unit.Instant, now *Facts) {
	const c = reading.InsideRH
	d := &s.Drift
	if !d.endDay(day) {
		return
	}
	d.Days[len(d.Days)-1].Water = now.Water
	if f := s.lasting(c); f != nil {
		if f.Cause != Drift {
			return
		}
		if d.over(day, f.Evidence[0].Value, f.Evidence[1].Value, d.Like) {
			s.end(c, Drift, at)
			d.Days, d.Held, d.Rose, s.Shown = d.Days[len(d.Days)-3:], 0, 0, shown{}
		}
		return
	}
	ends, known := d.weeks(day)
	if !known {
		return
	}
	b := d.usual().likeBefore(ends[3] + baseAfter)
	var weeks [3]float64 // the last first
	for i := range weeks {
		weeks[i] = median(d.between(ends[i+1], ends[i], b).y)
	}
	base := d.usual().between(d.oldest(day), ends[3]+baseAfter, b)
	if len(base.y) < baseLeast {
		return
	}
	usual := median(base.y)
	sign := math.Copysign(1, weeks[0])
	shift := sign * (weeks[0] - usual)
	last := d.between(ends[2], day, b)
	steps := [2]float64{sign * (weeks[0] - weeks[1]), sign * (weeks[1] - weeks[2])}
	creeps := min(steps[0], steps[1]) >= stepLeast && max(steps[0], steps[1]) <= stepMost
	off := base.scatter()
	excess, least := creepLeast, max(shiftLeast, shiftTimes*off)
	if sign < 0 && last.ice < dryTop && shift >= max(dryLeast, dryTimes*off) { // frost takes what comes in
		excess, least = dryLeast, dryLeast
	}
	rate := max(0.1, sign*(weeks[0]-weeks[2])/(float64(ends[0]+ends[1]-ends[2]-ends[3])/2))
	from := day + 1 - int64(min(keepDays, shift/rate))
	before := d.between(from-2*week, from, b)
	up, climbs := d.climbs(day, ends, b, now.Flush)
	if climbs = climbs && !now.House; climbs { // which may have come slowly
		d.Rose++
	} else {
		d.Rose = max(0, d.Rose-1)
	}
	switch {
	case climbs && d.Rose >= holdDays:
		d.Held = holdDays
		sign, weeks[0], usual, from = 1, up.excess, up.usual, up.from
		rate = (up.excess - up.usual) / float64(day-up.from)
	case sign*weeks[0] < excess || shift < least,
		sign > 0 && !tooMuch(&last, &base, &before, weeks[0], shift), // it may as well be water, or air from the house
		sign < 0 && !d.drierThanAny(ends),                            // the box may breathe otherwise than it did
		sign < 0 && base.slope() < paperSlope,                        // or hold its humidity for weeks
		sign < 0 && (now.Flush || now.House) && mayBeCooled(&last, &base, &before, -weeks[0], shift),
		d.Held == 0 && !creeps:
		d.Held = 0
		return
	}
	if d.Held++; d.Held <= holdDays {
		return
	}
	d.Like = b
	confidence := 0.7
	if math.Abs(weeks[0]) > 2*creepLeast {
		confidence = 0.85
	}
	s.conclude(c, Drift, unit.Instant(from*dayHours*hourNs), at, confidence, weeks[0], "%RH",
		finding.Evidence{Name: "usual_offset", Value: usual, Unit: "%RH"},
		finding.Evidence{Name: "creep_per_week", Value: sign * rate * week, Unit: "%RH"},
		finding.Evidence{Name: "highest_rh", Value: last.top, Unit: "%RH"})
}

// over tells whether a creep is over, which made an offset of a usual one. Near
// saturation a sensor that shows no more than 100 shows less too much than elsewhere.
func (d *drift) over(day int64, was, usual float64, b like) bool {
	last := d.between(day-weekLeast, day, b)
	if len(last.y) < weekLeast {
		return false
	}
	off := median(last.y)
	if dry := d.dry(day-weekLeast, day, b).y; was > 0 && len(dry) >= dryDays {
		off = median(dry)
	} else if was > 0 && last.top >= cropped {
		return false
	}
	return math.Abs(off) < creepOver*math.Abs(was) || was > 0 && math.Abs(off-usual) < creepOver*(was-usual)
}

// mayBe returns the breathing times that the box may have now: another leaves far
// more of the last weeks than the best of them.
func (d *drift) mayBe(ends [4]int64) (list []int) {
	var left [len(lags)]float64
	least := math.Inf(1)
	for k := range lags {
		left[k] = d.left(ends[2], k)
		least = min(least, left[k])
	}
	for k := range lags {
		if left[k] <= mayLeave*least {
			list = append(list, k)
		}
	}
	return list
}

// drierThanAny tells whether the sensor shows the last week drier than exchange makes
// a box of any breathing time that it may have now, and than it did before.
func (d *drift) drierThanAny(ends [4]int64) bool {
	for _, k := range d.mayBe(ends) {
		now, usual := median(d.between(ends[1], ends[0], one(k)).y), median(d.usual().between(d.oldest(ends[0]), ends[3]+baseAfter, one(k)).y)
		if now > -creepAny*creepLeast || now-usual > -creepAny*shiftLeast {
			return false
		}
	}
	return true
}

// mayBeCooled tells whether air of a house that is cooled may be what makes the box drier
// than outdoors, by lack, more by shift than is usual. What a sensor lacks is the same at
// any hour, and dry air a share of what exchange makes: that tells where it is much, as
// the season changes how a box follows, too.
func mayBeCooled(last, base, before *stretch, lack, shift float64) bool {
	if len(last.x) == 0 || lack > median(last.cool) {
		return false
	}
	follows := base.slope() - last.slope()
	if len(before.y) >= week {
		follows = max(follows, before.slope()-last.slope())
	}
	vapours := shift / max(1, mean(last.x)) * (1 + last.slope())
	return vapours < coolTell || follows > coolPart*vapours
}

// tooMuch tells whether moisture that a sensor shows too much, more by shift than is
// usual, can't be in the air: it shows more than air holds, and more than it did in
// saturated air before; or the excess is the same share of saturation whatever exchange
// brings, in air that nothing has saturated, and is more than a house would add. What
// vapour makes changes with what exchange makes, as far as the box follows that at
// all: air from the wall is a share of it, water grows with the deficit. A season
// changes how the box follows, so that what it did just before tells as well as what it
// did long before.
func tooMuch(last, base, before *stretch, excess, shift float64) bool {
	if last.top >= topLeast && last.top >= base.top+topMore {
		return true
	}
	if len(last.x) == 0 || excess <= median(last.wall) {
		return false
	}
	swing := math.Sqrt(last.q / float64(len(last.y)))
	follows := math.Abs(last.slope() - base.slope())
	if len(before.y) >= week {
		follows = min(follows, math.Abs(last.slope()-before.slope()))
	}
	vapours := shift / max(1, mean(last.x)) * (1 + last.slope())
	return last.sat < dryTop && swing >= swingLeast &&
		vapours >= followTell && follows <= min(followMore, followPart*vapours)
}
