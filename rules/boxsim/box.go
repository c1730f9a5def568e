package boxsim

import (
	"math"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Box is what one station's box and its sensors are like. Inside temperature
// and RH are always measured.
type Box struct {
	TauH          float64 // breathing time: time constant of vapour exchange with outdoors, h; 0 is 24
	ThermalTauMin float64 // time constant of the box air behind the outdoor air, min; 0 is 20
	SkyCoolingK   float64 // the cover's undercooling on a clear calm night with dew point 5 °C, K
	SelfHeatK     float64 // warming of the board by the standby power, K
	SunGainK      float64 // warming of the cover by 800 W/m² of sun, K

	StandbyMA float64 // line current at 20 °C, mA
	SupplyV   float64 // line voltage at the station, V; 0 is 24, and not measured

	HasBoard   bool // board_temp_c
	HasCover   bool // cover_temp_c
	HasOutside bool // outside_temp_c and outside_rh_pct
	HasLine    bool // line_current_ma, and line_voltage_v if SupplyV is set
	HasComb    bool // comb_us

	Noise       float64 // sensor scatter as a multiple of the usual; 0 is none
	RHBias      float64 // constant error of the inside RH, %RH
	AirBias     float64 // constant error of the inside temperature, K
	BoardBias   float64 // constant error of the board temperature, K
	OutsideBias float64 // constant error of the outside RH, %RH
	FailShare   float64 // share of reads of each sensor that fail, all the time

	// What a real box has beside the plain physics; zero is none of it.
	WindPerMS   float64 // growth of the exchange for each m/s of wind, as a share; TauH is that of calm air
	Pumping     bool    // box air that cools shrinks and draws in outdoor air
	Skin, Bulk  Buffer  // water that goes in and out of plastic, paper and cone, fast and slowly
	Frost       bool    // water on the board and in the sump holds 0 °C while it freezes and thaws
	SaltUS      float64 // conductance across the board at saturation by salt on it, µS
	SupplyDrift float64 // share by which the supply wanders up and down over days; 0.02 is ±2 %
	WettingH    float64 // time constant with which an RH sensor that was wet recovers, h
	HeaterH     float64 // h from one burst of the inside sensor's heater to the next
	Use         Use
}

// Buffer is material that takes up water as the RH of the box air rises and
// gives it off as it falls, by a first-order lag.
type Buffer struct {
	Share float64 // water it takes up, as a multiple of what the box air takes up with it at 10 °C
	TauH  float64 // time constant at constant RH of the air, h; at least 0.5
}

// Sim is one box in its weather. It is not safe for concurrent use.
type Sim struct {
	weather Weather
	box     Box
	faults  faults
	seed    uint64

	now     unit.Instant
	air     Air
	outside float64           // hPa, outdoor vapour pressure
	aim     [numParts]float64 // °C, what each part tends to
	temp    [numParts]float64 // °C
	frozen  [numParts]float64 // g of the water on a part, with Box.Frost
	water   vapour
	drift   wave
	busy    busyDay
	wetted  float64 // 0 to 1, how far the RH sensor is stuck to 100 %RH

	decayStep unit.Instant // length of the step that decay is for
	decay     [numParts]float64

	shownRH float64 // last inside RH shown, NaN before the first
	shownAt unit.Instant
	stuckRH float64
	stuck   bool
}

// New puts a box into the weather. Its first reading may be taken at start; it
// has then been in that weather for ten days already. Noise and failed reads
// follow from seed and the instants of reading.
func New(w Weather, b Box, fs []Fault, seed uint64, start unit.Instant) *Sim {
	if !(b.TauH > 0) {
		b.TauH = 24
	}
	if !(b.ThermalTauMin > 0) {
		b.ThermalTauMin = 20
	}
	for _, buffer := range []*Buffer{&b.Skin, &b.Bulk} {
		buffer.TauH = max(buffer.TauH, minBufferTau)
	}
	s := &Sim{weather: w, box: b, faults: sortFaults(fs, start), seed: mix(seed), shownRH: math.NaN()}
	s.drift = newWave(s.seed, driftWave, driftSpacing)
	s.now = start - spinUp
	s.look(s.now)
	s.temp = s.aim
	s.water.e = s.outside
	s.fillWalls()
	s.advance(start)
	return s
}

// Next advances the box to t and returns what its sensors show there, without
// run and seq. Values are rounded as an agent rounds them; a failed read is an
// absent value and a flag. A t before that of the last call shows the box as
// it is now.
func (s *Sim) Next(t unit.Instant) reading.Reading {
	s.advance(t)
	return s.sense(t)
}

// advance steps the physics to t, in equal steps of at most maxStep.
func (s *Sim) advance(t unit.Instant) {
	if t <= s.now {
		return
	}
	n := (t - s.now + maxStep - 1) / maxStep
	from, whole := s.now, t-s.now
	for i := unit.Instant(1); i <= n; i++ {
		s.step(from + whole/n*i + whole%n*i/n)
	}
}

// step moves the box to t, at most maxStep away. What drives it is taken as
// linear in between for the temperatures and at its middle value for the
// vapour.
func (s *Sim) step(t unit.Instant) {
	step := t - s.now
	hours := float64(step) / hour
	middle := s.now + step/2
	s.setDecay(step)

	outside, rain, aim, temp := s.outside, s.air.RainMMh, s.aim, s.temp
	s.look(t)
	for p := range s.temp {
		s.temp[p] = follow(temp[p], aim[p], s.aim[p], hours/s.lag(p), s.decay[p])
	}
	s.freeze()
	if s.faults.pour(&s.water.stores[sump].mass, middle) {
		s.water.wipe(s.outside)
	}
	s.soak(middle, (rain+s.air.RainMMh)/2*hours)
	s.wetSurfaces(&temp)
	s.wetWalls((temp[inAir] + s.temp[inAir]) / 2)
	exchange := 1 / s.tau(middle)
	if s.box.Pumping {
		exchange += max(0, temp[inAir]-s.temp[inAir]) / (kelvin + s.temp[inAir]) / hours
	}
	s.water.advance(hours, (outside+s.outside)/2+s.houseExcess(middle), exchange)
	s.water.fog(satWater(s.temp[inAir]))
	s.water.run(s.frozen[inBoard] > 0)
	s.wetSensor(hours)
	s.now = t
}

// look takes in the weather at t and what it makes the parts tend to.
func (s *Sim) look(t unit.Instant) {
	s.air = s.weather.At(t)
	temp := float64(s.air.Temp)
	s.outside = float64(s.air.RH) / 100 * satWater(temp)

	sky := s.box.SkyCoolingK * skyView(s.air, dewPoint(temp, max(1, float64(s.air.RH))))
	sun := s.box.SunGainK * s.air.SunWm2 / 800
	self := s.box.SelfHeatK * s.power(t)
	for p := range parts {
		part := &parts[p]
		s.aim[p] = temp + part.self*self + part.sun*sun - part.sky*sky + part.wall
	}
}

// skyView is the night-sky cooling of a surface as a share of that on a clear
// calm night with dew point 5 °C.
func skyView(a Air, dew float64) float64 {
	const (
		clear     = 0.26 // 1 − e0 at 5 °C
		cloudPart = 0.8  // of the sky window that full cloud closes; programs use 0.47…0.9
		windBrake = 0.2  // s/m: convection against radiation, sheltered wall
	)
	x := dew / 100
	window := 1 - (0.711 + 0.56*x + 0.73*x*x) // Martin and Berdahl 1984, e0 of a clear sky
	return window / clear * (1 - cloudPart*a.Cloud01) / (1 + windBrake*a.WindMS)
}

func (s *Sim) lag(part int) float64 { return parts[part].lag * s.box.ThermalTauMin / 60 }

func (s *Sim) setDecay(step unit.Instant) {
	if step == s.decayStep {
		return
	}
	s.decayStep = step
	for p := range s.decay {
		s.decay[p] = math.Exp(-float64(step) / hour / s.lag(p))
	}
}

// follow is the exact answer of a first-order lag, with x = step/τ and decay =
// exp(−x), to an aim that moves linearly from a to b.
func follow(value, a, b, x, decay float64) float64 {
	behind := (b - a) / x
	return b - behind + (value-a+behind)*decay
}

// cracked tells whether the cover has a crack at t.
func (s *Sim) cracked(t unit.Instant) bool {
	cover := lastActive(s.faults.repaired, t)
	for i := range s.faults.opened {
		if f := &s.faults.opened[i]; f.Kind == CrackedCover && f.active(t) && (cover == nil || f.From >= cover.From) {
			return true
		}
	}
	return false
}

// soak lets rain (mm) through a cracked cover into the sump.
func (s *Sim) soak(t unit.Instant, rain float64) {
	if rain > 0 && s.cracked(t) {
		puddle := &s.water.stores[sump]
		puddle.mass += max(0, min(rainIn*rain, sumpHold-puddle.mass))
	}
}

// wetSurfaces sets what the stores of water offer during a step that began
// with the given temperatures.
func (s *Sim) wetSurfaces(began *[numParts]float64) {
	mean := func(p int) float64 { return (began[p] + s.temp[p]) / 2 }
	st := &s.water.stores
	st[boardFilm].rate, st[boardFilm].sat = boardRate, satSurface(mean(inBoard))
	st[coverFilm].rate, st[coverFilm].sat = coverRate, satSurface(mean(inCover))
	st[wallFilm].rate, st[wallFilm].sat = wallRate, satWater(mean(inAir))
	// A dry sump collects no dew: it is the warmest part at night.
	st[sump].rate = sumpRate * st[sump].mass / (st[sump].mass + sumpHalf)
	st[sump].sat = satSurface(mean(inSump))
}

// houseExcess is what air from the house adds to the outdoor vapour pressure
// that the box sees, hPa. Homes are moister than outdoors by 5.4 hPa at 0 °C
// and below, falling to nothing at 20 °C (EN ISO 13788, humidity class 2 to
// 3, from memory).
func (s *Sim) houseExcess(t unit.Instant) float64 {
	excess := 0.0
	for i := range s.faults.wallAir {
		if f := &s.faults.wallAir[i]; f.active(t) {
			excess += f.Size * 5.4 * min(1, max(0, 1-float64(s.air.Temp)/20))
		}
	}
	return excess
}

// tau returns the breathing time at t in h. A box open on all sides still has
// one of a minute.
func (s *Sim) tau(t unit.Instant) float64 {
	tau, cover := s.box.TauH, unit.Instant(math.MinInt64)
	if r := lastActive(s.faults.repaired, t); r != nil {
		cover = r.From
		if r.Size > 0 {
			tau = r.Size
		}
	}
	for i := range s.faults.ageing {
		if f := &s.faults.ageing[i]; f.active(t) && f.From >= cover && f.Size > 0 {
			tau *= math.Exp2(-f.days(t) / f.Size)
		}
	}
	for i := range s.faults.opened {
		if f := &s.faults.opened[i]; f.active(t) && f.From >= cover && f.Size > 0 {
			tau = min(tau, f.Size)
		}
	}
	return max(tau/(1+s.box.WindPerMS*s.air.WindMS), 1.0/60)
}
