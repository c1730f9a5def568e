package spool

import (
	"context"
	"encoding/binary"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestAppendForgetReopen(t *testing.T) {
	dir := t.TempDir()
	o := Options{SegmentBytes: 1 << 10}
	s := openAt(t, dir, o)
	require.Regexp(t, "^[0-9a-f]{16}$", s.Run())
	require.Equal(t, int64(1), s.Oldest())
	appendN(t, s, 1)
	appendN(t, s, 99)
	require.Equal(t, span(1, 100), held(t, s))
	require.NoError(t, s.Forget(37))
	require.Equal(t, span(38, 100), held(t, s))
	require.Equal(t, int64(38), s.Oldest())
	run := s.Run()

	s = reopen(t, s, o)
	require.Equal(t, run, s.Run())
	require.Equal(t, int64(100), s.Last())
	require.Zero(t, s.Torn())
	require.Equal(t, span(38, 100), held(t, s))
	balance(t, s)
	require.NoError(t, s.Forget(20), "an older receipt changes nothing")
	require.Equal(t, int64(38), s.Oldest())
	require.NoError(t, s.Forget(100))
	require.Empty(t, held(t, s))

	s = reopen(t, s, o)
	require.Equal(t, int64(100), s.Last(), "known from the state when no segment is left")
	names, err := filepath.Glob(filepath.Join(dir, "*"+segmentSuffix))
	require.NoError(t, err)
	require.Empty(t, names)
	appendN(t, s, 3)
	require.Equal(t, span(101, 103), held(t, s))
}

func TestNewSpoolNewRun(t *testing.T) {
	a, b := openAt(t, t.TempDir(), Options{}), openAt(t, t.TempDir(), Options{})
	require.NotEqual(t, a.Run(), b.Run())
}

func TestOneProcessOnly(t *testing.T) {
	s := openAt(t, t.TempDir(), Options{})
	_, err := Open(s.dir, Options{})
	require.ErrorContains(t, err, "another process uses this spool")
}

func TestAppendWantsTheNextNumber(t *testing.T) {
	s := openAt(t, t.TempDir(), Options{})
	require.ErrorIs(t, s.Append(2, contents(2, 1)), ErrMoved)
	appendN(t, s, 5)
	require.ErrorIs(t, s.Append(5, contents(5, 1)), ErrMoved)
	require.Error(t, s.Append(6, [][]byte{make([]byte, MaxRecord+1)}))
	require.Equal(t, int64(5), s.Last())
}

func TestReceiptBeyondLast(t *testing.T) {
	s := openAt(t, t.TempDir(), Options{})
	appendN(t, s, 5)
	require.NoError(t, s.Forget(9))
	require.Equal(t, int64(9), s.Last(), "the collector has numbers up to 9: none of them is used again")
	balance(t, s)
	appendN(t, s, 1)
	require.Equal(t, []int64{10}, held(t, s))
	st := s.Status()
	require.Equal(t, int64(5), st.Receipted)
	require.Equal(t, map[string]int64{ReasonUnknown: 4}, st.Discarded)
	require.Equal(t, int64(10), st.Sampled)
	balance(t, reopen(t, s, Options{}))
}

// TestSetBack restores an old image of the directory. A receipt says how far
// the spool had been.
func TestSetBack(t *testing.T) {
	fsys := newMemFS()
	s, err := Open(memDir, Options{FS: fsys})
	require.NoError(t, err)
	appendN(t, s, 4)
	require.NoError(t, s.Forget(2))
	image := fsys.powerCut(0)
	appendN(t, s, 6)
	s, err = Open(memDir, Options{FS: image})
	require.NoError(t, err)
	balance(t, s)
	appendN(t, s, 1) // 5, with other bytes than the first one
	require.NoError(t, s.Forget(10))
	balance(t, s)
	st := s.Status()
	require.Equal(t, int64(10), st.Sampled)
	require.Equal(t, map[string]int64{ReasonUnknown: 5}, st.Discarded)
	require.Equal(t, int64(5), st.Receipted, "the receipt of 2 was not on disk, and is in this one")
	s, err = Open(memDir, Options{FS: image.powerCut(0)})
	require.NoError(t, err)
	balance(t, s)
}

func TestConnCountsAcrossProcesses(t *testing.T) {
	s := openAt(t, t.TempDir(), Options{})
	for want := range int64(3) {
		got, err := s.NextConn()
		require.NoError(t, err)
		require.Equal(t, want+1, got)
	}
	s = reopen(t, s, Options{})
	got, err := s.NextConn()
	require.NoError(t, err)
	require.Equal(t, int64(4), got)
}

func TestSizeBound(t *testing.T) {
	o := Options{MaxBytes: 16 << 10, SegmentBytes: 2 << 10}
	s := openAt(t, t.TempDir(), o)
	for range 600 {
		appendN(t, s, 1)
		require.LessOrEqual(t, s.Status().Bytes, o.MaxBytes+1<<10)
	}
	kept := held(t, s)
	require.Equal(t, span(kept[0], 600), kept, "the oldest go first")
	require.Equal(t, kept[0]-1, s.Status().Discarded[ReasonSize])
	balance(t, s)
	s = reopen(t, s, o)
	require.Equal(t, kept, held(t, s))
	balance(t, s)
}

func TestAgeBound(t *testing.T) {
	now := time.Unix(1_700_000_000, 0)
	o := Options{MaxAge: 48 * time.Hour, SegmentBytes: 1 << 10, Now: func() time.Time { return now }}
	s := openAt(t, t.TempDir(), o)
	for range 100 {
		appendN(t, s, 1)
		now = now.Add(time.Hour)
	}
	kept := held(t, s)
	require.Greater(t, kept[0], int64(30))
	require.LessOrEqual(t, kept[0], int64(52), "nothing younger than two days goes")
	require.Equal(t, kept[0]-1, s.Status().Discarded[ReasonAge])
	now = now.Add(1000 * time.Hour)
	appendN(t, s, 1)
	require.Equal(t, []int64{101}, held(t, s), "also when the only segment is the one being written")
	balance(t, s)
}

func TestSkipIsCountedOnce(t *testing.T) {
	s := openAt(t, t.TempDir(), Options{})
	appendN(t, s, 3)
	s.Skip(2, ReasonIO)
	appendN(t, s, 3)
	for range 3 {
		require.Equal(t, []int64{1, 2, 3, 6, 7, 8}, held(t, s))
		require.Equal(t, map[string]int64{ReasonIO: 2}, s.Status().Discarded)
		s = reopen(t, s, Options{})
	}
	require.NoError(t, s.Forget(3))
	require.Equal(t, int64(6), s.Oldest(), "the gap is no longer waited for")
}

func TestBury(t *testing.T) {
	s := openAt(t, t.TempDir(), Options{})
	appendN(t, s, 3)
	require.NoError(t, s.Bury(1))
	require.Equal(t, int64(2), s.Oldest())
	require.NoError(t, s.Bury(1), "twice is once")
	require.Equal(t, map[string]int64{ReasonDead: 1}, s.Status().Discarded)
	dead, err := os.ReadFile(filepath.Join(s.dir, deadFile))
	require.NoError(t, err)
	require.Equal(t, string(content(1)), string(dead))
	s = reopen(t, s, Options{})
	require.Equal(t, []int64{2, 3}, held(t, s))
}

func TestWaitBelow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, err := Open("/spool", Options{FS: newMemFS()})
		require.NoError(t, err)
		appendN(t, s, 10)
		done := make(chan error, 1)
		go func() { done <- s.WaitBelow(t.Context(), 0) }()
		synctest.Wait()
		require.NoError(t, s.Forget(9))
		synctest.Wait()
		require.Empty(t, done)
		require.NoError(t, s.Forget(10))
		synctest.Wait()
		require.NoError(t, <-done)
		ctx, cancel := context.WithCancel(t.Context())
		appendN(t, s, 1)
		cancel()
		require.ErrorIs(t, s.WaitBelow(ctx, 0), context.Canceled)
		require.NoError(t, s.Close())
	})
}

