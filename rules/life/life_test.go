package life_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/alarm"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/life"
	"dewpost/rules/unit"
)

const (
	day  = 24 * time.Hour
	year = 8766 * time.Hour
)

func on(date string) unit.Instant {
	t, err := time.Parse(time.DateOnly, date)
	if err != nil {
		panic(err)
	}
	return unit.At(t)
}

// say returns facts about a station that begin to hold on a date ("": always),
// as name, value, date.
func say(words ...string) (facts []fact.Fact) {
	for i := 0; i+2 < len(words); i += 3 {
		f := fact.Fact{Subject: fact.Subject{Kind: fact.KindStation, ID: "lake-07"}, Name: words[i], Value: words[i+1], From: fact.Always, Recorded: on("2025-01-01")}
		if words[i+2] != "" {
			f.From = on(words[i+2])
			f.Recorded = f.From
		}
		facts = append(facts, f)
	}
	return facts
}

// sun is what the site lake is in.
func sun(words ...string) func(string) []fact.Fact {
	return func(string) []fact.Fact { return say(words...) }
}

var part = sun(fact.Sun, "part", "")

func history(words ...string) *life.History { return life.NewHistory(say(words...), part) }

// steady is a ledger with the same dose in each hour of [from, to).
func steady(from, to string, dose float64) (hours []exposure.Hour) {
	for t := on(from); t < on(to); t = t.Add(time.Hour) {
		hours = append(hours, exposure.Hour{Start: t, Known: int64(time.Hour), Dose: int64(dose * 1e9), Basis: exposure.BasisBoard, Until: t.Add(time.Hour)})
	}
	return hours
}

func TestBudgets(t *testing.T) {
	var all []float64
	for _, build := range life.Builds {
		b, err := life.Budget(build)
		require.NoError(t, err)
		all = append(all, b)
	}
	require.Equal(t, all[1], all[2], "coated and coated-new-cover differ in the cover's age only")
	require.Less(t, all[0], all[3])
	require.Less(t, all[3], all[1])
	require.Greater(t, all[1]/all[0]/2, 15.0, "years in the open: longer than a cover lasts")
	_, err := life.Budget("gilded")
	require.ErrorContains(t, err, "known are uncoated")
}

func TestCoverAge(t *testing.T) {
	now := on("2026-01-01")
	for _, c := range []struct {
		sun       string
		age       float64
		estimated bool
	}{{"full", 12.5, false}, {"part", 10, false}, {"shade", 7, false}, {"", 10, true}} {
		var words []string
		if c.sun != "" {
			words = []string{fact.Sun, c.sun, ""}
		}
		h := life.NewHistory(say(fact.Site, "lake", "", fact.CoverNew, "2016-01-01", ""), sun(words...))
		got := h.CoverAt(now)
		require.Empty(t, got.Missing)
		require.InDelta(t, c.age, got.Age, 0.01, c.sun)
		require.Equal(t, c.estimated, got.Estimated, c.sun)
	}
	// Two years on the bench don't count; before its first site it hung somewhere.
	got := history(fact.CoverNew, "2016-01-01", "", fact.Site, "lake", "2020-01-01", fact.Site, fact.None, "2022-01-01", fact.Site, "lake", "2024-01-01").CoverAt(now)
	require.InDelta(t, 8, got.Age, 0.01)
	require.True(t, got.Estimated)

	got = history(fact.Site, "lake", "").CoverAt(now)
	require.Equal(t, []string{fact.CoverNew}, got.Missing)
	require.Zero(t, got.Chance)
	got = history(fact.CoverNew, "2026-01-02", "").CoverAt(now)
	require.Zero(t, got.Age)
	require.Zero(t, got.Chance)
}

