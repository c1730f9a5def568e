package fold_test

import (
	"cmp"
	"context"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	visit "dewpost/rules/bench"
	"dewpost/rules/box"
	"dewpost/rules/boxsim"
	"dewpost/rules/breathing"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/moistair"
	"dewpost/rules/reading"
	"dewpost/rules/sensing"
	"dewpost/rules/unit"
)

const day = 24 * time.Hour

// terrace is a site with a box whose seal opens, without an outdoor sensor, and
// another one that has one.
type terrace struct {
	inside, outside []reading.Reading
	weather         []record.Weather
}

func newTerrace(days int) (w terrace) {
	climate := boxsim.Quayside()
	opened := boxsim.Fault{Kind: boxsim.OpenedSeal, From: start.Add(40 * day), Size: 2}
	closed := boxsim.New(boxsim.NewWeather(climate, 7), boxsim.Box{TauH: 40, HasBoard: true, HasLine: true, StandbyMA: 12, Noise: 1}, []boxsim.Fault{opened}, 7, start)
	open := boxsim.New(boxsim.NewWeather(climate, 7), boxsim.Box{HasOutside: true, Noise: 1}, nil, 8, start)
	for at := time.Duration(0); at < time.Duration(days)*day; at += 10 * time.Minute {
		if at > 30*day && at < 31*day { // not heard
			continue
		}
		w.inside = append(w.inside, closed.Next(start.Add(at)))
		o := open.Next(start.Add(at))
		if at < 50*day || at > 52*day {
			w.outside = append(w.outside, o)
		}
		if at%time.Hour == 0 {
			temp, _ := o.Get(reading.OutsideTemp)
			rh, _ := o.Get(reading.OutsideRH)
			w.weather = append(w.weather, record.Weather{Time: start.Add(at), Temp: record.Some(temp), RH: record.Some(rh), Rain: record.Some(0.1)})
		}
	}
	return w
}

func (w *terrace) hang(t *testing.T, b *bench) {
	ctx := context.Background()
	for _, name := range []string{fact.Zone, fact.Lat, fact.Lon} {
		value := map[string]string{fact.Zone: "Etc/UTC", fact.Lat: "52", fact.Lon: "5"}[name]
		require.NoError(t, b.store.AddFacts(ctx, []fact.Fact{{
			Subject: fact.Subject{Kind: fact.KindSite, ID: "quay"}, Name: name, Value: value, From: fact.Always, Author: "test", Recorded: start,
		}}))
	}
	b.enrol(t, "quay-01", map[string]string{fact.Site: "quay"})
	b.enrol(t, "quay-02", map[string]string{fact.Site: "quay"})
	require.NoError(t, b.store.BeginWeather(ctx, "quay", record.WeatherSource{Name: "pier"}, start, "test"))
}

func (w *terrace) observe(t *testing.T, b *bench, rows []record.Weather) {
	_, err := b.store.AddWeather(context.Background(), "quay", "pier", rows, false)
	require.NoError(t, err)
}

// found is what the folds concluded about quay-01.
func found(t *testing.T, b *bench) ([]breathing.Day, []finding.Finding) {
	ctx := context.Background()
	days, err := b.store.Breathing(ctx, "quay-01", "0000", "9999", 1000)
	require.NoError(t, err)
	kept, err := b.store.Occurrences(ctx, "quay-01")
	require.NoError(t, err)
	var list []finding.Finding
	for _, o := range kept {
		if !o.Revised && slices.Contains(box.Kinds, o.Finding.Kind) {
			list = append(list, o.Finding)
		}
	}
	return days, list
}

// wetness is what was found of quay-01 by its ledger, by onset.
func wetness(t *testing.T, b *bench) (list []finding.Finding) {
	kept, err := b.store.Occurrences(context.Background(), "quay-01")
	require.NoError(t, err)
	for _, o := range kept {
		if !o.Revised && (o.Finding.Kind == finding.BoardWet || o.Finding.Kind == finding.DampWeek) {
			list = append(list, o.Finding)
		}
	}
	slices.SortFunc(list, func(a, b finding.Finding) int {
		return cmp.Or(cmp.Compare(a.From, b.From), cmp.Compare(a.Kind, b.Kind))
	})
	return list
}

