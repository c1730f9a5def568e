package fact

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"dewpost/rules/exposure"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

// Always is the instant from which a fact holds that has always held. Forever
// is the end of what has none.
const (
	Always  = unit.Instant(math.MinInt64)
	Forever = unit.Instant(math.MaxInt64)
)

// replaces tells whether f, which comes after g in the order of recording or
// has another From, is what holds where both do.
func (f *Fact) replaces(g *Fact) bool {
	return f.From > g.From || f.From == g.From && f.Recorded >= g.Recorded
}

// At returns the value of the named fact that is valid at t. facts are those
// of one subject in the order in which they were recorded: of those with the
// same From the one recorded last wins.
func At(facts []Fact, name string, t unit.Instant) (string, bool) {
	f, ok := Valid(facts, name, t)
	return f.Value, ok
}

// Valid returns the fact whose value At returns.
func Valid(facts []Fact, name string, t unit.Instant) (Fact, bool) {
	var best *Fact
	for i := range facts {
		f := &facts[i]
		if f.Name != name || f.From > t {
			continue
		}
		if best == nil || f.replaces(best) {
			best = f
		}
	}
	if best == nil {
		return Fact{}, false
	}
	return *best, true
}

// DurationAt returns the named duration that is valid at t; ok is false when
// none is.
func DurationAt(facts []Fact, name string, t unit.Instant) (d time.Duration, ok bool) {
	value, ok := At(facts, name, t)
	if !ok {
		return 0, false
	}
	d, err := time.ParseDuration(value)
	return d, err == nil
}

// PlaceAt returns where a site is at t; nil when it is not known.
func PlaceAt(siteFacts []Fact, t unit.Instant) (*sun.Place, error) {
	lat, hasLat, err := numberAt(siteFacts, Lat, t)
	if err != nil {
		return nil, err
	}
	lon, hasLon, err := numberAt(siteFacts, Lon, t)
	if err != nil || !hasLat || !hasLon {
		return nil, err
	}
	return &sun.Place{Lat: lat, Lon: lon}, nil
}

// Timeline merges a station's facts, and those of the sites that it hung on
// while it hung there, into what the ledger is computed with: intervals sorted
// by From, of which no two neighbours say the same. The first begins at Always.
// A segment belongs to the interval that its first reading lies in.
func Timeline(stationFacts []Fact, siteFacts func(siteID string) []Fact) ([]exposure.Valid, error) {
	sites := make(map[string][]Fact)
	cuts := []unit.Instant{Always}
	for _, f := range stationFacts {
		if !ChangesLedger(f) {
			continue
		}
		cuts = append(cuts, f.From)
		if f.Name != Site || f.Value == None {
			continue
		}
		if _, ok := sites[f.Value]; ok {
			continue
		}
		sites[f.Value] = siteFacts(f.Value)
		for _, s := range sites[f.Value] {
			if ChangesLedger(s) {
				cuts = append(cuts, s.From)
			}
		}
	}
	slices.Sort(cuts)
	var line []exposure.Valid
	for _, from := range slices.Compact(cuts) {
		v := exposure.Valid{From: from}
		var err error
		if v.Facts, err = factsAt(stationFacts, sites, from); err != nil {
			return nil, err
		}
		if len(line) == 0 || !same(line[len(line)-1].Facts, v.Facts) {
			line = append(line, v)
		}
	}
	return line, nil
}

func factsAt(station []Fact, sites map[string][]Fact, t unit.Instant) (exposure.Facts, error) {
	v := exposure.Facts{MaxGap: exposure.DefaultMaxGap}
	if value, ok := At(station, MaxGap, t); ok {
		gap, err := time.ParseDuration(value)
		if err != nil {
			return v, fmt.Errorf("fact %s at %s: %w", MaxGap, t, err)
		}
		v.MaxGap = gap
	}
	allowance, _, err := numberAt(station, AllowanceK, t)
	if err != nil {
		return v, err
	}
	v.Allowance = unit.Kelvin(allowance)
	if value, ok := At(station, Undercooling, t); ok && value != None {
		if v.Learned, err = exposure.ParseUndercooling(value); err != nil {
			return v, fmt.Errorf("fact %s at %s: %w", Undercooling, t, err)
		}
	}
	site, ok := At(station, Site, t)
	if !ok || site == None {
		return v, nil
	}
	if v.Place, err = PlaceAt(sites[site], t); err != nil {
		return v, err
	}
	salt, ok := At(sites[site], Salt, t)
	v.Salt = ok && salt != NoSalt
	return v, nil
}

func numberAt(facts []Fact, name string, t unit.Instant) (float64, bool, error) {
	value, ok := At(facts, name, t)
	if !ok {
		return 0, false, nil
	}
	x, err := strconv.ParseFloat(value, 64)
	if err != nil {
		return 0, false, fmt.Errorf("fact %s at %s: %w", name, t, err)
	}
	return x, true, nil
}

// same compares facts by what they say; places are compared by value.
func same(a, b exposure.Facts) bool {
	if (a.Place == nil) != (b.Place == nil) || a.Place != nil && *a.Place != *b.Place {
		return false
	}
	if (a.Learned == nil) != (b.Learned == nil) || a.Learned != nil && *a.Learned != *b.Learned {
		return false
	}
	a.Place, b.Place, a.Learned, b.Learned = nil, nil, nil, nil
	return a == b
}
