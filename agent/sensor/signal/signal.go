// Package signal turns the electrical signal of a transducer into what it
// stands for.
package signal

import "fmt"

// Signal makes a value of a raw one.
type Signal interface {
	// Value returns an error where the raw value stands for a fault.
	Value(raw float64) (float64, error)
}

// Linear multiplies: a unit's factor, or a Hall sensor's milliamperes per volt.
type Linear struct{ Scale float64 }

// Value returns Scale · raw.
func (l Linear) Value(raw float64) (float64, error) { return l.Scale * raw, nil }

// Comb is a sacrificial comb in series with a reference resistor: the
// excitation feeds the comb, and the voltage across the reference is measured.
type Comb struct {
	ExcitationV  float64
	ReferenceOhm float64
}

// Value returns the comb's conductance in µS for the voltage across the
// reference in volts: G = V / ((E − V) · R). A voltage slightly below zero, as
// a converter's offset gives, is a conductance of zero.
//
// Ohm's law; no other source. Excite with alternating or short pulses: direct
// current eats the comb (common practice, no source).
func (c Comb) Value(v float64) (float64, error) {
	const offset = 0.01 // V; more below zero is a wrong wire
	if v < -offset {
		return 0, fmt.Errorf("%.4f V across the reference is below zero: is it wired the other way round?", v)
	}
	left := c.ExcitationV - v
	if left <= c.ExcitationV/1000 {
		return 0, fmt.Errorf("%.4f V across the reference is all of the excitation of %v V: the comb is short-circuited", v, c.ExcitationV)
	}
	return max(0, v) / (left * c.ReferenceOhm) * 1e6, nil
}

// Loop is a transmitter's current of 4 to 20 mA through a burden resistor.
type Loop struct {
	BurdenOhm float64 // 0: the raw value is in mA already
	At4, At20 float64 // what 4 and 20 mA stand for
}

// The bands of NAMUR NE 43, in mA. Between valid and fault nothing is
// defined; public summaries call it saturation, and differ on whether 3.6 and
// 21.0 belong to the fault: here they do.
const (
	loopFaultLow, loopValidLow   = 3.6, 3.8
	loopValidHigh, loopFaultHigh = 20.5, 21.0
)

// Value returns At4 + (I − 4)/16 · (At20 − At4) for 3.8 to 20.5 mA, and an
// error outside, where the transmitter says that it failed, or nothing that
// can be trusted.
//
// Source: NAMUR NE 43, as summarised on public pages.
func (l Loop) Value(raw float64) (float64, error) {
	ma := raw
	if l.BurdenOhm > 0 {
		ma = raw / l.BurdenOhm * 1000
	}
	const hair = 1e-9 // of the division
	switch {
	case ma < 0.1 && ma > -0.1:
		return 0, fmt.Errorf("%.3f mA: the loop is open or has no supply", ma)
	case ma <= loopFaultLow+hair || ma >= loopFaultHigh-hair:
		return 0, fmt.Errorf("%.3f mA: the transmitter reports a fault (NE 43)", ma)
	case ma < loopValidLow-hair || ma > loopValidHigh+hair:
		return 0, fmt.Errorf("%.3f mA: neither valid nor a fault (NE 43); taken as missing", ma)
	}
	return l.At4 + (ma-4)/16*(l.At20-l.At4), nil
}
