package store

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// orderStorage is what every engine keeps of orders.
type orderStorage interface {
	GiveOrder(ctx context.Context, o record.Order) error
	Orders(ctx context.Context, from unit.Instant) ([]record.Order, error)
	State(ctx context.Context, station string) (*record.State, error)
}

func init() {
	also("Orders", testOrders)
	also("StateOfOne", testStateOfOne)
}

func orderTo(station, id string, at unit.Instant, body receipt.Body) record.Order {
	return record.Order{ID: id, Station: station, At: at, Until: unit.At(at.Time().Truncate(time.Second)).Add(time.Hour), Author: "Ruth", Body: body}
}

// An order stands in the audit trail as it was given, and whoever holds
// connections hears of it.
func testOrders(t *testing.T, e engine) {
	s := e.new(t, "a", "b", "gone")
	ctx := t.Context()
	require.NoError(t, s.Retire(ctx, "gone", 2, "test"))
	version, err := s.StationsVersion(ctx)
	require.NoError(t, err)
	given := []record.Order{
		orderTo("a", "o1", t0, receipt.Body{Interval: "5m"}),
		orderTo("b", "o2", t0+1, receipt.Body{Heat: 3}),
		orderTo("a", "o3", t0+1, receipt.Body{Identify: 60}),
		orderTo("a", "o4", t0+2, receipt.Body{Interval: "0s"}),
	}
	for _, o := range given {
		require.NoError(t, s.GiveOrder(ctx, o))
	}
	require.ErrorIs(t, s.GiveOrder(ctx, orderTo("gone", "o5", t0, receipt.Body{Heat: 1})), record.ErrNotFound)
	require.ErrorIs(t, s.GiveOrder(ctx, orderTo("nobody", "o6", t0, receipt.Body{Heat: 1})), record.ErrNotFound)
	all, err := s.Orders(ctx, t0)
	require.NoError(t, err)
	require.Equal(t, given, all)
	all, err = s.Orders(ctx, t0+2)
	require.NoError(t, err)
	require.Equal(t, given[3:], all)
	changed, _, err := s.ChangedStations(ctx, version)
	require.NoError(t, err)
	require.Len(t, changed, 2)
	deeds, _, err := s.Audit(ctx, record.DeedPlace{}, 1)
	require.NoError(t, err)
	require.Equal(t, "a: interval 0s, until "+given[3].Until.Time().Format(time.RFC3339)+", number o4", deeds[0].Object)
}

func testStateOfOne(t *testing.T, e engine) {
	where := e.fresh(t)
	s, err := e.open(t.Context(), where)
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	require.NoError(t, s.AddStation(t.Context(), record.Station{ID: "a", Secret: testSecret(t, "a"), Enrolled: 1}, "test"))
	st, err := s.State(t.Context(), "a")
	require.NoError(t, err)
	require.Nil(t, st)
	said := said("a", runA, 2, 0, t0+5)
	_, err = s.KeepStates(t.Context(), []record.State{said})
	require.NoError(t, err)
	st, err = s.State(t.Context(), "a")
	require.NoError(t, err)
	require.Equal(t, said.Report.Run, st.Report.Run)
	require.Equal(t, said.At, st.At)
	_, err = e.raw(t, where).ExecContext(t.Context(), `update station_state set body = '{"run"'`)
	require.NoError(t, err)
	st, err = s.State(t.Context(), "a")
	require.NoError(t, err, "the next one is better")
	require.Nil(t, st)
}

// What an erasure or an older version left of an order is none.
func TestParseOrder(t *testing.T) {
	for _, text := range []string{
		"", "a", "a: heat 3", "a: heat x, until 2026-05-01T10:00:00Z, number o1", "a: dance 3, until 2026-05-01T10:00:00Z, number o1",
		"a: heat 3, until then, number o1", "a: heat 3, 2026-05-01T10:00:00Z, number o1", "a: heat 3, until 2026-05-01T10:00:00Z, o1",
	} {
		_, ok := parseOrder(text)
		require.False(t, ok, text)
	}
	o, ok := parseOrder("a: heat 3, until 2026-05-01T10:00:00Z, number o1")
	require.True(t, ok)
	require.Equal(t, "a: heat 3, until 2026-05-01T10:00:00Z, number o1", orderObject(&o))
}
