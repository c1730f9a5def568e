package fold

import (
	"context"
	"fmt"
	"time"

	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// stationFacts are the facts of one station.
type stationFacts struct {
	own      []fact.Fact
	sites    map[string][]fact.Fact // of the sites on which it ever hung
	timeline []exposure.Valid
}

func (f *Folder) facts(ctx context.Context, station string) (stationFacts, error) {
	own, err := f.cfg.Store.Facts(ctx, fact.Subject{Kind: fact.KindStation, ID: station})
	if err != nil {
		return stationFacts{}, err
	}
	var failed error
	sites := make(map[string][]fact.Fact)
	timeline, err := fact.Timeline(own, func(site string) []fact.Fact {
		facts, err := f.cfg.Store.Facts(ctx, fact.Subject{Kind: fact.KindSite, ID: site})
		if err != nil {
			failed = err
		}
		sites[site] = facts
		return facts
	})
	if failed != nil {
		return stationFacts{}, failed
	}
	if err != nil {
		return stationFacts{}, fmt.Errorf("facts of %s: %w", station, err)
	}
	return stationFacts{own: own, sites: sites, timeline: timeline}, nil
}

// zone returns the time zone in which the station hung at an instant; UTC when
// it is not known.
func (s *stationFacts) zone(t unit.Instant) *time.Location {
	site, _ := fact.At(s.own, fact.Site, t)
	name, _ := fact.At(s.sites[site], fact.Zone, t)
	if zone, err := time.LoadLocation(name); err == nil {
		return zone
	}
	return time.UTC
}
