package finding_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/exposure"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

func suspect(channel string, from, concluded, to unit.Instant) finding.Finding {
	return finding.Finding{Kind: finding.SensorSuspect, From: from, Concluded: concluded, To: to, Evidence: []finding.Evidence{{Name: "stuck_" + channel}}}
}

// A sensor counts as in doubt from when that was concluded, and only if the ledger
// rests on it.
func TestDoubts(t *testing.T) {
	got := finding.Doubts([]finding.Finding{
		suspect("board_temp_c", 2, 40, 0),
		suspect("inside_rh_pct", 1, 10, 20),
		suspect("inside_temp_c", 1, 30, 35),
		suspect("outside_rh_pct", 1, 30, 0),
		suspect("cover_temp_c", 1, 30, 0),
		suspect("inside_rh_pct", 1, 50, 50),
		{Kind: finding.WaterInside, Concluded: 7, Evidence: []finding.Evidence{{Name: "stuck_inside_rh_pct"}}},
		{Kind: finding.SensorSuspect, Concluded: 7},
	})
	require.Equal(t, []finding.Doubt{{From: 10, To: 20}, {From: 30, To: 35}, {From: 40, Board: true}}, got)
	for at, want := range map[unit.Instant][2]bool{9: {}, 10: {true, true}, 19: {true, true}, 20: {}, 39: {}, 40: {false, true}} {
		require.Equal(t, want, [2]bool{finding.Doubtful(got, at, false), finding.Doubtful(got, at, true)}, "%d", at)
	}
}

// A damp week is none where the sensor is in doubt, and what it showed then makes
// no later week normal.
func TestNoDampWeekOfASensorInDoubt(t *testing.T) {
	day := func(n int) unit.Instant { return start.Add(time.Duration(n) * 24 * time.Hour) }
	damp := func(from, to int) []exposure.Hour {
		hours := ledger(100, func(d, h int) float64 {
			if d >= from && d < to {
				return nightly(20)(d, h)
			}
			return nightly(6)(d, h)
		})
		for i := range hours {
			hours[i].Basis = exposure.BasisAir
		}
		return hours
	}
	hours := damp(40, 60)
	weeks := func(doubts ...finding.Doubt) []finding.Finding {
		return finding.DampWeeks(finding.Trusted(hours, doubts), nil)
	}
	require.Len(t, weeks(), 1)
	require.Empty(t, weeks(finding.Doubt{From: day(41), To: day(60)}))
	require.Len(t, weeks(finding.Doubt{From: day(41), Board: true}), 1, "it rests on the air inside")
	for i := range hours {
		hours[i].Basis = exposure.BasisBoard
	}
	require.Empty(t, weeks(finding.Doubt{From: day(41), To: day(60), Board: true}))

	hours = damp(25, 70)
	copy(hours[80*24:], damp(80, 100)[80*24:])
	for _, f := range weeks() {
		require.Less(t, f.From, day(70), "control: what it showed before is what is usual")
	}
	got := weeks(finding.Doubt{From: day(25), To: day(70)})
	require.Len(t, got, 1)
	require.Greater(t, got[0].From, day(75))
	require.Equal(t, hours[5], finding.Trusted(hours, []finding.Doubt{{From: day(31)}})[5])
}

func TestSpellsOfASensorInDoubt(t *testing.T) {
	at := func(h int) unit.Instant { return start.Add(time.Duration(h) * time.Hour) }
	hours := ledger(4, nightly(0))
	spell := exposure.Spell{From: at(10), Concluded: at(22)}
	cut := func(s exposure.Spell, doubts ...finding.Doubt) []exposure.Spell {
		return finding.TrustedSpells([]exposure.Spell{s}, hours, doubts)
	}
	require.Equal(t, []exposure.Spell{spell}, cut(spell))
	require.Equal(t, []exposure.Spell{spell}, cut(spell, finding.Doubt{From: at(5), To: at(10)}))
	require.Equal(t, []exposure.Spell{spell}, cut(spell, finding.Doubt{From: at(12), Board: true}), "no sensor on the board")
	require.Equal(t, []exposure.Spell{{From: at(10), To: at(30), Concluded: at(22)}}, cut(spell, finding.Doubt{From: at(30)}), "concluded before")
	require.Empty(t, cut(spell, finding.Doubt{From: at(22)}))
	require.Empty(t, cut(spell, finding.Doubt{From: at(5)}))
	require.Equal(t, []exposure.Spell{{From: at(10), To: at(96), Concluded: at(22)}}, cut(spell, finding.Doubt{From: at(96)}), "at the ledger's end")
	ended := spell
	ended.To = at(31)
	require.Equal(t, []exposure.Spell{ended}, cut(ended, finding.Doubt{From: at(31)}))
	late := exposure.Spell{From: at(10), To: at(22), Concluded: at(23)}
	require.Empty(t, cut(late, finding.Doubt{From: at(23)}), "the reading that concluded it is in doubt")
	require.Equal(t, []exposure.Spell{late}, cut(late, finding.Doubt{From: at(24)}))
	require.Empty(t, cut(ended, finding.Doubt{From: at(12), To: at(20)}), "wet for eleven hours behind it")
	ended.To = at(32)
	require.Equal(t, []exposure.Spell{{From: at(20), To: at(32), Concluded: at(32)}}, cut(ended, finding.Doubt{From: at(12), To: at(20)}))
	require.Equal(t, []exposure.Spell{{From: at(10), To: at(30), Concluded: at(22)}, {From: at(40), Concluded: at(52)}},
		cut(spell, finding.Doubt{From: at(30), To: at(35)}, finding.Doubt{From: at(34), To: at(40)}))
	require.Empty(t, cut(spell, finding.Doubt{From: at(12), To: at(90)}), "the ledger ends before it was wet for long enough")
}

