// Package undercool learns from stations with a sensor on the board how much
// colder than the air inside a surface is, for stations without one.
//
// At night a surface that sees the sky is colder than the air by what the sky
// takes and the air gives back, by day the sun warms it. Sun, wind and cloud are
// not measured in a box; how fast its air cools and how far it is from saturation
// follow them. So the difference is taken as linear in the night, in the cooling
// over one and six hours, in the dryness and the temperature of the air
// ([exposure.Undercooling]), fitted by weighted least squares. Readings near
// saturation count most, for only there the surface decides whether the board is
// wet: the weight falls by e for each 10 % of RH below 90 %. All of that is a
// judgement, held against the paired attic series: fitted on one half of it, the
// hours condensing in the other are foretold within some tens of percent, where a
// constant is wrong by several times.
package undercool

import (
	"errors"
	"math"
	"time"

	"dewpost/rules/exposure"
	"dewpost/rules/reading"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

// Fit is what a station taught.
type Fit struct {
	Exposure exposure.Undercooling
	Readings int     // with inside temperature, RH and board temperature
	Nights   int     // UTC days with a reading at night
	NightRMS float64 // K by which the fit misses the measured difference at night
	ConstRMS float64 // … by which the best constant does
}

// Least that a station must have heard to teach.
const (
	leastNights = 30
	leastStep   = 10 * time.Minute // readings closer than this teach as one
	nearRH      = 90.0
	fadeRH      = 10.0
)

const terms = 6

// ErrTooLittle is for a station that has not heard enough to teach.
var ErrTooLittle = errors.New("fewer than 30 nights with the temperature of board and air and the humidity: let it record longer")

// Learner takes in the merged readings of a station, in order.
type Learner struct {
	past   exposure.Past
	nights *sun.Nights
	last   unit.Instant
	days   map[int64]bool

	matrix [terms][terms]float64
	right  [terms]float64
	rows   []sample
}

type sample struct {
	x       [terms]float64
	k       float64
	night   bool
	weights float64
}

// New begins to learn from a station at a place; nil: every instant counts as
// night, and by day nothing is learned of the sun.
func New(place *sun.Place) *Learner {
	return &Learner{nights: sun.NewNights(place), days: map[int64]bool{}, last: math.MinInt64}
}

// Add takes the next reading.
func (l *Learner) Add(r *reading.Reading) {
	t, okT := r.Get(reading.InsideTemp)
	rh, okH := r.Get(reading.InsideRH)
	if !okT || !okH || rh <= 0 {
		return
	}
	hour, six := l.past.Cooling(r.Time, t)
	board, ok := r.Get(reading.BoardTemp)
	if !ok || l.last > math.MinInt64 && r.Time.Sub(l.last) < leastStep {
		return
	}
	l.last = r.Time
	s := sample{k: t - board, night: l.nights.At(r.Time), weights: math.Exp(-max(0, nearRH-rh) / fadeRH)}
	rh = min(rh, 100)
	s.x = [terms]float64{1, 0, hour, six, 100 - rh, t}
	if s.night {
		s.x[1] = 1
		l.days[int64(r.Time.Floor(24*time.Hour))] = true
	}
	l.rows = append(l.rows, s)
	for i := range s.x {
		l.right[i] += s.weights * s.x[i] * s.k
		for j := range s.x {
			l.matrix[i][j] += s.weights * s.x[i] * s.x[j]
		}
	}
}

// Fit returns what was learned; ErrTooLittle when that is nothing yet.
func (l *Learner) Fit() (Fit, error) {
	f := Fit{Readings: len(l.rows), Nights: len(l.days)}
	if f.Nights < leastNights {
		return f, ErrTooLittle
	}
	b, ok := solve(l.matrix, l.right)
	if !ok {
		return f, ErrTooLittle
	}
	for i := range b {
		b[i] = math.Round(b[i]*1e4) / 1e4
	}
	f.Exposure = exposure.Undercooling{Const: b[0], Night: b[1], Hour: b[2], SixHours: b[3], Dry: b[4], Temp: b[5]}
	var n, mean, miss, spread float64
	for i := range l.rows {
		if l.rows[i].night {
			n, mean = n+1, mean+l.rows[i].k
		}
	}
	mean /= n
	for i := range l.rows {
		s := &l.rows[i]
		if !s.night {
			continue
		}
		d := s.k - f.Exposure.Kelvin(true, s.x[5], 100-s.x[4], s.x[2], s.x[3])
		miss, spread = miss+d*d, spread+(s.k-mean)*(s.k-mean)
	}
	f.NightRMS, f.ConstRMS = math.Sqrt(miss/n), math.Sqrt(spread/n)
	return f, nil
}

// solve solves the normal equations by elimination with pivots, made a little
// stiffer so that what never varied has no weight; false where they have no
// answer.
func solve(a [terms][terms]float64, b [terms]float64) ([terms]float64, bool) {
	for i := range a {
		a[i][i] += 1e-3
	}
	for c := range a {
		p := c
		for r := c + 1; r < terms; r++ {
			if math.Abs(a[r][c]) > math.Abs(a[p][c]) {
				p = r
			}
		}
		if math.Abs(a[p][c]) < 1e-9 {
			return b, false
		}
		a[c], a[p], b[c], b[p] = a[p], a[c], b[p], b[c]
		for r := range a {
			if r == c {
				continue
			}
			k := a[r][c] / a[c][c]
			for j := c; j < terms; j++ {
				a[r][j] -= k * a[c][j]
			}
			b[r] -= k * b[c]
		}
	}
	for i := range b {
		b[i] /= a[i][i]
	}
	return b, true
}
