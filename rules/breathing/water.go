package breathing

import (
	"math"
	"slices"

	"dewpost/rules/finding"
	"dewpost/rules/moistair"
	"dewpost/rules/unit"
)

// Wetness is what the watch for water keeps.
type Wetness struct {
	Dry int `json:"dry"` // times in a row, while a finding lasts, that spoke against water
}

// Judgement values.
const (
	waterWindow = 24    // h
	waterMin    = 18    // h of them that must be known
	tellingMin  = 4     // h in which water and wall air differ
	deficitMin  = 0.12  // of saturation: less of a deficit tells nothing
	beyond      = 1.2   // a deficit tells when it is so many times what wall air and bias make up
	followWet   = 0.6   // part of the deficit that water makes up
	followOut   = 0.7   // … where the box never did so before
	outDays     = 16    // days before that tell how far it goes
	outGap      = 40    // h before now, with which they end
	outFresh    = 48    // h before now, before which there was none of it yet
	outClean    = 0.02  // of saturation, in the mean of a day
	outLeast    = 120   // h of them
	outUsual    = 0.95  // of them have less
	outMore     = 0.05  // of saturation above that …
	outMost     = 0.8   // … in so many of the hours that tell
	outHours    = 5     // … at least
	beyondLeast = 0.1   // of saturation, in the mean of a day, beyond exchange and dew, …
	beyondUsual = 0.03  // … where the days before had no more than that, …
	beyondHouse = 1.3   // … and so many times what house air makes, …
	beyondMost  = 0.7   // … in so many hours at least half as much
	outClear    = 0.12  // of saturation, in the mean, that needs no air that is nearly saturated
	moreAlone   = 1.5   // times what wall air and bias make up, where no past is known
	aloneHours  = 72    // h before the last 24 that must speak for water too, where no past is known
	arriving    = 36.0  // h that house air has had to come in, where the wall gave nothing so far
	soakLag     = 72.0  // h in which what can soak up water follows the humidity of the air
	soakFirst   = 0.6   // of saturation, before the first hour
	soakDelay   = 72    // h: what was soaked up since then says nothing of where it came from
	dewSlower   = 1.5   // times the breathing time it may take to leave: the time isn't better known
	dewMost     = 240.0 // h, for which dew is remembered
	dewDries    = 12.0  // … and in dry air
	dewyRH      = 0.93  // from it on dew stays in the warm half of the day, when the sun is on the cover …
	dewyColdRH  = 0.78  // … and in the cold half, in which a cover may be 4 K colder than the air
	dryRH       = 0.65  // with it none is left
	soakVent    = 3.0   // h: of a box that breathes as fast, half of what a buffer gives is gone at once
	moreWalled  = 2.0   // where wall air is known of
	pastClean   = 0.04  // of saturation: a wall that gave nothing so far
	lingering   = 48    // h
	pastTo      = 2     // days within which an excess must have begun to be water
	pastMin     = 6     // days before them that must be known
	pastFade    = 15.0  // d
	pastTimes   = 2.0   // the excess must have risen by so many times what it was, and by pastMore
	pastLeast   = -0.05 // of saturation: what exchange brings is bounded from above
	pastMore    = 0.10  // of saturation
	allDay      = 0.25  // of the deficit, over the whole window
	followWall  = 0.6   // above: may as well be water
	followRise  = 0.25  // above the days before
	followDry   = 0.25  // below: no water
	dryTimes    = 8     // in a row
	biasMost    = 0.04  // of saturation, is believed of a baseline
	biasShare   = 0.03  // of saturation: what two sensors may differ by
	nightHours  = 6     // the coldest of the last 24
	nightRH     = 0.85  // relative humidity then, with water …
	warmNightRH = 0.72  // … whose air a board may keep warmer than the water is, …
	nightExcess = 0.2   // … of saturation, beyond what exchange brings, then too

	levelHours  = 72   // h in which humidity has kept its level
	levelLeast  = 50   // h of them that must be known
	levelMore   = 0.04 // of saturation, beyond all that comes with the exchange, from the wall too, in the mean
	levelSoaked = 0.02 // … and beyond what a buffer gives back …
	levelWalled = 0.08 // … where air from the wall is known of, or may be coming in, and its dew
	levelSteady = 0.8  // times what is in excess scatters, at most
	pinnedRH    = 0.95 // of relative humidity, in the mean: near saturation, …
	pinnedMore  = 0.1  // … of saturation, with so much more than comes with the exchange, from the wall too, …
	pinnedTimes = 0.15 // … that scatters so little no buffer does it
	wallDew     = 90   // days for which the dew of air from the wall may do it, that was known of

	surgeHours  = 42   // h within which a dry box has become damp, for whose last 24 it has been so; of what was before …
	surgeBefore = 96   // h tell, …
	surgeLeast  = 48   // of which so many must be known, …
	surgeDry    = 0.75 // of relative humidity, at most, in all of them: neither dew nor frost was left in the box
	surgeUsual  = 0.9  // of them are drier than what is usual
	surgeHouse  = 2.0  // times the bound of house air, as far as it can have come in
	surgeOver   = 0.02 // of saturation beyond that, and of relative humidity above what is usual, …
	surgeMost   = 0.75 // in so many hours, …
	surgeMean   = 0.05 // … and so much in their mean, …
	surgeRH     = 0.08 // … the second
	surgeGoes   = 0.03 // of saturation, of what is in excess, that it may lose in the last 24 h: what came in through an open door goes again

	setsShort  = 20   // h, or …
	setsLong   = 36   // … h, in which the box has been damp; of what was before …
	setsGap    = 6    // h …
	setsBefore = 96   // … h tell, …
	setsLeast  = 48   // of which so many must be known; …
	setsUsual  = 0.75 // of them had less in excess, and were drier, …
	setsClean  = 0.1  // of saturation, in excess then, at most, …
	setsMore   = 0.08 // … and so much less, in the mean, …
	setsDamper = 0.1  // of relative humidity drier, in the mean, …
	setsRH     = 0.84 // … which is now never below, …
	setsSteady = 0.6  // times what is in excess scatters, at most, …
	setsHouse  = 0.67 // times the bound of house air: what homes of few people add, as far as it can have come in

	blindHours      = 4    // the warmest, and the coldest, of 24
	blindSwing      = 0.3  // of ln saturation, about 4.5 K
	blindSwingLeast = 0.2  // about 3 K
	blindWarmRH     = 0.95 // relative humidity of the warmest hours, …
	blindWet        = 4    // days on end
	blindGain       = 1.15 // vapour then, of that in the coldest hours
	blindGap        = 1    // day between them and those that tell what is usual
	blindUsual      = 0.9  // relative humidity of the warmest hours, on few of those, …
	blindMore       = 0.12 // … and by so much less
	blindDays       = 5    // of them
	blindDry        = 0.8  // relative humidity that no water leaves in the coldest hours, nor in the warmest of a day that warms

	flatHours  = 36    // in which humidity has kept its level
	flatSwing  = 0.15  // of ln saturation, about 2.3 K, by which the box both warmed and cooled
	flatMost   = 0.012 // of relative humidity, that it scatters at most, …
	flatShare  = 0.05  // … or of that swing
	flatRH     = 0.8   // relative humidity, in the mean, …
	flatWet    = 0.965 // … that is not yet what a box full of dew has
	flatGap    = 6     // h between what is asked, and before it
	flatBefore = 12    // days that tell what is usual, …
	flatDays   = 4     // … the last of them how it moved, …
	flatUsual  = 2.0   // … none of which were flat, or twice that, …
	flatDamper = 0.06  // … at so nearly the same humidity, …
	flatTimes  = 3.0   // … and one moved by so many times as much
	flatNear   = 0.02  // of relative humidity below now, …
	flatOften  = 12    // … in so many hours of outDays at most

	slower      = 4.0   // times the breathing time: a repair that nobody wrote down, as in netTimes
	wallShare   = 0.5   // of the air that enters: more is not looked for
	settling    = 6     // h after the onset
	flatSensor  = 0.004 // of relative humidity: less has a sensor that is stuck
	swingK      = 0.25  // of ln saturation, about 4 K
	stuckMost   = 0.007 // of relative humidity, root mean square over hours: twice the scatter of a stuck sensor
	givesLeast  = 8     // h that must tell that humidity gives way
	givesT      = 2.6   // Student's t of the correlation: one in a hundred, one-sided, with 18 hours
	pastDays    = 40
	wallDays    = 14
	wallMin     = 11
	wallExcess  = 1.0   // hPa
	wallRH      = 0.10  // of saturation
	wallEachDay = 0.04  // of saturation, on most days
	flushEase   = 0.7   // of the limits, where house air is near
	defaultTau  = 12.0  // h, before anything is known
	unknownTau  = 100.0 // h, the same, where the box is to have the benefit of the doubt
)

