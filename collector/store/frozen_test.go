package store

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/collector/record"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

func init() {
	also("OldReadingsGo", testOldReadingsGo)
	also("WhatKeepsOldReadings", testWhatKeepsOldReadings)
	also("TooLate", testTooLate)
	also("FrozenHoursStay", testFrozenHoursStay)
	also("DamageToFrozen", testDamageToFrozen)
	also("GoingAgainstModel", testGoingAgainstModel)
}

// years are readings of n days, four a day, the first at midnight.
func years(n int) (rs []reading.Reading) {
	for i := range int64(4 * n) {
		r := reading.Reading{Time: benchStart.Add(time.Duration(i) * 6 * time.Hour), Run: runName(1), Seq: i + 1}
		r.Set(reading.InsideTemp, 5+float64(i%7))
		r.Set(reading.InsideRH, 70+float64(i%29))
		rs = append(rs, r)
	}
	return rs
}

var background = context.Background()

// statesEvery is the number of days from one state of a box to the next.
const statesEvery = 8

// foldAll folds what is marked, as far as it isn't frozen, and keeps states of
// boxes as the fold does, at the first readings of days.
func refoldAll(t require.TestingT, s *Store) {
	for _, m := range marksOf(t, s) {
		out := record.Folded{Mark: m}
		if m.To >= m.Frozen {
			rs, err := s.Readings(background, m.Station, always, never)
			require.NoError(t, err)
			part := exposure.Part{From: max(m.Frozen, rs[0].Time.Floor(time.Hour)), To: never}
			before, err := s.Hours(background, m.Station, part.From.Add(-time.Hour), part.From)
			require.NoError(t, err)
			if len(before) == 1 {
				part.Begin = before[0].End
			}
			out.ReplaceFrom, out.ReplaceTo = part.From, never
			out.Hours = exposure.Fold(reading.Merge(rs), []exposure.Valid{{From: always, Facts: exposure.Facts{MaxGap: 7 * time.Hour}}}, part).Hours
			out.Hours = slices.DeleteFunc(out.Hours, func(h exposure.Hour) bool { return h.Start < part.From })
			out.Box = &record.Box{Since: m.Frozen - 1, Frozen: m.Frozen, Upto: rs[len(rs)-1].Time, Version: 1}
			for i := range rs {
				if at := rs[i].Time; at >= m.Frozen && dayOf(at)%statesEvery == 0 && (i == 0 || dayOf(rs[i-1].Time) != dayOf(at)) {
					out.Box.States = append(out.Box.States, record.BoxState{At: at, Body: []byte{1}})
				}
			}
		}
		require.NoError(t, s.CommitFold(background, out))
	}
}

func marksOf(t require.TestingT, s *Store) []record.Mark {
	list, err := s.Marks(background, 99)
	require.NoError(t, err)
	return list
}

// packed is a store with stations a and b, whose readings are folded and packed.
func packed(t *testing.T, e engine, n int) (*Store, string) {
	where := e.fresh(t)
	s := e.openAt(t, where, "a", "b").(*Store)
	for _, station := range []string{"a", "b"} {
		sent(t, s, station, years(n), 50)
	}
	refoldAll(t, s)
	packDays(t, s, never)
	return s, where
}

func letGo(t require.TestingT, s *Store, old unit.Instant) (all []record.Going) {
	for after, more := "", true; more; more = after != "" {
		var part []record.Going
		var err error
		part, after, err = s.LetGo(background, old, old.Add(1000*day), "Ida", after, 1)
		require.NoError(t, err)
		all = append(all, part...)
	}
	return all
}

func goes(t require.TestingT, s *Store, old unit.Instant) (all []record.Going) {
	for after, more := "", true; more; more = after != "" {
		var part []record.Going
		var err error
		part, after, err = s.Going(background, old, after, 1)
		require.NoError(t, err)
		all = append(all, part...)
	}
	return all
}

func sound(t require.TestingT, s *Store) record.Contents {
	c, err := s.Verify(background)
	require.NoError(t, err)
	return c
}

