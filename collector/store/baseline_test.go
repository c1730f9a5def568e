package store

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/bench"
	"dewpost/rules/breathing"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

func init() {
	also("VisitsMark", testVisitsMark)
	also("InstalledMarks", testInstalledMarks)
	also("OddBox", testOddBox)
}

// What was done to a box is where its baseline begins anew: it is followed
// again from there.
func testVisitsMark(t *testing.T, e engine) {
	s := three(t, e)
	at := func(h int) unit.Instant { return t0.Add(time.Duration(h) * time.Hour) }
	by := wrote(t0)
	visit := func(v record.VisitEntry) int64 {
		v.Entry, v.Visit.Station = by, "a"
		n, err := s.RecordVisit(t.Context(), v)
		require.NoError(t, err)
		return n
	}
	step := func(state bench.State, h int) []record.VisitStep {
		return []record.VisitStep{{Step: bench.Step{State: state, At: at(h)}, Entry: by}}
	}
	n := visit(record.VisitEntry{Visit: record.Visit{Kind: bench.OnSite}, Steps: step(bench.Planned, 1)})
	require.Empty(t, marks(t, s), "a plan does nothing to a box")
	on := func() record.Visit {
		d, err := s.Visit(t.Context(), n)
		require.NoError(t, err)
		return d.Visit
	}
	visit(record.VisitEntry{Visit: on()})
	require.Empty(t, marks(t, s), "nothing was done")
	visit(record.VisitEntry{Visit: on(), Steps: step(bench.Done, 6)})
	from, to, ok := spanOf(t, s, "a")
	require.True(t, ok)
	require.Equal(t, at(6), from)
	require.Equal(t, at(9), to)
	_, _, ok = spanOf(t, s, "b")
	require.False(t, ok)
	clear3(t, s)

	// That it was opened makes a baseline of its end, which is earlier.
	visit(record.VisitEntry{Visit: on(), Work: []record.VisitWork{{Work: bench.Work{Code: bench.GasketChanged, At: at(8)}, Entry: by}}})
	from, _, _ = spanOf(t, s, "a")
	require.Equal(t, at(6), from)
	clear3(t, s)
	visit(record.VisitEntry{Visit: on(), Findings: []record.VisitFinding{{At: at(5), Findings: bench.Findings{Moisture: "dry"}, Entry: by}}})
	from, _, _ = spanOf(t, s, "a")
	require.Equal(t, at(5), from)
	clear3(t, s)
	visit(record.VisitEntry{Visit: on(), Jars: []record.VisitJar{{Begin: at(4), Inside: "water", Entry: by}}})
	from, _, _ = spanOf(t, s, "a")
	require.Equal(t, at(4), from)
}

// A box is known to be good from the day on which it went on the wall, however
// late that is said, and not from the day that is corrected by it.
func testInstalledMarks(t *testing.T, e engine) {
	s := three(t, e)
	late := t0.Add(9 * time.Hour)
	for _, c := range []struct {
		value string
		from  unit.Instant
	}{
		{t0.Time().UTC().Format(time.DateOnly), t0},
		{t0.Add(-5 * day).Time().UTC().Format(time.DateOnly), t0},
		{t0.Time().UTC().Format(time.DateOnly), t0}, // instead of the one before
	} {
		f := stationFact("a", fact.Installed, late, c.value)
		require.NoError(t, s.AddFacts(t.Context(), []fact.Fact{f}))
		from, _, ok := spanOf(t, s, "a")
		require.True(t, ok)
		require.Equal(t, c.from, from)
		clear3(t, s)
	}
}

// What no number says is not kept.
func testOddBox(t *testing.T, e engine) {
	s := e.new(t, "a")
	b := boxFrom(0)
	b.Usual = &breathing.Usual{TauH: math.NaN()}
	err := s.CommitFold(t.Context(), record.Folded{Mark: record.Mark{Station: "a"}, Box: b})
	require.ErrorContains(t, err, "NaN")
	run, err := s.BoxRun(t.Context(), "a", math.MaxInt64)
	require.NoError(t, err)
	require.Equal(t, record.BoxRun{}, run)
}
