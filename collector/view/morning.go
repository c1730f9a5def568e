package view

import (
	"context"
	"fmt"
	"sync"
	"time"

	"dewpost/rules/unit"
)

const (
	// A morning look of no more stations is made anew for everybody who asks.
	fewStations = 300
	// One of more is made at most so often, and takes at most that part of a
	// core.
	lookEvery = 30 * time.Second
	lookShare = 20
	// Nobody is shown an older one.
	looksOld = 10 * time.Minute
)

// morning is the last morning look, where making one takes long.
type morning struct {
	making sync.Mutex // held by who makes one

	mu   sync.Mutex
	kept bool   // Keep is at it
	last *Today // nil where it is made anew for everybody
	took time.Duration
}

// get returns the last one that is good for who asks now; nil when there is none.
func (m *morning) get(oldest unit.Instant) *Today {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.last == nil || m.last.At < oldest {
		return nil
	}
	return m.last
}

func (m *morning) set(t *Today, took time.Duration) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.last, m.took = nil, took
	if m.kept && len(t.Rows) > fewStations {
		m.last = t
	}
}

func (m *morning) keep(on bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.kept = on
	if !on {
		m.last = nil
	}
}

// pause is how long Keep rests.
func (m *morning) pause() time.Duration {
	m.mu.Lock()
	defer m.mu.Unlock()
	return max(lookEvery, lookShare*m.took)
}

// Today returns the morning look. Of a few hundred stations it is of now. Of
// thousands it is the one that Keep made last, as of its At.
func (v *View) Today(ctx context.Context) (Today, error) {
	if last := v.morning.get(v.instant().Add(-looksOld)); last != nil {
		return *last, nil
	}
	return v.make(ctx, v.instant())
}

// make makes a morning look, unless one that is not older was made meanwhile.
func (v *View) make(ctx context.Context, oldest unit.Instant) (Today, error) {
	v.morning.making.Lock()
	defer v.morning.making.Unlock()
	if last := v.morning.get(oldest); last != nil {
		return *last, nil
	}
	began := time.Now()
	t, err := v.assemble(ctx)
	if err != nil {
		return Today{}, fmt.Errorf("morning look: %w", err)
	}
	v.morning.set(&t, time.Since(began))
	return t, nil
}

// Keep makes the morning look anew, again and again, where that takes too long
// for everybody who asks, until ctx ends. Each error goes to failed; it is tried
// again. It receives from ask while it waits.
func (v *View) Keep(ctx context.Context, ask <-chan struct{}, failed func(error)) {
	v.morning.keep(true)
	defer v.morning.keep(false)
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ask:
			continue
		case <-timer.C:
		}
		if _, err := v.make(ctx, v.instant()); err != nil && ctx.Err() == nil {
			failed(err)
		}
		timer.Reset(v.morning.pause())
	}
}
