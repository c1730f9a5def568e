package boxsim

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// TestRadioHours: as many hours a day as the box is said to have, at the
// radio's current and some of its heat.
func TestRadioHours(t *testing.T) {
	const days = 200
	b := usual(12)
	b.Use = Use{RadioH: 2.5, RadioMA: 8}
	b.Noise = 0
	with, without := New(NewWeather(Quayside(), 4), b, nil, 3, start), New(NewWeather(Quayside(), 4), usual(12), nil, 3, start)
	without.box.Noise = 0
	hours, warmer := 0.0, 0.0
	for at := start; at < start+days*24*hour; at += hour / 6 {
		a, c := with.Next(at), without.Next(at)
		extra := value(t, &a, reading.LineCurrent) - value(t, &c, reading.LineCurrent)
		if extra > 4 {
			require.InDelta(t, 8, extra, 0.2)
			hours += 1.0 / 6
		}
		warmer = max(warmer, value(t, &a, reading.BoardTemp)-value(t, &c, reading.BoardTemp))
	}
	require.InEpsilon(t, 2.5, hours/days, 0.07)
	require.InEpsilon(t, 0.6*8/12, warmer, 0.05, "the power goes with the current")
}

// TestCallsAreNotSeenInAMedian: a call shorter than half the interval never
// shows, each minute it does.
func TestCallsAreNotSeenInAMedian(t *testing.T) {
	b := usual(12)
	b.Use = Use{Calls: 6, TalkMA: 50}
	count := func(every unit.Instant) (busy float64) {
		for _, r := range take(New(NewWeather(Quayside(), 4), b, nil, 3, start), start, int(50*24*hour/every), every) {
			if value(t, &r, reading.LineCurrent) > 40 {
				busy++
			}
		}
		return busy * float64(every) / hour * 60 / 50 // minutes a day
	}
	require.InEpsilon(t, 6*3.5, count(hour/60), 0.12)
	require.Zero(t, count(hour/4))
	require.Greater(t, count(hour/6), 0.0)
}

// TestLongCalls last for hours, into the night at times, on the share of days.
func TestLongCalls(t *testing.T) {
	b := usual(12)
	b.Use = Use{LongCalls: 0.25, TalkMA: 50}
	blocks, length, night := 0, 0.0, false
	last := false
	for _, r := range take(New(NewWeather(Quayside(), 4), b, nil, 3, start), start, 400*144, hour/6) {
		on := value(t, &r, reading.LineCurrent) > 40
		if on && !last {
			blocks++
		}
		if on {
			length += 1.0 / 6
			night = night || r.Time.Time().Hour() < 3
		}
		last = on
	}
	require.InDelta(t, 100, blocks, 25)
	require.InDelta(t, 3, length/float64(blocks), 0.3)
	require.True(t, night)
}

// TestUseIsAFunctionOfTheInstant: readings in between change nothing.
func TestUseIsAFunctionOfTheInstant(t *testing.T) {
	b := usual(12)
	b.Use = Use{RadioH: 3, RadioMA: 8, LongCalls: 0.5, TalkMA: 30}
	one := New(NewWeather(Quayside(), 4), b, nil, 3, start)
	two := New(NewWeather(Quayside(), 4), b, nil, 3, start)
	for at := start; at < start+30*24*hour; at += hour / 6 {
		if at%hour == 0 {
			require.Equal(t, one.inUse(at, 0), two.inUse(at, 0))
		}
		one.inUse(at, 0)
	}
}

// TestSupplyDrift: the supply stays within its share, goes there, and takes
// days for it.
func TestSupplyDrift(t *testing.T) {
	b := usual(12)
	b.SupplyDrift, b.Noise = 0.02, 0
	low, high, fastest := math.Inf(1), math.Inf(-1), 0.0
	last := math.NaN()
	for _, r := range take(New(NewWeather(Quayside(), 4), b, nil, 3, start), start, 300*24, hour) {
		v := value(t, &r, reading.LineVoltage) / 24
		low, high = min(low, v), max(high, v)
		if !math.IsNaN(last) {
			fastest = max(fastest, math.Abs(v-last))
		}
		last = v
	}
	require.InDelta(t, 0.98, low, 0.003)
	require.InDelta(t, 1.02, high, 0.003)
	require.GreaterOrEqual(t, low, 0.98-1e-4)
	require.LessOrEqual(t, high, 1.02+1e-4)
	require.Less(t, fastest, 0.003, "in an hour")
}
