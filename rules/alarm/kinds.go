package alarm

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewpost/rules/finding"
)

// Priority says how much an alarm matters, from its consequence and the time
// there is to respond.
type Priority string

// The priorities. Two days or less make an alarm urgent; what leaves two weeks
// waits for the morning letter. Judgement values.
const (
	Urgent Priority = "urgent" // may wake somebody
	Soon   Priority = "soon"   // is told at once, by day
	Calm   Priority = "calm"   // waits for the morning letter
)

// Priorities are all priorities, the highest first.
var Priorities = []Priority{Urgent, Soon, Calm}

// Class says how a message goes to people.
type Class string

// The classes.
const (
	AtOnce Class = "at_once"
	Letter Class = "letter" // in the morning letter only
)

// MostAside is how long an alarm can be put aside at most. Common practice, no
// source.
const MostAside = 30 * day

const day = 24 * time.Hour

// Limits are the attributes of one kind of alarm that a workshop may change.
// Delays count on reading time; those of silence on the collector's clock, the
// on-delay from the last reading.
type Limits struct {
	Priority   Priority
	OnDelay    time.Duration // the condition must hold so much longer before the alarm begins
	OffDelay   time.Duration // it must be over for so long before the alarm is; what comes back earlier is the same
	Deadband   float64       // share of its limit that a value must be beyond, to begin again within DeadbandFor
	Confidence float64       // of the finding, at least
	Wait       time.Duration // after it began, for others of the same cause, before people are told
	Repeat     time.Duration // after people were told of the kind at a station, what begins anew waits for the morning letter
}

// RepeatMost is the longest Repeat, by which people can tell how far back to look.
const RepeatMost = 60 * day

// DeadbandFor is how long after an end a kind's deadband counts.
const DeadbandFor = 30 * day

// Spec is what must be said of every kind; its words stand in collector/words.
type Spec struct {
	Limits
	Respond  time.Duration // from the reading that concluded it, until somebody should have acted
	Latches  bool          // it stays until a person resets it, also when its condition is over
	Clock    bool          // it is judged by the collector's clock, not by a station's readings
	Advice   bool          // it stands in the letters only, from a probability of Confidence on: no alarm is made of it
	ByPower  bool          // it is suppressed while the site's or line's power is known to be off
	Measured [2]string     // names of the evidence that is compared: value, limit; empty where there is none
}

// specs has one entry for every kind of finding; a test compares, also the time
// for a cover with life.CoverLead. Priorities,
// delays and times to respond are judgement values: a board that stays wet loses
// weeks of life in days, a damp week days in weeks. Off-delays follow the step at
// which a rule looks: quiet hours come once a night, means of weeks move in days.
var specs = map[finding.Kind]Spec{
	finding.BoardWet:         {Limits: Limits{Priority: Soon, Wait: time.Hour, Repeat: 7 * day}, Respond: 3 * day},
	finding.DampWeek:         {Limits: Limits{Priority: Calm, OffDelay: 2 * day}, Respond: 14 * day, Measured: [2]string{"at_risk_7_days", "limit_7_days"}},
	finding.Silent:           {Limits: Limits{Priority: Soon, OffDelay: time.Hour, Repeat: day}, Respond: 2 * day, Clock: true, ByPower: true},
	finding.CoverDue:         {Limits: Limits{Priority: Calm}, Respond: 182 * day, Clock: true},
	finding.BudgetLow:        {Limits: Limits{Priority: Calm}, Respond: 60 * day},
	finding.LeakageRising:    {Limits: Limits{Priority: Calm, OffDelay: 7 * day}, Respond: 14 * day},
	finding.CurrentStepUp:    {Limits: Limits{Priority: Soon, OffDelay: 2 * day}, Respond: 3 * day, Measured: [2]string{"step", "step_limit"}},
	finding.CurrentStepDown:  {Limits: Limits{Priority: Soon, OffDelay: 2 * day}, Respond: 7 * day, ByPower: true},
	finding.NoCurrent:        {Limits: Limits{Priority: Urgent, OffDelay: time.Hour}, Respond: 2 * day, ByPower: true},
	finding.LineVoltageLow:   {Limits: Limits{Priority: Soon, OffDelay: 12 * time.Hour}, Respond: 7 * day, ByPower: true},
	finding.SealOpened:       {Limits: Limits{Priority: Calm, OffDelay: 7 * day}, Respond: 14 * day},
	finding.WaterInside:      {Limits: Limits{Priority: Urgent, OffDelay: 2 * day}, Respond: 2 * day, Latches: true},
	finding.MoistAirFromWall: {Limits: Limits{Priority: Calm, OffDelay: 7 * day}, Respond: 30 * day},
	finding.SensorSuspect:    {Limits: Limits{Priority: Soon, OffDelay: day, Repeat: 7 * day}, Respond: 7 * day},
	finding.DewTonight:       {Limits: Limits{Priority: Calm, Confidence: 0.5}, Respond: day, Advice: true},
}

