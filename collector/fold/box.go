package fold

import (
	"context"
	"math"
	"slices"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/box"
	"dewpost/rules/breathing"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

const day = 24 * time.Hour

// follow follows a station's box through the readings that are new or changed
// and those that are needed for it, when they complete an hour: else there is
// nothing new to conclude.
func (f *Folder) follow(ctx context.Context, facts stationFacts, st *stretch, first unit.Instant) error {
	changed := max(st.mark.From, first)
	run, err := f.cfg.Store.BoxRun(ctx, st.mark.Station, changed)
	if err != nil {
		return err
	}
	current := run.Version == box.Version && run.Upto != 0
	if current && changed > run.Upto && st.last.Floor(time.Hour) == run.Upto.Floor(time.Hour) {
		return nil
	}
	out := &record.Box{Since: math.MinInt64, Upto: first, Version: box.Version}
	known := facts.box()
	stream := box.New(known)
	from := first
	if current && run.State.At != 0 {
		if stream, err = box.Resume(run.State.Body, known); err != nil {
			return err
		}
		out.Since, out.Upto, from = run.State.At, run.State.At, run.State.At.Floor(time.Hour)
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
	st.box, st.found = out, stream.State.Findings()
	return nil
}

// keepStates decides which states of a box stay: those of the last days, and
// the older the fewer, so that what comes late costs little. Those that are
// there and stay no longer go into b.Drop.
func (f *Folder) keepStates(ctx context.Context, st *stretch, b *record.Box) (keep func(unit.Instant) bool, err error) {
	newest := int64(st.last.Floor(day)) / int64(day)
	keep = func(t unit.Instant) bool {
		d := int64(t.Floor(day)) / int64(day)
		switch age := newest - d; {
		case age < 4:
			return true
		case age < 64:
			return d%8 == 0
		}
		return d%64 == 0
	}
	there, err := f.cfg.Store.BoxStates(ctx, st.mark.Station)
	if err != nil {
		return nil, err
	}
	b.Drop = slices.DeleteFunc(there, func(t unit.Instant) bool { return t > b.Since || keep(t) })
	return keep, nil
}

// box returns what is known of the box beside its readings.
func (s *stationFacts) box() box.Known {
	return func(at unit.Instant) box.Facts {
		mounting, _ := fact.At(s.own, fact.Mounting, at)
		return box.Facts{Place: s.at(at).Place, Air: breathing.Facts{Flush: mounting == "flush"}}
	}
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
