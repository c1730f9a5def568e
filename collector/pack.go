package collector

import (
	"context"
	"time"

	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/unit"
)

const (
	// A day is packed by columns when it ended so long ago: most of what agents
	// had to keep has come.
	dayCloses = 24 * time.Hour
	// So many stations are looked through before the next breath.
	packStations = 50
	packBreath   = 100 * time.Millisecond
	packRetry    = time.Minute
	// The first time comes soon, for a collector that is often restarted.
	firstPacking = 5 * time.Minute
	packEvery    = time.Hour
)

// packDays packs closed days by columns, now and then, until ctx ends. It is
// housekeeping: what fails is tried again the next time.
func (c *Collector) packDays(ctx context.Context, ask <-chan struct{}) error {
	timer := time.NewTimer(firstPacking)
	defer timer.Stop()
	last := ""
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-ask:
			continue
		case <-timer.C:
		}
		var done record.Packed
		on, err := c.store.OnDuty(ctx)
		if err == nil && !on {
			last = ""
			timer.Reset(packEvery)
			continue
		}
		if err != nil {
			c.log.Error("closed days are not packed; it is tried again", "error", err)
			timer.Reset(packRetry)
			continue
		}
		done, last, err = c.store.PackDays(ctx, unit.At(c.now()).Add(-dayCloses), last, packStations)
		if store.Over(err) {
			return err
		}
		if err != nil && ctx.Err() == nil {
			c.log.Error("closed days of a station are not packed; they are tried again after the others", "station", last, "error", err)
		}
		c.count(done)
		switch {
		case err != nil:
			timer.Reset(packRetry)
		case last != "":
			timer.Reset(packBreath)
		default:
			timer.Reset(packEvery)
		}
	}
}

// count adds to what was packed since the start.
func (c *Collector) count(p record.Packed) {
	c.packedMu.Lock()
	defer c.packedMu.Unlock()
	c.packed.Add(p)
	if p.Days > 0 {
		c.log.Info("closed days packed", "days", p.Days, "readings", p.Readings, "bytes_before", p.Before, "bytes_after", p.After)
	}
}

func (c *Collector) packedSoFar() record.Packed {
	c.packedMu.Lock()
	defer c.packedMu.Unlock()
	return c.packed
}
