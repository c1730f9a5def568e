package store

import (
	"fmt"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// limits bound what one station can make the store grow by, other than by
// readings. No honest station comes near them; what lies beyond is refused,
// and counted.
type limits struct {
	// Stretches of sequence numbers with others missing between them, in one
	// run: the row that holds them is read and written by every commit. An agent
	// sends in order; a stretch begins anew where its spool overflowed, which
	// takes a spool's fill of time in between. Reason gaps.
	spans int
	// New runs of a station on a day (UTC): a run is a spool. Reason runs.
	runs int
	// Bytes that go into quarantine from a station on a day (UTC), with those of
	// all who are not in service taken together. What lies beyond is counted by
	// reason, and its bytes are not kept; but for readings with run and seq that
	// are refused for their time only: they are receipted and can still be stored,
	// and while the collector's clock is behind they may be all that an agent has.
	quarantined int64
	// Different contents under one number in quarantine: each is compared with
	// all before it. Further ones are counted and not kept.
	contents int
}

var generous = limits{spans: 4096, runs: 256, quarantined: 64 << 20, contents: 64}

// rowBytes is what a row of quarantine takes beside its bytes.
const rowBytes = 128

// admission says whether a run that is not in the store yet may get there.
type admission uint8

const (
	notAsked admission = iota
	letIn
	turnedAway
)

// admitted returns a run, with its admission decided: a new one is turned away
// when its station had too many new ones on the day of arrival.
func (c *intake) admitted(st *station, name string, at unit.Instant) (*run, error) {
	r, err := st.run(name)
	if err != nil || r.admission != notAsked {
		return r, err
	}
	r.admission = letIn
	if r.id != 0 || name == "" {
		return r, nil
	}
	r.first = at
	if !st.runsWanted {
		begin := at.Floor(24 * time.Hour)
		if err := c.t.row(`select count(*) from (select 1 from run where station = ? and first_ns >= ? limit ?) r`,
			[]any{st.id, begin, c.limits.runs}, &st.newRuns); err != nil {
			return nil, fmt.Errorf("count new runs: %w", err)
		}
		st.runsWanted = true
	}
	if st.newRuns >= c.limits.runs {
		r.admission = turnedAway
		return r, nil
	}
	st.newRuns++
	return r, nil
}

// full tells whether a number would open a stretch in a run that has as many
// as it may have.
func (c *intake) full(r *run, seq int64) bool {
	return len(r.seen) >= c.limits.spans && r.seen.opens(seq)
}

// tooMany refuses a line beyond a bound. Its number is not among those seen, so
// no receipt says that it is settled.
func (c *intake) tooMany(st *station, r *run, at unit.Instant, raw []byte, seq int64, o *record.Outcome) error {
	q := quarantineRow{station: st.name, at: at, raw: raw, run: r.name, seq: seq, of: r}
	if r.admission == turnedAway {
		// A run without a row: what becomes of it is counted with those that
		// have no run.
		q.reason = reading.ReasonRuns
		q.detail = fmt.Sprintf("run %s: more than %d new runs of this station today; keep its spool", r.name, c.limits.runs)
		none, err := c.runless(st)
		if err != nil {
			return err
		}
		none.tally.received++
		r.tally.received--
		q.of = none
	} else {
		q.reason = reading.ReasonGaps
		q.detail = fmt.Sprintf("run %s seq %d: %d stretches of numbers with others missing between are all that a run may have", r.name, seq, c.limits.spans)
	}
	before, err := c.quarantined(st.name, r.name, seq)
	if err != nil {
		return err
	}
	if before.has(raw, nil) {
		c.repeated(q.of, o)
		return nil
	}
	q.full = before.full()
	return c.quarantine(&q, o)
}

// runless returns the run of those without, and loads it if nothing that came
// names it.
func (c *intake) runless(st *station) (*run, error) {
	if r, err := st.run(""); err == nil {
		return r, nil
	}
	if _, err := c.t.together(c.loadRuns(c.t.w.d, []key{{st.name, ""}})...); err != nil {
		return nil, err
	}
	return st.run("")
}

// dayKey names a day's quarantine of a station, "" for all who are not in
// service.
type dayKey struct {
	station string
	day     int64
}

// quarantineDay is what went into quarantine on a day.
type quarantineDay struct {
	bytes int64 // all of the day
	added map[reading.Reason]*dayCount
}

type dayCount struct{ kept, bytes, unkept int64 }

func (d *quarantineDay) count(reason reading.Reason) *dayCount {
	n := d.added[reason]
	if n == nil {
		n = new(dayCount)
		d.added[reason] = n
	}
	return n
}

// quarantineDay returns a day's quarantine.
func (c *intake) quarantineDay(k dayKey) (*quarantineDay, error) {
	if d := c.days[k]; d != nil {
		return d, nil
	}
	d := &quarantineDay{added: make(map[reading.Reason]*dayCount)}
	if err := c.t.row(`select coalesce(sum(bytes), 0) from quarantine_day where station = ? and day = ?`, []any{k.station, k.day}, &d.bytes); err != nil {
		return nil, fmt.Errorf("read the day's quarantine: %w", err)
	}
	c.days[k] = d
	return d, nil
}

// dayRows are what the days' counts grow by.
func (c *intake) dayRows() *bulk {
	rows := bulk{
		columns: 6, head: `insert into quarantine_day (station, day, reason, kept, bytes, unkept)`,
		foot: `on conflict (station, day, reason) do update set kept = quarantine_day.kept + excluded.kept,
			bytes = quarantine_day.bytes + excluded.bytes, unkept = quarantine_day.unkept + excluded.unkept`,
	}
	for k, d := range c.days {
		for reason, n := range d.added {
			rows.add(k.station, k.day, string(reason), n.kept, n.bytes, n.unkept)
		}
	}
	return &rows
}