// Covers crack after 10 to 15 years: a tenth before, a tenth after.
func TestChanceOfACrack(t *testing.T) {
	h := history(fact.Site, "lake", "", fact.CoverNew, "2010-01-01", "")
	require.InDelta(t, 0.1, h.CoverAt(on("2010-01-01").Add(10*year)).Chance, 1e-9)
	require.InDelta(t, 0.9, h.CoverAt(on("2010-01-01").Add(15*year)).Chance, 1e-9)
	c := h.CoverAt(on("2010-01-01").Add(5 * year))
	within := func(want time.Duration, got unit.Instant) {
		require.InDelta(t, 0, got.Sub(on("2010-01-01").Add(want)).Hours(), 1)
	}
	within(10*year, c.Early)
	within(time.Duration(float64(year)*math.Sqrt(150)), c.Likely)
	within(15*year, c.Late)
	c = h.CoverAt(on("2010-01-01").Add(13 * year))
	require.Zero(t, c.Early, "past")
	require.NotZero(t, c.Late)

	// Seen whole after 12 years: its chances begin anew, and are worse than those of a new one.
	seen := history(fact.Site, "lake", "", fact.CoverNew, "2010-01-01", "", fact.CoverCondition, "sound", "2022-01-01")
	got := seen.CoverAt(on("2022-01-01"))
	require.Zero(t, got.Chance)
	require.InDelta(t, 12, got.SeenSound, 0.01)
	require.Less(t, got.Ahead, 0.3)
	require.Greater(t, got.Ahead, 0.1)
	require.Less(t, seen.CoverAt(on("2023-01-01")).Chance, h.CoverAt(on("2023-01-01")).Chance)
	require.Greater(t, seen.CoverAt(on("2023-01-01")).Late, h.CoverAt(on("2023-01-01")).Late)

	// On the shelf nothing comes nearer.
	shelf := history(fact.CoverNew, "2010-01-01", "", fact.Site, fact.None, "2015-01-01").CoverAt(on("2016-01-01"))
	require.Zero(t, shelf.Likely)
	require.Equal(t, shelf.Chance, shelf.Ahead)
	old := history(fact.Site, "lake", "", fact.CoverNew, "1900-01-01", "", fact.CoverCondition, "sound", "2020-01-01").CoverAt(on("2026-01-01"))
	require.Equal(t, 1.0, old.Chance)
	require.Zero(t, old.Likely)
}

func TestChancesGrow(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		words := []string{fact.Site, "lake", "", fact.CoverNew, "2005-03-01", ""}
		if rapid.Bool().Draw(t, "seen") {
			words = append(words, fact.CoverCondition, "sound", on("2005-03-01").Add(time.Duration(rapid.IntRange(1, 6000).Draw(t, "day"))*day).Time().Format(time.DateOnly))
		}
		h := history(words...)
		last := 0.0
		from := rapid.IntRange(6001, 8000).Draw(t, "from")
		for i := range 20 {
			now := on("2005-03-01").Add(time.Duration(from+100*i) * day)
			c := h.CoverAt(now)
			require.GreaterOrEqual(t, c.Chance, last)
			require.GreaterOrEqual(t, c.Ahead, c.Chance)
			require.LessOrEqual(t, c.Ahead, 1.0)
			last = c.Chance
		}
	})
}

// A cover that outlived all others cracks within a week at least as likely as one
// that is younger, whatever looks taught, and however near to 1 the chance is that it
// has.
func TestTheOldestCoversCrackNoLess(t *testing.T) {
	weeks := float64(life.CoverLead) / float64(7*day)
	for name, looks := range map[string][]life.Look{
		"common practice": nil,
		"taught":          slices.Repeat([]life.Look{{Group: life.CoverGroup, Low: 7 / math.Sqrt(150), High: 9 / math.Sqrt(150)}}, 30),
	} {
		t.Run(name, func(t *testing.T) {
			lessons, last := life.Learn(looks), 0.0
			for age := range time.Duration(120) {
				fresh := on("2026-01-01").Add(-age * year).Time().Format(time.DateOnly)
				h := history(fact.Site, "lake", "", fact.CoverNew, fresh, "")
				h.Teach(lessons)
				c := h.CoverAt(on("2026-01-01"))
				require.GreaterOrEqual(t, c.Week, last, "%d years", int(age))
				require.Less(t, c.Week, 0.2)
				if last = c.Week; c.Chance < 0.99 {
					require.InDelta(t, (1-c.Ahead)/(1-c.Chance), math.Pow(1-c.Week, weeks), 1e-9, "%d years", int(age))
				}
			}
			require.Greater(t, last, 0.005)
		})
	}
	nowhere := history(fact.Site, fact.None, "2020-01-01", fact.CoverNew, "1970-01-01", "").CoverAt(on("2026-01-01"))
	require.Zero(t, nowhere.Week)
}

