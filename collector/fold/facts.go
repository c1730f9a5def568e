package fold

import (
	"context"
	"fmt"

	"dewpost/rules/exposure"
	"dewpost/rules/fact"
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
