package outlook

import (
	"encoding/json"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/exposure"
	"dewpost/rules/moistair"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

var (
	quay  = sun.Place{Lat: 52, Lon: 5}
	begin = unit.At(time.Date(2025, 3, 1, 0, 0, 0, 0, time.UTC))
)

// made is a made-up log: every other week humid nights come.
func made(days int) (rows []air) {
	for at := time.Duration(0); at < time.Duration(days)*24*time.Hour; at += 20 * time.Minute {
		h := at.Hours()
		swing := math.Sin(2 * math.Pi * (h - 9) / 24)
		dew := 6 + 3*math.Sin(2*math.Pi*h/24/14) + 0.3*math.Sin(h)
		temp := 11 + 5*swing
		rh := 100 * float64(moistair.SaturationWater(unit.Celsius(dew))/moistair.SaturationWater(unit.Celsius(temp)))
		rows = append(rows, air{begin.Add(at), temp, min(rh, 100), temp - 2})
	}
	return rows
}

func (s *State) take(rows []air, place sun.Place) {
	for _, a := range rows {
		temp, rh := unit.Celsius(a.temp), unit.Percent(a.rh)
		s.Add(a.at, temp, moistair.DewPoint(temp, rh), exposure.Margin(unit.Celsius(a.surface), temp, rh), place, 30*time.Minute)
	}
}

func TestNights(t *testing.T) {
	var s State
	s.take(made(60), quay)
	require.Len(t, s.Nights, 60)
	wet := 0
	for i, n := range s.Nights {
		set, ok := quay.Sunset(n.Issued)
		require.True(t, ok)
		require.Equal(t, set.Add(2*time.Hour), n.Issued)
		require.Equal(t, set.Time().UTC().Format(time.DateOnly), n.Night)
		require.LessOrEqual(t, n.PCondensing, n.PAtRisk)
		require.Greater(t, n.PCondensing, 0.0)
		require.Less(t, n.PAtRisk, 1.0)
		if i == len(s.Nights)-1 {
			continue // it is not over
		}
		require.NotNil(t, n.ObservedCondensing)
		require.True(t, !*n.ObservedCondensing || *n.ObservedAtRisk)
		wet += b2i(*n.ObservedCondensing)
	}
	require.Greater(t, wet, 10)
	require.Less(t, wet, 50)
	sum := 0.0
	for _, n := range s.Nights[30:59] {
		miss := n.PCondensing - float64(b2i(*n.ObservedCondensing))
		sum += miss * miss / 29
	}
	require.Less(t, sum, 0.1, "nights as regular as these are soon known")
}

// Nothing after the time of issue is used, and a state that was kept goes on.
func TestNoHindsight(t *testing.T) {
	rows := made(60)
	var whole State
	whole.take(rows, quay)
	rapid.Check(t, func(t *rapid.T) {
		cut := rapid.IntRange(200, len(rows)-1).Draw(t, "cut")
		var s State
		s.take(rows[:cut], quay)
		for i, n := range s.Nights {
			w := whole.Nights[i]
			if i == len(s.Nights)-1 {
				w.ObservedAtRisk, w.ObservedCondensing = n.ObservedAtRisk, n.ObservedCondensing
			}
			require.Equal(t, w, n)
		}
		text, err := json.Marshal(&s)
		require.NoError(t, err)
		var on State
		require.NoError(t, json.Unmarshal(text, &on))
		on.take(rows[cut:], quay)
		want, err := json.Marshal(&whole)
		require.NoError(t, err)
		got, err := json.Marshal(&on)
		require.NoError(t, err)
		require.Equal(t, string(want), string(got))
	})
}

func TestWhatWasNotHeard(t *testing.T) {
	rows := made(20)
	noon := func(day int) unit.Instant { return begin.Add(time.Duration(day)*24*time.Hour + 12*time.Hour) }
	hole := func(from, to unit.Instant) []air {
		return slices.DeleteFunc(slices.Clone(rows), func(a air) bool { return a.at > from && a.at < to })
	}
	var whole State
	whole.take(rows, quay)
	n := slices.IndexFunc(whole.Nights, func(n Night) bool { return n.ObservedAtRisk != nil && !*n.ObservedCondensing })
	require.GreaterOrEqual(t, n, 0)
	night := whole.Nights[n]

	var half State // the end of a dry night wasn't heard: it may have been wet
	half.take(hole(night.Issued.Add(time.Hour), night.Issued.Add(20*time.Hour)), quay)
	i := slices.IndexFunc(half.Nights, func(x Night) bool { return x.Night == night.Night })
	require.Nil(t, half.Nights[i].ObservedCondensing)
	require.Equal(t, night.PCondensing, half.Nights[i].PCondensing)

	var silent State // nothing was heard for hours before: nothing is foretold
	silent.take(hole(noon(10), noon(10).Add(8*time.Hour)), quay)
	require.False(t, slices.ContainsFunc(silent.Nights, func(x Night) bool { return x.Night == noon(10).Time().UTC().Format(time.DateOnly) }))
}

func TestEarlyAndNow(t *testing.T) {
	rows := made(30)
	var s State
	require.Nil(t, s.Now())
	set, _ := quay.Sunset(begin.Add(20*24*time.Hour + 18*time.Hour))
	upto := func(at unit.Instant) *Night {
		n, _ := slices.BinarySearchFunc(rows, at, func(a air, at unit.Instant) int { return int(a.at - at) })
		s = State{}
		s.take(rows[:n], quay)
		return s.Now()
	}
	require.Nil(t, upto(set.Add(-4*time.Hour)))
	early := upto(set.Add(-time.Hour))
	require.Equal(t, set.Add(-3*time.Hour), early.Issued)
	require.Equal(t, set.Time().UTC().Format(time.DateOnly), early.Night)
	late := upto(set.Add(5 * time.Hour))
	require.Equal(t, set.Add(2*time.Hour), late.Issued)
	require.Equal(t, early.Night, late.Night)
}

// Where the sun doesn't set there is no night.
func TestMidnightSun(t *testing.T) {
	var s State
	rows := made(120) // to the end of June
	s.take(rows, sun.Place{Lat: 70, Lon: 20})
	last := s.Nights[len(s.Nights)-1]
	require.Less(t, last.Night, "2025-05-15")
	require.NotNil(t, last.ObservedCondensing)
}

// In the south the seasons lie half a year apart.
func TestSouthernSeason(t *testing.T) {
	var north, south State
	rows := made(3)
	north.take(rows, quay)
	south.take(rows, sun.Place{Lat: -52, Lon: 5})
	at := rows[len(rows)-1].at
	n, s := north.features(at, at.Add(10*time.Hour), quay), south.features(at, at.Add(10*time.Hour), sun.Place{Lat: -52, Lon: 5})
	require.InDelta(t, -n[fCos], s[fCos], 1e-9)
	require.InDelta(t, -n[fSin], s[fSin], 1e-9)
}

// The fit is where the slope of the likelihood and the prior is none.
func TestFitIsAPeak(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, numInputs).Draw(t, "n")
		var rows []row
		for range rapid.IntRange(0, 40).Draw(t, "rows") {
			r := row{weight: rapid.Float64Range(0.1, 1).Draw(t, "weight"), yes: float64(rapid.IntRange(0, 1).Draw(t, "yes"))}
			for j := range n {
				r.x[j] = rapid.Float64Range(-3, 3).Draw(t, "x")
			}
			rows = append(rows, r)
		}
		var w, prior [numInputs]float64
		for j := range n {
			prior[j] = rapid.Float64Range(-2, 2).Draw(t, "prior")
		}
		fit(&w, rows, n, &prior, precision)
		for j := range n {
			slope := -precision(j) * (w[j] - prior[j])
			for i := range rows {
				slope += rows[i].weight * (rows[i].yes - logistic(dot(w[:n], &rows[i].x))) * rows[i].x[j]
			}
			require.InDelta(t, 0, slope, 1e-2)
		}
	})
}

// Brier's score halved, as reference works have it today, and the reliability
// term of Murphy's decomposition over ten bins, by hand.
func TestScores(t *testing.T) {
	y := tally{p: []float64{0.1, 0.9, 0.9, 0.5}, yes: []bool{false, true, false, true}, index: []int{0, 1, 2, 3}}
	require.InDelta(t, (0.01+0.01+0.81+0.25)/4, y.brier(y.p, 0, 4), 1e-12)
	require.InDelta(t, 0.81, y.brier(y.p, 2, 3), 1e-12)
	require.InDelta(t, (0.01+2*0.16+0.25)/4, y.reliability(0, 4), 1e-12)
}

func BenchmarkYear(b *testing.B) {
	rows := made(365)
	for b.Loop() {
		var s State
		s.take(rows, quay)
	}
}
