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

// Bits of a packed night's head. Below them is one for each of its numbers,
// which is set where that is not zero.
const (
	nightInstalled = 1 << (15 - iota)
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

// numbers are all of a night, the dose last, each beside the one that it is
// often equal to, or nil.
func (n *Night) numbers(long *int64) [11][2]*int64 {
	s := &n.Sum
	return [11][2]*int64{
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
		{&s.Dose, nil},
	}
}

const numberDose = 10

func (n *Night) pack(b []byte) []byte {
	long := int64(n.To - n.From)
	head := uint16(0)
	if n.Installed {
		head |= nightInstalled
	}
	if long == int64(day) {
		head |= nightOfDay
		long = 0
	}
	all := n.numbers(&long)
	var values [len(all)]int64
	scale := int64(time.Millisecond)
	for i, d := range all {
		values[i] = *d[0]
		if d[1] != nil {
			values[i] -= *d[1]
		}
		if values[i] != 0 {
			head |= 1 << i
		}
		if i != numberDose && values[i]%scale != 0 {
			scale = 1
		}
	}
	if scale != 1 {
		head |= nightInMs
	}
	b = binary.LittleEndian.AppendUint16(b, head)
	for i, v := range values {
		if i != numberDose {
			v /= scale
		}
		if v != 0 {
			b = binary.AppendVarint(b, v)
		}
	}
	return b
}

func unpackNight(from unit.Instant, b []byte) (n Night, rest []byte) {
	head := binary.LittleEndian.Uint16(b)
	b = b[2:]
	long, scale := int64(0), int64(1)
	if head&nightInMs != 0 {
		scale = int64(time.Millisecond)
	}
	for i, d := range n.numbers(&long) {
		if head&(1<<i) != 0 {
			v, size := binary.Varint(b)
			b = b[size:]
			if i != numberDose {
				v *= scale
			}
			*d[0] = v
		}
		if d[1] != nil {
			*d[0] += *d[1]
		}
	}
	if head&nightOfDay != 0 {
		long = int64(day)
	}
	n.From, n.To, n.Installed = from, from+unit.Instant(long), head&nightInstalled != 0
	return n, b
}
