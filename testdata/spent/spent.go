// Package spent tells tests what processor time they take: on a machine that does
// other things too, hours on the wall tell of those.
package spent

import (
	"math"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/moistair"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Time is the processor time that this process has taken so far.
func Time(tb testing.TB) time.Duration {
	tb.Helper()
	var u syscall.Rusage
	require.NoError(tb, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// DewPoints is the time that one dew point of each reading takes: the least that
// anything said of it costs, and the floor of what rules take. It is the mean of some
// passes, since the system counts time in steps of milliseconds.
func DewPoints(tb testing.TB, rs []reading.Reading) time.Duration {
	tb.Helper()
	const passes = 20
	began, sum := Time(tb), 0.0
	for range passes {
		for i := range rs {
			t, _ := rs[i].Get(reading.InsideTemp)
			rh, _ := rs[i].Get(reading.InsideRH)
			sum += float64(moistair.DewPoint(unit.Celsius(t), unit.Percent(min(rh, 100))))
		}
	}
	require.False(tb, math.IsNaN(sum))
	return (Time(tb) - began) / passes
}
