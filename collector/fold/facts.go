package fold

import (
	"context"
	"fmt"
	"time"

	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// defaultSilence is how long a station may say nothing when no fact says
// otherwise, and silenceSteps the same in multiples of its own interval.
// Judgement values: a router that is restarted rings nobody.
const (
	defaultSilence = 3 * time.Hour
	silenceSteps   = 6
)

// stationFacts are the facts of one station.
type stationFacts struct {
	own      []fact.Fact
	timeline []exposure.Valid
}

func (f *Folder) facts(ctx context.Context, station string) (stationFacts, error) {
	own, err := f.cfg.Store.Facts(ctx, fact.Subject{Kind: fact.KindStation, ID: station})
	if err != nil {
		return stationFacts{}, err
	}
	var failed error
	timeline, err := fact.Timeline(own, func(site string) []fact.Fact {
		facts, err := f.cfg.Store.Facts(ctx, fact.Subject{Kind: fact.KindSite, ID: site})
		if err != nil {
			failed = err
		}
		return facts
	})
	if failed != nil {
		return stationFacts{}, failed
	}
	if err != nil {
		return stationFacts{}, fmt.Errorf("facts of %s: %w", station, err)
	}
	return stationFacts{own: own, timeline: timeline}, nil
}

// allowedSilence returns how old the newest reading may be and still speak for
// now.
func (s stationFacts) allowedSilence(t unit.Instant) time.Duration {
	if d, ok := fact.DurationAt(s.own, fact.AllowedSilence, t); ok {
		return d
	}
	if d, ok := fact.DurationAt(s.own, fact.Interval, t); ok {
		return max(defaultSilence, silenceSteps*d)
	}
	return defaultSilence
}
