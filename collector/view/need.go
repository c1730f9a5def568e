package view

import (
	"cmp"
	"slices"
	"time"

	"dewpost/rules/alarm"
	"dewpost/rules/exposure"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

const day = 24 * time.Hour

// Need is a finding that needs a person, while it lasts or is latched and nobody
// has put it aside.
type Need struct {
	alarm.Occurrence
	By unit.Instant // when somebody should have acted

	// What the ledger holds of the time that the finding speaks of: from its
	// onset to now for board_wet, its first seven days for damp_week. Known is
	// 0 where that time lies outside of what was read.
	Sum exposure.Hour
}

func needOf(o alarm.Occurrence, hours []exposure.Hour) Need {
	n := Need{Occurrence: o, By: o.Finding.Concluded.Add(alarm.Respond(&o.Finding))}
	from, to := evidenceTime(&o.Finding)
	if len(hours) > 0 && hours[0].Start <= from {
		n.Sum = sum(hours, from, to)
	}
	return n
}

// evidenceTime returns the time that a finding speaks of, in whole hours at its
// beginning.
func evidenceTime(f *finding.Finding) (from, to unit.Instant) {
	from, to = f.From.Floor(time.Hour), f.To
	switch {
	case f.Kind == finding.DampWeek:
		to = f.From.Add(7 * day)
	case to == 0:
		to = End
	}
	return from, to
}

// needsOf picks from open occurrences those that need a person: what matters most
// first, and of what matters as much the earliest deadline. A calm finding that waits
// since long hides nothing urgent.
func needsOf(open []alarm.Occurrence, hours []exposure.Hour) []Need {
	var needs []Need
	for _, o := range open {
		if o.Needs() {
			needs = append(needs, needOf(o, hours))
		}
	}
	slices.SortFunc(needs, func(a, b Need) int {
		return cmp.Or(cmp.Compare(a.rank(), b.rank()), cmp.Compare(a.By, b.By), cmp.Compare(a.Finding.Kind, b.Finding.Kind), cmp.Compare(a.Number, b.Number))
	})
	return needs
}

// rank is 0 for the most urgent.
func (n *Need) rank() int {
	return slices.Index(alarm.Priorities, alarm.Table(nil).Priority(&n.Finding))
}
