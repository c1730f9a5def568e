package books

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// AlarmStore keeps alarms. ChangeAlarms keeps all of a change or nothing, and
// returns record.ErrChanged when it was decided with what is no longer so.
type AlarmStore interface {
	Station(ctx context.Context, id string) (record.Station, error)
	Stations(ctx context.Context) ([]record.Station, error)
	Latest(ctx context.Context) (map[string]unit.Instant, error)
	Occurrences(ctx context.Context, station string) ([]alarm.Occurrence, error)
	OpenOccurrences(ctx context.Context) ([]alarm.Occurrence, error)
	OccurrencesIn(ctx context.Context, from, to unit.Instant) ([]alarm.Occurrence, error)
	Events(ctx context.Context, station string, kind finding.Kind, number int64) ([]alarm.Event, error)
	AlarmEvents(ctx context.Context, from, to unit.Instant) ([]alarm.Event, error)
	AlarmHolds(ctx context.Context, endedAfter unit.Instant) ([]alarm.Hold, error)
	AlarmLimits(ctx context.Context) ([]record.AlarmLimit, error)
	MessagesIn(ctx context.Context, from, to unit.Instant) ([]record.Message, error)
	ChangeAlarms(ctx context.Context, c record.AlarmChange) error
	FactsOf(ctx context.Context, kind string) ([]fact.Fact, error)
	Span(ctx context.Context, station string) (first, last unit.Instant, ok bool, err error)
	FrozenBefore(ctx context.Context, station string) (unit.Instant, error)
	Readings(ctx context.Context, station string, from, to unit.Instant) ([]reading.Reading, error)
}

// Alarms is what people do with alarms.
type Alarms struct{ AlarmStore }

// Alarm is an occurrence with what people want to know of it.
type Alarm struct {
	alarm.Occurrence
	Priority alarm.Priority
	By       unit.Instant // when somebody should have acted
	Hold     *alarm.Hold  // that keeps it quiet; nil: none
}

// AlarmList is the state of all alarms.
type AlarmList struct {
	Needs []Alarm      // that need a person, by deadline
	Over  []Alarm      // that are over, and nobody has seen, the newest first
	Aside []Alarm      // that are kept quiet, by deadline
	Holds []alarm.Hold // in force, by station
}

// List returns what needs a person, what is over and was not seen, and what is
// put aside.
func (a Alarms) List(ctx context.Context, now unit.Instant) (list AlarmList, err error) {
	open, err := a.OpenOccurrences(ctx)
	if err != nil {
		return list, err
	}
	limits, err := a.limits(ctx)
	if err != nil {
		return list, err
	}
	holds, err := a.AlarmHolds(ctx, now)
	if err != nil {
		return list, err
	}
	for _, h := range holds {
		if h.Ended == 0 && (h.Until == 0 || h.Until > now) {
			list.Holds = append(list.Holds, h)
		}
	}
	for i := range open {
		o := alarmOf(open[i], limits, list.Holds)
		switch {
		case o.State.Held():
			list.Aside = append(list.Aside, o)
		case o.Needs():
			list.Needs = append(list.Needs, o)
		default:
			list.Over = append(list.Over, o)
		}
	}
	order := func(a, b Alarm) int {
		return cmp.Or(cmp.Compare(a.By, b.By), cmp.Compare(a.Station, b.Station), cmp.Compare(a.Finding.Kind, b.Finding.Kind), cmp.Compare(a.Number, b.Number))
	}
	slices.SortFunc(list.Needs, order)
	slices.SortFunc(list.Aside, order)
	slices.SortFunc(list.Over, func(a, b Alarm) int { return cmp.Or(cmp.Compare(b.Finding.To, a.Finding.To), order(a, b)) })
	slices.SortStableFunc(list.Holds, func(a, b alarm.Hold) int { return cmp.Compare(a.Station, b.Station) })
	return list, nil
}