// Whatever comes in whatever order, readings of a box, those of its neighbour's
// outdoor sensor and observed weather, what is found of the box is the same in
// the end, and the same as one pass over all of it finds.
func TestABoxIsFollowedInAnyOrder(t *testing.T) {
	w := newTerrace(70)
	inOrder := newBench(t, nil)
	w.hang(t, inOrder)
	inOrder.now = start.Add(61 * day).Time()
	w.observe(t, inOrder, w.weather)
	inOrder.take(t, "quay-02", w.outside...)
	inOrder.take(t, "quay-01", w.inside...)
	require.NoError(t, inOrder.folder.All(context.Background()))
	days, findings := found(t, inOrder)
	require.Greater(t, len(days), 30)
	require.True(t, slices.ContainsFunc(findings, func(f finding.Finding) bool { return f.Kind == finding.SealOpened }), "%v", findings)
	bases := map[breathing.Basis]bool{}
	for _, d := range days {
		bases[d.Basis] = true
	}
	require.True(t, bases[breathing.Site], "%v", bases)

	shuffled := newBench(t, nil)
	w.hang(t, shuffled)
	shuffled.now = inOrder.now
	rnd := rand.New(rand.NewPCG(5, 5))
	type part struct {
		station string
		rs      []reading.Reading
		weather []record.Weather
	}
	var parts []part
	for rs := range slices.Chunk(slices.Clone(w.inside), 700) {
		parts = append(parts, part{station: "quay-01", rs: rs})
	}
	for rs := range slices.Chunk(slices.Clone(w.outside), 900) {
		parts = append(parts, part{station: "quay-02", rs: rs})
	}
	for rows := range slices.Chunk(slices.Clone(w.weather), 400) {
		parts = append(parts, part{weather: rows})
	}
	rnd.Shuffle(len(parts), func(i, j int) { parts[i], parts[j] = parts[j], parts[i] })
	for _, p := range parts {
		if p.station == "" {
			w.observe(t, shuffled, p.weather)
		} else {
			shuffled.take(t, p.station, p.rs...)
		}
		if rnd.IntN(2) == 0 {
			require.NoError(t, shuffled.folder.All(context.Background()))
		}
	}
	require.NoError(t, shuffled.folder.All(context.Background()))
	gotDays, gotFindings := found(t, shuffled)
	require.Equal(t, days, gotDays)
	require.Equal(t, wetness(t, inOrder), wetness(t, shuffled))
	slices.SortFunc(gotFindings, func(a, b finding.Finding) int { return int(a.Concluded - b.Concluded) })
	slices.SortFunc(findings, func(a, b finding.Finding) int { return int(a.Concluded - b.Concluded) })
	require.Equal(t, findings, gotFindings)
}

// A box is followed hour by hour as readings come; few states are kept.
func TestABoxIsFollowedAsItGoes(t *testing.T) {
	w := newTerrace(70)
	whole := newBench(t, nil)
	w.hang(t, whole)
	whole.now = start.Add(61 * day).Time()
	whole.take(t, "quay-01", w.inside...)
	require.NoError(t, whole.folder.All(context.Background()))

	b := newBench(t, nil)
	w.hang(t, b)
	b.take(t, "quay-01", w.inside[:7000]...)
	rest := w.inside[7000:]
	for i := range rest {
		b.now = rest[i].Time.Add(time.Minute).Time()
		b.take(t, "quay-01", rest[i])
		if i%3 == 0 {
			require.NoError(t, b.folder.All(context.Background()))
		}
	}
	require.NoError(t, b.folder.All(context.Background()))
	wantDays, wantFindings := found(t, whole)
	days, findings := found(t, b)
	require.Equal(t, wantDays, days)
	require.Equal(t, wantFindings, findings)
	states, err := b.store.BoxStates(context.Background(), "quay-01")
	require.NoError(t, err)
	require.Less(t, len(states), 13, "%v", states)
	require.Greater(t, len(states), 5, "%v", states)
}

