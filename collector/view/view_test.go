package view

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

var (
	now   = at(2025, 10, 26, 6, 10)
	heard = air(now.Add(-10*time.Minute), 8, 80)
)

func occurrence(station string, kind finding.Kind, from, to unit.Instant, state alarm.State) alarm.Occurrence {
	return alarm.Occurrence{
		Station: station, Number: 1, State: state,
		Finding: finding.Finding{Kind: kind, From: from, To: to, Concluded: from.Add(time.Hour)},
	}
}

// village is a site of stations in all conditions.
func village() *fake {
	f := newFake()
	f.set(fact.KindSite, "lake", map[string]string{fact.Name: "Larkmoor Lake Park", fact.Zone: "CET"})
	on := func(more map[string]string) map[string]string {
		facts := map[string]string{fact.Site: "lake"}
		for k, v := range more {
			facts[k] = v
		}
		return facts
	}
	f.add("calm", on(nil), heard)
	f.add("damp", on(nil), heard)
	f.add("gone-1", on(nil), air(now.Add(-9*time.Hour), 8, 80))
	f.add("gone-2", on(nil), air(now.Add(-8*time.Hour), 8, 80))
	f.add("patient", on(map[string]string{fact.AllowedSilence: "24h"}), air(now.Add(-9*time.Hour), 8, 80))
	f.add("quiet", on(nil), air(now.Add(-4*time.Hour), 8, 80)) // not concluded yet
	f.add("retired", on(nil), heard)
	f.stations[len(f.stations)-1].Retired = now.Add(-day)
	f.add("unhung", map[string]string{fact.Site: fact.None})
	f.add("wet", on(map[string]string{fact.Name: "Lake 07"}), air(now.Add(-20*time.Minute), 8, 99), air(now.Add(-10*time.Minute), 8, 100))
	f.occurrences = []alarm.Occurrence{
		occurrence("damp", finding.DampWeek, now.Add(-10*day), 0, alarm.Acknowledged),
		occurrence("damp", finding.BoardWet, now.Add(-3*day), now.Add(-2*time.Hour), alarm.Returned),
		occurrence("calm", finding.BoardWet, now.Add(-30*day), now.Add(-29*day), alarm.Returned),
		occurrence("gone-1", finding.Silent, now.Add(-9*time.Hour), 0, alarm.Unacknowledged),
		occurrence("gone-2", finding.Silent, now.Add(-8*time.Hour), 0, alarm.Unacknowledged),
		occurrence("wet", finding.BoardWet, now.Add(-day), 0, alarm.Unacknowledged),
		occurrence("retired", finding.BoardWet, now.Add(-day), 0, alarm.Unacknowledged),
	}
	return f
}

func TestTodayByNeed(t *testing.T) {
	today, err := viewAt(village(), now).Today(context.Background())
	require.NoError(t, err)
	var ids []string
	for i := range today.Rows {
		ids = append(ids, today.Rows[i].Station.ID)
	}
	// silent in two days, wet in three, damp in fourteen, then quiet, then heard
	require.Equal(t, []string{"gone-1", "gone-2", "wet", "damp", "quiet", "calm", "patient", "unhung"}, ids)
	require.Equal(t, "CET", today.Zone.String())
	require.Equal(t, 3, today.Heard)
	require.Equal(t, 1, today.ByHand)
	require.Equal(t, 1, today.Unheard)
	require.Equal(t, "patient", today.Rows[6].Station.ID)
	require.True(t, today.Rows[6].Heard && !today.Rows[6].Current, "silence is allowed, but what it said is no news")
	require.Equal(t, []int{0, 1}, []int{today.Rest.Count, today.Rest.Unknown}, "calm, whose night nobody knows")
	require.Equal(t, 2, today.Rows[0].Silent)
	require.Equal(t, "Lake 07", today.Rows[2].Station.Name)
	require.Len(t, today.Ended, 1, "what ended long ago is no news")
	require.Equal(t, "damp", today.Ended[0].Station.ID)
	require.Equal(t, now.Add(-10*day+time.Hour+14*day), today.Rows[3].Needs[0].By)
	for _, r := range today.Rows {
		require.Len(t, r.Nights.List(), nightsShown)
	}
	unhung := today.Rows[len(ids)-1]
	require.False(t, unhung.Nights.List()[29].Installed)
	require.Zero(t, unhung.Nights.List()[29].NotHeard)
}

