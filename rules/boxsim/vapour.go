package boxsim

import "math"

// The places where water can be in a box.
const (
	boardFilm = iota // on the board, liquid or frost
	coverFilm        // on the inner side of the cover
	wallFilm         // on what has the temperature of the box air
	sump             // puddle at the bottom of the housing
	skin             // in plastic, paper and cone: Box.Skin
	bulk             // Box.Bulk
	numStores
)

// store is water in one place and the surface it lies on.
type store struct {
	mass float64 // g, never negative
	rate float64 // 1/h at which box air would approach the surface's vapour pressure
	sat  float64 // hPa, vapour pressure at the surface
}

// vapour is the water of a box: in its air and in the stores.
type vapour struct {
	e      float64 // hPa, vapour pressure of the box air
	stores [numStores]store
}

// Water that one litre of box air takes up for each hPa of vapour pressure,
// at 10 °C: 216.679 e/T g/m³. Held constant: a box at constant pressure keeps
// its mole fraction of vapour, not its density, when it warms.
const gramsPerHPa = 216.679 / 283.15 * 1e-3

// advance moves the water by h hours of constant surroundings: outdoor
// vapour pressure outside, exchange perHour = 1/τ, and the stores' rates and
// surface pressures. Between two events (condensation begins, a store is dry)
// the balance is linear and solved exactly, so what one place loses another
// gains. A store that would be overdrawn gives off what it holds evenly over
// the rest of the step.
func (v *vapour) advance(h, outside, perHour float64) {
	var wet, drying [numStores]bool
	for i, s := range v.stores {
		wet[i] = s.mass > 0 || v.e > s.sat
	}
	for h > 0 {
		f := flow{e: v.e, sum: perHour, pull: perHour * outside}
		for i, s := range v.stores {
			switch {
			case drying[i]:
				f.pull += s.mass / (gramsPerHPa * h)
			case wet[i]:
				f.sum += s.rate
				f.pull += s.rate * s.sat
			}
		}
		end, integral := f.after(h)
		step, dewy := h, -1
		if i, at, ok := v.dewBegins(&wet, f, end); ok {
			step, dewy = min(max(at, 0), h), i
			end, integral = f.after(step)
		}
		if i, ok := v.overdrawn(&wet, &drying, integral, step); ok {
			drying[i] = true
			continue
		}
		for i := range v.stores {
			s := &v.stores[i]
			switch {
			case drying[i]:
				s.mass -= s.mass * (step / h)
			case wet[i]:
				s.mass += gramsPerHPa * s.rate * (integral - s.sat*step)
			}
		}
		if dewy >= 0 {
			wet[dewy] = true
		}
		v.e = end
		h -= step
	}
}

// wipe opens the box to air of the given vapour pressure and dries all
// surfaces; what is in the walls stays.
func (v *vapour) wipe(outside float64) {
	v.e = outside
	for i := range skin {
		v.stores[i].mass = 0
	}
}

// fog lets what the air cannot hold settle on the walls: sat is the saturation
// pressure of the box air.
func (v *vapour) fog(sat float64) {
	if excess := v.e - sat; excess > 0 {
		v.stores[wallFilm].mass += gramsPerHPa * excess
		v.e = sat
	}
}

// run lets what no longer clings to a surface run into the sump; frost
// on the board stays.
func (v *vapour) run(frost bool) {
	for i := range sump {
		if i == boardFilm && frost {
			continue
		}
		if excess := v.stores[i].mass - filmHold; excess > 0 {
			v.stores[i].mass -= excess
			v.stores[sump].mass += excess
		}
	}
}

// overdrawn finds a wet store that would give off more than it holds.
func (v *vapour) overdrawn(wet, drying *[numStores]bool, integral, h float64) (int, bool) {
	for i, s := range v.stores {
		if wet[i] && !drying[i] && s.mass+gramsPerHPa*s.rate*(integral-s.sat*h) < 0 {
			return i, true
		}
	}
	return 0, false
}

// dewBegins finds the first dry surface that the vapour pressure, on its way
// to end, rises above, and the hours until then.
func (v *vapour) dewBegins(wet *[numStores]bool, f flow, end float64) (int, float64, bool) {
	first := -1
	for i, s := range v.stores {
		if !wet[i] && end > s.sat && (first < 0 || s.sat < v.stores[first].sat) {
			first = i
		}
	}
	if first < 0 {
		return 0, 0, false
	}
	return first, f.reaches(v.stores[first].sat), true
}

// flow is the linear law de/dt = pull − sum·e from the value e on.
type flow struct{ e, sum, pull float64 }

// after returns the value after h hours and its integral over them. Both are
// formed so that end − e = pull·h − sum·integral holds to rounding.
func (f flow) after(h float64) (end, integral float64) {
	x := f.sum * h
	part, twice := 1-x/2*(1-x/3), 0.5-x/6*(1-x/4) // (1−exp(−x))/x and (1 − that)/x
	if x > 1e-4 {
		part = -math.Expm1(-x) / x
		twice = (1 - part) / x
	}
	run := (f.pull - f.sum*f.e) * h
	return f.e + run*part, h * (f.e + run*twice)
}

// reaches returns the hours until the value is target, which must lie between
// the present value and the one it tends to; +Inf if rounding has put it at
// the end of the way.
func (f flow) reaches(target float64) float64 {
	speed := f.pull - f.sum*f.e
	done := f.sum * (target - f.e) / speed
	if done < 1e-9 {
		return (target - f.e) / speed
	}
	return -math.Log1p(-min(done, 1)) / f.sum
}
