package store

import (
	"math"
	"math/bits"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/boxsim"
	"dewpost/rules/reading"
)

// simulatedDays is what a station with six sensors reads, one a minute.
func simulatedDays(days int) []reading.Reading {
	sim := boxsim.New(boxsim.NewWeather(boxsim.Lakeside(), 7),
		boxsim.Box{TauH: 12, SkyCoolingK: 4, SunGainK: 5, StandbyMA: 12, HasBoard: true, HasOutside: true, HasLine: true, Noise: 1}, nil, 7, benchStart)
	rs := make([]reading.Reading, 0, days*1440)
	for i := range int64(days) * 1440 {
		r := sim.Next(benchStart.Add(unitMinutes(i)))
		r.Run, r.Seq = runName(1), i+1
		for c := range reading.NumChannels { // as an agent rounds
			if v, ok := r.Get(c); ok {
				steps := 100.0
				if c == reading.LineCurrent {
					steps = 1000
				}
				r.Set(c, math.Round(v*steps)/steps)
			}
		}
		rs = append(rs, r)
	}
	return rs
}

func sameReadings(a, b []reading.Reading) bool {
	return slices.EqualFunc(a, b, identical)
}

func TestChunkRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		run := rapid.SampledFrom([]string{"", "9f31c2aa07de4410"}).Draw(t, "run")
		rs := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) reading.Reading { return anyReading(t, run) }), 0, 12).Draw(t, "readings")
		before := []reading.Reading{{Flags: "before"}}
		got, err := unpack(before, run, chunk(run, pointers(rs)))
		require.NoError(t, err)
		require.Equal(t, before[0], got[0])
		require.True(t, sameReadings(rs, got[1:]), "want %v\ngot  %v", rs, got[1:])
	})
}

// A day of six channels at one a minute, with the noise of sensors.
func TestChunkedDayIsSmall(t *testing.T) {
	rs := simulatedDays(3)
	require.Equal(t, 6, bits.OnesCount16(rs[0].Present()))
	for d := range 3 {
		part := rs[d*1440 : (d+1)*1440]
		body := chunk(rs[0].Run, pointers(part))
		got, err := unpack(nil, rs[0].Run, body)
		require.NoError(t, err)
		require.True(t, sameReadings(part, got))
		require.Less(t, float64(len(body))/1440, 8.0, "bytes a reading")
		t.Logf("%.2f bytes a reading", float64(len(body))/1440)
	}
}

func TestUnchunkRefusesDamage(t *testing.T) {
	rs := simulatedDays(1)[:40]
	rs[3].Flags = "clock"
	rs[7].Set(reading.Comb, 0.00012345)
	body := chunk(rs[0].Run, pointers(rs))
	for i := range len(body) * 8 {
		bad := slices.Clone(body)
		bad[i/8] ^= 1 << (i % 8)
		_, err := unpack(nil, rs[0].Run, bad)
		require.Error(t, err, "bit %d flipped", i)
	}
	for n := range body {
		_, err := unpack(nil, rs[0].Run, body[:n])
		require.Error(t, err, "cut to %d bytes", n)
	}
}

// FuzzUnchunk feeds columns with a right checksum: whatever they say, reading
// them ends, and what is accepted can be written and says the same.
func FuzzUnchunk(f *testing.F) {
	rs := simulatedDays(1)[:20]
	rs[3].Flags = "clock"
	rs[7].Set(reading.Comb, 0.00012345)
	body := chunk(rs[0].Run, pointers(rs))
	f.Add(body[1 : len(body)-checksumSize])
	empty := chunk("r", nil)
	f.Add(empty[1 : len(empty)-checksumSize])
	f.Fuzz(func(t *testing.T, inner []byte) {
		got, err := unpack(nil, "r", seal(append([]byte{chunkVersion}, inner...)))
		if err != nil {
			return
		}
		again, err := unpack(nil, "r", chunk("r", pointers(got)))
		require.NoError(t, err)
		require.True(t, sameReadings(got, again))
	})
}

// BenchmarkChunk measures a day of one station at one a minute; the floor is the
// same day as packed batches of sixty.
func BenchmarkChunk(b *testing.B) {
	rs := simulatedDays(1)
	ps := pointers(rs)
	run := rs[0].Run
	perReading := func(b *testing.B) float64 { return float64(b.Elapsed().Nanoseconds()) / float64(b.N*len(rs)) }
	var batches [][]byte
	size := 0
	for part := range slices.Chunk(ps, 60) {
		batches = append(batches, pack(run, part))
		size += len(batches[len(batches)-1])
	}
	body := chunk(run, ps)
	unpackAll := func(bodies [][]byte) time.Duration {
		start := time.Now()
		var out []reading.Reading
		for _, body := range bodies {
			var err error
			out, err = unpack(out, run, body)
			require.NoError(b, err)
		}
		return time.Since(start)
	}
	b.Run("write", func(b *testing.B) {
		for b.Loop() {
			body = chunk(run, ps)
		}
		b.ReportMetric(perReading(b), "ns/reading")
		b.ReportMetric(float64(len(body))/float64(len(rs)), "bytes/reading")
		b.ReportMetric(float64(len(body))/float64(size), "x_bytes_of_batches")
	})
	b.Run("read", func(b *testing.B) {
		var ours, floor time.Duration
		for b.Loop() {
			ours += unpackAll([][]byte{body})
			floor += unpackAll(batches)
		}
		b.ReportMetric(ours.Seconds()*1e9/float64(b.N*len(rs)), "ns/reading")
		b.ReportMetric(ours.Seconds()/floor.Seconds(), "x_batches")
	})
}
