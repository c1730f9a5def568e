package boxsim

// Walls take up water by the RH of the box air, not by its vapour pressure: a
// box that warms in the sun gives off vapour though nothing came in. The
// content of a buffer is that at its own RH φ, m = B·φ, and φ follows the air:
//
//	dφ/dt = (e/es(T) − φ)/TauH
//
// which makes it a store whose surface has the vapour pressure φ·es(T). B is
// given as a multiple of what the air takes up at 10 °C, so that the apparent
// breathing time is about 1 + Share times the exchange alone once the buffer
// keeps up. A linear isotherm and a first-order lag are judgement: measured
// isotherms of plastics are nearly straight between 20 and 80 %RH (from
// memory), and diffusion into a wall has no single time constant, hence two.

// buffers are the walls with their stores.
func (s *Sim) buffers() [2]struct {
	*Buffer
	*store
} {
	return [2]struct {
		*Buffer
		*store
	}{{&s.box.Skin, &s.water.stores[skin]}, {&s.box.Bulk, &s.water.stores[bulk]}}
}

// capacity returns the grams that the buffer takes up from RH 0 to 1.
func (b *Buffer) capacity() float64 { return b.Share * gramsPerHPa * sat10 }

var sat10 = satWater(10)

// fillWalls puts the walls in balance with the box air.
func (s *Sim) fillWalls() {
	for _, b := range s.buffers() {
		b.mass = b.capacity() * s.water.e / satWater(s.temp[inAir])
	}
}

// wetWalls sets what the walls offer during a step at the given temperature
// of the box air.
func (s *Sim) wetWalls(air float64) {
	sat := satWater(air)
	for _, b := range s.buffers() {
		if b.Share > 0 {
			b.rate = b.Share * sat10 / (sat * b.TauH)
			b.sat = b.mass / b.capacity() * sat
		}
	}
}

// freeze lets the water on the board and in the sump freeze and thaw: the heat
// of fusion holds the part at 0 °C until all of it has changed.
func (s *Sim) freeze() {
	if !s.box.Frost {
		return
	}
	s.fuse(inBoard, s.water.stores[boardFilm].mass, boardFusion)
	s.fuse(inSump, s.water.stores[sump].mass, sumpFusion)
}

// fuse freezes or thaws as much of the water as the part's temperature is off
// 0 °C; perGram is the temperature that a gram is worth.
func (s *Sim) fuse(part int, water, perGram float64) {
	ice, temp := &s.frozen[part], &s.temp[part]
	*ice = min(*ice, water) // what has gone since was ice first
	change := min(water-*ice, max(-*ice, -*temp/perGram))
	*ice += change
	*temp += change * perGram
}
