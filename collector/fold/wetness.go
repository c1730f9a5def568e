package fold

import (
	"context"
	"math"
	"slices"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/box"
	"dewpost/rules/equal"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// year is what tells what is normal, and the stretch that is judged.
type year struct {
	hours    []exposure.Hour
	air      []equal.Air
	repaired []unit.Instant // when the box was back where it hangs
}

// spelled is what was said of a wet spell that lasts. What is normal lies before
// it was concluded: while that doesn't change, the answer doesn't.
type spelled struct {
	spell  exposure.Spell
	doubts []finding.Doubt
	found  []finding.Finding // To is 0 of what lasts as long as the spell
	cut    bool              // a doubt that lasts ended it, or water told of it: nothing of it can still be concluded
}

// holds tells whether nothing but the end of a spell can change the answer with a
// ledger that ends at last.
func (s *spelled) holds(last unit.Instant) bool {
	return len(s.found) > 0 || finding.StillNormal(&s.spell, last) || s.cut
}

// ofBox is what was found of the box.
func (st *stretch) ofBox(recorded []alarm.Occurrence) []finding.Finding {
	if st.box != nil {
		return st.found
	}
	return alarm.Holding(recorded)
}

// judgeWetness concludes what the ledger says: whether the board stays wet, and
// whether the week was damp. What changed can change what is normal for a year:
// so where a day ends, and where the change lies behind the ledger's end, all that
// comes after it is judged again.
func (f *Folder) judgeWetness(ctx context.Context, facts *stationFacts, st *stretch, j alarm.Judgement, recorded []alarm.Occurrence) (changes alarm.Changes, err error) {
	// A spell that was over, its off-delay included, when the stretch begins is
	// not seen in it.
	j.Kinds, j.Since = []finding.Kind{finding.BoardWet}, st.from.Add(-exposure.SpellOffDelay)+1
	ofBox := st.ofBox(recorded)
	doubts := finding.Doubts(ofBox)
	if st.to > st.last && !finding.EndsDay(st.Hours) { // nothing but the day that goes on
		j.Findings, err = f.wetNow(ctx, facts, st, ofBox)
		if err != nil {
			return changes, err
		}
		j.Findings = slices.DeleteFunc(j.Findings, func(g finding.Finding) bool { return g.To != 0 && g.To < j.Since })
		return alarm.Reconcile(j, recorded), nil
	}
	delete(f.spelled, st.mark.Station) // what is normal may have changed
	y, err := f.yearOf(ctx, facts, st)
	if err != nil {
		return changes, err
	}
	spells := slices.DeleteFunc(finding.TrustedSpells(exposure.Spells(y.hours), y.hours, doubts), func(s exposure.Spell) bool { return s.To != 0 && s.To < j.Since })
	y.hours = finding.Trusted(y.hours, doubts)
	j.Findings = finding.BesideWater(finding.WetBoards(spells, y.hours, y.air, y.repaired), ofBox)
	changes.Add(alarm.Reconcile(j, recorded))

	since := st.from.Floor(day)
	var before []finding.Finding
	for i := range recorded {
		if o := &recorded[i]; o.Finding.Kind == finding.DampWeek && !o.Revised {
			before = append(before, o.Finding)
		}
	}
	j.Kinds, j.Since = []finding.Kind{finding.DampWeek}, since+1
	j.Findings = finding.DampWeeksSince(y.hours, y.air, since, before)
	changes.Add(alarm.Reconcile(j, recorded))
	return changes, nil
}

// wetNow judges the spells at the ledger's end.
func (f *Folder) wetNow(ctx context.Context, facts *stationFacts, st *stretch, ofBox []finding.Finding) ([]finding.Finding, error) {
	if len(st.Spells) == 0 {
		return nil, nil
	}
	doubts := finding.Doubts(ofBox)
	was := f.spelled[st.mark.Station]
	if n := len(st.Spells); n == 1 && was.spell.From == st.Spells[0].From && was.spell.Concluded == st.Spells[0].Concluded && st.from > was.spell.Concluded &&
		slices.Equal(was.doubts, doubts) && was.holds(st.last) {
		found := slices.Clone(was.found)
		for i := range found {
			if found[i].To == 0 {
				found[i].To = st.Spells[0].To
			}
		}
		return found, nil
	}
	y, err := f.yearOf(ctx, facts, st)
	if err != nil {
		return nil, err
	}
	spells := finding.TrustedSpells(st.Spells, y.hours, doubts)
	found := finding.WetBoards(spells, finding.Trusted(y.hours, doubts), y.air, y.repaired)
	n := len(found)
	found = finding.BesideWater(found, ofBox)
	s := &st.Spells[0]
	endedIn := func(d finding.Doubt) bool { return d.To > s.From } // what is left behind it can still be concluded
	if len(st.Spells) > 1 || slices.ContainsFunc(doubts, endedIn) {
		delete(f.spelled, st.mark.Station)
		return found, nil
	}
	kept := slices.Clone(found)
	for i := range kept {
		if kept[i].To == s.To {
			kept[i].To = 0
		}
	}
	open := func(p exposure.Spell) bool { return p.To == s.To }
	f.spelled[st.mark.Station] = spelled{*s, doubts, kept, len(found) < n || !slices.ContainsFunc(spells, open)}
	return found, nil
}

// yearOf reads what tells what is normal from before the stretch, and all from
// there on.
func (f *Folder) yearOf(ctx context.Context, facts *stationFacts, st *stretch) (y year, err error) {
	from := st.from.Floor(day).Add(-finding.Lookback)
	before, err := f.cfg.Store.Hours(ctx, st.mark.Station, from, st.from)
	if err != nil {
		return y, err
	}
	after, err := f.cfg.Store.Hours(ctx, st.mark.Station, st.to, math.MaxInt64)
	if err != nil {
		return y, err
	}
	if err := f.around(ctx, st.mark.Station, facts); err != nil {
		return y, err
	}
	y.repaired = record.Repaired(facts.visits, facts.zone)
	y.hours = slices.Concat(before, st.Hours, after)
	y.air, err = f.air(ctx, facts, st, from.Add(-day))
	return y, err
}

// air is what is known of the air outdoors from an instant on while the station
// was heard, by hour.
func (f *Folder) air(ctx context.Context, facts *stationFacts, st *stretch, from unit.Instant) ([]equal.Air, error) {
	to := unit.Instant(math.MaxInt64)
	if st.box != nil {
		to = max(from, st.box.Since)
	}
	own, err := f.cfg.Store.Outdoors(ctx, st.mark.Station, from, to.Floor(time.Hour))
	if err != nil {
		return nil, err
	}
	if st.box != nil {
		own = append(own, slices.DeleteFunc(slices.Clone(st.box.Outdoors), func(a equal.Air) bool { return a.Hour < from })...)
	}
	site, ok := fact.At(facts.own, fact.Site, st.last)
	if !ok || site == fact.None {
		return own, nil
	}
	end := st.last + 1
	rows, err := f.cfg.Store.Weather(ctx, site, from, end)
	if err != nil {
		return nil, err
	}
	s := &skies{folder: f, station: st.mark.Station, facts: facts, neighbours: map[string][]fact.Fact{}}
	near, err := s.near(ctx, site, from, end)
	return box.Outdoors(own, near, record.Observed(rows)), err
}
