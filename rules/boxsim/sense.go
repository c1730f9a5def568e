package boxsim

import (
	"math"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// sensor is one chip or meter. What it measures fails together.
type sensor uint64

const (
	insideSensor sensor = iota
	boardSensor
	coverSensor
	outsideSensor
	lineMeter
	combMeter
)

// Scatter of a reading, standard deviation with Box.Noise 1. A reading is the
// median of a burst: judgement values.
const (
	tempScatter    = 0.02  // K
	rhScatter      = 0.1   // %RH
	currentScatter = 0.01  // mA
	currentShare   = 5e-4  // of the current, beside currentScatter
	voltScatter    = 0.01  // V
	combScatter    = 0.01  // of the value
	combFloor      = 0.001 // µS, beside combScatter
)

// heaterRise is how much warmer, in K, the sensor is than the box air at the end
// of a burst of its heater: makers name a few kelvin and more, a judgement
// value. It dries the sensor.
const heaterRise = 5.0

// Draws of one instant: show takes those numbered as the channels.
const (
	failDraw  = 64 // and the sensors' numbers
	stuckDraw = 128
)

// Conductances at saturation in µS: judgement values.
const (
	cleanBoard = 0.2
	cleanComb  = 1.0
	combLead   = 3.0 // µS of comb for each µS of leakage: unprotected, it fouls first
)

// panel writes what the sensors show at one instant into a reading.
type panel struct {
	r     reading.Reading
	draw  uint64 // random bits of this instant
	noise float64
}

// show rounds and sets one value; scatter is that of Noise 1.
func (p *panel) show(c reading.Channel, v, scatter float64) float64 {
	if p.noise != 0 {
		v += p.noise * scatter * bell(mix(p.draw+uint64(c)))
	}
	if c == reading.InsideRH || c == reading.OutsideRH {
		lo, hi := c.Range() // a humidity sensor cannot show more
		v = min(max(v, lo), hi)
	}
	places := math.Pow10(c.Places())
	v = math.Round(v*places) / places
	p.r.Set(c, v)
	return v
}

// fails decides whether the read of a sensor fails, and flags its channels.
func (p *panel) fails(of sensor, probability float64, channels ...reading.Channel) bool {
	if probability <= 0 || share(mix(p.draw+failDraw+uint64(of))) >= probability {
		return false
	}
	for _, c := range channels {
		if p.r.Flags != "" {
			p.r.Flags += ","
		}
		p.r.Flags += reading.FlagFailed + c.Name()
	}
	return true
}

// sense reads all sensors at t.
func (s *Sim) sense(t unit.Instant) reading.Reading {
	b := &s.box
	p := panel{r: reading.Reading{Time: t}, draw: mix(s.seed ^ uint64(t)), noise: b.Noise}

	s.senseInside(&p, t)
	if b.HasBoard && !p.fails(boardSensor, b.FailShare, reading.BoardTemp) {
		p.show(reading.BoardTemp, s.temp[inBoard]+b.BoardBias, tempScatter)
	}
	if b.HasCover && !p.fails(coverSensor, b.FailShare, reading.CoverTemp) {
		p.show(reading.CoverTemp, s.temp[inCover], tempScatter)
	}
	if b.HasOutside && !p.fails(outsideSensor, b.FailShare, reading.OutsideTemp, reading.OutsideRH) {
		p.show(reading.OutsideTemp, float64(s.air.Temp), tempScatter)
		p.show(reading.OutsideRH, float64(s.air.RH)+b.OutsideBias, rhScatter)
	}
	s.senseLine(&p, t)
	s.shownAt = t
	return p.r
}

// senseInside reads the sensor of the box air.
func (s *Sim) senseInside(p *panel, t unit.Instant) {
	temp := s.temp[inAir]
	if s.heats(t) {
		temp += heaterRise
		s.wetted = 0
		p.r.Flags = reading.FlagHeater
	}
	rh, bias, fitted := 100*s.water.e/satWater(temp), s.box.RHBias, unit.Instant(math.MinInt64)
	if f := lastActive(s.faults.swapped, t); f != nil {
		bias, fitted = f.Size, f.From
	}
	rh += s.wetted*max(0, 100-rh) + bias
	for i := range s.faults.creep {
		if f := &s.faults.creep[i]; f.active(t) && f.From >= fitted {
			rh += f.Size * f.days(t) / 25
		}
	}
	scatter := rhScatter
	if f := firstActive(s.faults.stuck, t); f == nil || f.From < fitted {
		s.stuck = false
	} else {
		s.stick(rh)
		rh, scatter = s.stuckRH+f.Size*bell(mix(p.draw+stuckDraw)), 0
	}
	if p.fails(insideSensor, s.failShare(t), reading.InsideTemp, reading.InsideRH) {
		return
	}
	p.show(reading.InsideTemp, temp+s.box.AirBias, tempScatter)
	if shown := p.show(reading.InsideRH, rh, scatter); p.r.Flags != reading.FlagHeater {
		s.shownRH = shown
	}
}

// heats tells whether the reading at t is the first since a burst of the
// sensor's heater was due.
func (s *Sim) heats(t unit.Instant) bool {
	every := unit.Instant(s.box.HeaterH * hour)
	return every > 0 && s.shownAt != 0 && t/every != s.shownAt/every
}

// stick keeps, from the first reading with a stuck sensor on, the value shown
// before it; rh if none was.
func (s *Sim) stick(rh float64) {
	if s.stuck {
		return
	}
	s.stuck, s.stuckRH = true, s.shownRH
	if math.IsNaN(s.shownRH) {
		s.stuckRH = rh
	}
}

// failShare is the probability that a read of the inside sensor fails.
func (s *Sim) failShare(t unit.Instant) float64 {
	f := firstActive(s.faults.dropout, t)
	switch {
	case f == nil:
		return s.box.FailShare
	case f.Size <= 0:
		return 1
	default:
		return f.Size
	}
}

// senseLine reads line current, line voltage and comb.
func (s *Sim) senseLine(p *panel, t unit.Instant) {
	b := &s.box
	if !b.HasLine && !b.HasComb {
		return
	}
	dirt := s.contamination(t)
	film := filmConductance(s.water.e, s.temp[inBoard])
	salt := b.SaltUS * brineConductance(s.water.e, s.temp[inBoard])
	if b.Frost && s.temp[inBoard] < 0 {
		film, salt = frozenFilm*film, frozenFilm*salt
	}
	if b.HasLine && !p.fails(lineMeter, b.FailShare, s.lineChannels()...) {
		supply := s.supply(t)
		current := s.current(t, supply, (cleanBoard+dirt)*film+salt)
		p.show(reading.LineCurrent, current, currentScatter+currentShare*math.Abs(current))
		if b.SupplyV != 0 {
			p.show(reading.LineVoltage, b.SupplyV*supply, voltScatter)
		}
	}
	if b.HasComb && !p.fails(combMeter, b.FailShare, reading.Comb) {
		comb := (cleanComb+combLead*dirt)*film + combLead*salt
		comb += p.noise * (combFloor + combScatter*comb) * bell(mix(p.draw+uint64(reading.Comb)))
		p.show(reading.Comb, max(0, comb), 0)
	}
}

func (s *Sim) lineChannels() []reading.Channel {
	if s.box.SupplyV != 0 {
		return lineAndVoltage[:]
	}
	return lineAndVoltage[:1]
}

var lineAndVoltage = [...]reading.Channel{reading.LineCurrent, reading.LineVoltage}

// supply is the line voltage at t as a share of Box.SupplyV.
func (s *Sim) supply(t unit.Instant) float64 {
	supply := 1.0
	if s.box.SupplyDrift != 0 {
		supply += s.box.SupplyDrift * max(-1, min(1, s.drift.at(t)/2))
	}
	for i := range s.faults.supply {
		if f := &s.faults.supply[i]; f.active(t) {
			supply *= min(1, max(0, f.Size))
		}
	}
	return supply
}

// current returns the line current in mA, given the supply as a share of
// Box.SupplyV and the conductance across the board in µS.
func (s *Sim) current(t unit.Instant, supply, conductance float64) float64 {
	const tempShare = -0.001 // of the standby current for each K: judgement value
	volt := s.box.SupplyV
	if volt == 0 {
		volt = 24
	}
	standby := s.box.StandbyMA * (1 + tempShare*(s.temp[inBoard]-20))
	current := supply * (standby + conductance*volt/1000 + s.shownUse(t))
	for i := range s.faults.step {
		if f := &s.faults.step[i]; f.active(t) {
			current += f.Size
		}
	}
	return current
}

// contamination is what leakage faults add to the board's conductance at
// saturation, µS.
func (s *Sim) contamination(t unit.Instant) float64 {
	const grownAfter = 21 // days
	dirt := 0.0
	for i := range s.faults.leakage {
		if f := &s.faults.leakage[i]; f.active(t) {
			dirt += f.Size * min(1, f.days(t)/grownAfter)
		}
	}
	return dirt
}

// filmConductance is the conductance of the water film on a surface, as a
// share of that at saturation: a decade for each 15 %RH. A judgement value
// like the ledger's dose rate; measurements give decades (Chaikin and Church
// 1958: four from dry to humid).
func filmConductance(e, surface float64) float64 {
	rh := min(100, 100*e/satWater(surface))
	return math.Exp(math.Ln10 / 15 * (rh - 100))
}

// brineConductance is the conductance of salt on a surface, as a share of that
// at saturation: next to none below the deliquescence of NaCl (75 %RH,
// Greenspan 1977), above it with the amount of brine. The width of the rise
// and its slope above are judgement values.
func brineConductance(e, surface float64) float64 {
	const deliquescence, width = 75, 1.5
	rh := min(100, 100*e/satWater(surface))
	return (0.2 + 0.8*max(0, rh-deliquescence)/(100-deliquescence)) / (1 + math.Exp((deliquescence-rh)/width))
}

// wetSensor lets the RH sensor get wet in saturated air, within minutes, and
// dry with Box.WettingH afterwards. Until then it shows too much: makers' data
// sheets warn of it; the law is a judgement value.
func (s *Sim) wetSensor(hours float64) {
	if !(s.box.WettingH > 0) {
		return
	}
	const wetFrom, soakH = 0.99, 1.0 / 6
	if s.water.e >= wetFrom*satWater(s.temp[inAir]) {
		s.wetted = 1 - (1-s.wetted)*math.Exp(-hours/soakH)
	} else {
		s.wetted *= math.Exp(-hours / s.box.WettingH)
	}
}
