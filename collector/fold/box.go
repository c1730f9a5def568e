package fold

import (
	"cmp"
	"context"
	"math"
	"slices"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/bench"
	"dewpost/rules/box"
	"dewpost/rules/breathing"
	"dewpost/rules/equal"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/sensing"
	"dewpost/rules/unit"
)

const day = 24 * time.Hour

// follow follows a station's box through the readings that are new or changed
// and those that are needed for it, when they complete an hour: else there is
// nothing new to conclude.
func (f *Folder) follow(ctx context.Context, facts *stationFacts, st *stretch, first unit.Instant) error {
	changed := max(st.mark.From, st.mark.Frozen, first)
	run := st.recent.Box
	current := run.Version == box.Version && run.Upto != 0
	if current && changed > run.Upto && st.last.Floor(time.Hour) == run.Upto.Floor(time.Hour) {
		return nil
	}
	run, err := f.cfg.Store.BoxRun(ctx, st.mark.Station, changed)
	if err != nil {
		return err
	}
	if err := f.around(ctx, st.mark.Station, facts); err != nil {
		return err
	}
	out := &record.Box{Since: math.MinInt64, Frozen: st.mark.Frozen, Upto: first, Version: box.Version}
	skies := &skies{
		folder: f, station: st.mark.Station, facts: facts, neighbours: map[string][]fact.Fact{},
		good: knownGood(bench.Baselines(record.BoxEvents(facts.visits, facts.own, facts.zone), st.last)),
	}
	stream := box.New(skies.at)
	from := first
	if current && run.State.At != 0 {
		if stream, err = box.Resume(run.State.Body, skies.at); err != nil {
			return err
		}
		out.Since, out.Upto, from = run.State.At, run.State.At, run.State.At.Floor(time.Hour)
	} else if st.mark.Frozen != 0 { // by other rules than before: from the first reading that is held
		if from, _, err = f.cfg.Store.InstantAfter(ctx, st.mark.Station, first-1); err != nil {
			return err
		}
		out.Upto = from
	}
	keep, err := f.keepStates(ctx, st, out)
	if err != nil {
		return err
	}
	saved := unit.Instant(math.MinInt64) // the day of the last state kept
	if out.Since > saved {
		saved = out.Since.Floor(day)
	}
	for from <= st.last {
		to := min(st.last+1, from.Add(chunk))
		if err := skies.load(ctx, min(from, stream.Hour()), to); err != nil {
			return err
		}
		rs, err := f.cfg.Store.Readings(ctx, st.mark.Station, from, to)
		if err != nil {
			return err
		}
		merged := reading.Merge(rs)
		for i := range merged {
			t := merged[i].Time
			if !stream.Add(&merged[i]) {
				continue
			}
			out.Upto = t
			if d := t.Floor(day); d != saved && keep(t) {
				out.Days = append(out.Days, stream.State.Breathing.Days...)
				stream.State.Breathing.Days = nil
				body, err := stream.State.Encode()
				if err != nil {
					return err
				}
				out.States, saved = append(out.States, record.BoxState{At: t, Body: body}), d
			}
		}
		from = to
	}
	out.Days = append(out.Days, stream.State.Breathing.Days...)
	out.Outdoors = stream.Outdoors
	if st.mark.Frozen > out.Since { // of what is frozen all is known that ever will be
		first := st.mark.Frozen.Time().UTC().Format(time.DateOnly)
		out.Days = slices.DeleteFunc(out.Days, func(d breathing.Day) bool { return d.Day < first })
		out.Outdoors = slices.DeleteFunc(out.Outdoors, func(a equal.Air) bool { return a.Hour < st.mark.Frozen })
	}
	if usual, ok := stream.State.Breathing.Usual(); ok {
		out.Usual = &usual
	}
	out.Heater = stream.State.Sensing.Burst()
	st.box = out
	st.found = slices.DeleteFunc(stream.State.Findings(), func(g finding.Finding) bool { return g.To != 0 && g.To < st.mark.Frozen })
	return nil
}