func TestCoverDue(t *testing.T) {
	words := []string{fact.Site, "lake", "", fact.CoverNew, "2010-01-01", ""}
	h := history(words...)
	_, found := h.Due(on("2019-06-01"), nil)
	require.False(t, found)
	f, found := h.Due(on("2024-01-01"), nil)
	require.True(t, found)
	require.Equal(t, finding.CoverDue, f.Kind)
	// Half a year before a tenth have cracked.
	require.InDelta(t, 0, f.From.Sub(on("2010-01-01").Add(10*year-life.CoverLead)).Hours(), 25)
	again, found := h.Due(on("2025-01-01"), &f)
	require.True(t, found)
	require.Equal(t, f, again, "its numbers stay those of its beginning")

	// A chance between its limits begins nothing and ends nothing.
	between := history(append(words, fact.CoverCondition, "sound", "2019-10-01")...)
	chance := between.CoverAt(on("2019-11-01")).Ahead
	require.Greater(t, chance, 0.05)
	require.Less(t, chance, 0.1)
	_, found = between.Due(on("2019-11-01"), nil)
	require.False(t, found)
	_, found = between.Due(on("2019-11-01"), &f)
	require.True(t, found)

	// A new cover ends it; a crack begins it, whatever the age, known or not.
	ended, found := history(append(words, fact.CoverNew, "2024-02-01", "2024-02-01")...).Due(on("2024-02-02"), &f)
	require.True(t, found)
	require.Equal(t, on("2024-02-01"), ended.To)
	_, found = history(fact.Site, "lake", "", fact.CoverNew, "2018-01-01", "").Due(on("2024-02-02"), &f)
	require.False(t, found, "its date was wrong")
	for _, condition := range []string{"cracked", "missing", "crazed"} {
		for _, known := range [][]string{nil, {fact.CoverNew, "2020-01-01", ""}} {
			h := history(append(known, fact.CoverCondition, condition, "2021-05-01")...)
			f, found := h.Due(on("2021-06-01"), nil)
			require.True(t, found)
			require.Equal(t, on("2021-05-01"), f.From)
			require.Equal(t, len(known) > 0, len(f.Evidence) > 0)
		}
	}
	f, found = history(fact.Build, "cracked-cover", "").Due(on("2025-02-01"), nil)
	require.True(t, found)
	require.Equal(t, on("2025-01-01"), f.From, "as it was recorded")
	_, found = history(fact.Site, "lake", "").Due(on("2026-01-01"), nil)
	require.False(t, found, "its age is not known")
}

var newBoard = []string{fact.Site, "lake", "", fact.Build, "uncoated", "", fact.Board, "new", "", fact.BoardFitted, "2024-01-01", "", fact.CoverNew, "2023-01-01", ""}

func TestBoardLife(t *testing.T) {
	h := history(newBoard...)
	b := h.BoardAt(steady("2024-01-01", "2024-04-10", 0.1), nil, on("2024-04-10"))
	require.True(t, b.Known)
	require.InDelta(t, 240.0/700, b.Fraction, 1e-9)
	require.Zero(t, b.Estimated)
	require.InDelta(t, 2400, b.KnownH, 1e-6)
	require.Less(t, b.Low, b.Fraction)
	require.Greater(t, b.High, b.Fraction)
	// 2.4 h eq a day: 460 are left for 191.7 days; its cover is young.
	require.Equal(t, life.OnDate, b.Outlook)
	require.Equal(t, on("2024-04-10").Add(192*day), b.Date)
	require.Less(t, b.Early, b.Date)
	require.Greater(t, b.Late, b.Date)

	// Half of the time unknown: taken to have been as wet as the rest.
	half := steady("2024-01-01", "2024-04-10", 0.1)
	for i := range half {
		if i%2 == 1 {
			half[i].Known, half[i].Unknown, half[i].Dose = 0, int64(time.Hour), 0
		}
	}
	b = h.BoardAt(half, nil, on("2024-04-10"))
	require.InDelta(t, 240.0/700, b.Fraction, 1e-9)
	require.InDelta(t, 120.0/700, b.Estimated, 1e-9)
	require.InDelta(t, 1200, b.UnknownH, 1e-6)

	// Not heard for forty days: the month's rate, else the build's.
	b = h.BoardAt(steady("2024-01-01", "2024-03-01", 0.1), nil, on("2024-04-10"))
	require.InDelta(t, 240.0/700, b.Fraction, 1e-9)
	require.InDelta(t, 96.0/700, b.Estimated, 1e-9)

	// On the air's basis the surface may have been colder.
	air := steady("2024-01-01", "2024-04-10", 0.1)
	for i := range air {
		air[i].Basis = exposure.BasisAir
	}
	require.Greater(t, h.BoardAt(air, nil, on("2024-04-10")).High, 1.9*240.0/700)
}

