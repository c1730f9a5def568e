// Package box follows one box through its readings: how it breathes, what its
// line draws, and what is wrong with it. The collector's fold and the offline
// assessment of a log both go through it, and so say the same.
//
// The estimators work on ten-minute means and step once an hour: when the
// reading comes that begins another UTC hour, the slots of the hours before are
// final, and what is concluded from them is concluded at that reading.
package box

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"dewpost/rules/breathing"
	"dewpost/rules/current"
	"dewpost/rules/equal"
	"dewpost/rules/finding"
	"dewpost/rules/means"
	"dewpost/rules/reading"
	"dewpost/rules/sensing"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

// Version is that of the rules: what a state of another version concluded is
// concluded anew.
const Version = 16

// Kinds are the findings that a box can have.
var Kinds = []finding.Kind{
	finding.SealOpened, finding.WaterInside, finding.MoistAirFromWall,
	finding.LeakageRising, finding.CurrentStepUp, finding.CurrentStepDown, finding.NoCurrent, finding.LineVoltageLow,
	finding.SensorSuspect,
}

// Facts are what is known beside the readings, valid at a slot.
type Facts struct {
	Place   *sun.Place // nil: not known
	Air     breathing.Facts
	Line    Line
	Weather *sensing.Air   // as somebody else observed it; nil: not known
	Check   *sensing.Check // of the inside humidity sensor; nil: none
}

// Line is what is known of the line that feeds the station.
type Line struct {
	Stations  int  // that it feeds; 0: not known
	Elsewhere bool // another of them is said to read its current
}

func (f *Facts) sensing() sensing.Facts {
	out := sensing.Facts{Check: f.Check, Weather: f.Weather, Flush: f.Air.Flush}
	if o := f.Air.Outdoor; o != nil {
		out.Peer = &sensing.Air{Temp: o.Temp, RH: o.RH}
	}
	return out
}

// Known tells the facts that are valid at an instant.
type Known func(at unit.Instant) Facts

// State is all that is remembered of a box. The zero value is ready. Encoded
// and decoded it goes on as if it had not been.
type State struct {
	Breathing breathing.State `json:"breathing"`
	Current   current.State   `json:"current"`
	Sensing   sensing.State   `json:"sensing"`
}

// Findings returns all that was found, ended ones too, each detector's in the
// order in which it concluded them.
func (s *State) Findings() []finding.Finding {
	return slices.Concat(s.Breathing.Findings(), s.Current.Found, s.Sensing.Findings())
}

func (s *State) step(m *means.Mean, f Facts) {
	s.Sensing.Step(m, s.shown(f))
	trusted := s.Sensing.Trusted(m)
	s.Breathing.Step(&trusted, s.air(m.Done, f))
	s.Current.Add(current.Options{Place: f.Place, Shared: f.Line.Stations, Elsewhere: f.Line.Elsewhere}, &trusted)
}

// close tells the estimators that no slot before the hour next will come.
func (s *State) close(next, at unit.Instant, f Facts) {
	s.Sensing.Close(next, at, s.shown(f))
	s.Breathing.Close(next, at, s.air(at, f))
}

// shown adds what is known of the air that the inside sensor is in.
func (s *State) shown(f Facts) sensing.Facts {
	out := f.sensing()
	out.House, out.Water = s.Breathing.House(), s.Breathing.Water()
	return out
}

// air adds what is thought of the inside sensor.
func (s *State) air(at unit.Instant, f Facts) breathing.Facts {
	switch {
	case s.Sensing.Suspect(reading.InsideRH), s.Sensing.Suspect(reading.InsideTemp):
		f.Air.Sensor, f.Air.Doubted = breathing.Suspect, s.Sensing.Since(reading.InsideRH, reading.InsideTemp)
	case s.Sensing.Passed(at):
		f.Air.Sensor = breathing.Sound
	}
	return f.Air
}

// Stream follows a box from its first reading, or goes on from a state.
type Stream struct {
	State    State
	Outdoors []equal.Air // what the station's outdoor sensor said of complete hours; the caller may take them away

	known Known
	means means.Builder
	slots []means.Mean // of the hour under way that are done
	hour  unit.Instant // the hour under way
	begun bool
}

// New follows a box of which nothing is remembered.
func New(known Known) *Stream { return &Stream{known: known} }

// Resume goes on from an encoded state, with the first reading of the hour of
// the reading at which the state was.
func Resume(encoded []byte, known Known) (*Stream, error) {
	s := New(known)
	z, err := gzip.NewReader(bytes.NewReader(encoded))
	if err == nil {
		err = json.NewDecoder(z).Decode(&s.State)
	}
	if err != nil {
		return nil, fmt.Errorf("state of a box: %w", err)
	}
	return s, nil
}

// Add takes the next merged reading; instants ascend. It returns true when the
// reading completes the hours before: then the state is all that is to be known
// by it, and can be encoded.
func (s *Stream) Add(r *reading.Reading) (complete bool) {
	slot, done := s.means.Add(r)
	if done {
		s.slots = append(s.slots, slot)
	}
	if hour := r.Time.Floor(time.Hour); !s.begun || hour != s.hour {
		complete = s.begun
		for i := range s.slots {
			m := &s.slots[i]
			m.Done = r.Time
			s.State.step(m, s.known(m.Start))
		}
		s.outdoors()
		if complete {
			s.State.close(hour, r.Time, s.known(r.Time))
		}
		s.slots, s.hour, s.begun = s.slots[:0], hour, true
	}
	return complete
}

// Hour returns the hour under way; the end of time before the first.
func (s *Stream) Hour() unit.Instant {
	if !s.begun {
		return math.MaxInt64
	}
	return s.hour
}

// outdoors reduces the slots of the hour that is complete to what the outdoor
// sensor said, unless it is in doubt.
func (s *Stream) outdoors() {
	if s.State.Sensing.Suspect(reading.OutsideTemp) || s.State.Sensing.Suspect(reading.OutsideRH) {
		return
	}
	var temp, rh, n float64
	for i := range s.slots {
		t, h := &s.slots[i].Ch[reading.OutsideTemp], &s.slots[i].Ch[reading.OutsideRH]
		if t.N > 0 && h.N > 0 {
			temp, rh, n = temp+t.Mean, rh+h.Mean, n+1
		}
	}
	if n > 0 {
		s.Outdoors = append(s.Outdoors, equal.Air{Hour: s.hour, Temp: unit.Celsius(temp / n), RH: unit.Percent(rh / n)})
	}
}

// Encode returns the state, for Resume: gzip of JSON.
func (s *State) Encode() ([]byte, error) {
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	if err := errors.Join(json.NewEncoder(z).Encode(s), z.Close()); err != nil {
		return nil, fmt.Errorf("write the state of a box: %w", err)
	}
	return b.Bytes(), nil
}
