package breathing

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/means"
	"dewpost/rules/reading"
)

// Frost settles on a cover that is colder than the air at a vapour pressure that
// makes no dew: over ice it saturates sooner than over water.
func TestFrostSettlesSooner(t *testing.T) {
	for _, c := range []struct {
		air, rh, cover float64
		wet            bool
	}{
		{-10, 80, -12, true}, // the dew point is -12.8 °C, the frost point -11.4
		{-10, 70, -12, false},
		{-10, 92, -9, true},  // on everything
		{10, 80, 7.4, false}, // the dew point is 6.7 °C, and half a degree is not told apart
		{10, 80, 7, true},    // … while dew on it keeps the air there
	} {
		m := means.Mean{Start: 1, Done: 2}
		for ch, v := range map[reading.Channel]float64{reading.InsideTemp: c.air, reading.InsideRH: c.rh, reading.CoverTemp: c.cover} {
			m.Ch[ch] = means.Channel{N: 1, Mean: v, Min: v, Max: v}
		}
		var s State
		s.Step(&m, Facts{})
		require.Equal(t, c.wet, s.Now.Wet, "%+v", c)
	}
}

// While the night's dew dries its vapour is no exchange; frost may stay for days.
func TestDewDries(t *testing.T) {
	night := func(sat, rh float64) float64 {
		hours := make([]Hour, 24)
		for i := range hours {
			hours[i] = Hour{At: int64(i), In: rh * sat, Sat: sat, Out: rh * sat, Wet: i == 3}
		}
		return reduce(hours, 0).hours[hourly]
	}
	require.Equal(t, 2.0+16, night(15, 0.85), "hours with one before them: 0 to 2, and from 7 on")
	require.Equal(t, 2.0+19, night(15, 0.7), "the air is dry: from 4 on")
	require.Equal(t, 2.0, night(4, 0.85), "frost")
	require.Equal(t, 2.0+19, night(4, 0.5))
}

// In the means of days, what dew takes by night and gives back in the morning has never
// left the air.
func TestDewIsBridged(t *testing.T) {
	hours := make([]Hour, 48)
	for i := range hours {
		hours[i] = Hour{At: int64(i), In: 10, Sat: 14, Out: 8}
		if hod := i % 24; hod < 6 || hod > 21 {
			hours[i].In, hours[i].Sat, hours[i].Wet = 7, 8, true
		} else if hod < 8 {
			hours[i].In, hours[i].Sat = 8.5, 10 // it dries
		}
	}
	means := dayMeans(samples(hours[8:], daily), 1)
	require.Empty(t, means, "too little is known")
	hours[0].In, hours[0].Wet, hours[0].Sat = 10, false, 14
	for _, mean := range dayMeans(samples(hours, daily), 1) {
		require.InDelta(t, 10, mean.In, 1e-9)
	}
	for i := range hours {
		hours[i].Wet = false
	}
	require.Less(t, dayMeans(samples(hours, daily), 1)[5].In, 9.2, "what no dew explains")
}

// What enters a box beside outdoor air is told from the balance of days, whatever
// its breathing time; days with water in it, or gaps, tell nothing.
func TestEntered(t *testing.T) {
	const tau, q = 40.0, 1.5
	w := Walled{}
	for day := range int64(10) { // air that dries by 0.3 hPa a day, which the box follows late
		out := 7 - 0.3*float64(day)
		w.Days = append(w.Days, WallDay{Day: day, In: out + q + 0.3/24*tau, Out: out, Sat: 10, House: 5, Follow: -1})
	}
	for _, x := range w.entered(2, 9, exchange{tau: tau}) {
		require.InDelta(t, q, x.q, 1e-9)
	}
	require.Len(t, w.entered(2, 9, exchange{tau: tau}), 7)
	w.Days[5].Odd = true
	require.Len(t, w.entered(2, 9, exchange{tau: tau}), 5)
	w.Days = append(w.Days[:5], w.Days[6:]...)
	require.Len(t, w.entered(2, 9, exchange{tau: tau}), 5)
	require.Equal(t, entered{}, meanEntered(nil))
}

// Frost that melts each noon makes the air as damp as water does, at one stroke: in a
// box that it did so lately, it does again.
func TestFrostThatMeltsDaily(t *testing.T) {
	days := func(nights, noons float64, noonRH float64) *State {
		s := &State{}
		for i := range 72 {
			h := Hour{At: int64(i), Sat: nights, In: 0.9 * nights, Wet: nights < frozenSat}
			if hod := i % 24; hod > 9 && hod < 15 {
				h = Hour{At: int64(i), Sat: noons, In: noonRH * noons}
			}
			s.Hours = append(s.Hours, h)
		}
		return s
	}
	require.True(t, days(4, 7, 0.98).meltsDaily(72))
	require.False(t, days(4, 7, 0.9).meltsDaily(72), "no noon was as damp")
	require.False(t, days(4, 5, 0.98).meltsDaily(72), "nothing has melted")
	require.False(t, days(8, 10, 0.98).meltsDaily(72), "no frost")
	require.False(t, days(4, 7, 0.98).meltsDaily(72+30), "long ago")
}