// lastState is the last midnight before an instant with a state of a box.
func lastState(old unit.Instant) unit.Instant {
	d := dayOf(old) - 1
	for d%statesEvery != 0 {
		d--
	}
	return unit.Instant(d * int64(day))
}

// What is said to go goes, in steps, and nothing else: hours, counts and the
// first reading's time are as before.
func testOldReadingsGo(t *testing.T, e engine) {
	s, _ := packed(t, e, 3*goAtOnce/2)
	rs := years(3 * goAtOnce / 2)
	before := everything(t, s, "a")
	is := sound(t, s)
	require.Zero(t, is.LetGo)
	require.Empty(t, goes(t, s, benchStart.Add(-day)))
	require.Empty(t, letGo(t, s, benchStart.Add(-day)))

	old := benchStart.Add(120*day + 5*time.Hour)
	state := lastState(old)
	want := record.Going{Station: "a", From: benchStart, To: state.Add(-day), Before: state.Add(day), Rules: []int{exposure.Version}}
	want.Days = int64(want.To.Sub(want.From) / day)
	want.Readings, want.Hours = 4*want.Days, int64(want.Before.Sub(benchStart)/time.Hour)
	said := goes(t, s, old)
	require.Len(t, said, 2)
	require.Positive(t, said[0].Bytes)
	want.Bytes = said[0].Bytes
	require.Equal(t, want, said[0])
	require.Equal(t, before, everything(t, s, "a"), "nothing has changed")
	require.Equal(t, is, sound(t, s))

	went := letGo(t, s, old)
	require.Len(t, went, 4, "two steps of two stations")
	require.Equal(t, []int64{goAtOnce, want.Days - goAtOnce}, []int64{went[0].Days, went[1].Days})
	require.Equal(t, []int64{want.Hours, 0}, []int64{went[0].Hours, went[1].Hours})
	list, err := s.Frozen(t.Context())
	require.NoError(t, err)
	require.Equal(t, record.Frozen{
		Station: "a", Before: want.Before, Kept: want.To, First: benchStart, Days: want.Days, Readings: want.Readings, Bytes: want.Bytes, Hours: want.Hours, At: old.Add(1000 * day),
	}, list[0])
	now := sound(t, s)
	require.Equal(t, is.Ledger, now.Ledger)
	require.Equal(t, 2*want.Readings, now.LetGo)
	require.Equal(t, is.Readings, now.Readings+now.LetGo)
	holds(t, s, "a", rs[want.Readings:])
	first, last, ok, err := s.Span(t.Context(), "a")
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, []unit.Instant{rs[0].Time, rs[len(rs)-1].Time}, []unit.Instant{first, last})
	balance(t, s)
	require.Empty(t, goes(t, s, old))
	require.Empty(t, letGo(t, s, old))
	end, err := s.FrozenBefore(t.Context(), "a")
	require.NoError(t, err)
	require.Equal(t, want.Before, end)
	end, err = s.FrozenBefore(t.Context(), "nobody")
	require.NoError(t, err)
	require.Zero(t, end)

	// Later the next step goes.
	old = old.Add(20 * day)
	more := letGo(t, s, old)
	require.Len(t, more, 2)
	require.Equal(t, want.To, more[0].From)
	require.Equal(t, lastState(old).Add(-day), more[0].To)
	require.Equal(t, int64(more[0].Before.Sub(want.Before)/time.Hour), more[0].Hours)
	require.Equal(t, is.Ledger, sound(t, s).Ledger)
	deeds, _, err := s.Audit(t.Context(), record.DeedPlace{}, 3)
	require.NoError(t, err)
	require.Equal(t, "let readings go", deeds[0].Action)
	require.Contains(t, deeds[0].Object, fmt.Sprintf("b: %d of %s to", more[1].Readings, more[1].From.Time().Format(time.DateOnly)))
}

