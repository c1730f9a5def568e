package breathing

import (
	"math"
)

// The weaker indicator for a box of whose outdoor air nothing is known. How
// restless outdoor air is differs: 0.12 in a year at a North Sea coast, 0.19 at
// a bay further south; between scale and power, which are fitted to what a
// first-order lag makes of these years, and the factor lies the uncertainty.
const (
	insideWindow = 7
	insideMin    = 100  // hours with a partner six hours before
	insideStep   = 6    // h
	restless     = 0.15 // root mean square of the change of ln vapour pressure outdoors in six hours
	insideScale  = 4.0  // h
	insidePower  = 1.3
	insideFactor = 3.0 // the interval reaches that far either way
)

// insideOnly guesses the breathing time from how restless the vapour in the
// box is beside outdoor air elsewhere.
func (s *State) insideOnly(day int64) (Day, bool) {
	hours := s.since(max(day-insideWindow+1, s.baseDay()) * 24)
	var sum, n float64
	j := 0
	for i := range hours {
		for j < i && hours[j].At < hours[i].At-insideStep {
			j++
		}
		a, b := &hours[j], &hours[i]
		if a.At == b.At-insideStep && a.In > 0 && b.In > 0 && !a.Wet && !b.Wet {
			d := math.Log(b.In / a.In)
			sum += d * d
			n++
		}
	}
	if n < insideMin {
		return Day{}, false
	}
	damping := math.Sqrt(sum/n) / restless
	tau := gridLow
	if damping < 1 {
		tau = max(gridLow, insideScale*math.Pow(1/(damping*damping)-1, insidePower/2))
	}
	d := Day{Day: dayName(day), TauH: min(tau, gridHigh), WindowD: insideWindow, Basis: Inside}
	d.LowH = d.TauH / insideFactor
	if high := d.TauH * insideFactor; tau < gridHigh { // air that hardly moves sets no bound
		d.HighH = &high
	}
	return d, true
}
