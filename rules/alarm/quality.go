package alarm

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// Measures of ISA-18.2, from memory, with figures for a control room: chattering
// is three or more in a minute, a flood begins with ten in ten minutes, stale is
// what is active for more than a day, and of the priorities about 80 % should be
// low, 15 % middle, 5 % high. A workshop with a few dozen boxes never comes near
// those figures as limits; so chattering is counted over a week here, and stale is
// what is older than the time that there was to respond.
const (
	chatterTimes = 3
	chatterIn    = 7 * day
	floodTimes   = 10
	floodIn      = 10 * time.Minute
)

// Sent is a message that people had.
type Sent struct {
	At       unit.Instant
	ID       string
	Priority Priority
	Class    Class
}

// Source is a station and kind, and how often it raised an alarm.
type Source struct {
	Station string       `json:"station"`
	Kind    finding.Kind `json:"kind"`
	Times   int          `json:"times"`
}

// Stale is an alarm that still needs a person beyond its time to respond.
type Stale struct {
	ID    string       `json:"id"`
	Since unit.Instant `json:"since"`
	By    unit.Instant `json:"by"`
}

// Quality says how good the alarms of some time were.
type Quality struct {
	From       unit.Instant     `json:"from"`
	To         unit.Instant     `json:"to"`
	Alarms     int              `json:"alarms"`   // raised
	Messages   int              `json:"messages"` // told at once
	Letter     int              `json:"letter"`   // told in the morning letter only
	PerDay     float64          `json:"messages_per_day"`
	Most       int              `json:"most_in_10_min"` // messages at once
	Floods     int              `json:"floods"`         // times with ten or more of them
	Priorities map[Priority]int `json:"priorities"`     // alarms
	Top        []Source         `json:"top"`            // at most ten
	TopShare   float64          `json:"top_share"`      // of all alarms; 0 when there was none
	Stale      []Stale          `json:"stale"`
	Chattering []Source         `json:"chattering"`
	Seen       int              `json:"seen"`              // by people, of those raised
	Unseen     int              `json:"unseen"`            // until the end
	SeenHalf   *float64         `json:"seen_half_h"`       // hours until half of those seen were; null: none was
	SeenMost   *float64         `json:"seen_nine_of_10_h"` // hours until nine of ten were
}

// Measure says how good the alarms of [from, to) were. events are those recorded
// then, open the occurrences that needed a person at the end.
func Measure(from, to unit.Instant, events []Event, open []Occurrence, sent []Sent, limits Table) Quality {
	q := Quality{From: from, To: to, Priorities: map[Priority]int{}, Top: []Source{}, Stale: []Stale{}, Chattering: []Source{}}
	for _, p := range Priorities {
		q.Priorities[p] = 0
	}
	q.sent(sent)
	q.sources(events, limits)
	q.seen(events)
	for i := range open {
		o := &open[i]
		if by := o.Finding.Concluded.Add(Respond(&o.Finding)); o.Needs() && by < to {
			q.Stale = append(q.Stale, Stale{o.ID(), o.Finding.From, by})
		}
	}
	slices.SortFunc(q.Stale, func(a, b Stale) int { return cmp.Or(cmp.Compare(a.By, b.By), cmp.Compare(a.ID, b.ID)) })
	return q
}

func (q *Quality) sent(sent []Sent) {
	var at []unit.Instant
	for _, s := range sent {
		if s.Class == Letter {
			q.Letter++
			continue
		}
		at = append(at, s.At)
	}
	q.Messages = len(at)
	if q.To > q.From {
		q.PerDay = float64(q.Messages) / (q.To.Sub(q.From).Hours() / 24)
	}
	slices.Sort(at)
	flood := false
	for i, first := 0, 0; i < len(at); i++ {
		for at[i].Sub(at[first]) > floodIn {
			first++
		}
		n := i - first + 1
		q.Most = max(q.Most, n)
		if n >= floodTimes && !flood {
			q.Floods++
		}
		flood = n >= floodTimes || flood && n > floodTimes/2
	}
}

// raised tells whether an event is an alarm that begins, or comes back.
func raised(e *Event) bool {
	return e.To == Unacknowledged && (e.From != Unacknowledged || e.Why == BackSoon)
}

func (q *Quality) sources(events []Event, limits Table) {
	times := map[Source][]unit.Instant{}
	for i := range events {
		e := &events[i]
		if !raised(e) {
			continue
		}
		of := Source{Station: e.Station, Kind: e.Kind}
		times[of] = append(times[of], e.At)
		if e.From == Normal {
			q.Alarms++
			q.Priorities[limits.Of(e.Kind).Priority]++
		}
	}
	all := 0
	for of, at := range times {
		slices.Sort(at)
		all += len(at)
		q.Top = append(q.Top, Source{of.Station, of.Kind, len(at)})
		most := 0
		for i, first := 0, 0; i < len(at); i++ {
			for at[i].Sub(at[first]) > chatterIn {
				first++
			}
			most = max(most, i-first+1)
		}
		if most >= chatterTimes {
			q.Chattering = append(q.Chattering, Source{of.Station, of.Kind, most})
		}
	}
	order := func(a, b Source) int {
		return cmp.Or(cmp.Compare(b.Times, a.Times), cmp.Compare(a.Station, b.Station), cmp.Compare(a.Kind, b.Kind))
	}
	slices.SortFunc(q.Top, order)
	slices.SortFunc(q.Chattering, order)
	q.Top = q.Top[:min(10, len(q.Top))]
	top := 0
	for _, s := range q.Top {
		top += s.Times
	}
	if all > 0 {
		q.TopShare = float64(top) / float64(all)
	}
}

// seen measures the time from when an alarm was raised, by the collector's clock,
// until a person saw it.
func (q *Quality) seen(events []Event) {
	since := map[string]unit.Instant{}
	var took []float64
	for i := range events {
		e := &events[i]
		id := e.Occurrence()
		begun, waits := since[id]
		switch {
		case e.To == Unacknowledged && e.From != Unacknowledged:
			since[id] = e.Recorded
		case waits && e.Who != Rules && (e.To == Acknowledged || e.To == Normal || e.To == LatchedSeen):
			took = append(took, e.Recorded.Sub(begun).Hours())
			delete(since, id)
		case e.To.Held():
			delete(since, id) // somebody dealt with it
		}
	}
	q.Seen, q.Unseen = len(took), len(slices.Collect(maps.Keys(since)))
	if len(took) == 0 {
		return
	}
	slices.Sort(took)
	half, most := took[(len(took)-1)/2], took[(len(took)-1)*9/10]
	q.SeenHalf, q.SeenMost = &half, &most
}
