// Package undercool learns from stations with a sensor on the board, or on the
// cover, how much colder than the air inside a surface is, for stations without one.
// A cover sees the sky itself: what it teaches is rather too cold for a board.
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
	ZeroRMS  float64 // … by which none at all does
	Held     *Held   // nil: a half of its record is too little to teach
	Cover    bool    // the cover's sensor taught, not the board's
}

// Held holds what each half of a station's record teaches against the other half:
// hours condensing with the board's sensor, and by guesses of its surface. A miss
// is what both halves are off, without regard to sign.
type Held struct {
	BoardH, LearnedH, TwoKH, ZeroH  float64
	LearnedMiss, TwoKMiss, ZeroMiss float64
}

// Halves tells whether the guess halves the error of a constant 2 K and of none,
// or more.
func (h *Held) Halves() bool { return 2*h.LearnedMiss <= min(h.TwoKMiss, h.ZeroMiss) }

// Fact writes it as the fact for those that learn from a station: the terms, and
// what is to be thought of them.
func (f *Fit) Fact(station string) string {
	t := exposure.Taught{By: station, Cover: f.Cover, Nights: f.Nights, OffK: math.Round(f.NightRMS*100) / 100}
	if h := f.Held; h != nil {
		t.Held, t.BoardH, t.LearnedH = true, math.Round(h.BoardH), math.Round(h.LearnedH)
	}
	return f.Exposure.String() + " " + t.String()
}

// Least that a station must have heard to teach.
const (
	leastNights = 30
	leastStep   = 10 * time.Minute // readings closer than this teach as one
	mostStep    = 90 * time.Minute // a reading speaks of so long, at most
	nearRH      = 90.0
	fadeRH      = 10.0
)

const terms = 6

// ErrTooLittle is for a station that has not heard enough to teach.
var ErrTooLittle = errors.New("fewer than 30 nights with the temperature of that surface and of the air, and the humidity: let it record longer")

// Learner takes in the merged readings of a station, in order.
type Learner struct {
	past   exposure.Past
	nights *sun.Nights
	last   unit.Instant
	rows   []sample

	surface reading.Channel
}

type sample struct {
	at      unit.Instant
	hours   float64 // that it speaks of
	x       [terms]float64
	k       float64
	night   bool
	weights float64
}

// New begins to learn from the sensor on a surface, reading.BoardTemp or
// reading.CoverTemp, of a station at a place; nil: every instant counts as night, and
// by day nothing is learned of the sun.
func New(place *sun.Place, surface reading.Channel) *Learner {
	return &Learner{nights: sun.NewNights(place), last: math.MinInt64, surface: surface}
}

// Add takes the next reading.
func (l *Learner) Add(r *reading.Reading) {
	t, okT := r.Get(reading.InsideTemp)
	rh, okH := r.Get(reading.InsideRH)
	if !okT || !okH || rh <= 0 {
		return
	}
	hour, six := l.past.Cooling(r.Time, t)
	surface, ok := r.Get(l.surface)
	if !ok || l.last > math.MinInt64 && r.Time.Sub(l.last) < leastStep {
		return
	}
	if n := len(l.rows); n > 0 {
		l.rows[n-1].hours = min(r.Time.Sub(l.last), mostStep).Hours()
	}
	l.last = r.Time
	s := sample{at: r.Time, k: t - surface, night: l.nights.At(r.Time), weights: math.Exp(-max(0, nearRH-rh) / fadeRH)}
	rh = min(rh, 100)
	s.x = [terms]float64{1, 0, hour, six, 100 - rh, t}
	if s.night {
		s.x[1] = 1
	}
	l.rows = append(l.rows, s)
}

// Fit returns what was learned; ErrTooLittle when that is nothing yet.
func (l *Learner) Fit() (Fit, error) {
	f, err := fit(l.rows)
	if f.Cover = l.surface == reading.CoverTemp; err != nil {
		return f, err
	}
	middle := len(l.rows) / 2
	first, err1 := fit(l.rows[:middle])
	second, err2 := fit(l.rows[middle:])
	if err1 == nil && err2 == nil {
		f.Held = &Held{}
		f.Held.add(l.rows[:middle], &second.Exposure)
		f.Held.add(l.rows[middle:], &first.Exposure)
	}
	return f, nil
}

// fit learns from samples.
func fit(rows []sample) (Fit, error) {
	days := map[unit.Instant]bool{}
	var matrix [terms][terms]float64
	var right [terms]float64
	for i := range rows {
		s := &rows[i]
		if s.night {
			days[s.at.Floor(24*time.Hour)] = true
		}
		for i := range s.x {
			right[i] += s.weights * s.x[i] * s.k
			for j := range s.x {
				matrix[i][j] += s.weights * s.x[i] * s.x[j]
			}
		}
	}
	f := Fit{Readings: len(rows), Nights: len(days)}
	if f.Nights < leastNights {
		return f, ErrTooLittle
	}
	b, ok := solve(matrix, right)
	if !ok {
		return f, ErrTooLittle
	}
	for i := range b {
		b[i] = math.Round(b[i]*1e4) / 1e4
	}
	f.Exposure = exposure.Undercooling{Const: b[0], Night: b[1], Hour: b[2], SixHours: b[3], Dry: b[4], Temp: b[5]}
	var n, mean, miss, spread, none float64
	for i := range rows {
		if rows[i].night {
			n, mean = n+1, mean+rows[i].k
		}
	}
	mean /= n
	for i := range rows {
		s := &rows[i]
		if !s.night {
			continue
		}
		d := s.k - s.guess(&f.Exposure)
		miss, spread, none = miss+d*d, spread+(s.k-mean)*(s.k-mean), none+s.k*s.k
	}
	f.NightRMS, f.ConstRMS, f.ZeroRMS = math.Sqrt(miss/n), math.Sqrt(spread/n), math.Sqrt(none/n)
	return f, nil
}

// guess is what the formula says of a sample.
func (s *sample) guess(u *exposure.Undercooling) float64 {
	return u.Kelvin(s.night, s.x[5], 100-s.x[4], s.x[2], s.x[3])
}

// wet is how long it condensed by a guess of how much colder the surface is.
func (s *sample) wet(k float64) float64 {
	if exposure.Margin(unit.Celsius(s.x[5]-k), unit.Celsius(s.x[5]), unit.Percent(100-s.x[4])) > 0 {
		return 0
	}
	return s.hours
}

// add holds what the other half taught against samples.
func (h *Held) add(rows []sample, u *exposure.Undercooling) {
	var board, learned, two, zero float64
	for i := range rows {
		s := &rows[i]
		board += s.wet(s.k)
		learned += s.wet(s.guess(u))
		two += s.wet(2)
		zero += s.wet(0)
	}
	h.BoardH, h.LearnedH, h.TwoKH, h.ZeroH = h.BoardH+board, h.LearnedH+learned, h.TwoKH+two, h.ZeroH+zero
	h.LearnedMiss += math.Abs(learned - board)
	h.TwoKMiss += math.Abs(two - board)
	h.ZeroMiss += math.Abs(zero - board)
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
