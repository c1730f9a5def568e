package collector

import (
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/store"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// What people record while the collector runs is folded at once; what is
// refused wakes nobody.
func TestRecordedFactsWakeTheFold(t *testing.T) {
	s, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "dewpost.db"))
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	woken := 0
	b := bookkeeper{s, func() { woken++ }}
	lake := fact.Fact{Subject: fact.Subject{Kind: fact.KindSite, ID: "lake"}, Name: fact.Salt, Value: "sea", From: fact.Always, Author: "Ida", Recorded: unit.At(time.Now())}
	require.ErrorAs(t, b.AddFacts(t.Context(), []fact.Fact{lake}), new(fact.Refused))
	require.Zero(t, woken)
	lake.Value = "coast"
	require.NoError(t, b.AddFacts(t.Context(), []fact.Fact{lake}))
	require.Equal(t, 1, woken)
}

// Nobody can be called what says that there is nobody.
func TestNoStationIsCalledNone(t *testing.T) {
	s, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "dewpost.db"))
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	require.ErrorContains(t, Enrol(t.Context(), s, fact.None, nil, time.Now(), "Ida"), "choose another")
}