// surplus is one hour's vapour against what exchange brings. Zero sat: not
// known.
type surplus struct {
	at                         int64
	x, deficit, bound, in, sat float64 // hPa
	kept                       float64 // hPa: dew, as the vapour that it would make
}

func (x *surplus) share() float64 {
	if x.sat == 0 {
		return 0
	}
	return x.x / x.sat
}

func (x *surplus) rh() float64 { return x.in / x.sat }

func warmth(x *surplus) float64 { return x.sat }

// tells whether an hour's deficit is beyond what wall air could make up.
func (x *surplus) tells() bool {
	return x.sat > 0 && x.deficit > deficitMin*x.sat && x.deficit > beyond*(x.bound+biasShare*x.sat)
}

// sources are what may have brought vapour into the box, beside exchange.
type sources int

const (
	exchangeOnly sources = iota
	dewToo               // what came in before and was kept as dew
	hiddenToo            // … and as much air from the wall as would not show, which makes dew too
	walledToo            // … and all that may come from there
	soakedToo            // … and a buffer that holds the humidity of the days before, and gives it to air that warms
)

// excess compares every hour that is kept with what exchange in tau would have
// brought into the box, or into one that has opened, if that is more, or another
// source. bias, a share of saturation, is taken off what is measured inside.
//
// Dew comes in with the exchange like vapour, and stays: what may be in the box as
// either is what came in less what went out at the humidity that was measured. In
// air of less than 95 % it dries.
func (s *State) excess(tau, bias float64, what sources) []surplus {
	return s.excessSince(nil, tau, bias, what)
}

