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
	backNights  = 3 // nights on end, within partedK of what was usual
	partedK     = 3.0
	partedTimes = 6.0 // of the nights' own scatter
)

// others are held against the thermometer in the air of the box.
var others = []reading.Channel{reading.BoardTemp, reading.CoverTemp, reading.OutsideTemp}

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
	if s.rejoined(at) {
		return
	}
	var left []reading.Channel
	var off [judged]float64
	usual := make([]float32, judged)
	compared := 0
	for _, c := range others {
		apart, away, own, known := s.parted(c)
		if usual[c] = absent; !known {
			continue
		}
		compared++
		if off[c], usual[c] = away, float32(own); apart {
			left = append(left, c)
		}
	}
	from := unit.Instant((day - parted + 1) * dayHours * hourNs)
	if len(left) > 1 && len(left) == compared && !slices.ContainsFunc(left, func(c reading.Channel) bool { return off[c]*off[left[0]] < 0 }) {
		// All left: it is the one in the air that did.
		s.conclude(reading.InsideTemp, Disagrees, from, at, 0.8, -off[left[0]], "K")
		s.remember(reading.InsideTemp, usual)
		return
	}
	for _, c := range left {
		confidence := 0.8
		if compared == 1 {
			confidence = 0.5 // it may be the other of the two
		}
		s.conclude(c, Disagrees, from, at, confidence, off[c], "K", finding.Evidence{Name: "nights", Value: parted, Unit: "d"})
		s.remember(c, usual)
	}
}

// remember keeps what was usual before a thermometer left the others.
func (s *State) remember(c reading.Channel, usual []float32) {
	if f := s.lasting(c); f != nil && f.Cause == Disagrees {
		f.Usual = usual
	}
}

// rejoined ends what lasts of thermometers that are back, and tells whether
// the one in the air is still away: nothing can be held against it then.
func (s *State) rejoined(at unit.Instant) (away bool) {
	n := len(s.Nights)
	for _, c := range append([]reading.Channel{reading.InsideTemp}, others...) {
		f := s.lasting(c)
		if f == nil || f.Cause != Disagrees || n < backNights {
			continue
		}
		back := 0
		for i := range s.Nights[n-backNights:] {
			night := &s.Nights[n-backNights+i]
			for _, o := range others {
				if (o == c || c == reading.InsideTemp) && f.Usual[o] != absent && night.Off[o] != absent && math.Abs(float64(night.Off[o]-f.Usual[o])) < partedK {
					back++
					break
				}
			}
		}
		if back == backNights {
			s.end(c, Disagrees, at)
			from := f.From / hourNs / dayHours
			s.Nights = slices.DeleteFunc(s.Nights, func(n Night) bool { return n.Day >= from })
			return false
		}
		away = away || c == reading.InsideTemp
	}
	return away
}

// parted tells whether a channel differed in each of the last nights from its
// own median before by far more than is usual, by how much, and that median.
func (s *State) parted(c reading.Channel) (apart bool, off, usual float64, known bool) {
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
		return false, 0, 0, false
	}
	usual = median(own)
	for i, v := range own {
		own[i] = math.Abs(v - usual)
	}
	limit := max(partedK, partedTimes*1.4826*median(own))
	apart = true
	for _, v := range last {
		apart = apart && math.Abs(v-usual) > limit && (v > usual) == (last[0] > usual)
	}
	return apart, median(last) - usual, usual, true
}
