package record

import (
	"encoding/json"
	"time"

	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// Order is what a person told a station's agent to do.
type Order struct {
	ID      string
	Station string
	At      unit.Instant // when it was given
	Until   unit.Instant // whole seconds; from then on no agent carries it out
	Author  string
	Body    receipt.Body
}

// Details are the parts of a state that nothing depends on: people look at
// them. What an agent doesn't say is nil.
type Details struct {
	Interval *float64 // seconds between two readings; nil where none are sampled
	Clock    ClockDetails
	MaxDays  int // that a reading may stay in the spool; 0: any number
	Link     *Link
	Board    *Board
	Sensors  []AgentSensor
	Orders   OrderReport
	Unread   []string // names of the parts that can't be read
}

// ClockDetails are about the time since the agent began.
type ClockDetails struct {
	Synchronised *bool    `json:"synchronised"`
	Jumps        int64    `json:"jumps"`
	Drift        *float64 `json:"drift_ppm"` // of the wall clock against the bare oscillator
}

// Link is about the connection: its counts since the agent began, and the
// recoveries since its spool was made.
type Link struct {
	Connections int64    `json:"connections"`
	Deaf        int64    `json:"deaf"`          // of these, given up because no receipt came
	ReceiptAge  *float64 `json:"receipt_age_s"` // nil before the first
	Interface   int64    `json:"interface"`     // the network was brought up anew
	Reboots     int64    `json:"reboots"`
}

// Board is about the machine.
type Board struct {
	DiskBytes    int64    `json:"disk_bytes"` // 0 when not known
	DiskFree     int64    `json:"disk_free_bytes"`
	TempC        *float64 `json:"temp_c"` // of the processor
	Undervoltage *bool    `json:"undervoltage"`
}

// AgentSensor is one sensor of a station.
type AgentSensor struct {
	Driver     string        `json:"driver"`
	Channels   []string      `json:"channels"`
	Serial     string        `json:"serial"`
	Calibrated string        `json:"calibrated"`
	Health     *SensorHealth `json:"health"`
}

// SensorHealth counts since the agent began.
type SensorHealth struct {
	Samples   int64  `json:"samples"`
	Failed    int64  `json:"failed"`
	Retries   int64  `json:"retries"`
	LastError string `json:"last_error"`
}

// OrderReport is what became of the newest orders.
type OrderReport struct {
	Answers []OrderAnswer `json:"answers"`
	Refused int64         `json:"refused"` // forged, or no orders
}

// OrderAnswer is what became of one order.
type OrderAnswer struct {
	ID    string    `json:"id"`
	At    time.Time `json:"at"`
	Error string    `json:"error"` // why it was not carried out; "" when it was
}

// Details reads them. A part that can't be read is named and left out, and the
// others stay: a device of another make may mean something else by it.
func (s *State) Details() Details {
	var d Details
	var parts struct {
		Interval json.RawMessage `json:"interval_s"`
		Clock    json.RawMessage `json:"clock"`
		Spool    json.RawMessage `json:"spool"`
		Link     json.RawMessage `json:"link"`
		Board    json.RawMessage `json:"board"`
		Sensors  json.RawMessage `json:"sensors"`
		Orders   json.RawMessage `json:"orders"`
	}
	if err := json.Unmarshal(s.Body, &parts); err != nil {
		d.Unread = append(d.Unread, "state")
		return d
	}
	read := func(name string, text json.RawMessage, into any) bool {
		if text == nil {
			return false
		}
		err := json.Unmarshal(text, into)
		if err != nil {
			d.Unread = append(d.Unread, name)
		}
		return err == nil
	}
	var limit struct {
		MaxDays int `json:"max_days"`
	}
	if read("spool", parts.Spool, &limit) {
		d.MaxDays = limit.MaxDays
	}
	keep(&d.Interval, parts.Interval, "interval_s", read)
	keep(&d.Clock, parts.Clock, "clock", read)
	keep(&d.Link, parts.Link, "link", read)
	keep(&d.Board, parts.Board, "board", read)
	keep(&d.Sensors, parts.Sensors, "sensors", read)
	keep(&d.Orders, parts.Orders, "orders", read)
	return d
}

// keep reads a part as a whole or not at all.
func keep[T any](into *T, text json.RawMessage, name string, read func(string, json.RawMessage, any) bool) {
	var part T
	if read(name, text, &part) {
		*into = part
	}
}
