package record

import (
	"dewpost/rules/alarm"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// AlarmChange is all that is decided about alarms at once; it is kept whole, or
// not at all. Events carry the step that they are: an occurrence that has made
// other steps since it was read is ErrChanged.
type AlarmChange struct {
	Occurrences []alarm.Occurrence // of any stations
	Events      []alarm.Event
	Holds       []alarm.Hold // Number 0: new; else it is ended
	Causes      []alarm.Cause
	Outbox      []Message
	Limits      []AlarmLimit
	Deeds       []Deed // what people did
}

// Add adds what changes of occurrences.
func (c *AlarmChange) Add(o alarm.Changes) {
	c.Occurrences = append(c.Occurrences, o.Occurrences...)
	c.Events = append(c.Events, o.Events...)
}

// Empty tells whether there is nothing to keep.
func (c *AlarmChange) Empty() bool {
	return len(c.Occurrences)+len(c.Events)+len(c.Holds)+len(c.Causes)+len(c.Outbox)+len(c.Limits)+len(c.Deeds) == 0
}

// AlarmLimit is a limit that the workshop set.
type AlarmLimit struct {
	Number   int64
	Name     string // kind.limit
	Value    string
	Author   string
	Recorded unit.Instant
}

// MessageBody is what a message says in JSON. What it is about by itself, or the
// first of what has a cause in common, stands first.
type MessageBody struct {
	Station   string             `json:"station"`
	Kind      finding.Kind       `json:"kind"`
	Number    int64              `json:"number"`
	From      unit.Instant       `json:"from"`
	Concluded unit.Instant       `json:"concluded"`
	Evidence  []finding.Evidence `json:"evidence"`
	Priority  alarm.Priority     `json:"priority"`
	Class     alarm.Class        `json:"class"`
	By        unit.Instant       `json:"by"`
	Times     int64              `json:"times"` // how often people are told of it by now
	Cause     *MessageCause      `json:"cause,omitempty"`
}

// MessageCause is a common cause in a message.
type MessageCause struct {
	Scope    alarm.Scope  `json:"scope"`
	Subject  string       `json:"subject,omitempty"` // id of the site or line
	From     unit.Instant `json:"from"`
	Stations []string     `json:"stations"`
	Alarms   []string     `json:"alarms"` // ids
}
