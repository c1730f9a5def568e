package books_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// alarmShop is a shop with alarms at lake-07.
type alarmShop struct {
	*shop
	books.Alarms
	began unit.Instant
}

func newAlarmShop(t *testing.T, kinds ...finding.Kind) *alarmShop {
	s := newShop(t)
	a := &alarmShop{s, books.Alarms{AlarmStore: s.store}, visitsNow.Add(-24 * time.Hour)}
	var found []finding.Finding
	for _, kind := range kinds {
		found = append(found, finding.Finding{Kind: kind, From: a.began, Concluded: a.began, Confidence: 0.9, Evidence: []finding.Evidence{{Name: "x", Value: 1, Unit: "h"}}})
	}
	changes := alarm.Reconcile(alarm.Judgement{Station: "lake-07", Kinds: kinds, Since: -1, Until: 1<<63 - 1, Findings: found, Newest: visitsNow, Now: a.began}, nil)
	c := record.AlarmChange{}
	c.Add(changes)
	require.NoError(t, s.store.ChangeAlarms(t.Context(), c))
	return a
}

func (a *alarmShop) state(id string) alarm.State {
	x, _, err := a.Show(a.t.Context(), id, a.now)
	require.NoError(a.t, err)
	return x.State
}

func (a *alarmShop) refused(err error, field, fix string) {
	a.t.Helper()
	var said books.Error
	require.ErrorAs(a.t, err, &said)
	require.Equal(a.t, field, said.Field)
	require.Contains(a.t, said.Fix, fix)
}

func TestSeeAnAlarm(t *testing.T) {
	a := newAlarmShop(t, finding.Silent, finding.WaterInside)
	ctx := t.Context()
	list, err := a.List(ctx, a.now)
	require.NoError(t, err)
	require.Len(t, list.Needs, 2)
	require.Equal(t, "new", list.Needs[0].Screen())
	require.Equal(t, a.began.Add(48*time.Hour), list.Needs[0].By)
	require.NoError(t, a.See(ctx, "lake-07:silent:1", "router is off for the winter", "Ida", a.now))
	x, events, err := a.Show(ctx, "lake-07:silent:1", a.now)
	require.NoError(t, err)
	require.Equal(t, "seen", x.Screen())
	require.Equal(t, "Ida", events[1].Who)
	require.Equal(t, "router is off for the winter", events[1].Why)
	deeds, _, err := a.store.Audit(ctx, record.DeedPlace{}, 9)
	require.NoError(t, err)
	require.Equal(t, "see alarm lake-07:silent:1", deeds[0].Action+" "+deeds[0].Object)

	a.refused(a.See(ctx, "lake-07:silent:1", "", "Ida", a.now), "alarm", "seen already")
	a.refused(a.Reset(ctx, "lake-07:water_inside:1", "", "Ida", a.now), "alarm", "ends by itself")
	for id, fix := range map[string]string{
		"": "write station", "lake-07": "station:kind:number", "lake-07:silent": "station:kind:number", "lake-07:silent:2": "none of that id", "lake-07:silent:x": "write station",
		"lake-07:hunger:1": "kinds are", "a:b:c:d": "write station", "gone:silent:1": "none of that id", "\xff": "write station",
	} {
		a.refused(a.See(ctx, id, "", "Ida", a.now), "alarm", fix)
	}
	a.refused(a.See(ctx, "lake-07:silent:1", "a\x00b", "Ida", a.now), "why", "UTF-8")
	a.refused(a.See(ctx, "lake-07:silent:1", strings.Repeat("x", 501), "Ida", a.now), "why", "at most 500")
}

