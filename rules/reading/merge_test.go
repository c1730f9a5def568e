package reading_test

import (
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

func TestMergeInstant(t *testing.T) {
	keyed := reading.Reading{Time: 5, Run: "9f31c2aa07de4410", Seq: 3}
	keyed.Set(reading.InsideTemp, 12)
	loose := reading.Reading{Time: 5, Flags: "clock"}
	loose.Set(reading.InsideTemp, 11)
	loose.Set(reading.InsideRH, 90)
	other := reading.Reading{Time: 5, Flags: "failed:board_temp_c,clock"}
	other.Set(reading.InsideRH, 89)

	got := reading.Merge([]reading.Reading{loose, keyed, other})
	require.Len(t, got, 1)
	v, _ := got[0].Get(reading.InsideTemp)
	require.Equal(t, 12.0, v, "the reading with run and seq wins")
	v, _ = got[0].Get(reading.InsideRH)
	require.Equal(t, 89.0, v, "else the smaller number")
	require.Equal(t, "clock,failed:board_temp_c", got[0].Flags)
	require.False(t, got[0].Keyed())
}

func TestHeaterHidesInsideValues(t *testing.T) {
	hot := reading.Reading{Time: 5, Flags: "sensor_heater"}
	hot.Set(reading.InsideTemp, 60)
	hot.Set(reading.InsideRH, 20)
	hot.Set(reading.BoardTemp, 9)
	got := reading.Merge([]reading.Reading{hot})[0]
	require.False(t, got.Has(reading.InsideTemp))
	require.False(t, got.Has(reading.InsideRH))
	require.True(t, got.Has(reading.BoardTemp))
	require.Equal(t, reading.Hot{There: true, Temp: 60, RH: 20}, got.Hot())
	require.Equal(t, got.Hot(), reading.Merge([]reading.Reading{got})[0].Hot())

	calm := reading.Reading{Time: 5}
	calm.Set(reading.InsideTemp, 10)
	got = reading.Merge([]reading.Reading{hot, calm})[0]
	v, ok := got.Get(reading.InsideTemp)
	require.True(t, ok)
	require.Equal(t, 10.0, v)
}

func TestMergeDoesNotDependOnOrderOrCopies(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var rs []reading.Reading
		for range rapid.IntRange(1, 12).Draw(t, "n") {
			r := drawReading(t)
			r.Time = unit.Instant(rapid.Int64Range(1, 4).Draw(t, "instant"))
			for c := range reading.NumChannels { // few values, so that they meet
				if r.Has(c) {
					r.Set(c, float64(rapid.IntRange(0, 2).Draw(t, "v")))
				}
			}
			rs = append(rs, r)
		}
		want := reading.Merge(slices.Clone(rs))
		mixed := append(slices.Clone(rs), rs[rapid.IntRange(0, len(rs)-1).Draw(t, "copy")])
		rnd := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 2))
		rnd.Shuffle(len(mixed), func(i, j int) { mixed[i], mixed[j] = mixed[j], mixed[i] })
		require.Equal(t, want, reading.Merge(mixed))
		for i := 1; i < len(want); i++ {
			require.Less(t, want[i-1].Time, want[i].Time)
		}
		require.Equal(t, want, reading.Merge(slices.Clone(want)), "merged readings stay as they are")
	})
}
