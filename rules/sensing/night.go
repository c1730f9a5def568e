package sensing

import (
	"cmp"
	"math"
	"slices"

	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Judgement values.
const (
	keepNights  = 40
	nightCold   = 6 // hours of a day, the coldest: no sun
	ownNights   = 14
	parted      = 5 // nights on end
	partedK     = 3.0
	partedTimes = 6.0 // of the nights' own scatter
)

// Night is by how much thermometers differ in the coldest hours of a UTC day
// from the air in the box, K; absent where unknown.
type Night struct {
	Day int64           `json:"d"`
	Off [judged]float32 `json:"o"`
}

// judgeNight asks whether a thermometer has left the one in the air of the box.
// By night, without sun, they differ by a bias and by what a clear sky and the
// board's own heat make.
func (s *State) judgeNight(day int64, at unit.Instant) {
	var hours []Hour
	for _, h := range s.Hours {
		if h.At/dayHours == day && h.has(reading.InsideTemp) {
			hours = append(hours, h)
		}
	}
	if len(hours) < 2*nightCold || s.Suspect(reading.InsideTemp) && s.lasting(reading.InsideTemp).Cause != Disagrees {
		return
	}
	slices.SortStableFunc(hours, func(a, b Hour) int {
		return cmp.Compare(a.is(reading.InsideTemp), b.is(reading.InsideTemp))
	})
	n := Night{Day: day}
	for c := range n.Off {
		n.Off[c] = absent
		var offs []float64
		for i := range hours[:nightCold] {
			if h := &hours[i]; h.V[c] != absent && !isRH(reading.Channel(c)) {
				offs = append(offs, float64(h.V[c])-h.is(reading.InsideTemp))
			}
		}
		if len(offs) >= nightCold/2 {
			n.Off[c] = float32(math.Round(100*median(offs)) / 100)
		}
	}
	s.Nights = append(s.Nights, n)
	for s.Nights[0].Day <= day-keepNights {
		s.Nights = s.Nights[1:]
	}
	var left []reading.Channel
	var off [judged]float64
	compared := 0
	for _, c := range []reading.Channel{reading.BoardTemp, reading.CoverTemp, reading.OutsideTemp} {
		apart, away, known := s.parted(c)
		if !known {
			continue
		}
		compared++
		if off[c] = away; apart {
			left = append(left, c)
		} else {
			s.end(c, Disagrees, at)
		}
	}
	if compared > 0 && len(left) < max(2, compared) {
		s.end(reading.InsideTemp, Disagrees, at)
	}
	from := unit.Instant((day - parted + 1) * dayHours * hourNs)
	if len(left) > 1 && len(left) == compared { // all left: it is the one in the air that did
		if !slices.ContainsFunc(left, func(c reading.Channel) bool { return off[c]*off[left[0]] < 0 }) {
			s.conclude(reading.InsideTemp, Disagrees, from, at, 0.8, -off[left[0]], "K")
			return
		}
	}
	for _, c := range left {
		confidence := 0.8
		if compared == 1 {
			confidence = 0.5 // it may be the other of the two
		}
		s.conclude(c, Disagrees, from, at, confidence, off[c], "K", finding.Evidence{Name: "nights", Value: parted, Unit: "d"})
	}
}

// parted tells whether a channel differed in each of the last nights from its
// own median before by far more than is usual, and by how much.
func (s *State) parted(c reading.Channel) (apart bool, off float64, known bool) {
	var own, last []float64
	for i := len(s.Nights) - 1; i >= 0; i-- {
		if v := float64(s.Nights[i].Off[c]); v == absent {
			continue
		} else if len(last) < parted {
			last = append(last, v)
		} else {
			own = append(own, v)
		}
	}
	if len(own) < ownNights {
		return false, 0, false
	}
	usual := median(own)
	for i, v := range own {
		own[i] = math.Abs(v - usual)
	}
	limit := max(partedK, partedTimes*1.4826*median(own))
	apart = true
	for _, v := range last {
		apart = apart && math.Abs(v-usual) > limit && (v > usual) == (last[0] > usual)
	}
	return apart, median(last) - usual, true
}
