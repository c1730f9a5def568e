package fact_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

var t0 = unit.At(time.Date(2025, 4, 1, 0, 0, 0, 0, time.UTC))

func after(days int) unit.Instant { return t0.Add(time.Duration(days) * 24 * time.Hour) }

func station(name, value string, from unit.Instant) fact.Fact {
	return fact.Fact{Subject: fact.Subject{Kind: fact.KindStation, ID: "lake-07"}, Name: name, Value: value, From: from}
}

func site(id, name, value string, from unit.Instant) fact.Fact {
	return fact.Fact{Subject: fact.Subject{Kind: fact.KindSite, ID: id}, Name: name, Value: value, From: from}
}

func TestValidate(t *testing.T) {
	long := fmt.Sprintf("%0201d", 0)
	accepted := map[string][]string{
		fact.Name:           {"Gate", "Haupteingang süd"},
		fact.Site:           {"lake", "l", "a-1"},
		fact.Spot:           {"left of the gate"},
		fact.Mounting:       {"surface", "flush", "post"},
		fact.Build:          {"uncoated", "coated", "coated-new-cover", "cracked-cover"},
		fact.Installed:      {"2025-04-30"},
		fact.CoverNew:       {"1999-12-31"},
		fact.MaxGap:         {"90m", "1h30m", "744h"},
		fact.AllowanceK:     {"0", "1.5", "-0.5"},
		fact.AllowedSilence: {"6h"},
		fact.Interval:       {"10m", "1s"},
		fact.Zone:           {"UTC", "Etc/GMT+3", "Etc/GMT-3"},
		fact.Lat:            {"-90", "90", "61.5"},
		fact.Lon:            {"-180", "180", "24.25"},
		fact.Salt:           {"none", "coast", "deicing", "pool"},
	}
	refused := map[string][]string{
		fact.Name:           {"", "  ", "two\nlines", long, "\xff"},
		fact.Site:           {"", "Lake", "-a", "a b"},
		fact.Spot:           {""},
		fact.Mounting:       {"wall", ""},
		fact.Build:          {"Coated"},
		fact.Installed:      {"", "30.4.2025", "2025-02-30", "2025-04-30T00:00:00Z", "0025-01-01"},
		fact.CoverNew:       {"soon"},
		fact.MaxGap:         {"", "90", "0s", "-5m", "745h", "NaN"},
		fact.AllowanceK:     {"", "warm", "NaN", "Inf", "21", "-21"},
		fact.AllowedSilence: {"-1h"},
		fact.Interval:       {"0"},
		fact.Zone:           {"", "Local", "../etc/passwd", "Etc/", "UTC ", "/UTC"},
		fact.Lat:            {"90.1", "61,5", "N61"},
		fact.Lon:            {"180.1", "-181"},
		fact.Salt:           {"sea", ""},
	}
	subjectOf := func(name string) fact.Subject {
		switch name {
		case fact.Zone, fact.Lat, fact.Lon, fact.Salt:
			return fact.Subject{Kind: fact.KindSite, ID: "lake"}
		}
		return fact.Subject{Kind: fact.KindStation, ID: "lake-07"}
	}
	for name, values := range accepted {
		for _, v := range values {
			require.NoError(t, fact.Validate(fact.Fact{Subject: subjectOf(name), Name: name, Value: v}), "%s %q", name, v)
		}
	}
	for name, values := range refused {
		for _, v := range values {
			err := fact.Validate(fact.Fact{Subject: subjectOf(name), Name: name, Value: v})
			require.ErrorContains(t, err, name, "%s %q", name, v)
			require.ErrorContains(t, err, subjectOf(name).ID)
			require.ErrorContains(t, err, fmt.Sprintf("%.40q", v))
		}
	}
}

func TestValidateSubjectAndName(t *testing.T) {
	require.ErrorContains(t, fact.Validate(fact.Fact{Subject: fact.Subject{Kind: "owner", ID: "x"}}), `"owner"`)
	require.ErrorContains(t, fact.Validate(fact.Fact{Subject: fact.Subject{Kind: fact.KindSite, ID: "X"}, Name: fact.Salt, Value: "none"}), `"X"`)
	err := fact.Validate(station("colour", "red", t0))
	require.ErrorContains(t, err, `"colour"`)
	require.ErrorContains(t, err, "max_gap", "names those that are known")
	require.NotContains(t, err.Error(), "salt", "which is not a station's")
	require.Error(t, fact.Validate(station(fact.Salt, "none", t0)))
	require.NoError(t, fact.Validate(site("lake", fact.Name, "Lake", t0)))
}

