package season

import (
	"cmp"
	"math"
	"slices"
	"time"

	"dewpost/rules/exposure"
	"dewpost/rules/moistair"
	"dewpost/rules/unit"
)

// Judgement values.
const (
	monthKnown  = 72.0 // h of a calendar month that must be known before it tells
	fewYears    = 3    // from which on their range is the range
	oneYear     = 2.0  // factor by which one year's month may be off, either way
	otherFactor = 2.5  // … a month taken from the climate
)

// Basis says where a month's dose is from.
type Basis string

// Bases.
const (
	Own     Basis = "own"
	Climate Basis = "climate"
	Nothing Basis = "none"
)

// Month is the dose that is to come in a month, in equivalent hours at saturation.
type Month struct {
	Month   string  `json:"month"` // 2006-01, UTC
	Basis   Basis   `json:"basis"`
	Years   int     `json:"years"` // that it is from
	DoseHEq float64 `json:"dose_h_eq"`
	LowHEq  float64 `json:"low_h_eq"`
	HighHEq float64 `json:"high_h_eq"`
	// Hours condensing, as in the years of Own, from the low end of the driest year to
	// the high end of the wettest; 0 with Climate.
	CondenseH     float64 `json:"condensing_h"`
	CondenseLowH  float64 `json:"condensing_low_h"`
	CondenseHighH float64 `json:"condensing_high_h"`
}

// Rates are dose rates by calendar month and year.
type Rates map[time.Month]map[int]*Rate

// Rate is a dose, and hours condensing, in known time.
type Rate struct{ Dose, Wet, WetLow, WetHigh, Known float64 }

// RatesOf returns the rates of a ledger up to an instant.
func RatesOf(hours []exposure.Hour, upto unit.Instant) Rates {
	r := Rates{}
	for i := range hours {
		if h := &hours[i]; h.Start < upto {
			in := func(ns int64) float64 { return float64(ns) / float64(time.Hour) }
			r.Add(h.Start, Rate{float64(h.Dose) / 1e9, in(h.Condensing), in(h.CondensingLow), in(h.CondensingHigh), in(h.Known)})
		}
	}
	return r
}

// Add adds a stretch of time that begins at t.
func (r Rates) Add(t unit.Instant, one Rate) {
	at := t.Time().UTC()
	if r[at.Month()] == nil {
		r[at.Month()] = map[int]*Rate{}
	}
	if r[at.Month()][at.Year()] == nil {
		r[at.Month()][at.Year()] = &Rate{}
	}
	x := r[at.Month()][at.Year()]
	x.Dose, x.Wet, x.Known = x.Dose+one.Dose, x.Wet+one.Wet, x.Known+one.Known
	x.WetLow, x.WetHigh = x.WetLow+one.WetLow, x.WetHigh+one.WetHigh
}

// AddAir adds an hour of air outdoors, as if a board hung in it: a climate.
func (r Rates) AddAir(hour unit.Instant, temp unit.Celsius, rh unit.Percent) {
	r.Add(hour, Rate{Dose: rate(Vapour(temp, rh), float64(temp)), Known: 1})
}

// Vapour is the vapour pressure of air, hPa.
func Vapour(temp unit.Celsius, rh unit.Percent) float64 {
	return float64(rh) / 100 * float64(moistair.SaturationWater(temp))
}

// years returns what is known well enough of a calendar month, by year.
func (r Rates) years(m time.Month) (list []*Rate) {
	for _, x := range r[m] {
		if x.Known >= monthKnown {
			list = append(list, x)
		}
	}
	slices.SortFunc(list, func(a, b *Rate) int {
		return cmp.Or(cmp.Compare(a.Dose/a.Known, b.Dose/b.Known), cmp.Compare(a.Known, b.Known), cmp.Compare(a.Wet, b.Wet))
	})
	return list
}

// mean of the years' rates.
func mean(years []*Rate) (dose, wet float64) {
	for _, x := range years {
		dose += x.Dose / x.Known / float64(len(years))
		wet += x.Wet / x.Known / float64(len(years))
	}
	return dose, wet
}

// Ahead returns the dose of the twelve months after the one of now.
func Ahead(own, climate Rates, now unit.Instant) []Month {
	scale, known := ratio(own, climate)
	first := now.Time().UTC()
	var all []Month
	for i := range 12 {
		begin := time.Date(first.Year(), first.Month()+time.Month(1+i), 1, 0, 0, 0, 0, time.UTC)
		hours := begin.AddDate(0, 1, 0).Sub(begin).Hours()
		m := Month{Month: begin.Format("2006-01"), Basis: Nothing}
		switch mine, theirs := own.years(begin.Month()), climate.years(begin.Month()); {
		case len(mine) > 0:
			rate, wet := mean(mine)
			m.Basis, m.Years, m.DoseHEq, m.CondenseH = Own, len(mine), hours*rate, hours*wet
			m.CondenseLowH = m.CondenseH
			for _, x := range mine {
				m.CondenseLowH, m.CondenseHighH = min(m.CondenseLowH, hours*x.WetLow/x.Known), max(m.CondenseHighH, hours*x.WetHigh/x.Known)
			}
			low, high := mine[0], mine[len(mine)-1]
			m.LowHEq, m.HighHEq = hours*low.Dose/low.Known, hours*high.Dose/high.Known
			if len(mine) < fewYears {
				off := math.Pow(oneYear, 1/math.Sqrt(float64(len(mine))))
				m.LowHEq, m.HighHEq = min(m.LowHEq, m.DoseHEq/off), max(m.HighHEq, m.DoseHEq*off)
			}
		case len(theirs) > 0 && known:
			rate, _ := mean(theirs)
			m.Basis, m.Years, m.DoseHEq = Climate, len(theirs), hours*rate*scale
			m.LowHEq, m.HighHEq = m.DoseHEq/otherFactor, m.DoseHEq*otherFactor
		}
		all = append(all, m)
	}
	return all
}

// ratio is how much more dose the station has than the climate, over the calendar
// months that both know; known is false where there is none.
func ratio(own, climate Rates) (scale float64, known bool) {
	var mine, theirs float64
	for m := time.January; m <= time.December; m++ {
		a, b := own.years(m), climate.years(m)
		if len(a) == 0 || len(b) == 0 {
			continue
		}
		x, _ := mean(a)
		y, _ := mean(b)
		mine, theirs = mine+x, theirs+y
	}
	return mine / theirs, theirs > 0
}

// Year adds up the months; missing is the number of those of which nothing is
// known.
func Year(months []Month) (dose, low, high float64, missing int) {
	for _, m := range months {
		if m.Basis == Nothing {
			missing++
		}
		dose, low, high = dose+m.DoseHEq, low+m.LowHEq, high+m.HighHEq
	}
	return dose, low, high, missing
}
