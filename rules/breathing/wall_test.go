package breathing

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/finding"
)

// What plastic holds follows relative humidity: days on which the box warms give it
// off and days on which it cools take it up, and neither is air from the wall.
func TestWhatPlasticHolds(t *testing.T) {
	const q = 0.8
	box := exchange{tau: 20, held: 900} // at 9 hPa of saturation it holds five times what is in the air
	w, apparent := Walled{}, exchange{tau: box.tau + box.held/9}
	d := WallDay{In: 6, Out: 5, Sat: 9, House: 7, Follow: -1}
	for day := range int64(30) {
		next := d
		next.Day, next.Out = day, 5+math.Sin(float64(day)/3)
		next.Sat = 9 * math.Exp(0.25*math.Sin(float64(day)/2))
		// (in+in')/2 − (out+out')/2 + τ·Δin/24 + h·Δ(in/sat)/24 = q, for in'
		a := 0.5 + box.tau/24 + box.held/24/next.Sat
		next.In = (q + (d.Out+next.Out)/2 - d.In/2 + box.tau/24*d.In + box.held/24*d.In/d.Sat) / a
		w.Days, d = append(w.Days, next), next
	}
	worst := 0.0
	for _, x := range w.entered(1, 29, box) {
		require.InDelta(t, q, x.q, 1e-9)
	}
	for _, x := range w.entered(1, 29, apparent) {
		worst = max(worst, math.Abs(x.q-q))
	}
	require.Greater(t, worst, 1.0, "hPa, by the breathing time that is apparent")
}

// The exchange is that of the baseline; without one, or with the seal open, nothing is
// known of what the box holds.
func TestExchange(t *testing.T) {
	var s State
	require.Equal(t, exchange{tau: defaultTau}, s.exchange())
	s.TauH = 30
	require.Equal(t, exchange{tau: 30}, s.exchange())
	s.Tight = Baseline{Set: true, TauH: 80, Hourly: Norm{Unknown: [nUnknowns]float64{nBuffer: 0.25}, Sat: 20}}
	require.Equal(t, exchange{tau: 60, held: 400}, s.exchange())
	require.Equal(t, exchange{tau: 30, held: 200}, s.exchange().times(0.5))
	s.Tight.Hourly.Unknown[nBuffer] = -0.1
	require.Equal(t, exchange{tau: 80}, s.exchange(), "nothing holds less than nothing")
}

// What was in excess before must have come from the house too: a house can't add what
// water gave off before it dried, and what has begun and follows saturation, as over
// water that rain brought in, is not told by its amount alone.
func TestWhatWasThereBefore(t *testing.T) {
	const now = 50
	wave := func(day int64) float64 { return math.Sin(float64(day)) }
	of := func(tau float64, excess func(d *WallDay) float64) (s State) {
		s.TauH = tau
		for day := range int64(now + 1) {
			d := WallDay{Day: day, Out: 5, Sat: 9 + 2*wave(day), House: 6 - wave(day+9), Follow: -1}
			d.Excess = excess(&d)
			d.In, d.Share = d.Out+d.Excess, d.Excess/d.Sat
			s.Wall.Days = append(s.Wall.Days, d)
		}
		return s
	}
	last := func(d *WallDay) bool { return d.Day > now-wallDays }
	for _, c := range []struct {
		name   string
		excess func(d *WallDay) float64
		may    bool
	}{
		{"the same part of the house's", func(d *WallDay) float64 { return 0.3 * d.House }, true},
		{"the same, since two weeks", func(d *WallDay) float64 {
			if last(d) {
				return 0.3 * d.House
			}
			return 0
		}, true},
		{"water, that has dried for the greater part", func(d *WallDay) float64 {
			if last(d) {
				return 0.3 * d.House
			}
			return 0.7 * d.House
		}, false},
		{"one humidity, since two weeks", func(d *WallDay) float64 {
			if last(d) {
				return 0.8*d.Sat - d.Out
			}
			return 0
		}, false},
		{"one humidity, always", func(d *WallDay) float64 { return 0.8*d.Sat - d.Out }, true},
	} {
		s := of(1, c.excess)
		s.wallAlways(now, 1, 1, false)
		require.Equal(t, c.may, s.lasting(finding.MoistAirFromWall) != nil, c.name)
	}
	young := of(1, func(d *WallDay) float64 { return 0.8*d.Sat - d.Out })
	young.Wall.Days = young.Wall.Days[now-wallDays-8:]
	young.wallAlways(now, 1, 1, false)
	require.Empty(t, young.Found, "too little is known of the days before: it may have been shut up damp")
	young.wallAlways(now, 1, 1, true)
	require.Len(t, young.Found, 1, "mounted flush, with a house behind it")
	young = of(1, func(d *WallDay) float64 {
		if d.Day > now-beganStill {
			return 0.05 * d.Sat
		}
		return 0.8*d.Sat - d.Out
	})
	young.Wall.Days = young.Wall.Days[now-wallDays-8:]
	young.wallAlways(now, 1, 1, false)
	require.Empty(t, young.Found, "it is over")
}
