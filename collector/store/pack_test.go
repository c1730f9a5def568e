package store

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// anyValue draws a float as sensors give them, or any bits at all.
func anyValue() *rapid.Generator[float64] {
	return rapid.OneOf(
		rapid.Custom(func(t *rapid.T) float64 { return float64(rapid.IntRange(-6000, 200000).Draw(t, "hundredths")) / 100 }),
		rapid.Custom(func(t *rapid.T) float64 {
			return float64(rapid.IntRange(-60000, 2000000).Draw(t, "thousandths")) / 1000
		}),
		rapid.Float64(),
		rapid.Custom(func(t *rapid.T) float64 { return math.Float64frombits(rapid.Uint64().Draw(t, "bits")) }),
		rapid.SampledFrom([]float64{0, math.Copysign(0, -1), math.NaN(), math.Inf(1), math.Inf(-1), 5e-324, 1e308, -1e308, 1e12, math.Nextafter(1e12, 0), 0.0005, 1.0005}),
	)
}

func anyReading(t *rapid.T, run string) reading.Reading {
	r := reading.Reading{
		Run: run, Time: unit.Instant(rapid.Int64().Draw(t, "time")),
		Flags: rapid.SampledFrom([]string{"", "clock", "failed:board_temp_c,clock", "\x00\xff"}).Draw(t, "flags"),
	}
	if run != "" {
		r.Seq = rapid.Int64Min(1).Draw(t, "seq")
	}
	for c := range reading.NumChannels {
		if rapid.Bool().Draw(t, "has") {
			r.Set(c, anyValue().Draw(t, "value"))
		}
	}
	return r
}

// sameBits compares readings bit by bit, where == would not hold for NaN.
func sameBits(a, b *reading.Reading) bool {
	for c := range reading.NumChannels {
		x, hasX := a.Get(c)
		y, hasY := b.Get(c)
		if hasX != hasY || math.Float64bits(x) != math.Float64bits(y) {
			return false
		}
	}
	return a.Time == b.Time && a.Run == b.Run && a.Seq == b.Seq && a.Flags == b.Flags && a.Present() == b.Present()
}

func pointers(rs []reading.Reading) []*reading.Reading {
	ps := make([]*reading.Reading, len(rs))
	for i := range rs {
		ps[i] = &rs[i]
	}
	return ps
}

func TestPackRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		run := rapid.SampledFrom([]string{"", "9f31c2aa07de4410"}).Draw(t, "run")
		rs := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) reading.Reading { return anyReading(t, run) }), 1, 12).Draw(t, "readings")
		cut := rapid.IntRange(1, len(rs)).Draw(t, "cut")

		body := pack(run, pointers(rs[:cut]))
		if cut < len(rs) {
			_, s, err := unpackSeries(nil, run, body)
			require.NoError(t, err)
			body = packMore(&s, body, pointers(rs[cut:]))
		}
		require.Equal(t, pack(run, pointers(rs)), body, "packed in two steps and in one")

		got, err := unpack(nil, run, body)
		require.NoError(t, err)
		require.True(t, slices.EqualFunc(rs, got, func(a, b reading.Reading) bool { return sameBits(&a, &b) }), "want %v\ngot  %v", rs, got)
	})
}

func TestPackedSizeOfRegularSeries(t *testing.T) {
	var rs []reading.Reading
	for i := range int64(60) {
		rs = append(rs, sixChannels(1, i+1, benchStart.Add(unitMinutes(i))))
	}
	body := pack(rs[0].Run, pointers(rs))
	// Head, and at most two bytes for each of six channels; the first reading
	// needs about 40 bytes, the second 7 for its step.
	require.Less(t, len(body), 40+7+58*13+checksumSize+1)
}

func TestUnpackRefusesDamage(t *testing.T) {
	rs := []reading.Reading{sixChannels(1, 1, benchStart), sixChannels(1, 2, benchStart.Add(unitMinutes(1)))}
	body := pack(rs[0].Run, pointers(rs))
	for i := range len(body) * 8 {
		bad := slices.Clone(body)
		bad[i/8] ^= 1 << (i % 8)
		_, err := unpack(nil, rs[0].Run, bad)
		require.ErrorIs(t, err, errChecksum, "bit %d flipped", i)
	}
	for n := range body {
		_, err := unpack(nil, rs[0].Run, body[:n])
		require.Error(t, err, "cut to %d bytes", n)
	}
	newer := slices.Clone(body[:len(body)-checksumSize])
	newer[0]++
	_, err := unpack(nil, rs[0].Run, seal(newer))
	require.Error(t, err)
}

// FuzzUnpack feeds bodies with a right checksum: whatever they say, unpacking
// ends, and what it accepts packs to something that says the same.
func FuzzUnpack(f *testing.F) {
	rs := []reading.Reading{sixChannels(1, 1, benchStart), sixChannels(1, 2, benchStart.Add(unitMinutes(1)))}
	rs[1].Flags = "clock"
	rs[1].Set(reading.Comb, 0.00012345)
	body := pack(rs[0].Run, pointers(rs))
	f.Add(body[1 : len(body)-checksumSize])
	f.Add([]byte{headAll})
	f.Add([]byte{headFlags, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0x01})
	f.Fuzz(func(t *testing.T, inner []byte) {
		got, err := unpack(nil, "r", seal(append([]byte{packVersion}, inner...)))
		if err != nil {
			return
		}
		again, err := unpack(nil, "r", pack("r", pointers(got)))
		require.NoError(t, err)
		require.True(t, slices.EqualFunc(got, again, func(a, b reading.Reading) bool { return sameBits(&a, &b) }))
	})
}
