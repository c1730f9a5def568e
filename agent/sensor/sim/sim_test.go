package sim

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dewpost/rules/boxsim"
	"dewpost/rules/reading"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestEveryChannelOfTheBox(t *testing.T) {
	now := time.Date(2024, 5, 1, 6, 0, 0, 0, time.UTC)
	box := boxsim.Box{HasBoard: true, HasCover: true, HasOutside: true, HasLine: true, SupplyV: 24, HasComb: true, StandbyMA: 10}
	s := New(Config{Climate: boxsim.Lakeside(), Seed: 7, Box: box}, func() time.Time { return now })
	require.Len(t, s.Channels(), int(reading.NumChannels))
	var r reading.Reading
	require.NoError(t, s.Sense(t.Context(), &r))
	for _, c := range s.Channels() {
		v, ok := r.Get(c)
		require.True(t, ok, c.Name())
		require.True(t, reading.InRange(c, v), "%s %v", c.Name(), v)
	}
	again := New(Config{Climate: boxsim.Lakeside(), Seed: 7, Box: box}, func() time.Time { return now })
	var same reading.Reading
	require.NoError(t, again.Sense(t.Context(), &same))
	require.Equal(t, r, same, "same seed, same box")
}

func TestFailedReadIsAbsent(t *testing.T) {
	now := time.Date(2024, 5, 1, 6, 0, 0, 0, time.UTC)
	s := New(Config{Climate: boxsim.Quayside(), Faults: []boxsim.Fault{{Kind: boxsim.Dropout}}}, func() time.Time { return now })
	var r reading.Reading
	require.NoError(t, s.Sense(t.Context(), &r))
	require.False(t, r.Has(reading.InsideTemp))
	require.False(t, r.Has(reading.InsideRH))
	require.Equal(t, []reading.Channel{reading.InsideTemp, reading.InsideRH}, s.Channels())
}
