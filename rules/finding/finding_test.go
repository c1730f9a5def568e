package finding_test

import (
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
			out = append(out, exposure.Hour{
				Start: at, Known: int64(time.Hour), AtRisk: int64(risk(d, h) * float64(time.Hour)),
				Until: at.Add(time.Hour),
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
		{Name: "at_risk_7_days", Value: 102, Unit: "h"}, {Name: "normal_7_days", Value: 42, Unit: "h"}, {Name: "limit_7_days", Value: 87, Unit: "h"},
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

func TestFromSpells(t *testing.T) {
	got := finding.FromSpells([]exposure.Spell{{From: start, Concluded: start.Add(12 * time.Hour)}})
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
				require.Equal(t, "equal_weather_7_days", got[0].Evidence[3].Name)
				require.Less(t, got[0].Evidence[3].Value+got[0].Evidence[4].Value, got[0].Evidence[0].Value)
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
