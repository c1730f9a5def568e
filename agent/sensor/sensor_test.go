package sensor

import (
	"context"
	"errors"
	"math"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/agent/sensor/signal"
	"dewpost/rules/reading"
)

// bench is a chip that fails so many times.
type bench struct {
	values   Values
	failures int
	measured int
	resets   int
	heats    int
}

var errBench = errors.New("disturbed")

func (b *bench) Measure(context.Context) (Values, error) {
	b.measured++
	if b.failures > 0 {
		b.failures--
		return nil, errBench
	}
	return b.values, nil
}

func (b *bench) Recover(context.Context) error {
	b.resets++
	return nil
}

func (b *bench) Heat(n int)      { b.heats += n }
func (b *bench) Disturbed() bool { return b.heats > 0 }

func maps() []Mapping {
	return []Mapping{
		{From: "temp", To: reading.InsideTemp, Signal: signal.Linear{Scale: 1}, Gain: 1.01, Offset: -0.2},
		{From: "rh", To: reading.InsideRH, Signal: signal.Linear{Scale: 100}, Gain: 1, Offset: 1.5},
	}
}

func TestScaleGainAndOffset(t *testing.T) {
	b := &bench{values: Values{"temp": 20, "rh": 0.5}}
	s := New("bench", b, maps(), &sync.Mutex{})
	require.Equal(t, []reading.Channel{reading.InsideTemp, reading.InsideRH}, s.Channels())
	var r reading.Reading
	require.NoError(t, s.Sense(t.Context(), &r))
	v, _ := r.Get(reading.InsideTemp)
	require.InDelta(t, 20, v, 1e-9)
	v, _ = r.Get(reading.InsideRH)
	require.InDelta(t, 51.5, v, 1e-9)
	require.Empty(t, r.Flags)
	require.Equal(t, Health{Samples: 1}, s.Health())
}

func TestTriedAgainWithinLimits(t *testing.T) {
	b := &bench{values: Values{"temp": 20, "rh": 0.5}, failures: tries - 1}
	s := New("bench", b, maps(), &sync.Mutex{})
	var r reading.Reading
	require.NoError(t, s.Sense(t.Context(), &r))
	require.Equal(t, tries-1, b.resets)
	require.Equal(t, Health{Samples: 1, Retries: tries - 1}, s.Health())

	b.failures = 1000
	for range hopeless {
		var r reading.Reading
		require.ErrorIs(t, s.Sense(t.Context(), &r), errBench)
		require.Zero(t, r.Present(), "a failed read is absent")
	}
	before, resets := b.measured, b.resets
	require.ErrorContains(t, s.Sense(t.Context(), &r), "bench: disturbed")
	require.Equal(t, before+1, b.measured, "a dead chip takes no more than one attempt")
	require.Equal(t, resets+1, b.resets, "and is reset before it, or it would never come back")
	require.Equal(t, int64(hopeless+1), s.Health().Failed)
	require.Equal(t, "disturbed", s.Health().Last)
	b.failures = 0
	require.NoError(t, s.Sense(t.Context(), &r))
	require.Empty(t, s.Health().Last)
	b.failures = tries - 1
	require.NoError(t, s.Sense(t.Context(), &r), "all attempts again")
}

func TestNoSecondAttemptWithoutTime(t *testing.T) {
	b := &bench{failures: 9}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	var r reading.Reading
	require.Error(t, New("bench", b, maps(), &sync.Mutex{}).Sense(ctx, &r))
	require.Equal(t, 1, b.measured)
}

func TestWhatIsNoValue(t *testing.T) {
	for name, test := range map[string]struct {
		values Values
		want   string
	}{
		"absent":       {Values{"temp": 20}, `inside_rh_pct: no value "rh"`},
		"no number":    {Values{"temp": 20, "rh": math.NaN()}, "no number"},
		"out of bound": {Values{"temp": 20, "rh": math.Inf(1)}, "no number"},
	} {
		t.Run(name, func(t *testing.T) {
			var r reading.Reading
			require.ErrorContains(t, New("bench", &bench{values: test.values}, maps(), &sync.Mutex{}).Sense(t.Context(), &r), test.want)
			require.True(t, r.Has(reading.InsideTemp), "the other one stays")
			require.False(t, r.Has(reading.InsideRH))
		})
	}
	m := []Mapping{{From: "v", To: reading.OutsideRH, Signal: signal.Loop{At20: 100}, Gain: 1}}
	var r reading.Reading
	require.ErrorContains(t, New("loop", &bench{values: Values{"v": 3.5}}, m, &sync.Mutex{}).Sense(t.Context(), &r), "outside_rh_pct: 3.500 mA: the transmitter reports a fault")
	require.Zero(t, r.Present())
}

func TestHeater(t *testing.T) {
	b := &bench{values: Values{"temp": 20, "rh": 0.5}}
	s := New("bench", b, maps(), &sync.Mutex{})
	require.True(t, s.Heatable())
	s.Heat(2)
	require.Equal(t, 2, b.heats)
	r := reading.Reading{Flags: reading.FlagClock}
	require.NoError(t, s.Sense(t.Context(), &r))
	require.True(t, r.HasFlag(reading.FlagHeater))
	require.True(t, r.HasFlag(reading.FlagClock))

	out := New("outdoors", b, []Mapping{{From: "temp", To: reading.OutsideTemp, Signal: signal.Linear{Scale: 1}, Gain: 1}}, &sync.Mutex{})
	r = reading.Reading{}
	require.NoError(t, out.Sense(t.Context(), &r))
	require.Zero(t, r.Present(), "it is hot outdoors, which nobody must take for weather")
	require.Empty(t, r.Flags, "the box is as it was")
	cold := New("cold", struct{ Chip }{b}, nil, &sync.Mutex{})
	cold.Heat(1)
	require.False(t, cold.Heatable())
	require.Equal(t, 2, b.heats)

	require.True(t, out.Withheld(reading.OutsideTemp))
	require.False(t, s.Withheld(reading.InsideTemp))
	b.failures = tries
	require.Error(t, out.Sense(t.Context(), &r))
	require.False(t, out.Withheld(reading.OutsideTemp), "there was nothing to keep back")
	require.NoError(t, out.Sense(t.Context(), &r))
	require.True(t, out.Withheld(reading.OutsideTemp))
	b.heats = 0
	require.NoError(t, out.Sense(t.Context(), &r))
	require.True(t, r.Has(reading.OutsideTemp))
	require.False(t, out.Withheld(reading.OutsideTemp))
}
