package spool

import (
	"errors"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
)

// work is what a station's agent does with its spool. A failing disk may make
// it lose readings, counted, but must not make it lie. acked receives each
// number that Append acknowledged, upto the largest number receipted.
func work(fsys *memFS, acked map[int64]bool, upto *int64) (*Spool, error) {
	s, err := Open("/spool", Options{FS: fsys, SegmentBytes: 300, MaxBytes: 4 << 10})
	if err != nil {
		return nil, err
	}
	s.Skip(s.Torn(), ReasonTorn)
	for i := range 12 {
		first := s.Last() + 1
		n := int64(i%3 + 1)
		err := s.Append(first, contents(first, n))
		if err != nil {
			s.Skip(n, ReasonIO)
			continue
		}
		for seq := first; seq < first+n; seq++ {
			acked[seq] = true
		}
		if i == 3 || i == 6 {
			*upto = first
			if err := s.Forget(first); err != nil {
				return s, err
			}
		}
	}
	if _, err := s.NextConn(); err != nil && !errors.Is(err, errDisk) {
		return s, err
	}
	return s, nil
}

// survives checks a disk found after a crash.
func survives(t *testing.T, fsys *memFS, acked map[int64]bool, upto int64) {
	t.Helper()
	s, err := Open("/spool", Options{FS: fsys, SegmentBytes: 300, MaxBytes: 4 << 10})
	require.NoError(t, err)
	kept := map[int64]bool{}
	for _, seq := range held(t, s) {
		kept[seq] = true
	}
	for seq := range acked {
		require.LessOrEqual(t, seq, s.Last()+s.Torn(), "its number must not be used again")
		if seq > upto {
			require.True(t, kept[seq], "record %d was acknowledged and is lost", seq)
		}
	}
	balance(t, s)
	s.Skip(s.Torn(), ReasonTorn)
	appendN(t, s, 1)
	require.NoError(t, s.Forget(s.Last()+2))
	balance(t, s)
	require.Equal(t, s.Last(), s.Status().Sampled, "each number is one record")
	appendN(t, s, 1)
	require.True(t, errors.Is(s.Append(s.Last(), contents(s.Last(), 1)), ErrMoved))
	require.NoError(t, s.Close())
}

// TestFaultAtEachOperation fails each operation in turn, once so that it did
// not happen and once so that it did, and then looks at what a kill and what
// a power cut leave behind.
func TestFaultAtEachOperation(t *testing.T) {
	for _, did := range []bool{false, true} {
		states := 0
		for k := 1; ; k++ {
			fsys := newMemFS()
			fsys.failAt, fsys.did = k, did
			acked, upto := map[int64]bool{}, int64(0)
			s, err := work(fsys, acked, &upto)
			if fsys.failed == "" {
				t.Logf("did=%v: %d operations, %d states", did, k-1, states)
				require.Greater(t, k, 70)
				break
			}
			t.Run(fmt.Sprintf("%d %s did=%v", k, fsys.failed, did), func(t *testing.T) {
				for _, share := range []float64{0, 0.5, 1} {
					survives(t, fsys.powerCut(share), acked, upto)
				}
				survives(t, fsys.kill(), acked, upto)
				if err == nil {
					require.GreaterOrEqual(t, len(acked), 20, "one failure must not stop the work")
					require.NoError(t, s.Close())
					survives(t, fsys.powerCut(0), acked, upto)
				} else {
					require.Nil(t, s, "only Open may fail as a whole")
				}
			})
			states += 4
		}
	}
}

// TestPowerCutAtEachOperation lets the disk refuse everything from the k-th
// operation on, as when the power goes, and looks at what is left.
func TestPowerCutAtEachOperation(t *testing.T) {
	whole := newMemFS()
	upto := int64(0)
	_, err := work(whole, map[int64]bool{}, &upto)
	require.NoError(t, err)
	for k := 1; k <= whole.ops; k++ {
		for _, share := range []float64{0, 0.3, 1} {
			fsys := newMemFS()
			fsys.failAt = k
			fsys.onFail = func() { panic(powerGone{}) }
			acked, upto := map[int64]bool{}, int64(0)
			workUntilCut(fsys, acked, &upto)
			survives(t, fsys.powerCut(share), acked, upto)
		}
	}
}

type powerGone struct{}

// workUntilCut works until the power goes: a panic, which no code of the spool
// can catch.
func workUntilCut(fsys *memFS, acked map[int64]bool, upto *int64) {
	defer func() {
		if r := recover(); r != (powerGone{}) {
			panic(r)
		}
	}()
	if _, err := work(fsys, acked, upto); err != nil {
		panic(err)
	}
}

// TestHandedOutMeansDurable finds records after a kill that only the system's
// memory held, and cuts the power when they were handed out.
func TestHandedOutMeansDurable(t *testing.T) {
	fsys := newMemFS()
	s, err := Open("/spool", Options{FS: fsys})
	require.NoError(t, err)
	appendN(t, s, 3)
	fsys.failAt, fsys.did = fsys.ops+2, false // the sync
	fsys.onFail = func() { panic(powerGone{}) }
	require.Panics(t, func() { appendN(t, s, 2) })

	fsys = fsys.kill()
	s, err = Open("/spool", Options{FS: fsys})
	require.NoError(t, err)
	require.Equal(t, span(1, 5), held(t, s))

	s, err = Open("/spool", Options{FS: fsys.powerCut(0)})
	require.NoError(t, err)
	require.Equal(t, span(1, 5), held(t, s))
	require.NoError(t, s.Close())
}

// TestSkipSurvivesKill keeps the reason of a discard, not only its count.
func TestSkipSurvivesKill(t *testing.T) {
	fsys := newMemFS()
	s, err := Open("/spool", Options{FS: fsys})
	require.NoError(t, err)
	appendN(t, s, 1)
	s.Skip(2, ReasonIO)
	appendN(t, s, 1)
	s, err = Open("/spool", Options{FS: fsys.powerCut(0)})
	require.NoError(t, err)
	require.Equal(t, map[string]int64{ReasonIO: 2}, s.Status().Discarded)
	require.NoError(t, s.Close())
}
