package view

import (
	"context"
	"time"

	"dewpost/rules/breathing"
)

// Breath is how open a station's box is; nil is what is not known.
type Breath struct {
	Now   *breathing.Day   // the newest day that told it
	Usual *breathing.Usual // when the box was known to be good
	Days  []breathing.Day  // of the last year
}

// Breath says how open a station's box is now.
func (v *View) Breath(ctx context.Context, id string) (b Breath, err error) {
	b.Now, b.Usual, err = v.store.BreathingNow(ctx, id)
	return b, err
}

func (v *View) breath(ctx context.Context, c *Card) (err error) {
	if c.Breath, err = v.Breath(ctx, c.Station.ID); err != nil {
		return err
	}
	c.Breath.Days, err = v.store.Breathing(ctx, c.Station.ID, c.At.Add(-366*day).Time().UTC().Format(time.DateOnly), "9999", 366)
	return err
}

// Breathing lists a station's breathing time by UTC day from the day from up to
// the day to, that one left out. next is "" at the end.
func (v *View) Breathing(ctx context.Context, id, from, to string, limit int) (list []breathing.Day, next string, err error) {
	if _, err := v.store.Station(ctx, id); err != nil {
		return nil, "", err
	}
	list, err = v.store.Breathing(ctx, id, from, to, limit+1)
	if err == nil && len(list) > limit {
		list, next = list[:limit], list[limit].Day
	}
	return list, next, err
}
