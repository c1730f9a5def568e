package intake

import (
	"slices"
	"sync"
	"time"
)

// timeBounds are the upper bounds, in seconds, by which commits are counted.
var timeBounds = []float64{0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5}

// Durations says how often something took how long.
type Durations struct {
	Bounds []float64 // seconds, ascending
	Counts []uint64  // of durations <= the bound and > the one before; one more for those beyond
}

// stopwatch counts durations.
type stopwatch struct {
	mu     sync.Mutex
	counts []uint64
	sum    time.Duration
}

func (s *stopwatch) add(d time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.counts == nil {
		s.counts = make([]uint64, len(timeBounds)+1)
	}
	i, _ := slices.BinarySearch(timeBounds, d.Seconds())
	s.counts[i]++
	s.sum += d
}

func (s *stopwatch) read() (Durations, time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	d := Durations{Bounds: timeBounds, Counts: make([]uint64, len(timeBounds)+1)}
	copy(d.Counts, s.counts)
	return d, s.sum
}
