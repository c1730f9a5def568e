package record

import "dewpost/rules/unit"

// What is sent on.
const (
	FeedHours    = "hours"
	FeedReadings = "readings"
)

// Feed is how sending on goes.
type Feed struct {
	What    string
	Sent    int64 // lines that were taken
	Refused int64 // lines that were not, and never will be
	Last    FeedRefusal
	Failing unit.Instant // since when nothing is taken; 0: it is
	Failure string       // why
	Waiting int64        // stations with something to be sent
}

// FeedRefusal is a line that the receiver did not take.
type FeedRefusal struct {
	Station string
	Time    unit.Instant // of the line
	At      unit.Instant // when it was refused
	Why     string
}

// FeedMark says that a stretch of a station's record, From to To inclusive,
// changed since it was sent.
type FeedMark struct {
	What, Station string
	Slot          int
	From, To      unit.Instant
	Version       int64
}

// FeedStep says how far the stretch of a mark was sent.
type FeedStep struct {
	Mark FeedMark
	Upto unit.Instant // what lies before it is sent
	Done bool         // all of it
}
