package store

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/exposure"
	"dewpost/rules/unit"
)

func drawHour(t *rapid.T, start unit.Instant) exposure.Hour {
	h := exposure.Hour{
		Start: start, HasCover: rapid.Bool().Draw(t, "cover"), HasSalt: rapid.Bool().Draw(t, "salt"),
		Basis: exposure.Basis(rapid.IntRange(0, 3).Draw(t, "basis")),
		Until: unit.Instant(rapid.Int64Range(int64(start), int64(start)+1<<50).Draw(t, "until")),
		End:   exposure.Carry{FrostOpen: rapid.Bool().Draw(t, "frost")},
		Rules: rapid.IntRange(0, 1<<30).Draw(t, "rules"), FactsHash: rapid.SampledFrom([]string{"", "a", "b+c"}).Draw(t, "facts"),
	}
	for _, n := range hourNumbers(&h) {
		*n = rapid.Int64().Draw(t, "n")
	}
	for _, x := range hourFloats(&h) {
		*x = rapid.OneOf(rapid.Float64(), rapid.Just(math.NaN())).Draw(t, "x")
	}
	return h
}

func TestPackedHoursComeBackBitByBit(t *testing.T) {
	dayStart := unit.At(time.Date(2025, 11, 5, 0, 0, 0, 0, time.UTC))
	rapid.Check(t, func(t *rapid.T) {
		var want []exposure.Hour
		for i := range 24 {
			if rapid.Bool().Draw(t, "there") {
				want = append(want, drawHour(t, dayStart.Add(time.Duration(i)*time.Hour)))
			}
		}
		packed := packHours(want)
		got, err := unpackHours(nil, dayStart, packed)
		require.NoError(t, err)
		require.Len(t, got, len(want))
		for i := range want {
			for j, x := range hourFloats(&want[i]) {
				require.Equal(t, math.Float64bits(*x), math.Float64bits(*hourFloats(&got[i])[j]))
				*x, *hourFloats(&got[i])[j] = 0, 0
			}
			require.Equal(t, want[i], got[i])
		}
		at := rapid.IntRange(0, len(packed)-1).Draw(t, "at")
		packed[at] ^= 1 << rapid.IntRange(0, 7).Draw(t, "bit")
		_, err = unpackHours(nil, dayStart, packed)
		require.Error(t, err, "one flipped bit")
	})
}

// A damaged day with a right checksum is an error too, and never a panic.
func FuzzUnpackHours(f *testing.F) {
	f.Add(packHours([]exposure.Hour{{Start: 0, FactsHash: "a"}})[1:])
	f.Fuzz(func(t *testing.T, inner []byte) {
		hours, err := unpackHours(nil, 0, seal(append([]byte{hourVersion}, inner...)))
		if err == nil && len(inner) > 0 {
			require.NotEmpty(t, hours)
		}
	})
}

func BenchmarkHours(b *testing.B) {
	var hours []exposure.Hour
	for i := range 24 {
		hours = append(hours, exposure.Hour{
			Start: unit.Instant(i) * unit.Instant(time.Hour), Known: int64(time.Hour), AtRisk: 12345678912, Condensing: 1234567,
			Dose: 5e8, Basis: exposure.BasisBoard, InsideTempMean: 9.1, InsideRHMean: 90.2, MarginMin: 0.1, FactsHash: "0123456789ab",
		})
	}
	packed := packHours(hours)
	var dst []exposure.Hour
	for b.Loop() {
		var err error
		if dst, err = unpackHours(dst[:0], 0, packed); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/24, "ns/hour")
	b.ReportMetric(float64(len(packed))/24, "bytes/hour")
}
