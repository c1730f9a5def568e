package equal_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/boxsim"
	"dewpost/rules/equal"
	"dewpost/rules/exposure"
	"dewpost/rules/reading"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

var start = unit.At(time.Date(2025, 2, 1, 0, 0, 0, 0, time.UTC))

const day = 24 * time.Hour

func condensing(d *equal.Day) equal.Hours { return d.Condensing }

// box returns the days of a simulated box.
func box(tau float64, faults []boxsim.Fault, days int, seed uint64) []equal.Day {
	c := boxsim.Quayside()
	sim := boxsim.New(boxsim.NewWeather(c, seed), boxsim.Box{TauH: tau, SkyCoolingK: 4, SunGainK: 5, HasBoard: true, HasOutside: true, Noise: 1}, faults, seed, start)
	var rs []reading.Reading
	var air []equal.Air
	for at := time.Duration(0); at < time.Duration(days)*day; at += 20 * time.Minute {
		r := sim.Next(start.Add(at))
		rs = append(rs, r)
		if at%time.Hour == 0 {
			t, _ := r.Get(reading.OutsideTemp)
			rh, _ := r.Get(reading.OutsideRH)
			air = append(air, equal.Air{Hour: start.Add(at), Temp: unit.Celsius(t), RH: unit.Percent(rh)})
		}
	}
	facts := []exposure.Valid{{From: math.MinInt64, Facts: exposure.Facts{MaxGap: time.Hour, Place: &sun.Place{Lat: c.Lat, Lon: c.Lon}}}}
	return equal.Days(exposure.Fold(rs, facts, exposure.Part{From: math.MinInt64}).Hours, air, c.Lon)
}

func split(days []equal.Day, at int) (before, after []equal.Day) { return days[:at], days[at:] }

// A box with a repair that holds is drier than it would have been, though the
// seasons differ; one that is left alone is not, whatever the weather did.
func TestARepairThatHoldsIsSeen(t *testing.T) {
	open := []boxsim.Fault{{Kind: boxsim.CrackedCover, Size: 2}, {Kind: boxsim.Repaired, From: start.Add(120 * day), Size: 60}}
	drier, same := 0, 0
	for seed := range uint64(6) {
		b, a := split(box(60, open, 240, seed), 120)
		c := equal.Compare(b, a, condensing, 1)
		if c.Verdict() == equal.Drier {
			drier++
		}
		b, a = split(box(12, nil, 240, seed+100), 120)
		c = equal.Compare(b, a, condensing, 1)
		t.Logf("left alone: %.2f h a day before, %.2f after; change %.2f (%.2f to %.2f), %d days unlike", c.Before.Hours.Mid, c.After.Hours.Mid, *c.Change, *c.Low, *c.High, c.After.Unlike)
		if c.Verdict() == equal.Same {
			same++
		}
	}
	b, a := split(box(60, open, 240, 1), 120)
	c := equal.Compare(b, a, condensing, 1)
	for _, h := range []*equal.Hours{c.Before.Hours, c.After.Hours, c.After.Expected, c.After.Compared} {
		require.Less(t, h.Low, h.Mid, "what the sensor may be off")
		require.Less(t, h.Mid, h.High)
	}
	require.GreaterOrEqual(t, drier, 5)
	require.GreaterOrEqual(t, same, 4)
}

// made are days whose wetness is a known function of weather, noise in runs of
// days, and an effect.
func made(rnd *rand.Rand, n int, from float64, effect float64) (days []equal.Day) {
	run := 0.0
	for i := range n {
		run = 0.6*run + rnd.NormFloat64()
		closest := math.Abs(2 + 1.5*rnd.NormFloat64())
		w := equal.Weather{Closest: closest, Mean: closest + 3, Cold: 2 * rnd.NormFloat64(), Temp: 10 + from + 2*rnd.NormFloat64()}
		y := max(0, min(24, 9-2*closest+run+effect))
		days = append(days, equal.Day{Start: start.Add(time.Duration(i) * day), Known: 24, Condensing: equal.Hours{Mid: y, Low: y, High: y}, Weather: &w})
	}
	return days
}

