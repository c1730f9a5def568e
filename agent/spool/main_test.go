package spool

import (
	"fmt"
	"os"
	"os/exec"
	"testing"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

// childDir, when set, makes the test binary append records to the spool of
// that folder until it is killed.
const childDir = "SPOOL_CHILD_DIR"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childDir); dir != "" {
		child(dir)
		return
	}
	goleak.VerifyTestMain(m)
}

// content is what record seq holds in these tests: sizes vary, so that
// segments end anywhere.
func content(seq int64) []byte {
	return fmt.Appendf(nil, "record %d %0*d\n", seq, int(seq*7%90)+1, seq)
}

func contents(first, n int64) [][]byte {
	list := make([][]byte, n)
	for i := range list {
		list[i] = content(first + int64(i))
	}
	return list
}

func appendN(t *testing.T, s *Spool, n int64) {
	t.Helper()
	first := s.Last() + 1
	require.NoError(t, s.Append(first, contents(first, n)))
}

// held returns the numbers spooled, after comparing their bytes.
func held(t *testing.T, s *Spool) []int64 {
	t.Helper()
	var list []int64
	require.NoError(t, s.Each(0, func(seq int64, payload []byte) bool {
		require.Equal(t, string(content(seq)), string(payload))
		list = append(list, seq)
		return true
	}))
	return list
}

func span(from, to int64) []int64 {
	var list []int64
	for i := from; i <= to; i++ {
		list = append(list, i)
	}
	return list
}

// balance checks that every record is receipted, queued, waiting or discarded.
func balance(t require.TestingT, s *Spool) {
	st := s.Status()
	lost := int64(0)
	for _, n := range st.Discarded {
		lost += n
	}
	require.Equal(t, st.Sampled, st.Receipted+st.Queued+st.Waiting+lost, "%+v", st)
	listed := int64(0)
	for _, seg := range s.segments {
		listed += int64(len(seg.entries))
	}
	require.Equal(t, listed, st.Queued)
}

func reopen(t *testing.T, s *Spool, o Options) *Spool {
	t.Helper()
	dir := s.dir
	require.NoError(t, s.Close())
	s, err := Open(dir, o)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

func openAt(t *testing.T, dir string, o Options) *Spool {
	t.Helper()
	s, err := Open(dir, o)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

func start(t *testing.T, dir string) (*exec.Cmd, func() (int64, bool)) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childDir+"="+dir)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	cmd.Stderr = os.Stderr
	require.NoError(t, cmd.Start())
	return cmd, func() (int64, bool) {
		var n int64
		_, err := fmt.Fscanln(out, &n)
		return n, err == nil
	}
}

// child appends, and prints each number once it is durable. It receipts some
// of them, as a publisher would.
func child(dir string) {
	s, err := Open(dir, Options{SegmentBytes: 2 << 10})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	for {
		first := s.Last() + 1
		n := first%4 + 1
		if err := s.Append(first, contents(first, n)); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		fmt.Println(first + n - 1)
		if first%50 == 0 {
			if err := s.Forget(first - 40); err != nil {
				fmt.Fprintln(os.Stderr, err)
				os.Exit(1)
			}
		}
	}
}
