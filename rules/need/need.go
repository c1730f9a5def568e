// Package need says which station needs a visit first: what a week of waiting
// costs, as a sum of terms, each a chance that something happens within a week
// times what it then costs.
//
// Two things happen to a station: its board's life ends, or a fault that is
// there gets worse, so that putting it right takes more work. Costs are in hours
// of the workshop's work, so that they can be weighed against hours on the road.
// A board or face that can't be bought any more costs more, the more so the
// fewer are left on the shelf.
//
// All chances and costs are judgement values without a source. They are in one
// place, have a range of half to twice, and are there to put stations in order,
// not to foretell a date. What the record knows better (how much of a board's
// life is used, how old a cover is, how wet the season is) takes the place of a
// guess.
package need

import (
	"cmp"
	"math"
	"slices"
	"time"

	"dewpost/rules/bench"
	"dewpost/rules/finding"
	"dewpost/rules/life"
	"dewpost/rules/unit"
)

// Station is what is known of one, as of now.
type Station struct {
	Now      unit.Instant
	Findings []finding.Finding // that last
	Cover    life.Cover
	Board    life.Board
	BoardUse float64 // share of the board's budget that a week takes at this season; 0: not known

	Symptoms []Symptom     // reported since it was last put right
	Photos   unit.Instant  // when the newest photos that were asked for came; 0: none
	Silent   time.Duration // since the newest reading; negative: it has no sensor
	Season   float64       // how wet the coming weeks are against the year; 1: as usual, or not known
	Grade    string        // of its board, a to d; "": not known
	BoardOut Scarcity      // of boards that would do for it
	FaceOut  Scarcity
}

// Symptom is what people noticed.
type Symptom struct {
	Kind  bench.Symptom
	Since unit.Instant
}

// Scarcity says how hard something is to replace.
type Scarcity struct {
	Known         bool  // the shelf's books name a kind of part that fits
	Irreplaceable bool  // it can't be bought any more
	Free          int64 // on the shelf, for nobody else
}

// What happens.
const (
	BoardEnds    = "board_ends"    // its life ends
	FaultWorsens = "fault_worsens" // a fault that is there gets worse
	Unseen       = "unseen"        // nobody would notice
)

// Term is one part of a need.
type Term struct {
	From   string  `json:"from"`   // a kind of finding, a symptom, board_life, cover_age or unseen
	What   string  `json:"what"`   // BoardEnds, FaultWorsens or Unseen
	Chance float64 `json:"chance"` // within a week, 0 to 1
	Low    float64 `json:"chance_low"`
	High   float64 `json:"chance_high"`
	CostH  float64 `json:"cost_h"` // hours of work
	LossH  float64 `json:"loss_h"` // Chance × CostH
	Why    string  `json:"why"`    // in a sentence
}

// Need is what a week of waiting costs.
type Need struct {
	LossH float64 `json:"loss_h_per_week"` // hours of work a week: the sum of the terms
	LowH  float64 `json:"low_h_per_week"`
	HighH float64 `json:"high_h_per_week"`
	Terms []Term  `json:"terms"` // the largest first
}

// Costs in hours of work. Judgement values.
const (
	boardWork = 6.0 // another board from the shelf, fitted, tested and coated at the bench
	faceWork  = 3.0
	coverFace = 0.3 // of a face, that a cracked cover costs it in the end
	outOfUse  = 1.0 // of a station that nobody can call from, each time somebody comes for it
)

// worth is what it costs to bring something back: its work and, where it can't
// be bought, more the fewer there are. With none left it is a donor to find, or
// parts to make up.
func worth(work float64, s Scarcity) float64 {
	switch {
	case !s.Known:
		return work * 3 // as if one of an irreplaceable kind were left
	case !s.Irreplaceable:
		return work
	}
	return work * (1 + 4/float64(1+max(0, s.Free)))
}

// What is left of a board's worth, by its bench grade. Judgement values.
var gradeWorth = map[string]float64{"a": 1, "b": 0.9, "c": 0.75, "d": 0.5}

func (s *Station) boardCost() float64 {
	left := cmp.Or(gradeWorth[s.Grade], 0.9)
	return boardWork + left*(worth(boardWork, s.BoardOut)-boardWork)
}

// hazard is what a fault does within a week if nobody comes. Judgement values.
type hazard struct {
	ends  float64 // chance that the board's life ends
	worse float64 // chance that the fault gets worse
	work  float64 // hours more that it then takes
	wet   bool    // more in a wet season, less in a dry one
}

