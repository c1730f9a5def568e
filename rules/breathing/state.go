package breathing

import (
	"math"
	"slices"
	"time"

	"dewpost/rules/finding"
	"dewpost/rules/means"
	"dewpost/rules/moistair"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Basis names where the outdoor signal came from, the better first.
type Basis string

// The bases. A window takes the one that most of its hours have.
const (
	Own     Basis = "own"     // the station's outside channels
	Site    Basis = "site"    // another sensor of the site
	Weather Basis = "weather" // imported weather
	Inside  Basis = "inside"  // none: only how restless the air in the box is
)

// Outdoor is what the caller knows of the outdoor air, for stations without
// outside channels of their own.
type Outdoor struct {
	Temp  unit.Celsius
	RH    unit.Percent // over water, more than 0
	Basis Basis        // Site or Weather
}

// Span is a stretch of time [From, To).
type Span struct{ From, To unit.Instant }

// Check is the outcome of the newest test of the inside sensor, such as the
// heater test or a salt check.
type Check int

// Outcomes.
const (
	Untested Check = iota
	Sound          // the sensor told the truth
	Suspect        // it did not: no finding is concluded from it
)

// Facts are what the caller knows beside the readings, valid at a slot.
type Facts struct {
	Outdoor  *Outdoor // nil: nothing known
	Rain     *float64 // mm/h; nil: nothing known
	Flush    bool     // mounted into the wall, its back towards the house
	Post     bool     // … on a post, behind which there is no house
	Sensor   Check
	Doubted  unit.Instant // of a Suspect: since when the sensor is thought to have been wrong; 0: not known
	Baseline []Span       // when the box was known to be good, ascending; the last one counts, and begins anew at its From. None: the first 21 days
}

// Day is the breathing time as known at the end of a UTC day.
type Day struct {
	Day     string   `json:"day"`      // 2006-01-02
	TauH    float64  `json:"tau_h"`    // apparent: what buffers in the box is included
	LowH    float64  `json:"low_h"`    // 5 % quantile
	HighH   *float64 `json:"high_h"`   // 95 % quantile; nil when the data set no bound
	WindowD int      `json:"window_d"` // days looked back on
	Basis   Basis    `json:"basis"`
}

// State is all that the estimator remembers of a box. The zero value is ready.
// Encoded as JSON and decoded it goes on as if it had not been. Days, and
// findings in Found that have ended, are output: a caller that keeps them
// elsewhere may cut them off.
type State struct {
	Days  []Day   `json:"days"`
	Found []Found `json:"found"`

	Hours []Hour   `json:"hours"` // the last keepDays days
	Now   Gather   `json:"now"`   // the hour under way
	TauH  float64  `json:"tau"`   // of the newest day that had one; 0: none yet
	Done  Course   `json:"done"`
	Tight Baseline `json:"tight"`
	Past  []Lately `json:"past"` // the last latelyKept days
	Wet   Wetness  `json:"wet"`
	Wall  Walled   `json:"wall"`
	Leaps Leaps    `json:"leaps"`

	fits map[int64]*dayMoments // of the days in Hours, computed again after decoding
}

// Found is a finding as it is kept; instants are in ns.
type Found struct {
	Kind       finding.Kind       `json:"kind"`
	From       int64              `json:"from"`
	To         int64              `json:"to"`             // 0 while it lasts
	Over       int64              `json:"over,omitempty"` // it seems over since, and may come back; 0: not so
	Concluded  int64              `json:"concluded"`
	Confidence float64            `json:"confidence"`
	Evidence   []finding.Evidence `json:"evidence"`
}

// Hour is one hour of a box, reduced to what the estimators need. Vapour
// pressures are in hPa.
type Hour struct {
	At    int64   `json:"h"`           // hours since 1970
	In    float64 `json:"i"`           // vapour pressure inside; 0: not known
	Sat   float64 `json:"s,omitempty"` // saturation pressure at inside temperature
	Out   float64 `json:"o,omitempty"` // vapour pressure outdoors; 0: not known
	OutT  float64 `json:"t,omitempty"` // °C, outdoors
	Rain  float64 `json:"r,omitempty"` // mm/h; -1: not known
	Wet   bool    `json:"w,omitempty"` // something in the box may be dewy
	Basis Basis   `json:"b,omitempty"`
}

// Course is how far a box has been followed.
type Course struct {
	Begun   bool  `json:"begun"`
	First   int64 `json:"first"`   // the first hour
	Day     int64 `json:"day"`     // the UTC day under way
	Water   int64 `json:"water"`   // the stretch of waterEvery hours under way
	Rebased int64 `json:"rebased"` // the hour from which the present baseline counts
}

// Gather sums the slots of the hour under way.
type Gather struct {
	At    int64   `json:"h"`
	Any   bool    `json:"any"`
	N     int     `json:"n"` // slots with a vapour pressure inside
	In    float64 `json:"i"`
	Sat   float64 `json:"s"`
	NOut  int     `json:"nout"` // slots with one outdoors
	Out   float64 `json:"o"`
	OutT  float64 `json:"t"`
	NRain int     `json:"nrain"` // slots of which the rain is known
	Rain  float64 `json:"r"`
	Wet   bool    `json:"w"`
	Basis Basis   `json:"b"`
}

const (
	keepDays   = 24
	hourNs     = int64(time.Hour)
	waterEvery = 6 // hours
)

// Judgement values for air in which something may be dewy. Without a sensor on
// board or cover their undercooling is not known.
const (
	dewyBoard = 0.8  // K that the dew point is above a board, which is warm: dew forms elsewhere first
	dewyCover = 0.5  // K that the dew point may be below a cover: what settles there keeps the air at it
	dewyAir   = 0.95 // relative humidity of the air
	frostyAir = 3.0  // K that a cover may be colder than air below 0 °C
)

// Close says at the reading at that no slot before the hour next will come: what
// is complete is concluded. Step does it too, with the first slot of an hour.
func (s *State) Close(next, at unit.Instant, now Facts) {
	if hour := int64(next) / hourNs; s.Now.Any && hour > s.Now.At {
		s.close(hour, at, &now)
	}
}

// Step takes the next slot; Start ascends. What it concludes rests on the
// slots before, and on m only for the fact that they are complete.
func (s *State) Step(m *means.Mean, now Facts) {
	hour := int64(m.Start.Floor(time.Hour)) / hourNs
	s.Close(m.Start.Floor(time.Hour), m.Done, now)
	if !s.Done.Begun {
		s.Done = Course{Begun: true, First: hour, Day: hour / 24, Water: hour / waterEvery, Rebased: s.Done.Rebased}
	}
	s.Now.At, s.Now.Any = hour, true
	s.gather(m, &now)
}

func (s *State) gather(m *means.Mean, now *Facts) {
	g := &s.Now
	temp, rh := &m.Ch[reading.InsideTemp], &m.Ch[reading.InsideRH]
	if temp.N > 0 && rh.N > 0 {
		sat := float64(moistair.SaturationWater(unit.Celsius(temp.Mean)))
		g.N++
		g.Sat += sat
		g.In += sat * rh.Mean / 100
		s.watchLeap(m, now, sat*rh.Mean/100, sat)
		board, cover := &m.Ch[reading.BoardTemp], &m.Ch[reading.CoverTemp]
		in := sat * rh.Mean / 100
		g.Wet = g.Wet || rh.Mean > 100*dewyAir || temp.Mean < 0 && in > dewyAir*float64(moistair.SaturationIce(unit.Celsius(temp.Mean))) ||
			cover.N == 0 && temp.Mean < 0 && dewy(in, temp.Mean-frostyAir) ||
			board.N > 0 && dewy(in, board.Mean+dewyBoard) || cover.N > 0 && dewy(in, cover.Mean-dewyCover)
	}
	if o := outdoorOf(m, now); o != nil {
		g.outdoor(float64(o.Temp), float64(o.RH), o.Basis)
	}
	if now.Rain != nil {
		g.NRain++
		g.Rain += *now.Rain
	}
}

// dewy tells whether vapour settles on a surface, below 0 °C as frost: it does so
// sooner than as dew.
func dewy(vapour, surface float64) bool {
	if surface < 0 {
		return vapour > float64(moistair.SaturationIce(unit.Celsius(surface)))
	}
	return vapour > float64(moistair.SaturationWater(unit.Celsius(surface)))
}

// outdoorOf returns the air outdoors in a slot, the station's own sensor first;
// nil where nothing is known of it.
func outdoorOf(m *means.Mean, now *Facts) *Outdoor {
	if temp, rh := &m.Ch[reading.OutsideTemp], &m.Ch[reading.OutsideRH]; temp.N > 0 && rh.N > 0 {
		return &Outdoor{unit.Celsius(temp.Mean), unit.Percent(rh.Mean), Own}
	}
	if now.Outdoor == nil {
		return nil
	}
	return &Outdoor{now.Outdoor.Temp, min(now.Outdoor.RH, 100), now.Outdoor.Basis}
}

// outdoor adds a slot's outdoor air. One hour has one basis: the better one
// that any of its slots has.
func (g *Gather) outdoor(temp, rh float64, b Basis) {
	if rank(b) > rank(g.Basis) {
		return
	}
	if b != g.Basis {
		g.NOut, g.Out, g.OutT, g.Basis = 0, 0, 0, b
	}
	g.NOut++
	g.Out += float64(moistair.SaturationWater(unit.Celsius(temp))) * rh / 100
	g.OutT += temp
}

func rank(b Basis) int {
	if i := slices.Index([]Basis{Own, Site, Weather}, b); i >= 0 {
		return i
	}
	return 3
}

// close ends the hour under way; next is the hour that follows it in the data
// and at the reading that says so.
func (s *State) close(next int64, at unit.Instant, now *Facts) {
	g := s.Now
	h := Hour{At: g.At, Rain: -1, Wet: g.Wet}
	if g.N > 0 {
		h.In, h.Sat = short(g.In/float64(g.N)), short(g.Sat/float64(g.N))
	}
	if g.NOut > 0 {
		h.Out, h.OutT, h.Basis = short(g.Out/float64(g.NOut)), short(g.OutT/float64(g.NOut)), g.Basis
	}
	if g.NRain > 0 {
		h.Rain = short(g.Rain / float64(g.NRain))
	}
	s.Now = Gather{}
	if h.In > 0 || h.Out > 0 {
		s.Hours = append(s.Hours, h)
	}
	oldest := (next/24 - keepDays) * 24
	n, _ := slices.BinarySearchFunc(s.Hours, oldest, func(h Hour, at int64) int { return int(h.At - at) })
	s.Hours = slices.Delete(s.Hours, 0, n)
	s.rebase(at, now)
	s.settle(next)
	if w := next / waterEvery; w > s.Done.Water {
		s.Done.Water = w
		s.judgeWater(at, now)
	}
	if d := next / 24; d > s.Done.Day {
		s.endDay(g.At/24, at, now)
		s.Done.Day = d
	}
}

// short rounds to 1e-4, so that states are small.
func short(x float64) float64 { return math.Round(x*1e4) / 1e4 }

// Estimates returns the breathing time of each day that had one.
func (s *State) Estimates() []Day { return append([]Day{}, s.Days...) }

// Findings returns what was concluded, in the order of conclusion.
func (s *State) Findings() []finding.Finding {
	out := make([]finding.Finding, len(s.Found))
	for i, f := range s.Found {
		out[i] = finding.Finding{
			Kind: f.Kind, From: unit.Instant(f.From), To: unit.Instant(f.To), Concluded: unit.Instant(f.Concluded),
			Confidence: f.Confidence, Evidence: slices.Clone(f.Evidence),
		}
	}
	return out
}

// How long what seems over may come back, and is then the same: judgement values.
const (
	comesBack = 10 * 24 // h
	rainsIn   = 30 * 24 // h, of water in a box whose seal is open
)

// back is within how many hours what seems over may come back.
func (s *State) back(k finding.Kind) int64 {
	if k == finding.WaterInside && s.lasting(finding.SealOpened) != nil {
		return rainsIn
	}
	return comesBack
}

// settle ends what seemed over and has not come back.
func (s *State) settle(next int64) {
	for i := range s.Found {
		if f := &s.Found[i]; f.Over != 0 && next*hourNs-f.Over > s.back(f.Kind)*hourNs {
			f.To, f.Over = f.Over, 0
		}
	}
}

// conclude keeps a finding that begins with an hour; at is the reading that
// made it known. What begins again soon after it seemed over was not over; nor was
// water in a box whose seal is open, into which each rain brings more. A person who
// has been told once need not be told again.
func (s *State) conclude(k finding.Kind, hour int64, at unit.Instant, confidence float64, e ...finding.Evidence) {
	for i := range s.Found {
		if f := &s.Found[i]; f.Kind == k && f.Over != 0 {
			f.Over = 0
			return
		}
	}
	s.Found = append(s.Found, Found{Kind: k, From: hour * hourNs, Concluded: int64(at), Confidence: confidence, Evidence: e})
}

// House tells whether air from the house is known to get into the box.
func (s *State) House() bool { return s.lasting(finding.MoistAirFromWall) != nil }

// Water tells whether liquid water is known to feed the air in the box, as no sensor
// does that only shows too much.
func (s *State) Water() bool {
	f := s.lasting(finding.WaterInside)
	return f != nil && !slices.Contains(f.Evidence, finding.Evidence{Name: "water_or_sensor", Value: 1})
}

// lasting returns the finding of a kind that does not seem over, or nil.
func (s *State) lasting(k finding.Kind) *Found {
	for i := range s.Found {
		if f := &s.Found[i]; f.Kind == k && f.To == 0 && f.Over == 0 {
			return f
		}
	}
	return nil
}

// since returns the hours at and after the given one.
func (s *State) since(at int64) []Hour {
	n, _ := slices.BinarySearchFunc(s.Hours, at, func(h Hour, at int64) int { return int(h.At - at) })
	return s.Hours[n:]
}
