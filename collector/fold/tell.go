package fold

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/bench"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// holdsAgo is how far back ended holds are looked at, to say who ended them.
const holdsAgo = 7 * day

// attention is what decides how alarms are dealt with: limits that the workshop
// set, and what is put aside.
type attention struct {
	read   bool
	limits alarm.Table
	holds  map[string][]alarm.Hold // by station
	known  map[fact.Subject][]fact.Fact
}

func (a *attention) of(station string) []alarm.Hold { return a.holds[station] }

// attention returns what was read last, at most about a minute ago: before people
// are told it is read again.
func (f *Folder) attention(ctx context.Context) (attention, error) {
	if f.attended.read {
		return f.attended, nil
	}
	return f.readAttention(ctx, unit.At(f.cfg.Now()))
}

func (f *Folder) readAttention(ctx context.Context, now unit.Instant) (attention, error) {
	a := attention{read: true, limits: alarm.Table{}, holds: map[string][]alarm.Hold{}}
	limits, err := f.cfg.Store.AlarmLimits(ctx)
	if err != nil {
		return a, err
	}
	for _, l := range limits {
		if err := a.limits.Set(l.Name, l.Value); err != nil {
			return a, fmt.Errorf("limit set by %s at %s: %w", l.Author, l.Recorded, err)
		}
	}
	holds, err := f.cfg.Store.AlarmHolds(ctx, now.Add(-holdsAgo))
	if err != nil {
		return a, err
	}
	for _, h := range holds {
		a.holds[h.Station] = append(a.holds[h.Station], h)
	}
	f.attended = a
	return a, nil
}

// attend reads what is put aside, ends what has expired, and begins and ends what
// follows from visits and from power that is known to be off.
func (f *Folder) attend(ctx context.Context, stations []record.Station, now unit.Instant) (attention, error) {
	a, err := f.readAttention(ctx, now)
	if err != nil {
		return a, err
	}
	known, err := f.known(ctx)
	if err != nil {
		return a, err
	}
	want, err := f.suppressions(ctx, stations, known, now)
	if err != nil {
		return a, err
	}
	a.known = known
	var c record.AlarmChange
	for _, st := range stations {
		c.Holds = append(c.Holds, changedHolds(a.of(st.ID), want[st.ID], now)...)
	}
	if c.Empty() {
		return a, nil
	}
	if err := f.cfg.Store.ChangeAlarms(ctx, c); err != nil {
		return a, err
	}
	a, err = f.readAttention(ctx, now)
	a.known = known
	return a, err
}

// known are the facts of all stations, sites and lines.
func (f *Folder) known(ctx context.Context) (map[fact.Subject][]fact.Fact, error) {
	by := make(map[fact.Subject][]fact.Fact)
	for _, kind := range []string{fact.KindStation, fact.KindSite, fact.KindLine} {
		facts, err := f.cfg.Store.FactsOf(ctx, kind)
		if err != nil {
			return nil, err
		}
		for i := range facts {
			by[facts[i].Subject] = append(by[facts[i].Subject], facts[i])
		}
	}
	return by, nil
}

// changedHolds compares the holds of a station with those that its visits and its
// power ask for.
func changedHolds(holds, want []alarm.Hold, now unit.Instant) (changed []alarm.Hold) {
	for _, h := range holds {
		switch same := func(w alarm.Hold) bool { return w.Kind == h.Kind && w.Why == h.Why }; {
		case h.Ended != 0:
		case h.Until != 0 && h.Until <= now:
			h.Ended, h.EndedBy, h.EndedWhy = h.Until, alarm.Rules, "its time is over"
			changed = append(changed, h)
		case h.State != alarm.Suppressed:
		case slices.ContainsFunc(want, same):
			want = slices.DeleteFunc(slices.Clone(want), same)
		default:
			h.Ended, h.EndedBy, h.EndedWhy = now, alarm.Rules, "over: "+h.Why
			changed = append(changed, h)
		}
	}
	return append(changed, want...)
}