// The interval holds the true change about nine times in ten.
func TestTheIntervalHolds(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 3))
	held, n := 0, 150
	for range n {
		c := equal.Compare(made(rnd, 90, 0, 4), made(rnd, 90, 0, 2), condensing, 1)
		if *c.Low <= -2 && -2 <= *c.High {
			held++
		}
	}
	share := float64(held) / float64(n)
	t.Logf("held %.2f", share)
	require.Greater(t, share, 0.75)
	require.Less(t, share, 0.99)
}

// So it does where the periods are short, and blocks few.
func TestTheIntervalHoldsForShortPeriods(t *testing.T) {
	for _, days := range []int{20, 28, 60} {
		rnd := rand.New(rand.NewPCG(9, 3))
		held, n := 0, 0
		for range 150 {
			if c := equal.Compare(made(rnd, days, 0, 0), made(rnd, days, 0, 0), condensing, 1); c.Change != nil {
				n++
				if *c.Low <= 0 && 0 <= *c.High {
					held++
				}
			}
		}
		share := float64(held) / float64(n)
		t.Logf("%d days: held %.2f of %d", days, share, n)
		require.Greater(t, share, 0.82, "%d days", days)
		require.Less(t, share, 0.98, "%d days", days)
	}
}

func TestWhatCantBeCompared(t *testing.T) {
	rnd := rand.New(rand.NewPCG(4, 4))
	few := equal.Compare(made(rnd, 13, 0, 0), made(rnd, 90, 0, 0), condensing, 1)
	require.Equal(t, equal.Unknown, few.Verdict())
	unlike := equal.Compare(made(rnd, 90, 0, 0), made(rnd, 90, 60, 0), condensing, 1)
	require.Equal(t, equal.Unknown, unlike.Verdict())
	require.Equal(t, 90, unlike.After.Unlike)
	none := equal.Compare(nil, nil, condensing, 1)
	require.Equal(t, equal.Unknown, none.Verdict())
	require.Nil(t, none.Before.From, "a period without days has no beginning")
	require.Nil(t, none.Before.Hours)
	blind := made(rnd, 3, 0, 0)
	for i := range blind {
		blind[i].Weather = nil
	}
	none = equal.Compare(blind, nil, condensing, 1)
	require.Equal(t, start, *none.Before.From)
	require.Nil(t, none.Before.Hours)

	gaps := made(rnd, 40, 0, 0)
	gaps[3].Weather, gaps[4].Known = nil, 5
	c := equal.Compare(gaps, made(rnd, 40, 0, 8), condensing, 1)
	require.Equal(t, 38, c.Before.Days)
	require.Equal(t, 2, c.Before.Skipped)
	require.Equal(t, equal.Wetter, c.Verdict())
	require.InDelta(t, *c.Change, c.After.Compared.Mid-c.After.Expected.Mid, 1e-9)
}

func TestDaysAreFromNoonToNoon(t *testing.T) {
	var hours []exposure.Hour
	var air []equal.Air
	for h := range 72 {
		at := start.Add(time.Duration(h) * time.Hour)
		hours = append(hours, exposure.Hour{Start: at, Known: int64(time.Hour), Condensing: int64(h/24) * int64(time.Minute)})
		air = append(air, equal.Air{Hour: at, Temp: 10, RH: 100})
	}
	days := equal.Days(hours, air, 15) // noon is at 11 UTC
	require.Len(t, days, 4)
	require.Equal(t, start.Add(11*time.Hour), days[1].Start)
	require.InDelta(t, 24, days[1].Known, 1e-12)
	require.InDelta(t, 11./60, days[1].Condensing.Mid, 1e-12)
	require.Nil(t, days[0].Weather)
	require.NotNil(t, days[2].Weather)
	require.InDelta(t, 0, days[2].Weather.Closest, 1e-6)
	require.InDelta(t, 0, days[2].Weather.Cold, 1e-6)
	require.Empty(t, equal.Days(nil, nil, 0))
}