var ofFinding = map[finding.Kind]hazard{
	finding.WaterInside:      {0.06, 0.25, 5, true},
	finding.BoardWet:         {0.02, 0.10, 4, true},
	finding.LeakageRising:    {0.03, 0.15, 4, true},
	finding.CurrentStepUp:    {0.02, 0.10, 2, false},
	finding.NoCurrent:        {0.01, 0.50, outOfUse, false},
	finding.SealOpened:       {0.008, 0.06, 3, true},
	finding.MoistAirFromWall: {0.006, 0.05, 2, true},
	finding.DampWeek:         {0.004, 0.04, 2, true},
	finding.CurrentStepDown:  {0.004, 0.05, 1, false},
	finding.LineVoltageLow:   {0.004, 0.05, 1, false},
	finding.SensorSuspect:    {0.001, 0.02, 1, false},
	// Told by the clocks and by how long nothing was heard:
	finding.CoverDue:  {},
	finding.BudgetLow: {},
	finding.Silent:    {},
}

var newKind = hazard{0.004, 0.05, 1, false} // a finding that this table doesn't know yet

var ofSymptom = map[bench.Symptom]hazard{
	"ghost-calls": {0.02, 0.10, 2, true}, // water between contacts calls by itself
	"no-ring":     {0.01, 0.10, outOfUse, false},
	"weak-audio":  {0.008, 0.06, 1, true},
	"dead-key":    {0.005, 0.05, 1, true},
	"hum":         {0.005, 0.04, 1, false},
	"dark-lamp":   {0.002, 0.02, 0.5, false},
}

var otherSymptom = hazard{0.003, 0.03, 1, false}

const (
	crackSeen   = 0.02  // chance within a week that the board of a cracked cover ends
	anyAge      = 0.011 // chance of a crack within a week where the age is not known: one of four within half a year
	crackLater  = 0.25  // chance that a crack which comes now costs the board before somebody sees it
	blindTold   = 14    // days without a reading from which nothing is known
	blindChance = 0.003 // of a fault within a week that nobody sees
	blindShare  = 0.2   // of a board's cost that it takes with it
	spread      = 0.5   // of the logarithm of a budget, that it is a judgement
	wide        = 2.0   // a chance may be half or twice as much
	unsure      = 0.3   // of a chance that is left of it where a finding has no confidence
)

// Of returns the need of a station.
func Of(s *Station) Need {
	if s.Season == 0 {
		s.Season = 1
	}
	b := builder{s: s}
	for i := range s.Findings {
		b.finding(&s.Findings[i])
	}
	for _, sy := range s.Symptoms {
		h, ok := ofSymptom[sy.Kind]
		if !ok {
			h = otherSymptom
		}
		b.hazard(string(sy.Kind), h, 1, symptomWhy(&sy))
	}
	b.cover()
	b.board()
	b.blind()
	return b.need()
}

type builder struct {
	s     *Station
	terms []Term
}

func (b *builder) add(t Term) {
	t.Chance, t.Low, t.High = min(1, t.Chance), min(1, t.Low), min(1, t.High)
	t.LossH = t.Chance * t.CostH
	if t.LossH > 0 {
		b.terms = append(b.terms, t)
	}
}

func (b *builder) hazard(from string, h hazard, sure float64, why string) {
	factor := sure
	if h.wet {
		factor *= b.s.Season
		why += seasonWords(b.s.Season)
	}
	b.add(Term{
		From: from, What: BoardEnds, CostH: b.s.boardCost(), Why: why,
		Chance: factor * h.ends, Low: factor * h.ends / wide, High: factor * h.ends * wide,
	})
	b.add(Term{
		From: from, What: FaultWorsens, CostH: h.work, Why: why,
		Chance: factor * h.worse, Low: factor * h.worse / wide, High: factor * h.worse * wide,
	})
}

func (b *builder) finding(f *finding.Finding) {
	h, ok := ofFinding[f.Kind]
	if !ok {
		h = newKind
	}
	sure := unsure + (1-unsure)*min(1, max(0, f.Confidence))
	b.hazard(string(f.Kind), h, sure, findingWhy(f, b.s.Now))
}

