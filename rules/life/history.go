package life

import (
	"sort"

	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// Weights of sun in the age of a cover: what a year in it ages a cover, in
// years. Judgement values: ultraviolet light makes plastics brittle, and a
// north wall gets about half of what a south wall gets.
var sunWeights = map[string]float64{"full": 1.25, "part": 1, "shade": 0.7}

// stretch is a time [from, to) in which a station is of one build and in one
// sun.
type stretch struct {
	from, to unit.Instant
	build    string  // "" when nobody said
	sun      float64 // weight; 0 while it hangs nowhere
	sunKnown bool
}

// History is what a station was made of and where it hung, by its facts.
type History struct {
	own      []fact.Fact
	stretch  []stretch // all time, in order
	anyBuild bool
	lessons  *Lessons // nil: nothing was ever seen
}

// Teach makes the clocks go by what looks taught, where that is enough.
func (h *History) Teach(l *Lessons) { h.lessons = l }

// learned returns what looks taught of a group; nil: nothing yet.
func (h *History) learned(group string) *Learned {
	if l := h.lessons.Of(group); l != nil && l.Enough {
		return l
	}
	return nil
}

// budget is that of a build, by what looks taught; ok is false where there is no
// such build.
func (h *History) budget(build string) (hEq float64, ok bool) {
	hEq, err := Budget(build)
	if l := h.learned(build); l != nil {
		hEq *= l.Middle
	}
	return hEq, err == nil
}

// NewHistory reads the facts about a station, in the order in which they were
// recorded; site returns those about a site. A time before the first site was
// recorded counts as outdoors: a unit that comes in was used somewhere.
func NewHistory(own []fact.Fact, site func(id string) []fact.Fact) *History {
	h := &History{own: own}
	var first string // the first build that is known stands for the time before
	for _, s := range fact.Stretches(own, fact.Build, fact.Site) {
		build, at := s.Values[0], s.Values[1]
		if first == "" && build != "" {
			first = build
		}
		if at == "" || at == fact.None {
			one := stretch{from: s.From, to: s.To, build: build, sun: 1}
			if at == fact.None {
				one.sun, one.sunKnown = 0, true
			}
			h.stretch = append(h.stretch, one)
			continue
		}
		for _, light := range fact.Stretches(site(at), fact.Sun) {
			from, to := max(s.From, light.From), min(s.To, light.To)
			if from >= to {
				continue
			}
			weight, known := sunWeights[light.Values[0]]
			if !known {
				weight = 1
			}
			h.stretch = append(h.stretch, stretch{from, to, build, weight, known})
		}
	}
	for i := range h.stretch {
		if h.stretch[i].build == "" {
			h.stretch[i].build = first
		}
	}
	h.anyBuild = first != ""
	return h
}

// at returns the index of the stretch that holds t.
func (h *History) at(t unit.Instant) int {
	return sort.Search(len(h.stretch), func(i int) bool { return h.stretch[i].to > t || h.stretch[i].to == fact.Forever })
}

// outdoors returns the weighted years from one instant to another; estimated
// tells that some of their sun is not known.
func (h *History) outdoors(from, to unit.Instant) (age float64, estimated bool) {
	for i := h.at(from); i < len(h.stretch) && h.stretch[i].from < to; i++ {
		s := &h.stretch[i]
		if length := min(to, s.to).Sub(max(from, s.from)); length > 0 {
			age += s.sun * years(length)
			estimated = estimated || !s.sunKnown
		}
	}
	return age, estimated
}