// Of returns what is said of a kind. A kind that is newer than the table is told
// soon and leaves a week.
func Of(kind finding.Kind) Spec {
	if s, ok := specs[kind]; ok {
		return s
	}
	return Spec{Limits: Limits{Priority: Soon}, Respond: 7 * day}
}

// Kinds are all kinds of alarm, sorted.
func Kinds() []finding.Kind { return slices.Sorted(maps.Keys(specs)) }

// respondSeen is for a cover that is due because somebody saw that it is
// cracked, crazed or gone: rain comes in by then.
const respondSeen = 14 * day

// respondRain is for a box that has opened and lets rain in already.
const respondRain = 7 * day

// afterRain tells whether the vapour in a box that has opened jumped after rain.
func afterRain(f *finding.Finding) bool {
	jumps, known := evidence(f, "vapour_jumps_after_rain")
	return f.Kind == finding.SealOpened && known && jumps > 0
}

// Priority returns how much a finding matters: that of its kind, and more where a
// box that has opened lets rain in.
func (t Table) Priority(f *finding.Finding) Priority {
	p := t.Of(f.Kind).Priority
	if p == Calm && afterRain(f) {
		return Soon
	}
	return p
}

// Respond returns how long people have to respond to a finding.
func Respond(f *finding.Finding) time.Duration {
	if afterRain(f) {
		return respondRain
	}
	if f.Kind == finding.CoverDue && !slices.ContainsFunc(f.Evidence, func(e finding.Evidence) bool { return e.Name == "crack_chance" }) {
		return respondSeen
	}
	return Of(f.Kind).Respond
}

// Table holds limits that differ from those in the specs, by kind. nil: none.
type Table map[finding.Kind]Limits

// Of returns a kind's limits.
func (t Table) Of(kind finding.Kind) Limits {
	if l, ok := t[kind]; ok {
		return l
	}
	return Of(kind).Limits
}

// Wrong says what is wrong with a limit.
type Wrong struct{ Field, Value, Fix string }

func (w Wrong) Error() string { return fmt.Sprintf("%s %q: %s", w.Field, w.Value, w.Fix) }

// limitNames are the limits that Set knows, each with what it takes.
var limitNames = map[string]func(l *Limits, value string) string{
	"priority":   setPriority,
	"on_delay":   func(l *Limits, value string) string { return setDelay(&l.OnDelay, value) },
	"off_delay":  func(l *Limits, value string) string { return setDelay(&l.OffDelay, value) },
	"wait":       func(l *Limits, value string) string { return setDelay(&l.Wait, value) },
	"repeat":     func(l *Limits, value string) string { return setDelay(&l.Repeat, value) },
	"deadband":   func(l *Limits, value string) string { return setShare(&l.Deadband, value) },
	"confidence": func(l *Limits, value string) string { return setShare(&l.Confidence, value) },
}

// LimitNames are the limits that every kind has.
func LimitNames() []string { return slices.Sorted(maps.Keys(limitNames)) }

func setPriority(l *Limits, value string) string {
	if !slices.Contains(Priorities, Priority(value)) {
		return "use urgent, soon or calm"
	}
	l.Priority = Priority(value)
	return ""
}

func setDelay(d *time.Duration, value string) string {
	v, err := time.ParseDuration(value)
	if err != nil || v < 0 || v > RepeatMost {
		return "write a duration from 0s to 1440h, such as 90m or 48h"
	}
	*d = v
	return ""
}

func setShare(x *float64, value string) string {
	v, err := strconv.ParseFloat(value, 64)
	if err != nil || !(v >= 0 && v <= 1) {
		return "write a share from 0 to 1, such as 0.2"
	}
	*x = v
	return ""
}

// Set changes one limit of one kind: kind.limit, as in silent.off_delay.
func (t Table) Set(name, value string) error {
	kind, limit, _ := strings.Cut(name, ".")
	if _, ok := specs[finding.Kind(kind)]; !ok {
		return Wrong{"limit", name, "write kind.limit, as silent.off_delay; kinds are " + joined(Kinds())}
	}
	set, ok := limitNames[limit]
	if ok && Of(finding.Kind(kind)).Advice && limit != "confidence" {
		return Wrong{"limit", name, "it is advice in the letters, not an alarm: only its confidence can be set, the probability from which on they speak of it"}
	}
	if !ok {
		return Wrong{"limit", name, "of a kind use one of " + strings.Join(LimitNames(), ", ")}
	}
	l := t.Of(finding.Kind(kind))
	if fix := set(&l, value); fix != "" {
		return Wrong{name, value, fix}
	}
	t[finding.Kind(kind)] = l
	return nil
}

func joined(kinds []finding.Kind) string {
	list := make([]string, len(kinds))
	for i, k := range kinds {
		list[i] = string(k)
	}
	return strings.Join(list, ", ")
}
