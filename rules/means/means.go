// Package means reduces readings to means over ten minutes, on which the
// estimators of a box work.
//
// A mean is over the readings of its slot, each with the same weight. Relative
// humidity is taken as physics takes it: clamped to 100 %, absent where it is
// not positive. While the sensor's heater runs, inside temperature and humidity
// are absent. A slot without a reading does not appear. What a sensor shows
// beyond that, for who judges the sensor itself, stands beside the channels.
package means

import (
	"strings"
	"time"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Step is the length of a slot. Slots begin at UTC multiples of it.
const Step = 10 * time.Minute

// Channel is one channel in one slot, in the channel's unit. N is the number
// of readings that had a value; with 0 the channel is absent and the rest zero.
type Channel struct {
	N              int
	Mean, Min, Max float64
}

// Mean is what the readings of one slot [Start, Start+Step) say.
type Mean struct {
	Start  unit.Instant
	Last   unit.Instant // the newest reading in it
	Done   unit.Instant // the reading that began the next slot; 0 while there is none: more may come
	N      int          // readings
	Heater bool         // the sensor's heater ran during at least one
	Ch     [reading.NumChannels]Channel

	RawRH  float64                     // mean of the inside RH as shown, above 100 too, of the readings that Ch has
	Hot    Hot                         // what the inside sensor showed when its heater had warmed it most
	Failed [reading.NumChannels]uint16 // readings whose flags say that the channel could not be read
}

// Hot is the warmest of N readings that say that the sensor's heater is on or
// has just been; with 0 the rest is zero. A pulse lasts for a second, and the
// readings while the sensor cools are said to be heated, too: a mean over them
// would tell of neither.
type Hot struct {
	N        int
	Temp, RH float64 // °C, %RH
}

// Builder forms means from readings as they come. The zero value is ready.
type Builder struct {
	m   Mean
	sum [reading.NumChannels]float64
	raw float64 // sum of inside RH as shown
	hot Hot
}

// Add takes a merged reading; instants ascend. With the first reading of a new
// slot it returns the slot before, complete, and true.
func (b *Builder) Add(r *reading.Reading) (done Mean, ok bool) {
	if start := r.Time.Floor(Step); b.m.N == 0 || start != b.m.Start {
		done, ok = b.Flush()
		done.Done = r.Time
		b.m.Start = start
	}
	b.m.N++
	b.m.Last = r.Time
	heater := r.HasFlag(reading.FlagHeater)
	b.m.Heater = b.m.Heater || heater
	for c := range reading.NumChannels {
		v, there := r.Get(c)
		switch c {
		case reading.InsideTemp:
			there = there && !heater
		case reading.InsideRH:
			if there = there && !heater && v > 0; there {
				b.raw += v
			}
			v = min(v, 100)
		case reading.OutsideRH:
			there = there && v > 0
			v = min(v, 100)
		}
		if there {
			b.add(c, v)
		}
	}
	if hot := r.Hot(); hot.There {
		if b.hot.N++; b.hot.N == 1 || hot.Temp > b.hot.Temp {
			b.hot.Temp, b.hot.RH = hot.Temp, hot.RH
		}
	}
	if strings.Contains(r.Flags, reading.FlagFailed) {
		for c := range reading.NumChannels {
			if r.HasFlag(reading.FlagFailed + c.Name()) {
				b.m.Failed[c]++
			}
		}
	}
	return done, ok
}

func (b *Builder) add(c reading.Channel, v float64) {
	ch := &b.m.Ch[c]
	if ch.N == 0 {
		ch.Min, ch.Max = v, v
	}
	ch.N++
	ch.Min, ch.Max = min(ch.Min, v), max(ch.Max, v)
	b.sum[c] += v
}

// Flush returns the slot under way, if it has a reading, and forgets it. What
// follows of that slot would begin it anew.
func (b *Builder) Flush() (Mean, bool) {
	if b.m.N == 0 {
		return Mean{}, false
	}
	done := b.m
	for c := range done.Ch {
		if ch := &done.Ch[c]; ch.N > 0 {
			ch.Mean = min(max(b.sum[c]/float64(ch.N), ch.Min), ch.Max)
		}
	}
	if n := done.Ch[reading.InsideRH].N; n > 0 {
		done.RawRH = b.raw / float64(n)
	}
	done.Hot = b.hot
	*b = Builder{}
	return done, true
}