func TestAt(t *testing.T) {
	first := station(fact.MaxGap, "10m", after(0))
	later := station(fact.MaxGap, "20m", after(10))
	corrected := station(fact.MaxGap, "30m", after(10))
	other := station(fact.Interval, "1m", after(5))
	corrected.Recorded = 7
	later.Recorded = 5
	facts := []fact.Fact{corrected, later, other, first} // not in order of recording
	for _, tt := range []struct {
		at   unit.Instant
		want string
		ok   bool
	}{
		{after(0) - 1, "", false},
		{after(0), "10m", true},
		{after(10) - 1, "10m", true},
		{after(10), "30m", true},
		{math.MaxInt64, "30m", true},
	} {
		got, ok := fact.At(facts, fact.MaxGap, tt.at)
		require.Equal(t, tt.ok, ok)
		require.Equal(t, tt.want, got)
	}
	// Recorded at one instant: the later of the list.
	corrected.Recorded, later.Recorded = 5, 5
	got, _ := fact.At([]fact.Fact{corrected, later}, fact.MaxGap, after(10))
	require.Equal(t, "20m", got)

	d, ok := fact.DurationAt(facts, fact.MaxGap, after(1))
	require.True(t, ok)
	require.Equal(t, 10*time.Minute, d)
	_, ok = fact.DurationAt(facts, fact.AllowedSilence, after(1))
	require.False(t, ok)
}

func valid(from unit.Instant, gap time.Duration, allowance unit.Kelvin, place *sun.Place, salt bool) exposure.Valid {
	return exposure.Valid{From: from, Facts: exposure.Facts{MaxGap: gap, Allowance: allowance, Place: place, Salt: salt}}
}

func TestTimelineWithoutFacts(t *testing.T) {
	line, err := fact.Timeline(nil, func(string) []fact.Fact { return nil })
	require.NoError(t, err)
	require.Equal(t, []exposure.Valid{valid(fact.Always, 30*time.Minute, 0, nil, false)}, line)
}

func TestTimelineOfAMove(t *testing.T) {
	facts := []fact.Fact{
		station(fact.Site, "lake", after(10)),
		station(fact.MaxGap, "90m", after(20)),
		station(fact.Build, "coated", after(25)), // says nothing here
		station(fact.Site, "quay", after(30)),
		station(fact.AllowanceK, "1.5", after(30)),
	}
	sites := map[string][]fact.Fact{
		"lake": {
			site("lake", fact.Lat, "61.5", fact.Always), site("lake", fact.Lon, "24.25", fact.Always),
			site("lake", fact.Salt, "deicing", after(15)),
			site("lake", fact.Salt, "none", after(35)), // the station is gone by then
			site("lake", fact.Name, "Lake", after(16)),
		},
		"quay": {
			site("quay", fact.Salt, "coast", after(0)), // before the station came
			site("quay", fact.Lat, "50", after(40)),    // half a place is none
			site("quay", fact.Lon, "-4", after(50)),
		},
	}
	line, err := fact.Timeline(facts, func(id string) []fact.Fact { return sites[id] })
	require.NoError(t, err)
	lake, quay := &sun.Place{Lat: 61.5, Lon: 24.25}, &sun.Place{Lat: 50, Lon: -4}
	require.Equal(t, []exposure.Valid{
		valid(fact.Always, 30*time.Minute, 0, nil, false),
		valid(after(10), 30*time.Minute, 0, lake, false),
		valid(after(15), 30*time.Minute, 0, lake, true),
		valid(after(20), 90*time.Minute, 0, lake, true),
		valid(after(30), 90*time.Minute, 1.5, nil, true),
		valid(after(50), 90*time.Minute, 1.5, quay, true),
	}, line)
}

func TestTimelineFactsThatAlwaysHeld(t *testing.T) {
	line, err := fact.Timeline([]fact.Fact{station(fact.MaxGap, "90m", fact.Always)}, nil)
	require.NoError(t, err)
	require.Equal(t, []exposure.Valid{valid(fact.Always, 90*time.Minute, 0, nil, false)}, line)
}

