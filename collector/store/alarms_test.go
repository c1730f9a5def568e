package store

import (
	"context"
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

func init() {
	also("ChangeAlarms", testChangeAlarms)
	also("AlarmsAreNotOverwritten", testAlarmsAreNotOverwritten)
	also("AlarmChangeIsWhole", testAlarmChangeIsWhole)
}

// alarmStorage is what every engine keeps of alarms.
type alarmStorage interface {
	ChangeAlarms(ctx context.Context, c record.AlarmChange) error
	AlarmHolds(ctx context.Context, endedAfter unit.Instant) ([]alarm.Hold, error)
	AlarmCauses(ctx context.Context) ([]alarm.Cause, int64, error)
	AlarmLimits(ctx context.Context) ([]record.AlarmLimit, error)
	AlarmEvents(ctx context.Context, from, to unit.Instant) ([]alarm.Event, error)
	OccurrencesIn(ctx context.Context, from, to unit.Instant) ([]alarm.Occurrence, error)
	MessagesIn(ctx context.Context, from, to unit.Instant) ([]record.Message, error)
}

func alarmsOf(t *testing.T, e engine, names ...string) (*Store, alarmStorage) {
	s := e.new(t, names...)
	return s.(*Store), s.(alarmStorage)
}

// fullChange touches every table of a change of alarms.
func fullChange() record.AlarmChange {
	a, b := occurrence("a", finding.Silent, 1), occurrence("b", finding.Silent, 1)
	a.Cause, b.Cause, b.Rings = 1, 1, 2
	m := note(a)
	m.EventID, m.Priority, m.Class, m.Cause, m.By = "cause:site:a:silent:1:5", alarm.Urgent, alarm.Letter, 1, t0.Add(48*time.Hour)
	return record.AlarmChange{
		Occurrences: []alarm.Occurrence{a, b},
		Events:      []alarm.Event{event(a, 1, alarm.Normal, alarm.Unacknowledged), event(b, 1, alarm.Normal, alarm.Unacknowledged)},
		Holds: []alarm.Hold{
			{Station: "a", Kind: finding.Silent, State: alarm.Shelved, From: t0, Until: t0.Add(day), Who: "Ida", Why: "router"},
			{Station: "b", State: alarm.OutOfService, From: t0 + 1, Who: "Otto", Why: "rewired"},
		},
		Causes: []alarm.Cause{{Number: 1, Scope: alarm.OfSite, Subject: "lake", Kind: finding.Silent, From: t0}},
		Outbox: []record.Message{m},
		Limits: []record.AlarmLimit{{Name: "silent.wait", Value: "1h", Author: "Ida", Recorded: t0}},
		Deeds:  []record.Deed{{At: t0, Author: "Ida", Action: "put alarm aside", Object: "a:silent"}},
	}
}

func testChangeAlarms(t *testing.T, e engine) {
	s, x := alarmsOf(t, e, "a", "b")
	ctx := t.Context()
	_, next, err := x.AlarmCauses(ctx)
	require.NoError(t, err)
	require.Equal(t, int64(1), next)
	c := fullChange()
	require.NoError(t, x.ChangeAlarms(ctx, c))

	holds, err := x.AlarmHolds(ctx, t0)
	require.NoError(t, err)
	want := append([]alarm.Hold{}, c.Holds...)
	for i := range want {
		want[i].Number = holds[i].Number
	}
	require.Equal(t, want, holds)
	causes, next, err := x.AlarmCauses(ctx)
	require.NoError(t, err)
	require.Equal(t, c.Causes, causes)
	require.Equal(t, int64(2), next)
	limits, err := x.AlarmLimits(ctx)
	require.NoError(t, err)
	c.Limits[0].Number = limits[0].Number
	require.Equal(t, c.Limits, limits)
	events, err := x.AlarmEvents(ctx, c.Events[0].Recorded, c.Events[0].Recorded+1)
	require.NoError(t, err)
	require.Equal(t, c.Events, events)
	events, err = x.AlarmEvents(ctx, c.Events[0].Recorded+1, math.MaxInt64)
	require.NoError(t, err)
	require.Empty(t, events)
	found, err := x.OccurrencesIn(ctx, c.Occurrences[0].Finding.From, c.Occurrences[0].Finding.From+1)
	require.NoError(t, err)
	require.Equal(t, c.Occurrences, found)
	found, err = x.OccurrencesIn(ctx, math.MinInt64, c.Occurrences[0].Finding.From)
	require.NoError(t, err)
	require.Empty(t, found)
	messages, err := x.MessagesIn(ctx, c.Outbox[0].Created, c.Outbox[0].Created+1)
	require.NoError(t, err)
	require.Equal(t, c.Outbox, messages)
	unsent, err := s.Unsent(ctx, 9)
	require.NoError(t, err)
	require.Equal(t, c.Outbox, unsent)
	deeds, _, err := s.Audit(ctx, record.DeedPlace{}, 9)
	require.NoError(t, err)
	require.Equal(t, "put alarm aside", deeds[0].Action)

	// A hold is ended once, and stays readable for those who ask how it ended.
	ended := holds[0]
	ended.Ended, ended.EndedBy, ended.EndedWhy = t0.Add(time.Hour), "Ida", "router is back"
	settled := c.Causes[0]
	settled.To, settled.Settled = t0.Add(2*time.Hour), true
	require.NoError(t, x.ChangeAlarms(ctx, record.AlarmChange{Holds: []alarm.Hold{ended}, Causes: []alarm.Cause{settled}}))
	require.ErrorIs(t, x.ChangeAlarms(ctx, record.AlarmChange{Holds: []alarm.Hold{ended}}), record.ErrChanged)
	holds, err = x.AlarmHolds(ctx, t0)
	require.NoError(t, err)
	require.Equal(t, ended, holds[0])
	holds, err = x.AlarmHolds(ctx, ended.Ended)
	require.NoError(t, err)
	require.Len(t, holds, 1)
	causes, next, err = x.AlarmCauses(ctx)
	require.NoError(t, err)
	require.Empty(t, causes)
	require.Equal(t, int64(2), next)
}

// What a person did at this moment is not undone by what the rules decided with
// what was before, nor the other way round.
func testAlarmsAreNotOverwritten(t *testing.T, e engine) {
	s, x := alarmsOf(t, e, "a", "b")
	ctx := t.Context()
	require.NoError(t, x.ChangeAlarms(ctx, fullChange()))
	before, err := s.Occurrences(ctx, "a")
	require.NoError(t, err)
	seen, err := alarm.Seen(before[0], alarm.See, t0.Add(time.Hour), "Ida", "")
	require.NoError(t, err)
	c := record.AlarmChange{}
	c.Add(seen)
	require.NoError(t, x.ChangeAlarms(ctx, c))
	require.ErrorIs(t, x.ChangeAlarms(ctx, c), record.ErrChanged, "the same step")

	late := before[0] // decided before that: more evidence, and no step
	late.Finding.Evidence = []finding.Evidence{{Name: "allowed_silence", Value: 4, Unit: "h"}}
	err = s.CommitFold(ctx, record.Folded{Mark: record.Mark{Station: "a"}, Occurrences: []alarm.Occurrence{late}})
	require.ErrorIs(t, err, record.ErrChanged)
	after, err := s.Occurrences(ctx, "a")
	require.NoError(t, err)
	require.Equal(t, seen.Occurrences, after)
}

func testAlarmChangeIsWhole(t *testing.T, e engine) {
	where := e.fresh(t)
	s := e.openAt(t, where, "a", "b")
	x := s.(alarmStorage)
	raw := e.raw(t, where)
	before := everything(t, s, "a")
	for _, table := range []string{"occurrence", "event", "alarm_cause", "outbox", "alarm_hold", "alarm_limit", "audit"} {
		exec(t, raw, fmt.Sprintf(e.breakInserts, table))
		require.ErrorContains(t, x.ChangeAlarms(t.Context(), fullChange()), "broken on purpose", table)
		require.Equal(t, before, everything(t, s, "a"), table)
		exec(t, raw, e.repair)
	}
	for _, c := range []record.AlarmChange{
		{Occurrences: []alarm.Occurrence{occurrence("c", finding.Silent, 1)}},
		{Events: []alarm.Event{event(occurrence("c", finding.Silent, 1), 1, alarm.Normal, alarm.Unacknowledged)}},
		{Outbox: []record.Message{note(occurrence("c", finding.Silent, 1))}},
		{Holds: []alarm.Hold{{Station: "c"}}},
	} {
		require.ErrorIs(t, x.ChangeAlarms(t.Context(), c), record.ErrNotFound)
	}
	require.NoError(t, x.ChangeAlarms(t.Context(), fullChange()))
}
