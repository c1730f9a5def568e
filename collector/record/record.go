// Package record holds the nouns that the collector's parts hand to each
// other: what arrives, what is stored, what the fold decides. It has no
// behaviour beyond trivial accessors, so that a store, an intake or a page can
// be replaced without the others knowing.
package record

import (
	"errors"

	"dewpost/rules/alarm"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// ErrNotFound is returned when the thing that was asked for is not recorded.
var ErrNotFound = errors.New("not found")

// ErrRetired is returned for a station that was taken out of service.
var ErrRetired = errors.New("it is retired")

// ErrForecastThere is returned for a forecast that is recorded otherwise.
var ErrForecastThere = errors.New("another forecast of that issue is recorded, and stays: outlooks rest on it")

// ErrStays is returned for a reading that can't be let out of quarantine.
var ErrStays = errors.New("it stays in quarantine")

// Station is an enrolled station. What hangs where since when is in facts.
type Station struct {
	ID       string
	Secret   receipt.Secret
	Next     receipt.Secret // that replaces Secret when the change is finished; zero: none
	Enrolled unit.Instant
	Retired  unit.Instant // 0 while in service
}

// Arrival is one message of one station, decoded.
type Arrival struct {
	Station string
	At      unit.Instant // collector's clock
	Batch   reading.Batch
}

// Outcome says what became of an arrival once it is on disk.
type Outcome struct {
	Station                     string
	Runs                        []RunState // every run named in the arrival
	Stored, Repeated, Conflicts int
	Refused                     int // conflicts, and those too late, included
	TooLate                     int // of hours that are frozen
}

// RunState is how far a run is settled: every seq <= Upto is stored, refused
// into quarantine, or discarded by the agent.
type RunState struct {
	Run  string
	Upto int64
}

// Mark says that a station's readings in [From, To] changed since the last
// fold. To is the newest changed instant, inclusive.
type Mark struct {
	Station  string
	From, To unit.Instant
	Version  int64
	Frozen   unit.Instant // hours of the station that begin before this stay as they are; 0: none
}

// Recent is what a fold of a station begins with.
type Recent struct {
	Heard       bool         // there are readings:
	First, Last unit.Instant // the times of the first and the newest
	Facts       []fact.Fact  // about it, in the order in which they were recorded
	Occurrences []alarm.Occurrence
	Box         BoxRun         // without a state
	Nights      []OutlookState // without bodies, ascending
	Retired     unit.Instant   // 0 while in service
}

// Folded is all that one fold of one station decided; it is committed whole.
type Folded struct {
	Mark                   Mark
	ReplaceFrom, ReplaceTo unit.Instant // hours with Start in [from, to) are replaced
	Hours                  []exposure.Hour
	Box                    *Box               // nil: nothing new is known of it
	Nights                 *Foretold          // nil: nothing new is known of them
	Occurrences            []alarm.Occurrence // inserted or updated by station, kind, number
	Events                 []alarm.Event
	Outbox                 []Message
	Again                  []Again // stations whose findings rest on what this one's say
}

// Again asks that a station be judged again, from an instant on.
type Again struct {
	Station string
	From    unit.Instant
}

// Message is one thing to tell people, kept until it is sent. One of a common
// cause names the first occurrence of those that it is about; its body has all.
type Message struct {
	EventID  string
	Station  string
	Kind     finding.Kind
	Number   int64
	Created  unit.Instant
	Priority alarm.Priority
	Class    alarm.Class
	Cause    int64        // number of the common cause; 0: about one occurrence
	By       unit.Instant // when somebody should have acted
	Body     string       // JSON of MessageBody
}

// Quarantined is a reading that was refused, kept with the reason.
type Quarantined struct {
	ID      int64
	Station string
	At      unit.Instant // arrival
	Reason  reading.Reason
	Detail  string
	Raw     []byte
	Run     string           // "" when it can't be told
	Seq     int64            // 0 when it can't be told
	Reading *reading.Reading // that can be stored after all; nil: none
	Due     unit.Instant     // when it is stored by itself; 0: not by itself
	Waits   bool             // it may be released on a person's word
}

// Counts are running totals since the installation began. At any commit
// Received + Released = Stored + Repeated + all of Refused.
type Counts struct {
	Received      int64 // readings that arrived, in any condition
	Released      int64 // readings that came in from quarantine
	Stored        int64
	Repeated      int64
	Refused       map[reading.Reason]int64
	Discarded     int64            // given up by agents before they were delivered
	RefusedValues map[string]int64 // single values out of range, by channel name
	UnknownFields int64
}
