package store

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

func stationFact(id, name string, from unit.Instant, value string) fact.Fact {
	return fact.Fact{Subject: fact.Subject{Kind: fact.KindStation, ID: id}, Name: name, From: from, Value: value, Author: "test", Recorded: t0}
}

func siteFact(id, name string, from unit.Instant, value string) fact.Fact {
	return fact.Fact{Subject: fact.Subject{Kind: fact.KindSite, ID: id}, Name: name, From: from, Value: value, Author: "test", Recorded: t0}
}

func testFacts(t *testing.T, e engine) {
	s := e.new(t, "a")
	// A station may name a site that comes later in the same call.
	list := []fact.Fact{
		stationFact("a", fact.Site, t0, "lake"),
		stationFact("a", fact.MaxGap, fact.Always, "90m"),
		siteFact("lake", fact.Name, t0, "Lake"),
		siteFact("lake", fact.Zone, t0, "Etc/GMT-3"),
		stationFact("a", fact.MaxGap, fact.Always, "45m"),
	}
	require.NoError(t, s.AddFacts(t.Context(), list))
	got, err := s.Facts(t.Context(), fact.Subject{Kind: fact.KindStation, ID: "a"})
	require.NoError(t, err)
	require.Equal(t, []fact.Fact{list[0], list[1], list[4]}, got)
	sites, err := s.Sites(t.Context())
	require.NoError(t, err)
	require.Equal(t, []string{"lake"}, sites)

	for _, tt := range []struct {
		name string
		bad  fact.Fact
		want []string
	}{
		{"value", stationFact("a", fact.MaxGap, t0, "soon"), []string{"max_gap", `"soon"`, "90m"}},
		{"station", stationFact("z", fact.MaxGap, t0, "90m"), []string{"station z", "enrol"}},
		{"site", stationFact("a", fact.Site, t0, "sea"), []string{"station a", `"sea"`, "add it first"}},
		{"zone", siteFact("lake", fact.Zone, t0, "Mars/Olympus"), []string{"site lake", `"Mars/Olympus"`, "Etc/UTC"}},
	} {
		err := s.AddFacts(t.Context(), []fact.Fact{stationFact("a", fact.Spot, t0, "gate"), tt.bad})
		for _, want := range tt.want {
			require.ErrorContains(t, err, want, tt.name)
		}
	}
	again, err := s.Facts(t.Context(), fact.Subject{Kind: fact.KindStation, ID: "a"})
	require.NoError(t, err)
	require.Equal(t, got, again, "all or none")
}

func testFactsMarkForRefold(t *testing.T, e engine) {
	s := e.new(t, "a", "b", "c", "silent")
	require.NoError(t, s.AddFacts(t.Context(), []fact.Fact{
		siteFact("lake", fact.Name, fact.Always, "Lake"), siteFact("quay", fact.Name, fact.Always, "Quay"),
		stationFact("a", fact.Site, t0, "lake"), stationFact("a", fact.Site, t0.Add(day), "quay"),
		stationFact("b", fact.Site, t0, "quay"), stationFact("silent", fact.Site, t0, "lake"),
	}))
	require.Empty(t, marks(t, s), "nothing to fold anew yet")
	for _, id := range []string{"a", "b", "c"} {
		commit(t, s, seqs(id, runA, 1, 2, 3))
	}
	first, second, last := keyed(runA, 1).Time, keyed(runA, 2).Time, keyed(runA, 3).Time

	for _, tt := range []struct {
		name string
		f    fact.Fact
		want map[string]unit.Instant // station → From
	}{
		{"a station's gap", stationFact("a", fact.MaxGap, second, "90m"), map[string]unit.Instant{"a": second}},
		{"from always", stationFact("c", fact.AllowanceK, fact.Always, "1.5"), map[string]unit.Instant{"c": first}},
		{"from the newest reading", stationFact("b", fact.MaxGap, last, "90m"), map[string]unit.Instant{"b": last}},
		{"after the newest reading", stationFact("b", fact.MaxGap, last.Add(time.Second), "90m"), nil},
		{"what the ledger doesn't depend on", stationFact("a", fact.Build, second, "coated"), nil},
		{"the site's place: all that ever hung there", siteFact("quay", fact.Lat, second, "60"), map[string]unit.Instant{"a": second, "b": second}},
		{"the site's salt", siteFact("lake", fact.Salt, first, "coast"), map[string]unit.Instant{"a": first}},
		{"the site's name", siteFact("lake", fact.Name, first, "Big lake"), nil},
		{"taken down", stationFact("b", fact.Site, second, fact.None), map[string]unit.Instant{"b": second}},
		{"a move", stationFact("c", fact.Site, second, "lake"), map[string]unit.Instant{"c": second}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			for _, m := range marks(t, s) {
				require.NoError(t, s.CommitFold(t.Context(), record.Folded{Mark: m}))
			}
			require.NoError(t, s.AddFacts(t.Context(), []fact.Fact{tt.f}))
			got := make(map[string]unit.Instant)
			for _, m := range marks(t, s) {
				got[m.Station] = m.From
				require.Equal(t, last, m.To)
			}
			if tt.want == nil {
				tt.want = map[string]unit.Instant{}
			}
			require.Equal(t, tt.want, got)
		})
	}
}