func TestMonthsKeepTheirOwnRate(t *testing.T) {
	// January is wet, July is dry; the second July is not heard.
	hours := append(steady("2023-01-01", "2023-02-01", 0.2), steady("2023-07-01", "2023-07-15", 0.01)...)
	words := []string{fact.Site, "lake", "", fact.Build, "coated", "", fact.Board, "new", "", fact.BoardFitted, "2024-07-01", ""}
	b := history(words...).BoardAt(hours, nil, on("2024-08-01"))
	require.False(t, b.Known, "nothing was heard since the board was fitted")
	require.InDelta(t, 31*24*0.01/28000, b.Estimated, 1e-12)
}

func TestWhatABoardBeginsWith(t *testing.T) {
	hours := steady("2024-01-01", "2024-03-01", 0.1)
	now := on("2024-03-01")
	at := func(words ...string) life.Board { return history(words...).BoardAt(hours, nil, now) }
	donor := []string{fact.Site, "lake", "", fact.Build, "coated", "", fact.Board, "donor", "", fact.BoardFitted, "2024-01-01", ""}
	require.Equal(t, []string{fact.BoardGrade}, at(donor...).Missing)
	last := 0.0
	for _, grade := range []string{"a", "b", "c", "d"} {
		b := at(append(donor, fact.BoardGrade, grade, "")...)
		require.True(t, b.Known)
		require.Greater(t, b.Start, last)
		require.InDelta(t, b.Start+b.Dose, b.Fraction, 1e-12)
		require.Less(t, b.Low, b.Fraction)
		require.Greater(t, b.High, b.Fraction+0.05)
		last = b.Start
	}
	b := at()
	require.Equal(t, []string{fact.Build, fact.Board}, b.Missing)
	require.False(t, b.Known)
	require.Zero(t, b.Fraction)
	b = history(newBoard...).BoardAt(nil, nil, now)
	require.False(t, b.Known, "not known yet: nothing was heard")
	require.Equal(t, life.NotKnownYet, b.Outlook)
}

func TestRecoatKeepsTheCountAndANewBoardDoesNot(t *testing.T) {
	hours := steady("2024-01-01", "2024-07-01", 0.1)
	now := on("2024-07-01")
	before := history(newBoard...).BoardAt(hours, nil, on("2024-04-01"))
	coated := history(append(newBoard, fact.Build, "coated", "2024-04-01", fact.Coated, "2024-04-01", "2024-04-01")...).BoardAt(hours, nil, now)
	require.InDelta(t, before.Fraction+91*24*0.1/28000, coated.Fraction, 1e-9)
	changed := history(append(newBoard, fact.Board, "new", "2024-04-01", fact.BoardFitted, "2024-04-01", "2024-04-01")...).BoardAt(hours, nil, now)
	require.InDelta(t, 91*24*0.1/700, changed.Fraction, 1e-9)
	require.Equal(t, on("2024-04-01"), changed.Since)
	// Behind a crack the same dose takes more than behind a sound cover.
	cracked := history(append(newBoard, fact.Build, "cracked-cover", "2024-04-01")...).BoardAt(hours, nil, now)
	require.InDelta(t, before.Fraction+91*24*0.1/7000, cracked.Fraction, 1e-9)
	require.Greater(t, cracked.Fraction, coated.Fraction)
}

func TestWaterWeighsMore(t *testing.T) {
	hours := steady("2024-01-01", "2024-03-01", 0.1)
	h, now := history(newBoard...), on("2024-03-01")
	dry := h.BoardAt(hours, nil, now)
	wet := h.BoardAt(hours, []life.Span{{From: on("2024-02-01"), To: on("2024-02-11")}}, now)
	require.InDelta(t, dry.Fraction+10*24*0.1/700, wet.Fraction, 1e-9)
	lasting := h.BoardAt(hours, []life.Span{{From: on("2024-02-01")}}, now)
	require.InDelta(t, dry.Fraction+29*24*0.1/700, lasting.Fraction, 1e-9)
	require.Less(t, lasting.Date, dry.Date)
}

