// Package spent tells tests what processor time they take: on a machine that does
// other things too, hours on the wall tell of those.
package spent

import (
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Time is the processor time that this process has taken so far.
func Time(tb testing.TB) time.Duration {
	tb.Helper()
	var u syscall.Rusage
	require.NoError(tb, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
