package life_test

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/fact"
	"dewpost/rules/life"
)

// A tenth of the uncoated budget in 100 days of a steady dose.
func tenthIn100Days(from, to string) float64 {
	hours := on(to).Sub(on(from)).Hours()
	return 0.1 * hours / 2400
}

func TestLooksAtBoards(t *testing.T) {
	hours := steady("2025-01-01", "2026-01-01", 70.0/2400)
	uncoated := []string{fact.Build, "uncoated", "", fact.Site, "lake", "", fact.Board, "new", "", fact.BoardFitted, "2025-01-01", ""}
	now := on("2026-01-01")
	sound := func(date string) life.Sight { return life.Sight{At: on(date)} }
	corroded := func(date string) life.Sight { return life.Sight{At: on(date), Corroded: true} }
	used := func(date string) float64 { return tenthIn100Days("2025-01-01", date) }
	for name, c := range map[string]struct {
		facts []string
		seen  []life.Sight
		want  []life.Look
	}{
		"nobody looked":    {uncoated, nil, nil},
		"sound":            {uncoated, []life.Sight{sound("2025-03-01")}, []life.Look{{"uncoated", used("2025-03-01"), math.Inf(1)}}},
		"sound twice":      {uncoated, []life.Sight{sound("2025-06-01"), sound("2025-03-01")}, []life.Look{{"uncoated", used("2025-06-01"), math.Inf(1)}}},
		"corroded":         {uncoated, []life.Sight{corroded("2025-06-01")}, []life.Look{{"uncoated", 0, used("2025-06-01")}}},
		"between":          {uncoated, []life.Sight{sound("2025-03-01"), corroded("2025-06-01"), sound("2025-09-01")}, []life.Look{{"uncoated", used("2025-03-01"), used("2025-06-01")}}},
		"in the future":    {uncoated, []life.Sight{corroded("2026-06-01")}, nil},
		"at the beginning": {uncoated, []life.Sight{sound("2025-01-01")}, nil},
		"build not known":  {uncoated[3:], []life.Sight{sound("2025-03-01")}, nil},
		"grade not known":  {append(say4(fact.Board, "used", ""), uncoated...)[:9], []life.Sight{sound("2025-03-01")}, nil},
		"used before: between bounds": {
			[]string{fact.Build, "uncoated", "", fact.Site, "lake", "", fact.Board, "used", "", fact.BoardGrade, "b", "", fact.BoardFitted, "2025-01-01", ""},
			[]life.Sight{sound("2025-03-01"), corroded("2025-06-01")},
			[]life.Look{{"uncoated", 0.15 + used("2025-03-01"), 0.45 + used("2025-06-01")}},
		},
		"another board": {
			append(append([]string{}, uncoated...), fact.BoardFitted, "2025-07-01", "2025-07-01"),
			[]life.Sight{sound("2025-06-01"), {At: on("2025-07-01"), Corroded: false, Changed: true}, corroded("2025-12-01")},
			[]life.Look{{"uncoated", used("2025-06-01"), math.Inf(1)}, {"uncoated", 0, used("2025-12-01") - used("2025-07-01")}},
		},
	} {
		t.Run(name, func(t *testing.T) {
			got := history(c.facts...).Looks(c.seen, hours, nil, now)
			require.Len(t, got, len(c.want))
			for i := range got {
				require.Equal(t, c.want[i].Group, got[i].Group)
				require.InDelta(t, c.want[i].Low, got[i].Low, 0.005)
				if math.IsInf(c.want[i].High, 1) {
					require.True(t, math.IsInf(got[i].High, 1))
				} else {
					require.InDelta(t, c.want[i].High, got[i].High, 0.005)
				}
			}
		})
	}
}

func say4(words ...string) []string { return words }

func TestLooksAtCovers(t *testing.T) {
	middle := math.Sqrt(150)
	base := []string{fact.Build, "coated", "", fact.Site, "lake", "", fact.CoverNew, "2010-01-01", ""}
	with := func(words ...string) []string { return append(append([]string{}, base...), words...) }
	for name, c := range map[string]struct {
		facts     []string
		low, high float64
		none      bool
	}{
		"nobody looked": {facts: base, none: true},
		"sound":         {facts: with(fact.CoverCondition, "sound", "2020-01-01"), low: 10, high: math.Inf(1)},
		"crazed":        {facts: with(fact.CoverCondition, "sound", "2018-01-01", fact.CoverCondition, "crazed", "2021-01-01"), low: 11, high: math.Inf(1)},
		"cracked":       {facts: with(fact.CoverCondition, "cracked", "2022-01-01"), low: 0, high: 12},
		"between":       {facts: with(fact.CoverCondition, "sound", "2020-01-01", fact.CoverCondition, "cracked", "2022-01-01", fact.CoverCondition, "sound", "2024-01-01"), low: 10, high: 12},
		"gone":          {facts: with(fact.CoverCondition, "sound", "2020-01-01", fact.CoverCondition, "missing", "2022-01-01"), low: 10, high: math.Inf(1)},
		"only gone":     {facts: with(fact.CoverCondition, "missing", "2022-01-01"), none: true},
	} {
		t.Run(name, func(t *testing.T) {
			got := history(c.facts...).Looks(nil, nil, nil, on("2025-06-01"))
			if c.none {
				require.Empty(t, got)
				return
			}
			require.Len(t, got, 1)
			require.Equal(t, life.CoverGroup, got[0].Group)
			require.InDelta(t, c.low/middle, got[0].Low, 0.01)
			if !math.IsInf(c.high, 1) {
				require.InDelta(t, c.high/middle, got[0].High, 0.01)
			}
		})
	}
	// Two covers, one after the other: the condition goes with the cover.
	got := history(with(fact.CoverCondition, "cracked", "2022-01-01", fact.CoverNew, "2022-02-01", "2022-02-01", fact.CoverCondition, "sound", "2024-02-01")...).Looks(nil, nil, nil, on("2025-06-01"))
	require.Len(t, got, 2)
	require.InDelta(t, 12/middle, got[0].High, 0.01)
	require.InDelta(t, 2/middle, got[1].Low, 0.01)
	require.True(t, math.IsInf(got[1].High, 1))
	require.Empty(t, history(fact.CoverNew, "2030-01-01", "").Looks(nil, nil, nil, on("2025-06-01")))
}