func alarmOf(o alarm.Occurrence, limits alarm.Table, holds []alarm.Hold) Alarm {
	x := Alarm{Occurrence: o, Priority: limits.Priority(&o.Finding), By: o.Finding.Concluded.Add(alarm.Respond(&o.Finding))}
	for i := range holds {
		if h := &holds[i]; h.Station == o.Station && h.State == o.State && (h.Kind == "" || h.Kind == o.Finding.Kind) {
			x.Hold = h
		}
	}
	return x
}

// Show returns one alarm, with its transitions.
func (a Alarms) Show(ctx context.Context, id string, now unit.Instant) (x Alarm, events []alarm.Event, err error) {
	o, _, err := a.find(ctx, id)
	if err != nil {
		return x, nil, err
	}
	limits, err := a.limits(ctx)
	if err != nil {
		return x, nil, err
	}
	holds, err := a.AlarmHolds(ctx, now)
	if err != nil {
		return x, nil, err
	}
	events, err = a.Events(ctx, o.Station, o.Finding.Kind, o.Number)
	return alarmOf(o, limits, holds), events, err
}

// find returns the occurrence of an id, and all of its station.
func (a Alarms) find(ctx context.Context, id string) (o alarm.Occurrence, all []alarm.Occurrence, err error) {
	t, err := targetOf(id)
	if err != nil {
		return o, nil, err
	}
	if t.number == 0 {
		return o, nil, Error{"alarm", id, "write station:kind:number, as dewpost alarm list shows it"}
	}
	if all, err = a.Occurrences(ctx, t.station); err != nil {
		return o, nil, err
	}
	i := slices.IndexFunc(all, func(o alarm.Occurrence) bool { return o.Number == t.number && o.Finding.Kind == t.kind })
	if i < 0 {
		return o, nil, Error{"alarm", id, "there is none of that id: take one from the list of alarms"}
	}
	return all[i], all, nil
}

// target is what a person names: a station, its alarms of one kind, or one
// occurrence.
type target struct {
	station string
	kind    finding.Kind // "" for all
	number  int64        // 0 for all
}

func (t target) String() string {
	if t.kind == "" {
		return t.station
	}
	return t.station + ":" + string(t.kind)
}

func targetOf(text string) (t target, err error) {
	parts := strings.Split(text, ":")
	bad := Error{"alarm", text, "write station, station:kind or station:kind:number, as lake-07:silent"}
	if len(parts) > 3 || parts[0] == "" || !utf8.ValidString(text) {
		return t, bad
	}
	t.station = parts[0]
	if len(parts) > 1 {
		if t.kind = finding.Kind(parts[1]); !slices.Contains(alarm.Kinds(), t.kind) {
			return t, Error{"alarm", text, "kinds are " + kindNames()}
		}
	}
	if len(parts) > 2 {
		if t.number, err = strconv.ParseInt(parts[2], 10, 64); err != nil || t.number < 1 {
			return t, bad
		}
	}
	return t, nil
}

func kindNames() string {
	var names []string
	for _, k := range alarm.Kinds() {
		names = append(names, string(k))
	}
	return strings.Join(names, ", ")
}

// attempts is how often a person's word is tried again when the rules changed the
// same alarm at that moment.
const attempts = 5

func again(try func() error) (err error) {
	for range attempts {
		if err = try(); !errors.Is(err, record.ErrChanged) {
			return err
		}
	}
	return err
}

// See records that a person has seen an alarm, and Reset that they end one that is
// latched.
func (a Alarms) See(ctx context.Context, id, why, author string, now unit.Instant) error {
	return a.step(ctx, id, alarm.See, "see alarm", why, author, now)
}

// SeeEnded records that a person has seen all that nobody has seen and that ended
// before a time.
func (a Alarms) SeeEnded(ctx context.Context, before unit.Instant, author string, now unit.Instant) error {
	return again(func() error {
		list, err := a.List(ctx, now)
		if err != nil {
			return err
		}
		var c record.AlarmChange
		for i := range list.Over {
			o := list.Over[i].Occurrence
			if o.Finding.To >= before {
				continue
			}
			changes, err := alarm.Seen(o, alarm.See, now, author, "")
			if err != nil {
				return err
			}
			c.Add(changes)
		}
		if c.Empty() {
			return Error{Field: "before", Value: before.String(), Fix: "choose a later day: nothing that nobody has seen ended before that day"}
		}
		c.Deeds = []record.Deed{{At: now, Author: author, Action: "see alarms", Object: fmt.Sprintf("%d that ended before %s", len(c.Occurrences), before)}}
		return a.ChangeAlarms(ctx, c)
	})
}