// Readings stay while something of theirs is to be folded or packed, or while
// later hours, or nights, lean on them.
func testWhatKeepsOldReadings(t *testing.T, e engine) {
	s := e.new(t, "a", "b").(*Store)
	old := benchStart.Add(30 * day)
	sent(t, s, "b", years(1), 50)
	sent(t, s, "a", years(40), 50)
	waits := func(text string) {
		t.Helper()
		list := goes(t, s, old)
		require.Len(t, list, 1)
		require.Contains(t, list[0].Waits, text)
		require.Equal(t, list, letGo(t, s, old))
		holds(t, s, "a", years(40))
	}
	require.Empty(t, goes(t, s, old), "no box was followed")
	refoldAll(t, s)
	waits("packed")
	packDays(t, s, never)

	require.NoError(t, s.AddFacts(t.Context(), []fact.Fact{stationFact("a", fact.MaxGap, benchStart.Add(20*day), "90m")}))
	waits("folded")
	refoldAll(t, s)

	require.NoError(t, s.CommitFold(t.Context(), record.Folded{Mark: record.Mark{Station: "a"}, Nights: &record.Foretold{
		State: &record.OutlookState{At: benchStart.Add(3 * day), Due: old, Body: []byte{1}},
	}}))
	list := goes(t, s, old)
	require.Equal(t, benchStart.Add(2*day), list[0].To, "six hours before what is remembered of nights")
	require.NoError(t, s.CommitFold(t.Context(), record.Folded{Mark: record.Mark{Station: "a"}, Nights: &record.Foretold{Drop: []unit.Instant{benchStart.Add(3 * day)}}}))

	// The newest batch of all, of an old day: its number must not be given again.
	late := years(1)[0]
	late.Run, late.Time = runName(7), late.Time.Add(time.Minute)
	commit(t, s, arrival("a", late))
	refoldAll(t, s)
	packDays(t, s, never)
	list = goes(t, s, old)
	require.Contains(t, list[0].Waits, "newest readings of all")
	commit(t, s, arrival("b", keyed(runB, 1)))
	refoldAll(t, s)
	require.Empty(t, goes(t, s, old)[0].Waits)
	require.Empty(t, letGo(t, s, old)[0].Waits)
	sound(t, s)

	// A station that has said nothing since is folded, too, before it goes.
	silent := e.new(t, "a", "b").(*Store)
	sent(t, silent, "a", years(8), 50)
	sent(t, silent, "b", years(1), 50)
	refoldAll(t, silent)
	packDays(t, silent, never)
	require.NoError(t, silent.inTx(t.Context(), func(x *tx) error { return markFrom(x, 1, always) }))
	for _, g := range goes(t, silent, never) {
		require.Contains(t, g.Waits, "folded")
	}
}