// What was corrected was never seen: a correction holds from the same instant, or
// always, and was recorded later.
func TestACorrectionTakesWhatWasSeenBack(t *testing.T) {
	middle := math.Sqrt(150)
	now := on("2025-06-01")
	base := []string{fact.Site, "lake", "", fact.CoverNew, "2010-01-01", ""}
	for name, c := range map[string]struct {
		facts     []string
		low, high float64
		sound     float64 // age at which it was last seen so
	}{
		"cracked, but it was sound":        {facts: []string{fact.CoverCondition, "cracked", "2022-01-01", fact.CoverCondition, "sound", "2022-01-01"}, low: 12, high: math.Inf(1), sound: 12},
		"sound, but it was cracked":        {facts: []string{fact.CoverCondition, "sound", "2022-01-01", fact.CoverCondition, "cracked", "2022-01-01"}, high: 12},
		"sound before, and then corrected": {facts: []string{fact.CoverCondition, "sound", "2018-01-01", fact.CoverCondition, "sound", "2022-01-01", fact.CoverCondition, "cracked", "2022-01-01"}, low: 8, high: 12, sound: 8},
		"sound twice":                      {facts: []string{fact.CoverCondition, "sound", "2018-01-01", fact.CoverCondition, "sound", "2022-01-01"}, low: 12, high: math.Inf(1), sound: 12},
		"always cracked, but always sound": {facts: []string{fact.CoverCondition, "cracked", "", fact.CoverCondition, "sound", ""}, low: 15, high: math.Inf(1), sound: 15},
	} {
		t.Run(name, func(t *testing.T) {
			h := history(append(slices.Clone(base), c.facts...)...)
			got := h.Looks(nil, nil, nil, now)
			require.Len(t, got, 1)
			require.InDelta(t, c.low/middle, got[0].Low, 0.01)
			if math.IsInf(c.high, 1) {
				require.True(t, math.IsInf(got[0].High, 1))
			} else {
				require.InDelta(t, c.high/middle, got[0].High, 0.01)
			}
			require.InDelta(t, c.sound, h.CoverAt(now).SeenSound, 0.01)
		})
	}
}

// Clocks go by what was learned, and the interval holds that the budget is not
// known better.
func TestClocksGoByLooks(t *testing.T) {
	hours := steady("2025-01-01", "2025-07-01", 140.0/2400)
	words := []string{fact.Build, "uncoated", "", fact.Site, "lake", "", fact.Board, "new", "", fact.BoardFitted, "2025-01-01", "", fact.CoverNew, "2018-01-01", ""}
	now := on("2025-07-01")
	plain := history(words...).BoardAt(hours, nil, now)
	require.Nil(t, plain.Learned)
	require.Nil(t, plain.Corroded)

	var few, many []life.Look
	for i := range 40 {
		look := life.Look{Group: "uncoated", Low: 1.5, High: 2.5}
		if many = append(many, look); i < 3 {
			few = append(few, look)
		}
	}
	h := history(words...)
	h.Teach(life.Learn(few))
	require.Equal(t, plain, h.BoardAt(hours, nil, now), "nothing learned yet")

	h.Teach(life.Learn(many))
	taught := h.BoardAt(hours, nil, now)
	require.NotNil(t, taught.Learned)
	require.InDelta(t, 2, taught.Learned.Middle, 0.2)
	require.InDelta(t, plain.Fraction/taught.Learned.Middle, taught.Fraction, 1e-9)
	require.InDelta(t, plain.Low/taught.Learned.High, taught.Low, 1e-9)
	require.InDelta(t, plain.High/taught.Learned.Low, taught.High, 1e-9)
	require.Less(t, *taught.Corroded, 0.05)
	require.Greater(t, taught.Date, plain.Date)
	require.Less(t, taught.Early, taught.Date)

	budget, low, high, learned, err := life.Learn(many).Budget("uncoated")
	require.NoError(t, err)
	require.True(t, learned)
	require.InDelta(t, 1400, budget, 150)
	require.Less(t, low, budget)
	require.Less(t, budget, high)
	budget, low, high, learned, err = (*life.Lessons)(nil).Budget("uncoated")
	require.NoError(t, err)
	require.False(t, learned)
	require.Equal(t, 700.0, budget)
	require.InDelta(t, 700*700, low*high, 1e-6)
	_, _, _, _, err = life.Learn(few).Budget("paper")
	require.ErrorContains(t, err, "known are")

	// Covers here crack after some eight years.
	var covers []life.Look
	for range 30 {
		covers = append(covers, life.Look{Group: life.CoverGroup, Low: 7 / math.Sqrt(150), High: 9 / math.Sqrt(150)})
	}
	before := history(words...).CoverAt(now)
	h.Teach(life.Learn(covers))
	after := h.CoverAt(now)
	require.Nil(t, before.Learned)
	require.NotNil(t, after.Learned)
	require.Greater(t, after.Chance, before.Chance+0.02)
	require.Less(t, after.Late, before.Late)
	require.Greater(t, after.Late, now)
}
