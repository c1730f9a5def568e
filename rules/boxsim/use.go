package boxsim

import (
	"math"

	"dewpost/rules/unit"
)

// Use is what people do with a station. Hours are those of the clock in UTC.
type Use struct {
	RadioH    float64 // the radio plays this long a day in the mean, in one stretch that begins from 6 to 18 h; 0 is never
	RadioMA   float64
	Calls     float64 // short calls a day, of one to six minutes from 7 to 22 h
	TalkMA    float64
	LongCalls float64 // share of days with talk for one to five hours on end, beginning from 17 to 23 h
}

// stretch is a time with a current on top of standby.
type stretch struct {
	from, to unit.Instant
	mA       float64
}

// busyDay is the use of one UTC day, which may last into the next.
type busyDay struct {
	day       int64
	known     bool
	stretches []stretch
}

// inUse returns the current that use adds at t in mA, stretches shorter than
// shortest left out. One thing at a time: who talks mutes the radio.
func (s *Sim) inUse(t, shortest unit.Instant) float64 {
	u := &s.box.Use
	if u.RadioH <= 0 && u.Calls <= 0 && u.LongCalls <= 0 {
		return 0
	}
	s.busy.look(u, s.seed, t)
	most := 0.0
	for i := range s.busy.stretches {
		if x := &s.busy.stretches[i]; t >= x.from && t < x.to && x.to-x.from >= shortest {
			most = max(most, x.mA)
		}
	}
	return most
}

// shownUse is the use that a line meter shows at t: it reports the median since
// the last reading, in which a call shorter than half of that is not seen.
func (s *Sim) shownUse(t unit.Instant) float64 {
	since := t - s.shownAt
	if since <= 0 || since > hour {
		since = 0
	}
	return s.inUse(t-since/2, since/2)
}

// power is the power that the board turns into heat at t, as a share of that
// at standby.
func (s *Sim) power(t unit.Instant) float64 {
	if s.box.StandbyMA <= 0 {
		return 1
	}
	return 1 + s.inUse(t, 0)/s.box.StandbyMA
}

// look makes the stretches that may touch the day of t.
func (b *busyDay) look(u *Use, seed uint64, t unit.Instant) {
	day := int64(math.Floor(float64(t) / (24 * hour)))
	if b.known && b.day == day {
		return
	}
	b.day, b.known, b.stretches = day, true, b.stretches[:0]
	for d := day - 1; d <= day; d++ {
		b.add(u, mix(seed^mix(useDraw+uint64(d))), unit.Instant(d*24*hour))
	}
}

const useDraw = 0x757365 // sets the draws of use apart from others of the seed

// add draws the use of the day that begins at midnight.
func (b *busyDay) add(u *Use, bits uint64, midnight unit.Instant) {
	draw := func() float64 {
		bits = mix(bits)
		return share(bits)
	}
	put := func(fromH, hours, mA float64) {
		from := midnight + unit.Instant(fromH*hour)
		b.stretches = append(b.stretches, stretch{from, from + min(unit.Instant(hours*hour), 24*hour), mA})
	}
	if u.RadioH > 0 {
		put(6+12*draw(), u.RadioH*(0.5+draw()), u.RadioMA)
	}
	if draw() < u.LongCalls {
		put(17+6*draw(), 1+4*draw(), u.TalkMA)
	}
	for n := u.Calls + draw(); n >= 1; n-- {
		put(7+15*draw(), (1+5*draw())/60, u.TalkMA)
	}
}
