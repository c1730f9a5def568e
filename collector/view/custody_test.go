package view

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/reading"
)

func TestKept(t *testing.T) {
	f := newFake()
	for _, id := range []string{"a", "b", "c", "d"} {
		f.add(id, map[string]string{"name": "Box " + id, "site": "lake"})
	}
	f.set("site", "lake", map[string]string{"zone": "CET"})
	now := at(2025, 11, 5, 6, 0)
	said := func(sampled, receipted int64, offset time.Duration) *record.State {
		return &record.State{
			At: now, Timed: true, Offset: offset,
			Report: record.Report{Readings: &record.Tally{Sampled: sampled, Receipted: receipted, Queued: 2, Waiting: 1, Discarded: map[string]int64{"size": 1, "age": 1}}},
		}
	}
	f.custody = []record.Custody{
		{Station: "a", Received: 10, Released: 1, Stored: 8, Repeated: 1, Refused: 2, Discarded: 3, Seen: 10, State: said(15, 10, ClockOff), Held: []record.Held{{Reason: reading.ReasonTime, Kept: 1}}},
		{Station: "b", Received: 5, Stored: 5, Seen: 3, State: said(10, 5, ClockOff-1)},
		{Station: "c", Received: 4, Stored: 4, Seen: 4, State: said(9, 3, -time.Hour)},
		{Station: "d", State: &record.State{Report: record.Report{Run: "x"}, Offset: time.Hour}}, // an offset that can't be told
		{Received: 7, Refused: 6, Stored: 1, Held: []record.Held{{Reason: reading.ReasonUnknown, Kept: 4, Unkept: 2}, {Reason: reading.ReasonTime, Unkept: 5}}},
	}
	k, err := viewAt(f, now).Kept(t.Context())
	require.NoError(t, err)
	names := func(list []KeptStation) (ids []string) {
		for _, s := range list {
			ids = append(ids, s.Station.Name)
		}
		return ids
	}
	require.Equal(t, []string{"Box a", "Box b", "Box c", "Box d"}, names(k.Stations))
	require.Equal(t, []string{"Box b"}, names(k.Lost))
	require.Equal(t, []string{"Box c"}, names(k.Uneven))
	require.Equal(t, []string{"Box a", "Box c"}, names(k.Clocks))
	require.Equal(t, 1, k.Unheard)
	require.Equal(t, int64(7), k.Others.Received)
	require.Equal(t, record.Custody{
		Received: 26, Released: 1, Stored: 18, Repeated: 1, Refused: 8, Discarded: 3,
		Held: []record.Held{{Reason: reading.ReasonTime, Kept: 1, Unkept: 5}, {Reason: reading.ReasonUnknown, Kept: 4, Unkept: 2}},
	}, k.All)
	require.Zero(t, k.All.Missing())
	require.Equal(t, "CET", k.Zone.String())
}

func TestQuarantinePages(t *testing.T) {
	f := newFake()
	for id := int64(5); id > 0; id-- {
		f.refused = append(f.refused, record.Quarantined{ID: id})
	}
	for limit, want := range map[int][2]int64{4: {4, 2}, 5: {5, 0}, 9: {5, 0}} {
		list, next, err := viewAt(f, 0).Quarantine(t.Context(), record.QuarantineQuery{Limit: limit})
		require.NoError(t, err)
		require.Len(t, list, int(want[0]))
		require.Equal(t, want[1], next)
	}
}
