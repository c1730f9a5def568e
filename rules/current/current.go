// Package current concludes from the supply current of a station, and from a
// sacrificial comb beside its board, what water on the board and faults on the
// line do to them. It works on ten-minute means.
//
// # What the current is made of
//
// Within some hours the standby current is taken as
//
//	I = level + drift + a·(T − 20 °C) + g·φ,   φ = 10^((RHs − 100)/15)
//
// with the temperature T and the relative humidity RHs at the board's surface
// (or of the air in the box where the board has no sensor). φ is the share of
// the conductivity at saturation that a film of water has: the same judgement
// value as the ledger's dose (the literature gives decades of conductivity
// between 60 and 100 % RH, and no common number). g, the leakage at saturation,
// is in mA. Where the line's voltage is measured the current is scaled to the
// voltage that was measured first: it is then a conductance, and what the supply
// does drops out.
//
// # Leakage
//
// A night, from 11 to 11 h of mean solar time (of UTC without a place), is cut
// into runs where the current jumps: a call or a radio's hour is a run of its
// own, whose level says nothing. All hours count, for in winter a board thaws by
// day; below 0.5 °C a film is taken as frozen and nothing is told. Only what rises
// and falls with φ counts, in two ways. One looks within a run, beside a straight
// line in time over at most eight hours, which no drift of days can feign. The
// other looks beside a level that wanders at random, night and day, in the runs of
// the level that the current comes back to when nobody talks: of each slot it takes
// what was not foreseen from those before it, of current, temperature and film
// alike (a random walk with noise, followed by Kalman's filter; Kalman 1960, from
// memory). How far this station's level wanders is told by which of five paces
// makes its slots likeliest: where a supply drifts by hours, hours are compared;
// where the voltage is measured, or the supply is steady, a damp week with the dry
// one before it. A step begins another level.
//
// Each night gives a score, the sum of the current's deviations times those of φ,
// from which the part that the temperature tells is taken (a partial regression;
// Frisch and Waugh 1933, from memory).
//
// What the temperature does is held near what it did when the station was learned:
// a Gaussian prior, so that a leakage that comes with the cool of the night is not
// put down to it. Where the board has no sensor it may be cooler than the air, and
// its film thicker: then the film on what is 2 K cooler is looked for as well, as
// the ledger's range has it.
//
// The station's own leakage, and the usual scatter of its nights' scores, are
// learned from 21 nights or more, by Huber's weights (Huber 1964, from memory)
// and a scatter from the median and the upper tenth of absolute values. A sound
// board hardly leaks: what little is known of it is weighed against that. Nights that
// say next to nothing, dry or frozen ones, scatter by less than others would: the
// scatter is taken as no less than what one slot has beside the next. Later nights
// are weighed by it: the last 5, 10, 21 and 42. One night counts as 4.5 standard
// errors at most, and two must clearly have more (three, beside a level that
// wanders), so that no call makes a leakage; and it must show, by more than what the
// temperature does in a quarter of a kelvin, which is what is not known of the
// board's, on a film that varies by no less than 1/200 of that at saturation: what
// dry days say of damp ones is not seen. It is over when eight nights that would have
// shown a third of it, by a way that had told it, did not: dry weather ends nothing.
// Frost may hide a station's own leakage for six weeks; none is then taken for its
// own, or as little as a sound board may have: what is more must be more than that
// leaves unknown.
//
// Without the voltage, on a supply that drifts by ±2 % over days, leakage up to
// about 1 % of the level may be told late, or not at all.
//
// A comb's conductance over φ is compared with its own in the same third of φ's
// decades, and beside that its highest values with those of before, so that a
// humidity sensor that creeps makes no leakage.
//
// # Steps
//
// A quarter of a solar day has a level: the current that a quarter of its slots
// lies below, for calls only add. A step is a day whose quarters all lie beside
// those of the fourteen days before (three of four for a step down, which use may
// hide), by more than 4.5 times what is usual in a day and a half; or by more than
// 4.5 times what is usual from a quarter to the next, and 3.5 times the former,
// where it came at once. It must have come within hours, and within an
// hour where nobody talks just then; else it must be 1.5 % of the level, and what the
// current did in the hours before, continued, must leave half of it, if that is known to a
// quarter of it. A key held for minutes is
// none, and neither is a drift, nor what a film could do: slots after it must lie
// beside slots before it that were as damp or damper. Its time is the slot that
// parts best what is near the one level from what is near the other; a slot far above
// both is talk, may be of either, and is left out here, or talk just before a step
// would be taken for the level that the step left.
//
// A line that drifts by as much in a day as a stuck key takes has its steps told by
// what a drift can't do, which is to move at once. What the current moved from a slot
// to the next, where that was more than 5 times the usual, is summed up: in the sum a
// drift drops out, and use goes back when it ends. Where slots scatter by a third of the
// step and more, medians of half an hour to two hours before and after it are taken for
// them, and seven tenths of it must have come within the hour. A step whose sum stays for a day,
// and of which half is to be seen in the quarters, 1.5 % of the level and more, is one; and it is over when the
// sum goes back, however the drift hides it, or when fourteen days tell of it. Near
// 0 °C a film on a damp board freezes at once, and tells no such step.
//
// The day after a step is one that is known, of three: an outage just then hides
// none, and what was known before it is kept.
//
// # A line that several stations share
//
// What happens to a line is the line's: where another station is said to read its
// current (Options.Elsewhere) nothing of it is found here, and where several
// stations' readings tell one event, Merge makes one of it.
//
// All limits are judgement values.
//
// # Causality
//
// Nothing is concluded from a slot that is not done; Concluded is the reading
// that completed the last one used. The end of a finding may be told later than
// it was.
package current

