package record_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/bench"
	"dewpost/rules/unit"
)

var noon = unit.At(time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC))

const day = 24 * time.Hour

func at(days float64) unit.Instant { return noon.Add(time.Duration(days * float64(day))) }

func utc(unit.Instant) *time.Location { return time.UTC }

// visit did some work on a day, and was done an hour later.
func visit(number int64, days float64, codes ...bench.Code) record.VisitDetails {
	v := record.VisitDetails{Visit: record.Visit{Number: number, Kind: bench.OnSite, State: bench.Done}}
	for _, c := range codes {
		v.Work = append(v.Work, record.VisitWork{Work: bench.Work{Code: c, At: at(days)}})
	}
	v.Steps = []record.VisitStep{{Step: bench.Step{State: bench.Done, At: at(days).Add(time.Hour)}}}
	return v
}

// Who looks inside and does nothing begins no baseline anew; who does something
// does, and coating begins it when it is cured.
func TestALookInsideBeginsNoBaseline(t *testing.T) {
	look := visit(1, 10)
	look.Findings = []record.VisitFinding{{At: at(10), Findings: bench.Findings{Moisture: "damp", Corrosion: map[string]bench.Corrosion{"board": "trace"}}}}
	require.Empty(t, record.BoxEvents([]record.VisitDetails{look}, nil, utc))
	look.Work = visit(1, 10, bench.GasketChanged).Work
	events := record.BoxEvents([]record.VisitDetails{look}, nil, utc)
	require.Equal(t, []bench.Event{{What: bench.Opened, At: at(10)}, {What: bench.OnWall, At: at(10).Add(time.Hour)}}, events)
}

func TestAroundAVisit(t *testing.T) {
	coat := visit(3, 50, bench.Dried, bench.Recoated, bench.Dried)
	coat.Work[1].Details = map[string]string{"cure_hours": "24"}
	open := visit(5, 120, bench.GasketChanged)
	open.State, open.Steps = bench.UnderWay, nil
	visits := []record.VisitDetails{visit(1, 20, bench.CoverChanged), visit(2, 40), coat, visit(4, 100, bench.EntrySealed), open}

	a, ok := record.AroundVisit(visits, 3, 60*day, utc)
	require.True(t, ok)
	require.Equal(t, record.Around{
		Visit: 3, From: at(20).Add(time.Hour), Began: at(50), Ended: at(51), To: at(100),
		Work: []bench.Code{bench.Dried, bench.Recoated},
	}, a, "between what other visits did, from the end of its cure")
	a, ok = record.AroundVisit(visits, 1, 60*day, utc)
	require.True(t, ok)
	require.Equal(t, at(20-60), a.From)
	require.Equal(t, at(50), a.To)
	for _, n := range []int64{2, 5, 9} {
		_, ok = record.AroundVisit(visits, n, 60*day, utc)
		require.False(t, ok, "visit %d: nothing was done, it goes on, or it isn't there", n)
	}
	last, ok := record.LastRepair(visits, 60*day, utc)
	require.True(t, ok)
	require.EqualValues(t, 4, last.Visit)
	require.Equal(t, at(120), last.To, "it is opened by one that goes on")
	_, ok = record.LastRepair(nil, 60*day, utc)
	require.False(t, ok)
}
