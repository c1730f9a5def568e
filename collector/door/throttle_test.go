package door

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func newThrottle() *throttle { return &throttle{entries: make(map[string]tries)} }

var noon = time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)

func TestDelaysGrowToFiveMinutes(t *testing.T) {
	tr := newThrottle()
	now := noon
	var waits []time.Duration
	for range 14 {
		require.Zero(t, tr.admit(now, "a"))
		wait := tr.admit(now, "a")
		if wait > 0 {
			waits = append(waits, wait)
			require.Equal(t, wait, tr.admit(now, "a"), "an attempt turned away doesn't lengthen it")
			require.Equal(t, time.Nanosecond, tr.admit(now.Add(wait-1), "a"))
		} else {
			tr.undone("a")
		}
		now = now.Add(wait)
	}
	s := time.Second
	require.Equal(t, []time.Duration{s, 2 * s, 4 * s, 8 * s, 16 * s, 32 * s, 64 * s, 128 * s, 256 * s, 300 * s, 300 * s}, waits)
	require.Zero(t, tr.admit(now.Add(forgetAfter), "a"))
	require.Equal(t, 1, tr.entries["a"].failed, "after an hour all is forgotten")
}

// A guesser never gets more than this, however he spreads his attempts.
func TestGuessesInADay(t *testing.T) {
	tr := newThrottle()
	guesses := 0
	for now := noon; now.Before(noon.Add(24 * time.Hour)); now = now.Add(time.Second) {
		if tr.admit(now, "name", fmt.Sprint("address ", now)) == 0 { // each from elsewhere
			guesses++
		}
	}
	require.LessOrEqual(t, guesses, 24*12+15)
}

func TestManyAttemptsAtOnceAreCounted(t *testing.T) {
	tr := newThrottle()
	admitted := 0
	for range 100 {
		if tr.admit(noon, "a") == 0 {
			admitted++
		}
	}
	require.Equal(t, freeTries+1, admitted)
}

func TestSuccessForgetsOnlyItsOwn(t *testing.T) {
	tr := newThrottle()
	now := noon
	try := func(name string) {
		for {
			wait := tr.admit(now, name, "address")
			if wait == 0 {
				return
			}
			now = now.Add(wait)
		}
	}
	for range 10 {
		try("victim")
		try("attacker")
		tr.passed("attacker", "address")
	}
	require.NotContains(t, tr.entries, "attacker")
	require.Equal(t, 10, tr.entries["address"].failed, "his own account buys no attempts")
	tr.passed("victim", "address")
	require.NotContains(t, tr.entries, "victim")
}

func TestClockThatJumpsBackLocksNobodyOut(t *testing.T) {
	tr := newThrottle()
	for now := noon; tr.entries["a"].failed < 20; now = now.Add(delayMost) {
		tr.admit(now, "a")
	}
	before := noon.Add(-1000 * time.Hour)
	require.Equal(t, delayMost, tr.admit(before, "a"))
	require.Equal(t, delayMost/2, tr.admit(before.Add(delayMost/2), "a"))
	require.Zero(t, tr.admit(before.Add(delayMost), "a"))
}

// Made-up names take no more than their share of memory, and don't push out
// the one that is being guessed.
func TestThrottleIsBounded(t *testing.T) {
	tr := newThrottle()
	for range 4 {
		require.Zero(t, tr.admit(noon, "victim"))
	}
	for i := range triesKept + 500 {
		require.Zero(t, tr.admit(noon.Add(time.Duration(i)), fmt.Sprint(i)))
		require.LessOrEqual(t, len(tr.entries), triesKept)
	}
	require.Positive(t, tr.admit(noon, "victim"))
	require.NotContains(t, tr.entries, "0")
	require.Contains(t, tr.entries, fmt.Sprint(triesKept+499))
	require.Zero(t, tr.admit(noon.Add(2*forgetAfter), "late"))
	require.Len(t, tr.entries, 1, "what is forgotten makes room first")
}