// What comes for a frozen hour is refused, receipted and counted, once.
func testTooLate(t *testing.T, e engine) {
	s, _ := packed(t, e, 40)
	ahead := reading.Reading{Time: benchStart.Add(2*day + time.Hour), Run: runName(3), Seq: 1}
	ancient := reading.Reading{Time: unit.At(time.Date(1999, 1, 1, 0, 0, 0, 0, time.UTC)), Run: runName(3), Seq: 2}
	for _, r := range []reading.Reading{ahead, ancient} {
		a := record.Arrival{Station: "a", At: benchStart.Add(day)}
		a.Batch.Refused = []reading.Refusal{{Reason: reading.ReasonTime, Raw: line("a", &r), Run: r.Run, Seq: r.Seq, Reading: &r}}
		commit(t, s, a)
	}
	old := benchStart.Add(30 * day)
	before := letGo(t, s, old)[0].Before
	hours, err := s.Hours(t.Context(), "a", always, never)
	require.NoError(t, err)

	known := years(40)[2]
	late := reading.Reading{Time: benchStart.Add(3*day + time.Minute), Run: runName(2), Seq: 1}
	just := reading.Reading{Time: before - 1, Run: runName(2), Seq: 2}
	first := reading.Reading{Time: before, Run: runName(2), Seq: 3}
	bare := unkeyed(0, 5)
	bare.Time = benchStart.Add(day)
	got := commit(t, s, arrival("a", known, late, just, first, bare))
	require.Equal(t, record.Outcome{Station: "a", Stored: 1, Repeated: 1, Refused: 3, TooLate: 3, Runs: got[0].Runs}, got[0])
	require.Contains(t, got[0].Runs, record.RunState{Run: runName(2), Upto: 3})
	for range 2 { // also in one message
		got = commit(t, s, arrival("a", known, late, just, first, bare, bare))
		require.Equal(t, 6, got[0].Repeated)
	}
	other := bare
	other.Set(reading.InsideTemp, 6)
	require.Equal(t, 1, commit(t, s, arrival("a", other, other))[0].Refused)
	held, err := s.Quarantine(t.Context(), record.QuarantineQuery{Reason: reading.ReasonTooLate, Limit: 9})
	require.NoError(t, err)
	require.Len(t, held, 4)
	require.Contains(t, held[0].Detail, "frozen")
	require.ErrorContains(t, s.Release(t.Context(), []int64{held[0].ID}, old, "Ida"), "too_late")

	waiting, err := s.Quarantine(t.Context(), record.QuarantineQuery{Reason: reading.ReasonTime, Limit: 9})
	require.NoError(t, err)
	require.Len(t, waiting, 2)
	err = s.Release(t.Context(), []int64{waiting[0].ID}, old, "Ida")
	require.ErrorIs(t, err, record.ErrStays)
	require.ErrorContains(t, err, "frozen")
	n, err := s.ReleaseDue(t.Context(), old)
	require.NoError(t, err)
	require.Equal(t, 1, n)
	passed, err := s.Refused(t.Context(), waiting[1].ID)
	require.NoError(t, err)
	require.Equal(t, reading.ReasonTooLate, passed.Reason)
	n, err = s.ReleaseDue(t.Context(), old)
	require.NoError(t, err)
	require.Zero(t, n)
	require.Equal(t, int64(5), counts(t, s).Refused[reading.ReasonTooLate])

	refoldAll(t, s)
	after, err := s.Hours(t.Context(), "a", always, before)
	require.NoError(t, err)
	require.Equal(t, hoursBefore(hours, before), fmt.Sprintf("%+v", after))
	sound(t, s)
}

func hoursBefore(list []exposure.Hour, end unit.Instant) string {
	return fmt.Sprintf("%+v", slices.DeleteFunc(slices.Clone(list), func(h exposure.Hour) bool { return h.Start >= end }))
}

// Neither other rules nor facts change frozen hours, and who says so is told.
func testFrozenHoursStay(t *testing.T, e engine) {
	s, _ := packed(t, e, 40)
	g := letGo(t, s, benchStart.Add(30*day))[0]
	is, err := s.Hours(t.Context(), "a", always, g.Before)
	require.NoError(t, err)

	require.NoError(t, s.UseRules(t.Context(), 77))
	m := marksOf(t, s)
	require.Len(t, m, 2)
	require.Equal(t, g.Before, m[0].Frozen)
	hour := exposure.Hour{Start: g.Before.Add(-time.Hour)}
	refold := record.Folded{Mark: m[0], ReplaceFrom: hour.Start, ReplaceTo: never, Hours: []exposure.Hour{hour}}
	require.ErrorIs(t, s.CommitFold(t.Context(), refold), ErrFrozen)
	refoldAll(t, s)
	sound(t, s)

	require.NoError(t, s.AddFacts(t.Context(), []fact.Fact{siteFact("lake", fact.Zone, fact.Always, "EET"), stationFact("a", fact.Site, fact.Always, "lake")}))
	lat := siteFact("lake", fact.Lat, benchStart.Add(2*day), "61")
	require.NoError(t, s.AddFacts(t.Context(), []fact.Fact{lat, stationFact("b", fact.MaxGap, g.Before, "2h"), stationFact("b", fact.Name, fact.Always, "Lake 8")}))
	reached, err := s.FrozenBehind(t.Context(), lat)
	require.NoError(t, err)
	require.Len(t, reached, 1)
	require.Equal(t, "a", reached[0].Station)
	reached, err = s.FrozenBehind(t.Context(), stationFact("b", fact.MaxGap, g.Before, "2h"))
	require.NoError(t, err)
	require.Empty(t, reached)
	deeds, _, err := s.Audit(t.Context(), record.DeedPlace{}, 99)
	require.NoError(t, err)
	var told []string
	for _, d := range deeds {
		if d.Action == "say of frozen time" {
			told = append(told, d.Object)
		}
	}
	stays := ": hours of a before " + g.Before.String() + " stay as they are"
	for i := range told {
		require.Contains(t, told[i], stays)
		told[i], _, _ = strings.Cut(told[i], ":")
	}
	require.Equal(t, []string{"lat of site lake", "site of station a", "zone of site lake"}, told)
	refoldAll(t, s)
	after, err := s.Hours(t.Context(), "a", always, g.Before)
	require.NoError(t, err)
	require.Equal(t, fmt.Sprintf("%+v", is), fmt.Sprintf("%+v", after))
	sound(t, s)
}

