// Package means reduces readings to means over ten minutes, on which the
// estimators of a box work.
package means

import (
	"time"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Step is the length of a slot. Slots begin at UTC multiples of it.
const Step = 10 * time.Minute

// Channel is what the readings of a slot say of one channel, in its unit. RH is
// clamped to 100 %; RH of 0 or less, and inside temperature and RH while the
// sensor is heated, are absent.
type Channel struct {
	N              int // readings; 0: absent
	Mean, Min, Max float64
}

// Mean is what the readings of one slot say.
type Mean struct {
	Start, Last unit.Instant // of the slot; of its newest reading
	Done        unit.Instant // of the reading that began the next one; 0 while there is none: more may come
	N           int          // readings
	Heater      bool         // the sensor was heated in some of them
	Ch          [reading.NumChannels]Channel
}

// Builder makes means of readings. The zero value is ready.
type Builder struct{ now Mean }

// Add takes the next reading: instants ascend. It returns the slot before when r
// begins another one.
func (b *Builder) Add(r *reading.Reading) (done Mean, ok bool) {
	start := r.Time.Floor(Step)
	if b.now.N > 0 && start != b.now.Start {
		done, ok = b.Flush()
		done.Done = r.Time
	}
	m := &b.now
	m.Start, m.Last = start, r.Time
	m.N++
	heated := r.HasFlag(reading.FlagHeater)
	m.Heater = m.Heater || heated
	for c := range reading.NumChannels {
		v, has := r.Get(c)
		switch {
		case !has || heated && (c == reading.InsideTemp || c == reading.InsideRH):
			continue
		case c == reading.InsideRH || c == reading.OutsideRH:
			if v <= 0 {
				continue
			}
			v = min(v, 100)
		}
		m.Ch[c].add(v)
	}
	return done, ok
}

// add keeps the sum in Mean until the slot is done.
func (c *Channel) add(v float64) {
	if c.N == 0 {
		c.Min, c.Max = v, v
	}
	c.Min, c.Max = min(c.Min, v), max(c.Max, v)
	c.Mean += v
	c.N++
}

// Flush returns the slot under way, and begins anew. What is concluded from it
// may be other when the rest has come.
func (b *Builder) Flush() (done Mean, ok bool) {
	done, b.now = b.now, Mean{}
	for c := range done.Ch {
		if n := done.Ch[c].N; n > 0 {
			done.Ch[c].Mean /= float64(n)
		}
	}
	return done, done.N > 0
}
