package books_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/books"
	"dewpost/rules/fact"
)

// A station that a person wants in the next round was visited; so it is wanted in
// that round no more, and nobody drives there for the wish again and again.
func TestAWishIsOverWhenTheStationWasVisited(t *testing.T) {
	r := newRounds(t)
	ctx := t.Context()
	require.NoError(t, r.settle("lat", "54.1", "lon", "10.0"))
	r.site("lake", fact.Lat, "54.2", fact.Lon, "10.1")
	r.station("lake-08", "lake")
	require.NoError(t, r.Wish(ctx, "lake-08", "in", "", "the owner asked", r.now, "Will"))
	asked := books.RoundAsked{Weeks: 1, Seed: 1}
	plan, err := r.plan(asked)
	require.NoError(t, err)
	require.Len(t, plan.Days, 1)
	require.Equal(t, "lake-08", plan.Days[0].Visits[0].Station)
	_, err = r.Take(ctx, plan, r.now, "Will")
	require.NoError(t, err)
	began := r.now.Add(24 * time.Hour).Time().UTC()
	r.now = r.now.Add(7 * 24 * time.Hour)
	r.record(`{"visit":1,"states":[{"state":"under-way","at":"` + began.Format(time.RFC3339) + `"},{"state":"done","at":"` + began.Add(time.Hour).Format(time.RFC3339) + `"}]}`)

	list, err := r.Needs(ctx, r.now)
	require.NoError(t, err)
	require.Empty(t, needOf(t, list, "lake-08").Wish)
	plan, err = r.plan(asked)
	require.NoError(t, err)
	require.Empty(t, plan.Days, "there is nothing to be done")
}
