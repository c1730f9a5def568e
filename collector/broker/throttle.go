package broker

import (
	"net/netip"
	"sync"
	"time"
)

// budget is how many wrong passwords are answered at once: so many, and then
// one each time.
type budget struct {
	atOnce int
	each   time.Duration
}

// throttle counts wrong passwords.
type throttle struct {
	wrong, wrongEach budget

	mu   sync.Mutex
	free map[guesser]time.Time // when all that was spent will be there again
}

// guesser is who guesses: an address, for one name or for all.
type guesser struct {
	addr netip.Addr
	name string
}

// maxGuessers bounds the memory for them, to a few MB. Who is forgotten begins
// anew.
const maxGuessers = 20_000

func newThrottle(lim limits) *throttle {
	return &throttle{wrong: lim.wrong, wrongEach: lim.wrongEach, free: make(map[guesser]time.Time)}
}

// spend counts a wrong password and tells whether there were too many.
func (t *throttle) spend(addr netip.Addr, name string, now time.Time) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	byName := t.over(guesser{addr, name}, t.wrong, now)
	byAddr := t.over(guesser{addr: addr}, t.wrongEach, now)
	return byName || byAddr
}

func (t *throttle) over(g guesser, b budget, now time.Time) bool {
	free := t.free[g]
	if free.Before(now) {
		free = now
	}
	if free = free.Add(b.each); free.Sub(now) > time.Duration(b.atOnce)*b.each {
		return true // and no more is owed: it passes when the guessing ends
	}
	if _, known := t.free[g]; !known && len(t.free) >= maxGuessers {
		t.forget(now)
	}
	t.free[g] = free
	return false
}

// forget makes room for a while: those go whose budget is whole again, or, where
// they are too few, anybody.
func (t *throttle) forget(now time.Time) {
	for g, free := range t.free {
		if !free.After(now) {
			delete(t.free, g)
		}
	}
	for g := range t.free {
		if len(t.free) < maxGuessers*9/10 {
			return
		}
		delete(t.free, g)
	}
}
