package assess_test

import (
	"bytes"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/assess"
	"dewpost/rules/boxsim"
	"dewpost/rules/equal"
	"dewpost/rules/exposure"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/sun"
	"dewpost/testdata/spent"
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
	require.Regexp(t, `  usual +not known yet`, table(t, a))
	a.Breathing[len(a.Breathing)-1].HighH = nil
	require.Contains(t, table(t, a), "to no bound")

	rs := simulated(40, 60, 10*time.Minute)
	for i := range rs {
		rs[i].Clear(reading.OutsideTemp)
		rs[i].Clear(reading.OutsideRH)
	}
	a = assess.Run(rs, assess.Options{})
	require.Nil(t, a.BreathingUsual)
	require.Contains(t, table(t, a), "without it an opened seal isn't looked for")
}

// A repair that held leaves the box drier than it would have been in this weather;
// where it is said too early, what is wanting is told.
func TestDidTheRepairHold(t *testing.T) {
	at := start.Add(60 * 24 * time.Hour)
	rs := simulated(60, 120, 20*time.Minute, boxsim.Fault{Kind: boxsim.CrackedCover, Size: 2}, boxsim.Fault{Kind: boxsim.Repaired, From: at, Size: 60})
	opt := assess.Options{Place: &sun.Place{Lat: 52, Lon: 5}}
	a := assess.Run(slices.Clone(rs), opt)
	require.Nil(t, a.Compared)
	require.Less(t, a.BreathingUsual.TauH, 10.0)
	opt.Repaired = at
	a = assess.Run(slices.Clone(rs), opt)
	require.Greater(t, a.BreathingUsual.LowH, 20.0, "as it breathes since")
	require.Equal(t, equal.Drier, a.Compared.Condensing.Verdict(), "%+v", a.Compared.Condensing)
	require.Regexp(t, `since repair +-\d+\.\d h a day +-\d+\.\d to -\d+\.\d +condensing, nine in ten: \d+\.\d h \(\d+\.\d to \d+\.\d\) a day on \d+ days, and .* expected by \d+ days before; drier than it would have been`, table(t, a))
	opt.Repaired = start.Add(115 * 24 * time.Hour)
	require.Regexp(t, `since repair +not known yet +condensing: it takes 14 days`, table(t, assess.Run(rs, opt)))
}

// Air from the house that was there from the beginning is called so sooner where the
// station's back is towards it.
func TestBackTowardsTheHouse(t *testing.T) {
	rs := simulated(20, 90, 20*time.Minute, boxsim.Fault{Kind: boxsim.WallAir, Size: 0.2})
	opt := assess.Options{Place: &sun.Place{Lat: 52, Lon: 5}}
	called := func() bool {
		return slices.ContainsFunc(assess.Run(slices.Clone(rs), opt).Findings, func(f assess.Finding) bool { return f.Kind == finding.MoistAirFromWall })
	}
	require.False(t, called())
	opt.Flush = true
	require.True(t, called())
}

// What a board taught elsewhere stands in the place of the allowance.
func TestALearnedAllowance(t *testing.T) {
	rs := simulated(40, 30, 20*time.Minute)
	for i := range rs {
		rs[i].Clear(reading.BoardTemp)
	}
	opt := assess.Options{Place: &sun.Place{Lat: 52, Lon: 5}}
	none := assess.Run(slices.Clone(rs), opt)
	opt.Learned = &exposure.Undercooling{Night: 3}
	a := assess.Run(rs, opt)
	require.Greater(t, a.Hours.Condensing, none.Hours.Condensing+5)
	require.Equal(t, opt.Learned.String(), a.Surface.Learned)
	require.Contains(t, table(t, a), "inside air less what a board taught elsewhere")
	require.Contains(t, text(t, a), `"undercooling":"const=0 night=3 `)
}

// The line's current stands with its leakage and the error of that, or with what is
// wanting.
func TestStandingCurrent(t *testing.T) {
	a := assess.Run(simulated(40, 60, 10*time.Minute), assess.Options{Place: &sun.Place{Lat: 52, Lon: 5}})
	require.NotNil(t, a.Current)
	require.InDelta(t, 12, *a.Current.StandbyMA, 0.2)
	require.Less(t, math.Abs(*a.Current.LeakMA), 3**a.Current.ErrorMA+0.02, "none")
	said := table(t, a)
	require.Regexp(t, `standby current +1[12]\.\d\d mA`, said)
	require.Regexp(t, `leakage +-?0\.\d{3} mA +± 0\.\d{3} \(standard error\) +were the board saturated; (usual for it|what is usual)`, said)
	require.Contains(t, text(t, a), `"current":{"standby_ma":1`)

	a = assess.Run(simulated(40, 3, 10*time.Minute), assess.Options{Place: &sun.Place{Lat: 52, Lon: 5}})
	require.Regexp(t, `leakage +not known yet`, table(t, a))
}

// A humidity sensor that jumps as no air can says nothing of the board, nor of the
// coming night.
func TestASensorInDoubtTellsNothingOfWetness(t *testing.T) {
	kinds := func(low float64) (found map[finding.Kind]int, nights int) {
		var rs []reading.Reading
		for i := range 4 * 24 * 60 {
			r := reading.Reading{Time: start.Add(time.Duration(i) * time.Minute)}
			r.Set(reading.InsideTemp, 10)
			r.Set(reading.InsideRH, 100)
			if i%3 == 2 {
				r.Set(reading.InsideRH, low)
			}
			rs = append(rs, r)
		}
		a := assess.Run(rs, assess.Options{Place: &sun.Place{Lat: 52, Lon: 5}})
		found = map[finding.Kind]int{}
		for _, f := range a.Findings {
			found[f.Kind]++
		}
		return found, len(a.Outlook)
	}
	found, nights := kinds(100)
	require.Equal(t, 1, found[finding.BoardWet], "control: %v", found)
	require.Zero(t, found[finding.SensorSuspect], "saturation alone makes no suspect")
	require.Positive(t, nights)
	found, nights = kinds(50)
	require.Equal(t, map[finding.Kind]int{finding.SensorSuspect: 1}, found)
	require.Zero(t, nights)
}

// BenchmarkYearOfABox gives the processor time of an assessment of a station-year at one
// minute with all channels, from readings in memory, all findings and the outlook of
// each night included; and as a ratio to a dew point of each reading.
func BenchmarkYearOfABox(b *testing.B) {
	rs := simulated(40, 365, time.Minute,
		boxsim.Fault{Kind: boxsim.OpenedSeal, From: start.Add(100 * 24 * time.Hour), Size: 2},
		boxsim.Fault{Kind: boxsim.CurrentStep, From: start.Add(200 * 24 * time.Hour), Size: 3})
	used := make([]reading.Reading, len(rs))
	var floor, whole time.Duration
	for b.Loop() {
		copy(used, rs)
		floor += spent.DewPoints(b, rs)
		began := spent.Time(b)
		a := assess.Run(used, assess.Options{Place: &sun.Place{Lat: 52, Lon: 5}})
		whole += spent.Time(b) - began
		require.NotEmpty(b, a.Findings)
	}
	b.ReportMetric(whole.Seconds()/float64(b.N), "s/year")
	b.ReportMetric(float64(whole.Microseconds())/float64(b.N*len(rs)), "µs/reading")
	b.ReportMetric(float64(whole)/float64(floor), "x_dew_point")
}
