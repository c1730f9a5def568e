package alarm

import (
	"cmp"
	"math"
	"slices"
	"time"

	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// Gap is a time without a reading of a station.
type Gap struct{ From, To unit.Instant }

// Past is what is known of a station over some time, for a rehearsal.
type Past struct {
	Standing                      // Newest is of no use; Fresh is how long it may be silent
	First, Last unit.Instant      // readings; 0: none
	Gaps        []Gap             // longer than half an hour, ascending
	Findings    []finding.Finding // all but silent, as they are known by now, ascending by onset
	Holds       []Hold
}

// Rehearsed is a message that people would have had.
type Rehearsed struct {
	Sent
	Kind     finding.Kind
	Scope    Scope // of a common cause; "": none
	Stations []string
}

const (
	rehearseStep  = 10 * time.Minute
	rehearseAhead = 30 * day // before the beginning, so that what lasted then is not news
)

// Rehearse runs what was known of stations through limits, as if time passed again
// from from to to, and returns the messages that people would have had. Findings
// are causal: at any instant those were known that had been concluded, and an end
// that lay ahead was not.
func Rehearse(past []Past, limits Table, from, to unit.Instant) []Rehearsed {
	r := rehearsal{past: past, limits: limits, kept: make([][]Occurrence, len(past)), due: make([][]unit.Instant, len(past)), told: map[ToldOf]unit.Instant{}, index: map[string]int{}}
	var out []Rehearsed
	begin := from.Add(-rehearseAhead)
	for i := range past {
		r.index[past[i].Station] = i
		r.stations, r.active = append(r.stations, past[i].Standing), append(r.active, false)
		r.due[i] = append([]unit.Instant{begin}, r.instants(&past[i], begin, to)...)
	}
	for at := begin; at < to; at = at.Add(rehearseStep) {
		if news := r.news(at); !news && (at.Floor(time.Hour) != at || !r.open()) {
			continue // nothing happens
		}
		for _, m := range r.step(at) {
			if at >= from {
				out = append(out, m)
			}
		}
	}
	return out
}

type rehearsal struct {
	past   []Past
	limits Table

	stations []Standing     // by the index of past, as all below
	index    map[string]int // by id
	active   []bool         // something of it may change by time alone
	kept     [][]Occurrence
	due      [][]unit.Instant // by station: when something of its past becomes known, ascending
	judge    []int            // stations of which something has become known
	causes   []Cause
	next     int64
	told     map[ToldOf]unit.Instant
}

// instants are when something of a station's past becomes known, ascending.
func (r *rehearsal) instants(p *Past, begin, end unit.Instant) (all []unit.Instant) {
	for _, f := range p.known(end) {
		concluded := f.Concluded
		if f.Kind == finding.Silent {
			concluded = concluded.Add(p.Fresh + 1)
		}
		all = append(all, concluded, f.Concluded.Add(r.limits.Of(f.Kind).OnDelay), f.To)
	}
	slices.Sort(all)
	return slices.DeleteFunc(all, func(t unit.Instant) bool { return t <= begin || t > end })
}

// news collects the stations of which something has become known up to an instant.
func (r *rehearsal) news(at unit.Instant) bool {
	r.judge = r.judge[:0]
	for i := range r.due {
		n, _ := slices.BinarySearch(r.due[i], at+1)
		if r.due[i] = r.due[i][n:]; n > 0 {
			r.judge = append(r.judge, i)
		}
	}
	return len(r.judge) > 0
}

// open tells whether anything may change by time alone.
func (r *rehearsal) open() bool {
	return len(r.causes) > 0 || slices.Contains(r.active, true)
}

// quiet are the gaps, and what follows the last reading.
func (p *Past) quiet() []Gap {
	if p.Last == 0 {
		return nil
	}
	return append(slices.Clone(p.Gaps), Gap{p.Last, math.MaxInt64})
}

// newest is the newest reading at an instant, to the half hour; 0: none yet.
func (p *Past) newest(at unit.Instant) unit.Instant {
	if p.First == 0 || at < p.First {
		return 0
	}
	n, there := slices.BinarySearchFunc(p.Gaps, at, func(g Gap, t unit.Instant) int { return cmp.Compare(g.From, t) })
	if there {
		return at
	}
	if n > 0 && at < p.Gaps[n-1].To {
		return p.Gaps[n-1].From
	}
	return min(at, p.Last)
}

// known are the findings that were known at an instant, as they looked then.
func (p *Past) known(at unit.Instant) (all []finding.Finding) {
	for _, f := range p.Findings {
		if f.Concluded > at {
			continue
		}
		if f.To > at {
			f.To = 0
		}
		all = append(all, f)
	}
	for _, g := range p.quiet() {
		if at.Sub(g.From) <= p.Fresh || g.To.Sub(g.From) <= p.Fresh || g.From > at {
			continue
		}
		f := finding.Finding{Kind: finding.Silent, From: g.From, To: g.To, Concluded: g.From, Confidence: 1}
		if g.To > at {
			f.To = 0
		}
		all = append(all, f)
	}
	return all
}

// step lets an instant pass.
func (r *rehearsal) step(at unit.Instant) (told []Rehearsed) {
	scene := Scene{Now: at, Stations: r.stations, Limits: r.limits, Causes: r.causes, NextCause: r.next + 1, Told: r.told}
	for i := range r.past {
		p := &r.past[i]
		newest := p.newest(at)
		r.stations[i].Newest = newest
		if slices.Contains(r.judge, i) {
			r.reconcile(i, newest, at)
		}
		if !r.active[i] {
			continue
		}
		r.keep(i, Settle(r.kept[i], p.Holds, r.limits, newest, at).Occurrences)
		for k := range r.kept[i] {
			if o := &r.kept[i][k]; o.State != Normal && !o.Revised {
				scene.Occurrences = append(scene.Occurrences, *o)
			}
		}
	}
	out := Tell(scene)
	r.apply(&out)
	for i := range out.Messages {
		m := &out.Messages[i]
		s := Rehearsed{Sent: Sent{At: at, ID: m.ID, Priority: m.Priority, Class: m.Class}, Kind: m.Members[0].Finding.Kind, Stations: m.Stations()}
		if m.Cause != nil {
			s.Scope = m.Cause.Scope
		}
		for k := range m.Members {
			if o := &m.Members[k]; m.Class == AtOnce && m.Cause == nil {
				r.told[ToldOf{o.Station, o.Finding.Kind}] = at
			}
		}
		told = append(told, s)
	}
	return told
}

// reconcile judges the i-th station.
func (r *rehearsal) reconcile(i int, newest, at unit.Instant) {
	p := &r.past[i]
	known := p.known(at)
	for _, kind := range Kinds() {
		j := Judgement{
			Station: p.Station, Kinds: []finding.Kind{kind}, Since: math.MinInt64, Until: math.MaxInt64, Findings: known,
			Newest: newest, Now: at, Limits: r.limits, Holds: p.Holds,
		}
		if Of(kind).Clock {
			j.Newest = at
		}
		r.keep(i, Reconcile(j, r.kept[i]).Occurrences)
	}
}

// keep keeps changed occurrences of the i-th station. What is over counts as seen:
// nobody is told of it any more.
func (r *rehearsal) keep(i int, changed []Occurrence) {
	for _, o := range changed {
		if o.State == Returned {
			o.State = Normal
		}
		k := slices.IndexFunc(r.kept[i], func(x Occurrence) bool { return x.Number == o.Number && x.Finding.Kind == o.Finding.Kind })
		if k < 0 {
			r.kept[i] = append(r.kept[i], o)
			continue
		}
		r.kept[i][k] = o
	}
	if len(changed) > 0 {
		r.active[i] = slices.ContainsFunc(r.kept[i], func(o Occurrence) bool { return o.State != Normal && !o.Revised })
	}
}

func (r *rehearsal) apply(out *Telling) {
	for _, o := range out.Occurrences {
		i := r.index[o.Station]
		r.keep(i, []Occurrence{o})
	}
	for _, c := range out.Causes {
		r.next = max(r.next, c.Number)
		if i := slices.IndexFunc(r.causes, func(x Cause) bool { return x.Number == c.Number }); i >= 0 {
			r.causes[i] = c
		} else {
			r.causes = append(r.causes, c)
		}
	}
	r.causes = slices.DeleteFunc(r.causes, func(c Cause) bool { return c.Settled })
}