// What a repair leaves is what later days are compared with, whether it is
// written down before the readings come or long after them; a time in the jar
// counts from its end until the unit hangs again.
func TestARepairBeginsTheBaselineAnew(t *testing.T) {
	w := newTerrace(90)
	at := func(d float64) unit.Instant { return start.Add(time.Duration(d * float64(day))) }
	entry := record.Entry{Author: "test", Recorded: at(80)}
	step := func(state visit.State, d float64) record.VisitStep {
		return record.VisitStep{Step: visit.Step{State: state, At: at(d)}, Entry: entry}
	}
	repair := func(t *testing.T, b *bench) {
		_, err := b.store.RecordVisit(context.Background(), record.VisitEntry{
			Entry: entry, Visit: record.Visit{Station: "quay-01", Kind: visit.SendIn},
			Steps: []record.VisitStep{step(visit.Arrived, 54), step(visit.OnBench, 54.5), step(visit.SentBack, 57.5), step(visit.Done, 59)},
			Work:  []record.VisitWork{{Work: visit.Work{Code: visit.GasketChanged, At: at(55)}, Entry: entry}, {Work: visit.Work{Code: visit.Hung, At: at(58)}, Entry: entry}},
			Jars:  []record.VisitJar{{Begin: at(55.1), End: at(57.1), Inside: "salt, 75 %", Entry: entry}, {Begin: at(57.2), Inside: "water", Entry: entry}},
		})
		require.NoError(t, err)
	}
	hang := func() *bench {
		b := newBench(t, nil)
		w.hang(t, b)
		require.NoError(t, b.store.AddFacts(context.Background(), []fact.Fact{{
			Subject: fact.Subject{Kind: fact.KindStation, ID: "quay-01"}, Name: fact.Installed, Value: "2025-10-04", From: at(60), Author: "test", Recorded: at(60),
		}}))
		b.now = at(90).Time()
		b.take(t, "quay-02", w.outside...)
		return b
	}
	whole := hang()
	repair(t, whole)
	whole.take(t, "quay-01", w.inside...)
	require.NoError(t, whole.folder.All(context.Background()))

	late := hang()
	late.take(t, "quay-01", w.inside...)
	require.NoError(t, late.folder.All(context.Background()))
	_, findings := found(t, late)
	require.Len(t, findings, 1)
	require.Zero(t, findings[0].To, "nobody said that anything was done")
	_, usual, err := late.store.BreathingNow(context.Background(), "quay-01")
	require.NoError(t, err)
	require.Greater(t, usual.TauH, 20.0)
	require.GreaterOrEqual(t, usual.Day, "2025-10-25", "three weeks after the day on which it was hung")
	repair(t, late)
	require.NoError(t, late.folder.All(context.Background()))

	days, findings := found(t, whole)
	lateDays, lateFindings := found(t, late)
	require.Equal(t, days, lateDays)
	require.Equal(t, findings, lateFindings)
	require.Len(t, findings, 1)
	require.Equal(t, finding.SealOpened, findings[0].Kind)
	require.InDelta(t, 0, findings[0].To.Sub(at(57.1)).Hours(), 2, "when it came out of the jar")
	for _, b := range []*bench{whole, late} {
		_, usual, err = b.store.BreathingNow(context.Background(), "quay-01")
		require.NoError(t, err)
		require.Less(t, usual.TauH, 6.0)
		require.GreaterOrEqual(t, usual.Day, at(58+21).Time().Format(time.DateOnly), "three weeks after it was hung again")
	}
}

