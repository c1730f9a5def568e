package season

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/exposure"
	"dewpost/rules/moistair"
	"dewpost/rules/unit"
)

func at(year int, month time.Month, day int) unit.Instant {
	return unit.At(time.Date(year, month, day, 0, 0, 0, 0, time.UTC))
}

// ledger has a dose rate by month over whole years.
func ledger(from, to unit.Instant, rate func(time.Month, int) float64) (hours []exposure.Hour) {
	for t := from; t < to; t = t.Add(time.Hour) {
		x := t.Time().UTC()
		hours = append(hours, exposure.Hour{Start: t, Known: int64(time.Hour), Condensing: int64(6 * time.Minute), CondensingLow: int64(3 * time.Minute), CondensingHigh: int64(x.Year()-2010) * int64(time.Minute), Dose: int64(1e9 * rate(x.Month(), x.Year()))})
	}
	return hours
}

func TestMonthsAhead(t *testing.T) {
	wetter := func(m time.Month, year int) float64 { return 0.1 * float64(m) * (1 + 0.5*float64(year-2022)) }
	own := RatesOf(ledger(at(2022, 1, 1), at(2025, 1, 1), wetter), at(2025, 1, 1))
	all := Ahead(own, nil, at(2024, 12, 20))
	require.Len(t, all, 12)
	require.Equal(t, "2025-01", all[0].Month)
	require.Equal(t, "2025-12", all[11].Month)
	march := all[2]
	require.Equal(t, Own, march.Basis)
	require.Equal(t, 3, march.Years)
	require.InDelta(t, 744*0.3*1.5, march.DoseHEq, 1e-6)
	require.InDelta(t, 744*0.3, march.LowHEq, 1e-6, "the driest of three years")
	require.InDelta(t, 744*0.3*2, march.HighHEq, 1e-6, "the wettest")
	require.InDelta(t, 74.4, march.CondenseH, 1e-6)
	require.InDelta(t, 37.2, march.CondenseLowH, 1e-6)
	require.InDelta(t, 744*14.0/60, march.CondenseHighH, 1e-6, "of the wettest year")
	dose, low, high, missing := Year(all)
	require.Zero(t, missing)
	require.Less(t, low, dose)
	require.Less(t, dose, high)

	// One year is a wider guess; a month of less than three days is none.
	one := Ahead(RatesOf(ledger(at(2024, 3, 1), at(2024, 4, 3), wetter), at(2025, 1, 1)), nil, at(2024, 12, 20))
	require.Equal(t, 1, one[2].Years)
	require.InDelta(t, one[2].DoseHEq/2, one[2].LowHEq, 1e-9)
	require.InDelta(t, one[2].DoseHEq*2, one[2].HighHEq, 1e-9)
	require.Equal(t, Nothing, one[3].Basis)
	_, _, _, missing = Year(one)
	require.Equal(t, 11, missing)

	// Months that it has not lived through are the climate's, times how much wetter
	// the station is where both know.
	climate := RatesOf(ledger(at(2020, 1, 1), at(2022, 1, 1), func(m time.Month, _ int) float64 { return 0.2 * float64(m) }), at(2025, 1, 1))
	lent := Ahead(RatesOf(ledger(at(2024, 3, 1), at(2024, 4, 1), func(time.Month, int) float64 { return 1.2 }), at(2025, 1, 1)), climate, at(2024, 12, 20))
	require.Equal(t, Own, lent[2].Basis)
	require.Equal(t, Climate, lent[4].Basis)
	require.Equal(t, 2, lent[4].Years)
	require.InDelta(t, 744*0.2*5*2, lent[4].DoseHEq, 1e-6)
	require.InDelta(t, lent[4].DoseHEq*2.5, lent[4].HighHEq, 1e-6)
	require.Equal(t, Nothing, Ahead(nil, climate, at(2024, 12, 20))[4].Basis, "how wet the box is beside the climate is not known")
	require.Empty(t, RatesOf(ledger(at(2024, 3, 1), at(2024, 4, 1), wetter), at(2024, 3, 1)), "nothing later than asked")
}

func TestClimateOfAir(t *testing.T) {
	r := Rates{}
	r.AddAir(at(2025, 1, 1), 10, 85)
	r.AddAir(at(2025, 1, 1).Add(time.Hour), -1, 85)
	require.InDelta(t, 0.1, r[time.January][2025].Dose, 1e-9, "a tenth for 15 % less, and none in frost")
	require.Equal(t, 2.0, r[time.January][2025].Known)
}

// steady is weather of one temperature and humidity, with a vapour pressure outdoors.
func steady(n int, temp, rh, out float64) (hours []Hour) {
	for i := range n {
		o := out
		hours = append(hours, Hour{Start: at(2025, 1, 1).Add(time.Duration(i) * time.Hour), Temp: temp, RH: rh, Out: &o, Night: i%24 < 12})
	}
	return hours
}

func saturated(t float64) float64 { return float64(moistair.SaturationWater(unit.Celsius(t))) }