const (
	memDir     = "/spool"
	memState   = memDir + "/" + stateFile
	memSegment = memDir + "/0000000000000000" + segmentSuffix
)

// filled returns the files of a closed or killed spool of n records in one
// segment.
func filled(t *testing.T, n int64, clean bool) map[string][]byte {
	t.Helper()
	fsys := newMemFS()
	s, err := Open(memDir, Options{FS: fsys})
	require.NoError(t, err)
	for range n {
		appendN(t, s, 1)
	}
	if clean {
		require.NoError(t, s.Close())
	}
	files := fsys.contents()
	require.Contains(t, files, memSegment)
	require.Contains(t, files, memState)
	return files
}

// with returns the files with one of them changed.
func with(files map[string][]byte, name string, b []byte) map[string][]byte {
	files = maps.Clone(files)
	files[name] = b
	return files
}

func openFiles(t require.TestingT, files map[string][]byte) *Spool {
	s, err := Open(memDir, Options{FS: diskOf(files)})
	require.NoError(t, err)
	return s
}

// TestTornTail cuts the file of a killed process at each byte: what is whole
// stays, what is not is offered for reuse, and the numbers go on.
func TestTornTail(t *testing.T) {
	const n = 6
	files := filled(t, n, false)
	b := files[memSegment]
	entries, _ := scan(b, segmentRun(b))
	require.Len(t, entries, n)
	for cut := range len(b) {
		whole, boundary := int64(0), cut == segmentHeader || cut == 0
		for _, e := range entries {
			if end := int(e.offset) + recordHeader + e.length; end <= cut {
				whole, boundary = e.seq, end == cut
			}
		}
		s := openFiles(t, with(files, memSegment, b[:cut]))
		require.Equal(t, whole, s.Last(), "cut at %d", cut)
		require.Equal(t, span(1, whole), held(t, s))
		if boundary {
			require.Zero(t, s.Torn(), "cut at %d", cut)
		} else {
			require.Equal(t, int64(1), s.Torn(), "cut at %d", cut)
		}
		s.Skip(s.Torn(), ReasonTorn)
		appendN(t, s, 2)
		require.Equal(t, append(span(1, whole), s.Last()-1, s.Last()), held(t, s))
		balance(t, s)
		require.NoError(t, s.Close())
	}
}

