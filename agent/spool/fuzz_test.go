package spool

import (
	"fmt"
	"hash/crc32"
	"maps"
	"testing"

	"github.com/stretchr/testify/require"
)

func FuzzScan(f *testing.F) {
	run := "0123456789abcdef"
	b := appendSegmentHeader(nil, run)
	b = appendRecord(b, run, 1, 2, []byte("one"))
	b = appendRecord(b, run, 2, 3, []byte("two"))
	f.Add(b)
	f.Add(b[:len(b)-1])
	f.Add(b[5:])
	f.Fuzz(func(t *testing.T, b []byte) {
		entries, tail := scan(b, run)
		require.LessOrEqual(t, tail, int64(max(len(b), 0)))
		for _, e := range entries {
			got, payload, ok := parseRecord(b[e.offset:], run)
			require.True(t, ok)
			require.Equal(t, e.seq, got.seq)
			require.Equal(t, b[e.offset:e.offset+int64(recordHeader+e.length)], appendRecord(nil, run, e.seq, e.at, payload))
		}
		begun(b[tail:])
	})
}

// sound opens a spool of any files: it must be in balance, go on, and be the
// same when it is opened again.
func sound(t *testing.T, files map[string][]byte) {
	o := Options{FS: diskOf(files), Boot: boot}
	s, err := Open(memDir, o)
	require.NoError(t, err)
	balance(t, s)
	kept := 0
	count := func(int64, []byte) bool { kept++; return true }
	require.NoError(t, s.Each(0, count))
	require.Equal(t, s.Status().Queued, int64(kept))
	waiting := s.Status().Waiting
	require.NoError(t, s.Fix(note))
	if waiting > 0 {
		require.NoError(t, s.Append(s.Last()+1, s.Held()))
	}
	s.Skip(s.Torn(), ReasonTorn)
	require.NoError(t, s.Append(s.Last()+1, [][]byte{[]byte("one more")}))
	balance(t, s)
	require.NoError(t, s.Close())
	before := s.Status()
	if len(before.Discarded) == 0 {
		before.Discarded = nil // which is what is read back
	}
	s, err = Open(memDir, o)
	require.NoError(t, err)
	require.Equal(t, before, s.Status())
	kept = 0
	require.NoError(t, s.Each(0, count))
	require.Equal(t, s.Status().Queued, int64(kept))
	require.NoError(t, s.Close())
}

const fuzzRun = "0123456789abcdef"

func fuzzFiles(st state, segment, waiting []byte) map[string][]byte {
	b, err := st.encode()
	if err != nil {
		panic(err)
	}
	return map[string][]byte{memState: b, memSegment: segment, memHd: waiting}
}

// FuzzSegment recovers a spool from any segment.
func FuzzSegment(f *testing.F) {
	b := appendSegmentHeader(nil, fuzzRun)
	for seq := int64(3); seq <= 6; seq++ {
		b = appendRecord(b, fuzzRun, seq, seq, []byte("a record"))
	}
	f.Add(b)
	f.Add(b[:len(b)-3])
	f.Add(append(b[:50:50], b[60:]...))
	f.Add(b[segmentHeader:])
	st := state{Run: fuzzRun, Last: 4, Upto: 2, Sampled: 4, Receipted: 2}
	f.Fuzz(func(t *testing.T, b []byte) {
		if run := segmentRun(b); run != "" && run != fuzzRun {
			t.Skip("of another spool: Open refuses it")
		}
		for _, e := range first(scan(b, fuzzRun)) {
			if e.seq < 1 || e.seq > most {
				t.Skip("no spool writes such a number")
			}
		}
		sound(t, fuzzFiles(st, b, nil))
		sound(t, map[string][]byte{memSegment: b})
	})
}

func first[A, B any](a A, _ B) A { return a }

