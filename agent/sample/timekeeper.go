package sample

import (
	"log/slog"
	"math"
	"sync"
	"time"

	"dewpost/rules/unit"
)

// Machine is what the machine knows of time beside its wall clock.
type Machine interface {
	// Boot identifies the present boot; "" when it can't be told.
	Boot() string
	// Up is the time since then, sleep included (CLOCK_BOOTTIME). Setting the
	// wall clock does not change it.
	Up() time.Duration
	// Pace reads two clocks that nobody sets and that stop while the machine
	// sleeps: one runs at the pace of the wall clock (CLOCK_MONOTONIC), the
	// other at that of the bare oscillator (CLOCK_MONOTONIC_RAW).
	Pace() (steady, raw time.Duration)
	// Synchronised tells whether the system says that its clock follows a time
	// server or receiver; known is false where it says nothing.
	Synchronised() (yes, known bool)
}

const (
	// behindWait is how long a clock that shows an earlier time than the newest
	// reading has is not believed, though nothing else is to be had.
	behindWait = 24 * time.Hour
	// maxStep is the largest step of the wall clock that is no jump. Clocks
	// that are put right slowly do not step at all.
	maxStep = time.Second
	// driftAfter is the shortest time over which drift is told, driftWindow
	// the longest.
	driftAfter  = time.Hour
	driftWindow = 24 * time.Hour
)

// Timekeeper decides whether the wall clock may be believed, and watches it.
// It is safe for concurrent use. The rules:
//
//   - A time before 2000 is none: a board without a battery starts in 1970.
//   - A clock that the system calls synchronised is right.
//   - One that is not may show the time of the last shutdown, as boards without
//     a battery do. It is believed when the machine has been up for the wait
//     of the configuration and it still is not synchronised, as where no time
//     server is to be had; and if it is behind the newest reading, not before
//     it has passed that, or the agent has waited for a day.
//   - Once believed it stays so until it shows a time before 2000: steps are
//     recorded, and the readings of that interval carry the flag clock.
//   - A simulated clock, which has no machine, is right from 2000 on.
type Timekeeper struct {
	clock  Clock
	wait   time.Duration
	newest unit.Instant // what the clock must have passed; 0 for nothing
	log    *slog.Logger

	mu       sync.Mutex
	began    time.Time // of this process
	set      bool
	warned   bool
	last     look
	watched  bool // last was taken while the clock was believed
	jumps    int
	lastJump Jump
	anchors  [2]anchor // where the present and the next window of the drift begin
}

// look is one look at the clock.
type look struct {
	now    unit.Instant
	up     time.Duration // see Machine; without one since the process began
	set    bool          // now may be believed
	jumped bool          // since the look before
}

// anchor is where drift is measured from.
type anchor struct{ steady, raw time.Duration }

// Jump is a step of the wall clock.
type Jump struct {
	At time.Time // after it
	By time.Duration
}

// NewTimekeeper returns a timekeeper for a station whose newest reading was
// recorded at the given time, zero for none.
func NewTimekeeper(c Clock, wait time.Duration, newest time.Time, log *slog.Logger) *Timekeeper {
	k := &Timekeeper{clock: c, wait: wait, log: log, began: time.Now()}
	if !newest.IsZero() {
		k.newest = unit.At(newest)
	}
	return k
}

// ClockStatus is what a timekeeper says of the clock.
type ClockStatus struct {
	Now          time.Time
	Set          bool
	Synchronised *bool // nil: the system does not say
	Jumps        int
	LastJump     *Jump // nil: none
	// Drift is how much faster the wall clock ran than the bare oscillator, in
	// millionths, over the last half day or day; nil before an hour has passed.
	Drift *float64
}

// Status looks at the clock.
func (k *Timekeeper) Status() ClockStatus {
	k.mu.Lock()
	defer k.mu.Unlock()
	st := ClockStatus{Now: k.clock.Now().UTC(), Jumps: k.jumps}
	st.Set = k.believe(unit.At(st.Now))
	if k.jumps > 0 {
		last := k.lastJump
		st.LastJump = &last
	}
	if k.clock.Machine == nil {
		return st
	}
	if yes, known := k.clock.Machine.Synchronised(); known {
		st.Synchronised = &yes
	}
	if steady, raw := k.clock.Machine.Pace(); k.watched && raw-k.anchors[0].raw >= driftAfter {
		past, bare := steady-k.anchors[0].steady, raw-k.anchors[0].raw
		ppm := math.Round(float64(past-bare)/float64(bare)*1e8) / 100
		st.Drift = &ppm
	}
	return st
}

// look is called at each tick, by the sampler only.
func (k *Timekeeper) look() look {
	k.mu.Lock()
	defer k.mu.Unlock()
	now := k.read()
	now.set = k.believe(now.now)
	k.tell(now)
	switch {
	case !now.set:
		k.watched = false
	case !k.watched:
		k.watched = true
		k.anchors = [2]anchor{k.pace(), k.pace()}
	case k.clock.Machine != nil:
		k.compare(&now)
		if here := k.pace(); here.raw-k.anchors[1].raw >= driftWindow/2 {
			k.anchors = [2]anchor{k.anchors[1], here}
		}
	}
	k.last, k.set = now, now.set
	return now
}

// believe tells whether the clock is right, as far as can be known.
func (k *Timekeeper) believe(now unit.Instant) bool {
	m := k.clock.Machine
	if !known(now) {
		return false
	}
	if k.set || m == nil {
		return true
	}
	if yes, _ := m.Synchronised(); yes {
		return true
	}
	if now < k.newest && time.Since(k.began) < behindWait {
		return false
	}
	return m.Up() >= k.wait
}

// read reads both clocks, again when something else came in between them.
func (k *Timekeeper) read() (l look) {
	for range 3 {
		before := k.up()
		l = look{now: k.clock.now(), up: k.up()}
		if l.up-before < maxStep/10 {
			break
		}
	}
	return l
}

// up is the machine's, or how far the clock's time has gone since the process
// began.
func (k *Timekeeper) up() time.Duration {
	if k.clock.Machine != nil {
		return k.clock.Machine.Up()
	}
	speed := k.clock.Speed
	if speed <= 0 {
		speed = 1
	}
	return time.Duration(float64(time.Since(k.began)) * speed)
}

// tell logs when readings begin to wait, and when they need no more.
func (k *Timekeeper) tell(now look) {
	switch {
	case !now.set && !k.warned:
		k.warned = true
		attrs := []any{"clock", now.now.Time(), "up", now.up.Round(time.Second), "clock_wait", k.wait}
		if now.now < k.newest {
			attrs = append(attrs, "behind", k.newest.Time())
		}
		k.log.Warn("readings wait for the clock to be set", attrs...)
	case now.set && k.warned:
		k.warned = false
		k.log.Info("clock is set", "clock", now.now.Time())
	}
}

// compare notes a step of the wall clock since the look before: it has gone
// further than the time since boot, or less far.
func (k *Timekeeper) compare(now *look) {
	by := now.now.Sub(k.last.now) - (now.up - k.last.up)
	if by.Abs() <= maxStep {
		return
	}
	now.jumped = true
	k.jumps++
	k.lastJump = Jump{At: now.now.Time(), By: by}
	k.log.Warn("the clock has jumped", "seconds", by.Seconds(), "clock", k.lastJump.At)
}

// pace returns where a window of the drift may begin.
func (k *Timekeeper) pace() anchor {
	if k.clock.Machine == nil {
		return anchor{}
	}
	steady, raw := k.clock.Machine.Pace()
	return anchor{steady: steady, raw: raw}
}
