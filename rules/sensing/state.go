package sensing

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

// Cause says what is wrong with a channel.
type Cause string

// The causes.
const (
	Stuck      Cause = "stuck"        // it does not follow what it must follow
	Impossible Cause = "impossible"   // it shows what its chip sends in place of a measurement
	Jumps      Cause = "jumps"        // it moves as no air or board can
	Drift      Cause = "drift"        // it creeps away from what physics and its past say
	Disagrees  Cause = "disagrees"    // it left the other sensors by night
	Failed     Cause = "failed_reads" // most of its reads fail
	Checked    Cause = "salt_check"   // it was off over a saturated salt, or a person says so
	HeaterTest Cause = "heater_test"  // its own heater did not move it
)

// Causes are all causes.
var Causes = []Cause{Stuck, Impossible, Jumps, Drift, Disagrees, Failed, Checked, HeaterTest}

// Channels are those that are judged.
var Channels = []reading.Channel{
	reading.InsideTemp, reading.InsideRH, reading.BoardTemp, reading.CoverTemp, reading.OutsideTemp, reading.OutsideRH,
}

const judged = int(reading.OutsideRH) + 1 // Channels are the first ones

// EvidenceName names the number that speaks for a cause on a channel.
func EvidenceName(cause Cause, c reading.Channel) string { return string(cause) + "_" + c.Name() }

// Air is outdoor air as others than the station know it.
type Air struct {
	Temp unit.Celsius
	RH   unit.Percent // over water, more than 0
}

// Check is what a person found of the inside humidity sensor.
type Check struct {
	At    unit.Instant
	Sound bool
	Off   float64 // %RH that it read too much, where that is known
}

// Facts are what is known beside the readings, valid at a slot.
type Facts struct {
	Peer    *Air   // outdoors; nil: nothing known
	Weather *Air   // outdoors as somebody else observed it; nil: not known
	Check   *Check // the newest; nil: none
	Flush   bool   // it is mounted into the wall, its back towards the house
	House   bool   // air from the house is known to get into the box
	Water   bool   // the air in the box is known to be damp from water, and the sensor to show it
}

// State is all that is remembered of a station's sensors. The zero value is
// ready. Encoded as JSON and decoded it goes on as if it had not been. Findings
// in Found that have ended may be cut off.
type State struct {
	Found []Found `json:"found"`

	Hours  []Hour         `json:"hours"` // the last keepHours
	Now    gather         `json:"now"`   // the hour under way
	Drift  drift          `json:"drift"`
	Nights []Night        `json:"nights"` // the last keepNights days
	Day    int64          `json:"day"`
	Odd    [judged]oddity `json:"odd"`
	Past   [2]slot        `json:"past"`   // the newest two, the newer first
	Coarse [2]coarse      `json:"coarse"` // of humidities
	Shown  shown          `json:"shown"`
	Swings []float32      `json:"swings"` // of the last swingDays days that tell: what swung of what could
	Pinned int            `json:"pinned"` // days on end that the inside humidity stood still so near saturation that dew may do it
	Heater heater         `json:"heater"`
	Peers  peers          `json:"peers"`
	Check  int64          `json:"check"` // instant of the newest check that was taken note of
}

// Found is a finding as it is kept; instants are in ns.
type Found struct {
	Channel    reading.Channel    `json:"channel"`
	Cause      Cause              `json:"cause"`
	From       int64              `json:"from"`
	To         int64              `json:"to"` // 0 while it lasts
	Concluded  int64              `json:"concluded"`
	Confidence float64            `json:"confidence"`
	Evidence   []finding.Evidence `json:"evidence"`
	Usual      []float32          `json:"usual,omitempty"` // K, of Disagrees: what Night.Off was before
}

// Hour is one hour of all channels; absent where unknown. Humidity is as
// shown, above 100 too.
type Hour struct {
	At int64           `json:"h"` // hours since 1970
	V  [judged]float32 `json:"v"`
	W  [2]float32      `json:"w"` // of humidities: variance that scatter from slot to slot gives V; -1: not known
}

const (
	absent    = -1000
	keepHours = 72

	checkReach = 30 * 24 * time.Hour // a check that is said to hold from the beginning

	hourNs   = int64(time.Hour)
	dayHours = 24
)

func (h *Hour) has(c reading.Channel) bool   { return h.V[c] != absent }
func (h *Hour) is(c reading.Channel) float64 { return float64(h.V[c]) }

