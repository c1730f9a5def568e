package doctor

import (
	"time"

	"dewpost/rules/unit"
)

// unsentFor is how long nothing may be taken of what is sent on before a person
// should look.
const unsentFor = 15 * time.Minute

// feeds says how sending on goes.
func (e *examiner) feeds() {
	for i := range e.stats.feeds {
		f := &e.stats.feeds[i]
		fine := true
		if f.Failing != 0 && e.now.Sub(f.Failing) >= unsentFor {
			e.todo("export", "see that export.url and export.token_file are right, and that what is there answers; nothing is lost meanwhile", "No %s are taken since %s: %s.", f.What, stamp(f.Failing), f.Failure)
			fine = false
		}
		if f.Refused > 0 {
			e.todo("export", "see why; when it would be taken, send all of it once more with dewpost export again", "Lines of %s that were refused and left out: %d, the last of station %s at %s, on %s: %s.",
				f.What, f.Refused, f.Last.Station, f.Last.Time, stamp(f.Last.At), f.Last.Why)
			fine = false
		}
		if fine {
			e.fine("export", "Lines of %s sent on: %d. Stations with more to be sent: %d.", f.What, f.Sent, f.Waiting)
		}
	}
}

// frozen says what readings were let go.
func (e *examiner) frozen() {
	list := e.stats.frozen
	if len(list) == 0 {
		return
	}
	var readings int64
	var before unit.Instant
	for i := range list {
		readings += list[i].Readings
		before = max(before, list[i].Before)
	}
	e.know("keeping", "", "Readings that were let go, as they were older than they are kept: %d, of %d stations. Their hours are frozen, of none after %s; dewpost keep tells more.", readings, len(list), stamp(before))
}