// excessSince is excess of a box that kept nothing but what its air held, until a leap.
func (s *State) excessSince(leap *Leap, tau, bias float64, what sources) []surplus {
	out := make([]surplus, len(s.Hours))
	soaks := make([]float64, len(s.Hours))
	known := false
	var brought, slow, mean, fresh, last, warmth float64
	soak, j := soakFirst, 0
	held := 0.0 // hPa: vapour, and dew as the vapour that it would make
	p, q, r := lag(tau), lag(12), lag(3)
	kept := lag(max(tau, min(slower*tau, slowest)))
	for i := range s.Hours {
		h := s.Hours[i]
		if soaks[i] = soak; h.Out == 0 {
			continue
		}
		h.In = max(0, h.In-bias*h.Sat)
		if !known {
			brought, slow, mean, fresh, held, last, warmth, known = h.Out, h.Out, h.Out, h.Out, h.In, h.Out, h.Sat, true
			if h.In > 0 {
				brought, slow = h.In, h.In
			}
		}
		if leap != nil && h.At == leap.At {
			brought = max(leap.From, leap.Out)
			slow, mean, fresh, held = brought, brought, brought, brought
		}
		brought, mean, fresh = p.step(brought, last, h.Out), q.step(mean, last, h.Out), r.step(fresh, last, h.Out)
		slow = kept.step(slow, last, h.Out)
		came := (last + h.Out) / 2
		last = h.Out
		if h.In == 0 {
			continue
		}
		wall := wallShare * float64(moistair.HouseExcess(unit.Celsius(h.OutT), unit.Hectopascal(h.Out)))
		switch {
		case what >= walledToo:
			came += wall
		case what == hiddenToo:
			came += min(wall, showsMore*h.Sat)
		}
		if flow := (came - h.In) / tau; flow > 0 { // dew stays, vapour goes
			held += flow
		} else {
			held += flow / dewSlower
		}
		warmth += (h.Sat - warmth) / 24
		dewy := dewyRH
		if h.Sat < warmth {
			dewy = dewyColdRH
		}
		drying := min(1, max(0, (dewy-h.In/h.Sat)/(dewyRH-dryRH)))
		if held += (h.In - held) * (drying/dewDries + 1/dewMost); h.In < dryRH*h.Sat {
			held = h.In
		}
		from := max(brought, mean, fresh)
		if what >= dewToo {
			from = max(from, slow, min(held, h.Sat))
		}
		soak += (min(h.In/h.Sat, 1) - soak) / soakLag
		soaks[i] = soak
		for s.Hours[j].At < h.At-soakDelay {
			j++
		}
		if what >= soakedToo && s.Hours[j].At == h.At-soakDelay {
			from = max(from, from+(soaks[j]*h.Sat-from)*tau/(tau+soakVent))
		}
		out[i] = surplus{
			at: h.At, x: h.In - from, deficit: h.Sat - from, in: h.In, sat: h.Sat,
			bound: wall, kept: held - h.In,
		}
	}
	return out
}

// bias returns what the sensor inside reads too much, as a share of saturation,
// as far as the baseline tells.
func (s *State) bias() float64 {
	return max(0, min(biasMost, s.Tight.Hourly.Unknown[nBias]))
}

// tau returns the breathing time to compare with.
func (s *State) tau() float64 {
	if s.Tight.Set && s.lasting(finding.SealOpened) == nil {
		return s.Tight.TauH
	}
	if s.TauH > 0 {
		return s.TauH
	}
	return defaultTau
}

// seems returns the breathing time that the box seems to have over days, with what slow
// plastic takes up.
func (s *State) seems() float64 {
	tau, norm := s.tau(), &s.Tight.Hourly
	if !s.Tight.Set || tau != s.Tight.TauH || norm.Sat == 0 {
		return tau
	}
	return tau * (1 + norm.slow()/norm.Sat)
}

// follow returns of the hours that tell the part of the deficit that is made
// up, how many times it is what wall air and bias could, and their number.
func follow(xs []surplus) (part, more float64, n int) {
	var x, d, b float64
	for i := range xs {
		if xs[i].tells() {
			x += xs[i].x
			d += xs[i].deficit
			b += xs[i].bound + biasShare*xs[i].sat
			n++
		}
	}
	if n == 0 {
		return 0, 0, 0
	}
	return x / d, x / b, n
}