func testDamageToFrozen(t *testing.T, e engine) {
	s, where := packed(t, e, 40)
	g := letGo(t, s, benchStart.Add(30*day))[0]
	raw := e.raw(t, where)
	for _, do := range []string{
		fmt.Sprintf(`update ledger_day set body = (select body from ledger_day where day = %d and station = 1) where station = 1 and day = %d`, dayOf(g.Before)-2, dayOf(g.Before)-1),
		`delete from ledger_day where station = 1 and day = (select min(day) from ledger_day)`,
	} {
		exec(t, raw, do)
		_, err := s.Verify(t.Context())
		require.ErrorContains(t, err, "frozen", do)
	}
	exec(t, raw, fmt.Sprintf(`update frozen set kept_ns = %d where station = 1`, int64(g.Before)))
	_, err := s.Verify(t.Context())
	require.ErrorContains(t, err, "were let go")
	exec(t, raw, fmt.Sprintf(`update ledger_day set body = %s where station = 2`, e.bytes([]byte{9})))
	exec(t, raw, `delete from ledger_day where station = 1`)
	exec(t, raw, `delete from frozen where station = 2`)
	_, _, err = s.Going(t.Context(), benchStart.Add(38*day), "a", 9)
	require.ErrorContains(t, err, "ledger")
}

// In whatever order readings come, are folded, packed and let go, late ones and
// other rules too: what was stored is there or was let go, what came too late is
// refused, frozen hours stay, and nothing else is frozen.
func testGoingAgainstModel(t *testing.T, e engine) {
	checks, most := 0, 15
	if IsURL(e.fresh(t)) {
		most = 4
	}
	rapid.Check(t, func(rt *rapid.T) {
		if checks++; checks > most { // each takes a store of its own
			return
		}
		where := e.fresh(t)
		s, err := e.open(background, where)
		require.NoError(rt, err)
		defer func() { require.NoError(rt, s.Close()) }()
		st := s.(*Store)
		enrol(t, s, "a")
		enrol(t, s, "z") // has the newest batch, now and then
		var stored, refused, again int64
		sentOnce := map[int64]bool{}
		frozen, ledger := unit.Instant(0), "[]"
		rs := years(60)
		next := 0
		send := func(r reading.Reading) {
			o := commit(t, s, arrival("a", r))[0]
			switch {
			case sentOnce[r.Seq]:
				again++
				require.Equal(rt, 1, o.Repeated)
			case r.Time < frozen: // a station that was silent for long may have its newest day let go
				refused++
				require.Equal(rt, 1, o.Refused)
			default:
				stored++
				require.Equal(rt, 1, o.Stored)
			}
			sentOnce[r.Seq] = true
		}
		for i := range rapid.IntRange(5, 25).Draw(rt, "steps") {
			switch rapid.IntRange(0, 6).Draw(rt, "do") {
			case 0, 1: // the next ones, with gaps
				for range rapid.IntRange(1, 60).Draw(rt, "readings") {
					if next < len(rs) && rapid.IntRange(0, 5).Draw(rt, "kept back") > 0 {
						send(rs[next])
					}
					next = min(next+1, len(rs))
				}
			case 2: // one of before
				if next == 0 {
					continue
				}
				send(rs[rapid.IntRange(0, next-1).Draw(rt, "late")])
			case 3:
				refoldAll(rt, st)
			case 4:
				_, _, err := st.PackDays(background, benchStart.Add(100*day), "", 9)
				require.NoError(rt, err)
			case 5:
				commit(t, s, seqs("z", runB, int64(i)+1))
				for _, g := range letGo(rt, st, benchStart.Add(time.Duration(rapid.IntRange(0, 70).Draw(rt, "old"))*day)) {
					if g.Waits == "" && g.Station == "a" {
						frozen = g.Before
					}
				}
				ledger = frozenHours(rt, st, frozen)
			case 6:
				require.NoError(rt, st.UseRules(background, i))
			}
			c := sound(rt, st)
			require.Equal(rt, ledger, frozenHours(rt, st, frozen))
			all, own := balance(rt, s)
			require.Equal(rt, stored, own["a"].Stored)
			require.Equal(rt, refused, own["a"].Refused)
			require.Equal(rt, again, own["a"].Repeated)
			require.Equal(rt, all.Stored, c.Readings+c.LetGo)
			require.Equal(rt, refused, all.Refused[reading.ReasonTooLate])
		}
	})
}

