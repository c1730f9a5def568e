package fold

import (
	"context"
	"fmt"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// stationFacts are the facts of one station.
type stationFacts struct {
	own      []fact.Fact
	sites    map[string][]fact.Fact // of the sites on which it ever hung
	timeline []exposure.Valid

	// What only a complete hour asks for; see Folder.around.
	asked  bool
	visits []record.VisitDetails
	lines  lines // on which it ever was
}

func (f *Folder) facts(ctx context.Context, station string, own []fact.Fact) (stationFacts, error) {
	var failed error
	sites := make(map[string][]fact.Fact)
	timeline, err := fact.Timeline(own, func(site string) []fact.Fact {
		facts, known := f.sites[site]
		if !known {
			var err error
			if facts, err = f.cfg.Store.Facts(ctx, fact.Subject{Kind: fact.KindSite, ID: site}); err != nil {
				failed = err
				return nil
			}
			f.sites[site] = facts
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

// around adds what is known of a station's visits and of the lines that it was on.
func (f *Folder) around(ctx context.Context, station string, facts *stationFacts) (err error) {
	if facts.asked {
		return nil
	}
	if facts.lines, err = f.lines(ctx, facts.own); err != nil {
		return err
	}
	facts.visits, err = f.cfg.Store.VisitsOf(ctx, station)
	facts.asked = err == nil
	return err
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
