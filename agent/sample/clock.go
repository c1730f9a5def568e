package sample

import (
	"context"
	"time"

	"dewpost/rules/unit"
)

// Clock tells the time. Speed is how many of its seconds pass in a real one;
// 0 means 1. A demonstration runs on a fast clock.
type Clock struct {
	Now     func() time.Time
	Speed   float64
	Machine Machine // nil for a simulated clock
}

func (c Clock) now() unit.Instant { return unit.At(c.Now()) }

// wall returns how long d of this clock's time takes.
func (c Clock) wall(d time.Duration) time.Duration {
	if c.Speed > 0 {
		d = time.Duration(float64(d) / c.Speed)
	}
	return max(d, time.Millisecond)
}

// known tells whether the clock was ever set: boards without a battery start
// in 1970.
func known(t unit.Instant) bool { return t >= unit.At(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)) }

// longest is the longest sleep between two looks at the clock, which may be
// set meanwhile.
const longest = time.Minute

// tick sleeps until the clock shows the next multiple of every, and returns
// that. A clock that is set meanwhile gives the next multiple of its new time.
func (c Clock) tick(ctx context.Context, every time.Duration) (unit.Instant, error) {
	now := c.now()
	target := now.Floor(every).Add(every)
	for {
		if err := sleep(ctx, min(c.wall(target.Sub(now)), longest)); err != nil {
			return 0, err
		}
		now = c.now()
		left := target.Sub(now)
		if left <= 0 && left > -every {
			return target, nil
		}
		if left <= 0 || left > every {
			target = now.Floor(every).Add(every)
		}
	}
}

func sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}
