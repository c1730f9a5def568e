package fold_test

import (
	"testing"
	"time"
	"unsafe"

	"github.com/stretchr/testify/require"

	"dewpost/rules/alarm"
)

// putOn is a time of the same monotonic clock whose wall clock is on by d: the
// machine slept, or its clock was put right. With a monotonic part, time.Time holds
// seconds above 30 bits of nanoseconds.
func putOn(t time.Time, d time.Duration) time.Time {
	*(*uint64)(unsafe.Pointer(&t)) += uint64(d/time.Second) << 30
	return t
}

// A machine that slept over night, or whose clock was wrong until it had reached a
// server, has had no time to hear anybody: as after a start, those are silent that
// don't come within what is allowed.
func TestNobodyIsSilentWhileTheCollectorSlept(t *testing.T) {
	b := newBench(t, nil)
	b.now = time.Now()
	require.Contains(t, b.now.String(), "m=")
	b.restart()
	stations := []string{"s-0", "s-1", "s-2", "s-3"}
	send := func(ids ...string) {
		for _, id := range ids {
			b.take(t, id, dry(b.now.Sub(start.Time())))
		}
		require.NoError(t, b.folder.All(t.Context()))
	}
	for _, id := range stations {
		b.enrol(t, id, nil)
	}
	send(stations...)
	for range 16 { // four hours: its start is long ago
		b.now = b.now.Add(15 * time.Minute)
		send(stations...)
		require.NoError(t, b.folder.Minute(t.Context()))
	}
	b.now = putOn(b.now.Add(time.Minute), 9*time.Hour)
	require.NoError(t, b.folder.Minute(t.Context()))
	open, err := b.store.OpenOccurrences(t.Context())
	require.NoError(t, err)
	require.Empty(t, open, "agents are about to call")
	for range 13 {
		b.now = b.now.Add(15 * time.Minute)
		send(stations[:3]...)
		require.NoError(t, b.folder.Minute(t.Context()))
	}
	open, err = b.store.OpenOccurrences(t.Context())
	require.NoError(t, err)
	require.Len(t, open, 1, "one does not come")
	require.Equal(t, "s-3", open[0].Station)
	require.Equal(t, alarm.Unacknowledged, open[0].State)
}
