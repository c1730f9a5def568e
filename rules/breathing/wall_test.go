package breathing

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
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
