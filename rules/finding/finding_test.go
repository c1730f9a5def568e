package finding_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/equal"
	"dewpost/rules/exposure"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

var start = unit.At(time.Date(2025, 8, 1, 0, 0, 0, 0, time.UTC))

// ledger makes whole hours with the given share at risk, known throughout.
func ledger(days int, risk func(day, hour int) float64) []exposure.Hour {
	var out []exposure.Hour
	for d := range days {
		for h := range 24 {
			at := start.Add(time.Duration(d*24+h) * time.Hour)
			ns := int64(risk(d, h) * float64(time.Hour))
			out = append(out, exposure.Hour{
				Start: at, Known: int64(time.Hour), AtRisk: ns, AtRiskLow: ns / 2, AtRiskHigh: ns, Until: at.Add(time.Hour),
			})
		}
	}
	return out
}

func nightly(hours int) func(int, int) float64 {
	return func(_, h int) float64 {
		if h < hours {
			return 1
		}
		return 0
	}
}

// dampWeeks judges where nothing is known of the air outdoors.
func dampWeeks(hours []exposure.Hour) []finding.Finding { return finding.DampWeeks(hours, nil) }

func TestDampWeekComparesWithTheOwnPast(t *testing.T) {
	require.Empty(t, dampWeeks(ledger(60, nightly(6))), "six hours every night are normal here")
	require.Empty(t, dampWeeks(ledger(60, nightly(20))), "so are twenty")

	// From day 40 on sixteen hours instead of six: 70 h more in a week.
	got := dampWeeks(ledger(60, func(d, h int) float64 {
		if d >= 40 {
			return nightly(16)(d, h)
		}
		return nightly(6)(d, h)
	}))
	require.Len(t, got, 1)
	f := got[0]
	require.Equal(t, finding.DampWeek, f.Kind)
	require.Zero(t, f.To)
	// The limit is 42 + 45 h: passed with the fifth damp day, and once more
	// with the sixth.
	require.Equal(t, start.Add(46*24*time.Hour), f.Concluded)
	require.Equal(t, start.Add(39*24*time.Hour), f.From)
	require.Equal(t, []finding.Evidence{
		{Name: "at_risk_7_days", Value: 102, Unit: "h"},
		{Name: "at_risk_7_days_low", Value: 51, Unit: "h"},
		{Name: "at_risk_7_days_high", Value: 102, Unit: "h"},
		{Name: "normal_7_days", Value: 42, Unit: "h"},
		{Name: "normal_7_days_low", Value: 21, Unit: "h"},
		{Name: "normal_7_days_high", Value: 42, Unit: "h"},
		{Name: "limit_7_days", Value: 87, Unit: "h"},
	}, f.Evidence)
}

func TestDampWeekEndsBelowTheDeadband(t *testing.T) {
	got := dampWeeks(ledger(80, func(d, h int) float64 {
		if d >= 40 && d < 55 {
			return nightly(16)(d, h)
		}
		return nightly(6)(d, h)
	}))
	require.Len(t, got, 1)
	// Below 87 less 12 h with three damp nights left in the week, and the day after.
	require.Equal(t, start.Add(60*24*time.Hour), got[0].To)
}

func TestDampWeekNeedsAPastAndKnowledge(t *testing.T) {
	damp := func(d, h int) float64 { return nightly(min(24, 4+d))(d, h) }
	require.Empty(t, dampWeeks(ledger(20, damp)), "no three weeks yet")
	hours := ledger(60, func(d, h int) float64 { return nightly(6+10*(d/40))(d, h) })
	for i := range hours {
		if i >= 40*24 && i%24 >= 6 {
			hours[i].Known, hours[i].AtRisk, hours[i].Unknown = 0, 0, int64(time.Hour)
		}
	}
	require.Empty(t, dampWeeks(hours), "a quarter of a week says nothing")
	require.Empty(t, dampWeeks(nil))
}

