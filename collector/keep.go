package collector

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/unit"
)

// Keep says for how long what is stored is kept. The ledger is kept for ever.
type Keep struct {
	// Raw is how long readings are kept at least, as in 3y or 400d. What is older
	// goes in steps of some two months, and the hours that were computed from it are
	// frozen; dewpost keep says beforehand what that would be. Default: for ever.
	Raw Age `toml:"raw"`
}

// Age is a number of calendar years or of days, as it stands in a config; 0 is
// for ever.
type Age struct{ years, days int }

// leastAge is the shortest time for which readings may be kept: agents may hold
// some for weeks, and what comes into frozen time is refused.
const leastAge = 90

// UnmarshalText reads it.
func (a *Age) UnmarshalText(text []byte) error {
	years, isYears := strings.CutSuffix(string(text), "y")
	days, isDays := strings.CutSuffix(string(text), "d")
	var n int
	var err error
	switch {
	case len(text) == 0:
		*a = Age{}
		return nil
	case isYears:
		n, err = strconv.Atoi(years)
		*a = Age{years: n}
	case isDays:
		n, err = strconv.Atoi(days)
		*a = Age{days: n}
	}
	if err != nil || !isYears && !isDays || n < 1 || n > 100_000 || isYears && n > 200 || isDays && n < leastAge {
		return fmt.Errorf("%q: write years or days, as in 3y or 400d, and at least %dd; leave it out for ever", text, leastAge)
	}
	return nil
}

// String returns it as it is written.
func (a Age) String() string {
	switch {
	case a.years > 0:
		return fmt.Sprintf("%dy", a.years)
	case a.days > 0:
		return fmt.Sprintf("%dd", a.days)
	}
	return "for ever"
}

// Ever tells whether it has no end.
func (a Age) Ever() bool { return a == Age{} }

// Before returns what lies so long before an instant.
func (a Age) Before(now time.Time) unit.Instant {
	return unit.At(now.UTC().AddDate(-a.years, 0, -a.days))
}

const (
	firstGoing = 10 * time.Minute
	goEvery    = time.Hour
	keeper     = "collector" // who lets readings go, for the record
)

// letGo lets old readings go, now and then, until ctx ends. It is housekeeping:
// what fails is tried again the next time.
func (c *Collector) letGo(ctx context.Context, ask <-chan struct{}) error {
	if c.cfg.Keep.Raw.Ever() {
		return c.idle(ctx, ask)
	}
	timer := time.NewTimer(firstGoing)
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
		on, err := c.store.OnDuty(ctx)
		if err == nil && !on {
			last = ""
			timer.Reset(goEvery)
			continue
		}
		var went []record.Going
		if err == nil {
			now := c.now()
			went, last, err = c.store.LetGo(ctx, c.cfg.Keep.Raw.Before(now), unit.At(now), keeper, last, packStations)
		}
		if store.Over(err) {
			return err
		}
		for i := range went {
			if g := &went[i]; g.Waits == "" {
				c.log.Info("readings are let go", "station", g.Station, "from", g.From, "to", g.To, "readings", g.Readings, "bytes", g.Bytes, "hours_frozen", g.Hours, "frozen_before", g.Before)
			}
		}
		switch {
		case err != nil && ctx.Err() == nil:
			c.log.Error("old readings are not let go; it is tried again", "station", last, "error", err)
			timer.Reset(packRetry)
		case last != "":
			timer.Reset(packBreath)
		default:
			timer.Reset(goEvery)
		}
	}
}

// idle answers for a loop that has nothing to do until ctx ends.
func (c *Collector) idle(ctx context.Context, ask <-chan struct{}) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-ask:
		}
	}
}

// readingsLetGo reads how many readings were let go in all.
func (c *Collector) readingsLetGo(ctx context.Context) (float64, error) {
	list, err := c.store.Frozen(ctx)
	var n int64
	for i := range list {
		n += list[i].Readings
	}
	return float64(n), err
}