// suppressions are the holds that follow from what is known: a station that
// somebody works on, and power that is off at its site or line.
func (f *Folder) suppressions(ctx context.Context, stations []record.Station, known map[fact.Subject][]fact.Fact, now unit.Instant) (map[string][]alarm.Hold, error) {
	want := make(map[string][]alarm.Hold)
	visits, err := f.cfg.Store.Visits(ctx, record.VisitQuery{Open: true, Limit: openVisits})
	if err != nil {
		return nil, err
	}
	for i := range visits {
		v := &visits[i]
		forgotten := v.Kind != bench.SendIn && v.Began != 0 && now.Sub(v.Began) > onSiteMost // that it was ended
		if bench.InHand(v.Kind, v.State) && !forgotten && len(want[v.Station]) == 0 {
			want[v.Station] = []alarm.Hold{{
				Station: v.Station, State: alarm.Suppressed, From: now, Who: alarm.Rules,
				Why: "visit " + strconv.FormatInt(v.Number, 10) + " is " + string(v.State),
			}}
		}
	}
	for _, st := range stations {
		own := known[fact.Subject{Kind: fact.KindStation, ID: st.ID}]
		for _, kind := range []string{fact.KindSite, fact.KindLine} {
			at, _ := fact.At(own, kind, now) // the fact has the name of what it refers to
			if power, _ := fact.At(known[fact.Subject{Kind: kind, ID: at}], fact.Power, now); power == "off" && len(want[st.ID]) == 0 {
				want[st.ID] = powerOff(st.ID, "the power of "+kind+" "+at+" is off", now)
			}
		}
	}
	return want, nil
}

const (
	openVisits = 10_000  // more are not open in a workshop of three
	onSiteMost = 7 * day // that a visit to a station may last; a judgement value
)

func powerOff(station, why string, now unit.Instant) (holds []alarm.Hold) {
	for _, kind := range alarm.Kinds() {
		if alarm.Of(kind).ByPower {
			holds = append(holds, alarm.Hold{Station: station, Kind: kind, State: alarm.Suppressed, From: now, Who: alarm.Rules, Why: why})
		}
	}
	return holds
}

// tellRaised tells people what folds have raised since they were told last.
func (f *Folder) tellRaised(ctx context.Context) error {
	if !f.raised {
		return nil
	}
	now := unit.At(f.cfg.Now())
	stations, err := f.cfg.Store.Stations(ctx)
	if err != nil {
		return err
	}
	latest, err := f.cfg.Store.Latest(ctx)
	if err != nil {
		return err
	}
	a, err := f.attend(ctx, stations, now)
	if err != nil {
		return err
	}
	return f.tell(ctx, stations, latest, now, a)
}

// tell brings open occurrences in step with what is put aside and with off-delays,
// and writes the messages that people are to have now. What was decided and what
// is told of it are committed together.
func (f *Folder) tell(ctx context.Context, stations []record.Station, latest map[string]unit.Instant, now unit.Instant, a attention) error {
	open, err := f.cfg.Store.OpenOccurrences(ctx)
	if err != nil {
		return err
	}
	open, err = f.settle(ctx, open, latest, now, a)
	if err != nil {
		return err
	}
	if len(open) == 0 {
		f.raised = false
		return nil
	}
	scene, err := f.scene(ctx, stations, latest, now, a)
	if err != nil {
		return err
	}
	scene.Occurrences, scene.Limits = open, a.limits
	if scene.Told, err = f.told(ctx, open, now); err != nil {
		return err
	}
	told := alarm.Tell(scene)
	c := record.AlarmChange{Causes: told.Causes}
	c.Add(told.Changes)
	for i := range told.Messages {
		m, err := message(&told.Messages[i], now)
		if err != nil {
			return err
		}
		c.Outbox = append(c.Outbox, m)
	}
	if !c.Empty() {
		if err := f.cfg.Store.ChangeAlarms(ctx, c); err != nil {
			return err
		}
	}
	f.raised = false
	if len(c.Outbox) > 0 && f.cfg.Sent != nil {
		f.cfg.Sent()
	}
	return nil
}

