package view

import (
	"cmp"
	"slices"
	"time"

	"dewpost/rules/alarm"
	"dewpost/rules/exposure"
	"dewpost/rules/finding"
	"dewpost/rules/life"
	"dewpost/rules/unit"
)

const day = 24 * time.Hour

// respond is how long a person has, from the reading that concluded a finding.
// Judgement values: a board that stays wet loses weeks of life in days; a damp
// week loses days in weeks.
var respond = map[finding.Kind]time.Duration{
	finding.Silent:   2 * day,
	finding.BoardWet: 3 * day,
	finding.DampWeek: 14 * day,

	finding.CoverDue:  life.CoverLead, // finding or making up a part that is made no more
	finding.BudgetLow: 60 * day,

	finding.NoCurrent:       2 * day,
	finding.CurrentStepUp:   3 * day,
	finding.LineVoltageLow:  7 * day,
	finding.CurrentStepDown: 7 * day,
	finding.LeakageRising:   14 * day,

	finding.WaterInside:      2 * day,
	finding.SealOpened:       14 * day,
	finding.MoistAirFromWall: 30 * day,
	finding.SensorSuspect:    7 * day,
}

// respondDefault is for a kind that is newer than this table.
const respondDefault = 7 * day

// respondCracked is for a cover that is due because somebody saw that it is
// cracked, crazed or gone: rain comes in by then.
const respondCracked = 14 * day

// Need is a finding that needs a person, while it lasts.
type Need struct {
	alarm.Occurrence
	By unit.Instant // when somebody should have acted

	// What the ledger holds of the time that the finding speaks of: from its
	// onset to now for board_wet, its first seven days for damp_week. Known is
	// 0 where that time lies outside of what was read.
	Sum exposure.Hour
}

func needOf(o alarm.Occurrence, hours []exposure.Hour) Need {
	within, ok := respond[o.Finding.Kind]
	if !ok {
		within = respondDefault
	}
	if o.Finding.Kind == finding.CoverDue && life.Seen(&o.Finding) {
		within = respondCracked
	}
	n := Need{Occurrence: o, By: o.Finding.Concluded.Add(within)}
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

// needsOf picks from open occurrences those that last, by deadline.
func needsOf(open []alarm.Occurrence, hours []exposure.Hour) []Need {
	var needs []Need
	for _, o := range open {
		if o.Lasting() {
			needs = append(needs, needOf(o, hours))
		}
	}
	slices.SortFunc(needs, func(a, b Need) int {
		return cmp.Or(cmp.Compare(a.By, b.By), cmp.Compare(a.Finding.Kind, b.Finding.Kind), cmp.Compare(a.Number, b.Number))
	})
	return needs
}
