package store

import (
	"context"
	"fmt"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/unit"
)

// identityStorage is what every engine keeps of who is who.
type identityStorage interface {
	Identity(ctx context.Context, name string) (string, error)
	AddIdentity(ctx context.Context, name, pem string, at unit.Instant, author string) error
	BeginSecret(ctx context.Context, st record.Station, at unit.Instant, author string) error
	FinishSecret(ctx context.Context, st record.Station, at unit.Instant, author string) error
	AbandonSecret(ctx context.Context, id string, at unit.Instant, author string) error
	ChangedStations(ctx context.Context, after int64) ([]record.Station, int64, error)
	StationsVersion(ctx context.Context) (int64, error)
}

// Of many who add an identity at once, through several handles, one decides.
func init() {
	also("Identity", testIdentity)
	also("NextSecret", testNextSecret)
	also("ChangedStations", testChangedStations)
}

func testIdentity(t *testing.T, e engine) {
	where := e.fresh(t)
	var stores []storage
	for range 2 {
		s, err := e.open(t.Context(), where)
		require.NoError(t, err)
		defer func() { require.NoError(t, s.Close()) }()
		stores = append(stores, s)
	}
	_, err := stores[0].Identity(t.Context(), "authority")
	require.ErrorIs(t, err, record.ErrNotFound)
	var wg sync.WaitGroup
	for i := range 8 {
		wg.Go(func() {
			if err := stores[i%2].AddIdentity(t.Context(), "authority", fmt.Sprint("made by ", i), 7, "test"); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	one, err := stores[0].Identity(t.Context(), "authority")
	require.NoError(t, err)
	require.Contains(t, one, "made by ")
	require.NoError(t, stores[1].AddIdentity(t.Context(), "authority", "late", 8, "test"))
	other, err := stores[1].Identity(t.Context(), "authority")
	require.NoError(t, err)
	require.Equal(t, one, other)
}

func testNextSecret(t *testing.T, e engine) {
	s := e.new(t, "a", "b", "gone")
	ctx := t.Context()
	require.NoError(t, s.Retire(ctx, "gone", 2, "test"))
	get := func(id string) record.Station {
		st, err := s.Station(ctx, id)
		require.NoError(t, err)
		return st
	}
	first, second, third := testSecret(t, "a"), testSecret(t, "second"), testSecret(t, "third")
	with := func(id string, text string) record.Station {
		st := record.Station{ID: id}
		if text != "" {
			st.Next = testSecret(t, text)
		}
		return st
	}
	require.ErrorContains(t, s.AbandonSecret(ctx, "a", 3, "test"), "not being changed")
	require.ErrorContains(t, s.FinishSecret(ctx, with("a", ""), 3, "test"), "not being changed")
	require.ErrorContains(t, s.FinishSecret(ctx, with("a", "second"), 3, "test"), "not being changed")
	require.ErrorContains(t, s.BeginSecret(ctx, with("a", ""), 3, "test"), "empty")
	require.ErrorContains(t, s.BeginSecret(ctx, with("gone", "second"), 3, "test"), "retired")
	require.ErrorIs(t, s.BeginSecret(ctx, with("nobody", "second"), 3, "test"), record.ErrNotFound)
	require.Equal(t, record.Station{ID: "a", Secret: first, Enrolled: 1}, get("a"))

	require.NoError(t, s.BeginSecret(ctx, with("a", "second"), 3, "test"))
	require.NoError(t, s.BeginSecret(ctx, with("a", "third"), 3, "test"), "the one that stands there stays")
	require.Equal(t, record.Station{ID: "a", Secret: first, Next: second, Enrolled: 1}, get("a"))
	require.ErrorContains(t, s.FinishSecret(ctx, with("a", "third"), 4, "test"), "not being changed", "another one than that")
	require.Equal(t, first, get("a").Secret)
	require.NoError(t, s.FinishSecret(ctx, with("a", "second"), 4, "test"))
	require.NoError(t, s.FinishSecret(ctx, with("a", "second"), 4, "test"), "finished already")
	require.Equal(t, record.Station{ID: "a", Secret: second, Enrolled: 1}, get("a"))

	require.NoError(t, s.BeginSecret(ctx, with("a", "third"), 5, "test"))
	require.Equal(t, third, get("a").Next)
	require.NoError(t, s.AbandonSecret(ctx, "a", 6, "test"))
	require.Equal(t, record.Station{ID: "a", Secret: second, Enrolled: 1}, get("a"))
	require.Equal(t, record.Station{ID: "b", Secret: testSecret(t, "b"), Enrolled: 1}, get("b"))
}

// Whoever asks again and again hears of every change once, whoever made it.
func testChangedStations(t *testing.T, e engine) {
	where := e.fresh(t)
	s, err := e.open(t.Context(), where)
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	other, err := e.open(t.Context(), where)
	require.NoError(t, err)
	defer func() { require.NoError(t, other.Close()) }()
	ctx := t.Context()
	version, err := s.StationsVersion(ctx)
	require.NoError(t, err)
	changed := func() (ids []string) {
		t.Helper()
		list, v, err := s.ChangedStations(ctx, version)
		require.NoError(t, err)
		version = v
		for _, st := range list {
			ids = append(ids, st.ID)
		}
		return ids
	}
	require.Empty(t, changed())
	for _, id := range []string{"a", "b", "c"} {
		enrol(t, s, id)
	}
	require.Empty(t, changed(), "nobody had a password of theirs")
	next := record.Station{ID: "b", Next: testSecret(t, "next")}
	require.NoError(t, other.BeginSecret(ctx, next, 2, "test"))
	require.Equal(t, []string{"b"}, changed())
	require.Empty(t, changed())
	require.NoError(t, other.Retire(ctx, "c", 3, "test"))
	require.NoError(t, s.FinishSecret(ctx, next, 3, "test"))
	require.Equal(t, []string{"c", "b"}, changed())
	require.NoError(t, s.FinishSecret(ctx, next, 4, "test"))
	require.Empty(t, changed(), "it was finished already")
	began, err := s.StationsVersion(ctx)
	require.NoError(t, err)
	require.Equal(t, version, began)
}
