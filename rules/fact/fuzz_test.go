package fact_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/fact"
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
