package view

import (
	"time"

	"dewpost/rules/exposure"
	"dewpost/rules/unit"
)

// Night is the time from one local noon to the next, and what the ledger says
// of it.
type Night struct {
	From, To  unit.Instant
	Sum       Sum           // of the hours that begin in the night
	NotHeard  time.Duration // elapsed, but neither known nor unknown: nothing came
	Installed bool          // the station had been heard of before the night ended
}

// Known tells whether the ledger knows any of the night.
func (n *Night) Known() bool { return n.Sum.Known > 0 }

// Dark returns for how long nothing is known: unknown or not heard.
func (n *Night) Dark() time.Duration { return time.Duration(n.Sum.Unknown) + n.NotHeard }

// Middle returns the middle of what the night has of the given stretches; ok
// is false when it has none. They are in order.
func (n *Night) Middle(stretches []Interval) (at unit.Instant, ok bool) {
	var total time.Duration
	for _, s := range stretches {
		total += n.within(s)
	}
	left := total / 2
	for _, s := range stretches {
		if part := n.within(s); part > 0 && part >= left {
			return max(s.From, n.From).Add(left), true
		} else {
			left -= part
		}
	}
	return 0, false
}

// within returns how much of a stretch lies in the night.
func (n *Night) within(s Interval) time.Duration {
	return max(0, min(s.To, n.To).Sub(max(s.From, n.From)))
}

// noonBefore returns the last local noon at or before t. Where a clock change
// skips or repeats noon, the time package's choice holds.
func noonBefore(t unit.Instant, zone *time.Location) unit.Instant {
	local := t.Time().In(zone)
	noon := unit.At(time.Date(local.Year(), local.Month(), local.Day(), 12, 0, 0, 0, zone))
	if noon > t {
		noon = unit.At(time.Date(local.Year(), local.Month(), local.Day()-1, 12, 0, 0, 0, zone))
	}
	return noon
}

// nightsUntil returns the empty nights from the one that holds from to the one
// that holds to.
func nightsUntil(from, to unit.Instant, zone *time.Location) []Night {
	var nights []Night
	first := noonBefore(from, zone).Time().In(zone)
	for i := 0; ; i++ {
		n := Night{
			From: unit.At(time.Date(first.Year(), first.Month(), first.Day()+i, 12, 0, 0, 0, zone)),
			To:   unit.At(time.Date(first.Year(), first.Month(), first.Day()+i+1, 12, 0, 0, 0, zone)),
		}
		if n.From > to {
			return nights
		}
		nights = append(nights, n)
	}
}

// lastNights returns count empty nights, of which the last holds now.
func lastNights(now unit.Instant, zone *time.Location, count int) []Night {
	local := noonBefore(now, zone).Time().In(zone)
	first := unit.At(time.Date(local.Year(), local.Month(), local.Day()-count+1, 12, 0, 0, 0, zone))
	return nightsUntil(first, now, zone)
}

// fill adds the hours to the nights in which they begin. first is the time of
// the station's first reading, 0 when there is none or when it lies before all
// nights; now ends what has elapsed.
func fill(nights []Night, hours []exposure.Hour, first, now unit.Instant) {
	i := 0
	for h := range hours {
		for i < len(nights) && hours[h].Start >= nights[i].To {
			i++
		}
		if i == len(nights) {
			break
		}
		if hours[h].Start >= nights[i].From {
			nights[i].Sum.Add(&hours[h])
		}
	}
	for i := range nights {
		n := &nights[i]
		n.Installed = first < n.To
		elapsed := min(n.To, now).Sub(max(n.From, first))
		n.NotHeard = max(0, elapsed-time.Duration(n.Sum.Known+n.Sum.Unknown))
		if !n.Installed {
			n.NotHeard = 0
		}
	}
}

// sum adds up the hours that begin in [from, to).
func sum(hours []exposure.Hour, from, to unit.Instant) exposure.Hour {
	var s exposure.Hour
	for i := range hours {
		if h := &hours[i]; h.Start >= from && h.Start < to {
			s.Add(h)
		}
	}
	return s
}
