package fact_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

func TestIntervals(t *testing.T) {
	facts := []fact.Fact{
		station(fact.Site, "lake", after(0)), station(fact.Spot, "gate", after(1)),
		station(fact.Site, "lake", after(2)), station(fact.Site, "quay", after(5)),
		station(fact.Site, fact.None, after(7)),
	}
	require.Equal(t, []fact.Held{
		{From: after(0), To: after(5), Value: "lake"},
		{From: after(5), To: after(7), Value: "quay"},
		{From: after(7), To: fact.Forever, Value: fact.None},
	}, fact.Intervals(facts, fact.Site))
	require.Empty(t, fact.Intervals(facts, fact.Line))
	require.Equal(t, []fact.Stretch{
		{From: fact.Always, To: after(1), Values: []string{""}},
		{From: after(1), To: fact.Forever, Values: []string{"gate"}},
	}, fact.Stretches(facts, fact.Spot))
}

func TestPresent(t *testing.T) {
	was := station(fact.Spot, "gate", after(1))
	is := station(fact.Spot, "wall", after(1))
	ahead := station(fact.Spot, "roof", after(9))
	site := station(fact.Site, "lake", fact.Always)
	require.Equal(t, []fact.Fact{site, is}, fact.Present([]fact.Fact{was, ahead, is, site}, after(2)))
	is.Recorded = -1 // before the other, though it comes later in the list
	require.Equal(t, []fact.Fact{site, was}, fact.Present([]fact.Fact{was, ahead, is, site}, after(2)))
	require.Empty(t, fact.Present([]fact.Fact{was, ahead}, after(0)))
}

func TestCheck(t *testing.T) {
	check := func(facts ...fact.Fact) error { return fact.Check(facts) }
	coated, cured := station(fact.Coated, "2025-04-02", after(1)), station(fact.Cured, "2025-04-04", after(1))
	require.NoError(t, check(coated, cured))
	require.NoError(t, check(cured))
	cured.Value = "2025-04-01"
	require.ErrorContains(t, check(coated, cured), `station lake-07: cured "2025-04-01": the cure can't end before 2025-04-02`)
	cured.From = after(0)
	require.NoError(t, check(coated, cured), "it is the coat's before")
	cured.From = after(1)
	right := cured
	right.Value = "2025-04-02"
	require.NoError(t, check(coated, cured, right), "corrected")
}

// days of the properties: few, so that much falls together.
const (
	days  = 6
	least = 4 // facts, so that two subjects often have to do with each other
)

func drawFacts(t *rapid.T, subject fact.Subject, values map[string][]string) []fact.Fact {
	var names []string
	for _, name := range fact.Names(subject.Kind) {
		if values[name] != nil {
			names = append(names, name)
		}
	}
	one := rapid.Custom(func(t *rapid.T) fact.Fact {
		name := rapid.SampledFrom(names).Draw(t, "name")
		f := fact.Fact{
			Subject: subject, Name: name, Value: rapid.SampledFrom(values[name]).Draw(t, "value"),
			From: after(rapid.IntRange(0, days-1).Draw(t, "day")), Recorded: unit.Instant(rapid.IntRange(0, 2).Draw(t, "recorded")),
		}
		if rapid.Bool().Draw(t, "always") {
			f.From = fact.Always
		}
		return f
	})
	return rapid.SliceOfN(one, least, 12).Draw(t, subject.ID)
}

// instants are one in each time in which nothing can change, and their
// beginnings.
func instants() (all []unit.Instant) {
	all = []unit.Instant{fact.Always, after(0) - 1}
	for i := range days + 1 {
		all = append(all, after(i), after(i).Add(time.Hour))
	}
	return append(all, fact.Forever-1)
}