func TestPutAlarmsAside(t *testing.T) {
	a := newAlarmShop(t, finding.Silent, finding.WaterInside)
	ctx := t.Context()
	day := 24 * time.Hour
	a.refused(a.PutAside(ctx, "lake-07:silent", a.now.Add(31*day), "x", "Ida", a.now), "until", "30 days")
	a.refused(a.PutAside(ctx, "lake-07:silent", a.now, "x", "Ida", a.now), "until", "ahead")
	a.refused(a.PutAside(ctx, "lake-07:silent", a.now.Add(day), "  ", "Ida", a.now), "why", "say why")
	a.refused(a.PutAside(ctx, "lake-07", a.now.Add(day), "x", "Ida", a.now), "alarm", "name the kind")
	a.refused(a.PutAside(ctx, "quay-01:silent", a.now.Add(day), "x", "Ida", a.now), "alarm", "no such station")
	a.refused(a.BringBack(ctx, "lake-07:silent", "", "Ida", a.now), "alarm", "not put aside")
	require.NoError(t, a.PutAside(ctx, "lake-07:silent:1", a.now.Add(30*day), "until spring", "Ida", a.now))
	a.refused(a.PutAside(ctx, "lake-07:silent", a.now.Add(day), "x", "Ida", a.now), "alarm", "already")
	require.Equal(t, alarm.Shelved, a.state("lake-07:silent:1"))
	a.refused(a.See(ctx, "lake-07:silent:1", "", "Ida", a.now), "alarm", "bring it back")
	list, err := a.List(ctx, a.now)
	require.NoError(t, err)
	require.Len(t, list.Needs, 1)
	require.Len(t, list.Aside, 1)
	require.Equal(t, "put aside", list.Aside[0].Screen())
	require.Equal(t, "until spring", list.Aside[0].Hold.Why)
	require.Len(t, list.Holds, 1)
	list, err = a.List(ctx, a.now.Add(30*day))
	require.NoError(t, err)
	require.Empty(t, list.Holds, "it always expires")
	require.NoError(t, a.BringBack(ctx, "lake-07:silent", "", "Otto", a.now.Add(time.Hour)))
	require.Equal(t, alarm.Unacknowledged, a.state("lake-07:silent:1"))
	_, events, err := a.Show(ctx, "lake-07:silent:1", a.now)
	require.NoError(t, err)
	require.Equal(t, "Otto: brought back", events[2].Who+": "+events[2].Why)

	require.NoError(t, a.OutOfService(ctx, "lake-07", "rewired", "Ida", a.now))
	require.Equal(t, alarm.OutOfService, a.state("lake-07:water_inside:1"))
	a.refused(a.OutOfService(ctx, "lake-07", "rewired", "Ida", a.now), "alarm", "out of service already")
	a.refused(a.InService(ctx, "lake-07:silent", "", "Ida", a.now), "alarm", "as a whole")
	require.NoError(t, a.InService(ctx, "lake-07", "done", "Ida", a.now.Add(2*time.Hour)))
	require.Equal(t, alarm.Unacknowledged, a.state("lake-07:water_inside:1"))
}

func TestLatchedAlarmIsNotPutAside(t *testing.T) {
	a := newAlarmShop(t, finding.WaterInside)
	ctx := t.Context()
	o, err := a.store.Occurrences(ctx, "lake-07")
	require.NoError(t, err)
	o[0].Finding.To = a.began.Add(time.Hour)
	later := a.now.Add(72 * time.Hour)
	c := record.AlarmChange{}
	c.Add(alarm.Settle(o, nil, nil, later, later))
	require.NoError(t, a.store.ChangeAlarms(ctx, c))
	a.now = later
	id := "lake-07:water_inside:1"
	require.Equal(t, alarm.Latched, a.state(id))
	a.refused(a.PutAside(ctx, id, later.Add(time.Hour), "x", "Ida", later), "alarm", "see it, then reset it")
	a.refused(a.Reset(ctx, id, "", "Ida", later), "alarm", "see it first")
	require.NoError(t, a.See(ctx, id, "", "Ida", later))
	require.NoError(t, a.Reset(ctx, id, "drained", "Ida", later))
	x, _, err := a.Show(ctx, id, later)
	require.NoError(t, err)
	require.Empty(t, x.Screen())
}

func TestSetLimit(t *testing.T) {
	a := newAlarmShop(t)
	ctx := t.Context()
	a.refused(a.SetLimit(ctx, "silent.colour", "red", "Ida", a.now), "limit", "use one of")
	a.refused(a.SetLimit(ctx, "silent.wait", "soon", "Ida", a.now), "silent.wait", "duration")
	require.NoError(t, a.SetLimit(ctx, "silent.wait", "10m", "Ida", a.now))
	require.NoError(t, a.SetLimit(ctx, "silent.wait", "20m", "Ida", a.now))
	list, err := a.Limits(ctx)
	require.NoError(t, err)
	require.Len(t, list, len(alarm.Kinds()))
	for _, l := range list {
		if l.Kind == finding.Silent {
			require.Equal(t, 20*time.Minute, l.Wait)
			require.Equal(t, []string{"wait"}, l.Changed)
		} else {
			require.Empty(t, l.Changed)
		}
	}
}

// read stores a reading of lake-07 every ten minutes of [from, to).
func (a *alarmShop) read(from, to unit.Instant) {
	var rs []reading.Reading
	for at := from; at < to; at = at.Add(10 * time.Minute) {
		r := reading.Reading{Time: at}
		r.Set(reading.InsideTemp, 10)
		r.Set(reading.InsideRH, 60)
		rs = append(rs, r)
	}
	_, err := a.store.Commit(a.t.Context(), []record.Arrival{{Station: "lake-07", At: to, Batch: reading.Batch{Readings: rs}}})
	require.NoError(a.t, err)
}

