package store

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

func init() {
	also("Books", testBooks)
	also("BooksAreRefused", testBooksAreRefused)
	also("SwapKeepsTheAddress", testSwapKeepsTheAddress)
	also("EnrolWithFacts", testEnrolWithFacts)
	also("NothingIsInTwoPlaces", testNothingIsInTwoPlaces)
}

type booksStorage interface {
	FactsOf(ctx context.Context, kind string) ([]fact.Fact, error)
}

func about(kind, id, name string, from unit.Instant, value string) fact.Fact {
	return fact.Fact{Subject: fact.Subject{Kind: kind, ID: id}, Name: name, From: from, Value: value, Author: "test", Recorded: t0}
}

// someBooks are stations a and b on two lines of one site.
func someBooks() []fact.Fact {
	return []fact.Fact{
		about(fact.KindSensor, "h-1", fact.Station, t0, "a"),
		about(fact.KindSensor, "h-1", fact.Channels, t0, "inside_rh_pct, inside_temp_c"),
		stationFact("a", fact.Site, t0, "lake"), stationFact("a", fact.Line, t0, "east"), stationFact("a", fact.Address, t0, "7"),
		stationFact("b", fact.Site, t0, "lake"), stationFact("b", fact.Line, t0, "west"), stationFact("b", fact.Address, t0, "7"),
		about(fact.KindLine, "east", fact.Site, t0, "lake"), about(fact.KindLine, "east", fact.CurrentSensor, t0, "a"),
		about(fact.KindLine, "west", fact.Site, t0, "lake"),
		siteFact("lake", fact.Owner, t0, "ida"), siteFact("quay", fact.Name, t0, "Quay"),
		about(fact.KindOwner, "ida", fact.Name, t0, "Ida Example"),
	}
}

// All of it may come in one call, in any order.
func testBooks(t *testing.T, e engine) {
	s := e.new(t, "a", "b")
	list := append(someBooks(), about(fact.KindSensor, "h-1", fact.Calibration, t0.Add(day), " inside_rh_pct  +1.4 salt-75 "))
	require.NoError(t, s.AddFacts(t.Context(), list))
	all := []fact.Fact{}
	for _, kind := range fact.Kinds {
		of, err := s.(booksStorage).FactsOf(t.Context(), kind)
		require.NoError(t, err)
		for i := range of {
			require.Equal(t, kind, of[i].Subject.Kind)
		}
		all = append(all, of...)
	}
	last := &list[len(list)-1]
	last.Name, last.Value = "calibration.inside_rh_pct", "+1.4 salt-75"
	require.ElementsMatch(t, list, all)
}

func testBooksAreRefused(t *testing.T, e engine) {
	s := e.new(t, "a", "b", "c")
	require.NoError(t, s.AddFacts(t.Context(), someBooks()))
	before, err := s.(booksStorage).FactsOf(t.Context(), fact.KindSite)
	require.NoError(t, err)
	next := t0.Add(day)
	for _, tt := range []struct {
		name  string
		facts []fact.Fact
		want  []string
	}{
		{"no owner", []fact.Fact{siteFact("quay", fact.Owner, t0, "otto")}, []string{`site quay: owner "otto": there is no such owner: add it first`}},
		{"no line", []fact.Fact{stationFact("a", fact.Line, t0, "north")}, []string{`station a: line "north": there is no such line`}},
		{"no site", []fact.Fact{about(fact.KindLine, "east", fact.Site, t0, "sea")}, []string{`line east: site "sea": there is no such site`}},
		{"no station", []fact.Fact{about(fact.KindSensor, "h-2", fact.Station, t0, "z")}, []string{`sensor h-2: station "z": there is no such station: enrol it first`}},
		{"no station for a current", []fact.Fact{about(fact.KindLine, "east", fact.CurrentSensor, t0, "z")}, []string{`line east: current_sensor "z"`}},
		{"installed on no site", []fact.Fact{stationFact("c", fact.Installed, t0, "2025-11-05")}, []string{`station c: installed "2025-11-05": the station is on no site from 2025-11-05T12:00:00Z on`}},
		{"address on no site", []fact.Fact{stationFact("c", fact.Address, fact.Always, "7")}, []string{`station c: address "7": the station is on no site from the beginning on`}},
		{"off its site", []fact.Fact{stationFact("a", fact.Site, next, fact.None)}, []string{`station a: line "east": the station is on no site from 2025-11-06T12:00:00Z on`}},
		{"to another site", []fact.Fact{stationFact("a", fact.Site, next, "quay")}, []string{`station a: line "east": the line is on site lake and the station on quay, both from 2025-11-06`}},
		{"its line to another site", []fact.Fact{about(fact.KindLine, "west", fact.Site, next, "quay")}, []string{`station b: line "west": the line is on site quay`}},
		{"a line on no site", []fact.Fact{about(fact.KindLine, "north", fact.Supply, t0, "ac"), stationFact("a", fact.Line, t0, "north")}, []string{`station a: line "north": the line is on no site`}},
		{"the same address", []fact.Fact{stationFact("b", fact.Line, next, "east")}, []string{
			`station b: address "7": station a has it too on line east, both from 2025-11-06T12:00:00Z on: choose another, let the address of a be none from then on, or retire it`,
		}},
		{"the same channel", []fact.Fact{about(fact.KindSensor, "h-2", fact.Station, fact.Always, "a"), about(fact.KindSensor, "h-2", fact.Channels, t0, "board_temp_c,inside_rh_pct")}, []string{
			`sensor h-2: station "a": sensor h-1 gives inside_rh_pct of it too, both from 2025-11-05T12:00:00Z on`,
		}},
		{"cured before coated", []fact.Fact{stationFact("a", fact.Coated, t0, "2025-11-05"), stationFact("a", fact.Cured, t0, "2025-11-04")}, []string{`station a: cured "2025-11-04"`, "2025-11-05"}},
		{"a date ahead", []fact.Fact{about(fact.KindOwner, "ida", fact.Consent, t0, "2025-11-08")}, []string{`owner ida: consent "2025-11-08": it lies ahead`}},
	} {
		facts := append([]fact.Fact{siteFact("lake", fact.Sun, t0, "part")}, tt.facts...)
		err := s.AddFacts(t.Context(), facts)
		require.ErrorAs(t, err, new(fact.Refused), tt.name)
		for _, want := range tt.want {
			require.ErrorContains(t, err, want, tt.name)
		}
	}
	after, err := s.(booksStorage).FactsOf(t.Context(), fact.KindSite)
	require.NoError(t, err)
	require.Equal(t, before, after, "all or none")
	err = s.AddFacts(t.Context(), []fact.Fact{stationFact("z", fact.Spot, t0, "gate")})
	require.ErrorIs(t, err, record.ErrNotFound)
}

