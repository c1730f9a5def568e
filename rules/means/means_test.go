package means_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/means"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

var t0 = unit.At(time.Date(2025, 11, 5, 12, 0, 0, 0, time.UTC))

func at(d time.Duration, set map[reading.Channel]float64, flags string) reading.Reading {
	r := reading.Reading{Time: t0.Add(d), Flags: flags}
	for c, v := range set {
		r.Set(c, v)
	}
	return r
}

// all reduces readings in order. The last slot is not done.
func all(rs []reading.Reading) []means.Mean {
	var b means.Builder
	var list []means.Mean
	for i := range rs {
		if m, ok := b.Add(&rs[i]); ok {
			list = append(list, m)
		}
	}
	if m, ok := b.Flush(); ok {
		list = append(list, m)
	}
	return list
}

func TestSlots(t *testing.T) {
	const T, RH, I = reading.InsideTemp, reading.InsideRH, reading.LineCurrent
	got := all([]reading.Reading{
		at(0, map[reading.Channel]float64{T: 10, RH: 90, I: 12}, ""),
		at(9*time.Minute+59*time.Second, map[reading.Channel]float64{T: 12, RH: 110, I: 14}, ""),
		at(10*time.Minute, map[reading.Channel]float64{T: 50, RH: 20, I: 13}, reading.FlagHeater),
		at(11*time.Minute, map[reading.Channel]float64{T: 11, RH: 0}, ""),
		at(45*time.Minute, nil, "failed:inside_rh_pct"),
	})
	require.Len(t, got, 3, "an empty slot is none")
	first := got[0]
	require.Equal(t, t0, first.Start)
	require.Equal(t, t0.Add(9*time.Minute+59*time.Second), first.Last)
	require.Equal(t, t0.Add(10*time.Minute), first.Done)
	require.Zero(t, got[2].Done)
	require.Equal(t, 2, first.N)
	require.Equal(t, means.Channel{N: 2, Mean: 11, Min: 10, Max: 12}, first.Ch[T])
	require.Equal(t, means.Channel{N: 2, Mean: 95, Min: 90, Max: 100}, first.Ch[RH], "clamped before")
	require.Equal(t, means.Channel{N: 2, Mean: 13, Min: 12, Max: 14}, first.Ch[I])
	require.True(t, got[1].Heater)
	require.Equal(t, means.Channel{N: 1, Mean: 11, Min: 11, Max: 11}, got[1].Ch[T], "not while it is heated")
	require.Zero(t, got[1].Ch[RH], "RH of 0 is none")
	require.Equal(t, means.Channel{N: 1, Mean: 13, Min: 13, Max: 13}, got[1].Ch[I])
	require.Equal(t, 1, got[2].N)
	require.Zero(t, got[2].Ch[T])
	require.Empty(t, all(nil))
}

// Cut anywhere at a slot's border, the slots are the same.
func TestCutAtABorder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var rs []reading.Reading
		now := time.Duration(0)
		for range rapid.IntRange(0, 40).Draw(t, "n") {
			now += time.Duration(rapid.IntRange(1, 1500).Draw(t, "s")) * time.Second
			rs = append(rs, at(now, map[reading.Channel]float64{reading.InsideTemp: rapid.Float64Range(-20, 40).Draw(t, "t")}, ""))
		}
		whole := all(rs)
		border := t0.Add(time.Duration(rapid.IntRange(0, 90).Draw(t, "border")) * means.Step)
		var before, after []reading.Reading
		for _, r := range rs {
			if r.Time < border {
				before = append(before, r)
			} else {
				after = append(after, r)
			}
		}
		parts := append(all(before), all(after)...)
		if n := len(all(before)); n > 0 && len(after) > 0 {
			parts[n-1].Done = after[0].Time
		}
		require.Equal(t, whole, parts)
	})
}
