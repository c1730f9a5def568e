package sensing

import (
	"time"

	"dewpost/rules/means"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Judgement values.
const (
	passedFor   = 48 * time.Hour
	heatLeast   = 1.5 // K by which the heater must have warmed the sensor
	heatFresh   = 2 * time.Hour
	fallLeast   = 0.4 // of the fall that the warmth causes: a sensor that is alive
	fallStuck   = 0.1 // … less is none
	backWithin  = 5.0 // %RH: it came back to where it was
	stuckBursts = 2   // in a row: one may have been out of step with the reading
)

// heater is what the sensor's own heater said of it.
type heater struct {
	Temp   float64 `json:"temp"` // °C of the last slot without heater
	RH     float64 `json:"rh"`   // %RH of it
	At     int64   `json:"at"`   // of it; 0: none yet
	Due    int64   `json:"due"`  // the burst after which the sensor has to come back; 0: none
	Was    float64 `json:"was"`  // %RH before that burst
	Numb   int     `json:"numb"` // bursts in a row that did not move it
	First  int64   `json:"first"`
	Passed int64   `json:"passed"` // instant of the newest test that was passed; 0: none

	Last *Burst `json:"last,omitempty"` // the newest; nil: none
}

// Burst is what came of a burst of the inside sensor's own heater.
type Burst struct {
	At      unit.Instant `json:"at"`           // of the slot with the burst
	Result  HeaterResult `json:"result"`       // what it says
	Fell    float64      `json:"fell_pct"`     // %RH by which the sensor fell
	Due     float64      `json:"expected_pct"` // %RH by which the warmth alone makes it fall
	WarmedK float64      `json:"warmed_k"`
	Back    *float64     `json:"back_pct"` // %RH by which it stood higher than before, when it was cool again; nil: not known yet
}

// HeaterResult is what a heater test says of the sensor.
type HeaterResult string

// The results.
const (
	HeaterMoved  HeaterResult = "moved"  // it fell, and has not come back yet
	HeaterPassed HeaterResult = "passed" // it fell and came back: it is not stuck
	HeaterDried  HeaterResult = "dried"  // it fell and came back to something else: it is alive, and was wet or the air changed
	HeaterWeak   HeaterResult = "weak"   // it fell too little to say that it is alive, and too much to say that it is not
	HeaterNumb   HeaterResult = "numb"   // it did not fall, once: the burst may have been out of step with the reading
	HeaterFailed HeaterResult = "failed" // it did not fall, twice in a row
)

// judgeHeater compares what the sensor shows before, in and after a burst of its
// heater. Warming by its heater lowers the humidity at the sensor by
// es(T)/es(T hot): one that is stuck doesn't follow. One that falls and comes
// back is alive. One that falls and comes back lower was wet: that is no fault.
func (s *State) judgeHeater(m *means.Mean) {
	const c = reading.InsideRH
	h := &s.Heater
	if hot := &m.Hot; hot.N > 0 && h.At != 0 && m.Start.Sub(unit.Instant(h.At)) <= heatFresh && hot.Temp-h.Temp >= heatLeast && h.RH >= driest {
		fall := h.RH * (1 - satWater(h.Temp)/satWater(hot.Temp))
		fell := h.RH - hot.RH
		h.Last = &Burst{At: m.Start, Result: HeaterWeak, Fell: fell, Due: fall, WarmedK: hot.Temp - h.Temp}
		switch {
		case fell >= fallLeast*fall:
			h.Last.Result = HeaterMoved
			h.Due, h.Was, h.Numb = int64(m.Start), h.RH, 0
			s.end(c, HeaterTest, m.Done)
		case fell < fallStuck*fall:
			h.Last.Result = HeaterNumb
			if h.Numb++; h.Numb == 1 {
				h.First = int64(m.Start)
			}
			if h.Passed = 0; h.Numb >= stuckBursts {
				h.Last.Result = HeaterFailed
				s.conclude(c, HeaterTest, unit.Instant(h.First), m.Done, 0.95, fell, "%RH")
			}
		}
	}
	if m.Heater || m.Ch[c].N == 0 || m.Ch[reading.InsideTemp].N == 0 {
		return
	}
	if h.Due != 0 && m.Start.Sub(unit.Instant(h.Due)) >= 2*means.Step {
		back := m.RawRH - h.Was
		h.Last.Result, h.Last.Back = HeaterDried, &back
		if back > -backWithin && back < backWithin {
			h.Last.Result, h.Passed = HeaterPassed, h.Due
		}
		h.Due = 0
	}
	h.Temp, h.RH, h.At = m.Ch[reading.InsideTemp].Mean, m.RawRH, int64(m.Start)
}