// TestStretchesAgreeWithAt asks stretches and the facts themselves at any
// instant.
func TestStretchesAgreeWithAt(t *testing.T) {
	values := map[string][]string{fact.Site: {"lake", "quay", fact.None}, fact.Line: {"east", "west"}, fact.Spot: {"gate"}}
	rapid.Check(t, func(t *rapid.T) {
		facts := drawFacts(t, fact.Subject{Kind: fact.KindStation, ID: "a"}, values)
		all := fact.Stretches(facts, fact.Site, fact.Line)
		require.Equal(t, fact.Always, all[0].From)
		require.Equal(t, fact.Forever, all[len(all)-1].To)
		for i := 1; i < len(all); i++ {
			require.Equal(t, all[i-1].To, all[i].From)
			require.Less(t, all[i].From, all[i].To)
			require.NotEqual(t, all[i-1].Values, all[i].Values)
		}
		for _, at := range instants() {
			for _, s := range all {
				if s.From <= at && at < s.To {
					site, _ := fact.At(facts, fact.Site, at)
					line, _ := fact.At(facts, fact.Line, at)
					require.Equal(t, []string{site, line}, s.Values, "%s", at)
				}
			}
			held := ""
			for _, h := range fact.Intervals(facts, fact.Site) {
				if h.From <= at && at < h.To {
					held = h.Value
				}
			}
			site, _ := fact.At(facts, fact.Site, at)
			require.Equal(t, site, held, "%s", at)
			present := ""
			for _, f := range fact.Present(facts, at) {
				if f.Name == fact.Site {
					present = f.Value
				}
			}
			require.Equal(t, site, present, "%s", at)
		}
	})
}

func drawEnd(t *rapid.T, label string) unit.Instant {
	if day := rapid.IntRange(0, days).Draw(t, label); day > 0 { // 0 is drawn most
		return after(day)
	}
	return fact.Forever
}

// TestAddressesAgreeWithEveryInstant looks for two stations at one address
// instant by instant.
func TestAddressesAgreeWithEveryInstant(t *testing.T) {
	values := map[string][]string{fact.Line: {"east", "west", fact.None}, fact.Address: {"1", "01", "2", fact.None}}
	clashes := 0
	rapid.Check(t, func(t *rapid.T) {
		a := drawFacts(t, fact.Subject{Kind: fact.KindStation, ID: "a"}, values)
		b := drawFacts(t, fact.Subject{Kind: fact.KindStation, ID: "b"}, values)
		endA, endB := drawEnd(t, "a ends"), drawEnd(t, "b ends")
		where := func(facts []fact.Fact, end, at unit.Instant) string {
			line, _ := fact.At(facts, fact.Line, at)
			address, _ := fact.At(facts, fact.Address, at)
			if at >= end || line == "" || line == fact.None || address == "" || address == fact.None {
				return ""
			}
			return line + " " + strings.TrimPrefix(address, "0")
		}
		var want *fact.Claim
		for _, at := range instants() {
			if here := where(a, endA, at); here != "" && here == where(b, endB, at) {
				want = &fact.Claim{From: at, On: here}
				break
			}
		}
		got, found := fact.Clash(fact.Addresses(a, endA), fact.Addresses(b, endB))
		require.Equal(t, want != nil, found)
		if found {
			clashes++
			require.Equal(t, want.From, got.From)
			require.Equal(t, want.On, got.On+" "+got.Place)
			require.Less(t, got.From, got.To)
		}
	})
	require.NotZero(t, clashes, "control")
}

func TestAddressesThatAreOne(t *testing.T) {
	on := func(address string) []fact.Claim {
		return fact.Addresses([]fact.Fact{station(fact.Line, "east", t0), station(fact.Address, address, t0)}, fact.Forever)
	}
	for _, pair := range [][2]string{{"7", "7"}, {"7", "007"}, {"A1", "a1"}, {"0", "0"}, {"0a", "0A"}, {"off-On", "off-on"}} {
		_, found := fact.Clash(on(pair[0]), on(pair[1]))
		require.True(t, found, "%v", pair)
	}
	for _, pair := range [][2]string{{"7", "70"}, {"a1", "a01"}, {"0", "1"}, {"0a", "a"}, {"1-2", "01-2"}} {
		_, found := fact.Clash(on(pair[0]), on(pair[1]))
		require.False(t, found, "%v", pair)
	}
}

