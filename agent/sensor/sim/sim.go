// Package sim is the sensor of a box that does not exist: the physics of
// rules/boxsim at the time of the agent's clock.
package sim

import (
	"context"
	"time"

	"dewpost/rules/boxsim"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Config describes the box and its weather.
type Config struct {
	Climate boxsim.Climate
	Seed    uint64 // same seed, same weather and same box
	Box     boxsim.Box
	Faults  []boxsim.Fault
}

// Sensor is a simulated box with its sensors.
type Sensor struct {
	box *boxsim.Sim
	now func() time.Time
	has []reading.Channel
}

// New returns a box that now, by the clock given, has been in its weather for
// a while already.
func New(c Config, now func() time.Time) *Sensor {
	weather := boxsim.NewWeather(c.Climate, c.Seed)
	return Of(boxsim.New(weather, c.Box, c.Faults, c.Seed, unit.At(now())), c.Box, now)
}

// Of returns the sensors of a box that is simulated already and was made as b.
func Of(box *boxsim.Sim, b boxsim.Box, now func() time.Time) *Sensor {
	return &Sensor{box: box, now: now, has: channels(b)}
}

func channels(b boxsim.Box) []reading.Channel {
	list := []reading.Channel{reading.InsideTemp, reading.InsideRH}
	add := func(has bool, cs ...reading.Channel) {
		if has {
			list = append(list, cs...)
		}
	}
	add(b.HasBoard, reading.BoardTemp)
	add(b.HasCover, reading.CoverTemp)
	add(b.HasOutside, reading.OutsideTemp, reading.OutsideRH)
	add(b.HasLine, reading.LineCurrent)
	add(b.HasLine && b.SupplyV != 0, reading.LineVoltage)
	add(b.HasComb, reading.Comb)
	return list
}

// Channels lists what the box measures.
func (s *Sensor) Channels() []reading.Channel { return s.has }

// Sense shows what the sensors show now. It never fails as a whole.
func (s *Sensor) Sense(_ context.Context, r *reading.Reading) error {
	shown := s.box.Next(unit.At(s.now()))
	for _, c := range s.has {
		if v, ok := shown.Get(c); ok {
			r.Set(c, v)
		}
	}
	return nil
}
