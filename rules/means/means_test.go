package means_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/means"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

var start = unit.At(time.Date(2025, 3, 1, 12, 0, 0, 0, time.UTC))

func at(d time.Duration, set ...any) reading.Reading {
	r := reading.Reading{Time: start.Add(d)}
	for i := 0; i < len(set); i += 2 {
		r.Set(set[i].(reading.Channel), set[i+1].(float64))
	}
	return r
}

// all reduces readings in order. The last slot is not done.
func all(rs []reading.Reading) []means.Mean {
	var b means.Builder
	var out []means.Mean
	rs = reading.Merge(slices.Clone(rs))
	for i := range rs {
		if m, ok := b.Add(&rs[i]); ok {
			out = append(out, m)
		}
	}
	if m, ok := b.Flush(); ok {
		out = append(out, m)
	}
	return out
}

func TestASlotHoldsItsReadings(t *testing.T) {
	got := all([]reading.Reading{
		at(time.Minute, reading.InsideTemp, 10.0, reading.InsideRH, 80.0),
		at(4*time.Minute, reading.InsideTemp, 13.0),
		at(10*time.Minute-1, reading.InsideTemp, 10.0, reading.InsideRH, 90.0),
		at(10*time.Minute, reading.LineCurrent, 12.5),
		at(45 * time.Minute),
	})
	require.Len(t, got, 3, "slots without a reading don't appear")
	m := got[0]
	require.Equal(t, start, m.Start)
	require.Equal(t, start.Add(10*time.Minute), m.Done, "the reading that began the next")
	require.Zero(t, got[2].Done, "more may come")
	require.Equal(t, start.Add(10*time.Minute-1), m.Last)
	require.Equal(t, 3, m.N)
	require.False(t, m.Heater)
	require.Equal(t, means.Channel{N: 3, Mean: 11, Min: 10, Max: 13}, m.Ch[reading.InsideTemp])
	require.Equal(t, means.Channel{N: 2, Mean: 85, Min: 80, Max: 90}, m.Ch[reading.InsideRH])
	require.Zero(t, m.Ch[reading.BoardTemp])
	require.Equal(t, start.Add(10*time.Minute), got[1].Start)
	require.Equal(t, means.Channel{N: 1, Mean: 12.5, Min: 12.5, Max: 12.5}, got[1].Ch[reading.LineCurrent])
	require.Equal(t, start.Add(40*time.Minute), got[2].Start)
	require.Equal(t, 1, got[2].N, "a reading without values is still a reading")
	require.Empty(t, all(nil))
}

func TestHumidityIsTakenAsPhysicsTakesIt(t *testing.T) {
	got := all([]reading.Reading{
		at(0, reading.InsideRH, 110.0, reading.OutsideRH, 104.0),
		at(time.Minute, reading.InsideRH, 98.0, reading.OutsideRH, -2.0),
		at(2*time.Minute, reading.InsideRH, 0.0, reading.OutsideRH, 90.0),
		at(3*time.Minute, reading.LineCurrent, -3.0),
	})
	require.Len(t, got, 1)
	require.Equal(t, means.Channel{N: 2, Mean: 99, Min: 98, Max: 100}, got[0].Ch[reading.InsideRH])
	require.Equal(t, means.Channel{N: 2, Mean: 95, Min: 90, Max: 100}, got[0].Ch[reading.OutsideRH])
	require.Equal(t, -3.0, got[0].Ch[reading.LineCurrent].Mean)
}

func TestTheHeaterDisturbsInsideOnly(t *testing.T) {
	hot := at(time.Minute, reading.InsideTemp, 40.0, reading.InsideRH, 12.0, reading.BoardTemp, 11.0)
	hot.Flags = "clock," + reading.FlagHeater
	cooling := at(2*time.Minute, reading.InsideTemp, 12.0, reading.InsideRH, 70.0)
	cooling.Flags = reading.FlagHeater
	got := all([]reading.Reading{at(0, reading.InsideTemp, 10.0, reading.InsideRH, 85.0, reading.BoardTemp, 9.0), hot, cooling})
	require.Len(t, got, 1)
	require.True(t, got[0].Heater)
	require.Equal(t, 10.0, got[0].Ch[reading.InsideTemp].Max)
	require.Equal(t, 1, got[0].Ch[reading.InsideRH].N)
	require.Equal(t, 10.0, got[0].Ch[reading.BoardTemp].Mean)
	require.Equal(t, means.Hot{N: 2, Temp: 40, RH: 12}, got[0].Hot, "the warmest, for who judges the sensor")
}

func TestWhatTheSensorShowsBesides(t *testing.T) {
	failed := at(2*time.Minute, reading.InsideTemp, 10.0)
	failed.Flags = "clock," + reading.FlagFailed + reading.InsideRH.Name() + "," + reading.FlagFailed + reading.BoardTemp.Name()
	got := all([]reading.Reading{at(0, reading.InsideRH, 110.0), at(time.Minute, reading.InsideRH, 98.0), failed})
	require.Equal(t, 104.0, got[0].RawRH)
	require.Equal(t, 99.0, got[0].Ch[reading.InsideRH].Mean)
	require.EqualValues(t, 1, got[0].Failed[reading.InsideRH])
	require.EqualValues(t, 1, got[0].Failed[reading.BoardTemp])
	require.Zero(t, got[0].Failed[reading.InsideTemp])
	require.Zero(t, got[0].Hot)
}

func TestASlotIsDoneWithTheNext(t *testing.T) {
	var b means.Builder
	_, ok := b.Flush()
	require.False(t, ok)
	for i := range 10 {
		r := at(time.Duration(i)*time.Minute, reading.InsideTemp, 7.0)
		_, ok = b.Add(&r)
		require.False(t, ok)
	}
	r := at(time.Hour, reading.InsideTemp, 8.0)
	m, ok := b.Add(&r)
	require.True(t, ok)
	require.Equal(t, 10, m.N)
	m, ok = b.Flush()
	require.True(t, ok)
	require.Equal(t, start.Add(time.Hour), m.Start)
	_, ok = b.Flush()
	require.False(t, ok)
}

// Every reading is in exactly one slot, and its mean between its extremes.
func TestNothingIsLost(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var rs []reading.Reading
		now := start.Add(-24 * time.Hour)
		if rapid.Bool().Draw(t, "before 1970") {
			now = -1e18
		}
		for range rapid.IntRange(0, 50).Draw(t, "n") {
			now = now.Add(time.Duration(rapid.Int64Range(1, int64(25*time.Minute)).Draw(t, "step")))
			r := reading.Reading{Time: now}
			r.Set(reading.InsideTemp, rapid.Float64Range(-60, 95).Draw(t, "temp"))
			rs = append(rs, r)
		}
		n, last := 0, unit.Instant(-1<<62)
		for _, m := range all(rs) {
			require.Equal(t, m.Start, m.Start.Floor(means.Step))
			require.Greater(t, m.Start, last)
			require.GreaterOrEqual(t, m.Last, m.Start)
			require.Less(t, m.Last, m.Start.Add(means.Step))
			ch := m.Ch[reading.InsideTemp]
			require.Equal(t, m.N, ch.N)
			require.LessOrEqual(t, ch.Min, ch.Mean)
			require.LessOrEqual(t, ch.Mean, ch.Max)
			n, last = n+m.N, m.Start
		}
		require.Equal(t, len(rs), n)
	})
}