// Reset ends a latched alarm that was seen.
func (a Alarms) Reset(ctx context.Context, id, why, author string, now unit.Instant) error {
	return a.step(ctx, id, alarm.Reset, "reset alarm", why, author, now)
}

func (a Alarms) step(ctx context.Context, id string, step alarm.Step, deed, why, author string, now unit.Instant) error {
	if err := checkNote("why", why); err != nil {
		return err
	}
	return again(func() error {
		o, _, err := a.find(ctx, id)
		if err != nil {
			return err
		}
		changes, err := alarm.Seen(o, step, now, author, why)
		var refused alarm.Refused
		if errors.As(err, &refused) {
			return Error{"alarm", id, refused.Fix}
		}
		c := record.AlarmChange{Deeds: []record.Deed{{At: now, Author: author, Action: deed, Object: id}}}
		c.Add(changes)
		return a.ChangeAlarms(ctx, c)
	})
}

// reasonMost is the longest reason, in runes.
const reasonMost = 500

func checkNote(field, text string) error {
	switch {
	case !IsText(text):
		return Error{field, strings.ToValidUTF8(text, "�"), "use text in UTF-8"}
	case utf8.RuneCountInString(text) > reasonMost:
		return Error{field, string([]rune(text)[:40]) + "…", fmt.Sprintf("write at most %d characters", reasonMost)}
	}
	return nil
}

func checkReason(text string) error {
	if strings.TrimSpace(text) == "" {
		return Error{"why", text, "say why: whoever looks next wants to know"}
	}
	return checkNote("why", text)
}

// PutAside keeps a station's alarms of one kind quiet until a time, at most 30 days
// ahead: the one named, and those that begin meanwhile.
func (a Alarms) PutAside(ctx context.Context, id string, until unit.Instant, why, author string, now unit.Instant) error {
	if until <= now || until.Sub(now) > alarm.MostAside {
		return Error{"until", until.String(), "choose a time ahead, at most 30 days from now"}
	}
	return a.hold(ctx, id, alarm.Hold{State: alarm.Shelved, Until: until}, "put alarm aside", why, author, now)
}

// OutOfService keeps a station's alarms quiet, all or those of one kind, until
// somebody takes it back into service.
func (a Alarms) OutOfService(ctx context.Context, id, why, author string, now unit.Instant) error {
	return a.hold(ctx, id, alarm.Hold{State: alarm.OutOfService}, "take alarms out of service", why, author, now)
}

// BringBack ends what was put aside, and InService what was out of service.
func (a Alarms) BringBack(ctx context.Context, id, why, author string, now unit.Instant) error {
	return a.release(ctx, id, alarm.Shelved, "bring alarm back", why, author, now)
}

// InService takes a station's alarms back into service.
func (a Alarms) InService(ctx context.Context, id, why, author string, now unit.Instant) error {
	return a.release(ctx, id, alarm.OutOfService, "take alarms into service", why, author, now)
}

// station returns what is needed to hold or release a station's alarms.
func (a Alarms) station(ctx context.Context, id string, now unit.Instant) (t target, all []alarm.Occurrence, holds []alarm.Hold, err error) {
	if t, err = targetOf(id); err != nil {
		return t, nil, nil, err
	}
	if t.number != 0 {
		if _, all, err = a.find(ctx, id); err != nil {
			return t, nil, nil, err
		}
	}
	if _, err = a.Station(ctx, t.station); errors.Is(err, record.ErrNotFound) {
		return t, nil, nil, Error{"alarm", id, "there is no such station: take one from the list of stations"}
	} else if err != nil {
		return t, nil, nil, err
	}
	if all == nil {
		if all, err = a.Occurrences(ctx, t.station); err != nil {
			return t, nil, nil, err
		}
	}
	holds, err = a.AlarmHolds(ctx, now)
	return t, all, slices.DeleteFunc(holds, func(h alarm.Hold) bool { return h.Station != t.station }), err
}

