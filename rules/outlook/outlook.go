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
	leastSamples     = 12 // of the last day
)

// Sample is the newest reading of an hour.
type Sample struct {
	At     unit.Instant `json:"t"`
	Temp   float64      `json:"c"` // °C, inside
	Dew    float64      `json:"d"` // °C, over water
	Margin float64      `json:"m"` // K
}

// Past is a night that was observed: what was known at each time of issue, and
// its least margin.
type Past struct {
	Known [issues][]float64 `json:"x"` // none: nothing was known
	Least float64           `json:"m"` // K
	Whole bool              `json:"w"` // heard well enough to be called dry
}

// open is the night that comes or is under way.
type open struct {
	Sunset unit.Instant      `json:"sunset"`
	Issue  unit.Instant      `json:"issue"`
	Rise   unit.Instant      `json:"rise"`
	Known  [issues][]float64 `json:"known"`
	Asked  [issues]bool      `json:"asked"` // its time of issue has passed
	Least  float64           `json:"least"`
	Heard  time.Duration     `json:"heard"` // of the night
	Any    bool              `json:"any"`   // a reading lies in it
}

// times of issue.
const (
	early = iota
	evening
	issues
)

// State is all that is remembered of a station. The zero value is ready. Encoded
// as JSON and decoded it goes on as if it had not been. Nights that are observed
// are output: a caller that keeps them elsewhere may take them away.
type State struct {
	Nights []Night `json:"nights"` // issued in the evening
	Early  *Night  `json:"early"`  // for the coming night, issued in the afternoon; nil when there is none

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
		for i, issue := range [issues]unit.Instant{o.Sunset.Add(-earlyBefore), o.Issue} {
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
		return &open{Sunset: set, Issue: set.Add(issueAfterSunset), Rise: rise, Least: math.MaxFloat64}
	}
	return nil
}

// issue says what is known at a time of issue, and foretells.
func (s *State) issue(i int, at unit.Instant, place sun.Place) {
	o := s.Open
	o.Known[i] = s.features(at, o.Rise, place)
	if i == early {
		s.Early = nil
	}
	if o.Known[i] == nil {
		return
	}
	n := Night{
		Night: evening0(o.Sunset, place), Issued: at,
		PCondensing: s.Fit[i].probability(i, condensing, o.Known[i]),
		PAtRisk:     s.Fit[i].probability(i, atRisk, o.Known[i]),
	}
	n.PAtRisk = max(n.PAtRisk, n.PCondensing)
	if i == early {
		s.Early = &n
		return
	}
	s.Early = nil
	s.Nights = append(s.Nights, n)
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
	s.Early = nil
	if !o.Any || !whole && o.Least > atRisk || o.Known[early] == nil && o.Known[evening] == nil {
		return
	}
	s.Past = append(s.Past, Past{Known: o.Known, Least: short(o.Least), Whole: whole})
	if n := len(s.Past) - keepNights; n > 0 {
		s.Past = slices.Delete(s.Past, 0, n)
	}
	s.Seen++
	if s.Seen%fitEvery == 0 || s.Seen < few && s.Seen%fitOften == 0 {
		for i := range issues {
			s.Fit[i].learn(i, s.Past)
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
