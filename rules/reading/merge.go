package reading

import (
	"cmp"
	"slices"
	"strings"
)

// Merge sorts readings by time and merges those of one instant channel by
// channel: where values differ, that of a reading with run and seq wins, then
// the smaller number. What comes out has no key; its flags are the sorted set
// of all flags of the instant. A reading flagged sensor_heater gives no inside
// temperature and RH, but tells them by Reading.Hot, of several the warmest. The
// result is the same for any order of rs, and for any
// number of copies of a reading. It works in place: rs is used up.
func Merge(rs []Reading) []Reading {
	for i := 1; i < len(rs); i++ {
		if rs[i].Time < rs[i-1].Time {
			slices.SortStableFunc(rs, func(a, b Reading) int { return cmp.Compare(a.Time, b.Time) })
			break
		}
	}
	n := 0
	for i := 0; i < len(rs); n++ {
		j := i + 1
		for j < len(rs) && rs[j].Time == rs[i].Time {
			j++
		}
		if r := &rs[n]; j == i+1 && rs[i].Flags == "" {
			if n != i {
				*r = rs[i]
			}
			r.Run, r.Seq = "", 0
		} else {
			*r = mergeInstant(rs[i:j])
		}
		i = j
	}
	return rs[:n]
}

func mergeInstant(same []Reading) Reading {
	m := Reading{Time: same[0].Time}
	var keyed uint16 // channels whose value came from a reading with a key
	for i := range same {
		r := &same[i]
		heater := r.HasFlag(FlagHeater)
		m.hot = warmer(m.hot, r.hot)
		if temp, known := r.Get(InsideTemp); heater && known && r.Has(InsideRH) {
			m.hot = warmer(m.hot, Hot{true, temp, r.values[InsideRH]})
		}
		for c := range NumChannels {
			v, ok := r.Get(c)
			if !ok || heater && (c == InsideTemp || c == InsideRH) {
				continue
			}
			old, had := m.Get(c)
			bit := uint16(1) << c
			switch {
			case !had, r.Keyed() && keyed&bit == 0:
				m.Set(c, v)
			case !r.Keyed() && keyed&bit != 0, v >= old:
				continue
			default:
				m.Set(c, v)
			}
			if r.Keyed() {
				keyed |= bit
			}
		}
	}
	m.Flags = mergeFlags(same)
	return m
}

func warmer(a, b Hot) Hot {
	if !a.There || b.There && (b.Temp > a.Temp || b.Temp == a.Temp && b.RH > a.RH) {
		return b
	}
	return a
}

func mergeFlags(same []Reading) string {
	if len(same) == 1 && !strings.Contains(same[0].Flags, ",") {
		return same[0].Flags
	}
	var all []string
	for i := range same {
		for f := range strings.SplitSeq(same[i].Flags, ",") {
			if f != "" {
				all = append(all, f)
			}
		}
	}
	slices.Sort(all)
	return strings.Join(slices.Compact(all), ",")
}
