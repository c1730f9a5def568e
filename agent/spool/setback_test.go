package spool

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/reading"
)

// TestSetBackAndThenOffline: a board whose card was set back to an older image
// samples before it reaches the collector, under numbers that the collector has
// already. The receipt that says so is about others: what was never sent stays.
func TestSetBackAndThenOffline(t *testing.T) {
	fsys := newMemFS()
	s, err := Open(memDir, Options{FS: fsys, Renumber: reading.SetSeq})
	require.NoError(t, err)
	run, temp := s.Run(), 0
	sample := func(n int) {
		for range n {
			temp++
			seq := s.Last() + 1
			require.NoError(t, s.Append(seq, [][]byte{fmt.Appendf(nil, "reading,station=lake-07,run=%s seq=%di,inside_temp_c=%d 17623008%08d000\n", run, seq, temp, temp)}))
		}
	}
	sample(100)
	require.NoError(t, s.Forget(100))
	require.NoError(t, s.Close())
	image := fsys.powerCut(0)
	s, err = Open(memDir, Options{FS: fsys, Renumber: reading.SetSeq})
	require.NoError(t, err)
	sample(5000)
	require.NoError(t, s.Forget(5100))

	s, err = Open(memDir, Options{FS: image, Renumber: reading.SetSeq}) // the image is put back
	require.NoError(t, err)
	before := temp
	sample(2880) // two days without a network
	require.NoError(t, s.Forget(5100))
	balance(t, s)
	var kept []string
	require.NoError(t, s.Each(0, func(seq int64, p []byte) bool {
		require.Contains(t, string(p), fmt.Sprintf(" seq=%di,", seq))
		_, rest, _ := strings.Cut(string(p), "inside_temp_c=")
		value, _, _ := strings.Cut(rest, " ")
		kept = append(kept, value)
		return true
	}))
	require.Len(t, kept, 2880, "never sent, and gone")
	for i, v := range kept {
		require.Equal(t, fmt.Sprint(before+1+i), v)
	}
	require.Equal(t, int64(5101), s.Oldest())
	st := s.Status()
	require.Equal(t, int64(100), st.Receipted)
	s, err = Open(memDir, Options{FS: image.powerCut(0), Renumber: reading.SetSeq})
	require.NoError(t, err)
	balance(t, s)
	require.Equal(t, int64(2880), s.Status().Queued)
}