// What came with the exchange and is not in the air is on the cover, as dew or as frost,
// and may make the next leap; it dries in air that is dry.
func TestWhatIsKeptOfTheExchange(t *testing.T) {
	kept := func(out, rh float64, then int) bool {
		s := &State{Tight: Baseline{Set: true, TauH: 12}}
		for i := range 120 {
			h := Hour{At: int64(i), Sat: 6.5, In: rh * 6.5, Out: out, Basis: Own}
			if 120-i <= then { // warm and dry
				h = Hour{At: int64(i), Sat: 17, In: 7, Out: 7, Basis: Own}
			}
			s.Hours = append(s.Hours, h)
		}
		xs := s.excess(s.seems(), 0, hiddenToo)
		last := &xs[len(xs)-1]
		return last.kept >= keptMost*last.sat
	}
	require.True(t, kept(6, 0.8, 0), "it dries the air")
	require.False(t, kept(4.5, 0.75, 0), "the air has what came")
	require.False(t, kept(6, 0.8, 24), "a dry day")
}

// Near 0 °C a cover may have frost in air that is damp enough, and nothing has in air that
// is dry; frost of days ago may be there still, dew of two days ago is not.
func TestNothingLeftToMelt(t *testing.T) {
	before := func(sat, rh float64, wet bool, ago int) bool {
		s := &State{}
		for i := range 120 {
			h := Hour{At: int64(i), Sat: 12, In: 6}
			if 120-i == ago {
				h.Sat, h.In, h.Wet = sat, rh*sat, wet
			}
			s.Hours = append(s.Hours, h)
		}
		dew, frost := s.leftBefore(120)
		return !dew && !frost
	}
	require.True(t, before(6.5, 0.7, false, 10))
	require.False(t, before(6.5, 0.8, false, 10))
	require.False(t, before(6.5, 0.8, false, 80))
	require.True(t, before(6.5, 0.8, false, 100))
	require.False(t, before(12, 0.8, true, 10))
	require.True(t, before(12, 0.8, true, 30))
	require.False(t, before(4, 0.8, true, 80))
}

// A leap is held against the box's own balance where that keeps no dew; frost that a cold
// cover takes out of air that is far from saturated is in none, and may have made the leap.
func TestABalanceKnowsNothingOfFrost(t *testing.T) {
	dry := func(sat, rh, rise float64) bool {
		s := &State{Tight: Baseline{Set: true, TauH: 60}}
		for i := range int64(140) {
			h := Hour{At: i, Sat: sat, In: rh * sat, Out: rh * sat, Basis: Own}
			switch {
			case i > 120:
				h.In = 0.95 * sat
			case i > 90: // the air has given what the balance knows
				h.In = 0.6 * sat
			}
			s.Hours = append(s.Hours, h)
		}
		_, dry := s.sinceLeap(&Leap{At: 120, From: rh * sat, Out: rh * sat, Rise: rise})
		return dry
	}
	require.False(t, dry(2.9, 0.8, 0.1))
	require.True(t, dry(2.9, 0.8, 0.13), "frost melts slower")
	require.True(t, dry(2.9, 0.7, 0.1), "too dry for frost")
	require.True(t, dry(9, 0.8, 0.1), "too warm")
}

// When hard frost goes a box may be damp from one day to the next, and stay so: there is
// frost in it, and water would be ice.
func TestWhatSetsInAsHardFrostGoes(t *testing.T) {
	water := func(before, after float64) bool { // saturation pressure
		s := &State{Tight: Baseline{Set: true, TauH: 60}}
		for i := range int64(170) {
			h := Hour{At: i, Sat: before, In: 0.65 * before, Out: 0.65 * before, Basis: Own}
			if i >= 140 {
				wave := math.Sin(float64(i) / 4)
				h.Sat = after * (1 + 0.2*wave)
				h.In, h.Out = (0.92-0.02*wave)*h.Sat, 0.65*after
			}
			s.Hours = append(s.Hours, h)
		}
		return s.setsIn(60, 170, 0, &Facts{Post: true})
	}
	require.False(t, water(1.5, 3.6))
	require.False(t, water(1.5, 5))
	require.True(t, water(3.5, 8.4), "it may be water")
}
