package alarm

import (
	"fmt"

	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// Settle brings a station's open occurrences in step with what time alone
// changes: holds that began, were ended or have expired, and conditions that have
// been over for their off-delay. newest is the station's newest reading.
func Settle(recorded []Occurrence, holds []Hold, limits Table, newest, now unit.Instant) Changes {
	var c Changes
	for _, o := range recorded {
		if o.Revised || o.State == Normal {
			continue
		}
		steps := o.Steps
		c.hold(&o, holds, now)
		reading := newest
		if Of(o.Finding.Kind).Clock {
			reading = now
		}
		clearAt(&c, &o, limits.Of(o.Finding.Kind), reading, now)
		if o.Steps != steps {
			c.Occurrences = append(c.Occurrences, o)
		}
	}
	return c
}

// Retire ends the open occurrences of a station that was retired at an instant, and
// what lasts with them: nobody need act on them any more.
func Retire(recorded []Occurrence, at, now unit.Instant) Changes {
	var c Changes
	for _, o := range recorded {
		if o.Revised || o.State == Normal {
			continue
		}
		if o.Finding.To == 0 {
			o.Finding = retired(o.Finding, at)
			c.move(&o, o.State, o.Finding.To, now, Rules, OverWhy)
		}
		for _, step := range []Step{TakeOut, Release} {
			if to, ok := Next(o.State, step, false, false); ok {
				c.move(&o, to, at, now, Rules, "its station was retired")
			}
		}
		c.Occurrences = append(c.Occurrences, o)
	}
	return c
}

// retired is a finding of a station that was retired at an instant: what lasted then
// is over.
func retired(f finding.Finding, at unit.Instant) finding.Finding {
	if f.To == 0 {
		f.To = max(f.From, at)
	}
	return f
}

// steps by which an occurrence comes into a state in which it is held.
var into = map[State]Step{Shelved: Shelve, Suppressed: Suppress, OutOfService: TakeOut}

// hold holds or releases one occurrence as the holds say.
func (c *Changes) hold(o *Occurrence, holds []Hold, now unit.Instant) {
	h := holding(holds, now, o.Finding.Kind)
	if o.State.Held() && (h == nil || h.State != o.State) {
		who, why := released(o, holds, now)
		to, _ := Next(o.State, Release, false, o.Lasting())
		c.move(o, to, now, now, who, why)
		// Who was to be left alone until now is told, if it still lasts.
		o.Told = o.Told && to != Unacknowledged
	}
	if h == nil || h.State == o.State || o.State == Normal {
		return
	}
	if to, ok := Next(o.State, into[h.State], false, o.Lasting()); ok {
		c.move(o, to, max(h.From, o.Finding.Concluded), now, h.Who, h.Why)
	}
}

// released says who ended the hold of an occurrence, and why: the newest of those
// that are over.
func released(o *Occurrence, holds []Hold, now unit.Instant) (who, why string) {
	who, why = Rules, "its time is over"
	var newest unit.Instant
	for i := range holds {
		h := &holds[i]
		if h.State != o.State || h.Kind != "" && h.Kind != o.Finding.Kind || h.At(now, o.Finding.Kind) || h.Ended == 0 || h.Ended < newest {
			continue
		}
		newest, who, why = h.Ended, h.EndedBy, h.EndedWhy
	}
	return who, why
}

// Refused says why an occurrence is not changed as a person asks.
type Refused struct{ ID, Fix string }

func (r Refused) Error() string { return fmt.Sprintf("alarm %s: %s", r.ID, r.Fix) }

// Seen returns what changes when a person has seen an occurrence, or resets a
// latched one.
func Seen(o Occurrence, step Step, now unit.Instant, who, why string) (Changes, error) {
	var c Changes
	to, ok := Next(o.State, step, Of(o.Finding.Kind).Latches, o.Lasting())
	switch {
	case o.Revised:
		return c, Refused{o.ID(), "later data withdrew it: there is nothing to see"}
	case !ok && o.State.Held():
		return c, Refused{o.ID(), "it is put aside: bring it back first"}
	case !ok && step == Reset && o.State == Latched:
		return c, Refused{o.ID(), "nobody has seen it yet: see it first"}
	case !ok && step == Reset:
		return c, Refused{o.ID(), "it ends by itself, there is nothing to reset"}
	case !ok:
		return c, Refused{o.ID(), "it was seen already"}
	}
	c.move(&o, to, now, now, who, why)
	c.Occurrences = append(c.Occurrences, o)
	return c, nil
}
