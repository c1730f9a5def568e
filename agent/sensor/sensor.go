// Package sensor stands between the chips and the sampler: it takes what a
// chip measures under the chip's own names, makes it the channels of a station
// with scale, signal and calibration, and tries again what failed.
//
// A value that could not be read is absent. No value is ever made up, held
// over from the read before, or cut to a range.
package sensor

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"

	"dewpost/agent/sensor/signal"
	"dewpost/rules/reading"
)

// Values are what a chip measured, by the names that its package lists, each
// in the unit that stands there. What could not be read is not in it.
type Values map[string]float64

// Chip is one sensor chip or transmitter.
type Chip interface {
	// Measure reads once, by ctx's deadline. It returns what it could read;
	// the error says why the rest is missing.
	Measure(ctx context.Context) (Values, error)
}

// Recoverer is a Chip that can be brought back after failed reads.
type Recoverer interface {
	// Recover resets the chip, and leaves it as New did.
	Recover(ctx context.Context) error
}

// Heated is a Chip with a heater that disturbs what it measures.
type Heated interface {
	// Heat asks for n pulses, which later calls of Measure give as the chip's
	// duty limit allows.
	Heat(n int)
	// Disturbed tells whether the last values still feel the heater.
	Disturbed() bool
}

// Mapping makes one of a chip's values a channel:
// value = Gain · Signal(raw) + Offset.
type Mapping struct {
	From   string // the chip's name for it
	To     reading.Channel
	Signal signal.Signal
	Gain   float64
	Offset float64 // in the channel's unit
}

const (
	// tries bounds the attempts at one sample.
	tries = 3
	// hopeless is after how many failed samples in a row a chip gets a single
	// attempt, so that a dead one does not take the time of the others.
	hopeless = 5
)

// Sensor is a chip whose values are channels of a station. It implements
// the sampler's Sensor.
type Sensor struct {
	name string
	chip Chip
	maps []Mapping
	lock sync.Locker

	mu       sync.Mutex
	health   Health
	inARow   int
	withheld [reading.NumChannels]bool // by the last Sense
}

// Health counts the samples of a sensor.
type Health struct {
	Samples int64  // taken
	Failed  int64  // of these, with a value missing
	Retries int64  // attempts beyond the first
	Last    string // the last error; "" while the last sample was good
}

// New returns a sensor. The name is for errors; lock is held while the chip is
// used, which other stations' sensors may use, too.
func New(name string, chip Chip, maps []Mapping, lock sync.Locker) *Sensor {
	return &Sensor{name: name, chip: chip, maps: maps, lock: lock}
}

// Channels lists what the sensor should give.
func (s *Sensor) Channels() []reading.Channel {
	list := make([]reading.Channel, len(s.maps))
	for i, m := range s.maps {
		list[i] = m.To
	}
	return list
}

// Health tells how the sensor does.
func (s *Sensor) Health() Health {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.health
}

// Heatable tells whether the chip has a heater.
func (s *Sensor) Heatable() bool {
	_, ok := s.chip.(Heated)
	return ok
}

// Heat asks the chip's heater for n pulses; without one it does nothing.
func (s *Sensor) Heat(n int) {
	if h, ok := s.chip.(Heated); ok {
		h.Heat(n)
	}
}

// Withheld tells whether the last Sense had a value of the channel and kept it
// back, because the chip's heater spoiled it.
func (s *Sensor) Withheld(c reading.Channel) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.withheld[c]
}

// Sense measures once, and again a few times what failed.
func (s *Sensor) Sense(ctx context.Context, r *reading.Reading) error {
	s.lock.Lock()
	defer s.lock.Unlock()
	s.mu.Lock()
	s.withheld = [reading.NumChannels]bool{}
	most := tries
	if s.inARow >= hopeless {
		most = 1
	}
	s.mu.Unlock()
	var err error
	attempts := 0
	for attempts < most && (attempts == 0 || ctx.Err() == nil) {
		var reset error
		if c, ok := s.chip.(Recoverer); ok && (attempts > 0 || most == 1) {
			reset = c.Recover(ctx)
		}
		attempts++
		if err = s.once(ctx, r); err == nil {
			break
		}
		err = errors.Join(err, reset)
	}
	if h, ok := s.chip.(Heated); ok && h.Disturbed() {
		s.disturbed(r)
	}
	s.count(attempts, err)
	if err != nil {
		return fmt.Errorf("%s: %w", s.name, err)
	}
	return nil
}

// disturbed marks what the chip's own heater spoils. The flag says so of the air
// in the box; for other places there is none, and their values are withheld.
func (s *Sensor) disturbed(r *reading.Reading) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, m := range s.maps {
		if m.To == reading.InsideTemp || m.To == reading.InsideRH {
			if !r.HasFlag(reading.FlagHeater) {
				r.Flags = addFlag(r.Flags, reading.FlagHeater)
			}
			continue
		}
		s.withheld[m.To] = r.Has(m.To)
		r.Clear(m.To)
	}
}

// once sets the channels that one measurement gives.
func (s *Sensor) once(ctx context.Context, r *reading.Reading) error {
	values, err := s.chip.Measure(ctx)
	errs := []error{err}
	for _, m := range s.maps {
		raw, ok := values[m.From]
		if !ok {
			if err == nil {
				errs = append(errs, fmt.Errorf("%s: no value %q", m.To.Name(), m.From))
			}
			continue
		}
		v, wrong := m.Signal.Value(raw)
		if wrong == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
			wrong = fmt.Errorf("%v is no number", v)
		}
		if wrong != nil {
			errs = append(errs, fmt.Errorf("%s: %w", m.To.Name(), wrong))
			continue
		}
		r.Set(m.To, m.Gain*v+m.Offset)
	}
	return errors.Join(errs...)
}

func (s *Sensor) count(attempts int, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.health.Samples++
	s.health.Retries += int64(attempts - 1)
	s.health.Last = ""
	s.inARow++
	if err == nil {
		s.inARow = 0
		return
	}
	s.health.Failed++
	s.health.Last = err.Error()
}

func addFlag(flags, f string) string {
	if flags == "" {
		return f
	}
	return strings.Join([]string{flags, f}, ",")
}
