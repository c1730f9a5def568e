package doctor

import (
	"fmt"
	"slices"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/unit"
)

const (
	// A station that is enrolled for longer and was never heard wants a person.
	unheardAfter = 24 * time.Hour
	// A clock that is off by more puts readings into a wrong hour's edge; beyond
	// five minutes ahead they are refused.
	clockOff = time.Minute
	// A notice that nobody took for longer wants a person.
	unsentAfter = time.Hour
)

// readings looks whether the counts of readings balance.
func (e *examiner) readings() {
	var lost, gone []string
	balanced := true
	for i := range e.stats.custody {
		c := &e.stats.custody[i]
		if n := c.Missing(); n != 0 {
			balanced = false
			e.todo("readings", "keep this store as it is, and report it with the output of dewpost doctor --json", "Of the readings of %s that came in, %d are in no count: that is a fault of this program.", stationOr(c.Station), n)
		}
		if n := c.Lost(); n > 0 {
			lost = append(lost, fmt.Sprintf("%s (%d)", c.Station, n))
		}
		if c.Discarded > 0 {
			gone = append(gone, fmt.Sprintf("%s (%d)", stationOr(c.Station), c.Discarded))
		}
	}
	if balanced {
		n := e.stats.counts
		e.fine("readings", "The counts balance: %d received and %d released make %d stored, %d repeated and %d refused.", n.Received, n.Released, n.Stored, n.Repeated, n.Received+n.Released-n.Stored-n.Repeated)
	}
	if len(lost) > 0 && len(e.stats.holes) == 0 {
		e.todo("readings", "if an older store was put in place by hand, look for the one that was there and take over what it has: dewpost restore --salvage OLD", "Agents were told that readings are safe which are not here: %s.", named(lost))
	}
	if len(gone) > 0 {
		e.know("readings", "", "Agents had these no more when they could have sent them, for a full spool or after a restore: %s.", named(gone))
	}
}

func stationOr(id string) string {
	if id == "" {
		return "stations that are not in service"
	}
	return id
}

// stations looks for those that were never heard.
func (e *examiner) stations() {
	var never, fresh []string
	for _, st := range e.stats.stations {
		if _, heard := e.stats.latest[st.ID]; heard || st.Retired != 0 {
			continue
		}
		if e.now.Sub(st.Enrolled) > unheardAfter {
			never = append(never, fmt.Sprintf("%s (enrolled %s)", st.ID, st.Enrolled.Time().Format(time.DateOnly)))
		} else {
			fresh = append(fresh, st.ID)
		}
	}
	switch {
	case len(never) > 0:
		e.todo("stations", "at the station run dewpost-agent check and dewpost-agent probe; one that will never come: dewpost station retire ID", "Never heard: %s.", named(never))
	case e.stats.inService == 0:
		e.todo("stations", "enrol the first: dewpost station add ID", "There is no station.")
	default:
		e.fine("stations", "%s in service, heard or just enrolled.", many(int64(e.stats.inService), "station"))
	}
	if len(fresh) > 0 {
		e.know("stations", "", "Enrolled in the last day and not heard yet: %s.", named(fresh))
	}
}

// clocks looks at the clocks of agents.
func (e *examiner) clocks() {
	var off []string
	timed := 0
	for i := range e.stats.custody {
		st := e.stats.custody[i].State
		if st == nil || !st.Timed {
			continue
		}
		timed++
		switch d := st.Offset; {
		case d > clockOff:
			off = append(off, fmt.Sprintf("%s (%s slow)", st.Station, rough(d)))
		case d < -clockOff:
			off = append(off, fmt.Sprintf("%s (%s fast)", st.Station, rough(-d)))
		}
	}
	if len(off) > 0 {
		e.todo("clocks", "let the station's machine set its clock by the network (timedatectl set-ntp true)", "Clocks are off: %s.", named(off))
	} else if timed > 0 {
		e.fine("clocks", "The clocks of %s that told theirs are right to a minute.", many(int64(timed), "station"))
	}
}

// quarantine looks for readings that wait for a person.
func (e *examiner) quarantine() {
	var waiting, ahead int64
	for i := range e.stats.byTime {
		switch q := &e.stats.byTime[i]; {
		case q.Due != 0:
			ahead++
		case q.Reading != nil:
			waiting++
		}
	}
	if waiting > 0 {
		e.todo("quarantine", "look at them with dewpost quarantine list, and store after all what is right", "%s in quarantine for a time before 2000 and wait for a person.", are(waiting))
	}
	if ahead > 0 {
		e.know("quarantine", "", "%s in quarantine for a time that lies ahead, and stored when that is reached.", are(ahead))
	}
	other := make(map[string]int64)
	for i := range e.stats.custody {
		for _, h := range e.stats.custody[i].Held {
			if h.Reason != "time" {
				other[string(h.Reason)] += h.Kept + h.Unkept
			}
		}
	}
	if len(other) == 0 {
		if waiting == 0 {
			e.fine("quarantine", "No reading in quarantine waits for a person.")
		}
		return
	}
	var list []string
	for _, reason := range sortedKeys(other) {
		list = append(list, fmt.Sprintf("%s %d", reason, other[reason]))
	}
	e.know("quarantine", "see why with dewpost quarantine list", "Refused and kept for you to look at: %s.", named(list))
}

func are(n int64) string {
	if n == 1 {
		return "1 reading is"
	}
	return fmt.Sprintf("%d readings are", n)
}

// notices looks for what people were not told.
func (e *examiner) notices() {
	rests := make(map[string]bool) // events that wait for the end of somebody's night rest
	for i := range e.stats.waiting {
		d := &e.stats.waiting[i]
		rests[d.Event] = d.First == 0 && d.Due > e.now
	}
	unsent := slices.DeleteFunc(slices.Clone(e.stats.unsent), func(m record.Message) bool { return rests[m.EventID] })
	n := len(unsent)
	if n == 0 {
		e.fine("notices", "Every notice to people was sent, or waits for the end of a night's rest.")
		return
	}
	oldest := unsent[0].Created // they come oldest first
	if e.now.Sub(oldest) > unsentAfter {
		e.todo("notices", "see in the collector's log why they can't be sent", "Nobody was sent %s yet, the oldest made on %s.", many(int64(n), "notice"), oldest)
	} else {
		e.know("notices", "", "About to be sent: %s.", many(int64(n), "notice"))
	}
}

// restores says what restores left missing.
func (e *examiner) restores() {
	if n := len(e.stats.restores); n > 0 && len(e.stats.holes) == 0 {
		last := e.stats.restores[n-1]
		e.fine("restore", "A backup of %s was put back on %s, and nothing that came since shows that a reading is missing.", stamp(last.Made), stamp(last.At))
	}
	for _, h := range e.stats.holes {
		fix := "if the store that was lost can be read after all: dewpost restore --salvage OLD"
		if h.Restore.Aside != "" {
			fix = "if " + h.Restore.Aside + " can be read: dewpost restore --salvage " + h.Restore.Aside
		}
		where := "before the reading of " + h.After.String()
		if h.Before != 0 {
			where = fmt.Sprintf("between the readings of %s and %s", h.Before, h.After)
		}
		e.know("restore", fix, "%s: %s missing since a backup of %s was put back on %s: seq %d to %d of run %s, %s.", h.Station, are(h.To-h.From+1),
			stamp(h.Restore.Made), stamp(h.Restore.At), h.From, h.To, h.Run, where)
	}
}

func stamp(t unit.Instant) string { return t.Time().Format(time.RFC3339) }
