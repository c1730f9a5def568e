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
	"dewpost/rules/reading"
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

func sensor(name, value string, from unit.Instant) fact.Fact {
	return fact.Fact{Subject: fact.Subject{Kind: fact.KindSensor, ID: "h-12"}, Name: name, Value: value, From: from}
}

func TestValidate(t *testing.T) {
	long := fmt.Sprintf("%0201d", 0)
	longer := fmt.Sprintf("%01001d", 0)
	texts := []string{"", "  ", "two\nlines", long, "\xff"}
	longTexts := []string{"", "a\x00b", longer}
	dates := []string{"", "30.4.2025", "2025-02-30", "2025-04-30T00:00:00Z", "0025-01-01", "1899-12-31", "2201-01-01", "none"}
	ids := []string{"", "Lake", "-a", "a b"}
	type values struct{ accepted, refused []string }
	both := func(accepted ...string) values { return values{accepted: accepted} }
	but := func(v values, refused ...string) values { v.refused = refused; return v }
	table := map[string]map[string]values{
		fact.KindOwner: {
			fact.Name:          but(both("Ida Example"), texts...),
			fact.Contact:       but(both("by post: 3 Mill Row", long), longTexts...),
			fact.Consent:       but(both("2025-04-30", "none"), "", "yes"),
			fact.Warranty:      but(both("two years on coating"), longTexts...),
			fact.WarrantyUntil: but(both("1990-01-01", "2199-12-31"), append(dates, "1989-12-31")...),
		},
		fact.KindSite: {
			fact.Name:   but(both("Larkmoor Lake Park"), texts...),
			fact.Owner:  but(both("ida", "none"), ids...),
			fact.Zone:   but(both("UTC", "Etc/GMT+3", "Etc/GMT-3"), "", "Local", "../etc/passwd", "Etc/", "UTC ", "/UTC"),
			fact.Lat:    but(both("-90", "90", "61.5"), "90.1", "61,5", "N61", ""),
			fact.Lon:    but(both("-180", "180", "24.25"), "180.1", "-181"),
			fact.Salt:   but(both("none", "coast", "deicing", "pool"), "sea", ""),
			fact.Sun:    but(both("full", "part", "shade"), "none", ""),
			fact.Access: but(both("key at the gatehouse, 9 to 5"), longTexts...),
			fact.LetIn: but(both("mo-fr 08:00-12:00 13:00-17:00; sa 09:00-12:30"), "", "always", "mo", "mo 8:00-9:00", "mo 09:00-08:00",
				"mo 09:00-11:00 10:00-12:00", "mo 09:00-10:00; mo 11:00-12:00", "fr-mo 09:00-10:00", "mo 09:00-25:00", "mo 09:00-24:00", "mo 09:60-10:00"),
			fact.Reach:     but(both("driving", "post"), "far"),
			fact.Power:     but(both("on", "off"), "", "yes"),
			fact.TravelMin: but(both("0", "45", "1440"), "", "-1", "1441", "45.5", "045", "+45"),
		},
		fact.KindLine: {
			fact.Name:          but(both("east wing"), texts...),
			fact.Site:          but(both("lake", "none"), ids...),
			fact.Supply:        but(both("ac", "dc"), "AC", ""),
			fact.SupplyV:       but(both("12", "23.5", "60"), "0", "61", "NaN", "12 V"),
			fact.SupplyMA:      but(both("1", "800"), "0", "1e9"),
			fact.CurrentSensor: but(both("lake-07", "none"), ids...),
			fact.Power:         but(both("on", "off"), "", "yes"),
		},
		fact.KindStation: {
			fact.Name:           but(both("Gate", "Haupteingang süd"), texts...),
			fact.Site:           but(both("lake", "l", "a-1", "none"), ids...),
			fact.Spot:           but(both("left of the gate"), texts...),
			fact.Installed:      but(both("2025-04-30", "2199-01-01"), dates...),
			fact.Serial:         but(both("0042-7"), texts...),
			fact.System:         but(both("two-wire bus, 1987"), texts...),
			fact.Model:          but(both("six keys"), texts...),
			fact.Wires:          but(both("1", "32"), "0", "33", "two", ""),
			fact.Terminals:      but(both("1=supply; 2=audio", "a = lamp"), "", "1", "1=", "=audio", "1=a;1=b", "1=a;", "1=a\n;2=b", longer),
			fact.Line:           but(both("east", "none"), ids...),
			fact.Address:        but(both("7", "none", "1-2-4 on"), texts...),
			fact.Mounting:       but(both("surface", "flush", "post"), "wall", ""),
			fact.Orientation:    but(both("n", "sw", "none"), "north", ""),
			fact.Eave:           but(both("none", "small", "deep"), "big"),
			fact.CableEntry:     but(both("sealed", "open", "unknown"), "none"),
			fact.WeepHole:       but(both("open", "blocked", "none", "unknown"), "sealed"),
			fact.Build:          but(both("uncoated", "coated", "coated-new-cover", "cracked-cover"), "Coated"),
			fact.Board:          but(both("new", "used", "donor"), "old"),
			fact.BoardGrade:     but(both("a", "d"), "A", "e"),
			fact.BoardFitted:    but(both("2025-04-30"), dates...),
			fact.Coating:        but(both("acrylic", "none"), texts...),
			fact.CoatingSides:   but(both("none", "one", "both"), "2"),
			fact.Coats:          but(both("0", "9"), "10", "-1"),
			fact.Coated:         but(both("2025-04-30"), dates...),
			fact.Cured:          but(both("2025-05-02"), dates...),
			fact.Cover:          but(both("moulded, clear"), texts...),
			fact.CoverNew:       but(both("1999-12-31"), append(dates, "soon")...),
			fact.CoverCondition: but(both("sound", "crazed", "cracked", "missing"), "good"),
			fact.Face:           but(both("brushed, with six keys"), texts...),
			fact.FaceNew:        but(both("1999-12-31"), dates...),
			fact.FaceCondition:  but(both("sound", "missing"), "good"),
			fact.MaxGap:         but(both("90m", "1h30m", "744h"), "", "90", "0s", "-5m", "745h", "NaN"),
			fact.Undercooling: but(both(fact.None, "const=1 night=-0.5 hour=1e-3 six_hours=2 dry=-0.06 temp=0"), "", "1", "const=1", "const=1 const=1 night=0 hour=0 six_hours=0 dry=0 temp=0",
				"const=NaN night=0 hour=0 six_hours=0 dry=0 temp=0", "const=101 night=0 hour=0 six_hours=0 dry=0 temp=0", "const=1 night=0 hour=0 six_hours=0 dry=0 wind=0"),
			fact.AllowanceK:     but(both("0", "1.5", "-0.5"), "", "warm", "NaN", "Inf", "21", "-21"),
			fact.AllowedSilence: but(both("6h"), "-1h"),
			fact.RHCheck:        but(both("sound", "suspect", "none", "NaCl 21.5 C reads 77.1 after 8h"), "", "fine", "NaCl 90 C reads 77.1 after 8h"),
			fact.Interval:       but(both("10m", "1s"), "0"),
		},
		fact.KindSensor: {
			fact.Serial:   but(both("0042-7"), texts...),
			fact.Model:    but(both("capacitive, socketed"), texts...),
			fact.Station:  but(both("lake-07", "none"), ids...),
			fact.Channels: but(both("inside_rh_pct", "inside_rh_pct, inside_temp_c"), "", "humidity", "inside_rh_pct,", "inside_rh_pct,inside_rh_pct"),
			fact.Place:    but(both("behind the board, left"), texts...),
		},
	}
	for c := range reading.NumChannels {
		table[fact.KindSensor][fact.Calibration+"."+c.Name()] = but(both("+1.4 salt-75", "-0.03 two-point, 2 salts", "0 x"),
			"", "+1.4", "1.4salt", "NaN salt", "101 salt", "x salt", "+1.4 ")
	}
	for _, kind := range fact.Kinds {
		var names []string
		for name, v := range table[kind] {
			names = append(names, name)
			subject := fact.Subject{Kind: kind, ID: "lake-07"}
			require.NotEmpty(t, fact.Hint(kind, name), name)
			for _, v := range v.accepted {
				require.NoError(t, fact.Validate(fact.Fact{Subject: subject, Name: name, Value: v}), "%s %q", name, v)
			}
			require.NotEmpty(t, v.refused)
			for _, v := range v.refused {
				err := fact.Validate(fact.Fact{Subject: subject, Name: name, Value: v})
				require.ErrorContains(t, err, kind+" lake-07: "+name, "%s %q", name, v)
				require.ErrorContains(t, err, fmt.Sprintf("%.40q", v))
				require.ErrorAs(t, err, new(fact.Refused))
			}
		}
		require.ElementsMatch(t, fact.Names(kind), names, "a name without values in this test")
	}
	require.Empty(t, fact.Hint(fact.KindSite, "colour"))
}

