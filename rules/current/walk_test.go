package current

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/means"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// A day whose thawed hours somebody talked through is told by the level that the
// current comes back to, also where more slots on end are of the talk.
func TestQuietSlots(t *testing.T) {
	var list []slot
	for i := range 144 {
		x := slot{slotNumber: float32(i), slotCurrent: 12}
		if i%12 > 4 { // of twelve slots seven on end
			x[slotCurrent] = 30 + 10*float32(i/12%5)
		}
		list = append(list, x)
	}
	quiet := quietOf(list, 0.5)
	require.Len(t, quiet, 60)
	for i := range quiet {
		require.EqualValues(t, 12, quiet[i][slotCurrent])
	}
	require.Empty(t, quietOf(list[5:12], 0.5), "an hour says nothing of a day's level")
}

// likeliest is the pace by which the slots of a line are likeliest.
func (s *State) likeliest() (best int) {
	for i := range s.Walk.Paces {
		if s.Walk.Paces[i].unlikely() < s.Walk.Paces[best].unlikely() {
			best = i
		}
	}
	return best
}

// follow takes days of a line of 12 mA whose level wanders by a share of its noise
// from a slot to the next, in air as damp as rh says.
func follow(days int, noise, wander float64, rh func(d float64) float64) *State {
	rnd := rand.New(rand.NewPCG(3, 7))
	var s State
	level := 12.0
	for i := range days * 144 {
		d := float64(i) / 144
		level += noise * wander * rnd.NormFloat64()
		m := means.Mean{Start: unit.Instant(i) * unit.Instant(means.Step), Done: unit.Instant(i+1) * unit.Instant(means.Step), N: 1}
		put := func(c reading.Channel, v float64) { m.Ch[c] = means.Channel{N: 1, Mean: v, Min: v, Max: v} }
		temp := 15 - 5*math.Sin(2*math.Pi*d)
		put(reading.LineCurrent, level+noise*rnd.NormFloat64())
		put(reading.InsideTemp, temp)
		put(reading.BoardTemp, temp)
		put(reading.InsideRH, rh(d))
		s.Add(Options{}, &m)
	}
	return &s
}

func TestThePaceOfALevelIsTold(t *testing.T) {
	rh := func(d float64) float64 { return 85 + 8*math.Sin(2*math.Pi*d) }
	for want, wander := range wanders {
		require.InDelta(t, want, follow(30, 0.06, wander, rh).likeliest(), 1, "by %g", wander)
	}
}

// Nights too dry to say anything have scores of next to nothing: what is usual is no
// less than what slots scatter by.
func TestDryNightsSayNothing(t *testing.T) {
	var list []sums
	damp := []float64{0.6, -0.7, 0.2, -0.9, 1.1, 0.35, -1.3, -0.45} // of what slots scatter by
	for i := range keptNights {
		told, off := 1e-6, 1.0
		if i%5 == 4 {
			told, off = 0.005, damp[i/5]
		}
		list = append(list, sums{sumTT: 100, sumPP: float32(told), sumPI: float32(0.06 * math.Sqrt(told) * off), sumN: 144})
	}
	require.Less(t, fitNights(list, 12, 0, nil).Scatter, 0.03, "by its nights alone")
	require.InDelta(t, 0.06, fitNights(list, 12, 0.06, nil).Scatter, 1e-9)

	s := follow(60, 0.06, 0, func(d float64) float64 { return 85 + 8*math.Sin(2*math.Pi*d) })
	require.InDelta(t, 0.06, s.Walk.Noise, 0.006)
	for _, way := range []int{fast, walk} {
		require.GreaterOrEqual(t, s.Leakage.Own[way].Scatter, 0.054)
	}
}
