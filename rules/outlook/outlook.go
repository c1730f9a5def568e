package outlook

import (
	"math"
	"slices"
	"time"

	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

// Night is the outlook for one night, and what came of it.
type Night struct {
	Night              string       `json:"night"`  // local solar date of the evening
	Issued             unit.Instant `json:"issued"` // nothing later was used
	PCondensing        float64      `json:"p_condensing"`
	PAtRisk            float64      `json:"p_at_risk"`
	ObservedCondensing *bool        `json:"observed_condensing"` // nil: not known, or not over yet
	ObservedAtRisk     *bool        `json:"observed_at_risk"`
}

// Limits of the margin, in K, that make a night condensing and at risk.
const (
	condensing = 0.0
	atRisk     = 3.0
)

// Version changes with what a State remembers, and with what is told from it.
const Version = 2

const (
	issueAfterSunset = 2 * time.Hour
	earlyBefore      = 3 * time.Hour // sunset
	keepHours        = 30 * 24
	keepNights       = 500
	fitEvery         = 7 // nights
	fitOften         = 3 // nights, of the first few
	few              = 45
	heardShare       = 0.75 // of a night that must be heard to call it dry
	longestStep      = 3 * time.Hour
	leastSamples     = 12  // of the last day
	unheard          = 1e9 // K, a margin of which nothing was heard
)

// Sample is the newest reading of an hour.
type Sample struct {
	At     unit.Instant `json:"t"`
	Temp   float64      `json:"c"` // °C, inside
	Dew    float64      `json:"d"` // °C, over water
	Margin float64      `json:"m"` // K
}

// Issue is a time at which an outlook is issued for a night.
type Issue string

// Issues, in order of time.
const (
	Early   Issue = "early"   // three hours before sunset
	Evening Issue = "evening" // two hours after it, when the night begins here
	Late    Issue = "late"    // half way from there to sunrise
)

// Issues are all issues.
var Issues = [issues]Issue{Early, Evening, Late}

// Told is what was foretold of a night at one time of issue.
type Told struct {
	Issue
	Night
	Until    unit.Instant // sunrise
	Heard    unit.Instant // the newest reading that was used
	Basis    Basis
	Forecast bool // somebody's forecast of the weather was used too
}

// Outcome is what a night came to; nil is what is not known.
type Outcome struct {
	Night              string
	Condensing, AtRisk *bool
}

// Past is a night that was observed: what was known at each time of issue, and
// its least margin.
type Past struct {
	Known [issues][]float64 `json:"x"` // none: nothing was known
	Least float64           `json:"m"` // K
	Rest  float64           `json:"r"` // K, least after the late issue
	Whole bool              `json:"w"` // heard well enough to be called dry
	Sky   [issues]*foreseen `json:"s,omitempty"`
}

// least returns the least margin of what an issue is about.
func (p *Past) least(issue int) float64 {
	if issue == late {
		return p.Rest
	}
	return p.Least
}

// open is the night that comes or is under way.
type open struct {
	Sunset unit.Instant      `json:"sunset"`
	Issue  unit.Instant      `json:"issue"`
	Rise   unit.Instant      `json:"rise"`
	Known  [issues][]float64 `json:"known"`
	Sky    [issues]*foreseen `json:"sky"`
	Asked  [issues]bool      `json:"asked"` // its time of issue has passed
	Least  float64           `json:"least"`
	Rest   float64           `json:"rest"`  // least after the late issue
	Heard  time.Duration     `json:"heard"` // of the night
	Any    bool              `json:"any"`   // a reading lies in it
	Night  string            `json:"night"` // its date, once something was foretold of it
}

// times of issue.
const (
	early = iota
	evening
	late
	issues
)

// State is all that is remembered of a station. The zero value is ready. Encoded
// as JSON and decoded it goes on as if it had not been, but for Sky. Nights are
// output: a caller that keeps them elsewhere may take them away when a night is
// over, and Told and Outcomes at any time.
type State struct {
	Nights   []Night   `json:"nights,omitempty"`   // issued in the evening
	Told     []Told    `json:"told,omitempty"`     // all that was issued
	Outcomes []Outcome `json:"outcomes,omitempty"` // of nights that are over
	Early    *Night    `json:"early"`              // for the coming night, issued in the afternoon; nil when there is none

	// Sky returns what was forecast by an instant for the time [from, to); nil:
	// nothing was, or nobody knows of forecasts.
	Sky func(issued, from, to unit.Instant) *Sky `json:"-"`

	Borrowed *Lent `json:"borrowed,omitempty"` // what it begins with instead of the climate; nil: nothing

	Samples []Sample       `json:"samples"`
	Past    []Past         `json:"past"`
	Seen    int            `json:"seen"` // past nights in all
	Open    *open          `json:"open"`
	Last    unit.Instant   `json:"last"` // newest reading
	Fit     [issues]weight `json:"fit"`
}

// Add takes a reading: inside temperature, its dew point over water, and the
// margin that the ledger has. Instants ascend. maxGap is the longest step that
// counts as heard.
func (s *State) Add(at unit.Instant, temp, dew unit.Celsius, margin unit.Kelvin, place sun.Place, maxGap time.Duration) {
	s.pass(at, place)
	if o := s.Open; o != nil && at >= o.Issue {
		o.Least, o.Any = min(o.Least, float64(margin)), true
		if at > o.half() {
			o.Rest = min(o.Rest, float64(margin))
		}
	}
	if o := s.Open; o != nil && s.Last != 0 && at.Sub(s.Last) <= maxGap {
		o.Heard += max(0, min(at, o.Rise).Sub(max(s.Last, o.Issue)))
	}
	s.Last = at
	x := Sample{at, short(float64(temp)), short(float64(dew)), float64(margin)}
	if n := len(s.Samples); n > 0 && s.Samples[n-1].At.Floor(time.Hour) == at.Floor(time.Hour) {
		s.Samples[n-1] = x
		return
	}
	s.Samples = append(s.Samples, x)
	if n := len(s.Samples) - keepHours; n > 0 {
		s.Samples = slices.Delete(s.Samples, 0, n)
	}
}

// pass does all that is due before a reading.
func (s *State) pass(at unit.Instant, place sun.Place) {
	for {
		o := s.Open
		if o == nil {
			if s.Open = next(at, place); s.Open == nil {
				return
			}
			continue
		}
		for i, issue := range o.times() {
			if !o.Asked[i] && at > issue {
				o.Asked[i] = true
				s.issue(i, issue, place)
			}
		}
		if at <= o.Rise {
			return
		}
		s.over()
		s.Open = nil
	}
}

// times returns when the outlooks for the night are issued.
func (o *open) times() [issues]unit.Instant {
	return [issues]unit.Instant{o.Sunset.Add(-earlyBefore), o.Issue, o.half()}
}

func (o *open) half() unit.Instant { return o.Issue.Add(o.Rise.Sub(o.Issue) / 2) }

// Due returns from when on a reading makes something new: an issue or the end of a
// night; 0 before the first reading and where the sun doesn't rise or set.
func (s *State) Due() unit.Instant {
	o := s.Open
	if o == nil {
		return 0
	}
	for i, at := range o.times() {
		if !o.Asked[i] {
			return at + 1
		}
	}
	return o.Rise + 1
}

// next returns the first night that ends at at or later; nil where the sun
// doesn't rise or set.
func next(at unit.Instant, place sun.Place) *open {
	for _, near := range []unit.Instant{at.Add(-24 * time.Hour), at, at.Add(24 * time.Hour)} {
		set, ok := place.Sunset(near)
		if !ok {
			continue
		}
		rise, ok := place.NextSunrise(set)
		if !ok || rise.Sub(set) > 24*time.Hour || rise < at || rise <= set.Add(issueAfterSunset) {
			continue
		}
		return &open{Sunset: set, Issue: set.Add(issueAfterSunset), Rise: rise, Least: unheard, Rest: unheard}
	}
	return nil
}

// issue says what is known at a time of issue, and foretells.
func (s *State) issue(i int, at unit.Instant, place sun.Place) {
	o := s.Open
	o.Known[i] = s.features(at, o.Rise, place)
	if i != late {
		s.Early = nil
	}
	if o.Known[i] == nil {
		return
	}
	if s.Sky != nil {
		o.Sky[i] = foresee(s.Sky(at, max(at, o.Issue), o.Rise))
	}
	n := Night{
		Night: evening0(o.Sunset, place), Issued: at,
		PCondensing: s.probability(i, condensing),
		PAtRisk:     s.probability(i, atRisk),
	}
	n.PAtRisk = max(n.PAtRisk, n.PCondensing)
	o.Night = n.Night
	s.Told = append(s.Told, Told{Issue: Issues[i], Night: n, Until: o.Rise, Heard: s.Last, Basis: s.basis(), Forecast: o.Sky[i] != nil})
	switch i {
	case early:
		s.Early = &n
	case evening:
		s.Nights = append(s.Nights, n)
	}
}

// probability of a limit for the open night, at an issue: certain when it was
// passed already.
func (s *State) probability(i int, limit float64) float64 {
	o := s.Open
	if i == late && o.Least <= limit {
		return 1
	}
	p := s.Fit[i].probability(limit, o.Known[i], s.prior(i))
	return s.withSky(i, limit, p)
}

// evening0 returns the local solar date of a sunset.
func evening0(sunset unit.Instant, place sun.Place) string {
	return sunset.Add(time.Duration(place.Lon * float64(4*time.Minute))).Time().UTC().Format(time.DateOnly)
}

// over ends the open night: what came of it is noted and learned from.
func (s *State) over() {
	o := s.Open
	whole := float64(o.Heard) >= heardShare*float64(o.Rise.Sub(o.Issue))
	seen := func(limit float64) *bool {
		if o.Any && (whole || o.Least <= limit) {
			yes := o.Least <= limit
			return &yes
		}
		return nil
	}
	if n := len(s.Nights); n > 0 && s.Nights[n-1].Issued == o.Issue {
		s.Nights[n-1].ObservedCondensing, s.Nights[n-1].ObservedAtRisk = seen(condensing), seen(atRisk)
	}
	if o.Night != "" {
		s.Outcomes = append(s.Outcomes, Outcome{o.Night, seen(condensing), seen(atRisk)})
	}
	s.Early = nil
	if !o.Any || !whole && o.Least > atRisk || o.Known[early] == nil && o.Known[evening] == nil && o.Known[late] == nil {
		return
	}
	past := Past{Known: o.Known, Least: short(o.Least), Rest: short(o.Rest), Whole: whole, Sky: o.Sky}
	s.Past = append(s.Past, past)
	if n := len(s.Past) - keepNights; n > 0 {
		s.Past = slices.Delete(s.Past, 0, n)
	}
	s.Seen++
	if s.Seen%fitEvery == 0 || s.Seen < few && s.Seen%fitOften == 0 {
		for i := range issues {
			s.Fit[i].learn(i, s.Past, s.prior(i))
		}
	}
}

// Now returns the newest outlook for the night that comes or is under way; nil
// when there is none.
func (s *State) Now() *Night {
	if n := len(s.Nights); n > 0 && s.Open != nil && s.Nights[n-1].Issued == s.Open.Issue {
		return &s.Nights[n-1]
	}
	return s.Early
}

func short(x float64) float64 { return math.Round(x*1e4) / 1e4 }