// madeUp is follow's part of all hours, of which few may tell.
func madeUp(xs []surplus) float64 {
	var x, deficit float64
	for i := range xs {
		x, deficit = x+xs[i].x, deficit+xs[i].deficit
	}
	return x / deficit
}

// between returns the known hours in [from, to).
func between(xs []surplus, from, to int64) []surplus {
	out := make([]surplus, 0, min(int64(len(xs)), max(0, to-from)))
	for i := range xs {
		if x := &xs[i]; x.sat > 0 && x.at >= from && x.at < to {
			out = append(out, *x)
		}
	}
	return out
}

// mean returns the mean excess as a share of saturation.
func mean(xs []surplus) float64 { return meanOf(xs, (*surplus).share) }

func meanOf(xs []surplus, of func(*surplus) float64) float64 {
	sum := 0.0
	for i := range xs {
		sum += of(&xs[i])
	}
	return sum / float64(len(xs))
}

// judgeWater asks whether liquid water feeds the air in the box.
func (s *State) judgeWater(at unit.Instant, now *Facts) {
	f := s.lasting(finding.WaterInside)
	if now.Sensor == Suspect {
		if f != nil {
			f.To = int64(at)
		}
		return
	}
	if len(s.Hours) == 0 {
		return
	}
	end := s.Hours[len(s.Hours)-1].At + 1
	if f == nil && s.judgeLeaps(at, end, now) {
		return
	}
	tau := s.seems()
	steady, known := s.Wall.past(end / 24)
	if !known {
		tau = max(tau, unknownTau) // it may have been shut up in damp air
	}
	clean := known && !now.Flush && steady < pastClean
	all := s.excess(tau, s.bias(), soakedToo)
	if clean {
		arrive(all, tau)
	}
	xs := between(all, end-waterWindow, end)
	if len(xs) < waterMin {
		s.judgeBlind(f, at, end, now)
		return
	}
	part, more, n := follow(xs)
	if f != nil {
		dry := n >= tellingMin && part <= followDry || n < tellingMin && coldRH(xs) < blindDry
		fed := coldRH(xs) >= nightRH && mean(between(s.excess(tau, s.bias(), exchangeOnly), end-waterWindow, end)) > biasShare
		s.watchDry(f, at, dry && !fed, n >= tellingMin)
		return
	}
	began := clean && (s.standsOut(tau, end, at, now.Sensor) || s.surges(tau, end, at, now.Sensor) || s.setsIn(tau, end, at, now) ||
		coldRH(xs) >= nightRH && s.beyondAll(tau, end, at, now.Sensor))
	if began || known && end%24 == 0 && s.keepsLevel(tau, end, at, now.Sensor) {
		return
	}
	rise := mean(xs) - steady - pastTimes*max(steady, 0)
	if n < tellingMin || part < followWet || rise < pastMore || !persists(xs) {
		return
	}
	least := 1.0
	switch {
	case !known:
		least = moreAlone
		if part, _, n := follow(between(all, end-waterWindow-aloneHours, end-waterWindow)); n < 3*tellingMin || part < followWet {
			return
		}
	case s.lasting(finding.MoistAirFromWall) != nil:
		least = moreWalled
	}
	if more < least {
		return
	}
	past := end - waterWindow
	if known {
		// Dew dries in a sunny day or two; water is there longer.
		past -= lingering
		if part, _, n := follow(between(all, past, end-waterWindow)); n < tellingMin || part < followWet {
			return
		}
	}
	before, _, n := follow(between(all, max(end-9*24, s.Done.Rebased), past-12))
	if n >= tellingMin && part-before < followRise {
		return
	}
	s.concludeWater(xs, at, onsetOfWater(all, end), part, now.Sensor)
}

// arrive bounds what house air can have brought where the wall gave nothing so far.
func arrive(xs []surplus, tau float64) {
	for i := range xs {
		xs[i].bound *= 1 - math.Exp(-arriving/tau)
	}
}

// standsOut asks whether the hours of the last day that tell make up nearly all of
// the deficit, and more than the box did in its last two weeks, with whatever it
// has of buffers.
func (s *State) standsOut(tau float64, end int64, at unit.Instant, sensor Check) bool {
	all := s.excess(tau, s.bias(), walledToo)
	arrive(all, tau)
	before := between(all, max(end-outDays*24, s.Done.Rebased), end-outGap)
	if len(before) < outLeast {
		return false
	}
	fresh := between(all, end-outFresh-waterWindow, end-outFresh)
	if len(fresh) < waterMin || mean(fresh) > outClean || s.Wall.shows((end-outFresh)/24, tau) {
		return false // air from the wall has had time to come in
	}
	usual := max(0, quantileOf(before, outUsual))
	xs := between(all, end-waterWindow, end)
	part, _, n := follow(xs)
	more := 0
	for i := range xs {
		if x := &xs[i]; x.tells() && x.share() > usual+outMore {
			more++
		}
	}
	least := leapNightRH
	if mean(xs) > outClear {
		least = nightRH // a cold cover may take what water gives off
	}
	if n < outHours || part < followOut || float64(more) < outMost*float64(n) || coldRH(xs) < least {
		return false
	}
	s.concludeWater(xs, at, onsetOfWater(all, end), part, sensor)
	return true
}

