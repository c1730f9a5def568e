package record

import (
	"time"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Report is what a station's agent says of itself (contract v1). What it does
// not say is the zero value, or nil where zero would be an answer.
type Report struct {
	Run      string  `json:"run"`
	Conn     int64   `json:"conn"`
	Gone     bool    `json:"gone"` // its connection ended: nothing else is said
	Version  string  `json:"version"`
	Uptime   float64 `json:"uptime_s"`
	Clock    Clock   `json:"clock"`
	Readings *Tally  `json:"readings"`
	Spool    Spool   `json:"spool"`
}

// Clock is what an agent says of its clock.
type Clock struct {
	Now *time.Time `json:"now"`
	Set bool       `json:"set"`
}

// Tally says what became of the readings that an agent took, each counted on
// its own: sampled = receipted + queued + waiting + all of discarded.
type Tally struct {
	Sampled   int64            `json:"sampled"`
	Receipted int64            `json:"receipted"`
	Queued    int64            `json:"queued"`
	Waiting   int64            `json:"waiting"` // for a time
	Discarded map[string]int64 `json:"discarded"`
}

// GivenUp is all of Discarded.
func (t *Tally) GivenUp() (n int64) {
	for _, k := range t.Discarded {
		n += k
	}
	return n
}

// Missing is how many of the sampled readings are in none of the other counts;
// negative when some are in two.
func (t *Tally) Missing() int64 {
	return t.Sampled - t.Receipted - t.Queued - t.Waiting - t.GivenUp()
}

// Spool is what an agent says of its spool. Its bytes are in Upto < seq <= Last.
type Spool struct {
	Bytes    int64      `json:"bytes"`
	MaxBytes int64      `json:"max_bytes"`
	Last     int64      `json:"last"`
	Upto     int64      `json:"upto"`
	OldestAt *time.Time `json:"oldest_at"`
}

// State is a Report as it is kept: the newest of a station.
type State struct {
	Station  string
	Report   Report
	Body     []byte        // JSON, as sent
	At       unit.Instant  // arrival
	Retained bool          // the broker had kept it; At says nothing of when it was sent
	Gone     unit.Instant  // since when it has left; 0 while it is there
	Offset   time.Duration // At less the station's clock
	Timed    bool          // Offset can be told
}

// Custody is what became of a station's readings at the collector. At any
// commit Received + Released = Stored + Repeated + Refused.
type Custody struct {
	Station            string // "" for those who are not in service
	Received, Released int64
	Stored, Repeated   int64
	Refused            int64
	Discarded          int64 // given up by the agent, and not arrived after all
	Held               []Held
	State              *State // nil when none was heard
	Seen               int64  // seqs up to Spool.Upto of the state's run that are stored or refused
	Upto               int64  // how far that run is settled
}

// Missing is how many of the readings that came in are in no other count.
func (c *Custody) Missing() int64 {
	return c.Received + c.Released - c.Stored - c.Repeated - c.Refused
}

// Lost is how many readings an agent was told to be safe and the collector has
// not: none, unless an older state of the store was put back.
func (c *Custody) Lost() int64 {
	if c.State == nil || c.State.Report.Readings == nil {
		return 0
	}
	return max(0, c.State.Report.Readings.Receipted-c.Seen)
}

// Held is what is in quarantine for one reason.
type Held struct {
	Reason reading.Reason
	Kept   int64 // readings that can be looked at
	Unkept int64 // readings beyond the daily bound: counted, their bytes not kept
}

// QuarantineQuery says what to list: the newest first. The zero value of a
// field asks for all.
type QuarantineQuery struct {
	Station string
	Reason  reading.Reason
	Before  int64 // ids below this one
	Limit   int   // at most so many; must be given
}
