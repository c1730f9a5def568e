package current_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/finding"
	"dewpost/rules/reading"
)

// toldAfter is how many days after its onset leakage was concluded, first of all.
func toldAfter(t *testing.T, b box, seed uint64) float64 {
	t.Helper()
	for _, f := range judge(b.run(seed)) {
		require.Equal(t, finding.LeakageRising, f.Kind, "seed %d: %v", seed, f)
		require.Greater(t, since(f, day(float64(b.leakFrom))), 0.0, "seed %d", seed)
		return since(f, day(float64(b.leakFrom)))
	}
	return math.Inf(1)
}

// Where the voltage is measured a level hardly wanders, and damp days are compared
// with the dry ones before them: little leakage is told by what no night alone shows.
func TestALevelThatHardlyWanders(t *testing.T) {
	for _, level := range []float64{12, 200} {
		sum := 0.0
		for seed := range uint64(6) {
			b := healthy()
			b.level, b.tempco, b.noise = level, level*1e-3, level*5e-3
			b.leak, b.leakFrom, b.drift, b.volts, b.every = level*0.0125, 45, 0.01, 24, 10*time.Minute
			sum += toldAfter(t, b, seed) / 6
		}
		t.Logf("%g mA: after %.1f days", level, sum)
		require.Less(t, sum, 23.0, "%g mA", level)
	}
}

// air is a reading of a line of 12 mA that leaks so many mA, in air of a temperature
// and a humidity.
func air(d, temp, rh, leak, noise float64, rnd *rand.Rand) reading.Reading {
	film := 0.0
	if temp > 0.5 {
		film = math.Pow(10, (rh-100)/15)
	}
	r := reading.Reading{Time: t0.Add(day(d))}
	r.Set(reading.InsideTemp, temp)
	r.Set(reading.BoardTemp, temp)
	r.Set(reading.InsideRH, rh)
	r.Set(reading.LineCurrent, 12+leak*film+noise*rnd.NormFloat64())
	return r
}

// Where frost hid a station's own leakage none is taken for its own, but as little
// as a sound board may have is no leakage that rises; much is.
func TestALeakageBehindFrost(t *testing.T) {
	for _, c := range []struct {
		leak float64
		told bool
	}{{0.17, false}, {0.8, true}} {
		for seed := range uint64(4) {
			rnd := rand.New(rand.NewPCG(seed, 7))
			var list []reading.Reading
			for d := 0.0; d < 120; d += 1.0 / 144 {
				sun := math.Sin(2 * math.Pi * d)
				temp := -8 + 3*sun
				if d > 60 {
					temp = 8 + 3*sun
				}
				list = append(list, air(d, temp, 88-8*sun, c.leak, 0.01, rnd))
			}
			found := judge(slots(list))
			if !c.told {
				require.Empty(t, found, "seed %d", seed)
				continue
			}
			require.NotEmpty(t, found, "seed %d", seed)
			require.Equal(t, finding.LeakageRising, found[0].Kind)
		}
	}
}

// What dry days say of a leakage at saturation is far from what was seen: it is told
// when damp ones show it, and not where they don't.
func TestALeakageIsSeen(t *testing.T) {
	const begins, damp = 60.0, 100.0
	for _, stays := range []bool{true, false} {
		for seed := range uint64(3) {
			rnd := rand.New(rand.NewPCG(seed, 7))
			var list []reading.Reading
			for d := 0.0; d < damp+20; d += 1.0 / 144 {
				rh, leak := 75.0, 0.0
				if d > begins-10 && d < damp {
					rh = 59
				}
				if d > begins && (stays || d < damp) {
					leak = 3
				}
				list = append(list, air(d, 15, rh-15*math.Sin(2*math.Pi*d), leak, 0.005, rnd))
			}
			found := judge(slots(list))
			if !stays {
				require.Empty(t, found, "seed %d", seed)
				continue
			}
			require.Len(t, found, 1, "seed %d", seed)
			require.Equal(t, finding.LeakageRising, found[0].Kind)
			require.Greater(t, since(found[0], day(damp)), 0.0, "seed %d", seed)
			require.Less(t, since(found[0], day(damp)), 7.0, "seed %d", seed)
			require.InDelta(t, 3000, found[0].Evidence[0].Value, 600)
		}
	}
}