// gather sums the slots of the hour under way.
type gather struct {
	At   int64           `json:"h"`
	Any  bool            `json:"any"`
	N    [judged]int     `json:"n"`
	Sum  [judged]float64 `json:"sum"`
	Peer bool            `json:"peer"` // outdoors is what others say

	Slot  [2]float64 `json:"slot"`  // humidities in the newest slot
	Steps [2]float64 `json:"steps"` // squares of their steps from slot to slot
}

func satWater(t float64) float64 { return float64(moistair.SaturationWater(unit.Celsius(t))) }

// mostRH is the humidity over water of saturated air: below 0 °C that over ice.
func mostRH(t float64) float64 {
	if t >= 0 {
		return 100
	}
	return 100 * float64(moistair.SaturationIce(unit.Celsius(t))) / satWater(t)
}

// Findings returns all that was found, ended ones too, in the order in which it
// was concluded.
func (s *State) Findings() []finding.Finding {
	out := make([]finding.Finding, len(s.Found))
	for i, f := range s.Found {
		out[i] = finding.Finding{
			Kind: finding.SensorSuspect, From: unit.Instant(f.From), To: unit.Instant(f.To),
			Concluded: unit.Instant(f.Concluded), Confidence: f.Confidence, Evidence: f.Evidence,
		}
	}
	return out
}

// Suspect tells whether a channel is in doubt: nothing is to be concluded from
// it.
func (s *State) Suspect(c reading.Channel) bool { return s.lasting(c) != nil }

// Since is when the first of channels that are in doubt is thought to have gone
// wrong; 0 if none is.
func (s *State) Since(channels ...reading.Channel) (since unit.Instant) {
	for _, c := range channels {
		if f := s.lasting(c); f != nil && (since == 0 || unit.Instant(f.From) < since) {
			since = unit.Instant(f.From)
		}
	}
	return since
}

// Trusted returns a slot without the channels that are in doubt. Humidity is
// of no use without the temperature of its chip.
func (s *State) Trusted(m *means.Mean) means.Mean {
	out := *m
	for _, c := range Channels {
		if s.Suspect(c) || isRH(c) && s.Suspect(tempOf(c)) {
			out.Ch[c] = means.Channel{}
		}
	}
	return out
}

// Passed tells whether the newest test of the inside humidity sensor, by its
// own heater or by a person, is of the last two days and was passed: it is not
// stuck.
func (s *State) Passed(now unit.Instant) bool {
	return !s.Suspect(reading.InsideRH) && s.Heater.Passed != 0 && now.Sub(unit.Instant(s.Heater.Passed)) < passedFor
}

// Burst returns what came of the newest burst of the sensor's own heater;
// nil when there was none.
func (s *State) Burst() *Burst {
	if s.Heater.Last == nil {
		return nil
	}
	t := *s.Heater.Last
	return &t
}

func (s *State) lasting(c reading.Channel) *Found {
	for i := range s.Found {
		if f := &s.Found[i]; f.Channel == c && f.To == 0 {
			return f
		}
	}
	return nil
}

// conclude begins a finding, unless the channel is in doubt already.
func (s *State) conclude(c reading.Channel, cause Cause, from, at unit.Instant, confidence, value float64, unitName string, more ...finding.Evidence) {
	if s.lasting(c) != nil {
		return
	}
	evidence := append([]finding.Evidence{{Name: EvidenceName(cause, c), Value: value, Unit: unitName}}, more...)
	s.Found = append(s.Found, Found{
		Channel: c, Cause: cause, From: int64(min(from, at)), Concluded: int64(at), Confidence: confidence, Evidence: evidence,
	})
}

// end ends what lasts of a channel for a cause.
func (s *State) end(c reading.Channel, cause Cause, at unit.Instant) bool {
	f := s.lasting(c)
	if f == nil || f.Cause != cause {
		return false
	}
	f.To = int64(at)
	return true
}

// Step takes the next slot; Start ascends. What it concludes rests on this slot
// and those before.
func (s *State) Step(m *means.Mean, now Facts) {
	s.Close(m.Start.Floor(time.Hour), m.Done, now)
	s.Now.At, s.Now.Any = int64(m.Start.Floor(time.Hour))/hourNs, true
	s.takeCheck(m.Done, now.Check)
	s.judgeHeater(m)
	s.judgePeer(m, now.Weather)
	for _, c := range Channels {
		s.judgeOddity(m, c)
	}
	s.Past = [2]slot{slotOf(m), s.Past[0]}
	s.gather(m, &now)
}

