package agent

import (
	"encoding/json"
	"math"
	"strings"
	"time"

	"dewpost/agent/board"
	"dewpost/agent/sample"
	"dewpost/agent/spool"
)

// report is what a station's agent says of itself on its topic state (contract
// v1). A pointer is null where there is nothing to say.
type report struct {
	Run      string        `json:"run"`
	Conn     int64         `json:"conn"`
	Version  string        `json:"version"`
	Uptime   int64         `json:"uptime_s"` // of this process
	Clock    clockState    `json:"clock"`
	Readings readingState  `json:"readings"`
	Spool    spoolState    `json:"spool"`
	Sensors  []sensorState `json:"sensors"`
	Interval *float64      `json:"interval_s"` // between two readings; null where none are sampled
	Link     linkState     `json:"link"`
	Board    board.Facts   `json:"board"`
	Orders   orderState    `json:"orders"`
}

// linkState is about the connection since the process began, and the ladder of
// its recovery since the spool's folder was made.
type linkState struct {
	Connections int64    `json:"connections"`
	Deaf        int64    `json:"deaf"`          // of these, given up because no receipt came
	ReceiptAge  *float64 `json:"receipt_age_s"` // null before the first
	ladderCounts
}

// orderState says what became of the newest orders.
type orderState struct {
	Answers []orderAnswer `json:"answers"`
	Refused int64         `json:"refused"` // forged, or no orders
}

// clockState is about the time since the process began.
type clockState struct {
	Now          time.Time  `json:"now"`
	Set          bool       `json:"set"` // readings get their times from it
	Synchronised *bool      `json:"synchronised"`
	Jumps        int        `json:"jumps"`
	LastJump     *jumpState `json:"last_jump"`
	Drift        *float64   `json:"drift_ppm"` // of the wall clock against the bare oscillator
}

type jumpState struct {
	At      time.Time `json:"at"`
	Seconds float64   `json:"seconds"`
}

// readingState is the balance of the run. Sampled is the sum of all others,
// each counted on its own.
type readingState struct {
	Sampled   int64            `json:"sampled"`
	Receipted int64            `json:"receipted"`
	Queued    int64            `json:"queued"`
	Waiting   int64            `json:"waiting"`
	Discarded map[string]int64 `json:"discarded"`
}

type spoolState struct {
	Bytes    int64      `json:"bytes"`
	MaxBytes int64      `json:"max_bytes"`
	MaxDays  int        `json:"max_days"`
	Last     int64      `json:"last"`
	Upto     int64      `json:"upto"`
	OldestAt *time.Time `json:"oldest_at"` // when the oldest queued reading was spooled
}

// sensorState describes a sensor.
type sensorState struct {
	Driver     string   `json:"driver"`
	Channels   []string `json:"channels"`
	Serial     string   `json:"serial,omitempty"`
	Calibrated string   `json:"calibrated,omitempty"`
	Health     *health  `json:"health,omitempty"` // since the process began
}

type health struct {
	Samples int64  `json:"samples"`
	Failed  int64  `json:"failed"`
	Retries int64  `json:"retries"`
	Last    string `json:"last_error,omitempty"`
}

// mostError bounds an error's text in the state.
const mostError = 200

func clip(text string) string { return strings.ToValidUTF8(text[:min(len(text), mostError)], "") }

// described are the sensors with how they do.
func (src *source) described() []sensorState {
	list := append([]sensorState{}, src.sensors...)
	for i, s := range src.health {
		if s == nil {
			continue
		}
		h := s.Health()
		list[i].Health = &health{Samples: h.Samples, Failed: h.Failed, Retries: h.Retries, Last: clip(h.Last)}
	}
	return list
}

// state describes a station's agent.
func (a *Agent) state(conn int64, now *running) ([]byte, error) {
	now.orders.again()
	s, c := now.spool.Status(), now.keeper.Status()
	r := a.report(conn, now.src, s, c)
	link := now.publisher.Link()
	r.Link.Connections, r.Link.Deaf, r.Link.ladderCounts = link.Connections, link.Deaf, a.ladder.state()
	if !link.Receipt.IsZero() {
		age := math.Round(time.Since(link.Receipt).Seconds())
		r.Link.ReceiptAge = &age
	}
	if now.src.sampler != nil {
		every := now.src.sampler.Plan().Interval.Seconds()
		r.Interval = &every
	}
	r.Board = board.Look(a.sysfs, a.plan.SpoolDir)
	r.Orders.Answers, r.Orders.Refused = now.orders.state()
	return json.Marshal(r)
}

// report is what spool and clock say.
func (a *Agent) report(conn int64, src *source, s spool.Status, c sample.ClockStatus) report {
	r := report{
		Run: s.Run, Conn: conn, Version: a.version, Uptime: int64(time.Since(a.began).Seconds()),
		Clock: clockState{Now: c.Now, Set: c.Set, Synchronised: c.Synchronised, Jumps: c.Jumps, Drift: c.Drift},
		Readings: readingState{
			Sampled: s.Sampled, Receipted: s.Receipted, Queued: s.Queued, Waiting: s.Waiting, Discarded: s.Discarded,
		},
		Spool: spoolState{
			Bytes: s.Bytes, MaxBytes: int64(a.plan.SpoolMaxMB) << 20, MaxDays: a.plan.SpoolMaxDays, Last: s.Last, Upto: s.Upto,
		},
		Sensors: src.described(),
		Orders:  orderState{Answers: []orderAnswer{}},
	}
	if c.LastJump != nil {
		r.Clock.LastJump = &jumpState{At: c.LastJump.At.UTC(), Seconds: c.LastJump.By.Seconds()}
	}
	if r.Readings.Discarded == nil {
		r.Readings.Discarded = map[string]int64{}
	}
	if !s.OldestAt.IsZero() {
		at := s.OldestAt.UTC()
		r.Spool.OldestAt = &at
	}
	return r
}