// What a person finds of a humidity sensor counts from then on, whenever he
// says so; and no longer when he takes it back.
func TestACheckOfTheSensorCounts(t *testing.T) {
	w := newTerrace(12)
	b := newBench(t, nil)
	w.hang(t, b)
	b.now = start.Add(13 * day).Time()
	b.take(t, "quay-01", w.inside...)
	ctx := context.Background()
	require.NoError(t, b.folder.All(ctx))
	_, findings := found(t, b)
	require.Empty(t, findings)

	say := func(value string, days int) {
		t.Helper()
		require.NoError(t, b.store.AddFacts(ctx, []fact.Fact{{
			Subject: fact.Subject{Kind: fact.KindStation, ID: "quay-01"}, Name: fact.RHCheck, Value: value,
			From: start.Add(time.Duration(days) * day), Author: "Will", Recorded: start.Add(12 * day),
		}}))
		require.NoError(t, b.folder.All(ctx))
	}
	say("NaCl 20 C reads 91 after 8h", 5)
	_, findings = found(t, b)
	require.Len(t, findings, 1)
	require.Equal(t, finding.SensorSuspect, findings[0].Kind)
	require.Equal(t, start.Add(5*day), findings[0].From)
	require.Zero(t, findings[0].To)
	say("none", 8)
	_, findings = found(t, b)
	require.LessOrEqual(t, findings[0].To.Sub(start.Add(8*day)).Abs(), time.Hour, "the reading that completes the hour")
}

// Bursts of the sensor's own heater decide: two that it did not follow make it a
// suspect, one that it follows clears it; what came of the newest is kept.
func TestTheHeaterTestDecides(t *testing.T) {
	w := newTerrace(12)
	es := func(t float64) float64 { return float64(moistair.SaturationWater(unit.Celsius(t))) }
	for i := range w.inside {
		r := &w.inside[i]
		d := int(r.Time.Sub(start) / day)
		if d < 5 || d > 8 || r.Time.Sub(start)%day != 12*time.Hour {
			continue
		}
		temp, _ := r.Get(reading.InsideTemp)
		rh, _ := r.Get(reading.InsideRH)
		r.Flags = reading.FlagHeater
		r.Set(reading.InsideTemp, temp+20)
		if d == 5 || d == 8 {
			r.Set(reading.InsideRH, rh*es(temp)/es(temp+20))
		}
	}
	b := newBench(t, nil)
	w.hang(t, b)
	ctx := context.Background()
	until := func(days float64) ([]finding.Finding, *sensing.Burst) {
		end := start.Add(time.Duration(days * float64(day)))
		b.now = end.Time()
		n, _ := slices.BinarySearchFunc(w.inside, end, func(r reading.Reading, t unit.Instant) int { return int(r.Time - t) })
		b.take(t, "quay-01", w.inside[:n]...)
		w.inside = w.inside[n:]
		require.NoError(t, b.folder.All(ctx))
		_, findings := found(t, b)
		burst, err := b.store.Burst(ctx, "quay-01")
		require.NoError(t, err)
		return findings, burst
	}
	findings, burst := until(5)
	require.Empty(t, findings)
	require.Nil(t, burst)
	findings, burst = until(6)
	require.Empty(t, findings)
	require.Equal(t, sensing.HeaterPassed, burst.Result)
	require.Equal(t, start.Add(5*day+12*time.Hour), burst.At)
	require.Greater(t, burst.Fell, 20.0)
	findings, burst = until(7)
	require.Empty(t, findings, "one may have been out of step")
	require.Equal(t, sensing.HeaterNumb, burst.Result)
	findings, burst = until(8)
	require.Equal(t, sensing.HeaterFailed, burst.Result)
	require.Len(t, findings, 1)
	require.Equal(t, finding.SensorSuspect, findings[0].Kind)
	require.Equal(t, "heater_test_inside_rh_pct", findings[0].Evidence[0].Name)
	require.Zero(t, findings[0].To)
	findings, burst = until(9)
	require.Equal(t, sensing.HeaterPassed, burst.Result)
	require.NotZero(t, findings[0].To)
}
