package assess_test

import (
	"bytes"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/assess"
	"dewpost/rules/boxsim"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/sun"
)

// simulated is a log of a box with these hours of exchange.
func simulated(hours float64, days int, step time.Duration, faults ...boxsim.Fault) (rs []reading.Reading) {
	sim := boxsim.New(boxsim.NewWeather(boxsim.Quayside(), 4), boxsim.Box{
		TauH: hours, HasBoard: true, HasOutside: true, HasLine: true, StandbyMA: 12, Noise: 1,
	}, faults, 4, start)
	for at := time.Duration(0); at < time.Duration(days)*24*time.Hour; at += step {
		rs = append(rs, sim.Next(start.Add(at)))
	}
	return rs
}

func table(t *testing.T, a assess.Assessment) string {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, a.WriteTable(&b, "log.csv", nil))
	return b.String()
}

// A box that was never tight is said to be so, and is no finding.
func TestNeverTight(t *testing.T) {
	a := assess.Run(simulated(1.2, 60, 10*time.Minute), assess.Options{})
	require.NotNil(t, a.BreathingUsual)
	require.True(t, a.BreathingUsual.NeverTight)
	for _, f := range a.Findings {
		require.NotEqual(t, finding.SealOpened, f.Kind)
	}
	require.Contains(t, table(t, a), "never tight: it was as open")

	a = assess.Run(simulated(40, 60, 10*time.Minute), assess.Options{})
	require.False(t, a.BreathingUsual.NeverTight)
	require.InDelta(t, 0, math.Log(a.BreathingUsual.TauH/40), 0.6, "apparent: walls buffer")
	require.Contains(t, table(t, a), "when its baseline was taken, before ")

	a = assess.Run(simulated(40, 10, 10*time.Minute), assess.Options{})
	require.Nil(t, a.BreathingUsual)
	require.NotContains(t, table(t, a), "usual")
	a.Breathing[len(a.Breathing)-1].HighH = nil
	require.Contains(t, table(t, a), "to no bound")
}

// BenchmarkYearOfABox gives the time of an assessment of a station-year at one
// minute with all channels, from readings in memory, all findings included.
func BenchmarkYearOfABox(b *testing.B) {
	rs := simulated(40, 365, time.Minute,
		boxsim.Fault{Kind: boxsim.OpenedSeal, From: start.Add(100 * 24 * time.Hour), Size: 2},
		boxsim.Fault{Kind: boxsim.CurrentStep, From: start.Add(200 * 24 * time.Hour), Size: 3})
	used := make([]reading.Reading, len(rs))
	for b.Loop() {
		copy(used, rs)
		a := assess.Run(used, assess.Options{Place: &sun.Place{Lat: 52, Lon: 5}})
		require.NotEmpty(b, a.Findings)
	}
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N), "s/year")
	b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N*len(rs)), "µs/reading")
}