func TestValidateDates(t *testing.T) {
	said := unit.At(time.Date(2025, 4, 30, 11, 0, 0, 0, time.UTC)) // the next day has begun in the far east
	say := func(kind, name, value string, from unit.Instant) error {
		return fact.Validate(fact.Fact{Subject: fact.Subject{Kind: kind, ID: "x"}, Name: name, Value: value, From: from, Recorded: said})
	}
	require.NoError(t, say(fact.KindOwner, fact.Consent, "2025-05-01", t0))
	require.NoError(t, say(fact.KindOwner, fact.Consent, fact.None, t0))
	require.ErrorContains(t, say(fact.KindOwner, fact.Consent, "2025-05-02", t0), "up to 2025-05-01")
	for _, name := range []string{fact.CoverNew, fact.FaceNew, fact.Coated, fact.BoardFitted} {
		require.NoError(t, say(fact.KindStation, name, "2025-05-02", t0))
		require.ErrorContains(t, say(fact.KindStation, name, "2025-05-03", t0), "up to 2025-05-02")
	}
	require.NoError(t, say(fact.KindStation, fact.Cured, "2025-05-09", t0))
	require.NoError(t, say(fact.KindStation, fact.Spot, "gate", fact.Always))
	for _, year := range []int{1899, 2201} {
		err := say(fact.KindStation, fact.Spot, "gate", unit.At(time.Date(year, 6, 1, 0, 0, 0, 0, time.UTC)))
		require.ErrorContains(t, err, fmt.Sprintf("it holds from %d-06-01T00:00:00Z: let it hold from", year))
	}
}

