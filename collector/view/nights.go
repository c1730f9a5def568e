package view

import (
	"encoding/binary"
	"iter"
	"slices"
	"time"

	"dewpost/rules/unit"
)

// Nights are consecutive nights in little memory: the morning look of ten
// thousand stations holds thirty of each.
type Nights struct {
	Week        Sum // of the last seven
	Dewy, Known int // of these: with condensation, and of which something is known

	from   unit.Instant // of the first
	count  int
	packed []byte
}

// Bits of a packed night's first byte.
const (
	nightInstalled = 1 << iota
	nightOfDay     // lasts for 24 h
	nightInMs      // its durations are in milliseconds, else in nanoseconds
)

// PackNights packs nights of which each begins as the one before it ends.
func PackNights(nights []Night) Nights {
	p := Nights{count: len(nights)}
	for i := range nights {
		n := &nights[i]
		if i == 0 {
			p.from = n.From
		}
		if len(nights)-i <= weekNights {
			p.Week.Join(&n.Sum)
			if n.Known() {
				p.Known++
				if n.Sum.Condensing > 0 {
					p.Dewy++
				}
			}
		}
		p.packed = n.pack(p.packed)
	}
	p.packed = slices.Clip(p.packed)
	return p
}

// List returns the nights.
func (p *Nights) List() []Night {
	list := make([]Night, 0, p.count)
	for n := range p.all() {
		list = append(list, n)
	}
	return list
}

// Last returns the night that holds now, or the one before when that has
// lasted for less than half a day.
func (p *Nights) Last(now unit.Instant) (last Night) {
	i := 0
	for n := range p.all() {
		if i == 0 || now.Sub(n.From) >= day/2 {
			last = n
		}
		i++
	}
	return last
}

// lastNight returns the index of that night, -1 where there is none.
func lastNight(nights []Night, now unit.Instant) int {
	last := len(nights) - 1
	if last > 0 && now.Sub(nights[last].From) < day/2 {
		last--
	}
	return last
}

func (p *Nights) all() iter.Seq[Night] {
	return func(yield func(Night) bool) {
		from, rest := p.from, p.packed
		for range p.count {
			var n Night
			n, rest = unpackNight(from, rest)
			if !yield(n) {
				return
			}
			from = n.To
		}
	}
}

// durations are all of a night but its dose, each beside the one that it is
// often equal to, or nil.
func (n *Night) durations(long *int64) [10][2]*int64 {
	s := &n.Sum
	return [10][2]*int64{
		{long, nil},
		{&s.Known, nil},
		{&s.Unknown, nil},
		{(*int64)(&n.NotHeard), nil},
		{&s.Condensing, nil},
		{&s.CondensingLow, &s.Condensing},
		{&s.CondensingHigh, &s.Condensing},
		{&s.AtRisk, nil},
		{&s.AtRiskLow, &s.AtRisk},
		{&s.AtRiskHigh, &s.AtRisk},
	}
}

func (n *Night) pack(b []byte) []byte {
	long := int64(n.To - n.From)
	all := n.durations(&long)
	head, scale := byte(nightInMs), int64(time.Millisecond)
	for _, d := range all {
		if *d[0]%scale != 0 {
			head, scale = 0, 1
			break
		}
	}
	if n.Installed {
		head |= nightInstalled
	}
	if long == int64(day) {
		head |= nightOfDay
	}
	b = append(b, head)
	for i, d := range all {
		if i == 0 && head&nightOfDay != 0 {
			continue
		}
		v := *d[0]
		if d[1] != nil {
			v -= *d[1]
		}
		b = binary.AppendVarint(b, v/scale)
	}
	return binary.AppendVarint(b, n.Sum.Dose)
}

func unpackNight(from unit.Instant, b []byte) (n Night, rest []byte) {
	head, b := b[0], b[1:]
	scale := int64(1)
	if head&nightInMs != 0 {
		scale = int64(time.Millisecond)
	}
	next := func() int64 {
		v, size := binary.Varint(b)
		b = b[size:]
		return v
	}
	long := int64(day)
	for i, d := range n.durations(&long) {
		if i == 0 && head&nightOfDay != 0 {
			continue
		}
		*d[0] = next() * scale
		if d[1] != nil {
			*d[0] += *d[1]
		}
	}
	n.Sum.Dose = next()
	n.From, n.To, n.Installed = from, from+unit.Instant(long), head&nightInstalled != 0
	return n, b
}
