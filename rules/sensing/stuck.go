package sensing

import (
	"math"
	"slices"

	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Judgement values.
const (
	stuckKnown   = 0.75 // of the window's hours
	stuckLeast   = 4.0  // %RH that the swing of temperature must cause
	noiseShare   = 0.25 // of it: less moves a sensor that works seldom, behind the buffers of a box
	noiseMost    = 0.35 // %RH: standard deviation of hourly means of a sensor that sticks with noise
	noiseTimes   = 2.5  // of the deviation that scatter within the hours explains; air moves more
	noiseRatio   = 1.2  // von Neumann's ratio: 2 for independent values, near 0 for air
	noiseFloor   = 0.01 // %RH: what is shown has two decimals
	exactMost    = 0.02 // %RH: no sensor that works is so steady while its own temperature moves by exactK
	coarseShare  = 0.1  // of the hours a sensor that shows few digits stands still, …
	coarseOver   = 240  // … looked at for so many h
	coarseRun    = 12   // h on end that count: what stands still for longer may be stuck
	coarseFirst  = 72   // h before which that isn't known
	coarseLeast  = 20.0 // %RH that the swing must cause there …
	coarseWindow = 36   // … in so many h
	exactK       = 2.0
	repeatsK     = 0.02 // K: a thermometer that moves less in a day only repeats what it said
	cropped      = 99.5 // %RH: what crops at 100 may be
	driest       = 20.0 // %RH: a desiccant holds air steady below
	nearDamp     = 8.0  // %RH below saturation, where fog and puddles hold air steady: more must speak
	shownMore    = 2.5  // %RH that the sensor has shown more than where it stands, in saturated air
	shownFades   = 0.05 // %RH a day that this counts less: in two months it is 3
	dampMost     = 98.0 // %RH
	dampLeast    = 20.0 // %RH that the swing must cause there
	dampShare    = 0.05
	pinnedWithin = 15.0 // %RH below saturation that dew on a cover may hold the air of a box which warms itself, …
	pinnedLead   = 0.1  // h by which the cover leads that air at least, …
	pinnedLeast  = 1.5  // %RH that this must have made of it, …
	pinnedTimes  = 3.0  // … and so many times what it moved
	pinnedDays   = 6    // on end: no fog lasts so long that is as still as a sensor
	swingDays    = 30   // newest days on which it was to swing that tell how much of that the box lets through
	swingFirst   = 10   // … and so many at least
	swingPart    = 0.1  // of them let through less than …
	swingUsual   = 0.4  // … this, in a box that buffers a lot: less is expected
	movesRH      = 1.5  // %RH in six hours: it moves again
	movesK       = 0.5  // K
	tempSwing    = 4.0  // K of another thermometer of the box
	tempShare    = 0.03
	tempFloor    = 0.1  // K
	outdoorSwing = 10.0 // K inside, for the one outdoors
	chipAlone    = 48   // h for which a chip repeats both to the last digit: day and night would move it
	thaws        = 0.5  // °C about which melting ice holds a box
)

// stuckWindows are in hours.
var stuckWindows = [...]int{24, 36, 48}

// judgeStuck asks whether a channel stands still while it must not.
func (s *State) judgeStuck(c reading.Channel, end int64, at unit.Instant, water bool) {
	if f := s.lasting(c); f != nil {
		if low, high, _, n := spread(s.window(6, end), c); f.Cause == Stuck && n >= 3 && high-low > moves(c)+f.Evidence[0].Value {
			s.end(c, Stuck, at)
			if c == reading.InsideRH { // another sensor, or one that has been seen to
				s.Drift.Days, s.Shown = nil, shown{}
			}
		}
		return
	}
	for _, n := range [...]int{6, 24} { // what moves so far in a part of a window can't be still in it
		if low, high, _, _ := spread(s.window(n, end), c); high-low > movesFar(c) {
			return
		}
	}
	for _, n := range stuckWindows {
		hours := s.window(n, end)
		low, high, mean, known := spread(hours, c)
		if float64(known) < stuckKnown*float64(n) {
			continue
		}
		expected, still := s.still(c, n, hours, low, high, mean, water, s.Pinned < pinnedDays)
		if !still {
			continue
		}
		from := hours[0].At
		for i := len(s.Hours) - 1; i >= 0 && (!s.Hours[i].has(c) || math.Abs(s.Hours[i].is(c)-mean) <= high-low+0.01); i-- {
			from = min(from, s.Hours[i].At)
		}
		s.conclude(c, Stuck, unit.Instant(from*hourNs), at, 0.9, high-low, c.Unit(),
			finding.Evidence{Name: "stuck_at", Value: mean, Unit: c.Unit()},
			finding.Evidence{Name: "expected_swing", Value: expected, Unit: c.Unit()})
		return
	}
}

func moves(c reading.Channel) float64 {
	if isRH(c) {
		return movesRH
	}
	return movesK
}

// movesFar is beyond what still takes for no movement: noiseMost over 48 hours
// bounds the range of what is white by 3.43 %RH; no box swings by 46 K.
func movesFar(c reading.Channel) float64 {
	if isRH(c) {
		return 3.5
	}
	return 1.5
}

func isRH(c reading.Channel) bool { return c == reading.InsideRH || c == reading.OutsideRH }

// tempOf is the thermometer in the same chip.
func tempOf(rh reading.Channel) reading.Channel {
	if rh == reading.InsideRH {
		return reading.InsideTemp
	}
	return reading.OutsideTemp
}

// still tells whether a channel that moved from low to high stands still, and
// how much it should have moved. Dew may hold it where the caller says so.
func (s *State) still(c reading.Channel, window int, hours []Hour, low, high, mean float64, water, dewHolds bool) (expected float64, yes bool) {
	if !isRH(c) {
		return s.stillTemp(c, window, hours, low, high)
	}
	if c == reading.OutsideRH && s.Now.Peer {
		return 0, false // not the station's
	}
	temp := tempOf(c)
	cold, warm, _, n := spread(hours, temp)
	if n == 0 || mean < driest || s.Suspect(temp) {
		return 0, false
	}
	if c == reading.InsideRH && warm-cold <= tempFloor {
		temp, cold, warm = s.widestOther(hours, temp, cold, warm) // a chip that repeats itself
	}
	expected = mean * math.Log(satWater(warm)/satWater(cold))
	if c == reading.InsideRH {
		expected *= s.throughput()
	}
	moved := high - low
	dew := c == reading.InsideRH && pinned(hours, temp, mean, cold, high-low)
	least, exact := stuckLeast, warm-cold >= exactK
	if !s.fine(c) {
		least, exact = coarseLeast, window >= coarseWindow && expected >= coarseLeast && !dew
	}
	if moved <= exactMost && mean <= cropped && exact {
		return expected, true // not even scatter is left
	}
	if mostRH(min(cold, 0))-mean < nearDamp {
		// Saturation alone never makes a suspect. It has another level.
		return expected, c == reading.InsideRH && cold > 0 && mean <= dampMost && s.Shown.Top >= mean+shownMore &&
			expected >= dampLeast && moved <= dampShare*expected && !dew && white(hours, c)
	}
	if c == reading.InsideRH && (len(s.Swings) < swingFirst || water || dew && dewHolds) {
		return expected, false // it may be full of paper, and water holds air steady too, and dew
	}
	return expected, expected >= least && moved <= noiseShare*expected && white(hours, c)
}

// watchPinned counts the days on end on which the inside sensor stood still, though dew
// may have held it.
func (s *State) watchPinned(day int64, water bool) {
	const c, window = reading.InsideRH, 24
	hours := s.window(window, (day+1)*dayHours)
	low, high, mean, n := spread(hours, c)
	still := s.lasting(c) == nil && float64(n) >= stuckKnown*window && high-low <= movesFar(c)
	if still {
		_, still = s.still(c, window, hours, low, high, mean, water, false)
	}
	if s.Pinned++; !still {
		s.Pinned = 0
	}
}

// repeats tells whether the humidity of the inside sensor, which shows many digits, stands
// still too, at what needn't be saturation.
func (s *State) repeats(hours []Hour) bool {
	low, high, _, n := spread(hours, reading.InsideRH)
	return n > 0 && high-low <= exactMost && high <= cropped && s.fine(reading.InsideRH)
}

// fine tells whether a humidity is known to show many digits.
func (s *State) fine(rh reading.Channel) bool {
	k := s.Coarse[slices.Index(humidities[:], rh)]
	return k.Seen >= coarseFirst && k.Share <= coarseShare
}

// pinned tells whether the humidity of the inside sensor may be what dew on the cover
// makes of the air, es(cover)/es(air): as long as the cover is colder than the air by
// the same, that stands still however both swing. But the cover leads, by minutes at the
// least: between their fastest rise and their fastest fall the humidity must move.
func pinned(hours []Hour, temp reading.Channel, mean, cold, moved float64) bool {
	least, most := 0.0, 0.0
	for i := 1; i < len(hours); i++ {
		if a, b := &hours[i-1], &hours[i]; a.has(temp) && b.has(temp) && b.At-a.At == 1 {
			step := math.Log(satWater(b.is(temp)) / satWater(a.is(temp)))
			least, most = min(least, step), max(most, step)
		}
	}
	return mostRH(min(cold, 0))-mean < pinnedWithin && mean*pinnedLead*(most-least) < max(pinnedLeast, pinnedTimes*moved)
}

// widestOther returns that other thermometer of the station, not in doubt, which moved
// most, and its range; what it is given without one.
func (s *State) widestOther(hours []Hour, temp reading.Channel, cold, warm float64) (reading.Channel, float64, float64) {
	for _, other := range []reading.Channel{reading.BoardTemp, reading.CoverTemp, reading.OutsideTemp} {
		low, high, _, n := spread(hours, other)
		if float64(n) >= stuckKnown*float64(len(hours)) && !s.Suspect(other) && high-low > warm-cold {
			temp, cold, warm = other, low, high
		}
	}
	return temp, cold, warm
}

// shown is the highest humidity that the inside sensor has shown, by the third highest
// hours of days.
type shown struct {
	Top float64    `json:"top"`
	Day [3]float64 `json:"day"` // of the day under way
}

func (t *shown) endDay() {
	t.Top, t.Day = max(math.Round(100*(t.Top-shownFades))/100, t.Day[2]), [3]float64{}
}

// watchSwing takes note of how much of what its temperature makes the humidity in the
// box has swung on a day. At saturation it wouldn't, nor does it on a day on which the
// sensor may have been stuck.
func (s *State) watchSwing(day int64) {
	const c, temp = reading.InsideRH, reading.InsideTemp
	hours := s.window(dayHours, (day+1)*dayHours)
	low, high, mean, n := spread(hours, c)
	cold, warm, _, both := spread(hours, temp)
	if float64(min(n, both)) < stuckKnown*dayHours || s.Suspect(c) || s.Suspect(temp) || mostRH(min(cold, 0))-mean < nearDamp {
		return
	}
	if expected := mean * math.Log(satWater(warm)/satWater(cold)); expected >= stuckLeast && !white(hours, c) {
		s.Swings = append(s.Swings, short((high-low)/expected, 1000))
		s.Swings = s.Swings[max(0, len(s.Swings)-swingDays):]
	}
}

// throughput is the part of a swing that the buffers of the box let through, against
// a usual box; no more than 1.
func (s *State) throughput() float64 {
	if len(s.Swings) < swingFirst {
		return 1
	}
	low := slices.Sorted(slices.Values(s.Swings))[int(swingPart*float64(len(s.Swings)))]
	return min(1, float64(low)/swingUsual)
}

var humidities = [2]reading.Channel{reading.InsideRH, reading.OutsideRH}

// coarse is what is known of how often a sensor that works stands still.
type coarse struct {
	Seen  int     `json:"seen"` // hours
	Run   int     `json:"run"`  // hours on end that it has stood still now
	Share float64 `json:"share"`
}

// watchCoarse takes note of whether a humidity moved in an hour. One that shows whole
// percents stands still for hours behind the buffers of a box.
func (s *State) watchCoarse(h *Hour) {
	for i, c := range humidities {
		k := &s.Coarse[i]
		if !h.has(c) {
			continue
		}
		n := len(s.Hours)
		still := n > 0 && s.Hours[n-1].has(c) && s.Hours[n-1].V[c] == h.V[c]
		k.Seen++
		if k.Run++; !still {
			k.Run = 0
		}
		if k.Run <= coarseRun {
			k.Share -= k.Share / coarseOver
			if still {
				k.Share += 1.0 / coarseOver
			}
			k.Share = math.Round(k.Share*1e6) / 1e6
		}
	}
}

// white tells whether what moves in a channel is scatter without memory, as small as
// that of a sensor: von Neumann's ratio (1941, from memory) says so of the hours, and
// the steps within them explain how they differ. What doesn't move at all is. Air
// behind the buffers of a box can be nearly as still for days in overcast weather, but
// it drifts.
func white(hours []Hour, c reading.Channel) bool {
	var list []float64
	sum, scatter, told := 0.0, 0.0, 0.0
	for i := range hours {
		h := &hours[i]
		if !h.has(c) {
			continue
		}
		list = append(list, h.is(c))
		sum += list[len(list)-1]
		if w := h.W[slices.Index(humidities[:], c)]; w >= 0 {
			scatter, told = scatter+float64(w), told+1
		}
	}
	mean, steps, squares := sum/float64(len(list)), 0.0, 0.0
	for i, v := range list {
		squares += (v - mean) * (v - mean)
		if i > 0 {
			steps += (v - list[i-1]) * (v - list[i-1])
		}
	}
	n := float64(len(list))
	floor := n * noiseFloor * noiseFloor
	if told > n/2 && squares > noiseTimes*noiseTimes*scatter*n/told+floor {
		return false
	}
	return squares <= n*noiseMost*noiseMost && steps >= noiseRatio*squares || squares <= floor
}

// stillTemp is still of a thermometer, beside the others of the station that are not in
// doubt.
func (s *State) stillTemp(c reading.Channel, window int, hours []Hour, low, high float64) (expected float64, yes bool) {
	if c == reading.InsideTemp {
		if expected, yes = s.chip(window, hours, low, high); yes {
			return expected, true
		}
	}
	expected = 0
	least := tempSwing
	if c == reading.OutsideTemp {
		least = outdoorSwing
	}
	for _, other := range []reading.Channel{reading.InsideTemp, reading.BoardTemp, reading.CoverTemp} {
		if other == c || s.Suspect(other) {
			continue
		}
		if cold, warm, _, n := spread(hours, other); n > len(hours)*3/4 {
			expected = max(expected, warm-cold)
		}
	}
	return expected, expected >= least && high-low <= tempShare*expected+tempFloor
}

// chip tells whether the inside sensor repeats temperature and humidity, or both but for
// scatter without memory, while another thermometer moves, the one outdoors too. No box
// is so well wrapped; one that holds melting ice is. What comes back to the last digit
// for two days and nights, and swung on days before, needs no other.
func (s *State) chip(window int, hours []Hour, low, high float64) (expected float64, yes bool) {
	_, cold, warm := s.widestOther(hours, reading.InsideTemp, low, high)
	expected = warm - cold
	if high-low <= repeatsK && s.repeats(hours) {
		return expected, expected >= exactK || high == low && window >= chipAlone && len(s.Swings) >= swingFirst
	}
	rhLow, rhHigh, _, n := spread(hours, reading.InsideRH)
	return expected, float64(n) >= stuckKnown*float64(window) && rhLow >= driest && rhHigh <= cropped && s.fine(reading.InsideRH) &&
		high-low <= tempFloor && expected >= tempSwing && (low > thaws || high < -thaws) && white(hours, reading.InsideRH)
}