// What is concluded up to a reading is the same for readings and doubts cut there.
func TestWetBoardsInDoubtAreCausal(t *testing.T) {
	found := 0
	rapid.Check(t, func(t *rapid.T) {
		var rs []reading.Reading
		for len(rs) < 200 {
			rh := rapid.SampledFrom([]float64{60, 100}).Draw(t, "rh")
			for range rapid.IntRange(3, 40).Draw(t, "long") {
				r := reading.Reading{Time: start.Add(time.Duration(len(rs))*time.Hour + 20*time.Minute)}
				r.Set(reading.InsideTemp, 10)
				r.Set(reading.InsideRH, rh)
				rs = append(rs, r)
			}
		}
		var doubts []finding.Doubt
		for at := rapid.IntRange(0, 80).Draw(t, "first"); at < len(rs)-1; {
			d := finding.Doubt{From: rs[at].Time}
			at += rapid.IntRange(1, 60).Draw(t, "in doubt")
			if at < len(rs) {
				d.To = rs[at].Time
			}
			doubts = append(doubts, d)
			at += rapid.IntRange(1, 90).Draw(t, "trusted")
		}
		wet := func(rs []reading.Reading, doubts []finding.Doubt) []finding.Finding {
			facts := []exposure.Valid{{From: math.MinInt64, Facts: exposure.Facts{MaxGap: 2 * time.Hour}}}
			l := exposure.Fold(rs, facts, exposure.Part{From: math.MinInt64})
			return finding.WetBoards(finding.TrustedSpells(l.Spells, l.Hours, doubts), finding.Trusted(l.Hours, doubts), nil, nil)
		}
		n := rapid.IntRange(1, len(rs)).Draw(t, "cut")
		end := rs[n-1].Time
		want := []finding.Finding{}
		for _, f := range wet(rs, doubts) {
			require.False(t, finding.Doubtful(doubts, f.Concluded, false), "%+v", f)
			if f.Concluded <= end {
				want = append(want, f)
			}
		}
		var known []finding.Doubt
		for _, d := range doubts {
			if d.From <= end {
				if d.To > end {
					d.To = 0
				}
				known = append(known, d)
			}
		}
		found += len(want)
		got := wet(rs[:n], known)
		require.Len(t, got, len(want))
		for i := range want {
			if want[i].To == 0 || want[i].To > end.Add(-exposure.SpellOffDelay) { // by then it is not known whether it is over
				want[i].To, got[i].To = 0, 0
			}
		}
		require.Equal(t, want, got)
	})
	require.Positive(t, found)
}

// A wet board is no news while water is known to be in the box.
func TestBesideWater(t *testing.T) {
	wet := func(at unit.Instant) finding.Finding {
		return finding.Finding{Kind: finding.BoardWet, From: at - 5, Concluded: at}
	}
	all := []finding.Finding{wet(9), wet(10), wet(19), wet(20), wet(30), wet(41)}
	got := finding.BesideWater(slices.Clone(all), []finding.Finding{
		{Kind: finding.WaterInside, From: 1, Concluded: 10, To: 20},
		{Kind: finding.MoistAirFromWall, From: 1, Concluded: 25, To: 35},
		{Kind: finding.WaterInside, From: 30, Concluded: 40},
	})
	require.Equal(t, []finding.Finding{all[0], all[3], all[4]}, got)
	require.Equal(t, all, finding.BesideWater(slices.Clone(all), nil))
}