import (
	"math"
	"time"

	"dewpost/rules/finding"
	"dewpost/rules/means"
	"dewpost/rules/reading"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

// Judgement values.
const (
	quietSpread     = 1.0  // mA by which the current may move within a slot
	quietShare      = 0.02 // … and this share of it
	leastVolts      = 1.0  // V: less is no supply
	leastVoltsShare = 0.2
	thawed          = 0.5 // °C from which a film is liquid

	runSlots  = 3
	runGap    = 150 * time.Minute
	pieceLen  = 8 * time.Hour
	jumpSigma = 8.0
	jumpLeast = 0.1  // mA
	jumpShare = 0.01 // of the current

	keptNights   = 42 // of which few are without frost
	longNights   = 21
	baseNights   = 21       // that a station's own leakage is learned from
	ownLeast     = 0.05     // mA at saturation that a sound board may leak
	ownShare     = 5e-4     // … or share of the level
	unknownSE    = ownLeast // mA, of a leakage of none, taken where frost let none be learned
	leastNights  = 5
	leastFilm    = 0.02 // sum of squares of φ within runs that says something of leakage
	leastTold    = 0.002
	scatterMost  = 1.5
	leastEqual   = 3.5   // nights that must say it
	leastOwn     = 2e-4  // added to a night's sum of squares: one that says nothing has no score
	ridge        = 1.0   // K², added to the sum of squares of temperature
	tempLeast    = 2e-4  // of the level for each K, by which the temperature's part may come to differ
	tempShare    = 0.3   // … and this share of it
	filmLeast    = 0.005 // least root mean square of film that tells a leakage: at saturation it is 200 times what was seen
	seenLeast    = 0.004 // mA, least root mean square that a leakage makes within runs
	seenShare    = 1e-4  // … and share of the level
	coolerBy     = 2.0   // K: the range that the ledger takes as well
	bareKelvins  = 0.25  // … so many where the board's temperature isn't known
	seenKelvins  = 0.2   // … and what the temperature does in so many K
	huber        = 2.0
	floorLeast   = 0.005 // mA, least standard error that is believed
	scatterLeast = 1e-3  // mA, least scatter of scores
	scatterShare = 1e-5  // … as a share of the level

	leakageSigma  = 5.5      // standard errors
	leakageLeast  = 0.08     // mA at saturation, above its own
	leakageShare  = 5e-4     // … and share of the level
	nightSigmas   = 2.0      // that a night lies beside its own, to count as one with more
	mostSigmas    = 4.5      // that one night can say
	leakageNights = 2        // on end
	endNights     = 8        // that would show it and don't: it ended
	afterStep     = 14 * day // before which an open step may be what is taken for leakage

	blockSlots  = 2
	leastBlocks = 16
	keptBlocks  = 64
	stepSigma   = 4.5
	quickSigma  = 3.5            // … of what is usual in a day and a half, of one that came at once
	stepLeast   = 0.2            // mA
	alikeFor    = 12 * time.Hour // before a step
	alikeFilm   = 0.02
	leastAlike  = 4     // slots
	dryFilm     = 0.05  // film up to which hardly anything leaks
	notFilm     = 0.5   // of the level: no board begins to leak so much within hours
	stepShare   = 0.01  // of the level
	stepSharp   = 0.5   // of its size, that must come within hours
	hiddenShare = 0.015 // of the level, that must, where talk hides whether it came at once
	sharpWindow = 4 * time.Hour
	sharpMost   = 2.0              // times its size
	talkShare   = 0.5              // of a step, above both its levels: more is talk
	talkSigma   = 4.0              // … and of what slots scatter by
	onceSlots   = 12               // either side, by which a drift is told from a step
	slopeMost   = 0.25             // of a step, that a drift foreseen by them may be off by, standard error
	onceWindow  = 70 * time.Minute // … and so much within so few slots either side of it, where nobody talks
	goneShare   = 0.05             // of the level, and
	goneMost    = 0.5              // mA, or …
	goneMeter   = 0.01             // … of the level, which its meter may be off by: less is no current
	goneFor     = 3 * time.Hour
	backFor     = time.Hour
	keptFor     = 35 * time.Hour // of what is known,
	keptMost    = 4 * day        // … and no longer ago

	longestAfter = 3 // days in which the day after a step must be known

	voltageLow = 0.85 // of the usual
	voltsKept  = 7 * day
	nightKind  = 1 // block after whose end a night is judged: 11 h

	combSlots  = 4
	combFilm   = 0.03 // least film that a comb is read at: 77 % RH
	combBase   = 14
	combFactor = 2.5
	combTop    = 1.3
	combSigma  = 5.0
	combOff    = 0.1
	combNights = 4 // on end
	combEnds   = 7
)

// How many nights must clearly have more to make a leakage, by the way that it is
// told: what wanders otherwise than it used to is nearer to the second.
var leakageWith = [numWays]int{fast: 2, fastCool: 2, walk: 3, walkCool: 3}

// Options are what is known of the station.
type Options struct {
	Place  *sun.Place // nil: unknown, days are those of UTC
	Shared int        // stations on the same line and supply; 0 or 1: it has its own
	// Elsewhere tells that another station's readings hold the current of the line
	// that they share: what happens to the line is found there, once. The comb is
	// the station's own.
	Elsewhere bool
}

// State is what is kept of a station between its slots. The zero value has seen
// nothing. It can be encoded as JSON anywhere and goes on as it would have; who
// keeps it may take findings with a To out of Found.
type State struct {
	Found []finding.Finding `json:",omitempty"` // in the order in which they were concluded

	Volts      float64       `json:",omitempty"` // that currents are at; 0: as measured
	LastVolts  int64         `json:",omitempty"` // instant
	Usual      float64       `json:",omitempty"` // mA as measured
	Bare       bool          `json:",omitempty"` // the board's temperature isn't known, the air's is taken
	Recent     packed[slot]  `json:",omitempty"`
	Blocks     packed[block] `json:",omitempty"`
	Nights     packed[night] `json:",omitempty"`
	NightsSeen int32         `json:",omitempty"`
	Fit        *fit          `json:",omitempty"` // of the last longNights; nil: can't be told
	Walk       walks
	Leakage    leakage
	Comb       comb
	Steps      steps
	Gone       goneJudge
	Supply     voltsJudge
}

// Add takes the next slot; one that is not done says nothing yet.
func (s *State) Add(o Options, m *means.Mean) {
	if o.Elsewhere {
		m = s.without(m)
	}
	line, volts := m.Ch[reading.LineCurrent], m.Ch[reading.LineVoltage]
	if m.Done == 0 || line.N|volts.N|m.Ch[reading.Comb].N == 0 {
		return
	}
	if volts.N > 0 {
		s.LastVolts = int64(m.Done)
	} else if s.Volts != 0 && m.Done.Sub(unit.Instant(s.LastVolts)) > voltsKept {
		*s = State{Found: s.Found}
	}
	x := s.slotOf(m)
	if line.N > 0 {
		s.judgeGone(o, m.Start, m.Done, line.Mean)
	}
	s.endBefore(o, m)
	s.Recent = append(s.Recent, x)
}

// without leaves the line out of a slot, and of the state: what was found of it
// ends.
func (s *State) without(m *means.Mean) *means.Mean {
	if s.Blocks != nil || s.Gone.Open != 0 {
		for i := range s.Found {
			if f := &s.Found[i]; f.To == 0 && int64(f.Concluded) != s.Comb.Open {
				f.To = m.Start
			}
		}
		*s = State{Found: s.Found, Comb: s.Comb}
	}
	bare := *m
	bare.Ch[reading.LineCurrent], bare.Ch[reading.LineVoltage] = means.Channel{}, means.Channel{}
	return &bare
}

// endBefore judges what is over when a slot is of another block than the last.
func (s *State) endBefore(o Options, m *means.Mean) {
	if len(s.Recent) == 0 {
		return
	}
	c := o.clock()
	last := s.Recent[len(s.Recent)-1].at()
	now, next := c.block(last), c.block(m.Start)
	if next == now {
		return
	}
	s.endBlock(o, now, m.Done)
	if kindOf(now) == nightKind || next-now >= blocksADay {
		s.endNight(o, now, last, m.Done)
	}
	// An outage takes nothing away of what was known before it.
	keep, known, later := len(s.Recent), time.Duration(0), m.Start
	for ; keep > 0; keep-- {
		at := s.Recent[keep-1].at()
		if known += min(later.Sub(at), suddenSpan); known > keptFor || m.Start.Sub(at) > keptMost {
			break
		}
		later = at
	}
	s.Recent = append(s.Recent[:0], s.Recent[keep:]...)
}

// endBlock judges a block that is over.
func (s *State) endBlock(o Options, number int32, concluded unit.Instant) {
	c := o.clock()
	from := len(s.Recent)
	for from > 0 && c.block(s.Recent[from-1].at()) == number {
		from--
	}
	b := blockOf(number, s.Recent[from:])
	if s.Gone.Since != 0 || number < s.Gone.Until {
		b[blockLow] = absent
	}
	if b[blockLow] == absent && b[blockVolts] == absent {
		return
	}
	s.Blocks = append(s.Blocks, b)
	if old := len(s.Blocks) - keptBlocks; old > 0 {
		s.Blocks = append(s.Blocks[:0], s.Blocks[old:]...)
	}
	s.judgeVolts(o, number, concluded)
	if b[blockLow] == absent {
		return
	}
	s.judgeStep(o, number, concluded)
	if level := s.level(); !math.IsNaN(level) {
		s.Usual = level
		if b[blockVolts] != absent && s.Volts != 0 {
			s.Usual *= float64(b[blockVolts]) / s.Volts
		}
	}
}

// endNight judges a night that is over, the day up to its last slot.
func (s *State) endNight(o Options, number int32, last, concluded unit.Instant) {
	from := len(s.Recent)
	for from > 0 && last.Sub(s.Recent[from-1].at()) < day {
		from--
	}
	var damp, line, all []slot
	for _, x := range s.Recent[from:] {
		if x.has(slotCurrent) {
			all = append(all, x)
		}
		if !x.has(slotFilm) || !x.thawed() {
			continue
		}
		damp = append(damp, x)
		if x.has(slotCurrent) {
			line = append(line, x)
		}
	}
	s.NightsSeen++
	s.judgeComb(o, damp, concluded)
	most := mostMove(all)
	if n, ok := nightOf(number/blocksADay, line, most, s.Bare); ok && s.Gone.Open == 0 {
		s.Nights = append(s.Nights, n)
		for len(s.Nights) > 0 && n.Number-s.Nights[0].Number >= keptNights {
			s.Nights = append(s.Nights[:0], s.Nights[1:]...)
		}
		s.walkNight(n.Number, all, most)
		s.judgeLeakage(o, concluded)
	}
}

// open records a finding and returns what close finds it by.
func (s *State) open(o Options, kind finding.Kind, from, concluded unit.Instant, confidence float64, evidence ...finding.Evidence) int64 {
	if o.Shared > 1 {
		evidence = append(evidence, finding.Evidence{Name: "stations_on_line", Value: float64(o.Shared), Unit: "stations"})
	}
	s.Found = append(s.Found, finding.Finding{Kind: kind, From: from, Concluded: concluded, Confidence: confidence, Evidence: evidence})
	return int64(concluded)
}

// close ends the finding of a kind that was concluded at an instant.
func (s *State) close(kind finding.Kind, concluded int64, to unit.Instant) {
	for i := range s.Found {
		if f := &s.Found[i]; f.Kind == kind && f.Concluded == unit.Instant(concluded) && f.To == 0 {
			f.To = to
			return
		}
	}
}
