package sensing

import (
	"math"

	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Judgement values.
const (
	stuckKnown   = 0.75 // of the window's hours
	stuckLeast   = 4.0  // %RH that the swing of temperature must cause
	stuckShare   = 0.08 // of it: less moves no sensor that works, behind the buffers of a box
	stuckFloor   = 0.1  // %RH beside that, for scatter
	stuckMost    = 0.8  // %RH: a front can hold humidity to a few
	noiseShare   = 0.25 // of it, where what moves is scatter
	noiseMost    = 0.35 // %RH: standard deviation of hourly means of a sensor that sticks with noise
	noiseRatio   = 1.2  // von Neumann's ratio: 2 for independent values, near 0 for air
	exactMost    = 0.02 // %RH: no sensor that works is so steady while its own temperature moves by exactK
	exactK       = 2.0
	cropped      = 99.5 // %RH: what crops at 100 may be
	driest       = 20.0 // %RH: a desiccant holds air steady below
	nearDamp     = 8.0  // %RH below saturation, where fog and puddles hold air steady: more must speak
	shownMore    = 2.5  // %RH that the sensor has shown more than where it stands, in saturated air
	dampMost     = 98.0 // %RH
	dampLeast    = 20.0 // %RH that the swing must cause there
	dampShare    = 0.05
	movesRH      = 1.5 // %RH in six hours: it moves again
	movesK       = 0.5 // K
	tempSwing    = 4.0 // K of another thermometer of the box
	tempShare    = 0.03
	tempFloor    = 0.1  // K
	outdoorSwing = 10.0 // K inside, for the one outdoors
)

// stuckWindows are in hours.
var stuckWindows = [...]int{24, 36, 48}

// judgeStuck asks whether a channel stands still while it must not.
func (s *State) judgeStuck(c reading.Channel, end int64, at unit.Instant) {
	if f := s.lasting(c); f != nil {
		if low, high, _, n := spread(s.window(6, end), c); f.Cause == Stuck && n >= 3 && high-low > moves(c) {
			s.end(c, Stuck, at)
			if c == reading.InsideRH {
				s.Drift.Days = nil // another sensor, or one that has been seen to
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
		expected, still := s.still(c, hours, low, high, mean)
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
// how much it should have moved.
func (s *State) still(c reading.Channel, hours []Hour, low, high, mean float64) (expected float64, yes bool) {
	if !isRH(c) {
		return stillTemp(c, hours, low, high)
	}
	if c == reading.OutsideRH && s.Now.Peer {
		return 0, false // not the station's
	}
	temp := tempOf(c)
	cold, warm, _, n := spread(hours, temp)
	if n == 0 || mean < driest || s.Suspect(temp) {
		return 0, false
	}
	expected = mean * math.Log(satWater(warm)/satWater(cold))
	moved := high - low
	if moved <= exactMost && warm-cold >= exactK && mean <= cropped {
		return expected, true // not even scatter is left
	}
	if mostRH(min(cold, 0))-mean < nearDamp {
		// Saturation alone never makes a suspect. It has another level.
		return expected, c == reading.InsideRH && cold > 0 && mean <= dampMost && s.Drift.top() >= mean+shownMore &&
			expected >= dampLeast && moved <= dampShare*expected && white(hours, c)
	}
	if expected < stuckLeast {
		return expected, false
	}
	return expected, moved <= min(stuckMost, stuckShare*expected+stuckFloor) || moved <= noiseShare*expected && white(hours, c)
}

// white tells whether what moves in a channel is scatter without memory, as
// small as that of a sensor: von Neumann's ratio (1941, from memory). What
// doesn't move at all is.
func white(hours []Hour, c reading.Channel) bool {
	var list []float64
	sum := 0.0
	for i := range hours {
		if hours[i].has(c) {
			list = append(list, hours[i].is(c))
			sum += list[len(list)-1]
		}
	}
	mean, steps, squares := sum/float64(len(list)), 0.0, 0.0
	for i, v := range list {
		squares += (v - mean) * (v - mean)
		if i > 0 {
			steps += (v - list[i-1]) * (v - list[i-1])
		}
	}
	return squares <= noiseMost*noiseMost*float64(len(list)) && steps >= noiseRatio*squares
}

// stillTemp is still of a thermometer, beside the others of the station.
func stillTemp(c reading.Channel, hours []Hour, low, high float64) (expected float64, yes bool) {
	least := tempSwing
	if c == reading.OutsideTemp {
		least = outdoorSwing
	}
	for _, other := range []reading.Channel{reading.InsideTemp, reading.BoardTemp, reading.CoverTemp} {
		if other == c {
			continue
		}
		if cold, warm, _, n := spread(hours, other); n > len(hours)*3/4 {
			expected = max(expected, warm-cold)
		}
	}
	return expected, expected >= least && high-low <= tempShare*expected+tempFloor
}
