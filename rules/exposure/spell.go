package exposure

import (
	"time"

	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

// Constants of a wet spell. Judgement values.
const (
	SpellDeadband = 0.3       // K of margin that a surface must reach to be leaving a spell
	SpellOffDelay = time.Hour // and for how long, before the spell is over

	afterSunrise = 4 * time.Hour  // a surface still wet then did not dry as it should
	onEnd        = 12 * time.Hour // the same where there is no sunrise to go by
)

// Spell is a stretch of condensing that lasted so long that a sound box would
// have dried: still there 4 h after the sunrise that it met, or, where there is
// none to go by, 12 h on end. Rises of the margin beyond SpellDeadband, and
// unknown time, that last shorter than SpellOffDelay don't end it.
type Spell struct {
	From      unit.Instant
	To        unit.Instant // 0 while it lasts
	Concluded unit.Instant // the reading with which it had lasted long enough
}

// theta remembers when the spell that began at since, at a place, has lasted
// long enough.
type theta struct {
	since, at unit.Instant
	place     *sun.Place
}

func (th *theta) of(since unit.Instant, place *sun.Place) unit.Instant {
	if th.since != since || th.place != place || th.at == 0 {
		*th = theta{since, longEnough(since, place), place}
	}
	return th.at
}

// longEnough returns when a spell that began at since has lasted so long that
// a sound box would have dried: 4 h after the sunrise that it meets. A spell
// that begins within 4 h after a sunrise says nothing of that night; it, and
// any where there is no sunrise to go by, must last 12 h.
func longEnough(since unit.Instant, place *sun.Place) unit.Instant {
	if place == nil {
		return since.Add(onEnd)
	}
	rise, ok := place.NextSunrise(since.Add(-afterSunrise))
	if !ok || rise <= since || rise.Sub(since) > 24*time.Hour {
		return since.Add(onEnd)
	}
	return rise.Add(afterSunrise)
}

// wetPiece moves the wet spell through [from, to) of a known segment.
func (f *folder) wetPiece(g *segment, from, to int64, v *validity) {
	c := &f.carry
	if c.WetSince == 0 && g.wet.within(from, to) == 0 {
		return
	}
	if c.WetSince != 0 && c.WetLeft == 0 && g.dry.within(from, to) == 0 {
		f.conclude(g, to, v) // goes on
		return
	}
	cuts := cutsOf(from, to, g.wet, g.dry)
	for i := 1; i < len(cuts); i++ {
		a, b := cuts[i-1], cuts[i]
		switch {
		case g.wet.holds(a):
			if c.WetSince == 0 {
				c.WetSince = unit.Instant(a)
			}
			c.WetLeft = 0
		case g.dry.holds(a):
			f.leave(a)
		}
		f.settle(b)
		f.conclude(g, b, v)
	}
}

// conclude notes the reading with which a spell that goes on at t has lasted
// long enough.
func (f *folder) conclude(g *segment, t int64, v *validity) {
	c := &f.carry
	if c.WetSince != 0 && c.WetLeft == 0 && c.WetConcluded == 0 && unit.Instant(t) > f.theta.of(c.WetSince, v.Place) {
		c.WetConcluded = unit.Instant(g.t1)
	}
}

// dryPiece moves the wet spell through unknown time, which says neither wet
// nor dry: the spell is over when nothing wet is heard of in time.
func (f *folder) dryPiece(from, to int64) {
	f.leave(from)
	f.settle(to)
}

func (f *folder) leave(at int64) {
	if c := &f.carry; c.WetSince != 0 && c.WetLeft == 0 {
		c.WetLeft = unit.Instant(at)
	}
}

// settle ends a spell that has been left for long enough by t.
func (f *folder) settle(t int64) {
	c := &f.carry
	if c.WetLeft == 0 || unit.Instant(t).Sub(c.WetLeft) < SpellOffDelay {
		return
	}
	if c.WetConcluded != 0 {
		f.spells = append(f.spells, Spell{From: c.WetSince, To: c.WetLeft, Concluded: c.WetConcluded})
	}
	c.WetSince, c.WetLeft, c.WetConcluded = 0, 0, 0
}

// Spells returns the spells that a stretch of ledger knows, by what its hours hand
// to each other: those that Fold gave when it made them.
func Spells(hours []Hour) (list []Spell) {
	var open Spell // From 0: none
	var left unit.Instant
	for i := range hours {
		end := &hours[i].End
		if open.From != 0 && end.WetSince != open.From {
			// One that was left and settled within the hour was left at its start.
			if open.To = left; left == 0 {
				open.To = hours[i].Start
			}
			list, open = append(list, open), Spell{}
		}
		if end.WetSince != 0 && end.WetConcluded != 0 {
			open = Spell{From: end.WetSince, Concluded: end.WetConcluded}
		}
		left = end.WetLeft
	}
	if open.From != 0 {
		list = append(list, open)
	}
	return list
}
