package fold_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	visit "dewpost/rules/bench"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// Somebody wrote down that he began at a station, and forgot to write that he was
// done. Weeks later it falls silent: people are told.
func TestAVisitThatNobodyEndedKeepsNothingQuietForEver(t *testing.T) {
	b := newBench(t, nil)
	b.fact(t, fact.KindSite, "lake", fact.Name, "lake", fact.Always)
	for _, id := range []string{"s-00", "s-01"} {
		b.enrol(t, id, map[string]string{fact.Site: "lake"})
	}
	b.send(t, []string{"s-00", "s-01"}, 0, 6)
	entry := record.Entry{Author: "Ida", Recorded: unit.At(b.now)}
	_, err := b.store.RecordVisit(t.Context(), record.VisitEntry{
		Entry: entry, Visit: record.Visit{Station: "s-00", Kind: visit.OnSite},
		Steps: []record.VisitStep{{Step: visit.Step{State: visit.UnderWay, At: unit.At(b.now)}, Entry: entry}},
	})
	require.NoError(t, err)
	b.minutes(t, 8)
	for week := range 3 {
		b.send(t, []string{"s-00", "s-01"}, float64(8+week*168), float64(8+(week+1)*168))
	}
	b.minutes(t, 8+3*168)
	b.send(t, []string{"s-01"}, 8+3*168, 20+3*168)
	b.minutes(t, 20+3*168)
	said := b.said(t)
	require.Len(t, said, 1)
	require.Equal(t, "s-00", said[0].Station)
	require.Equal(t, finding.Silent, said[0].Kind)
}
