package finding

import (
	"math"
	"slices"
	"strings"
	"time"

	"dewpost/rules/exposure"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Doubt is a time in which a sensor that tells how wet a board is was in doubt.
// It begins with the reading with which that was concluded: what had been
// concluded before stays.
type Doubt struct {
	From, To unit.Instant // To 0: it lasts
	Board    bool         // of the sensor on the board; else of the air inside
}

// Doubts returns what findings of suspect sensors say of those that the ledger
// rests on, by onset.
func Doubts(found []Finding) (all []Doubt) {
	for i := range found {
		f := &found[i]
		if f.Kind != SensorSuspect || len(f.Evidence) == 0 || f.To != 0 && f.To <= f.Concluded {
			continue
		}
		of := func(c reading.Channel) bool { return strings.HasSuffix(f.Evidence[0].Name, "_"+c.Name()) }
		if board := of(reading.BoardTemp); board || of(reading.InsideTemp) || of(reading.InsideRH) {
			all = append(all, Doubt{f.Concluded, f.To, board})
		}
	}
	slices.SortStableFunc(all, func(a, b Doubt) int { return int(min(1, max(-1, a.From-b.From))) })
	return all
}

// Doubtful tells whether what is read at an instant rests on a sensor in doubt;
// board: it is the surface of a board that is measured.
func Doubtful(doubts []Doubt, t unit.Instant, board bool) bool {
	return slices.ContainsFunc(doubts, func(d Doubt) bool { return d.From <= t && (d.To == 0 || t < d.To) && (board || !d.Board) })
}

// of tells whether an hour rests on the sensor while it is in doubt.
func (d *Doubt) of(h *exposure.Hour) bool {
	return d.From < h.Start.Add(time.Hour) && (d.To == 0 || d.To > h.Start) && (!d.Board || onBoard(h))
}

// Trusted returns a ledger in which nothing is known of the hours that rest on a
// sensor in doubt.
func Trusted(hours []exposure.Hour, doubts []Doubt) []exposure.Hour {
	if len(doubts) == 0 {
		return hours
	}
	out := slices.Clone(hours)
	for i := range out {
		h := &out[i]
		if !slices.ContainsFunc(doubts, func(d Doubt) bool { return d.of(h) }) {
			continue
		}
		out[i] = exposure.Hour{
			Start: h.Start, Unknown: h.Known + h.Unknown, InsideTempMean: math.NaN(), InsideRHMean: math.NaN(), MarginMin: math.NaN(),
			Until: h.Until, End: h.End, FactsHash: h.FactsHash, Rules: h.Rules,
		}
	}
	return out
}

// afterDoubt is how long a board must be wet on end from when its sensors are
// trusted again: as where there is no sunrise to go by. A judgement value.
const afterDoubt = 12 * time.Hour

// TrustedSpells returns wet spells as far as trusted sensors tell of them: one
// that was concluded before a sensor came into doubt ends there, and what is
// left of it behind the doubt must last by itself. hours is the ledger around
// them, in order.
func TrustedSpells(spells []exposure.Spell, hours []exposure.Hour, doubts []Doubt) []exposure.Spell {
	if len(doubts) == 0 {
		return spells
	}
	var out []exposure.Spell
	for _, s := range spells {
		parts := []exposure.Spell{s}
		for i := range doubts {
			d := &doubts[i]
			var left []exposure.Spell
			for _, p := range parts {
				left = append(left, d.cut(p, hours)...)
			}
			parts = left
		}
		out = append(out, parts...)
	}
	return out
}

// cut returns what a doubt leaves of a spell.
func (d *Doubt) cut(s exposure.Spell, hours []exposure.Hour) (left []exposure.Spell) {
	if s.To != 0 && s.To <= d.From && s.Concluded < d.From || d.To != 0 && d.To <= s.From || !d.rested(&s, hours) {
		return []exposure.Spell{s}
	}
	if s.To != 0 && s.To <= d.From {
		return nil // what ended it, and said that it had lasted, is in doubt
	}
	if s.From < d.From && s.Concluded < d.From {
		left = append(left, exposure.Spell{From: s.From, To: d.From, Concluded: s.Concluded})
	}
	long := d.To.Add(afterDoubt)
	if d.To == 0 || s.To != 0 && s.To < long {
		return left
	}
	for i := range hours {
		if end := hours[i].Start.Add(time.Hour); end >= long && hours[i].Until >= end {
			return append(left, exposure.Spell{From: d.To, To: s.To, Concluded: max(s.Concluded, hours[i].Until)})
		}
	}
	return left
}

// rested tells whether a spell rests on the sensor in doubt.
func (d *Doubt) rested(s *exposure.Spell, hours []exposure.Hour) bool {
	return !d.Board || slices.ContainsFunc(hours, func(h exposure.Hour) bool {
		return onBoard(&h) && h.Start.Add(time.Hour) > s.From && (s.To == 0 || h.Start < s.To)
	})
}

func onBoard(h *exposure.Hour) bool {
	return h.Basis == exposure.BasisBoard || h.Basis == exposure.BasisMixed
}