func TestNewestReading(t *testing.T) {
	f := newFake()
	board := air(now, 8, 100)
	board.Set(reading.BoardTemp, -1)
	f.add("board", nil, board)
	f.add("air", map[string]string{fact.AllowanceK: "1.5"}, air(now, 8, 103))
	taught := exposure.Undercooling{Const: 1, Hour: 0.5}
	f.add("taught", map[string]string{fact.Undercooling: taught.String()}, air(now-unit.Instant(time.Hour), 10, 90), air(now, 8, 103))
	failed := reading.Reading{Time: now, Flags: "failed:inside_temp_c"}
	f.add("failed", nil, failed)
	v := viewAt(f, now)
	for id, want := range map[string]Now{
		"board":  {Known: true, Basis: exposure.BasisBoard, Surface: -1, Ice: true, Margin: exposure.Margin(-1, 8, 100)},
		"air":    {Known: true, Basis: exposure.BasisAir, Surface: 6.5, Margin: -1.5},
		"taught": {Known: true, Basis: exposure.BasisAir, Surface: 6, Margin: -2},
		"failed": {},
	} {
		r, first, err := v.Station(context.Background(), id)
		require.NoError(t, err)
		if id != "taught" {
			require.Equal(t, now, first)
		}
		require.True(t, r.Heard)
		require.Equal(t, want.Known, r.Now.Known, id)
		require.Equal(t, want.Basis, r.Now.Basis, id)
		require.Equal(t, want.Surface, r.Now.Surface, id)
		require.InDelta(t, float64(want.Margin), float64(r.Now.Margin), 1e-9, id)
		require.Equal(t, want.Ice, r.Now.Ice, id)
	}
	_, _, err := v.Station(context.Background(), "nobody")
	require.ErrorIs(t, err, record.ErrNotFound)
}

// However a list of readings is cut into pages, every reading comes once and
// in order, also where several have one instant.
func TestPagesOfReadings(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := newFake()
		var all []reading.Reading
		when := at(2025, 1, 1, 0, 0)
		for range rapid.IntRange(0, 50).Draw(t, "readings") {
			r := air(when, 5, 50)
			r.Run, r.Seq = "00000000000000aa", int64(len(all)+1)
			all = append(all, r)
			when = when.Add(time.Duration(rapid.SampledFrom([]int{0, 0, 1, 60, 24 * 60, 40 * 24 * 60}).Draw(t, "step")) * time.Minute)
		}
		f.add("a", nil, all...)
		v := viewAt(f, now)
		limit := rapid.IntRange(1, 60).Draw(t, "limit")
		var got []reading.Reading
		place := &Place{At: Beginning}
		for pages := 0; place != nil; pages++ {
			require.LessOrEqual(t, pages, len(all)+1, "it ends")
			list, next, err := v.Readings(context.Background(), "a", *place, End, limit)
			require.NoError(t, err)
			require.LessOrEqual(t, len(list), limit)
			got = append(got, list...)
			place = next
		}
		require.Equal(t, len(all), len(got))
		for i := range all {
			require.Equal(t, all[i].Seq, got[i].Seq)
		}
	})
}

