package sensing

import (
	"math"
	"time"

	"dewpost/rules/finding"
	"dewpost/rules/means"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Judgement values.
const (
	oddSlots    = 3   // in a day that show what can't be: one may be a glitch
	jumpSlots   = 6   // in a day with a jump: a box that is opened and shut jumps once or twice
	jumpK       = 15  // K within ten minutes
	jumpRH      = 40  // %RH within ten minutes, while the temperature hardly moves
	jumpStill   = 2.0 // K
	oddClear    = 24 * time.Hour
	oddEnd      = 7 * 24 * time.Hour // without any: it is over. A loose contact comes back within days
	aloneReach  = 50 * time.Minute   // from the slot before to the one after: logs of a quarter of an hour
	exact       = 0.006              // agents round to 0.01
	failedShare = 0.5                // of the reads of failedDays
	failedDays  = 7
	failedLeast = 50 // reads
	failedBad   = 4  // days on which as many failed: an agent that was off for the rest of the week leaves two bad days in it
)

// oddity counts what can't be on one channel.
type oddity struct {
	Odd  []int64            `json:"odd,omitempty"`  // instants of slots with an impossible value
	Jump []int64            `json:"jump,omitempty"` // … with a jump
	Off  []int64            `json:"off,omitempty"`  // … that stood apart from those before and after
	Days [failedDays][2]int `json:"days"`           // reads and failed ones by day, the day under way first
	Seen int64              `json:"seen,omitempty"` // the last time that it was odd
}

// What chips send when they have not measured. Raw words 0x8000 of SHT-type
// sensors are T = −45 + 175·0x8000/0xFFFF and RH = 100·0x8000/0xFFFF (SHT3x) or
// −6 + 125·0x8000/0xFFFF (SHT4x); 0x0000 is −45 °C; 85 °C is what one-wire
// thermometers hold before their first conversion (from memory).
var (
	midTemp  = -45 + 175*float64(0x8000)/0xFFFF
	midRH    = [...]float64{100 * float64(0x8000) / 0xFFFF, -6 + 125*float64(0x8000)/0xFFFF}
	zeroTemp = -45.0
	unready  = 85.0
)

func near(v, of float64) bool { return math.Abs(v-of) <= exact }

// impossible tells whether a slot shows a word that is no measurement.
func impossible(m *means.Mean, c reading.Channel) bool {
	ch := &m.Ch[c]
	if ch.N == 0 {
		return false
	}
	switch c {
	case reading.InsideTemp, reading.OutsideTemp:
		return near(ch.Min, zeroTemp) || midWord(m, c, rhOf(c))
	case reading.InsideRH, reading.OutsideRH:
		return midWord(m, tempOf(c), c)
	default:
		return near(ch.Max, unready)
	}
}

func rhOf(temp reading.Channel) reading.Channel {
	if temp == reading.InsideTemp {
		return reading.InsideRH
	}
	return reading.OutsideRH
}

// midWord: both words of the chip stand in the middle.
func midWord(m *means.Mean, temp, rh reading.Channel) bool {
	t, h := &m.Ch[temp], &m.Ch[rh]
	if t.N == 0 || h.N == 0 || !near(t.Max, midTemp) {
		return false
	}
	for _, mid := range midRH {
		if near(h.Min, mid) || near(h.Max, mid) {
			return true
		}
	}
	return false
}

// jumps tells whether a channel moved within a slot as air can't.
func jumps(m *means.Mean, c reading.Channel) bool {
	if m.Ch[c].Max-m.Ch[c].Min <= jumpMost(c) {
		return false
	}
	if !isRH(c) {
		return true
	}
	t := &m.Ch[tempOf(c)]
	return t.N > 0 && t.Max-t.Min < jumpStill
}

// slot is what a slot says of all channels; absent where unknown.
type slot struct {
	At int64           `json:"t"`
	V  [judged]float64 `json:"v"`
}

func slotOf(m *means.Mean) slot {
	x := slot{At: int64(m.Start)}
	for c := range x.V {
		if x.V[c] = absent; m.Ch[c].N > 0 {
			x.V[c] = math.Round(m.Ch[c].Mean*100) / 100
		}
	}
	return x
}

func (x *slot) has(c reading.Channel) bool { return x.At != 0 && x.V[c] != absent }

// alone tells whether the slot before m stood apart from both of its neighbours as far
// as air and boards can't come and go, and by how much: a log with a reading a slot has
// its jumps there. A thin cover may, when the sun comes through for minutes.
func (s *State) alone(m *means.Mean, c reading.Channel) (by float64, yes bool) {
	now := slotOf(m)
	mid, first := &s.Past[0], &s.Past[1]
	if c == reading.CoverTemp || !now.has(c) || !mid.has(c) || !first.has(c) || now.At-first.At > int64(aloneReach) {
		return 0, false
	}
	if isRH(c) {
		t := tempOf(c)
		if !now.has(t) || !mid.has(t) || !first.has(t) || max(math.Abs(mid.V[t]-first.V[t]), math.Abs(mid.V[t]-now.V[t])) >= jumpStill {
			return 0, false
		}
	}
	up, down := mid.V[c]-first.V[c], mid.V[c]-now.V[c]
	by = min(math.Abs(up), math.Abs(down))
	return by, up*down > 0 && by > jumpMost(c)
}

func jumpMost(c reading.Channel) float64 {
	if isRH(c) {
		return jumpRH
	}
	return jumpK
}

func (s *State) judgeOddity(m *means.Mean, c reading.Channel) {
	o := &s.Odd[c]
	o.Days[0][0] += m.Ch[c].N + int(m.Failed[c])
	o.Days[0][1] += int(m.Failed[c])
	start := int64(m.Start)
	note := func(list []int64, yes bool) []int64 {
		for len(list) > 0 && start-list[0] >= int64(oddClear) {
			list = list[1:]
		}
		if yes {
			list, o.Seen = append(list, start), start
		}
		return list[max(0, len(list)-jumpSlots):]
	}
	if o.Odd = note(o.Odd, impossible(m, c)); len(o.Odd) >= oddSlots {
		s.conclude(c, Impossible, unit.Instant(o.Odd[0]), m.Done, 0.95, m.Ch[c].Mean, c.Unit())
	}
	if o.Jump = note(o.Jump, jumps(m, c)); len(o.Jump) >= jumpSlots {
		s.conclude(c, Jumps, unit.Instant(o.Jump[0]), m.Done, 0.8, m.Ch[c].Max-m.Ch[c].Min, c.Unit())
	}
	by, off := s.alone(m, c)
	if o.Off = note(o.Off, off); len(o.Off) >= oddSlots {
		s.conclude(c, Jumps, unit.Instant(o.Off[0]), m.Done, 0.8, by, c.Unit())
	}
	if start-o.Seen >= int64(oddEnd) && m.Ch[c].N > 0 {
		_ = s.end(c, Impossible, m.Done) || s.end(c, Jumps, m.Done)
	}
}

// judgeFailed asks at the end of a day how many reads of a channel failed.
func (s *State) judgeFailed(c reading.Channel, at unit.Instant) {
	o := &s.Odd[c]
	reads, failed, bad := 0, 0, 0
	for _, d := range o.Days {
		reads, failed = reads+d[0], failed+d[1]
		if d[1] > 0 && float64(d[1]) >= failedShare*float64(d[0]) {
			bad++
		}
	}
	share := float64(failed) / float64(max(1, reads))
	switch {
	case reads >= failedLeast && share >= failedShare && bad >= failedBad:
		s.conclude(c, Failed, at.Add(-failedDays*24*time.Hour), at, 0.9, 100*share, "%",
			finding.Evidence{Name: "reads_7_days", Value: float64(reads), Unit: ""})
	case share < failedShare/2:
		s.end(c, Failed, at)
	}
	copy(o.Days[1:], o.Days[:failedDays-1])
	o.Days[0] = [2]int{}
}
