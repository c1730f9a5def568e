package view

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/bench"
	"dewpost/rules/equal"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// A box that is wet one night in two becomes drier half-way, in weather that
// repeats.
func TestCompareInEqualWeather(t *testing.T) {
	f := newFake()
	start := unit.At(time.Date(2025, 3, 1, 0, 0, 0, 0, time.UTC))
	var rs []reading.Reading
	for h := range 80 * 24 {
		at := start.Add(time.Duration(h) * time.Hour)
		humid := h/24%2 == 0
		rh, outside := 60., 70.
		if humid {
			outside = 97
			if rh = 100; h >= 40*24 {
				rh = 80
			}
		}
		rs = append(rs, air(at, 10+math.Sin(float64(h)/9), rh))
		f.near = append(f.near, record.Neighbour{Station: "lake-08", Air: equal.Air{Hour: at, Temp: 9, RH: unit.Percent(outside)}})
	}
	f.set(fact.KindSite, "lake", map[string]string{fact.Zone: "Etc/UTC"})
	f.set(fact.KindStation, "lake-08", map[string]string{fact.Site: "lake"})
	f.add("lake-07", map[string]string{fact.Site: "lake", fact.MaxGap: "2h"}, rs...)
	v := viewAt(f, start.Add(80*day))
	at := start.Add(40 * day)
	c, err := v.Compare(t.Context(), "lake-07", Interval{start, at}, Interval{at, start.Add(90 * day)})
	require.NoError(t, err)
	require.Equal(t, equal.Drier, c.Condensing.Verdict(), "%+v", c.Condensing)
	require.InDelta(t, -12, *c.Condensing.Change, 1.5)
	require.InDelta(t, 0, c.Condensing.After.Compared.Mid, 0.5)
	require.Greater(t, c.Condensing.Before.Days, 35)

	// Another sensor from then on is said; one that was changed before is the same.
	require.False(t, c.SensorChanged)
	for when, want := range map[unit.Instant]bool{at: true, start.Add(-day): false, start.Add(90 * day): false} {
		f.visits = []record.VisitDetails{{Visit: record.Visit{Station: "lake-07"}, Work: []record.VisitWork{{Work: bench.Work{Code: bench.SensorChanged, At: when}}}}}
		got, err := v.Compare(t.Context(), "lake-07", Interval{start, at}, Interval{at, start.Add(90 * day)})
		require.NoError(t, err)
		require.Equal(t, want, got.SensorChanged)
	}
	f.visits = nil

	stuck := occurrence("lake-07", finding.SensorSuspect, at, 0, alarm.Unacknowledged)
	stuck.Finding.Evidence = []finding.Evidence{{Name: "stuck_inside_rh_pct"}}
	f.occurrences = []alarm.Occurrence{stuck}
	doubted, err := v.Compare(t.Context(), "lake-07", Interval{start, at}, Interval{at, start.Add(90 * day)})
	require.NoError(t, err)
	require.Equal(t, equal.Unknown, doubted.Condensing.Verdict(), "a sensor in doubt tells of no repair")
	f.occurrences = nil

	// A sensor that hung elsewhere says nothing; the box's own does, wherever it hangs.
	delete(f.facts, fact.Subject{Kind: fact.KindStation, ID: "lake-08"})
	f.set(fact.KindStation, "lake-08", map[string]string{fact.Site: "quay"})
	c, err = v.Compare(t.Context(), "lake-07", Interval{start, at}, Interval{at, start.Add(90 * day)})
	require.NoError(t, err)
	require.Equal(t, equal.Unknown, c.Condensing.Verdict(), "heard elsewhere")
	for i := range f.near {
		f.near[i].Station = "lake-07"
	}
	delete(f.facts, fact.Subject{Kind: fact.KindStation, ID: "lake-07"})
	f.set(fact.KindStation, "lake-07", map[string]string{fact.Site: fact.None, fact.MaxGap: "2h"})
	c, err = v.Compare(t.Context(), "lake-07", Interval{start, at}, Interval{at, start.Add(90 * day)})
	require.NoError(t, err)
	require.Equal(t, equal.Drier, c.Condensing.Verdict(), "its own")

	f.near = nil
	c, err = v.Compare(t.Context(), "lake-07", Interval{start, at}, Interval{at, start.Add(90 * day)})
	require.NoError(t, err)
	require.Equal(t, equal.Unknown, c.Condensing.Verdict(), "nothing is known of the weather")
	c, err = v.Compare(t.Context(), "lake-07", Interval{at, start}, Interval{start.Add(-90 * day), start})
	require.NoError(t, err)
	require.Zero(t, c.AtRisk.Before.Days)
	_, err = v.Compare(t.Context(), "nobody", Interval{start, at}, Interval{at, at})
	require.ErrorIs(t, err, record.ErrNotFound)
}