// cover adds what the age of a cover brings: a crack that comes, or one that is
// there.
func (b *builder) cover() {
	c, s := &b.s.Cover, b.s
	face := coverFace * worth(faceWork, s.FaceOut)
	if c.Cracked {
		b.add(Term{
			From: "cover_age", What: BoardEnds, CostH: s.boardCost() + face, Why: "The cover is cracked or gone: rain and salt come in." + seasonWords(s.Season),
			Chance: crackSeen * s.Season, Low: crackSeen * s.Season / wide, High: crackSeen * s.Season * wide,
		})
		return
	}
	week := c.Week
	if len(c.Missing) > 0 {
		if c.Condition != "crazed" {
			return
		}
		week = anyAge
	}
	if c.Condition == "crazed" {
		week *= 3
	}
	chance := week * crackLater
	b.add(Term{
		From: "cover_age", What: BoardEnds, CostH: s.boardCost() + face, Why: coverWhy(c, week),
		Chance: chance, Low: chance / wide, High: chance * wide,
	})
}

// board adds the chance that its life is used up within the week: how much of a
// budget it takes is log-normal about one, as wide as what is not known of its
// use and of the budget.
func (b *builder) board() {
	s := b.s
	if !s.Board.Known || s.BoardUse <= 0 || s.Board.Fraction <= 0 {
		return
	}
	use := spread
	if s.Board.Low > 0 && s.Board.High > s.Board.Low {
		use = math.Hypot(spread, math.Log(s.Board.High/s.Board.Low)/4) // a range of two deviations to each side
	}
	chance := func(fraction float64) float64 { return endsWithin(fraction, s.BoardUse, use) }
	b.add(Term{
		From: "board_life", What: BoardEnds, CostH: s.boardCost(), Why: boardWhy(&s.Board, s.BoardUse),
		Chance: chance(s.Board.Fraction), Low: min(chance(s.Board.Low), chance(s.Board.Fraction)), High: max(chance(s.Board.High), chance(s.Board.Fraction)),
	})
}

// endsWithin returns the chance that a life of which a fraction is used ends
// while more of it is used, given that it has not so far.
func endsWithin(fraction, more, sigma float64) float64 {
	if fraction <= 0 {
		return 0
	}
	ended := func(x float64) float64 { return math.Erfc(-math.Log(x)/sigma/math.Sqrt2) / 2 }
	before := ended(fraction)
	if before > 0.999 {
		return 0.2 // far beyond what boards last: it may end any day
	}
	return min(0.2, (ended(fraction+more)-before)/(1-before))
}

// blind adds what nobody would notice, of a station of which nothing is heard.
func (b *builder) blind() {
	s := b.s
	if s.Silent >= 0 && s.Silent < blindTold*24*time.Hour {
		return
	}
	b.add(Term{
		From: "unseen", What: Unseen, CostH: blindShare*s.boardCost() + 1, Why: blindWhy(s.Silent) + seasonWords(s.Season),
		Chance: blindChance * s.Season, Low: blindChance * s.Season / wide, High: blindChance * s.Season * wide * 2,
	})
}

func (b *builder) need() (n Need) {
	slices.SortStableFunc(b.terms, func(x, y Term) int { return cmp.Compare(y.LossH, x.LossH) })
	n.Terms = append([]Term{}, b.terms...)
	for i := range n.Terms {
		t := &n.Terms[i]
		n.LossH += t.LossH
		n.LowH += t.Low * t.CostH
		n.HighH += t.High * t.CostH
	}
	return n
}

// Month is a calendar month of a station's ledger: dose in equivalent hours at
// saturation, and known hours.
type Month struct{ Dose, KnownH float64 }

// Season returns how wet the four weeks from now on are against the year, by
// the months of the past: 0.5 to 2, and 1 where the past says too little.
func Season(months *[12]Month, now time.Time) float64 {
	const enough = 72 // hours of a month
	dose, known, full := 0.0, 0.0, 0
	for _, m := range months {
		if m.KnownH >= enough {
			dose, known, full = dose+m.Dose/m.KnownH, known+1, full+1
		}
	}
	if full < 4 || dose <= 0 {
		return 1
	}
	mean := dose / known
	ahead, days := 0.0, 0.0
	for d := range 28 {
		m := &months[now.AddDate(0, 0, d).Month()-1]
		if m.KnownH >= enough {
			ahead, days = ahead+m.Dose/m.KnownH, days+1
		}
	}
	if days < 14 {
		return 1
	}
	return min(2, max(0.5, ahead/days/mean))
}