// beyondAll asks whether the last day, damp by night, has so much more than came with the
// exchange, or was kept of it as dew, that air from the house would not have brought it, as
// far as it can have come in, where the weeks before had nothing of the kind.
func (s *State) beyondAll(tau float64, end int64, at unit.Instant, sensor Check) bool {
	for _, h := range s.since(end - frostStays) {
		if h.Wet && h.Sat < frozenSat {
			return false
		}
	}
	all := s.excess(tau, s.bias(), dewToo)
	arrive(all, tau)
	xs, before := between(all, end-waterWindow, end), between(all, max(end-outDays*24, s.Done.Rebased), end-outGap)
	fresh := between(all, end-outFresh-waterWindow, end-outFresh)
	if len(before) < outLeast || len(fresh) < waterMin || mean(xs) < beyondLeast ||
		mean(fresh) > outClean || quantileOf(before, outUsual) > beyondUsual || s.Wall.shows((end-outFresh)/24, tau) {
		return false
	}
	x, bound, n := 0.0, 0.0, 0
	for i := range xs {
		x, bound = x+xs[i].x, bound+xs[i].bound
		if xs[i].share() > beyondLeast/2 {
			n++
		}
	}
	if x < beyondHouse*bound || float64(n) < beyondMost*float64(len(xs)) || !steadier(between(s.excess(tau, s.bias(), exchangeOnly), end-waterWindow, end), levelSteady) {
		return false
	}
	onset, rise := s.leapOf(end, onsetOfSurge(all, end))
	s.concludeWater(xs, at, onset, madeUp(xs), sensor, rise...)
	return true
}

// leapOf returns the hour of the greatest leap of the last two days, and how much it was;
// without one, another hour.
func (s *State) leapOf(end, otherwise int64) (at int64, rise []finding.Evidence) {
	at, most := otherwise, 0.0
	for _, l := range s.Leaps.Seen {
		if l.Rise > most && l.At >= end-surgeHours {
			at, most = l.At, l.Rise
			rise = []finding.Evidence{l.evidence()}
		}
	}
	return at, rise
}

// surges asks whether a box that was dry has become damp within a day or two, by more than
// exchange as fast as one likes, air from the house and a buffer could bring. Over water
// that is colder than the air, or that cardboard soaks up, nothing is saturated.
func (s *State) surges(tau float64, end int64, at unit.Instant, sensor Check) bool {
	from := end - surgeHours - surgeBefore
	if from < max(s.Done.First, s.Done.Rebased) {
		return false
	}
	for _, h := range s.since(from) {
		if h.At < end-surgeHours && h.In > 0 && (h.Wet || h.In > surgeDry*h.Sat) {
			return false
		}
	}
	all := s.excess(tau, s.bias(), exchangeOnly)
	before, xs := between(all, from, end-surgeHours), between(all, end-waterWindow, end)
	if len(before) < surgeLeast || len(xs) < waterMin {
		return false
	}
	rh := make([]float64, len(before))
	for i := range before {
		rh[i] = before[i].rh()
	}
	slices.Sort(rh)
	usual, beyond := rh[int(surgeUsual*float64(len(rh)))], max(0, quantileOf(before, surgeUsual))
	house := surgeHouse * -math.Expm1(-arriving/tau)
	var over, more, begun, ends float64
	n := 0
	for i := range xs {
		x := &xs[i]
		share, damper := x.share()-beyond-house*x.bound/x.sat, x.rh()-usual
		over, more = over+share/float64(len(xs)), more+damper/float64(len(xs))
		if share > surgeOver && damper > surgeOver {
			n++
		}
		if i < nightHours {
			begun += x.share() / nightHours
		}
		if i >= len(xs)-nightHours {
			ends += x.share() / nightHours
		}
	}
	if float64(n) < surgeMost*float64(len(xs)) || over < surgeMean || more < surgeRH || ends < begun-surgeGoes || !moves(xs) {
		return false
	}
	s.concludeWater(xs, at, onsetOfSurge(all, end), madeUp(xs), sensor)
	return true
}

