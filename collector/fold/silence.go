package fold

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// Minute does what only the clock asks for: it releases readings whose time is
// reached, ends the alarms of stations that were retired, judges which stations are
// silent, and what the two clocks say.
func (f *Folder) Minute(ctx context.Context) error {
	now := unit.At(f.cfg.Now())
	f.awake()
	n, err := f.cfg.Store.ReleaseDue(ctx, now)
	if err != nil {
		return fmt.Errorf("release readings whose time is reached: %w", err)
	}
	if n > 0 {
		f.Wake()
	}
	stations, err := f.cfg.Store.Stations(ctx)
	if err != nil {
		return fmt.Errorf("list stations: %w", err)
	}
	latest, err := f.cfg.Store.Latest(ctx)
	if err != nil {
		return fmt.Errorf("list newest readings: %w", err)
	}
	attention, err := f.attend(ctx, stations, now)
	if err != nil {
		return err
	}
	open, err := f.cfg.Store.OpenOccurrences(ctx)
	if err != nil {
		return fmt.Errorf("list open occurrences: %w", err)
	}
	lasting := make(map[string]bool) // silences
	for i := range open {
		if open[i].Finding.Kind == finding.Silent && open[i].Lasting() {
			lasting[open[i].Station] = true
		}
	}
	var failed []error // one station's failure doesn't keep the others from being judged
	if err := f.retire(ctx, stations, open, now); err != nil {
		failed = append(failed, fmt.Errorf("end the alarms of retired stations: %w", err))
	}
	for _, st := range stations {
		last, heard := latest[st.ID]
		if !heard || st.Retired != 0 {
			continue // before the first reading a station is not installed
		}
		if err := f.silence(ctx, st.ID, last, now, lasting[st.ID], attention); err != nil {
			failed = append(failed, fmt.Errorf("judge the silence of %s: %w", st.ID, err))
		}
	}
	failed = append(failed, f.clocks(ctx, stations, latest, now, attention)...)
	return errors.Join(append(failed, f.tell(ctx, stations, latest, now, attention))...)
}

// awake looks whether the clock went on while this program did not: the machine
// slept, or its clock was put right. Nobody could be heard in that time.
func (f *Folder) awake() {
	now := f.cfg.Now()
	if on := now.Round(0).Sub(f.looked.Round(0)) - now.Sub(f.looked); on > silenceEvery { // without and with the monotonic clock
		f.started = unit.At(now)
	}
	f.looked = now
}

// retire ends those of the open occurrences whose station was retired.
func (f *Folder) retire(ctx context.Context, stations []record.Station, open []alarm.Occurrence, now unit.Instant) error {
	at := make(map[string]unit.Instant)
	for i := range stations {
		at[stations[i].ID] = stations[i].Retired
	}
	var c record.AlarmChange
	for i := range open {
		if retired := at[open[i].Station]; retired != 0 {
			c.Add(alarm.Retire(open[i:i+1], retired, now))
		}
	}
	if c.Empty() {
		return nil
	}
	return f.cfg.Store.ChangeAlarms(ctx, c)
}

// silence judges one station. A collector that has just been started has had
// no time to hear anybody.
func (f *Folder) silence(ctx context.Context, station string, last, now unit.Instant, lasts bool, a attention) error {
	allowed := fact.SilenceSince(a.known[fact.Subject{Kind: fact.KindStation, ID: station}], last, now)
	silent := now.Sub(last) > allowed
	if !lasts && (!silent || now.Sub(f.started) <= allowed) {
		return nil
	}
	recorded, err := f.cfg.Store.Occurrences(ctx, station)
	if err != nil {
		return err
	}
	found := finding.Finding{Kind: finding.Silent, From: last, Concluded: last, Confidence: 1, Evidence: []finding.Evidence{
		{Name: "allowed_silence", Value: allowed.Hours(), Unit: "h"},
	}}
	findings := []finding.Finding{found}
	if !silent {
		lasting := slices.IndexFunc(recorded, func(o alarm.Occurrence) bool { return o.Finding.Kind == finding.Silent && o.Lasting() })
		if lasting < 0 { // somebody ended it meanwhile
			return nil
		}
		if findings, err = f.heardAgain(ctx, recorded[lasting]); err != nil {
			return err
		}
	}
	changes := alarm.Reconcile(alarm.Judgement{
		Station: station, Kinds: []finding.Kind{finding.Silent}, Findings: findings,
		Since: math.MaxInt64, Until: math.MaxInt64, // only what lasts is judged anew
		Newest: now, Now: now, Limits: a.limits, Holds: a.of(station),
	}, recorded)
	if len(changes.Occurrences) == 0 {
		return nil
	}
	out := record.Folded{Mark: record.Mark{Station: station}, Occurrences: changes.Occurrences, Events: changes.Events}
	return errors.Join(f.commit(ctx, []record.Folded{out})...)
}

// heardAgain ends a silence with the first reading after it began. Without one
// it was none: more silence is allowed by now than when it was judged, or the
// collector's clock was put back.
func (f *Folder) heardAgain(ctx context.Context, o alarm.Occurrence) ([]finding.Finding, error) {
	to, ok, err := f.cfg.Store.InstantAfter(ctx, o.Station, o.Finding.From)
	if err != nil || !ok {
		return nil, err
	}
	found := o.Finding
	found.To = to
	return []finding.Finding{found}, nil
}
