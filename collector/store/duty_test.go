package store

import (
	"context"
	"database/sql"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// One of several collectors is on duty, and another takes over when its session
// ends, whoever ends it.
func TestDutyOfCollectors(t *testing.T) {
	where := postgresEngine.fresh(t)
	open := func() *Store {
		s, err := Open(t.Context(), where)
		require.NoError(t, err)
		t.Cleanup(func() { require.NoError(t, s.Close()) })
		return s
	}
	on := func(s *Store) bool {
		yes, err := s.OnDuty(t.Context())
		require.NoError(t, err)
		return yes
	}
	// A session that was closed ends at the server a moment later.
	soon := func(s *Store) { require.Eventually(t, func() bool { return on(s) }, time.Minute, time.Millisecond) }
	a, b := open(), open()
	require.True(t, on(a))
	require.False(t, on(b))
	require.True(t, on(a), "it stays")

	db := postgresEngine.raw(t, where)
	endSessions(t, db)
	_, err := a.OnDuty(t.Context())
	require.ErrorContains(t, err, "look whether another collector is on duty")
	_, err = b.OnDuty(t.Context())
	require.Error(t, err, "that session was ended, too")
	soon(b)
	require.False(t, on(a))
	require.NoError(t, b.Close())
	_, err = b.OnDuty(t.Context())
	require.NoError(t, err, "after the end it may ask, and takes a session")
	require.NoError(t, b.duty.close())
	soon(a)

	ended, cancel := context.WithCancel(t.Context())
	cancel()
	require.NoError(t, a.duty.close())
	_, err = a.OnDuty(ended)
	require.ErrorIs(t, err, context.Canceled)
	soon(a)
}

// endSessions ends those that hold the duty or wait to hear.
func endSessions(t *testing.T, db *sql.DB) {
	t.Helper()
	var n int
	require.NoError(t, db.QueryRowContext(t.Context(), `select count(pg_terminate_backend(pid, 5000)) from pg_stat_activity
		where datname = current_database() and pid <> pg_backend_pid() and (query like '%try_advisory%' or query = 'select true' or query like 'listen%')`).Scan(&n))
	require.Positive(t, n)
}

// What one collector commits another hears of, also after its session was ended.
func TestCollectorsHear(t *testing.T) {
	where := postgresEngine.fresh(t)
	a, b := postgresEngine.openAt(t, where, "lake-07"), postgresEngine.openAt(t, where).(*Store)
	heard, failed := make(chan struct{}, 1), make(chan error, 1)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		b.Hear(ctx, func() { heard <- struct{}{} }, func(err error) { failed <- err })
	}()
	<-heard // it may have missed what was before
	commit(t, a, seqs("lake-07", runA, 1))
	<-heard
	endSessions(t, postgresEngine.raw(t, where))
	require.ErrorContains(t, <-failed, "hear of commits of other collectors")
	<-heard // again
	commit(t, a, seqs("lake-07", runA, 2))
	<-heard
	commit(t, a, seqs("lake-07", runA, 2)) // nothing new
	cancel()
	<-ended
	require.Empty(t, heard)
}

// A file has one collector, which hears itself.
func TestDutyOfAFile(t *testing.T) {
	s, err := Open(t.Context(), t.TempDir()+"/store.db")
	require.NoError(t, err)
	defer s.Close()
	on, err := s.OnDuty(t.Context())
	require.NoError(t, err)
	require.True(t, on)
	ctx, cancel := context.WithTimeout(t.Context(), time.Millisecond)
	defer cancel()
	var heard atomic.Bool
	s.Hear(ctx, func() { heard.Store(true) }, nil)
	require.False(t, heard.Load())
}
