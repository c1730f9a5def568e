package demo

import (
	"sync"
	"time"
)

// clock stands still at a set time, or runs from it at a speed.
type clock struct {
	mu      sync.Mutex
	at      time.Time
	speed   float64
	running time.Time // real time at which it began to run; zero while it stands
}

func (c *clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.running.IsZero() {
		return c.at
	}
	return c.at.Add(time.Duration(float64(time.Since(c.running)) * c.speed))
}

func (c *clock) set(t time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = t
}

func (c *clock) run() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.running = time.Now()
}