// FuzzWaiting recovers a spool from any file of held records.
func FuzzWaiting(f *testing.F) {
	b := appendHeldHeader(nil, boot, 0)
	for n := int64(2); n <= 4; n++ {
		b = appendRecord(b, fuzzRun, n, n, []byte("held"))
	}
	f.Add(b, false)
	f.Add(b, true)
	f.Add(b[:len(b)-3], true)
	f.Add(append(b[:70:70], b[80:]...), false)
	f.Add(b[5:], true)
	segment := appendRecord(appendSegmentHeader(nil, fuzzRun), fuzzRun, 1, 1, []byte("one"))
	f.Fuzz(func(t *testing.T, b []byte, fix bool) {
		for _, e := range first(scan(b, fuzzRun)) {
			if e.seq < 1 || e.seq > most || fix && e.seq > 4 {
				t.Skip("no spool writes such a number, and nothing is held beside what is fixed")
			}
		}
		st := state{Run: fuzzRun, Last: 1, Sampled: 5, Held: 4, Freed: 1, Discarded: map[string]int64{ReasonNoClock: 1}}
		if fix {
			st.Fixed = &fixed{First: 2, From: 1, N: 3, Note: note}
		}
		sound(t, fuzzFiles(st, segment, b))
		lost := fuzzFiles(st, segment, b)
		delete(lost, memState)
		sound(t, lost)
	})
}

// FuzzState opens a spool with any state; sealed, it has the right checksum.
func FuzzState(f *testing.F) {
	f.Add([]byte(`{"run":"0123456789abcdef","last":1,"upto":1,"sampled":1,"receipted":1}`), true)
	f.Add([]byte(`{"run":"0123456789abcdef","last":9,"sampled":9,"discarded":{"io":8},"gaps":[{"from":2,"to":9,"reason":"io"}]}`), true)
	f.Add([]byte(`{"run":"0123456789abcdef","last":1,"sampled":4,"held":3,"freed":1,"fixed":{"first":2,"from":1,"n":2}}`), true)
	f.Add([]byte(`{"run":"0123456789abcdef","last":576460752303423488}`), true)
	f.Add([]byte(`{"run":"0123456789abcdef","last":-1}`), true)
	f.Add([]byte(`{"run":7}`), true)
	f.Add([]byte("no state"), false)
	f.Add([]byte("{}\n00000000\n"), false)
	segment := appendRecord(appendSegmentHeader(nil, fuzzRun), fuzzRun, 1, 1, []byte("one"))
	f.Fuzz(func(t *testing.T, text []byte, sealed bool) {
		b := text
		if sealed {
			b = fmt.Appendf(nil, "%s\n%08x\n", text, crc32.Checksum(text, castagnoli))
		}
		st, err := decodeState(b)
		if err != nil {
			require.Equal(t, state{}, st)
		} else {
			again, err := st.encode()
			require.NoError(t, err)
			back, err := decodeState(again)
			require.NoError(t, err)
			once, err := back.encode()
			require.NoError(t, err)
			require.Equal(t, string(again), string(once))
			if st.Run != fuzzRun || !inBalance(st) {
				return
			}
		}
		sound(t, map[string][]byte{memState: b, memSegment: segment})
	})
}

// inBalance tells whether the state of a spool whose segment has record 1 can be
// true.
func inBalance(st state) bool {
	n := st.Receipted + st.Held - st.Freed
	for k := range maps.Values(st.Discarded) {
		n += k
	}
	if st.Last > 0 && st.floor() == 0 && !st.inGap(1) {
		n++
	}
	for next := max(st.floor()+1, 2); next <= st.Last; {
		first, end := st.gapAt(next)
		if end == 0 { // such a number counts as corrupt from now on
			if first == 0 {
				first = st.Last + 1
			}
			n += first - next
			end = first - 1
		}
		next = end + 1
	}
	return n == st.Sampled && (st.Fixed == nil || st.Fixed.First == st.Last+1 && st.Fixed.From == st.Freed && st.Fixed.N == st.Held-st.Freed)
}
