package current

import (
	"math"

	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

// combBins are the parts of the range of film that a comb is compared within: a
// salt's conductance follows the film otherwise than clean water's.
const combBins = 3

func combBin(film float64) int {
	switch {
	case film < combFilm || film > 1:
		return -1
	case film < 0.1:
		return 0
	case film < 0.3:
		return 1
	default:
		return 2
	}
}

// comb compares the comb's conductance with its own of before.
type comb struct {
	Base         [combBins][]float32 // log of conductance by film, of nights
	Usual, Off   [combBins]float64   // 0: not known yet
	Top          float64             // most that it had in the nights that the usual was learned from, µS
	Above, Below int
	Open         int64
}

// judgeComb takes the slots of a night.
func (s *State) judgeComb(o Options, list []slot, concluded unit.Instant) {
	c := &s.Comb
	var of [combBins][]float64
	var all []float64
	for i := range list {
		x := &list[i]
		if !(x[slotComb] > 0) || !x.has(slotFilm) || !x.thawed() {
			continue
		}
		all = append(all, x.is(slotComb))
		if k := combBin(x.is(slotFilm)); k >= 0 {
			of[k] = append(of[k], math.Log(x.is(slotComb)/x.is(slotFilm)))
		}
	}
	if len(all) < combSlots {
		return
	}
	top := quantile(all, 0.9)
	high, told := 0.0, false
	var value, usual float64
	learning := false
	for k := combBins - 1; k >= 0; k-- {
		if len(of[k]) < 3 {
			continue
		}
		now := quantile(of[k], 0.5)
		if c.Off[k] == 0 {
			learning = true
			c.Base[k] = append(c.Base[k], float32(now))
			if len(c.Base[k]) == combBase {
				base := make([]float64, combBase)
				for i, x := range c.Base[k] {
					base[i] = float64(x)
				}
				c.Usual[k] = quantile(base, 0.5)
				for i := range base {
					base[i] -= c.Usual[k]
				}
				c.Off[k], c.Base[k] = max(scatter(base), combOff), nil
			}
			continue
		}
		if !told {
			told = true
			high = (now - c.Usual[k]) / max(math.Log(combFactor), combSigma*c.Off[k])
			value, usual = math.Exp(now), math.Exp(c.Usual[k])
		}
	}
	if learning && !(high >= 1) {
		c.Top = max(c.Top, top)
	}
	if !told {
		return
	}
	switch {
	case high >= 1 && top > combTop*c.Top:
		c.Above, c.Below = c.Above+1, 0
	case high < 0.5:
		c.Above, c.Below = 0, c.Below+1
	default:
		c.Above, c.Below = 0, 0
	}
	switch {
	case c.Open == 0 && c.Above == combNights:
		c.Open = s.open(o, finding.LeakageRising, concluded.Add(-combNights*day), concluded, confidence(high),
			finding.Evidence{Name: "comb_conductance_at_saturation", Value: value, Unit: "µS"},
			finding.Evidence{Name: "own_comb_conductance_at_saturation", Value: usual, Unit: "µS"})
	case c.Open != 0 && c.Below == combEnds:
		s.close(finding.LeakageRising, c.Open, concluded)
		c.Open = 0
	}
}