// What is concluded up to an hour is the same for the ledger cut there.
func TestDampWeeksAreCausal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.IntRange(0, 12).Draw(t, "a"), rapid.IntRange(8, 24).Draw(t, "b")
		from, to := rapid.IntRange(25, 50).Draw(t, "from"), rapid.IntRange(50, 80).Draw(t, "to")
		hours := ledger(90, func(d, h int) float64 {
			if d >= from && d < to {
				return nightly(b)(d, h)
			}
			return nightly(a)(d, h)
		})
		full := dampWeeks(hours)
		n := rapid.IntRange(1, len(hours)).Draw(t, "cut")
		end := hours[n-1].Until
		var want []finding.Finding
		for _, f := range full {
			if f.Concluded <= end {
				if f.To > end {
					f.To = 0
				}
				want = append(want, f)
			}
		}
		require.Equal(t, want, dampWeeks(hours[:n]))
	})
}

func TestWetBoardOfASpell(t *testing.T) {
	got := finding.WetBoards([]exposure.Spell{{From: start, Concluded: start.Add(12 * time.Hour)}}, nil, nil, nil)
	require.Equal(t, finding.BoardWet, got[0].Kind)
	require.Equal(t, 12.0, got[0].Evidence[0].Value)
	require.Zero(t, got[0].To)
}

// A damp fortnight that the weather explains is none; the same fortnight in
// weather that used to leave the box drier is.
func TestDampWeekComparesWithEqualWeather(t *testing.T) {
	humid := func(d int) bool { return d%20 >= 17 } // three days of twenty
	for name, c := range map[string]struct {
		humid func(d int) bool
		found bool
	}{
		"humid as it was damp before": {func(d int) bool { return humid(d) || d >= 100 && d < 114 }, false},
		"dry as it never was damp":    {func(d int) bool { return humid(d) && (d < 100 || d >= 114) }, true},
	} {
		t.Run(name, func(t *testing.T) {
			hours := ledger(120, func(d, h int) float64 {
				n := 4
				if humid(d) {
					n = 15
				}
				if d >= 100 && d < 114 {
					n = 16 + d%2
				}
				return nightly(n)(d, h)
			})
			var air []equal.Air
			for i := range hours {
				rh := unit.Percent(65 + i%5)
				if c.humid(i / 24) {
					rh += 28
				}
				air = append(air, equal.Air{Hour: hours[i].Start, Temp: 10, RH: rh})
			}
			got := finding.DampWeeks(hours, air)
			require.NotEmpty(t, dampWeeks(hours), "control: its own past alone says damp")
			require.Equal(t, c.found, len(got) > 0, "%+v", got)
			if c.found {
				require.Equal(t, "equal_weather_7_days", got[0].Evidence[7].Name)
				require.Less(t, got[0].Evidence[7].Value+got[0].Evidence[10].Value, got[0].Evidence[0].Value)
			}
			for days := 96; days < 120; days++ { // causal
				cut := finding.DampWeeks(hours[:days*24], air[:days*24])
				n := 0
				for _, f := range got {
					if f.Concluded <= hours[days*24-1].Until {
						n++
					}
				}
				require.Len(t, cut, n)
			}
		})
	}
}

// Judged from any day on, with what was found before it, the weeks are found that
// all days at once give.
func TestDampWeeksGoOn(t *testing.T) {
	resumed := 0
	rapid.Check(t, func(t *rapid.T) {
		var levels []int
		for len(levels) < 130 {
			n := rapid.SampledFrom([]int{3, 5, 15, 19, 22}).Draw(t, "hours a day")
			for range rapid.IntRange(2, 25).Draw(t, "days") {
				levels = append(levels, n)
			}
		}
		hours := ledger(120, func(d, h int) float64 { return nightly(levels[d])(d, h) })
		for range rapid.IntRange(0, 3).Draw(t, "gaps") {
			from := rapid.IntRange(0, 119).Draw(t, "from")
			for i := from * 24; i < min(len(hours), (from+rapid.IntRange(1, 45).Draw(t, "long"))*24); i++ {
				hours[i].Known, hours[i].AtRisk, hours[i].Unknown = 0, 0, int64(time.Hour)
			}
		}
		var air []equal.Air
		if rapid.Bool().Draw(t, "air") {
			for i := range hours {
				air = append(air, equal.Air{Hour: hours[i].Start, Temp: 10, RH: unit.Percent(60 + levels[(i/24+3)%130] + i%5)})
			}
		}
		whole := finding.DampWeeks(hours, air)
		n := rapid.IntRange(0, 119).Draw(t, "since")
		since := start.Add(time.Duration(n) * 24 * time.Hour)
		// What was found before may have been judged with other data behind it.
		before := finding.DampWeeks(hours[:n*24], air[:min(len(air), n*24)])
		if rapid.Bool().Draw(t, "with what came after") {
			before = whole
		}
		var want []finding.Finding
		for _, f := range whole {
			if f.To == 0 || f.To > since {
				want = append(want, f)
			}
		}
		if len(want) > 0 && want[0].From < since {
			resumed++
		}
		require.Equal(t, want, finding.DampWeeksSince(hours, air, since, before))
	})
	require.Positive(t, resumed)
}

