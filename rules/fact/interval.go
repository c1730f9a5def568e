package fact

import (
	"fmt"
	"slices"
	"strings"

	"dewpost/rules/unit"
)

// Stretch is a time [From, To) in which the named facts stay what they are.
type Stretch struct {
	From, To unit.Instant
	Values   []string // in the order of the names asked for; "" where nothing is said
}

// Stretches cuts all time, from Always to Forever, where one of the named facts
// about one subject changes. No two neighbours say the same. facts are in the
// order in which they were recorded.
func Stretches(facts []Fact, names ...string) []Stretch {
	cuts := []unit.Instant{Always}
	for i := range facts {
		if slices.Contains(names, facts[i].Name) {
			cuts = append(cuts, facts[i].From)
		}
	}
	slices.Sort(cuts)
	var all []Stretch
	for _, from := range slices.Compact(cuts) {
		s := Stretch{From: from, To: Forever, Values: make([]string, len(names))}
		for i, name := range names {
			s.Values[i], _ = At(facts, name, from)
		}
		if n := len(all); n > 0 {
			if slices.Equal(all[n-1].Values, s.Values) {
				continue
			}
			all[n-1].To = from
		}
		all = append(all, s)
	}
	return all
}

// Held is a value and the time [From, To) in which it is valid.
type Held struct {
	From, To unit.Instant
	Value    string
}

// Intervals is the history of one fact about one subject, in order of time;
// None is a value like others. Time in which nothing is said is left out.
func Intervals(facts []Fact, name string) []Held {
	var all []Held
	for _, s := range Stretches(facts, name) {
		if s.Values[0] != "" {
			all = append(all, Held{s.From, s.To, s.Values[0]})
		}
	}
	return all
}

// Claim is a place that one subject has in [From, To), and no other may have
// then: an address on a line, a channel of a station.
type Claim struct {
	From, To  unit.Instant
	On, Place string
}

// Addresses are the addresses that a station has on lines, up to the instant
// at which it is retired.
func Addresses(station []Fact, retired unit.Instant) []Claim {
	var all []Claim
	for _, s := range Stretches(station, Line, Address) {
		to := min(s.To, retired)
		if line, address := s.Values[0], s.Values[1]; there(line) && there(address) && s.From < to {
			all = append(all, Claim{s.From, to, line, setting(address)})
		}
	}
	return all
}

// SameAddress tells whether two addresses are one on a unit.
func SameAddress(a, b string) bool { return setting(a) == setting(b) }

// setting is what addresses have in common that are one on a unit: case and
// zeros in front of a number make no other.
func setting(address string) string {
	address = strings.ToLower(address)
	if number := strings.TrimLeft(address, "0"); number != "" && !strings.ContainsFunc(number, func(r rune) bool { return r < '0' || r > '9' }) {
		return number
	}
	return address
}

// Measured are the channels of stations that a sensor gives. retired tells when
// a station is retired; Forever: it is not.
func Measured(sensor []Fact, retired func(station string) unit.Instant) []Claim {
	var all []Claim
	for _, s := range Stretches(sensor, Station, Channels) {
		station, list := s.Values[0], s.Values[1]
		if !there(station) || list == "" {
			continue
		}
		if to := min(s.To, retired(station)); s.From < to {
			for _, c := range ChannelsIn(list) {
				all = append(all, Claim{s.From, to, station, c})
			}
		}
	}
	return all
}

func there(value string) bool { return value != "" && value != None }

// Clash returns the first time that two lists claim the same place at once.
func Clash(a, b []Claim) (Claim, bool) {
	first, found := Claim{}, false
	for _, x := range a {
		for _, y := range b {
			if x.On != y.On || x.Place != y.Place {
				continue
			}
			both := Claim{max(x.From, y.From), min(x.To, y.To), x.On, x.Place}
			if both.From < both.To && (!found || both.From < first.From) {
				first, found = both, true
			}
		}
	}
	return first, found
}

// OnSite returns a Refused when a station's line is not always on the site
// that the station is on, up to end. lines returns the facts about a line.
func OnSite(station []Fact, end unit.Instant, lines func(id string) []Fact) error {
	for _, s := range Stretches(station, Line, Site) {
		line, here := s.Values[0], s.Values[1]
		if !there(line) {
			continue
		}
		for _, l := range Stretches(lines(line), Site) {
			from, on := max(s.From, l.From), l.Values[0]
			if from >= min(s.To, l.To, end) || there(here) && on == here {
				continue
			}
			r := Refused{Subject: station[0].Subject, Name: Line, Value: line}
			switch {
			case !there(here):
				r.Fix = fmt.Sprintf("the station is on no site %s: record its site, or let the line be none from then on", Since(from))
			case !there(on):
				r.Fix = fmt.Sprintf("the line is on no site %s: record the line's site first", Since(from))
			default:
				r.Fix = fmt.Sprintf("the line is on site %s and the station on %s, both %s: choose a line of %s, or let the line be none from then on", on, here, Since(from), here)
			}
			return r
		}
	}
	return nil
}

// Seated returns a Refused when a fact can hold only while the station hangs
// on a site, and by all facts about it the station is on none when it begins
// to.
func Seated(f Fact, station []Fact) error {
	if r, _ := f.rule(); !r.seated || f.Value == None {
		return nil
	}
	if site, _ := At(station, Site, f.From); !there(site) {
		return f.refuse(fmt.Sprintf("the station is on no site %s: record its site from then on, or let this begin later", Since(f.From)))
	}
	return nil
}

// Check returns a Refused when facts about one subject, recorded in this order,
// can't be true together: a cure that ended before the coat was put on. A cure
// is that of the coat on the board when it is said; a newer coat makes it one
// of the past.
func Check(facts []Fact) error {
	for i := range facts {
		f := &facts[i]
		if f.Name != Cured {
			continue
		}
		said, _ := At(facts, Cured, f.From)
		coated, ok := At(facts, Coated, f.From)
		if ok && said < coated {
			wrong := *f
			wrong.Value = said
			return wrong.refuse("the cure can't end before " + coated + ", when it was coated: correct one of the two dates")
		}
	}
	return nil
}
