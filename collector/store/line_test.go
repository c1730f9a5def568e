package store

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

func init() {
	also("Line", testLine)
	also("LineMarks", testLineMarks)
	also("JudgedAgain", testJudgedAgain)
}

type lineStorage interface {
	Line(ctx context.Context, id string) (record.Line, error)
	WhenMarked(wake func())
}

func lineFact(id, name string, from unit.Instant, value string) fact.Fact {
	f := siteFact(id, name, from, value)
	f.Subject.Kind = fact.KindLine
	return f
}

// wired has a and b on one line, and c on another of the same site.
func wired(t *testing.T, e engine) storage {
	s := three(t, e)
	require.NoError(t, s.AddFacts(t.Context(), []fact.Fact{
		stationFact("c", fact.Site, t0, "lake"),
		lineFact("l1", fact.Site, fact.Always, "lake"), lineFact("l2", fact.Site, fact.Always, "lake"),
		stationFact("a", fact.Line, fact.Always, "l1"), stationFact("b", fact.Line, t0.Add(2*time.Hour), "l1"), stationFact("c", fact.Line, t0, "l2"),
	}))
	clear3(t, s)
	return s
}

func testLine(t *testing.T, e engine) {
	s := wired(t, e)
	none, err := s.Line(t.Context(), "nowhere")
	require.NoError(t, err)
	require.Equal(t, record.Line{ID: "nowhere"}, none)

	require.NoError(t, s.AddFacts(t.Context(), []fact.Fact{lineFact("l1", fact.CurrentSensor, t0.Add(3*time.Hour), "b")}))
	require.NoError(t, s.Retire(t.Context(), "b", t0.Add(9*time.Hour), "Ida"))
	l, err := s.Line(t.Context(), "l1")
	require.NoError(t, err)
	require.Len(t, l.Facts, 2)
	for _, c := range []struct {
		hour  int
		on    []string
		meter string
	}{{1, []string{"a"}, ""}, {2, []string{"a", "b"}, ""}, {3, []string{"a", "b"}, "b"}, {9, []string{"a"}, ""}} {
		on, meter := l.At(t0.Add(time.Duration(c.hour) * time.Hour))
		require.Equal(t, c.on, on, "%d h", c.hour)
		require.Equal(t, c.meter, meter, "%d h", c.hour)
	}
}

// What is said of a line, of who is on it, or that one of them is gone, alters
// what is found of all of them.
func testLineMarks(t *testing.T, e engine) {
	woken := 0
	s := wired(t, e)
	s.WhenMarked(func() { woken++ })
	marked := func(from int, ids ...string) {
		t.Helper()
		var got []string
		for _, m := range marks(t, s) {
			require.Equal(t, t0.Add(time.Duration(from)*time.Hour), m.From, m.Station)
			got = append(got, m.Station)
		}
		require.ElementsMatch(t, ids, got)
		require.Equal(t, len(ids) > 0, woken > 0)
		clear3(t, s)
		woken = 0
	}
	say := func(f fact.Fact) { require.NoError(t, s.AddFacts(t.Context(), []fact.Fact{f})) }
	say(lineFact("l1", fact.CurrentSensor, t0.Add(4*time.Hour), "a"))
	marked(4, "a", "b")
	say(lineFact("l1", fact.SupplyV, t0.Add(4*time.Hour), "12"))
	marked(0)
	say(stationFact("c", fact.Line, t0.Add(5*time.Hour), "l1"))
	marked(5, "a", "b", "c")
	say(stationFact("b", fact.Line, t0.Add(6*time.Hour), fact.None))
	marked(6, "a", "b", "c")
	require.NoError(t, s.Retire(t.Context(), "a", t0.Add(7*time.Hour), "Ida"))
	marked(7, "a", "b", "c")
	require.ErrorAs(t, s.AddFacts(t.Context(), []fact.Fact{stationFact("c", fact.Line, t0, "nowhere")}), new(fact.Refused))
	marked(0)
}

// Who is judged again keeps its readings: the mark is an instant.
func testJudgedAgain(t *testing.T, e engine) {
	s := wired(t, e)
	again := []record.Again{{Station: "b", From: t0.Add(3 * time.Hour)}, {Station: "a", From: t0.Add(99 * time.Hour)}, {Station: "nobody", From: t0}}
	require.NoError(t, s.CommitFold(t.Context(), record.Folded{Mark: record.Mark{Station: "a"}, Again: again}))
	from, to, ok := spanOf(t, s, "b")
	require.True(t, ok)
	require.Equal(t, t0.Add(3*time.Hour), from)
	require.Equal(t, from, to)
	require.Len(t, marks(t, s), 1, "nothing was heard of the other, or it isn't there")
}
