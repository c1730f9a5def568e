package store

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
)

// A collector whose machine stops in the middle of a commit, loses its power or its
// network, doesn't keep the others from writing until the server notices that its
// connection is dead, which takes two hours as servers are set up.
func TestACollectorThatVanishesInACommit(t *testing.T) {
	most := idleMost
	idleMost = time.Second
	t.Cleanup(func() { idleMost = most })
	where := postgresEngine.fresh(t)
	b := postgresEngine.openAt(t, where, "lake-07")
	a, err := Open(t.Context(), where)
	require.NoError(t, err)
	in, back, done := make(chan struct{}), make(chan struct{}), make(chan error, 1)
	go func() {
		done <- a.inTx(context.WithoutCancel(t.Context()), func(tx *tx) error {
			close(in)
			<-back // as the server sees it: there is no more from this one, and its connection is there
			return tx.exec(`update total set n = n where name = 'none'`)
		})
	}()
	<-in
	require.Eventually(t, func() bool {
		_, err := b.Commit(t.Context(), []record.Arrival{seqs("lake-07", runA, 1)})
		return err == nil
	}, time.Minute, time.Millisecond)
	close(back)
	require.Error(t, <-done, "it is told that its transaction is gone")
	_, err = a.Commit(t.Context(), []record.Arrival{seqs("lake-07", runA, 2)})
	require.NoError(t, err, "and goes on with another connection")
	require.NoError(t, a.Close())
}

// An agent whose card was put back to an older image, or that could not write down
// its connection's number, counts from a smaller one on. What it says of itself is
// heard, and not only when it has counted beyond the number that it had.
func TestStatesOfAnAgentThatWasSetBack(t *testing.T) {
	s := sqliteEngine.new(t, "a")
	require.Equal(t, 1, keep(t, s, said("a", runA, 500, 100, t0)))
	day := t0.Add(24 * time.Hour)
	require.Equal(t, 1, keep(t, s, said("a", runA, 12, 5, day)))
	require.Equal(t, day, stateOf(t, s, "a").At)
	require.Equal(t, 1, keep(t, s, said("a", runA, 12, 605, day.Add(10*time.Minute))))
	require.Equal(t, 1, keep(t, s, gone("a", runA, 12, day.Add(11*time.Minute))))
}