func TestValidateSubjectAndName(t *testing.T) {
	require.ErrorContains(t, fact.Validate(fact.Fact{Subject: fact.Subject{Kind: "planet", ID: "x"}}), `"planet"`)
	require.ErrorContains(t, fact.Validate(fact.Fact{Subject: fact.Subject{Kind: fact.KindSite, ID: "X"}, Name: fact.Salt, Value: "none"}), `"X"`)
	err := fact.Validate(station("colour", "red", t0))
	require.ErrorContains(t, err, "colour")
	require.ErrorContains(t, err, "max_gap", "names those that are known")
	require.NotContains(t, err.Error(), "salt", "which is not a station's")
	require.Error(t, fact.Validate(station(fact.Salt, "none", t0)))
	require.NoError(t, fact.Validate(site("lake", fact.Name, "Lake", t0)))
	require.ErrorContains(t, fact.Validate(site(fact.None, fact.Name, "Lake", t0)), `site none: id "none": choose another`)
	require.ErrorContains(t, fact.Validate(sensor(fact.Calibration, "inside_rh_pct +1.4 salt-75", t0)), "calibration.inside_rh_pct")
	require.ErrorContains(t, fact.Validate(sensor(fact.Calibration, "humidity +1.4 salt-75", t0)), "as in inside_rh_pct +1.4 salt-75")
}

func TestNormal(t *testing.T) {
	for value, want := range map[string][2]string{
		"inside_rh_pct +1.4 salt-75":      {"calibration.inside_rh_pct", "+1.4 salt-75"},
		"  line_current_ma  0  a  meter ": {"calibration.line_current_ma", "0 a meter"},
		"humidity +1.4 salt-75":           {"calibration", "humidity +1.4 salt-75"},
		"inside_rh_pct":                   {"calibration", "inside_rh_pct"},
		"inside_rh_pct +1.4":              {"calibration", "inside_rh_pct +1.4"},
	} {
		f := fact.Normal(sensor(fact.Calibration, value, t0))
		require.Equal(t, want, [2]string{f.Name, f.Value})
		require.Equal(t, f.Name != fact.Calibration, fact.Validate(f) == nil)
	}
	require.Equal(t, station(fact.Address, "7", t0), fact.Normal(station(fact.Address, " 7\t", t0)), "two that look alike are one")
	other := station(fact.Spot, "inside_rh_pct +1.4 salt-75", t0)
	require.Equal(t, other, fact.Normal(other))
}

func TestRefers(t *testing.T) {
	to := func(f fact.Fact) fact.Subject { s, _ := fact.Refers(f); return s }
	require.Equal(t, fact.Subject{Kind: fact.KindSite, ID: "lake"}, to(station(fact.Site, "lake", t0)))
	require.Equal(t, fact.Subject{Kind: fact.KindStation, ID: "lake-07"}, to(sensor(fact.Station, "lake-07", t0)))
	for _, f := range []fact.Fact{station(fact.Site, fact.None, t0), station(fact.Address, "lake", t0), station("colour", "x", t0)} {
		_, ok := fact.Refers(f)
		require.False(t, ok)
	}
}

func TestPersonal(t *testing.T) {
	var all []string
	for _, kind := range fact.Kinds {
		for _, name := range fact.Names(kind) {
			if fact.Personal(kind, name) {
				all = append(all, kind+" "+name)
			}
		}
	}
	require.Equal(t, []string{"owner name", "owner contact", "site access"}, all)
	require.False(t, fact.Personal("planet", fact.Name))
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
		station(fact.Site, fact.None, after(60)),
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
		valid(after(60), 90*time.Minute, 1.5, nil, false),
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
		fact.Site: {"lake", "quay", fact.None}, fact.MaxGap: {"10m", "30m", "90m"}, fact.AllowanceK: {"0", "1", "2.5"},
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
		for _, id := range []string{"lake", "quay"} {
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