func TestRehearseFromReadings(t *testing.T) {
	a := newAlarmShop(t, finding.WaterInside)
	ctx := t.Context()
	begin := a.now.Add(-20 * 24 * time.Hour)
	a.read(begin, begin.Add(100*time.Hour))
	a.read(begin.Add(105*time.Hour), a.now)
	a.say(fact.Subject{Kind: fact.KindSite, ID: "lake"}, fact.Lat, "61", fact.Lon, "24")
	require.NoError(t, a.store.ChangeAlarms(ctx, record.AlarmChange{Outbox: []record.Message{
		{EventID: "lake-07:water_inside:1", Station: "lake-07", Kind: finding.WaterInside, Number: 1, Created: a.began, Priority: alarm.Urgent, Class: alarm.AtOnce, Body: "{}"},
		{EventID: "cause:x", Station: "lake-07", Kind: finding.BoardWet, Number: 1, Created: a.began, Priority: alarm.Calm, Class: alarm.Letter, Cause: 1, Body: `{"cause":{"scope":"weather","stations":["lake-07","spare"]}}`},
	}}))
	r, err := a.Rehearse(ctx, begin, a.now, map[string]string{})
	require.NoError(t, err)
	require.Len(t, r.Was, 2)
	require.Equal(t, alarm.Weather, r.Was[0].Scope)
	require.Equal(t, []string{"lake-07", "spare"}, r.Was[0].Stations)
	require.Equal(t, []books.Beside{
		{Kind: finding.BoardWet, WasLetter: 1}, {Kind: finding.Silent, Would: 1}, {Kind: finding.WaterInside, Was: 1, Would: 1},
	}, r.Kinds)
	require.Equal(t, finding.Silent, r.Would[0].Kind)
	require.InDelta(t, 102.9, r.Would[0].At.Sub(begin).Hours(), 0.3)

	r, err = a.Rehearse(ctx, begin, a.now, map[string]string{"silent.allowed": "6h", "water_inside.priority": "calm"})
	require.NoError(t, err)
	require.Len(t, r.Would, 1)
	require.Equal(t, alarm.Letter, r.Would[0].Class)

	_, err = a.Rehearse(ctx, a.now, begin, nil)
	a.refused(err, "to", "after from")
	_, err = a.Rehearse(ctx, begin, a.now, map[string]string{"silent.allowed": "1m"})
	a.refused(err, "silent.allowed", "30m")
	_, err = a.Rehearse(ctx, begin, a.now, map[string]string{"silent.off": "1m"})
	a.refused(err, "limit", "use one of")

	q, err := a.Quality(ctx, a.began, a.now)
	require.NoError(t, err)
	require.Equal(t, 1, q.Alarms)
	require.Equal(t, 1, q.Messages)
	require.Equal(t, 1, q.Letter)
	_, err = a.Quality(ctx, a.now, a.now)
	a.refused(err, "to", "after")
}

func TestMonth(t *testing.T) {
	now := unit.At(time.Date(2026, 1, 15, 0, 0, 0, 0, time.UTC))
	from, to, err := books.Month("", now)
	require.NoError(t, err)
	require.Equal(t, "2025-12-01T00:00:00Z 2026-01-01T00:00:00Z", from.String()+" "+to.String())
	from, to, err = books.Month("2025-11", now)
	require.NoError(t, err)
	require.Equal(t, "2025-11-01T00:00:00Z 2025-12-01T00:00:00Z", from.String()+" "+to.String())
	_, _, err = books.Month("November", now)
	require.ErrorContains(t, err, "as 2025-11")
}

// Where readings were let go nobody can tell how long a station was silent.
func TestRehearseWhereReadingsWereLetGo(t *testing.T) {
	a := newAlarmShop(t)
	ctx := t.Context()
	begin := a.now.Add(-20 * 24 * time.Hour).Floor(24 * time.Hour)
	a.read(begin, a.now)
	marks, err := a.store.Marks(ctx, 9)
	require.NoError(t, err)
	for _, m := range marks {
		require.NoError(t, a.store.CommitFold(ctx, record.Folded{Mark: m, Box: &record.Box{Since: -1, Upto: begin, States: []record.BoxState{{At: begin.Add(15 * 24 * time.Hour), Body: []byte{1}}}}}))
	}
	_, _, err = a.store.PackDays(ctx, a.now, "", 9)
	require.NoError(t, err)
	went, _, err := a.store.LetGo(ctx, begin.Add(18*24*time.Hour), a.now, "test", "", 9)
	require.NoError(t, err)
	require.Len(t, went, 1)
	require.Empty(t, went[0].Waits)
	require.Positive(t, went[0].Readings)
	r, err := a.Rehearse(ctx, begin, a.now, map[string]string{})
	require.NoError(t, err)
	require.Empty(t, r.Would)
}
