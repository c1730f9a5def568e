package sun

import "dewpost/rules/unit"

// Nights answers whether an instant is night at a place. It remembers the
// stretch of light or dark that it was last asked about, so that a walk through
// time costs a comparison per question; what it remembers never changes an
// answer. Not for use by several goroutines at once.
type Nights struct {
	place *Place

	// The last answer holds in [from, to).
	from, to unit.Instant
	night    bool

	days [4]cached // light by day modulo 4: a day and its neighbours
}

type cached struct {
	day   int64
	known bool
	light light
}

// NewNights returns the nights of a place. Without a place it is always night.
func NewNights(p *Place) *Nights { return &Nights{place: p} }

// At returns whether t is night: sunset ≤ t < sunrise. All of a polar night is
// night, none of a polar day.
//
// Source: [NOAA-SOLCALC] sunrise, sunset
func (n *Nights) At(t unit.Instant) bool {
	if n.from <= t && t < n.to {
		return n.night
	}
	if n.place == nil {
		return true
	}
	n.settle(t)
	return n.night
}

// settle finds the stretch around t within its solar day in which no sunrise
// or sunset lies. Light of the days before and after can reach into it, as
// noon moves against mean time.
func (n *Nights) settle(t unit.Instant) {
	day := n.place.dayOf(t)
	n.from, n.to, n.night = n.place.midnight(day), n.place.midnight(day+1), true
	for d := day - 1; d <= day+1; d++ {
		l := n.lightOf(d)
		for _, edge := range [2]unit.Instant{l.rise, l.set} {
			if edge <= t {
				n.from = max(n.from, edge)
			} else {
				n.to = min(n.to, edge)
			}
		}
		if l.rise <= t && t < l.set {
			n.night = false
		}
	}
}

func (n *Nights) lightOf(day int64) light {
	c := &n.days[uint64(day)%uint64(len(n.days))]
	if !c.known || c.day != day {
		*c = cached{day: day, known: true, light: n.place.lightOf(day)}
	}
	return c.light
}
