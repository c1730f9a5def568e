package life

import (
	"cmp"
	"math"
	"slices"

	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// Sight is what somebody saw of a board.
type Sight struct {
	At       unit.Instant
	Corroded bool // more than traces
	Changed  bool // another board was fitted then, whatever was seen of it
}

// Looks tells what a station teaches: of each board up to the first time that it
// was seen corroded, and of each cover up to the first crack. seen is what was
// found in it, in any order. A board whose dose can't be told, of which too
// little is known, teaches nothing; of one that was used before, its grade says
// only between which bounds its life is used.
func (h *History) Looks(seen []Sight, hours []exposure.Hour, water []Span, now unit.Instant) []Look {
	seen = slices.DeleteFunc(slices.Clone(seen), func(s Sight) bool { return s.At > now })
	slices.SortStableFunc(seen, func(a, b Sight) int { return cmp.Compare(a.At, b.At) })
	bare := &History{own: h.own, stretch: h.stretch, anyBuild: h.anyBuild} // looks are in budgets of common practice
	l := newLedger(bare, hours, water)
	var all []Look
	for i := 0; i < len(seen); {
		end := i
		since := bare.boardSince(seen[i].At, hours)
		for end < len(seen) && bare.boardSince(seen[end].At, hours) == since && !seen[end].Changed {
			end++
		}
		if look, ok := bare.boardLook(l, seen[i:end]); ok {
			all = append(all, look)
		}
		i = max(end, i+1)
	}
	return append(all, bare.coverLooks(now)...)
}

// boardSince returns since when the board that was there at t was there.
func (h *History) boardSince(t unit.Instant, hours []exposure.Hour) unit.Instant {
	var b Board
	h.start(&b, hours, t)
	return b.Since
}

// boardLook tells what looks at one board, in order, teach.
func (h *History) boardLook(l *ledger, seen []Sight) (look Look, ok bool) {
	look.High = math.Inf(1)
	for _, s := range seen {
		var b Board
		start := h.start(&b, l.hours, s.At)
		sum := l.used(b.Since, s.At)
		if len(b.Missing) > 0 || sum.blind || sum.knownTime == 0 {
			continue
		}
		look.Group, ok = b.Build, true
		if used := start[2] + sum.known + sum.guess; s.Corroded {
			look.High = max(used, look.Low)
			break
		}
		look.Low = max(look.Low, start[0]+sum.known+sum.guess)
	}
	return look, ok && look.High > look.Low && (look.Low > 0 || !math.IsInf(look.High, 1))
}

// coverLooks tells what is known of each cover's first crack.
func (h *History) coverLooks(now unit.Instant) (all []Look) {
	middle := math.Exp(crackMiddle)
	for _, in := range fact.Intervals(h.own, fact.CoverNew) {
		fresh, ok := dateOf(in.Value)
		if !ok || fresh > now {
			continue
		}
		look := Look{Group: CoverGroup, High: math.Inf(1)}
		var conditions []fact.Fact
		for i := range h.own {
			f := h.own[i]
			if f.Name != fact.CoverCondition || !h.stands(&f) {
				continue
			}
			if f.From = seenAt(&f); f.From > fresh && f.From <= now && (in.From == fact.Always || f.From >= in.From) && f.From < in.To {
				conditions = append(conditions, f)
			}
		}
		slices.SortStableFunc(conditions, func(a, b fact.Fact) int { return cmp.Compare(a.From, b.From) })
		for i := range conditions {
			age, _ := h.outdoors(fresh, conditions[i].From)
			switch age /= middle; conditions[i].Value {
			case "sound", crazed:
				look.Low = max(look.Low, age)
				continue
			case "cracked":
				look.High = age
			}
			break
		}
		if look.High > look.Low && (look.Low > 0 || !math.IsInf(look.High, 1)) {
			all = append(all, look)
		}
	}
	return all
}