// TestTornBatch tells how many numbers a batch that was not finished may have
// used.
func TestTornBatch(t *testing.T) {
	dir := t.TempDir()
	s, err := Open(dir, Options{})
	require.NoError(t, err)
	appendN(t, s, 2)
	appendN(t, s, 5)
	require.NoError(t, s.lock.Close())
	require.NoError(t, s.active.Close())
	name := s.tail().name
	b, err := os.ReadFile(name)
	require.NoError(t, err)
	// Damage the third record and cut into the sixth: 3…6 are in doubt, but
	// 4 and 5 are found again.
	b[s.tail().entries[2].offset+recordHeader] ^= 1
	require.NoError(t, os.WriteFile(name, b[:s.tail().entries[5].offset+20], 0o600))
	s = openAt(t, dir, Options{})
	require.Equal(t, []int64{1, 2, 4, 5}, held(t, s))
	require.Equal(t, map[string]int64{ReasonCorrupt: 1}, s.Status().Discarded)
	require.Equal(t, int64(1), s.Torn())
}

// TestOneFlippedBit flips each bit of the files of a spool that was closed,
// and of one whose process was killed: at most one record is lost, it is
// counted or in doubt, and its number is not used again.
func TestOneFlippedBit(t *testing.T) {
	const n = 3
	for _, clean := range []bool{true, false} {
		files := filled(t, n, clean)
		for _, name := range []string{memSegment, memState} {
			for bit := range len(files[name]) * 8 {
				b := slices.Clone(files[name])
				b[bit/8] ^= 1 << (bit % 8)
				s := openFiles(t, with(files, name, b))
				kept := held(t, s)
				lost := s.Status().Discarded[ReasonCorrupt]
				require.LessOrEqual(t, lost+s.Torn(), int64(1), "%s bit %d", name, bit)
				require.Equal(t, int64(n), s.Last()+s.Torn(), "%s bit %d", name, bit)
				require.Equal(t, int64(n), int64(len(kept))+lost+s.Torn(), "%s bit %d", name, bit)
				balance(t, s)
				require.NoError(t, s.Close())
			}
		}
	}
}

// TestDamageWhileOpen damages a record after the spool was opened.
func TestDamageWhileOpen(t *testing.T) {
	s := openAt(t, t.TempDir(), Options{})
	appendN(t, s, 5)
	f, err := os.OpenFile(s.tail().name, os.O_RDWR, 0)
	require.NoError(t, err)
	_, err = f.WriteAt([]byte{0xff}, s.tail().entries[2].offset+recordHeader)
	require.NoError(t, err)
	require.NoError(t, f.Close())
	require.Equal(t, []int64{1, 2, 4, 5}, held(t, s))
	require.Equal(t, map[string]int64{ReasonCorrupt: 1}, s.Status().Discarded)
	s = reopen(t, s, Options{})
	require.Equal(t, map[string]int64{ReasonCorrupt: 1}, s.Status().Discarded, "not counted twice")
	require.NoError(t, s.Forget(5))
}

