package view

import (
	"context"
	"fmt"
	"sort"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

// Station is what is known of a station now. Text that nobody has recorded is
// empty.
type Station struct {
	ID, Name                             string
	Enrolled, Retired                    unit.Instant // Retired 0 while in service
	Site                                 Site
	Spot, Mounting, Build                string
	Line                                 string // id; "" for none
	Installed, CoverNew                  string // dates, 2006-01-02
	Interval, MaxGap, AllowanceK, Silent string // as recorded
	Undercooling                         string // as recorded

	allowedSilence time.Duration // with what a person has allowed
	usualSilence   time.Duration // by its interval alone
	said           []fact.Fact
	facts          []exposure.Valid
}

// Site is the premises that a station hangs on. A station without a site has
// the zero Site but for its zone, UTC.
type Site struct {
	ID, Name, Salt string
	Owner          string // id; "" for none
	Zone           *time.Location
	Place          *sun.Place // nil: not known
}

// books reads stations and sites for one question, each site once.
type books struct {
	store Store
	at    unit.Instant
	facts map[string][]fact.Fact // of sites
}

func (v *View) books() *books {
	return &books{store: v.store, at: v.instant(), facts: make(map[string][]fact.Fact)}
}

func (b *books) siteFacts(ctx context.Context, id string) ([]fact.Fact, error) {
	if facts, ok := b.facts[id]; ok {
		return facts, nil
	}
	facts, err := b.store.Facts(ctx, fact.Subject{Kind: fact.KindSite, ID: id})
	if err == nil {
		b.facts[id] = facts
	}
	return facts, err
}

// site describes a site now. Its zone is UTC until one is recorded, and also
// when this machine doesn't know the recorded one.
func (b *books) site(ctx context.Context, id string) (Site, error) {
	s := Site{ID: id, Name: id, Zone: time.UTC}
	facts, err := b.siteFacts(ctx, id)
	if err != nil {
		return s, err
	}
	if name, ok := fact.At(facts, fact.Name, b.at); ok {
		s.Name = name
	}
	s.Salt, _ = fact.At(facts, fact.Salt, b.at)
	if owner, ok := fact.At(facts, fact.Owner, b.at); ok && owner != fact.None {
		s.Owner = owner
	}
	if zone, ok := fact.At(facts, fact.Zone, b.at); ok {
		if location, err := time.LoadLocation(zone); err == nil {
			s.Zone = location
		}
	}
	s.Place, err = fact.PlaceAt(facts, b.at)
	return s, err
}

// station describes a station now.
func (b *books) station(ctx context.Context, r record.Station) (Station, error) {
	s := Station{ID: r.ID, Name: r.ID, Enrolled: r.Enrolled, Retired: r.Retired, Site: Site{Zone: time.UTC}}
	facts, err := b.store.Facts(ctx, fact.Subject{Kind: fact.KindStation, ID: r.ID})
	if err != nil {
		return s, err
	}
	for _, text := range []struct {
		name string
		to   *string
	}{
		{fact.Name, &s.Name},
		{fact.Spot, &s.Spot},
		{fact.Mounting, &s.Mounting},
		{fact.Build, &s.Build},
		{fact.Installed, &s.Installed},
		{fact.CoverNew, &s.CoverNew},
		{fact.Interval, &s.Interval},
		{fact.MaxGap, &s.MaxGap},
		{fact.AllowanceK, &s.AllowanceK},
		{fact.Undercooling, &s.Undercooling},
		{fact.AllowedSilence, &s.Silent},
	} {
		if value, ok := fact.At(facts, text.name, b.at); ok {
			*text.to = value
		}
	}
	if line, ok := fact.At(facts, fact.Line, b.at); ok && line != fact.None {
		s.Line = line
	}
	s.said, s.usualSilence, s.allowedSilence = facts, fact.UsualSilence(facts, b.at), fact.Silence(facts, b.at)
	if id, ok := fact.At(facts, fact.Site, b.at); ok && id != fact.None {
		if s.Site, err = b.site(ctx, id); err != nil {
			return s, err
		}
	}
	var failed error
	s.facts, err = fact.Timeline(facts, func(id string) []fact.Fact {
		facts, err := b.siteFacts(ctx, id)
		if err != nil {
			failed = err
		}
		return facts
	})
	if failed != nil {
		return s, failed
	}
	if err != nil {
		return s, fmt.Errorf("facts of %s: %w", r.ID, err)
	}
	return s, nil
}

// factsAt returns what the ledger goes by at t.
func (s *Station) factsAt(t unit.Instant) exposure.Facts {
	i := sort.Search(len(s.facts), func(i int) bool { return s.facts[i].From > t })
	if i == 0 {
		return exposure.Facts{MaxGap: exposure.DefaultMaxGap}
	}
	return s.facts[i-1].Facts
}

// heard tells whether a station whose newest reading is of last counts as
// heard at now.
func (s *Station) heard(last, now unit.Instant) bool {
	return last != 0 && now.Sub(last) <= fact.SilenceSince(s.said, last, now)
}

// current tells whether what a station said at last still holds: a logger that
// is read out by hand may be silent for weeks, and then says nothing of today.
func (s *Station) current(last, now unit.Instant) bool {
	return last != 0 && now.Sub(last) <= min(s.allowedSilence, s.usualSilence)
}