func frozenHours(t require.TestingT, s *Store, end unit.Instant) string {
	list, err := s.Hours(background, "a", always, end)
	require.NoError(t, err)
	return fmt.Sprintf("%+v", list)
}

// TestEveryStepOfLettingGoFails does with what lets readings go what
// TestEveryStepFails does with the rest.
func TestEveryStepOfLettingGoFails(t *testing.T) {
	e := sqliteEngine
	path := filepath.Join(t.TempDir(), "template.db")
	e.fresh = func(*testing.T) string { return path }
	s, _ := packed(t, e, 40)
	letGo(t, s, benchStart.Add(20*day))
	ahead := reading.Reading{Time: benchStart.Add(2*day + time.Hour), Run: runName(3), Seq: 1}
	a := record.Arrival{Station: "a", At: benchStart.Add(day)}
	a.Batch.Refused = []reading.Refusal{{Reason: reading.ReasonTime, Raw: line("a", &ahead), Run: ahead.Run, Seq: 1, Reading: &ahead}}
	commit(t, s, a)
	require.NoError(t, s.Close())
	withFaults(t)
	ctx := t.Context()
	bare := unkeyed(0, 5)
	bare.Time = benchStart.Add(day)
	for name, method := range map[string]func(*Store) error{
		"LetGo": func(s *Store) error {
			_, _, err := s.LetGo(ctx, benchStart.Add(38*day), t0, "Ida", "", 1)
			return err
		},
		"Going":        func(s *Store) error { _, _, err := s.Going(ctx, benchStart.Add(38*day), "", 9); return err },
		"FrozenBefore": func(s *Store) error { _, err := s.FrozenBefore(ctx, "a"); return err },
		"Frozen":       func(s *Store) error { _, err := s.Frozen(ctx); return err },
		"ReleaseDue":   func(s *Store) error { _, err := s.ReleaseDue(ctx, never); return err },
		"Release": func(s *Store) error {
			err := s.Release(ctx, []int64{1}, t0, "Ida")
			if errors.Is(err, record.ErrStays) && !errors.Is(err, errFault) {
				return nil
			}
			return err
		},
		"Verify": func(s *Store) error { _, err := s.Verify(ctx); return err },
		"Commit": func(s *Store) error {
			_, err := s.Commit(ctx, []record.Arrival{arrival("a", bare, reading.Reading{Time: benchStart, Run: runName(5), Seq: 1})})
			return err
		},
		"AddFacts": func(s *Store) error {
			return s.AddFacts(ctx, []fact.Fact{stationFact("a", fact.MaxGap, fact.Always, "90m")})
		},
		"FrozenBehind": func(s *Store) error {
			_, err := s.FrozenBehind(ctx, stationFact("a", fact.MaxGap, fact.Always, "90m"))
			return err
		},
	} {
		t.Run(name, func(t *testing.T) {
			s, err := Open(ctx, copyStore(t, path))
			require.NoError(t, err)
			defer func() { require.NoError(t, s.Close()) }()
			before := dump(t, s)
			require.NoError(t, method(s))
			after := dump(t, s)
			plan.column = -1
			for _, how := range []manner{refuses, lies, dies, garbles} {
				everyStepFails(t, path, how, before, after, method)
			}
		})
	}
}