// On the bench an unknown time counts nothing, and its known hours stand for
// nothing else.
func TestTheBench(t *testing.T) {
	words := append([]string{}, newBoard...)
	words = append(words, fact.Site, fact.None, "2024-02-01", fact.Site, "lake", "2024-03-01")
	h := history(words...)
	b := h.BoardAt(steady("2024-01-01", "2024-02-01", 0.1), nil, on("2024-03-01"))
	require.InDelta(t, 31*24*0.1/700, b.Fraction, 1e-9)
	require.Zero(t, b.UnknownH)
	hours := append(steady("2024-01-01", "2024-02-01", 0.1), steady("2024-02-10", "2024-02-20", 0)...)
	b = h.BoardAt(hours, nil, on("2024-03-11"))
	require.InDelta(t, 10*24*0.1/700, b.Estimated, 1e-9)
	b = history(append(newBoard, fact.Site, fact.None, "2024-02-01")...).BoardAt(hours, nil, on("2024-02-20"))
	require.Equal(t, life.NotKnownYet, b.Outlook, "no date while it hangs nowhere")
}

func TestOutlooks(t *testing.T) {
	long, now := steady("2024-01-01", "2024-04-10", 0.1), on("2024-04-10")
	dry := steady("2024-01-01", "2024-04-10", 0.0001)
	with := func(words ...string) *life.History {
		return history(append(append([]string{}, newBoard...), words...)...)
	}
	at := func(h *life.History, hours []exposure.Hour) life.Board { return h.BoardAt(hours, nil, now) }
	require.Equal(t, life.UsedUp, at(with(), steady("2024-01-01", "2024-04-10", 1)).Outlook)
	require.Equal(t, life.BeyondCover, at(with(), dry).Outlook)
	require.Equal(t, life.BeyondCover, at(with(fact.Build, "coated", ""), long).Outlook)
	b := at(with(fact.Build, "coated", ""), steady("2024-01-01", "2024-04-10", 1))
	require.Equal(t, life.BeforeCover, b.Outlook)
	require.Zero(t, b.Date)
	b = at(with(fact.Build, "cracked-cover", ""), long)
	require.Equal(t, life.OnDate, b.Outlook)
	require.Equal(t, life.NotKnownYet, at(with(fact.Build, "cracked-cover", ""), dry).Outlook)
	require.Equal(t, life.NotKnownYet, history(newBoard...).BoardAt(steady("2024-04-01", "2024-04-10", 0.1), nil, now).Outlook, "ten days are no rate")

	// Without the cover's age a date goes a year ahead.
	blind := newBoard[:12]
	require.Equal(t, life.OnDate, at(history(blind...), long).Outlook)
	b = at(history(blind...), dry)
	require.Equal(t, life.NotKnownYet, b.Outlook)
	require.Equal(t, []string{fact.CoverNew}, b.Missing)
	require.True(t, b.Known)
	require.Equal(t, life.BeyondCover, at(history(append(append([]string{}, blind...), fact.Build, "coated", "")...), long).Outlook)
	// A cover that can't be whole any more leaves no date.
	require.Equal(t, life.BeyondCover, at(with(fact.CoverNew, "1900-01-01", ""), long).Outlook)
}

func TestBudgetLow(t *testing.T) {
	h := history(newBoard...)
	hours := steady("2024-01-01", "2024-12-01", 0.1)
	low := func(date string, lasting *finding.Finding) (finding.Finding, bool) {
		n := int(on(date).Sub(on("2024-01-01")) / time.Hour)
		b := h.BoardAt(hours[:n], nil, on(date))
		return b.Short(on(date), on(date), lasting)
	}
	_, found := low("2024-04-10", nil) // 192 days are left
	require.False(t, found)
	_, found = low("2024-07-10", nil) // 101
	require.False(t, found)
	f, found := low("2024-07-31", nil) // 80
	require.True(t, found)
	require.Equal(t, finding.BudgetLow, f.Kind)
	require.Len(t, f.Evidence, 3)
	again, found := low("2024-07-10", &f)
	require.True(t, found, "between its limits it lasts")
	require.Equal(t, f, again)
	_, found = low("2024-05-10", &f)
	require.False(t, found, "less is known than when it began")
	g := f
	g.From = on("2024-05-01")
	ended, found := low("2024-05-10", &g)
	require.True(t, found)
	require.Equal(t, on("2024-05-10"), ended.To)
	changed := history(append(append([]string{}, newBoard...), fact.BoardFitted, "2024-09-01", "2024-09-01")...).BoardAt(hours, nil, on("2024-09-05"))
	ended, found = changed.Short(on("2024-09-05"), on("2024-09-05"), &f)
	require.True(t, found)
	require.Equal(t, on("2024-09-01"), ended.To)
	_, found = low("2024-11-30", nil)
	require.True(t, found)
	var unknown life.Board
	_, found = unknown.Short(on("2024-11-30"), on("2024-11-30"), &f)
	require.False(t, found)
}

