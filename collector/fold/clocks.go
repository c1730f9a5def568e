package fold

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/life"
	"dewpost/rules/unit"
)

// clocksAtOnce is how many stations' two clocks are judged in one minute: for
// each its whole ledger is read.
const clocksAtOnce = 32

// clocked is what a station's clocks were last judged by. A cover ages by
// years: once a day is enough, and when facts about the station changed.
type clocked struct {
	day      unit.Instant
	facts    int
	recorded unit.Instant
	heard    bool
}

// clocks judges the two clocks of stations in service; latest holds the newest
// readings. It returns each station's failure.
func (f *Folder) clocks(ctx context.Context, stations []record.Station, latest map[string]unit.Instant, now unit.Instant, a attention) (failed []error) {
	judged := 0
	for _, st := range stations {
		if st.Retired != 0 || judged == clocksAtOnce {
			continue
		}
		did, err := f.clock(ctx, st.ID, latest[st.ID], now, a)
		if err != nil {
			failed = append(failed, fmt.Errorf("judge the clocks of %s: %w", st.ID, err))
		}
		if did {
			judged++
		}
	}
	return failed
}

// clock judges one station whose newest reading is of last, 0: not heard.
func (f *Folder) clock(ctx context.Context, station string, last, now unit.Instant, a attention) (did bool, err error) {
	own := a.known[fact.Subject{Kind: fact.KindStation, ID: station}]
	by := clocked{day: now.Floor(day), facts: len(own), heard: last != 0}
	for i := range own {
		by.recorded = max(by.recorded, own[i].Recorded)
	}
	if f.clocked[station] == by {
		return false, nil
	}
	if err := f.judgeClocks(ctx, station, own, last, now, a); err != nil {
		return true, err
	}
	f.clocked[station] = by
	return true, nil
}

func (f *Folder) judgeClocks(ctx context.Context, station string, own []fact.Fact, last, now unit.Instant, a attention) error {
	var failed error
	history := life.NewHistory(own, func(site string) []fact.Fact {
		facts, err := f.cfg.Store.Facts(ctx, fact.Subject{Kind: fact.KindSite, ID: site})
		if err != nil {
			failed = err
		}
		return facts
	})
	if failed != nil {
		return failed
	}
	recorded, err := f.cfg.Store.Occurrences(ctx, station)
	if err != nil {
		return err
	}
	hours, err := f.cfg.Store.Hours(ctx, station, math.MinInt64, math.MaxInt64)
	if err != nil {
		return err
	}
	hours = life.Trusted(hours, recorded)
	if err := f.teach(ctx, station, history, hours, recorded, now); err != nil {
		return err
	}
	// Only what lasts is judged anew. The cover's clock is the collector's.
	j := alarm.Judgement{
		Station: station, Kinds: []finding.Kind{finding.CoverDue}, Since: math.MaxInt64, Until: math.MaxInt64,
		Newest: now, Now: now, Limits: a.limits, Holds: a.of(station),
	}
	if due, found := history.Due(now, lastingOf(recorded, finding.CoverDue)); found {
		j.Findings = []finding.Finding{due}
	}
	changes := alarm.Reconcile(j, recorded)
	if last != 0 {
		board := history.BoardAt(hours, life.Water(recorded), now)
		j.Kinds, j.Findings, j.Newest = []finding.Kind{finding.BudgetLow}, nil, last
		if short, found := board.Short(now, last, lastingOf(recorded, finding.BudgetLow)); found {
			j.Findings = []finding.Finding{short}
		}
		changes.Add(alarm.Reconcile(j, recorded))
	}
	if len(changes.Occurrences) == 0 {
		return nil
	}
	out := record.Folded{Mark: record.Mark{Station: station}, Occurrences: changes.Occurrences, Events: changes.Events}
	return errors.Join(f.commit(ctx, []record.Folded{out})...)
}

// teach writes down what looks into the station teach, and lets its clocks go by
// what those into all stations taught.
func (f *Folder) teach(ctx context.Context, station string, history *life.History, hours []exposure.Hour, recorded []alarm.Occurrence, now unit.Instant) error {
	visits, err := f.cfg.Store.VisitsOf(ctx, station)
	if err != nil {
		return err
	}
	looks := history.Looks(record.BoardSights(visits), hours, life.Water(recorded), now)
	there, err := f.cfg.Store.Looks(ctx)
	if err != nil {
		return err
	}
	if !slices.Equal(looks, there[station]) {
		if err := f.cfg.Store.PutLooks(ctx, station, looks); err != nil {
			return err
		}
		there[station] = looks
	}
	var all []life.Look
	for _, id := range slices.Sorted(maps.Keys(there)) {
		all = append(all, there[id]...)
	}
	if !slices.Equal(all, f.looks) || f.lessons == nil {
		f.looks, f.lessons = all, life.Learn(all)
	}
	history.Teach(f.lessons)
	return nil
}

// lastingOf returns the finding of the kind that lasts; nil when none does.
func lastingOf(recorded []alarm.Occurrence, kind finding.Kind) *finding.Finding {
	for i := range recorded {
		if o := &recorded[i]; o.Finding.Kind == kind && o.Lasting() {
			return &o.Finding
		}
	}
	return nil
}