// settle commits what only time changes, and returns the open occurrences as they
// are then.
func (f *Folder) settle(ctx context.Context, open []alarm.Occurrence, latest map[string]unit.Instant, now unit.Instant, a attention) ([]alarm.Occurrence, error) {
	var c record.AlarmChange
	for i := range open {
		o := &open[i]
		changes := alarm.Settle([]alarm.Occurrence{*o}, a.of(o.Station), a.limits, latest[o.Station], now)
		if len(changes.Occurrences) > 0 {
			*o = changes.Occurrences[0]
		}
		c.Add(changes)
	}
	if c.Empty() {
		return open, nil
	}
	err := f.cfg.Store.ChangeAlarms(ctx, c)
	return slices.DeleteFunc(open, func(o alarm.Occurrence) bool { return o.State == alarm.Normal }), err
}

// scene is what is known of all stations in service, and of common causes.
func (f *Folder) scene(ctx context.Context, stations []record.Station, latest map[string]unit.Instant, now unit.Instant, a attention) (s alarm.Scene, err error) {
	s.Now = now
	if s.Causes, s.NextCause, err = f.cfg.Store.AlarmCauses(ctx); err != nil {
		return s, err
	}
	for _, st := range stations {
		if st.Retired == 0 {
			s.Stations = append(s.Stations, standing(st.ID, a.known, latest[st.ID], now))
		}
	}
	return s, nil
}

// told says when people were told at once of kinds at stations, by a message of
// their own, as far back as that counts. Where all of what is open was told there
// is nothing to ask.
func (f *Folder) told(ctx context.Context, open []alarm.Occurrence, now unit.Instant) (map[alarm.ToldOf]unit.Instant, error) {
	if !slices.ContainsFunc(open, func(o alarm.Occurrence) bool { return !o.Told }) {
		return nil, nil
	}
	messages, err := f.cfg.Store.MessagesIn(ctx, now.Add(-alarm.RepeatMost), now+1)
	if err != nil {
		return nil, err
	}
	last := make(map[alarm.ToldOf]unit.Instant)
	for i := range messages {
		if m := &messages[i]; m.Class == alarm.AtOnce && m.Cause == 0 {
			last[alarm.ToldOf{Station: m.Station, Kind: m.Kind}] = m.Created
		}
	}
	return last, nil
}

func standing(id string, known map[fact.Subject][]fact.Fact, newest, now unit.Instant) alarm.Standing {
	own := known[fact.Subject{Kind: fact.KindStation, ID: id}]
	s := alarm.Standing{Station: id, Newest: newest, Fresh: fact.SilenceSince(own, newest, now)}
	s.Step, _ = fact.DurationAt(own, fact.Interval, newest)
	for name, to := range map[string]*string{fact.Site: &s.Site, fact.Line: &s.Line} {
		if at, _ := fact.At(own, name, now); at != fact.None {
			*to = at
		}
	}
	site := known[fact.Subject{Kind: fact.KindSite, ID: s.Site}]
	s.Lat, s.Lon = degrees(site, fact.Lat, now), degrees(site, fact.Lon, now)
	return s
}

func degrees(facts []fact.Fact, name string, now unit.Instant) *float64 {
	text, _ := fact.At(facts, name, now)
	x, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return nil
	}
	return &x
}

// message is what an alarm's message says, for the outbox.
func message(m *alarm.Message, now unit.Instant) (record.Message, error) {
	o := &m.Members[0]
	b := record.MessageBody{
		Station: o.Station, Kind: o.Finding.Kind, Number: o.Number, From: o.Finding.From, Concluded: o.Finding.Concluded,
		Evidence: o.Finding.Evidence, Priority: m.Priority, Class: m.Class, By: m.By, Times: max(1, o.Rings),
	}
	out := record.Message{
		EventID: m.ID, Station: o.Station, Kind: o.Finding.Kind, Number: o.Number, Created: now,
		Priority: m.Priority, Class: m.Class, By: m.By,
	}
	if m.Cause != nil {
		out.Cause = m.Cause.Number
		b.Cause = &record.MessageCause{Scope: m.Cause.Scope, Subject: m.Cause.Subject, From: m.Cause.From, Stations: m.Stations()}
		for i := range m.Members {
			b.Cause.Alarms = append(b.Cause.Alarms, m.Members[i].ID())
		}
	}
	body, err := json.Marshal(&b)
	if err != nil {
		return out, fmt.Errorf("write the message %s: %w", m.ID, err)
	}
	out.Body = string(body)
	return out, nil
}