// A life is what its parts are, however it is cut: what was used by a day, and
// by a later one with the board fitted anew on the first, add up.
func TestUsedIsAdditive(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		hours := steady("2024-01-01", "2024-04-01", 0)
		for i := range hours {
			share := rapid.SampledFrom([]float64{0, 0.5, 1}).Draw(t, "known")
			hours[i].Known = int64(share * float64(time.Hour))
			hours[i].Unknown = int64(time.Hour) - hours[i].Known
			hours[i].Dose = int64(share * 1e9 * float64(i%7) / 7)
		}
		hours[0].Known, hours[0].Unknown = int64(time.Hour), 0
		words := append([]string{}, newBoard...)
		words = append(words, fact.Build, "cracked-cover", "2024-02-17")
		cut := on("2024-01-02").Add(time.Duration(rapid.IntRange(0, 110).Draw(t, "cut")) * day)
		end := cut.Add(time.Duration(rapid.IntRange(1, 100*24).Draw(t, "rest")) * time.Hour)
		water := []life.Span{{From: on("2024-02-03"), To: on("2024-02-05")}}
		whole := history(words...).BoardAt(hours, water, end)
		first := history(words...).BoardAt(hours, water, cut)
		later := history(append(words, fact.BoardFitted, cut.Time().Format(time.DateOnly), "")...).BoardAt(hours, water, end)
		require.InDelta(t, whole.Dose, first.Dose+later.Dose, 1e-9)
		require.InDelta(t, whole.Estimated, first.Estimated+later.Estimated, 1e-9)
		require.InDelta(t, whole.KnownH+whole.UnknownH, end.Sub(on("2024-01-01")).Hours(), 1e-6)
		require.LessOrEqual(t, whole.Low, whole.Fraction)
		require.GreaterOrEqual(t, whole.High, whole.Fraction)
		require.InDelta(t, whole.KnownH, first.KnownH+later.KnownH, 1e-6)
	})
}

// Of the first hour of a ledger the end is known, of the last one the beginning:
// what is collected by now counts whole.
func TestHoursInPart(t *testing.T) {
	hours := steady("2024-01-01", "2024-01-02", 0.6)
	first, last := &hours[0], &hours[len(hours)-1]
	for _, h := range []*exposure.Hour{first, last} {
		h.Known, h.Dose = int64(10*time.Minute), 1e8
	}
	words := append(append([]string{}, newBoard[:9]...), fact.BoardFitted, "2023-12-31", "")
	b := history(words...).BoardAt(hours, nil, on("2024-01-02").Add(-50*time.Minute))
	require.InDelta(t, (22*0.6+0.2)/700, b.Dose, 1e-9)
	require.InDelta(t, 22+20.0/60, b.KnownH, 1e-9)
	require.InDelta(t, 24+50.0/60, b.UnknownH, 1e-9, "the day before, and fifty minutes")
	b = history(newBoard[:9]...).BoardAt(hours, nil, on("2024-01-02").Add(-50*time.Minute))
	require.Equal(t, on("2024-01-01").Add(50*time.Minute), b.Since, "from its first reading")
	require.Zero(t, b.UnknownH)
}

