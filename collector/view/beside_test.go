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
	"dewpost/rules/sensing"
	"dewpost/rules/unit"
)

func TestBesideAStation(t *testing.T) {
	f := newFake()
	start := unit.At(time.Date(2025, 3, 1, 0, 0, 0, 0, time.UTC))
	var rs []reading.Reading
	for h := range 80 * 24 {
		at := start.Add(time.Duration(h) * time.Hour)
		rh, outside := 60., 70.
		if h/24%2 == 0 {
			outside = 97
			if rh = 100; h >= 40*24 {
				rh = 80
			}
		}
		rs = append(rs, air(at, 10+math.Sin(float64(h)/9), rh))
		f.near = append(f.near, record.Neighbour{Station: "lake-07", Air: equal.Air{Hour: at, Temp: 9, RH: unit.Percent(outside)}})
	}
	f.set(fact.KindLine, "gate", map[string]string{fact.Name: "Gate line", fact.CurrentSensor: "lake-08"})
	f.set(fact.KindSite, "lake", map[string]string{fact.Zone: "Etc/UTC"})
	f.add("lake-07", map[string]string{fact.Site: "lake", fact.MaxGap: "2h", fact.Line: "gate"}, rs...)
	f.add("lake-08", map[string]string{fact.Line: "gate", fact.Name: "Lake 08"})
	f.add("lake-09", map[string]string{fact.Line: "gate"})
	f.add("lake-10", map[string]string{fact.Line: "other"})
	f.add("lake-11", nil)
	f.burst = &sensing.Burst{Result: sensing.HeaterPassed}
	done := start.Add(40 * day)
	f.visits = []record.VisitDetails{
		{
			Visit:    record.Visit{Number: 3, Station: "lake-07", State: bench.Done},
			Findings: []record.VisitFinding{{At: done, Findings: bench.Findings{Moisture: "dry"}}, {At: done, Findings: bench.Findings{Corrosion: map[string]bench.Corrosion{"keypad": "none", "board": "trace"}}}},
			Work:     []record.VisitWork{{Work: bench.Work{Code: bench.GasketChanged, At: done}}},
			Steps:    []record.VisitStep{{Step: bench.Step{State: bench.Done, At: done}}},
		},
		{Visit: record.Visit{Number: 4, Station: "lake-07", State: bench.Done}, Findings: []record.VisitFinding{{At: done.Add(day), Findings: bench.Findings{Corrosion: map[string]bench.Corrosion{"board": "moderate"}}}}},
	}
	f.occurrences = []alarm.Occurrence{{Station: "lake-07", Number: 1, Finding: finding.Finding{Kind: finding.CurrentStepUp, From: done}, State: alarm.Unacknowledged}}
	v := viewAt(f, start.Add(80*day))

	b, err := v.Beside(t.Context(), "lake-07")
	require.NoError(t, err)
	require.Equal(t, &OnLine{
		ID: "gate", Name: "Gate line", Stations: []string{"lake-07", "lake-08", "lake-09"}, Others: []string{"Lake 08", "lake-09"}, MeterID: "lake-08", Meter: "Lake 08",
	}, b.Line)
	require.Equal(t, []Corroded{
		{4, done.Add(day), []CorrodedPlace{{"board", "moderate"}}},
		{3, done, []CorrodedPlace{{"board", "trace"}, {"keypad", "none"}}},
	}, b.Corroded)
	require.Equal(t, f.burst, b.Sensor)
	require.EqualValues(t, 3, b.Repair.Visit, "at the other nothing was done")
	require.Equal(t, equal.Drier, b.Repair.Condensing.Verdict())
	c, err := v.CompareVisit(t.Context(), "lake-07", 3)
	require.NoError(t, err)
	require.Equal(t, b.Repair.Compared, c)
	_, err = v.CompareVisit(t.Context(), "lake-07", 4)
	require.ErrorIs(t, err, ErrNoRepair)
	_, err = v.CompareVisit(t.Context(), "nobody", 3)
	require.ErrorIs(t, err, record.ErrNotFound)
	_, err = v.Beside(t.Context(), "nobody")
	require.ErrorIs(t, err, record.ErrNotFound)

	card, err := v.Card(t.Context(), "lake-07", CardQuery{Show: "7d", Months: 1})
	require.NoError(t, err)
	require.True(t, card.OfLine(&card.Needs[0]))
	b, err = v.Beside(t.Context(), "lake-08")
	require.NoError(t, err)
	require.True(t, b.Line.Here)
	for _, alone := range []string{"lake-10", "lake-11"} {
		b, err = v.Beside(t.Context(), alone)
		require.NoError(t, err)
		require.Nil(t, b.Line, alone)
		require.Nil(t, b.Repair)
	}
}
