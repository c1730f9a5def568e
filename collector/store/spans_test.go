package store

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// TestSpansAgainstSet compares spans with a plain set. Numbers lie close
// together at both ends of the range, so that spans touch, merge and reach
// the largest int64.
func TestSpansAgainstSet(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		near := rapid.OneOf(rapid.Int64Range(1, 40), rapid.Int64Range(math.MaxInt64-40, math.MaxInt64), rapid.Int64Range(1000, 1010))
		var s spans
		set := make(map[int64]bool)
		for _, n := range rapid.SliceOfN(near, 0, 120).Draw(t, "numbers") {
			require.Equal(t, !set[n], s.add(n), "add %d", n)
			set[n] = true
		}
		for i, v := range s {
			require.LessOrEqual(t, v.lo, v.hi)
			if i > 0 {
				require.Greater(t, v.lo-1, s[i-1].hi, "neighbours that touch")
			}
			for n := v.lo; ; n++ {
				require.True(t, set[n])
				delete(set, n)
				if n == v.hi {
					break
				}
			}
		}
		require.Empty(t, set)

		again, err := decodeSpans(s.encode())
		require.NoError(t, err)
		require.True(t, slices.Equal(s, again))
	})
}

func TestSpansSettled(t *testing.T) {
	const most = math.MaxInt64
	tests := []struct {
		name                   string
		seen                   spans
		oldest                 int64
		wantUpto, wantDiscards int64
	}{
		{"nothing", nil, 0, 0, 0},
		{"nothing, all held", nil, 1, 0, 0},
		{"in order", spans{{1, 7}}, 1, 7, 0},
		{"a gap", spans{{1, 3}, {5, 9}}, 1, 3, 0},
		{"the gap is given up", spans{{1, 3}, {5, 9}}, 5, 9, 1},
		{"oldest inside what was seen", spans{{1, 3}, {5, 9}}, 7, 9, 1},
		{"oldest beyond what was seen", spans{{1, 3}}, 7, 6, 3},
		{"begins late", spans{{4, 5}}, 4, 5, 3},
		{"begins late, nothing given up", spans{{4, 5}}, 0, 0, 0},
		{"the largest seq", spans{{most, most}}, 0, 0, 0},
		{"the largest oldest", spans{{2, 3}, {most, most}}, most, most, maxDiscarded},
		{"everything", spans{{1, most}}, most, most, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			require.Equal(t, tt.wantUpto, tt.seen.upto(tt.oldest))
			require.Equal(t, tt.wantDiscards, tt.seen.discarded(tt.oldest))
		})
	}
}

func TestDecodeSpansRefusesDamage(t *testing.T) {
	b := spans{{1, 7}, {9, 9}, {1000, math.MaxInt64}}.encode()
	for i := range len(b) * 8 {
		bad := slices.Clone(b)
		bad[i/8] ^= 1 << (i % 8)
		_, err := decodeSpans(bad)
		require.ErrorIs(t, err, errChecksum, "bit %d flipped", i)
	}
	for name, inner := range map[string][]byte{
		"starts at zero":  {0, 0},
		"touching":        {1, 0, 1, 0},
		"no length":       {1},
		"beyond the last": {1, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0x01},
	} {
		_, err := decodeSpans(seal(append([]byte{spansVersion}, inner...)))
		require.Error(t, err, name)
	}
}

// FuzzSpans: bytes that are taken are written again as they were, hold a set in
// order, and adding to it keeps it one.
func FuzzSpans(f *testing.F) {
	for _, s := range []spans{nil, {{1, 1}}, {{1, 5}, {7, 7}}, {{3, math.MaxInt64 - 2}, {math.MaxInt64, math.MaxInt64}}} {
		f.Add(s.encode(), int64(6))
	}
	f.Add(seal([]byte{spansVersion, 1, 0, 1, 0}), int64(2)) // neighbours that should be one
	f.Add(seal([]byte{spansVersion, 0x80}), int64(1))
	f.Add(seal([]byte{2, 1, 0}), int64(1))
	f.Fuzz(func(t *testing.T, b []byte, n int64) {
		for _, body := range [][]byte{b, seal(b)} { // past the checksum, too
			s, err := decodeSpans(body)
			if err != nil {
				require.Nil(t, s)
				continue
			}
			before := int64(0)
			for i, v := range s {
				require.True(t, v.lo <= v.hi && v.lo >= 1 && (i == 0 || v.lo-1 > before), "%v", s)
				before = v.hi
			}
			again, err := decodeSpans(s.encode())
			require.NoError(t, err)
			require.Equal(t, s, again)
			if n < 1 {
				return
			}
			opens, had := s.opens(n), len(s)
			added := s.add(n)
			require.False(t, s.add(n), "it is there now")
			require.Equal(t, opens, len(s) > had)
			require.True(t, added || !opens)
		}
	})
}