// A date is never beyond the age at which a cover that is whole now is as
// likely cracked as not, and a coated board behind such a cover has none.
func TestNoDateBeyondCoverAge(t *testing.T) {
	hours := make(map[float64][]exposure.Hour)
	for _, dose := range []float64{0.001, 0.01, 0.03, 0.1, 0.4} {
		hours[dose] = steady("2024-01-01", "2024-04-10", dose)
	}
	now, seen := on("2024-04-10"), map[life.Outlook]int{}
	rapid.Check(t, func(t *rapid.T) {
		build := rapid.SampledFrom(life.Builds).Draw(t, "build")
		age := rapid.IntRange(0, 25*365).Draw(t, "days")
		fresh := now.Add(-time.Duration(age) * day).Time().Format(time.DateOnly)
		h := history(fact.Site, "lake", "", fact.Build, build, "", fact.Board, "new", "", fact.BoardFitted, "2024-01-01", "", fact.CoverNew, fresh, "")
		b := h.BoardAt(hours[rapid.SampledFrom([]float64{0.001, 0.01, 0.03, 0.1, 0.4}).Draw(t, "dose")], nil, now)
		seen[b.Outlook]++
		require.Equal(t, b.Outlook == life.OnDate, b.Date != 0)
		if b.Outlook != life.OnDate {
			return
		}
		require.LessOrEqual(t, b.Early, b.Date)
		require.True(t, b.Late == 0 || b.Late >= b.Date)
		require.NotContains(t, []string{"coated", "coated-new-cover"}, build)
		if build == "uncoated" {
			whole := history(fact.Site, "lake", "", fact.CoverNew, fresh, "", fact.CoverCondition, "sound", "2024-04-10")
			require.LessOrEqual(t, b.Date, whole.CoverAt(now).Likely)
			require.LessOrEqual(t, b.Late, whole.CoverAt(now).Likely)
		}
	})
	require.NotZero(t, seen[life.OnDate])
	require.NotZero(t, seen[life.BeyondCover])
}

func TestWaterOfOccurrences(t *testing.T) {
	water := alarm.Occurrence{Finding: finding.Finding{Kind: finding.WaterInside, From: 10, To: 20}}
	lasting := alarm.Occurrence{Finding: finding.Finding{Kind: finding.WaterInside, From: 30}}
	withdrawn := alarm.Occurrence{Finding: finding.Finding{Kind: finding.WaterInside, From: 25, To: 26}, Revised: true}
	other := alarm.Occurrence{Finding: finding.Finding{Kind: finding.BoardWet, From: 1}}
	require.Equal(t, []life.Span{{From: 10, To: 20}, {From: 30}}, life.Water([]alarm.Occurrence{other, water, withdrawn, lasting}))
}

// What a sensor in doubt showed is no dose: that time counts as unknown, from its
// onset.
func TestADoseOfASensorInDoubtIsNone(t *testing.T) {
	hours := steady("2024-01-01", "2024-03-01", 0.1)
	for i := range hours {
		if hours[i].Start >= on("2024-01-21") && hours[i].Start < on("2024-02-01") {
			hours[i].Dose = 1e9
		}
	}
	stuck := alarm.Occurrence{Finding: finding.Finding{
		Kind: finding.SensorSuspect, From: on("2024-01-21"), Concluded: on("2024-01-23"), To: on("2024-02-01"),
		Evidence: []finding.Evidence{{Name: "stuck_inside_rh_pct"}},
	}}
	now := on("2024-03-01")
	b := history(newBoard...).BoardAt(life.Trusted(hours, []alarm.Occurrence{stuck}), nil, now)
	require.InDelta(t, 49*24*0.1/700, b.Dose, 1e-12)
	require.InDelta(t, 11*24*0.1/700, b.Estimated, 1e-12)
	require.InDelta(t, 11*24, b.UnknownH, 1e-9)
	stuck.Revised = true
	b = history(newBoard...).BoardAt(life.Trusted(hours, []alarm.Occurrence{stuck}), nil, now)
	require.InDelta(t, (49*24*0.1+11*24)/700, b.Dose, 1e-12, "it was withdrawn")
}