// A new unit takes the old one's place: its address is free when the old one's
// has ended, or when the old one is retired.
func testSwapKeepsTheAddress(t *testing.T, e engine) {
	s := e.new(t, "a", "b", "c")
	require.NoError(t, s.AddFacts(t.Context(), someBooks()))
	swap := t0.Add(9 * day)
	on := func(id string, from unit.Instant) []fact.Fact {
		return []fact.Fact{stationFact(id, fact.Site, from, "lake"), stationFact(id, fact.Line, from, "east"), stationFact(id, fact.Address, from, "7")}
	}
	require.ErrorAs(t, s.AddFacts(t.Context(), on("c", swap)), new(fact.Refused))
	require.NoError(t, s.AddFacts(t.Context(), append(on("c", swap), stationFact("a", fact.Address, swap, fact.None))), "in one call")
	require.ErrorAs(t, s.AddFacts(t.Context(), on("c", swap-1)), new(fact.Refused), "too early")
	require.ErrorAs(t, s.AddFacts(t.Context(), []fact.Fact{stationFact("a", fact.Address, swap.Add(day), "7")}), new(fact.Refused), "and not back")

	again := swap.Add(30 * day)
	require.ErrorAs(t, s.AddFacts(t.Context(), on("b", again)), new(fact.Refused))
	require.NoError(t, s.Retire(t.Context(), "c", again, "Ida"))
	require.NoError(t, s.AddFacts(t.Context(), on("b", again)))
	// A sensor of a retired station is nobody's rival.
	second := []fact.Fact{about(fact.KindSensor, "h-2", fact.Station, again, "a"), about(fact.KindSensor, "h-2", fact.Channels, again, "inside_rh_pct")}
	require.ErrorAs(t, s.AddFacts(t.Context(), second), new(fact.Refused))
	require.NoError(t, s.Retire(t.Context(), "a", again, "Ida"))
	require.NoError(t, s.AddFacts(t.Context(), second))
}

func testEnrolWithFacts(t *testing.T, e engine) {
	s := e.new(t, "a", "b")
	require.NoError(t, s.AddFacts(t.Context(), someBooks()))
	st := record.Station{ID: "c", Secret: testSecret(t, "c"), Enrolled: t0}
	facts := []fact.Fact{stationFact("c", fact.Site, t0, "lake"), stationFact("c", fact.Line, t0, "east"), stationFact("c", fact.Address, t0, "7")}
	require.ErrorContains(t, s.AddStation(t.Context(), st, "Ida", facts...), `add station c: station c: address "7"`)
	_, err := s.Station(t.Context(), "c")
	require.ErrorIs(t, err, record.ErrNotFound, "nothing is half-written")
	facts[2].Value = "moved"
	facts[2].Name = fact.Mounting
	require.ErrorAs(t, s.AddStation(t.Context(), st, "Ida", facts...), new(fact.Refused))
	require.NoError(t, s.AddStation(t.Context(), st, "Ida", facts[:2]...))
	got, err := s.Facts(t.Context(), fact.Subject{Kind: fact.KindStation, ID: "c"})
	require.NoError(t, err)
	require.Equal(t, facts[:2], got)
}

