package fact_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// What a person may record can always be made a timeline.
func FuzzValidate(f *testing.F) {
	for _, name := range []string{fact.MaxGap, fact.Interval, fact.Site, fact.Build, "zone", "lat", "surface_allowance", "nonsense"} {
		for _, value := range []string{"", "1", "-0", "NaN", "1e400", "90m", "2025-02-30", "Europe/Helsinki", "larkmoor", "a\x00b", "\xff"} {
			f.Add(name, value)
		}
	}
	f.Fuzz(func(t *testing.T, name, value string) {
		s := station(name, value, t0)
		at := site("larkmoor", name, value, t0)
		var stations, sites []fact.Fact
		if fact.Validate(s) == nil {
			stations = append(stations, s)
		}
		if fact.Validate(at) == nil {
			sites = append(sites, at)
			stations = append(stations, station(fact.Site, "larkmoor", t0))
		}
		line, err := fact.Timeline(stations, func(string) []fact.Fact { return sites })
		require.NoError(t, err)
		require.NotEmpty(t, line)
	})
}

// What a person may record is kept as it is, and any two such facts can be
// asked for their history.
func FuzzNormal(f *testing.F) {
	for _, name := range []string{fact.Calibration, "calibration.comb_us", fact.Channels, fact.Address, fact.Terminals, fact.Consent, fact.SupplyV} {
		for _, value := range []string{"", " 7 ", "none", "comb_us +1 salt", "1=a;1=b", "2025-02-30", "1e400", "\xff", "a\u0085b"} {
			f.Add(name, value, "other", int64(0), int64(1))
		}
	}
	f.Fuzz(func(t *testing.T, name, value, other string, from, recorded int64) {
		for _, kind := range fact.Kinds {
			var kept []fact.Fact
			for i, v := range []string{value, other} {
				n := fact.Normal(fact.Fact{Subject: fact.Subject{Kind: kind, ID: "x"}, Name: name, Value: v, From: unit.Instant(from + int64(i)), Recorded: unit.Instant(recorded)})
				require.Equal(t, n, fact.Normal(n))
				if fact.Validate(n) == nil {
					kept = append(kept, n)
				}
			}
			for _, h := range fact.Intervals(kept, name) {
				require.Less(t, h.From, h.To)
			}
			require.LessOrEqual(t, len(fact.Present(kept, fact.Forever)), len(kept))
			_ = fact.Check(kept)
			require.Empty(t, fact.Addresses(kept, fact.Forever), "of one name")
		}
	})
}
