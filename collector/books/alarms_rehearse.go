package books

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// Rehearsal is what people would have been told with other limits, beside what
// they were told.
type Rehearsal struct {
	From  unit.Instant      `json:"from"`
	To    unit.Instant      `json:"to"`
	Set   map[string]string `json:"set"` // limits that differ from those in force
	Was   []Told            `json:"was"`
	Would []Told            `json:"would"`
	Kinds []Beside          `json:"kinds"`
}

// Told is a message, of the past or of a rehearsal.
type Told struct {
	At       unit.Instant   `json:"at"`
	Kind     finding.Kind   `json:"kind"`
	Priority alarm.Priority `json:"priority"`
	Class    alarm.Class    `json:"class"`
	Scope    alarm.Scope    `json:"scope,omitempty"` // of a common cause
	Stations []string       `json:"stations"`
}

// Beside counts messages of one kind.
type Beside struct {
	Kind        finding.Kind `json:"kind"`
	Was         int          `json:"was"`          // told at once
	Would       int          `json:"would"`        // would have been
	WasLetter   int          `json:"was_letter"`   // in the morning letter only
	WouldLetter int          `json:"would_letter"` // would have been
}

// Bounds of a rehearsal: readings of all stations are gone through.
const (
	rehearseMost = 400 * 24 * time.Hour
	rehearseLead = 30 * 24 * time.Hour // what lasted at the beginning is no news
	rehearseAt   = 30 * 24 * time.Hour // of readings at once
	gapLeast     = 30 * time.Minute
	silentLimit  = "silent.allowed"
)

// Rehearse runs what was read in [from, to) through changed limits: kind.limit as
// in SetLimit, and silent.allowed, how long a station may be silent. Silences are
// judged anew from the readings, other findings are those that the readings gave.
func (a Alarms) Rehearse(ctx context.Context, from, to unit.Instant, set map[string]string) (r Rehearsal, err error) {
	r = Rehearsal{From: from, To: to, Set: set, Was: []Told{}, Would: []Told{}, Kinds: []Beside{}}
	if from >= to || to.Sub(from) > rehearseMost {
		return r, Error{"to", to.String(), "let it be after from, by 400 days at most"}
	}
	limits, err := a.limits(ctx)
	if err != nil {
		return r, err
	}
	allowed, err := rehearsedLimits(limits, set)
	if err != nil {
		return r, err
	}
	past, err := a.past(ctx, from.Add(-rehearseLead), to, allowed)
	if err != nil {
		return r, err
	}
	for _, m := range alarm.Rehearse(past, limits, from, to) {
		r.Would = append(r.Would, Told{m.At, m.Kind, m.Priority, m.Class, m.Scope, m.Stations})
	}
	messages, err := a.MessagesIn(ctx, from, to)
	if err != nil {
		return r, err
	}
	for i := range messages {
		t, err := toldOf(&messages[i])
		if err != nil {
			return r, err
		}
		r.Was = append(r.Was, t)
	}
	r.count()
	return r, nil
}

// rehearsedLimits puts what is to be tried into the limits; allowed is 0 when
// every station keeps its own allowed silence.
func rehearsedLimits(limits alarm.Table, set map[string]string) (allowed time.Duration, err error) {
	for name, value := range set {
		if name != silentLimit {
			if err := wrongLimit(limits.Set(name, value)); err != nil {
				return 0, err
			}
			continue
		}
		if allowed, err = time.ParseDuration(value); err != nil || allowed < gapLeast || allowed > rehearseLead {
			return 0, Error{name, value, "write a duration from 30m to 720h"}
		}
	}
	return allowed, nil
}

func toldOf(m *record.Message) (Told, error) {
	t := Told{At: m.Created, Kind: m.Kind, Priority: m.Priority, Class: m.Class, Stations: []string{m.Station}}
	if m.Cause == 0 {
		return t, nil
	}
	var b record.MessageBody
	if err := json.Unmarshal([]byte(m.Body), &b); err != nil {
		return t, fmt.Errorf("read message %s: %w", m.EventID, err)
	}
	if b.Cause != nil {
		t.Scope, t.Stations = b.Cause.Scope, b.Cause.Stations
	}
	return t, nil
}

