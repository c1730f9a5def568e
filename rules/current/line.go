package current

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"time"

	"dewpost/rules/finding"
)

// On is a finding and the station whose readings it was concluded from.
type On struct {
	Station string
	finding.Finding
}

// Event is what happened to a line once, however many stations' readings told
// it: the finding of it that was concluded first, and the others.
type Event struct {
	On
	Others []On
}

// How far apart what several stations' readings tell of one event may begin.
// Steps and losses have their time; a leakage is told when the weather lets it,
// a low voltage by quarters of days. Judgement values.
var oneEvent = map[finding.Kind]time.Duration{
	finding.CurrentStepUp:   2 * time.Hour,
	finding.CurrentStepDown: 2 * time.Hour,
	finding.NoCurrent:       2 * time.Hour,
	finding.LineVoltageLow:  12 * time.Hour,
	finding.LeakageRising:   21 * day,
}

// alikeSteps is the share by which two stations' figures of one step may differ.
const alikeSteps = 0.3

// OfLine tells whether a finding is of the line that feeds the station, and not
// of the station alone, as a comb's is.
func OfLine(f *finding.Finding) bool {
	_, of := oneEvent[f.Kind]
	return of && (len(f.Evidence) == 0 || !strings.HasPrefix(f.Evidence[0].Name, "comb_"))
}

// Merge joins what was found at stations on one line and supply into events, in
// the order in which they were concluded. A station tells an event once. What is
// not of the line is left out. It is causal: findings concluded later add events
// and others, and change no event's first.
func Merge(found []On) []Event {
	found = slices.DeleteFunc(slices.Clone(found), func(o On) bool { return !OfLine(&o.Finding) })
	slices.SortStableFunc(found, func(a, b On) int {
		return cmp.Or(cmp.Compare(a.Concluded, b.Concluded), cmp.Compare(a.Station, b.Station), cmp.Compare(a.From, b.From))
	})
	var events []Event
	for _, o := range found {
		i := slices.IndexFunc(events, func(e Event) bool { return e.holds(&o) })
		if i < 0 {
			events = append(events, Event{On: o})
			continue
		}
		events[i].Others = append(events[i].Others, o)
	}
	return events
}

// holds tells whether a station tells of the event, and did not before.
func (e *Event) holds(o *On) bool {
	apart := o.From.Sub(e.From)
	if o.Kind != e.Kind || apart > oneEvent[e.Kind] || -apart > oneEvent[e.Kind] || o.Station == e.Station {
		return false
	}
	if e.To != 0 && e.To <= o.From {
		return false
	}
	if slices.ContainsFunc(e.Others, func(x On) bool { return x.Station == o.Station }) {
		return false
	}
	a, b := step(&e.Finding), step(&o.Finding)
	return math.Abs(a-b) <= alikeSteps*max(math.Abs(a), math.Abs(b))
}

// step is the size of a step in mA; 0 of what is none.
func step(f *finding.Finding) float64 {
	for _, e := range f.Evidence {
		if e.Name == "step" {
			return e.Value
		}
	}
	return 0
}
