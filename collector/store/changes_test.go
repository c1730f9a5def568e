package store

import (
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/alarm"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
)

func init() { also("Changes", testChanges) }

// Each thing that pages show changes the text, and looking doesn't.
func testChanges(t *testing.T, e engine) {
	s := e.new(t, "a")
	last := ""
	changed := func(what string) {
		t.Helper()
		now, err := s.Changes(t.Context())
		require.NoError(t, err)
		require.NotEqual(t, last, now, what)
		again, err := s.Changes(t.Context())
		require.NoError(t, err)
		require.Equal(t, now, again)
		last = now
	}
	changed("the beginning")
	commit(t, s, seqs("a", runA, 1, 2))
	changed("readings")
	marks, err := s.Marks(t.Context(), 9)
	require.NoError(t, err)
	require.NoError(t, s.CommitFold(t.Context(), record.Folded{Mark: marks[0]}))
	changed("a fold")
	o := occurrence("a", finding.BoardWet, 1)
	require.NoError(t, s.CommitFold(t.Context(), record.Folded{
		Mark: record.Mark{Station: "a"}, Occurrences: []alarm.Occurrence{o}, Events: []alarm.Event{event(o, 1, alarm.Normal, alarm.Unacknowledged)},
	}))
	changed("an occurrence")
	require.NoError(t, s.AddFacts(t.Context(), []fact.Fact{stationFact("a", fact.Name, fact.Always, "Post")}))
	changed("a fact")
	require.NoError(t, s.Retire(t.Context(), "a", t0, "Ida"))
	changed("what somebody did")
}
