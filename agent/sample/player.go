package sample

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"dewpost/rules/reading"
)

// chunk is the most readings that a player records with one sync.
const chunk = 256

// Player records readings that have their own times, such as the rows of a
// file. Row n always gets number n, so that after a kill at any instant the
// next player goes on with the row after the last one recorded: none is lost
// and none doubled. The spool must hold nothing else.
type Player struct {
	// Next returns the rows, the same ones in the same order in each process,
	// and at the end io.EOF.
	Next func() (reading.Reading, error)
	// Speed is how many seconds of the rows' time pass in a real one; 0 means
	// as fast as Room allows.
	Speed float64
	// Room waits until there is room for more.
	Room func(context.Context) error
	Rec  *Recorder

	row   int64            // rows taken from Next
	ahead *reading.Reading // taken from Next and not yet recorded; nil for none
	done  bool
}

// Run records all rows, each when its time has come. It ends without error
// at the last one and when ctx ends.
func (p *Player) Run(ctx context.Context) error {
	var pace pace
	for {
		if err := p.Room(ctx); err != nil {
			return ignoreEnd(ctx, err)
		}
		first, rs, wait, err := p.due(&pace)
		if err != nil {
			return err
		}
		if len(rs) > 0 {
			if err := p.record(first, rs); err != nil {
				return err
			}
			continue
		}
		if p.done {
			return nil
		}
		if err := sleep(ctx, wait); err != nil {
			return ignoreEnd(ctx, err)
		}
	}
}

func ignoreEnd(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return nil
	}
	return err
}

// record appends the rows; numbers that a receipt has moved past are rows
// that the collector already has.
func (p *Player) record(first int64, rs []reading.Reading) error {
	err := p.Rec.record(first, rs)
	if !errors.Is(err, errMoved) {
		return err
	}
	if skip := p.Rec.Last() + 1 - first; skip < int64(len(rs)) {
		return p.record(first+skip, rs[skip:])
	}
	return nil
}

// due takes the rows whose time has come, at most a chunk, and says how long
// to wait for the next.
func (p *Player) due(pace *pace) (first int64, rs []reading.Reading, wait time.Duration, err error) {
	for len(rs) < chunk {
		r, err := p.peek()
		if err != nil || r == nil {
			return first, rs, 0, err
		}
		if wait = pace.wait(*r, p.Speed); wait > 0 {
			return first, rs, wait, nil
		}
		if len(rs) == 0 {
			first = p.row
		}
		rs = append(rs, *r)
		p.ahead = nil
	}
	return first, rs, 0, nil
}

// peek returns the next row that is not recorded yet, nil at the end.
func (p *Player) peek() (*reading.Reading, error) {
	for p.ahead == nil && !p.done {
		r, err := p.Next()
		if errors.Is(err, io.EOF) {
			p.done = true
			break
		}
		if err != nil {
			return nil, fmt.Errorf("replay: %w", err)
		}
		p.row++
		if p.row > p.Rec.Last() {
			p.ahead = &r
		}
	}
	return p.ahead, nil
}

// pace maps the rows' times to real ones: the first row is due at once.
type pace struct {
	row  reading.Reading
	wall time.Time
}

func (c *pace) wait(r reading.Reading, speed float64) time.Duration {
	if speed <= 0 {
		return 0
	}
	if c.wall.IsZero() {
		c.row, c.wall = r, time.Now()
	}
	after := time.Duration(float64(r.Time.Sub(c.row.Time)) / speed)
	return time.Until(c.wall.Add(after))
}