func (a Alarms) hold(ctx context.Context, id string, h alarm.Hold, deed, why, author string, now unit.Instant) error {
	if err := checkReason(why); err != nil {
		return err
	}
	return again(func() error {
		t, all, holds, err := a.station(ctx, id, now)
		if err != nil {
			return err
		}
		if h.State == alarm.Shelved && t.kind == "" {
			return Error{"alarm", id, "name the kind, as " + t.station + ":silent; a whole station is taken out of service"}
		}
		for i := range holds {
			if x := &holds[i]; x.State == h.State && x.Kind == t.kind && x.Ended == 0 && (x.Until == 0 || x.Until > now) {
				return Error{"alarm", id, "it is " + heldWords(x) + " already"}
			}
		}
		if h.State == alarm.Shelved && slices.ContainsFunc(all, func(o alarm.Occurrence) bool { return o.Finding.Kind == t.kind && o.State.Latching() && !o.Revised }) {
			return Error{"alarm", id, "it stays until somebody has seen to it: see it, then reset it"}
		}
		h := h
		h.Station, h.Kind, h.From, h.Who, h.Why = t.station, t.kind, now, author, strings.TrimSpace(why)
		return a.settle(ctx, t, all, append(holds, h), []alarm.Hold{h}, record.Deed{At: now, Author: author, Action: deed, Object: t.String()})
	})
}

func heldWords(h *alarm.Hold) string {
	if h.State == alarm.Shelved {
		return "put aside until " + h.Until.String()
	}
	return "out of service"
}

func (a Alarms) release(ctx context.Context, id string, state alarm.State, deed, why, author string, now unit.Instant) error {
	if err := checkNote("why", why); err != nil {
		return err
	}
	return again(func() error {
		t, all, holds, err := a.station(ctx, id, now)
		if err != nil {
			return err
		}
		var ended []alarm.Hold
		for i := range holds {
			h := &holds[i]
			if h.State != state || h.Ended != 0 || h.Until != 0 && h.Until <= now || h.Kind != t.kind {
				continue
			}
			h.Ended, h.EndedBy, h.EndedWhy = now, author, cmp.Or(strings.TrimSpace(why), "brought back")
			ended = append(ended, *h)
		}
		if len(ended) == 0 {
			return Error{"alarm", id, map[alarm.State]string{
				alarm.Shelved: "it is not put aside", alarm.OutOfService: "it is not out of service; what was taken out as a whole is taken back as a whole",
			}[state]}
		}
		return a.settle(ctx, t, all, holds, ended, record.Deed{At: now, Author: author, Action: deed, Object: t.String()})
	})
}

// settle keeps changed holds, together with what they change in the station's
// occurrences.
func (a Alarms) settle(ctx context.Context, t target, all []alarm.Occurrence, holds, changed []alarm.Hold, deed record.Deed) error {
	limits, err := a.limits(ctx)
	if err != nil {
		return err
	}
	latest, err := a.Latest(ctx)
	if err != nil {
		return err
	}
	c := record.AlarmChange{Holds: changed, Deeds: []record.Deed{deed}}
	c.Add(alarm.Settle(all, holds, limits, latest[t.station], deed.At))
	return a.ChangeAlarms(ctx, c)
}

// limits returns the limits in force.
func (a Alarms) limits(ctx context.Context) (alarm.Table, error) {
	set, err := a.AlarmLimits(ctx)
	if err != nil {
		return nil, err
	}
	t := alarm.Table{}
	for _, l := range set {
		if err := t.Set(l.Name, l.Value); err != nil {
			return nil, fmt.Errorf("limit set by %s at %s: %w", l.Author, l.Recorded, err)
		}
	}
	return t, nil
}