// setsIn asks whether a box has become damp within a day and kept so, however warm it was:
// its driest hours are damper than all but the dampest that it had before.
func (s *State) setsIn(tau float64, end int64, at unit.Instant, now *Facts) bool {
	all := s.excess(tau, s.bias(), exchangeOnly)
	for _, hours := range []int64{setsShort, setsLong} {
		since := end - hours - setsGap
		xs, before := between(all, end-hours, end), between(all, max(since-setsBefore, s.Done.Rebased), since)
		if len(before) < setsLeast || len(xs) < int(hours)*3/4 || !scattersLess(xs, setsSteady) ||
			hours == setsShort && !moves(xs) { // what is as steady as a sensor that is stuck is left to be told as one first
			continue
		}
		usual, damp := max(0, quantileOf(before, setsUsual)), partBelow(before, setsUsual, (*surplus).rh)
		if meanOf(xs, warmth) < frozenSat { // what is damp may be hoar, and water is ice
			continue
		}
		if usual > setsClean || mean(xs) < usual+setsMore || meanOf(xs, (*surplus).rh) < meanOf(before, (*surplus).rh)+setsDamper ||
			partBelow(xs, 0, (*surplus).rh) < max(setsRH, damp) {
			continue
		}
		came := setsHouse * -math.Expm1(-float64(hours+setsGap)/tau)
		x, bound := 0.0, 0.0
		for i := range xs {
			x, bound = x+xs[i].x, bound+xs[i].bound
		}
		if !now.Post && x < came*bound {
			continue
		}
		onset, rise := s.leapOf(end, onsetOfSurge(all, end))
		s.concludeWater(xs, at, onset, madeUp(xs), now.Sensor, rise...)
		return true
	}
	return false
}

// onsetOfSurge returns the hour from which on the excess of some hours is most above that
// of the hours before.
func onsetOfSurge(all []surplus, end int64) int64 {
	onset, most := end, 0.0
	for at := end - surgeHours; at < end-nightHours; at++ {
		before, after := between(all, at-nightHours, at), between(all, at, at+nightHours)
		if len(before) == 0 || len(after) == 0 {
			continue
		}
		if rise := mean(after) - mean(before); rise > most {
			onset, most = at, rise
		}
	}
	return onset
}

// keepsLevel asks whether for days humidity has kept its level, more steadily than
// anything else would that brings as much vapour. The air may be warmer than the water,
// by the sun or by what the board gives off, and then it is not saturated.
func (s *State) keepsLevel(tau float64, end int64, at unit.Instant, sensor Check) bool {
	window := func(what sources) []surplus { return between(s.excess(tau, s.bias(), what), end-levelHours, end) }
	xs := window(walledToo)
	if len(xs) < levelLeast || mean(xs) < levelMore {
		return false
	}
	for from := end - levelHours; from < end; from += 24 {
		if coldRH(between(xs, from, from+24)) < nightRH {
			return false
		}
	}
	least, walled := levelSoaked, s.lasting(finding.MoistAirFromWall) != nil
	if walled || s.Wall.shows(end/24-1, tau) {
		least = levelWalled
	}
	soaked, plain := window(soakedToo), window(exchangeOnly)
	walled = walled || s.Wall.Since > 0 && end/24 < s.Wall.Since+wallDew
	if (mean(soaked) < least || !steadier(plain, levelSteady)) && (walled || !pinned(xs, plain)) {
		return false
	}
	part, _, _ := follow(soaked)
	s.concludeWater(xs, at, end-levelHours, part, sensor)
	return true
}

// pinned tells whether humidity keeps its level near saturation, whatever the weather does,
// with more than all that comes with the exchange. What plastic and cardboard hold does not
// feed a box for days without becoming less, and the humidity with it. A sensor that is
// stuck at its end looks alike.
func pinned(xs, plain []surplus) bool {
	rh := 0.0
	for i := range plain {
		rh += plain[i].rh() / float64(len(plain))
	}
	return rh >= pinnedRH && mean(xs) >= pinnedMore &&
		variance(plain, (*surplus).rh) < pinnedTimes*pinnedTimes*variance(plain, (*surplus).share)
}

// steadier tells whether relative humidity scatters less than so many times what is in
// excess of what else brings vapour, as a share of saturation. Over water the first
// is the same in any weather; the second is, where a sensor shows too much. What
// scatters as little as a sensor that is stuck tells neither.
func steadier(xs []surplus, times float64) bool { return moves(xs) && scattersLess(xs, times) }

// scattersLess is steadier of what may be a sensor that is stuck.
func scattersLess(xs []surplus, times float64) bool {
	return variance(xs, (*surplus).rh) < times*times*variance(xs, (*surplus).share)
}

// moves tells whether relative humidity scatters by more than that of a sensor which is
// stuck.
func moves(xs []surplus) bool { return variance(xs, (*surplus).rh) > stuckMost*stuckMost }

// variance is that of something over hours that are known; NaN without any.
func variance(xs []surplus, of func(*surplus) float64) float64 {
	var n, sum, squares float64
	for i := range xs {
		v := of(&xs[i])
		n, sum, squares = n+1, sum+v, squares+v*v
	}
	return squares/n - sum*sum/n/n
}

// persists tells whether there is more vapour than exchange brings over the
// whole window, and it is damp in the coldest hours too.
func persists(xs []surplus) bool {
	var x, d float64
	for _, h := range xs {
		x += h.x
		d += max(h.deficit, 0)
	}
	if x < allDay*d {
		return false
	}
	if coldRH(xs) > nightRH {
		return true
	}
	// The air may be warmer than the water: a board warms it, the weep hole is cold.
	cold := coldest(xs)
	return coldRH(xs) > warmNightRH && mean(cold) > nightExcess
}

