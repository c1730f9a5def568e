package detect

import (
	"testing"

	"dewpost/rules/boxsim"
	"dewpost/rules/sun"
)

// maritimeTaus are breathing times, h, of sound boxes at the coast: with a cable
// hole and a weep hole, and without. The quick proof has the first two, plain tests
// the first.
var maritimeTaus = []float64{45, 6, 12, 20, 30, 90}

// maritimeFindings simulates sound boxes for a year each in the measured weather
// of a coast, every second one, from the first, with all flaws. It returns how many
// findings of any kind, those of wetness too, ask for a person in a month: of the
// box that has the most, and in the mean.
func maritimeFindings(t *testing.T, p *proof, taus []float64) (most, mean float64, ok bool) {
	t.Helper()
	place := sun.Place{Lat: 52.93, Lon: 4.78}
	air := measured(t, "coast_nl_2015.csv.gz", place)
	if air == nil {
		t.Log("the coast's series is not there: no box hangs at it")
		return 0, 0, false
	}
	w := weather{"coast_nl, sound", place, func(uint64) boxsim.Weather { return air }}
	for i, tau := range taus {
		c := drawer{newRand(29, uint64(i))}.box(w, i+1)
		c.Box.TauH, c.Box.HasBoard, c.Box.HasOutside, c.Box.HasLine, c.Every = tau, true, true, true, hour/6
		found := judge(c.Log(), c.Place)
		a := float64(len(found)) / (12 * c.Years())
		most, mean = max(most, a), mean+a/float64(len(taus))
		kinds := map[string]int{}
		for _, f := range found {
			kinds[string(f.Kind)]++
		}
		p.tally.note(&c, "breathing %g h, flaws %t: %.2f a month: %v", tau, c.Hard, a, kinds)
	}
	return most, mean, true
}
