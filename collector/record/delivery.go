package record

import (
	"time"

	"dewpost/rules/alarm"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// ChannelKind is a way by which messages go to a person.
type ChannelKind string

// The ways.
const (
	Mail    ChannelKind = "mail"    // to an address
	Webhook ChannelKind = "webhook" // HTTP POST to a URL
	MQTT    ChannelKind = "mqtt"    // to a topic of the external broker
)

// Channel is one way to a person.
type Channel struct {
	Kind    ChannelKind
	Address string
	Secret  string // key of a webhook's signatures, whsec_…; "" for the others
}

// Least says which messages go to a person at once; the morning letter has all.
type Least string

// From many to few.
const (
	LeastAll    Least = "all"
	LeastUrgent Least = "urgent"
	LeastLetter Least = "letter" // none, only the letter
)

// Person is somebody who is told.
type Person struct {
	ID       int64
	Name     string
	Place    int64  // in the order in which messages are passed on, from 1
	Zone     string // IANA time zone of the times below
	RestFrom string // night rest, as 22:00; "" for none
	RestTo   string
	Letter   string        // when the morning letter goes out, as 07:00; "" for none
	Least    Least         // what goes to them at once
	PassOn   time.Duration // an urgent message that nobody saw for so long goes to the next person; 0: never
	Sites    []string      // only of these; empty: of all
	Kinds    []finding.Kind
	Channels []Channel // in the order in which they are tried
	Made     unit.Instant
}

// Why says why something is to be delivered.
type Why string

// Reasons.
const (
	WhyFirst   Why = "first"
	WhyChannel Why = "channel" // the channel before didn't take it in time
	WhyPassed  Why = "passed"  // the person before hasn't seen it in time
)

// Delivery is one message to one person by one of their channels.
type Delivery struct {
	Event    string
	Person   int64
	Channel  int64 // place among the person's, from 0
	Why      Why
	Detail   string // what of the person or channel before; "" for WhyFirst
	Urgent   bool
	Created  unit.Instant
	Due      unit.Instant // next attempt
	First    unit.Instant // first attempt; 0: none
	Tries    int64
	Taken    unit.Instant // by the channel; 0: not yet
	Ended    unit.Instant // given up, or no longer needed; 0: not
	EndedWhy string
	Error    string // of the newest attempt
}

// NoticeKind is what a Notice is.
type NoticeKind string

// Kinds of notices.
const (
	Letter  NoticeKind = "letter"
	Trial   NoticeKind = "trial" // somebody wants to see whether messages arrive
	Watched NoticeKind = "watch" // a watched installation is silent, or heard again
)

// Notice is something to tell that is about no station.
type Notice struct {
	Event   string
	Kind    NoticeKind
	Created unit.Instant
	Subject string
	Body    string // JSON: the text, and NoticeBody
}

// NoticeBody is what a notice says beside its text.
type NoticeBody struct {
	Alarms []string `json:"alarms,omitempty"` // ids of what it asks somebody to see
}

// Due is a delivery to be tried, and what it delivers: of Message and Notice
// one has an id.
type Due struct {
	Delivery
	Message Message
	Notice  Notice
}

// Unseen is an urgent message that a channel took, of an occurrence that lasts
// and nobody has seen.
type Unseen struct {
	Message
	Person int64
	Why    Why
	Taken  unit.Instant
}

// Told is a message with what became of it, for lists.
type Told struct {
	Delivery
	Name    string      // of the person
	Way     string      // kind of the channel, "" when it is there no more
	Station string      // "" when it is about none
	Kind    string      // of finding or notice
	Scope   alarm.Scope // of the common cause that it is about; "": none
}

// NoticeCounts say how deliveries stand.
type NoticeCounts struct {
	Waiting int64        // not taken, and tried again
	Stuck   int64        // urgent ones tried by every channel for some minutes, and taken by none
	GivenUp int64        // ever
	Oldest  unit.Instant // creation of the oldest that waits; 0: none does
}

// Round is one reading of the artificial station, by which the watch sees that
// the way from a broker to the outbox is open. 0 where it did not come.
type Round struct {
	Run    string // of the collector that sent it
	Seq    int64
	Sent   unit.Instant
	Stored unit.Instant
	TempC  float64 // of the reading
	RHPct  float64
	Judged unit.Instant
	Told   unit.Instant
}

// WatchStation is the id of the artificial station. No other can have it, for
// it is also the collector's own name at a broker.
const WatchStation = "collector"

// WatchedPeer is another installation that calls here while it is sound.
type WatchedPeer struct {
	Name   string
	Every  time.Duration // at which it calls
	Made   unit.Instant
	Heard  unit.Instant // 0: never
	Silent unit.Instant // since when people know that it is silent; 0: it isn't
	Times  int64        // how often it was silent
}