func (r *Rehearsal) count() {
	by := map[finding.Kind]*Beside{}
	of := func(kind finding.Kind) *Beside {
		if by[kind] == nil {
			by[kind] = &Beside{Kind: kind}
		}
		return by[kind]
	}
	for _, m := range r.Was {
		if b := of(m.Kind); m.Class == alarm.Letter {
			b.WasLetter++
		} else {
			b.Was++
		}
	}
	for _, m := range r.Would {
		if b := of(m.Kind); m.Class == alarm.Letter {
			b.WouldLetter++
		} else {
			b.Would++
		}
	}
	for _, b := range by {
		r.Kinds = append(r.Kinds, *b)
	}
	slices.SortFunc(r.Kinds, func(a, b Beside) int { return cmp.Compare(a.Kind, b.Kind) })
}

// past reads what is known of all stations from from to to.
func (a Alarms) past(ctx context.Context, from, to unit.Instant, allowed time.Duration) (list []alarm.Past, err error) {
	stations, err := a.Stations(ctx)
	if err != nil {
		return nil, err
	}
	known := map[fact.Subject][]fact.Fact{}
	for _, kind := range []string{fact.KindStation, fact.KindSite} {
		facts, err := a.FactsOf(ctx, kind)
		if err != nil {
			return nil, err
		}
		for i := range facts {
			known[facts[i].Subject] = append(known[facts[i].Subject], facts[i])
		}
	}
	found, err := a.OccurrencesIn(ctx, from, to)
	if err != nil {
		return nil, err
	}
	holds, err := a.AlarmHolds(ctx, from)
	if err != nil {
		return nil, err
	}
	for _, st := range stations {
		if st.Retired != 0 && st.Retired <= from {
			continue
		}
		p := alarm.Past{Standing: placed(st.ID, known, to)}
		if allowed != 0 {
			p.Fresh = allowed
		}
		if err := a.heard(ctx, &p, from, to); err != nil {
			return nil, err
		}
		for i := range found {
			if o := &found[i]; o.Station == st.ID && !o.Revised && o.Finding.Kind != finding.Silent {
				p.Findings = append(p.Findings, o.Finding)
			}
		}
		for _, h := range holds {
			if h.Station == st.ID {
				p.Holds = append(p.Holds, h)
			}
		}
		list = append(list, p)
	}
	return list, nil
}

// placed says where a station was at an instant, and how long it may be silent.
func placed(id string, known map[fact.Subject][]fact.Fact, at unit.Instant) alarm.Standing {
	own := known[fact.Subject{Kind: fact.KindStation, ID: id}]
	s := alarm.Standing{Station: id, Fresh: fact.Silence(own, at)}
	s.Step, _ = fact.DurationAt(own, fact.Interval, at)
	s.Site, _ = fact.At(own, fact.Site, at)
	s.Line, _ = fact.At(own, fact.Line, at)
	site := known[fact.Subject{Kind: fact.KindSite, ID: s.Site}]
	for name, to := range map[string]**float64{fact.Lat: &s.Lat, fact.Lon: &s.Lon} {
		text, _ := fact.At(site, name, at)
		if x, err := strconv.ParseFloat(text, 64); err == nil {
			*to = &x
		}
	}
	for _, of := range []*string{&s.Site, &s.Line} {
		if *of == fact.None {
			*of = ""
		}
	}
	return s
}

// heard finds the times without readings; where readings were let go nobody can
// tell any more.
func (a Alarms) heard(ctx context.Context, p *alarm.Past, from, to unit.Instant) error {
	first, last, ok, err := a.Span(ctx, p.Station)
	if err != nil || !ok {
		return err
	}
	frozen, err := a.FrozenBefore(ctx, p.Station)
	if first = max(first, frozen); err != nil || first >= to {
		return err
	}
	p.First = first
	before := max(first, from)
	for at := before; at < to && at <= last; at = at.Add(rehearseAt) {
		rs, err := a.Readings(ctx, p.Station, at, min(at.Add(rehearseAt), to))
		if err != nil {
			return err
		}
		for i := range rs {
			if t := rs[i].Time; t.Sub(before) > gapLeast {
				p.Gaps = append(p.Gaps, alarm.Gap{From: before, To: t})
			}
			before = rs[i].Time
		}
	}
	p.Last = before
	return nil
}