// A month that was never heard goes by the build's rate, and where the build
// was never heard by that of all.
func TestRatesFallBack(t *testing.T) {
	hours := append(steady("2024-01-01", "2024-02-01", 0.2), steady("2024-02-01", "2024-03-01", 0.1)...)
	words := append(append([]string{}, newBoard...), fact.Build, "coated", "2024-02-01")
	b := history(words...).BoardAt(hours, nil, on("2024-03-11"))
	require.InDelta(t, 10*24*0.1/28000, b.Estimated, 1e-12, "by February's build")
	words = append(append([]string{}, newBoard...), fact.Build, "cracked-cover", "2024-03-01")
	b = history(words...).BoardAt(hours, nil, on("2024-03-11"))
	require.InDelta(t, 10*24*(31*0.2+29*0.1)/60/7000, b.Estimated, 1e-12, "by all")
	b = history(fact.Site, "lake", "", fact.Board, "new", "").BoardAt(hours, nil, on("2024-03-11"))
	require.Equal(t, []string{fact.Build}, b.Missing)
	require.Zero(t, b.Dose+b.Estimated)
}

func TestSunChangesWithTheSite(t *testing.T) {
	site := func(id string) []fact.Fact {
		if id == "lake" {
			return say(fact.Sun, "full", "", fact.Sun, "shade", "2022-01-01") // a tree grew
		}
		return say(fact.Sun, "part", "2015-01-01")
	}
	h := life.NewHistory(say(fact.CoverNew, "2020-01-01", "", fact.Site, "lake", "", fact.Site, "quay", "2024-01-01"), site)
	c := h.CoverAt(on("2026-01-01"))
	require.InDelta(t, 2*1.25+2*0.7+2, c.Age, 0.01)
	require.False(t, c.Estimated)
}

func TestSeen(t *testing.T) {
	f, found := history(fact.CoverCondition, "crazed", "2024-05-01", fact.CoverNew, "2014-01-01", "").Due(on("2025-05-01"), nil)
	require.True(t, found)
	require.True(t, life.Seen(&f))
	f, found = history(fact.CoverNew, "2014-01-01", "").Due(on("2025-05-01"), nil)
	require.True(t, found)
	require.False(t, life.Seen(&f))
}

// The limits themselves, from both sides.
func TestLimits(t *testing.T) {
	h := history(fact.Site, "lake", "", fact.CoverNew, "2010-01-01", "")
	lasting := finding.Finding{Kind: finding.CoverDue, From: on("2010-01-01")}
	for now := on("2018-01-01"); now < on("2021-01-01"); now = now.Add(day) {
		ahead := h.CoverAt(now).Ahead
		_, begins := h.Due(now, nil)
		require.Equal(t, ahead >= 0.1, begins)
		_, goesOn := h.Due(now, &lasting)
		require.Equal(t, ahead >= 0.05, goesOn)
	}
	require.InDelta(t, year.Hours()/2, life.CoverLead.Hours(), 36)

	now := on("2025-01-01")
	lasting = finding.Finding{Kind: finding.BudgetLow, From: on("2024-12-01")}
	for _, c := range []struct {
		b              life.Board
		begins, goesOn bool
	}{
		{life.Board{Fraction: 0.699}, false, false},
		{life.Board{Fraction: 0.7}, false, true},
		{life.Board{Fraction: 0.799}, false, true},
		{life.Board{Fraction: 0.8}, true, true},
		{life.Board{Outlook: life.OnDate, Date: now.Add(90 * day)}, true, true},
		{life.Board{Outlook: life.OnDate, Date: now.Add(91 * day)}, false, true},
		{life.Board{Outlook: life.OnDate, Date: now.Add(121 * day)}, false, false},
	} {
		c.b.Known = true
		_, found := c.b.Short(now, now, nil)
		require.Equal(t, c.begins, found, "%+v", c.b)
		f, found := c.b.Short(now, now, &lasting)
		require.True(t, found)
		require.Equal(t, c.goesOn, f.To == 0, "%+v", c.b)
	}

	// Known dose within ±2 %RH of a rate that grows tenfold in 15 %RH; unknown
	// time half to twice as wet; a grade with its range.
	hours := steady("2024-01-01", "2024-01-31", 0.1)
	used := 72.0 / 28000
	b := history(fact.Site, "lake", "", fact.Build, "coated", "", fact.Board, "used", "", fact.BoardGrade, "b", "", fact.BoardFitted, "2024-01-01", "").
		BoardAt(hours, nil, on("2024-03-01"))
	factor := math.Pow(10, 2.0/15)
	require.InDelta(t, 0.3+2*used, b.Fraction, 1e-9)
	require.InDelta(t, 0.15+used/factor+used/2, b.Low, 1e-9)
	require.InDelta(t, 0.45+used*factor+used*2, b.High, 1e-9)
}