func one(t *testing.T, hours []Hour, box Box, c Change) Result {
	t.Helper()
	r, err := Judge(hours, box, []Change{c})
	require.NoError(t, err)
	require.Len(t, r, 1)
	require.Equal(t, c, r[0].Change)
	require.Equal(t, What(c), r[0].What)
	require.Empty(t, What("pray"))
	require.NotEmpty(t, r[0].Caution)
	require.NotContains(t, r[0].Assumes, "%")
	require.LessOrEqual(t, r[0].DoseLow, r[0].Dose)
	require.LessOrEqual(t, r[0].Dose, r[0].DoseTop)
	require.LessOrEqual(t, r[0].WearLow, r[0].Wear)
	require.LessOrEqual(t, r[0].Wear, r[0].WearTop)
	return r[0]
}

// A board that is x warmer in air of 90 %: its own humidity is 90 % · es(T)/es(T+x),
// and the dose rate a tenth for every 15 % less.
func TestHeaterIsArithmetic(t *testing.T) {
	r := one(t, steady(800, 10, 90, 0), Box{Build: "uncoated"}, Heater)
	want := math.Pow(10, (90*saturated(10)/saturated(11.5)-90)/15)
	require.InDelta(t, want, r.Dose, 1e-9)
	require.InDelta(t, math.Pow(10, (90*saturated(10)/saturated(10.5)-90)/15), r.DoseTop, 1e-9)
	require.Equal(t, r.Dose, r.Wear)
	eave := one(t, steady(800, 10, 90, 0), Box{}, Eave)
	night := math.Pow(10, (90*saturated(10)/saturated(11)-90)/15)
	require.InDelta(t, (night+1)/2, eave.Dose, 0.01, "half of the time is night")
}

// After a step outdoors the vapour inside has gone 1 − 1/e of the way in one
// breathing time: Tencer's first-order law.
func TestExchangeIsFirstOrder(t *testing.T) {
	hours := steady(11, 10, 50, 4)
	for i := 1; i < len(hours); i++ {
		*hours[i].Out = 8
	}
	of := func(n int) float64 { return exchanged(hours[:n], 10) - exchanged(hours[:n-1], 10) }
	require.InDelta(t, rate(4, 10), exchanged(hours[:1], 10), 1e-12)
	require.InDelta(t, rate(4+4*(1-math.Exp(-1)), 10), of(11), 1e-12)
	// Behind a gap it begins with outdoor air.
	for i := 6; i < len(hours); i++ {
		hours[i].Start = hours[i].Start.Add(48 * time.Hour)
	}
	require.InDelta(t, rate(8, 10), of(7), 1e-12)
}

// Water that condensed keeps the board wet until the air has taken it up: in a
// tighter box for longer.
func TestWaterStaysInATightBox(t *testing.T) {
	hours := steady(2000, 10, 80, 6)
	for i := range hours {
		if i%96 < 24 {
			*hours[i].Out = 16 // warm rain, from which it condenses
		}
	}
	tight, open := exchanged(hours, 60), exchanged(hours, 5)
	require.NotEqual(t, tight, open)
	vent := one(t, hours, Box{Tau: 60}, Vent)
	require.InDelta(t, exchanged(hours, 1/(1.0/60+1.0/10))/tight, vent.Dose, 1e-12)
	seal := one(t, hours, Box{Tau: 5}, Seal)
	require.InDelta(t, exchanged(hours, 7.5)/open, seal.Dose, 1e-12)
	// Frost: no dose below 0 °C.
	require.Zero(t, exchanged(steady(10, -5, 90, 9), 5))
}

func TestCoatsAndCovers(t *testing.T) {
	hours := steady(800, 10, 90, 9)
	coat := one(t, hours, Box{Build: "uncoated"}, Coat)
	require.Equal(t, 1.0, coat.Dose)
	require.InDelta(t, 1.0/40, coat.Wear, 1e-12)
	require.InDelta(t, 1.0/10, coat.WearTop, 1e-12)
	require.Contains(t, one(t, hours, Box{Build: "coated"}, Coat).WhyNot, "coated already")
	cover := one(t, hours, Box{Build: "coated"}, NewCover)
	require.Equal(t, 1.0, cover.Dose)
	require.Empty(t, cover.WhyNot)
	cracked := one(t, hours, Box{Build: "cracked-cover", Tau: 4}, NewCover)
	require.InDelta(t, cracked.Dose/4, cracked.Wear, 1e-12)
}

func TestWhatCantBeReckonedSaysWhy(t *testing.T) {
	dry := steady(800, 10, 90, 9)
	for i := range dry {
		dry[i].Out = nil
	}
	require.Contains(t, one(t, dry, Box{Tau: 9}, Vent).WhyNot, "0 hours")
	require.Contains(t, one(t, steady(800, 10, 90, 9), Box{}, Seal).WhyNot, "how open")
	require.Contains(t, one(t, dry[:100], Box{}, Heater).WhyNot, "heard for 100 hours")
	require.Contains(t, one(t, steady(800, -9, 90, 9), Box{}, Heater).WhyNot, "no dose")
	_, err := Judge(dry, Box{}, []Change{"pray"})
	require.ErrorContains(t, err, "write coat, new-cover, seal-entry, vent-membrane, heater, under-eave")
	all, err := Judge(steady(800, 10, 90, 9), Box{Tau: 9, Build: "uncoated"}, Changes)
	require.NoError(t, err)
	require.Len(t, all, 6)
}