// keepStates decides which states of a box stay: those of the last days, and
// the older the fewer, so that what comes late costs little. Those that are
// there and stay no longer go into b.Drop.
func (f *Folder) keepStates(ctx context.Context, st *stretch, b *record.Box) (keep func(unit.Instant) bool, err error) {
	newest := int64(st.last.Floor(day)) / int64(day)
	there, err := f.cfg.Store.BoxStates(ctx, st.mark.Station)
	if err != nil {
		return nil, err
	}
	// What comes after frozen hours is followed on from the last state before.
	last := unit.Instant(math.MinInt64)
	for _, t := range there {
		if t < st.mark.Frozen {
			last = t
		}
	}
	keep = func(t unit.Instant) bool {
		d := int64(t.Floor(day)) / int64(day)
		if t == last {
			return true
		}
		switch age := newest - d; {
		case age < 4:
			return true
		case age < 64:
			return d%8 == 0
		}
		return d%64 == 0
	}
	b.Drop = slices.DeleteFunc(there, func(t unit.Instant) bool { return t > b.Since || keep(t) })
	return keep, nil
}

// skies are what is known of a box beside its readings, over some stretch of
// time.
type skies struct {
	folder     *Folder
	station    string
	facts      *stationFacts
	neighbours map[string][]fact.Fact // facts of stations with an outdoor sensor
	of         map[string]*box.Sky    // by site
	good       []breathing.Span       // when the box was known to be good, ascending
}

// at returns what is valid at an instant of the stretch.
func (s *skies) at(t unit.Instant) box.Facts {
	mounting, _ := fact.At(s.facts.own, fact.Mounting, t)
	site, _ := fact.At(s.facts.own, fact.Site, t)
	known := box.Facts{Place: s.facts.at(t).Place, Line: s.facts.lines.at(s.station, t), Air: breathing.Facts{Flush: mounting == "flush", Post: mounting == "post", Baseline: s.good}}
	if f, there := fact.Valid(s.facts.own, fact.RHCheck, t); there {
		if check, err := sensing.ReadCheck(f.Value, f.From); err == nil { // else it had not been recorded
			known.Check = check
		}
	}
	if sky := s.of[site]; sky != nil {
		known.Air.Outdoor, known.Air.Rain = sky.At(t)
		known.Weather = sky.Observed(t)
	}
	return known
}

// knownGood returns from when on a box was known to be good: since it was hung
// or closed on the wall, whatever became of that baseline, for the one before is
// over; and behind a time in the jar that is valid. Inside the jar the air is
// not that of outdoors, so nothing in it tells how the box breathes.
func knownGood(all []bench.Baseline) (spans []breathing.Span) {
	for _, b := range all {
		switch {
		case b.Kind == "wall":
			spans = append(spans, breathing.Span{From: b.From, To: b.To})
		case b.Valid:
			spans = append(spans, breathing.Span{From: b.To, To: b.To.Add(bench.WallMost)})
		}
	}
	slices.SortStableFunc(spans, func(a, b breathing.Span) int { return cmp.Compare(a.From, b.From) })
	return spans
}

// load reads what is known of the stretch [from, to).
func (s *skies) load(ctx context.Context, from, to unit.Instant) error {
	s.of = map[string]*box.Sky{}
	for _, f := range s.facts.own {
		if f.Name != fact.Site || f.Value == fact.None || s.of[f.Value] != nil {
			continue
		}
		near, err := s.near(ctx, f.Value, from.Floor(time.Hour), to)
		if err != nil {
			return err
		}
		rows, err := s.folder.cfg.Store.Weather(ctx, f.Value, from.Add(-box.WeatherReach), to.Add(box.WeatherReach))
		if err != nil {
			return err
		}
		s.of[f.Value] = box.NewSky(near, record.Observed(rows))
	}
	return nil
}

// near returns what outdoor sensors of other stations said while those hung on
// the site.
func (s *skies) near(ctx context.Context, site string, from, to unit.Instant) ([]equal.Air, error) {
	all, err := s.folder.cfg.Store.Neighbours(ctx, site, from, to)
	if err != nil {
		return nil, err
	}
	return record.OnSite(all, site, s.station, func(station string) ([]fact.Fact, error) {
		facts, known := s.neighbours[station]
		if known {
			return facts, nil
		}
		facts, err := s.folder.cfg.Store.Facts(ctx, fact.Subject{Kind: fact.KindStation, ID: station})
		s.neighbours[station] = facts
		return facts, err
	})
}

// at returns the facts of the ledger that are valid at an instant.
func (s *stationFacts) at(t unit.Instant) exposure.Facts {
	n, _ := slices.BinarySearchFunc(s.timeline, t, func(v exposure.Valid, t unit.Instant) int {
		if v.From > t {
			return 1
		}
		return -1
	})
	if n == 0 {
		return exposure.Facts{}
	}
	return s.timeline[n-1].Facts
}