// testNothingIsInTwoPlaces records at random, and looks day by day at what the
// store let through, and that it refused nothing else.
func testNothingIsInTwoPlaces(t *testing.T, e engine) {
	s := e.new(t)
	const days = 4
	trials, taken, refused := 0, 0, 0
	rapid.Check(t, func(rt *rapid.T) {
		trials++
		named := func(names ...string) (all []string) {
			for _, name := range names {
				all = append(all, fmt.Sprintf("%s-%d", name, trials))
			}
			return all
		}
		stations, lines, sensors, sites := named("a", "b", "c"), named("east", "west"), named("h", "k"), named("lake", "quay")
		all := []fact.Fact{
			siteFact(sites[0], fact.Salt, fact.Always, "none"), siteFact(sites[1], fact.Salt, fact.Always, "none"),
			about(fact.KindLine, lines[0], fact.Site, fact.Always, sites[0]), about(fact.KindLine, lines[1], fact.Site, fact.Always, sites[1]),
		}
		require.NoError(rt, s.AddFacts(rt.Context(), all))
		for _, id := range stations {
			own := []fact.Fact{stationFact(id, fact.Site, fact.Always, sites[0])}
			require.NoError(rt, s.AddStation(rt.Context(), record.Station{ID: id, Secret: testSecret(t, id), Enrolled: t0}, "x", own...))
			all = append(all, own...)
		}
		for range 10 {
			from := t0.Add(time.Duration(rapid.IntRange(0, days-1).Draw(rt, "day")) * day)
			one := func(label string, of ...string) string { return rapid.SampledFrom(of).Draw(rt, label) }
			var f fact.Fact
			switch rapid.IntRange(0, 6).Draw(rt, "what") {
			case 0, 1:
				f = stationFact(one("station", stations...), fact.Line, from, one("line", lines[0], lines[1], fact.None))
			case 2, 3:
				f = stationFact(one("station", stations...), fact.Address, from, one("address", "1", fact.None))
			case 4:
				f = stationFact(one("station", stations...), fact.Site, from, one("site", sites...))
			case 5:
				f = about(fact.KindSensor, one("sensor", sensors...), fact.Station, from, one("in", stations[0], stations[1], fact.None))
			case 6:
				f = about(fact.KindSensor, one("sensor", sensors...), fact.Channels, from, one("channels", "comb_us", "comb_us,line_voltage_v", "line_voltage_v"))
			}
			what := twoPlaces(append(all, f), days)
			err := s.AddFacts(rt.Context(), []fact.Fact{f})
			if what != "" {
				refused++
				require.ErrorAs(rt, err, new(fact.Refused), what)
				continue
			}
			taken++
			require.NoError(rt, err)
			all = append(all, f)
		}
	})
	require.Greater(t, taken, refused)
	require.Greater(t, refused, 10, "control")
}

// twoPlaces says what is in two places at once at the beginning of a day.
func twoPlaces(facts []fact.Fact, days int) string {
	by := make(map[fact.Subject][]fact.Fact)
	for _, f := range facts {
		by[f.Subject] = append(by[f.Subject], f)
	}
	for d := range days {
		at := t0.Add(time.Duration(d) * day)
		is := func(s fact.Subject, name string) string {
			value, _ := fact.At(by[s], name, at)
			if value == fact.None {
				return ""
			}
			return value
		}
		taken := make(map[string]bool)
		take := func(place string) (twice bool) {
			twice = taken[place]
			taken[place] = true
			return twice
		}
		for s := range by {
			switch line, address, in := is(s, fact.Line), is(s, fact.Address), is(s, fact.Station); s.Kind {
			case fact.KindStation:
				if line != "" && is(s, fact.Site) != is(fact.Subject{Kind: fact.KindLine, ID: line}, fact.Site) {
					return fmt.Sprintf("%s on day %d: line elsewhere", s, d)
				}
				if line != "" && address != "" && take(line+" "+address) {
					return fmt.Sprintf("%s on day %d: address", s, d)
				}
			case fact.KindSensor:
				for _, c := range strings.Split(is(s, fact.Channels), ",") {
					if in != "" && c != "" && take(in+" "+c) {
						return fmt.Sprintf("%s on day %d: channel", s, d)
					}
				}
			}
		}
	}
	return ""
}