func TestLostState(t *testing.T) {
	files := filled(t, 5, true)
	delete(files, memState)
	s := openFiles(t, files)
	require.Equal(t, span(1, 5), held(t, s), "run and records come from the segments")
	require.Equal(t, int64(5), s.Last())
	balance(t, s)
	require.NoError(t, s.Close())
}

// TestLostStateAfterReceipts no longer knows what became of the records that
// are gone.
func TestLostStateAfterReceipts(t *testing.T) {
	fsys := newMemFS()
	s, err := Open(memDir, Options{FS: fsys, SegmentBytes: 200})
	require.NoError(t, err)
	for range 20 {
		appendN(t, s, 1)
	}
	require.NoError(t, s.Forget(12))
	files := fsys.contents()
	delete(files, memState)
	s = openFiles(t, files)
	balance(t, s)
	kept := held(t, s)
	require.Equal(t, span(kept[0], 20), kept)
	require.LessOrEqual(t, kept[0], int64(13))
	require.Greater(t, kept[0], int64(1))
	require.Equal(t, map[string]int64{ReasonUnknown: kept[0] - 1}, s.Status().Discarded)
	require.Equal(t, int64(20), s.Status().Sampled)
	require.NoError(t, s.Close())
}

func TestLostStateAndHeader(t *testing.T) {
	files := filled(t, 5, true)
	delete(files, memState)
	files[memSegment][3] ^= 1
	fsys := diskOf(files)
	s, err := Open(memDir, Options{FS: fsys})
	require.NoError(t, err)
	require.Empty(t, held(t, s))
	require.Zero(t, s.Last(), "a new run")
	require.Contains(t, fsys.contents(), memSegment+".lost")
	require.NoError(t, s.Close())
}

func TestForeignSegment(t *testing.T) {
	files := filled(t, 5, true)
	other := filled(t, 5, true)[memSegment]
	_, err := Open(memDir, Options{FS: diskOf(with(files, memDir+"/0000000000000009.seg", other))})
	require.ErrorContains(t, err, "0000000000000009.seg")
	require.ErrorContains(t, err, "move the file away")
}

// TestAnyDamage writes rubbish over any part of a segment: no panic, no false
// record, numbers go on.
func TestAnyDamage(t *testing.T) {
	files := filled(t, 20, true)
	rapid.Check(t, func(rt *rapid.T) {
		b := slices.Clone(files[memSegment])
		at := rapid.IntRange(0, len(b)-1).Draw(rt, "at")
		copy(b[at:], rapid.SliceOfN(rapid.Byte(), 1, 300).Draw(rt, "rubbish"))
		s := openFiles(rt, with(files, memSegment, b))
		kept := int64(0)
		require.NoError(rt, s.Each(0, func(seq int64, p []byte) bool {
			require.Equal(rt, string(content(seq)), string(p))
			kept++
			return true
		}))
		require.Equal(rt, int64(20), s.Last())
		require.Equal(rt, int64(20), kept+s.Status().Discarded[ReasonCorrupt])
		balance(rt, s)
		require.NoError(rt, s.Close())
	})
}

// TestKilled kills the writing process again and again: everything that it
// said was durable is there, and nothing twice.
func TestKilled(t *testing.T) {
	dir := t.TempDir()
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for range 15 {
		cmd, next := start(t, dir)
		acknowledged := int64(0)
		for range 20 + rng.IntN(150) {
			n, ok := next()
			require.True(t, ok)
			acknowledged = n
		}
		require.NoError(t, cmd.Process.Kill())
		for n, ok := next(); ok; n, ok = next() {
			acknowledged = n // printed before the kill arrived
		}
		require.Error(t, cmd.Wait(), "killed")
		s, err := Open(dir, Options{})
		require.NoError(t, err)
		require.GreaterOrEqual(t, s.Last(), acknowledged)
		balance(t, s)
		kept := held(t, s)
		require.Equal(t, span(kept[0], s.Last()), kept, "no hole")
		require.LessOrEqual(t, kept[0], s.Status().Upto+1)
		require.Empty(t, s.Status().Discarded)
		require.Equal(t, s.Last(), s.Status().Sampled)
		balance(t, s)
		require.NoError(t, s.Close())
	}
}

func BenchmarkAppendOne(b *testing.B) {
	s, err := Open(b.TempDir(), Options{MaxBytes: 1 << 40})
	require.NoError(b, err)
	line := make([]byte, 200)
	binary.LittleEndian.PutUint64(line, 1)
	for b.Loop() {
		if err := s.Append(s.Last()+1, [][]byte{line}); err != nil {
			b.Fatal(err)
		}
	}
	require.NoError(b, s.Close())
}