// KindLimits are the attributes of one kind of alarm.
type KindLimits struct {
	Kind finding.Kind
	alarm.Limits
	Respond time.Duration
	Latches bool
	Changed []string // names of limits that the workshop set
}

// Limits returns the limits of all kinds.
func (a Alarms) Limits(ctx context.Context) (list []KindLimits, err error) {
	set, err := a.AlarmLimits(ctx)
	if err != nil {
		return nil, err
	}
	t, err := a.limits(ctx)
	if err != nil {
		return nil, err
	}
	for _, kind := range alarm.Kinds() {
		k := KindLimits{Kind: kind, Limits: t.Of(kind), Respond: alarm.Of(kind).Respond, Latches: alarm.Of(kind).Latches}
		for _, l := range set {
			if name, of := strings.CutPrefix(l.Name, string(kind)+"."); of && !slices.Contains(k.Changed, name) {
				k.Changed = append(k.Changed, name)
			}
		}
		list = append(list, k)
	}
	return list, nil
}

// SetLimit changes a limit from now on: kind.limit, as silent.off_delay.
func (a Alarms) SetLimit(ctx context.Context, name, value, author string, now unit.Instant) error {
	if err := wrongLimit(alarm.Table{}.Set(name, value)); err != nil {
		return err
	}
	return a.ChangeAlarms(ctx, record.AlarmChange{
		Limits: []record.AlarmLimit{{Name: name, Value: value, Author: author, Recorded: now}},
		Deeds:  []record.Deed{{At: now, Author: author, Action: "set alarm limit", Object: name + " to " + value}},
	})
}

func wrongLimit(err error) error {
	var wrong alarm.Wrong
	if errors.As(err, &wrong) {
		return Error(wrong)
	}
	return err
}

// Quality says how good the alarms of [from, to) were.
func (a Alarms) Quality(ctx context.Context, from, to unit.Instant) (q alarm.Quality, err error) {
	if from >= to {
		return q, Error{"to", to.String(), "let it be after from"}
	}
	events, err := a.AlarmEvents(ctx, from, to)
	if err != nil {
		return q, err
	}
	open, err := a.OpenOccurrences(ctx)
	if err != nil {
		return q, err
	}
	messages, err := a.MessagesIn(ctx, from, to)
	if err != nil {
		return q, err
	}
	limits, err := a.limits(ctx)
	if err != nil {
		return q, err
	}
	return alarm.Measure(from, to, events, open, sentOf(messages), limits), nil
}

func sentOf(messages []record.Message) []alarm.Sent {
	sent := make([]alarm.Sent, 0, len(messages))
	for i := range messages {
		m := &messages[i]
		sent = append(sent, alarm.Sent{At: m.Created, ID: m.EventID, Priority: m.Priority, Class: m.Class})
	}
	return sent
}

// Month reads a month, as 2025-11, in UTC; "" is the one before now's.
func Month(text string, now unit.Instant) (from, to unit.Instant, err error) {
	t := now.Time().UTC()
	begin := time.Date(t.Year(), t.Month()-1, 1, 0, 0, 0, 0, time.UTC)
	if text != "" {
		if begin, err = time.Parse("2006-01", text); err != nil || begin.Year() < 2000 || begin.Year() > 2200 {
			return 0, 0, Error{"month", text, "write year and month, as 2025-11"}
		}
	}
	return unit.At(begin), unit.At(begin.AddDate(0, 1, 0)), nil
}

// Screen says in a person's words which of three states an alarm is in.
func (a *Alarm) Screen() string { return ScreenState(a.State) }

// ScreenState names a state as people see it: new, seen or put aside; "" for one
// that is over and was seen.
func ScreenState(s alarm.State) string {
	switch s {
	case alarm.Unacknowledged, alarm.Returned, alarm.Latched:
		return "new"
	case alarm.Acknowledged, alarm.LatchedSeen:
		return "seen"
	case alarm.Shelved, alarm.Suppressed, alarm.OutOfService:
		return "put aside"
	}
	return ""
}