// spellAt is a spell concluded at ten in the morning of a day.
func spellAt(day int) exposure.Spell {
	at := start.Add(time.Duration(day*24) * time.Hour)
	return exposure.Spell{From: at.Add(-3 * time.Hour), Concluded: at.Add(10*time.Hour + 5*time.Minute), To: at.Add(11 * time.Hour)}
}

// A board that stays wet as it always did in such weather is no finding, one that
// stays wet in weather in which it used to dry is; after a repair any is, and so it
// is while little is known.
func TestWetBoardComparesWithEqualWeather(t *testing.T) {
	var hours []exposure.Hour
	var air []equal.Air
	for i := range 100 * 24 {
		d, h := i/24, i%24
		humid := d%2 == 0
		wet, rh := int64(0), unit.Percent(60+i%7)
		if humid {
			rh += 30
			if h < 10+d%3 {
				wet = int64(time.Hour)
			}
		}
		if d == 91 && h < 10 { // a dry day
			wet = int64(time.Hour)
		}
		at := start.Add(time.Duration(i) * time.Hour)
		hours = append(hours, exposure.Hour{Start: at, Until: at.Add(64 * time.Minute), Known: int64(time.Hour), Condensing: wet})
		air = append(air, equal.Air{Hour: at, Temp: 10, RH: rh})
	}
	spells := []exposure.Spell{spellAt(90), spellAt(91)}
	require.Len(t, finding.WetBoards(spells, hours, nil, nil), 2, "nothing is known of the weather")
	got := finding.WetBoards(spells, hours, air, nil)
	require.Len(t, got, 1)
	require.Equal(t, spells[1].From, got[0].From)
	require.Equal(t, "equal_weather_24_h", got[0].Evidence[4].Name)
	require.InDelta(t, 10, got[0].Evidence[1].Value, 1.1)
	require.Less(t, got[0].Evidence[4].Value+got[0].Evidence[7].Value, got[0].Evidence[1].Value)
	require.Len(t, finding.WetBoards(spells, hours, air, []unit.Instant{spells[0].From.Add(-29 * 24 * time.Hour)}), 2, "after a repair")
	require.Len(t, finding.WetBoards(spells, hours, air, []unit.Instant{spells[0].From.Add(-40 * 24 * time.Hour), spells[1].Concluded.Add(1)}), 1, "long after one, and before one")
	require.Len(t, finding.WetBoards([]exposure.Spell{spellAt(20)}, hours, air, nil), 1, "too little is known")
	long := spells[0]
	long.To = 0
	end := long.From.Add(48 * time.Hour)
	require.Empty(t, finding.WetBoards([]exposure.Spell{long}, hours[:91*24+20], air, nil), "as usual for so long")
	onEnd := finding.WetBoards([]exposure.Spell{long}, hours, air, nil)
	require.Len(t, onEnd, 1, "no weather makes two days normal")
	require.Equal(t, end.Add(4*time.Minute), onEnd[0].Concluded, "a reading, as of any other finding")
	cut := slices.Clone(hours[:91*24+21])
	cut[len(cut)-1].Until = end.Add(-time.Minute)
	require.Empty(t, finding.WetBoards([]exposure.Spell{long}, cut, air, nil), "before it")
	require.InDelta(t, 48, onEnd[0].Evidence[0].Value, 0)
	require.True(t, finding.StillNormal(&long, end-1))
	require.False(t, finding.StillNormal(&long, end))
	for n := 91*24 + 10; n < len(hours); n += 24 { // causal
		require.Equal(t, got, finding.WetBoards(spells, hours[:n], air[:n], nil))
	}
}