// The same of findings.
func TestPagesOfFindings(t *testing.T) {
	f := village()
	v := viewAt(f, now)
	var got []string
	var behind *After
	for {
		list, next, err := v.Alarms(context.Background(), behind, 2)
		require.NoError(t, err)
		for i := range list {
			got = append(got, list[i].ID())
		}
		if behind = next; next == nil {
			break
		}
	}
	require.Equal(t, []string{
		"calm:board_wet:1", "damp:damp_week:1", "damp:board_wet:1", "retired:board_wet:1", "wet:board_wet:1", "gone-1:silent:1", "gone-2:silent:1",
	}, got)
}

func TestCardOfTheSilent(t *testing.T) {
	c, err := viewAt(village(), now).Card(context.Background(), "gone-1", CardQuery{Show: "24h", Months: 4})
	require.NoError(t, err)
	require.Equal(t, 2, c.Silent)
	require.False(t, c.Heard)
	require.Equal(t, c.Now.At.Add(time.Second), c.Window.To, "the window ends with what was heard last")
	require.Equal(t, 1, c.Sketch.Readings)
	require.Len(t, c.Months, 1)
	require.Len(t, c.Findings, 1)

	c, err = viewAt(village(), now).Card(context.Background(), "unhung", CardQuery{Show: "all", Months: 4})
	require.NoError(t, err)
	require.Zero(t, c.Started)
	require.Empty(t, c.Months)
}

func TestMonthsOfACard(t *testing.T) {
	f := newFake()
	var rs []reading.Reading
	begin := at(2025, 6, 20, 0, 0)
	for when := begin; when < now; when = when.Add(time.Hour) {
		rs = append(rs, air(when, 10, 100))
	}
	f.add("a", map[string]string{fact.MaxGap: "2h"}, rs...)
	c, err := viewAt(f, now).Card(context.Background(), "a", CardQuery{Show: "7d", Months: 3})
	require.NoError(t, err)
	require.True(t, c.Older)
	require.Len(t, c.Months, 3)
	require.Equal(t, time.October, c.Months[0].First.Month(), "newest first")
	require.Len(t, c.Months[1].Nights, 30, "September")
	require.Len(t, c.Months[2].Nights, 31, "August")
	require.Equal(t, int64(30*day), c.Months[1].Sum.Condensing)
	require.Equal(t, int64(day), c.Months[1].Worst.Sum.Condensing)
}

// What several stations' readings tell of one line needs a person once.
func TestAnEventOfALineNeedsAPersonOnce(t *testing.T) {
	f := newFake()
	for _, id := range []string{"a", "b", "c", "d"} {
		facts := map[string]string{fact.Name: "Lake " + id, fact.Line: "lake-line"}
		if id == "d" {
			facts[fact.Line] = "quay-line"
		}
		f.add(id, facts, air(now.Add(-10*time.Minute), 8, 80))
	}
	at := now.Add(-3 * day)
	b := occurrence("b", finding.NoCurrent, at, 0, alarm.Unacknowledged)
	a := occurrence("a", finding.NoCurrent, at.Add(-time.Minute), 0, alarm.Unacknowledged)
	a.Finding.Concluded = b.Finding.Concluded + 1
	f.occurrences = []alarm.Occurrence{
		a, b, occurrence("c", finding.BoardWet, at, 0, alarm.Unacknowledged), occurrence("d", finding.NoCurrent, at, 0, alarm.Unacknowledged),
	}
	today, err := viewAt(f, now).Today(context.Background())
	require.NoError(t, err)
	rows := map[string]Row{}
	for _, r := range today.Rows {
		rows[r.Station.ID] = r
	}
	require.Len(t, rows["b"].Needs, 1, "it was concluded first")
	require.Equal(t, []string{"Lake a", "Lake c"}, rows["b"].Feeds)
	require.Empty(t, rows["b"].Told)
	require.Empty(t, rows["a"].Needs)
	require.Equal(t, []string{"Lake b"}, rows["a"].Told)
	require.Len(t, rows["c"].Needs, 1, "its own")
	require.Empty(t, rows["c"].Feeds)
	require.Len(t, rows["d"].Needs, 1, "another line")
	require.Empty(t, rows["d"].Feeds)
}