// Close says at the reading at that no slot before the hour next will come.
func (s *State) Close(next, at unit.Instant, now Facts) {
	hour := int64(next) / hourNs
	if !s.Now.Any || hour <= s.Now.At {
		return
	}
	h := Hour{At: s.Now.At}
	for c := range h.V {
		h.V[c] = absent
		if n := s.Now.N[c]; n > 0 {
			h.V[c] = float32(math.Round(s.Now.Sum[c]/float64(n)*1000) / 1000)
		}
	}
	for i, c := range humidities {
		h.W[i] = -1
		if n := s.Now.N[c]; n > 1 {
			h.W[i] = short(s.Now.Steps[i]/2/float64(n-1)/float64(n), 1e5)
		}
	}
	s.watchCoarse(&h)
	if day := h.At / dayHours; day != s.Day {
		if s.Day != 0 {
			s.endDay(at, &now)
		}
		s.Day = day
	}
	s.Hours = append(s.Hours, h)
	if h.has(reading.InsideRH) && !s.Suspect(reading.InsideRH) {
		third(&s.Shown.Day, math.Round(100*h.is(reading.InsideRH))/100)
	}
	for s.Hours[0].At <= h.At-keepHours {
		s.Hours = s.Hours[1:]
	}
	for _, c := range Channels {
		s.judgeStuck(c, h.At+1, at, now.Water)
	}
	s.Drift.add(&h, s.Now.Peer, s.Suspect(reading.OutsideRH) || s.Suspect(reading.OutsideTemp), s.Suspect(reading.InsideTemp))
	s.Now = gather{}
}

func (s *State) gather(m *means.Mean, now *Facts) {
	put := func(c reading.Channel, v float64) {
		if i := slices.Index(humidities[:], c); i >= 0 {
			if s.Now.N[c] > 0 {
				s.Now.Steps[i] += (v - s.Now.Slot[i]) * (v - s.Now.Slot[i])
			}
			s.Now.Slot[i] = v
		}
		s.Now.N[c]++
		s.Now.Sum[c] += v
	}
	for _, c := range Channels {
		if ch := &m.Ch[c]; ch.N == 0 {
			continue
		} else if c == reading.InsideRH {
			put(c, m.RawRH)
		} else {
			put(c, ch.Mean)
		}
	}
	if m.Ch[reading.OutsideRH].N == 0 && m.Ch[reading.OutsideTemp].N == 0 && now.Peer != nil {
		put(reading.OutsideTemp, float64(now.Peer.Temp))
		put(reading.OutsideRH, float64(now.Peer.RH))
		s.Now.Peer = true
	}
}

// endDay judges a UTC day that is over.
func (s *State) endDay(at unit.Instant, now *Facts) {
	s.Shown.endDay()
	s.judgeDrift(s.Day, at, now)
	s.judgeNight(s.Day, at)
	s.watchSwing(s.Day)
	s.watchPinned(s.Day, now.Water)
	for _, c := range Channels {
		s.judgeFailed(c, at)
	}
}

// takeCheck takes note of what a person found.
func (s *State) takeCheck(at unit.Instant, check *Check) {
	const c = reading.InsideRH
	if check == nil {
		s.end(c, Checked, at)
		s.Check = 0
		return
	}
	if int64(check.At) == s.Check {
		return
	}
	s.Check = int64(check.At)
	since := max(check.At, at.Add(-checkReach))
	if f := s.lasting(c); f != nil {
		f.To = int64(at)
	}
	if !check.Sound {
		s.conclude(c, Checked, since, at, 0.95, check.Off, "%RH")
		return
	}
	s.Drift.Days, s.Drift.Held, s.Drift.Rose, s.Shown = nil, 0, 0, shown{}
	s.Heater.Passed = int64(since)
}

// window returns the hours of the last n before end.
func (s *State) window(n int, end int64) []Hour {
	from, _ := slices.BinarySearchFunc(s.Hours, end-int64(n), func(h Hour, at int64) int { return int(h.At - at) })
	return s.Hours[from:]
}

// spread returns the least and the greatest value of a channel, its mean and
// the number of hours that have one.
func spread(hours []Hour, c reading.Channel) (low, high, mean float64, n int) {
	low, high = math.Inf(1), math.Inf(-1)
	for i := range hours {
		if hours[i].has(c) {
			v := hours[i].is(c)
			low, high, mean, n = min(low, v), max(high, v), mean+v, n+1
		}
	}
	if n > 0 {
		mean /= float64(n)
	}
	return low, high, mean, n
}

func median(list []float64) float64 {
	if len(list) == 0 {
		return math.NaN()
	}
	list = slices.Sorted(slices.Values(list))
	n := len(list)
	return (list[(n-1)/2] + list[n/2]) / 2
}
