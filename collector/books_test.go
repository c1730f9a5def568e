package collector

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/importer"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/bench"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
	"dewpost/testdata/blank"
)

// What people write down while the collector runs is folded at once, facts and
// visits alike.
func TestWhatIsWrittenDownWakesTheFold(t *testing.T) {
	ctx := t.Context()
	cfg := DefaultConfig()
	cfg.Store.Path = blank.Store(t)
	cfg.Stations.Listen, cfg.Pages.Listen, cfg.Everybody = "127.0.0.1:0", "127.0.0.1:0", record.Work
	c, err := open(t, cfg)
	require.NoError(t, err)
	defer func() { require.NoError(t, c.Close()) }()
	require.NoError(t, Enrol(ctx, c.store, "box-1", nil, time.Now(), "Ida"))
	_, err = c.importReadings(ctx, "box-1", importer.Log{From: strings.NewReader(boxLog), Author: "Ida"})
	require.NoError(t, err)
	folded := func() { // well within the minute after which it looks by itself
		t.Helper()
		require.Eventually(t, func() bool {
			idle, err := c.Idle(ctx)
			return err == nil && idle
		}, patience, 10*time.Millisecond)
	}
	folded()
	entry := record.Entry{Author: "Ida", Recorded: unit.At(time.Now())}
	require.NoError(t, c.store.AddFacts(ctx, []fact.Fact{{Subject: fact.Subject{Kind: fact.KindStation, ID: "box-1"}, Name: fact.AllowanceK, Value: "2", From: fact.Always, Author: "Ida", Recorded: entry.Recorded}}))
	folded()
	_, err = c.store.RecordVisit(ctx, record.VisitEntry{
		Entry: entry, Visit: record.Visit{Station: "box-1", Kind: bench.OnSite},
		Work: []record.VisitWork{{Work: bench.Work{Code: bench.GasketChanged, At: unit.At(time.Date(2025, 11, 5, 1, 0, 0, 0, time.UTC))}, Entry: entry}},
	})
	require.NoError(t, err)
	folded()
}

// Nobody can be called what says that there is nobody.
func TestNoStationIsCalledNone(t *testing.T) {
	s, err := store.Open(t.Context(), blank.Store(t))
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	require.ErrorContains(t, Enrol(t.Context(), s, fact.None, nil, time.Now(), "Ida"), "choose another")
}