func TestTimelineRefusesWhatIsNotValidated(t *testing.T) {
	for _, facts := range [][]fact.Fact{
		{station(fact.MaxGap, "soon", t0)},
		{station(fact.AllowanceK, "warm", t0)},
		{station(fact.Site, "lat", t0)},
		{station(fact.Site, "lon", t0)},
	} {
		_, err := fact.Timeline(facts, func(id string) []fact.Fact { return []fact.Fact{site(id, id, "north", t0)} })
		require.Error(t, err, "%v", facts)
	}
}

// TestTimelineAgreesWithAt asks the timeline and the facts themselves at any
// instant.
func TestTimelineAgreesWithAt(t *testing.T) {
	values := map[string][]string{
		fact.Site: {"lake", "quay"}, fact.MaxGap: {"10m", "30m", "90m"}, fact.AllowanceK: {"0", "1", "2.5"},
		fact.Lat: {"50", "61"}, fact.Lon: {"-4", "24"}, fact.Salt: {"none", "coast"}, fact.Build: {"coated"},
	}
	draw := func(t *rapid.T, label string, subject fact.Subject, names ...string) []fact.Fact {
		one := rapid.Custom(func(t *rapid.T) fact.Fact {
			name := rapid.SampledFrom(names).Draw(t, "name")
			return fact.Fact{
				Subject: subject, Name: name, Value: rapid.SampledFrom(values[name]).Draw(t, "value"),
				From: after(rapid.IntRange(0, 8).Draw(t, "day")), Recorded: unit.Instant(rapid.IntRange(0, 3).Draw(t, "recorded")),
			}
		})
		return rapid.SliceOfN(one, 0, 8).Draw(t, label)
	}
	rapid.Check(t, func(t *rapid.T) {
		facts := draw(t, "station", fact.Subject{Kind: fact.KindStation, ID: "s"}, fact.Site, fact.MaxGap, fact.AllowanceK, fact.Build)
		sites := make(map[string][]fact.Fact)
		for _, id := range values[fact.Site] {
			sites[id] = draw(t, id, fact.Subject{Kind: fact.KindSite, ID: id}, fact.Lat, fact.Lon, fact.Salt)
		}
		line, err := fact.Timeline(facts, func(id string) []fact.Fact { return sites[id] })
		require.NoError(t, err)
		require.Equal(t, fact.Always, line[0].From)
		for i := 1; i < len(line); i++ {
			require.Less(t, line[i-1].From, line[i].From)
			require.NotEqual(t, line[i-1].Facts, line[i].Facts, "neighbours that say the same")
		}
		at := after(0).Add(time.Duration(rapid.IntRange(-24, 24*10).Draw(t, "hour")) * time.Hour)
		var got exposure.Facts
		for _, v := range line {
			if v.From <= at {
				got = v.Facts
			}
		}
		text := func(facts []fact.Fact, name, none string) string {
			if v, ok := fact.At(facts, name, at); ok {
				return v
			}
			return none
		}
		here := sites[text(facts, fact.Site, "nowhere")]
		require.Equal(t, text(facts, fact.MaxGap, "30m"), fmt.Sprintf("%gm", got.MaxGap.Minutes()))
		require.Equal(t, text(facts, fact.AllowanceK, "0"), fmt.Sprint(float64(got.Allowance)))
		require.Equal(t, text(here, fact.Salt, "none") != "none", got.Salt)
		lat, lon := text(here, fact.Lat, ""), text(here, fact.Lon, "")
		require.Equal(t, lat != "" && lon != "", got.Place != nil)
		if got.Place != nil {
			require.Equal(t, lat+" "+lon, fmt.Sprint(got.Place.Lat, " ", got.Place.Lon))
		}
	})
}

func TestSilence(t *testing.T) {
	say := func(name, value string) []fact.Fact {
		return []fact.Fact{{Name: name, Value: value, From: fact.Always}}
	}
	require.Equal(t, 3*time.Hour, fact.Silence(nil, 0))
	require.Equal(t, 3*time.Hour, fact.Silence(say(fact.Interval, "10m"), 0))
	require.Equal(t, 6*time.Hour, fact.Silence(say(fact.Interval, "1h"), 0))
	allowed := append(say(fact.AllowedSilence, "720h"), say(fact.Interval, "1h")...)
	require.Equal(t, 720*time.Hour, fact.Silence(allowed, 0))
	require.Equal(t, 6*time.Hour, fact.UsualSilence(allowed, 0))
}
