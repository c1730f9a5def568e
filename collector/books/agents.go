package books

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/unit"
)

// AgentStore is what is asked about agents.
type AgentStore interface {
	Station(ctx context.Context, id string) (record.Station, error)
	State(ctx context.Context, station string) (*record.State, error)
}

// Agent is what a station's agent last said of itself. What it doesn't say is
// nil.
type Agent struct {
	Heard    *unit.Instant        `json:"heard"` // when the report came; nil: none has
	Gone     *unit.Instant        `json:"gone"`  // since when its connection has ended; nil while it is there
	Version  *string              `json:"version"`
	Uptime   *float64             `json:"uptime_s"` // of the program
	Clock    AgentClock           `json:"clock"`
	Readings *record.Tally        `json:"readings"`
	Spool    AgentSpool           `json:"spool"`
	Interval *float64             `json:"interval_s"`
	Link     *record.Link         `json:"link"`
	Board    *record.Board        `json:"board"`
	Sensors  []record.AgentSensor `json:"sensors"`
	Refused  int64                `json:"orders_refused"` // that were forged, or no orders
	Unread   []string             `json:"unread"`         // parts of its report that can't be read
	Mind     []string             `json:"mind"`           // what a person should look at, in sentences
}

// AgentClock is an agent's clock.
type AgentClock struct {
	Set          *bool    `json:"set"` // readings get their times from it
	Synchronised *bool    `json:"synchronised"`
	Offset       *float64 `json:"offset_s"` // the collector's less the agent's, when the report came
	Jumps        int64    `json:"jumps"`
	Drift        *float64 `json:"drift_ppm"`
}

// AgentSpool is where its readings wait.
type AgentSpool struct {
	Bytes    *int64        `json:"bytes"`
	MaxBytes *int64        `json:"max_bytes"`
	MaxDays  *int          `json:"max_days"` // 0: any age
	Oldest   *unit.Instant `json:"oldest"`   // when the oldest that waits was spooled
}

// From these on a person should look: judgement values. Many boards slow down
// at 80 °C (common practice, no source; the maker's sheet says where).
const (
	leastDiskShare = 0.05
	leastDiskBytes = 50e6
	hottestBoard   = 80.0
	oftenFailed    = 0.1 // share of a sensor's samples
	clockOff       = 5.0 // s
	spoolNearFull  = 0.8
)

// AgentOf tells what a station's agent last said of itself.
func AgentOf(ctx context.Context, s AgentStore, station string) (Agent, error) {
	if _, err := s.Station(ctx, station); err != nil {
		return Agent{}, err
	}
	st, err := s.State(ctx, station)
	if err != nil {
		return Agent{}, err
	}
	a := Agent{Sensors: []record.AgentSensor{}, Unread: []string{}, Mind: []string{}}
	if st == nil {
		return a, nil
	}
	r, d := &st.Report, st.Details()
	a.Heard, a.Uptime, a.Readings = &st.At, &r.Uptime, r.Readings
	if st.Gone != 0 {
		a.Gone = &st.Gone
	}
	if r.Version != "" {
		a.Version = &r.Version
	}
	a.Clock = AgentClock{Synchronised: d.Clock.Synchronised, Jumps: d.Clock.Jumps, Drift: d.Clock.Drift}
	if r.Clock.Set || r.Clock.Now != nil {
		a.Clock.Set = &r.Clock.Set
	}
	if st.Timed {
		offset := st.Offset.Seconds()
		a.Clock.Offset = &offset
	}
	if r.Spool.MaxBytes > 0 {
		a.Spool = AgentSpool{Bytes: &r.Spool.Bytes, MaxBytes: &r.Spool.MaxBytes, MaxDays: &d.MaxDays}
	}
	if r.Spool.OldestAt != nil {
		oldest := unit.At(*r.Spool.OldestAt)
		a.Spool.Oldest = &oldest
	}
	a.Interval, a.Link, a.Board, a.Refused = d.Interval, d.Link, d.Board, d.Orders.Refused
	a.Sensors = append(a.Sensors, d.Sensors...)
	a.Unread = append(a.Unread, d.Unread...)
	a.Mind = append(a.Mind, a.minds()...)
	return a, nil
}

func (a *Agent) minds() (list []string) {
	say := func(format string, args ...any) { list = append(list, fmt.Sprintf(format, args...)) }
	if b := a.Board; b != nil {
		if b.Undervoltage != nil && *b.Undervoltage {
			say("The supply of its board is too low: look at the power supply and its cable.")
		}
		if free := float64(b.DiskFree); b.DiskBytes > 0 && (free < leastDiskShare*float64(b.DiskBytes) || free < leastDiskBytes) {
			say("Its disk is nearly full: %s of %s are left.", Bytes(b.DiskFree), Bytes(b.DiskBytes))
		}
		if b.TempC != nil && *b.TempC >= hottestBoard {
			say("Its processor is at %.0f °C: give the board air.", *b.TempC)
		}
	}
	switch c := &a.Clock; {
	case c.Set != nil && !*c.Set:
		say("It does not know the time: its readings wait until it does.")
	case c.Offset != nil && math.Abs(*c.Offset) >= clockOff:
		say("Its clock is off by %s.", roughly(time.Duration(math.Abs(*c.Offset)*float64(time.Second))))
	case c.Synchronised != nil && !*c.Synchronised:
		say("Its clock is not synchronised: look at its time server.")
	}
	if p := &a.Spool; p.MaxBytes != nil && float64(*p.Bytes) >= spoolNearFull*float64(*p.MaxBytes) {
		say("Its spool is nearly full: when it is, the oldest readings go.")
	}
	if l := a.Link; l != nil && l.Interface+l.Reboots > 0 {
		say("To get its link back it brought its network up anew %s and restarted %s: look at its Wi-Fi.", times(l.Interface), times(l.Reboots))
	}
	for i := range a.Sensors {
		s := &a.Sensors[i]
		if s.Driver == "sim" {
			say("Its sensor sim invents readings: take it out of the agent's settings, unless this is a trial.")
		}
		if h := s.Health; h != nil && h.Samples > 0 && float64(h.Failed) >= oftenFailed*float64(h.Samples) {
			say("Of its sensor %s %d of %d samples failed; the last: %s.", s.Driver, h.Failed, h.Samples, strings.TrimSuffix(h.LastError, "."))
		}
	}
	if a.Refused > 0 {
		say("It refused %s that nobody here signed, or that was no order.", counted(a.Refused, "order"))
	}
	return list
}

func times(n int64) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

func counted(n int64, what string) string {
	if n == 1 {
		return "one " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// roughly writes a span with one unit.
func roughly(d time.Duration) string {
	switch {
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min", d.Minutes())
	case d < 48*time.Hour:
		return fmt.Sprintf("%.0f h", d.Hours())
	}
	return fmt.Sprintf("%.0f days", d.Hours()/24)
}

// Bytes writes a size in powers of ten.
func Bytes(n int64) string {
	for _, u := range []struct {
		size float64
		name string
	}{{1e9, "GB"}, {1e6, "MB"}, {1e3, "kB"}} {
		if float64(n) >= u.size {
			return fmt.Sprintf("%.1f %s", float64(n)/u.size, u.name)
		}
	}
	return fmt.Sprintf("%d B", n)
}