// onsetOfWater goes back from now to the last hour that spoke against it.
func onsetOfWater(all []surplus, end int64) int64 {
	onset := end
	for i := len(all) - 1; i >= 0 && all[i].at > end-10*24; i-- {
		x := &all[i]
		if x.sat == 0 {
			continue
		}
		if x.deficit > deficitMin*x.sat && x.x < followDry*x.deficit {
			break
		}
		onset = x.at
	}
	return onset
}

// concludeWater begins a finding, from the hours that told and the part of the
// deficit that was made up.
func (s *State) concludeWater(xs []surplus, at unit.Instant, onset int64, part float64, sensor Check, more ...finding.Evidence) {
	s.Wet, s.Leaps.Seen = Wetness{}, nil
	lowRH, highRH, lowS, highS := 1.0, 0.0, math.Inf(1), 0.0
	var excess float64
	for _, x := range xs {
		excess += x.x / float64(len(xs))
		if x.at < onset+settling {
			continue
		}
		rh := x.in / x.sat
		lowRH, highRH = min(lowRH, rh), max(highRH, rh)
		lowS, highS = min(lowS, x.sat), max(highS, x.sat)
	}
	// Over water humidity gives way when the box warms; a sensor that is stuck only
	// scatters.
	decided := sensor == Sound || math.Log(highS/lowS) > swingK && highRH-lowRH > flatSensor && givesWay(xs, onset+settling)
	confidence, either := 0.6, 1.0
	if decided {
		confidence, either = 0.85, 0
	}
	s.conclude(finding.WaterInside, onset, at, confidence, append([]finding.Evidence{
		{Name: "vapour_excess", Value: excess, Unit: "hPa"},
		{Name: "deficit_made_up", Value: 100 * part, Unit: "%"},
		{Name: "lowest_rh", Value: 100 * lowRH, Unit: "%RH"},
		{Name: "water_or_sensor", Value: either},
	}, more...)...)
}

// givesWay tells whether from an hour on relative humidity moved by more than a
// sensor scatters that is stuck, or fell as the box warmed, by a correlation that
// hours of mere scatter reach once in a hundred times.
func givesWay(xs []surplus, from int64) bool {
	var n, x, y, xx, xy, yy float64
	for _, h := range xs {
		if h.at >= from {
			u, v := math.Log(h.sat), h.in/h.sat
			n, x, y, xx, xy, yy = n+1, x+u, y+v, xx+u*u, xy+u*v, yy+v*v
		}
	}
	xx, xy, yy = xx-x*x/max(n, 1), xy-x*y/max(n, 1), yy-y*y/max(n, 1)
	if n < givesLeast || xx <= 0 || yy <= 0 {
		return false
	}
	if yy > stuckMost*stuckMost*n {
		return true
	}
	r := xy / math.Sqrt(xx*yy)
	return r < 0 && r*r*(n-2) > givesT*givesT*(1-r*r)
}

// watchDry ends a finding when the box dries as others do.
func (s *State) watchDry(f *Found, at unit.Instant, dry, tells bool) {
	switch {
	case dry:
		if s.Wet.Dry++; s.Wet.Dry >= dryTimes {
			f.Over = int64(at)
			s.Wet = Wetness{}
		}
	case tells:
		s.Wet.Dry = 0
	}
}

// judgeBlind asks the same where nothing is known of the air outdoors. Air that
// comes in is damp when it is cold: however damp it is outdoors, a box that warms by
// day and is near saturation in its warmest hours too, on three days on end, and was
// not on most days before, holds what makes it so. Warm fog does it for a day or two.
func (s *State) judgeBlind(f *Found, at unit.Instant, end int64, now *Facts) {
	day, ok := s.dayOf(end)
	switch {
	case !ok:
		return
	case f != nil:
		s.watchDry(f, at, day.cold < blindDry || day.swing > blindSwingLeast && day.warm < blindDry, true)
		return
	}
	if s.flattens(at, end, now.Sensor) {
		return
	}
	warm := 1.0
	for k := range int64(blindWet) {
		d, ok := s.dayOf(end - 24*k)
		if !ok || d.warm < blindWarmRH || d.swing < blindSwing || d.gain < blindGain {
			return
		}
		warm = min(warm, d.warm)
	}
	var days, damp [2]int // all, and those that warm the box
	for k := int64(blindWet + blindGap); k <= outDays; k++ {
		d, ok := s.dayOf(end - 24*k)
		for i := range days {
			if ok && (i == 0 || d.swing > blindSwingLeast) {
				days[i]++
				if d.warm > min(blindUsual, warm-blindMore) {
					damp[i]++
				}
			}
		}
	}
	if days[1] < blindDays || damp[1] > days[1]/5 || damp[0] > days[0]/2 {
		return
	}
	onset := end - 24*blindWet
	xs := s.beyondUsual(onset, onset-24*blindGap)
	if part := madeUp(xs); len(xs) >= blindWet*waterMin && part >= followWet {
		s.concludeWater(xs, at, onset, part, now.Sensor)
	}
}