// TestMeasuredAgreesWithEveryInstant does the same for two sensors that give
// one channel of one station.
func TestMeasuredAgreesWithEveryInstant(t *testing.T) {
	values := map[string][]string{
		fact.Station:  {"a", "b", fact.None},
		fact.Channels: {"inside_temp_c", "inside_temp_c, inside_rh_pct", "board_temp_c"},
	}
	clashes := 0
	rapid.Check(t, func(t *rapid.T) {
		one := drawFacts(t, fact.Subject{Kind: fact.KindSensor, ID: "h-1"}, values)
		two := drawFacts(t, fact.Subject{Kind: fact.KindSensor, ID: "h-2"}, values)
		end := map[string]unit.Instant{"a": drawEnd(t, "a ends"), "b": fact.Forever}
		retired := func(id string) unit.Instant { return end[id] }
		gives := func(facts []fact.Fact, at unit.Instant) map[string]bool {
			all := make(map[string]bool)
			station, _ := fact.At(facts, fact.Station, at)
			channels, ok := fact.At(facts, fact.Channels, at)
			if station == "" || station == fact.None || at >= end[station] || !ok {
				return all
			}
			for _, c := range fact.ChannelsIn(channels) {
				all[station+" "+c] = true
			}
			return all
		}
		first, shared := unit.Instant(0), map[string]bool{}
		for _, at := range instants() {
			theirs := gives(two, at)
			for place := range gives(one, at) {
				if theirs[place] {
					shared[place] = true
				}
			}
			if len(shared) > 0 {
				first = at
				break
			}
		}
		got, found := fact.Clash(fact.Measured(one, retired), fact.Measured(two, retired))
		require.Equal(t, len(shared) > 0, found)
		if found {
			clashes++
			require.Equal(t, first, got.From)
			require.True(t, shared[got.On+" "+got.Place])
		}
	})
	require.NotZero(t, clashes, "control")
}

// TestOnSiteAgreesWithEveryInstant looks instant by instant for a station
// whose line is elsewhere.
func TestOnSiteAgreesWithEveryInstant(t *testing.T) {
	found, fine := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		own := drawFacts(t, fact.Subject{Kind: fact.KindStation, ID: "a"}, map[string][]string{
			fact.Line: {"east", "west", fact.None}, fact.Site: {"lake", "quay", fact.None},
		})
		lines := make(map[string][]fact.Fact)
		for _, id := range []string{"east", "west"} {
			lines[id] = drawFacts(t, fact.Subject{Kind: fact.KindLine, ID: id}, map[string][]string{fact.Site: {"lake", "quay", fact.None}})
		}
		end := drawEnd(t, "ends")
		var first *unit.Instant
		for _, at := range instants() {
			line, ok := fact.At(own, fact.Line, at)
			if !ok || line == fact.None || at >= end {
				continue
			}
			here, ok := fact.At(own, fact.Site, at)
			there, _ := fact.At(lines[line], fact.Site, at)
			if !ok || here == fact.None || here != there {
				first = &at
				break
			}
		}
		err := fact.OnSite(own, end, func(id string) []fact.Fact { return lines[id] })
		if first == nil {
			fine++
			require.NoError(t, err)
			return
		}
		found++
		line, _ := fact.At(own, fact.Line, *first)
		require.ErrorContains(t, err, fmt.Sprintf("station a: line %q: the ", line))
		require.ErrorContains(t, err, fact.Since(*first))
	})
	require.NotZero(t, found, "control")
	require.NotZero(t, fine, "control")
}

func TestSeated(t *testing.T) {
	hung := []fact.Fact{station(fact.Site, "lake", after(2)), station(fact.Site, fact.None, after(4))}
	for _, f := range []fact.Fact{station(fact.Address, "7", after(2)), station(fact.Line, fact.None, fact.Always), station(fact.Spot, "gate", fact.Always)} {
		require.NoError(t, fact.Seated(f, hung))
	}
	require.ErrorContains(t, fact.Seated(station(fact.Installed, "2025-04-02", fact.Always), hung), `installed "2025-04-02": the station is on no site from the beginning on`)
	require.ErrorContains(t, fact.Seated(station(fact.Address, "7", after(4)), hung), "on no site from 2025-04-05T00:00:00Z on")
}

func TestSameAddress(t *testing.T) {
	require.True(t, fact.SameAddress("07", "7"))
	require.True(t, fact.SameAddress("A1", "a1"))
	require.False(t, fact.SameAddress("7", "70"))
}