// beyondUsual returns the hours since one against the humidity of the same hours of the
// days before another.
func (s *State) beyondUsual(since, before int64) (xs []surplus) {
	usual, n := s.usualHours(before, outDays)
	for _, h := range s.since(since) {
		if k := h.At % 24; h.In > 0 && n[k] > 0 {
			from := usual[k] / n[k] * h.Sat
			xs = append(xs, surplus{at: h.At, x: h.In - from, deficit: h.Sat - from, in: h.In, sat: h.Sat})
		}
	}
	return xs
}

// flattens asks whether for a day and a half humidity has kept its level, however warm it
// was, at which it hardly ever was before, in a box that moved. Fog does that in an open
// box, but then it is no warmer by day than by night; and a box at saturation may be full
// of dew.
func (s *State) flattens(at unit.Instant, end int64, sensor Check) bool {
	now, ok := s.levelOf(end)
	if !ok || !now.flat(1) || now.mean < flatRH || now.mean > flatWet || now.coldest < frozenSat*frostGoes {
		return false
	}
	onset := end - flatHours
	near := 0
	for _, h := range s.since(onset - outDays*24) {
		if h.In > 0 && h.At < onset-2*flatGap && h.In/h.Sat > now.mean-flatNear {
			near++
		}
	}
	if near > flatOften {
		return false
	}
	rh, moved, days, known := 0.0, 0.0, 0, 0
	for k := int64(0); k < flatBefore*4; k++ {
		d, ok := s.levelOf(onset - flatGap - k*flatGap)
		switch {
		case !ok:
			continue
		case d.flat(flatUsual) && d.mean > now.mean-flatDamper:
			return false
		}
		if known++; k >= flatDays*4 {
			continue
		}
		if days, rh = days+1, max(rh, d.mean); d.swing > flatSwing {
			moved = max(moved, d.scatter)
		}
	}
	if days < flatDays*2 || known < flatBefore*2 || rh > now.mean-flatDamper || moved < flatTimes*now.scatter {
		return false
	}
	xs := s.beyondUsual(onset, onset-2*flatGap)
	s.concludeWater(xs, at, onset, madeUp(xs), sensor)
	return true
}

// level is what the air in a box did in flatHours.
type level struct {
	swing         float64 // of the logarithm of saturation pressure: it rose and fell by so much
	coldest       float64 // hPa, the lowest of it
	scatter, mean float64 // of relative humidity
}

// flat tells whether humidity kept its level, or scattered so many times as much, while
// the box warmed and cooled.
func (l *level) flat(times float64) bool {
	return l.swing >= flatSwing && l.scatter <= times*max(flatMost, flatShare*l.swing)
}

// levelOf returns that of the hours before end, of which little may be unknown.
func (s *State) levelOf(end int64) (l level, ok bool) {
	var xs []surplus
	low, high, rose, fell := math.Inf(1), math.Inf(-1), 0.0, 0.0
	for _, h := range s.since(end - flatHours) {
		if h.At >= end || h.In == 0 {
			continue
		}
		xs = append(xs, surplus{at: h.At, in: h.In, sat: h.Sat})
		warmth := math.Log(h.Sat)
		low, high = min(low, warmth), max(high, warmth)
		rose, fell = max(rose, warmth-low), max(fell, high-warmth)
	}
	if len(xs) < flatHours*3/4 {
		return l, false
	}
	return level{min(rose, fell), math.Exp(low), math.Sqrt(variance(xs, (*surplus).rh)), meanOf(xs, (*surplus).rh)}, true
}

// boxDay is what the air in a box did in 24 hours.
type boxDay struct {
	swing      float64 // of the logarithm of saturation pressure
	warm, cold float64 // relative humidity, mean of the warmest and of the coldest hours
	gain       float64 // vapour of the warmest hours, in that of the coldest
}

// dayOf returns the 24 hours before end, of which little may be unknown.
func (s *State) dayOf(end int64) (d boxDay, ok bool) {
	var xs []surplus
	for _, h := range s.since(end - 24) {
		if h.At < end && h.In > 0 {
			xs = append(xs, surplus{at: h.At, in: h.In, sat: h.Sat})
		}
	}
	if len(xs) < waterMin {
		return d, false
	}
	slices.SortFunc(xs, byWarmth)
	cold, warm := xs[:blindHours], xs[len(xs)-blindHours:]
	var in [2]float64
	for i := range blindHours {
		d.cold += cold[i].in / cold[i].sat / blindHours
		d.warm += warm[i].in / warm[i].sat / blindHours
		in[0], in[1] = in[0]+cold[i].in, in[1]+warm[i].in
	}
	d.swing, d.gain = math.Log(warm[blindHours/2].sat/cold[blindHours/2].sat), in[1]/in[0]
	return d, true
}
