package exposure_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/exposure"
	"dewpost/rules/moistair"
	"dewpost/rules/reading"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

var start = unit.At(time.Date(2025, 11, 5, 0, 0, 0, 0, time.UTC))

func rd(at time.Duration, pairs ...float64) reading.Reading {
	r := reading.Reading{Time: start.Add(at)}
	for i, c := range []reading.Channel{reading.InsideTemp, reading.InsideRH, reading.BoardTemp, reading.CoverTemp} {
		if i < len(pairs) && !math.IsNaN(pairs[i]) {
			r.Set(c, pairs[i])
		}
	}
	return r
}

func facts(f exposure.Facts) []exposure.Valid {
	if f.MaxGap == 0 {
		f.MaxGap = 2 * time.Hour
	}
	return []exposure.Valid{{From: math.MinInt64, Facts: f}}
}

func fold(rs []reading.Reading, f exposure.Facts) exposure.Folded {
	return exposure.Fold(reading.Merge(slices.Clone(rs)), facts(f), exposure.Part{From: math.MinInt64})
}

func total(hours []exposure.Hour) (t exposure.Hour) {
	for i := range hours {
		t.Add(&hours[i])
	}
	return t
}

// drawLog makes a log with every kind of trouble: gaps, missing channels,
// saturation, frost, doubled instants.
func drawLog(t *rapid.T) []reading.Reading {
	n := rapid.IntRange(2, 60).Draw(t, "n")
	at := time.Duration(0)
	var rs []reading.Reading
	for range n {
		at += time.Duration(rapid.Int64Range(0, int64(3*time.Hour)).Draw(t, "step"))
		r := reading.Reading{Time: start.Add(at)}
		put := func(c reading.Channel, lo, hi float64, odds int) {
			if rapid.IntRange(0, odds).Draw(t, "present") > 0 {
				r.Set(c, math.Round(rapid.Float64Range(lo, hi).Draw(t, "v")*100)/100)
			}
		}
		put(reading.InsideTemp, -8, 12, 12)
		put(reading.InsideRH, 60, 110, 12)
		put(reading.BoardTemp, -10, 12, 4)
		put(reading.CoverTemp, -10, 12, 2)
		if rapid.Bool().Draw(t, "keyed") {
			r.Run, r.Seq = "9f31c2aa07de4410", int64(len(rs)+1)
		}
		if rapid.IntRange(0, 20).Draw(t, "heater") == 0 {
			r.Flags = reading.FlagHeater
		}
		rs = append(rs, r)
	}
	return rs
}

func drawFacts(t *rapid.T) []exposure.Valid {
	v := []exposure.Valid{{From: math.MinInt64, Facts: exposure.Facts{MaxGap: 2 * time.Hour}}}
	if rapid.Bool().Draw(t, "place") {
		v[0].Place = &sun.Place{Lat: 61.5, Lon: 23.8}
	}
	v[0].Salt = rapid.Bool().Draw(t, "salt")
	if rapid.Bool().Draw(t, "change") {
		w := v[0]
		w.From = start.Add(20 * time.Hour)
		w.Allowance = 1.5
		v = append(v, w)
	}
	return v
}

func TestKnownAndUnknownMakeElapsed(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rs := reading.Merge(drawLog(t))
		f := exposure.Fold(rs, drawFacts(t), exposure.Part{From: math.MinInt64})
		sum := total(f.Hours)
		require.Equal(t, int64(rs[len(rs)-1].Time-rs[0].Time), sum.Known+sum.Unknown)
		for i, h := range f.Hours {
			require.LessOrEqual(t, h.Known+h.Unknown, int64(time.Hour))
			require.LessOrEqual(t, h.CondensingLow, h.Condensing)
			require.LessOrEqual(t, h.Condensing, h.CondensingHigh)
			require.LessOrEqual(t, h.Condensing, h.AtRisk)
			require.LessOrEqual(t, h.AtRisk, h.Known)
			require.LessOrEqual(t, h.Frost, h.Condensing)
			require.Equal(t, h.Known == 0, math.IsNaN(h.MarginMin))
			if i > 0 {
				require.Equal(t, f.Hours[i-1].Start.Add(time.Hour), h.Start, "every hour touched has a row")
			}
		}
	})
}

func TestAnyOrderAndCopiesGiveTheSameLedger(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rs := drawLog(t)
		v := drawFacts(t)
		want := exposure.Fold(reading.Merge(slices.Clone(rs)), v, exposure.Part{From: math.MinInt64})

		mixed := slices.Clone(rs)
		for range rapid.IntRange(0, 10).Draw(t, "copies") {
			mixed = append(mixed, rs[rapid.IntRange(0, len(rs)-1).Draw(t, "copy")])
		}
		rnd := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		rnd.Shuffle(len(mixed), func(i, j int) { mixed[i], mixed[j] = mixed[j], mixed[i] })
		got := exposure.Fold(reading.Merge(mixed), v, exposure.Part{From: math.MinInt64})
		requireSame(t, want, got)
		require.Equal(t, want.Spells, exposure.Spells(want.Hours), "what hours hand on tells them")
	})
}

// A ledger folded hour range by hour range, each from the reading before it,
// is the ledger folded at once.
func TestFoldingInPartsGivesTheSameLedger(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rs := reading.Merge(drawLog(t))
		v := drawFacts(t)
		want := exposure.Fold(rs, v, exposure.Part{From: math.MinInt64})
		if len(want.Hours) == 0 {
			return
		}
		var got []exposure.Hour
		part := exposure.Part{From: want.Hours[0].Start}
		end := want.Hours[len(want.Hours)-1].Start.Add(time.Hour)
		var last exposure.Folded
		for part.From < end {
			part.To = min(end, part.From.Add(time.Duration(rapid.IntRange(1, 30).Draw(t, "hours"))*time.Hour))
			first := 0
			for i := range rs {
				if rs[i].Time <= part.From {
					first = i
				}
			}
			last = exposure.Fold(rs[first:], v, part)
			got = append(got, last.Hours...)
			part = exposure.Part{From: part.To, Begin: last.Hours[len(last.Hours)-1].End}
		}
		requireSame(t, exposure.Folded{Hours: want.Hours}, exposure.Folded{Hours: got})
	})
}

func requireSame(t require.TestingT, want, got exposure.Folded) {
	require.Equal(t, want.Spells, got.Spells)
	require.Len(t, got.Hours, len(want.Hours))
	for i := range want.Hours {
		w, g := want.Hours[i], got.Hours[i]
		for _, p := range [][2]*float64{{&w.InsideTempMean, &g.InsideTempMean}, {&w.InsideRHMean, &g.InsideRHMean}, {&w.MarginMin, &g.MarginMin}} {
			require.Equal(t, math.Float64bits(*p[0]), math.Float64bits(*p[1]), "hour %s", w.Start)
			*p[0], *p[1] = 0, 0
		}
		require.Equal(t, w, g)
	}
}

func TestSaturatedAirHasMarginZero(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := unit.Celsius(rapid.Float64Range(0, 95).Draw(t, "c"))
		require.Zero(t, exposure.Margin(c, c, 100))
		require.False(t, math.Signbit(float64(exposure.Margin(c, c, 100))))
	})
}

// The conditions of a segment against their definition, sampled second by
// second with the formulas of the moistair package.
func TestConditionsAgainstSampling(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string, lo, hi float64) float64 {
			return math.Round(rapid.Float64Range(lo, hi).Draw(t, name)*100) / 100
		}
		t0, t1 := draw("t0", -5, 12), draw("t1", -5, 12)
		r0, r1 := draw("r0", 60, 100), draw("r1", 60, 100)
		s0, s1 := draw("s0", -6, 12), draw("s1", -6, 12)
		length := rapid.IntRange(60, 5400).Draw(t, "seconds")
		got := total(fold([]reading.Reading{
			rd(0, t0, r0, s0), rd(time.Duration(length)*time.Second, t1, r1, s1),
		}, exposure.Facts{Salt: true}).Hours)

		end := func(s, t, rh float64) float64 {
			if s < 0 {
				return s - float64(moistair.FrostPoint(unit.Celsius(t), unit.Percent(rh)))
			}
			return s - float64(moistair.DewPoint(unit.Celsius(t), unit.Percent(rh)))
		}
		m0, m1 := end(s0, t0, r0), end(s1, t1, r1)
		q := func(s, t, rh float64) float64 {
			return float64(moistair.SurfaceRH(unit.Celsius(t), unit.Percent(rh), unit.Celsius(s)))
		}
		q0, q1 := q(s0, t0, r0), q(s1, t1, r1)
		var condensing, risk, tow, frost, salt, dose float64
		const sub = 10
		for i := range length * sub {
			p := (float64(i) + 0.5) / float64(length*sub)
			lin := func(a, b float64) float64 { return a + (b-a)*p }
			s, m := lin(s0, s1), lin(m0, m1)
			count := func(x *float64, ok bool) {
				if ok {
					*x += 1.0 / sub
				}
			}
			count(&condensing, m <= 0)
			count(&risk, m <= 3)
			count(&tow, lin(r0, r1) > 80 && lin(t0, t1) > 0)
			count(&frost, m <= 0 && s < 0)
			count(&salt, lin(q0, q1) >= 75)
		}
		sec := func(ns int64) float64 { return float64(ns) / 1e9 }
		require.InDelta(t, condensing, sec(got.Condensing), 0.11)
		require.InDelta(t, risk, sec(got.AtRisk), 0.11)
		require.InDelta(t, tow, sec(got.Tow), 0.21)
		require.InDelta(t, frost, sec(got.Frost), 0.21)
		require.InDelta(t, salt, sec(got.SaltWet), 0.11)

		// The dose is a trapezoid between readings and hour borders, on purpose.
		rate := func(p float64) float64 {
			s := s0 + (s1-s0)*p
			if s < 0 {
				return 0
			}
			return math.Pow(10, (q(s, t0+(t1-t0)*p, r0+(r1-r0)*p)-100)/15)
		}
		cuts := []float64{0}
		for h := 3600; h < length; h += 3600 {
			cuts = append(cuts, float64(h)/float64(length))
		}
		cuts = append(cuts, 1)
		for i := 1; i < len(cuts); i++ {
			dose += (rate(cuts[i-1]) + rate(cuts[i])) / 2 * (cuts[i] - cuts[i-1]) * float64(length) / 3600
		}
		require.InDelta(t, dose, float64(got.Dose)/1e9, 3e-9)
	})
}

func TestHandComputedHour(t *testing.T) {
	// Margin falls from +3 K to -1 K within an hour: at risk all of it,
	// condensing in the last quarter. Saturated at the dew point of 10 °C/100 %.
	rs := []reading.Reading{rd(0, 10, 100, 13), rd(time.Hour, 10, 100, 9)}
	f := fold(rs, exposure.Facts{})
	require.Len(t, f.Hours, 1)
	h := f.Hours[0]
	require.Equal(t, int64(15*time.Minute), h.Condensing)
	require.Equal(t, int64(time.Hour), h.AtRisk)
	require.Equal(t, int64(time.Hour), h.Tow)
	require.Equal(t, exposure.BasisBoard, h.Basis)
	require.InDelta(t, -1, h.MarginMin, 1e-9)
	require.Equal(t, 10.0, h.InsideTempMean)
	require.False(t, h.HasCover)
}

func TestRangeOnBasisAir(t *testing.T) {
	// 98 % at 10 °C: the low end (96 %) never condenses; the high end (100 %,
	// and 2 K colder at night) always does.
	rs := []reading.Reading{rd(0, 10, 98), rd(time.Hour, 10, 98)}
	h := fold(rs, exposure.Facts{}).Hours[0]
	require.Zero(t, h.Condensing)
	require.Zero(t, h.CondensingLow)
	require.Equal(t, int64(time.Hour), h.CondensingHigh)

	// With a place, the 2 K count at night only: 95 % is 0.75 K from the dew
	// point, 97 % and 2 K colder is beyond it.
	place := &sun.Place{Lat: 0, Lon: 0}
	noon := []reading.Reading{rd(12*time.Hour, 10, 95), rd(13*time.Hour, 10, 95)}
	night := []reading.Reading{rd(0, 10, 95), rd(time.Hour, 10, 95)}
	require.Zero(t, total(fold(noon, exposure.Facts{Place: place}).Hours).CondensingHigh)
	require.Equal(t, int64(time.Hour), total(fold(night, exposure.Facts{Place: place}).Hours).CondensingHigh)
}

func TestThaw(t *testing.T) {
	at := func(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }
	frosty := func(h float64) reading.Reading { return rd(at(h), -2, 100, -3) } // surface below frost point
	humid := func(h float64) reading.Reading { return rd(at(h), 4, 90, 3.5) }   // margin about 1 K, above 0 °C
	dry := func(h float64) reading.Reading { return rd(at(h), 8, 40, 8) }       // margin far above 3 K

	t.Run("counts only above 0 °C and at most two hours", func(t *testing.T) {
		sum := total(fold([]reading.Reading{frosty(0), frosty(1), humid(2), humid(3), humid(4), humid(5)}, exposure.Facts{}).Hours)
		require.Equal(t, int64(2*time.Hour), sum.Thaw)
		require.Positive(t, sum.Frost)
	})
	t.Run("ends when the surface dries", func(t *testing.T) {
		sum := total(fold([]reading.Reading{frosty(0), frosty(1), humid(1.5), dry(1.75), humid(2), humid(4)}, exposure.Facts{}).Hours)
		require.Less(t, sum.Thaw, int64(time.Hour))
	})
	t.Run("ends with unknown time", func(t *testing.T) {
		sum := total(fold([]reading.Reading{frosty(0), frosty(1), rd(at(1.5)), humid(2), humid(4)}, exposure.Facts{}).Hours)
		require.Zero(t, sum.Thaw)
	})
	t.Run("none without frost", func(t *testing.T) {
		require.Zero(t, total(fold([]reading.Reading{humid(0), humid(2)}, exposure.Facts{}).Hours).Thaw)
	})
}

func TestSpells(t *testing.T) {
	wet := func(h float64) reading.Reading { return rd(time.Duration(h*float64(time.Hour)), 10, 100, 9) }
	dry := func(h float64) reading.Reading { return rd(time.Duration(h*float64(time.Hour)), 10, 100, 14) }
	every := func(from, to float64, make func(float64) reading.Reading) (rs []reading.Reading) {
		for h := from; h <= to; h += 0.25 {
			rs = append(rs, make(h))
		}
		return rs
	}
	var spells []exposure.Spell
	run := func(rs ...[]reading.Reading) { spells = fold(slices.Concat(rs...), exposure.Facts{}).Spells }

	run(every(0, 11.75, wet), every(12, 14, dry))
	require.Empty(t, spells, "less than twelve hours")

	run(every(0, 13, wet))
	require.Equal(t, []exposure.Spell{{From: start, Concluded: start.Add(12*time.Hour + 15*time.Minute)}}, spells)

	run(every(0, 13, wet), every(13.25, 15, dry))
	require.Len(t, spells, 1)
	require.Equal(t, start, spells[0].From)
	require.InDelta(t, 13, spells[0].To.Sub(start).Hours(), 0.25)

	run(every(0, 6, wet), every(6.25, 6.75, dry), every(7, 13, wet))
	require.Len(t, spells, 1, "a short dry break doesn't end it")
	run(every(0, 6, wet), every(6.25, 8, dry), every(8.25, 14, wet))
	require.Empty(t, spells, "a long one does")
	run(every(0, 6, wet), every(6.25, 6.5, func(h float64) reading.Reading { return rd(time.Duration(h * float64(time.Hour))) }), every(6.75, 13, wet))
	require.Len(t, spells, 1, "nor does a failed sensor, for a short time")
}

// At a place with a sunrise a spell needs to reach four hours beyond it.
func TestSpellsBySunrise(t *testing.T) {
	place := &sun.Place{Lat: 0, Lon: 0} // sunrise near 05:41 UTC on this date
	var rs []reading.Reading
	for m := 0; m <= 11*60; m += 10 {
		rs = append(rs, rd(3*time.Hour+time.Duration(m)*time.Minute, 10, 100, 9))
	}
	f := fold(rs, exposure.Facts{Place: place})
	require.Len(t, f.Spells, 1)
	require.InDelta(t, 9.7, f.Spells[0].Concluded.Sub(start).Hours(), 0.2)
}

// A spell that begins just after sunrise has that night behind it and no
// sunrise before it for a day: twelve hours decide.
func TestSpellThatBeginsAfterSunrise(t *testing.T) {
	place := &sun.Place{Lat: 0, Lon: 0} // sunrise near 05:41 UTC
	var rs []reading.Reading
	for m := 0; m <= 20*60; m += 10 {
		rs = append(rs, rd(6*time.Hour+time.Duration(m)*time.Minute, 10, 100, 9))
	}
	f := fold(rs, exposure.Facts{Place: place})
	require.Len(t, f.Spells, 1)
	require.InDelta(t, 18, f.Spells[0].Concluded.Sub(start).Hours(), 0.2)
}

// The place that a station moves to decides, however the fold is cut.
func TestSpellWhileTheStationMoves(t *testing.T) {
	var rs []reading.Reading
	for m := 0; m <= 14*60; m += 10 {
		rs = append(rs, rd(time.Duration(m)*time.Minute, 10, 100, 9))
	}
	v := []exposure.Valid{
		{From: math.MinInt64, Facts: exposure.Facts{MaxGap: time.Hour, Place: &sun.Place{Lat: 0, Lon: 0}}},
		{From: start.Add(4 * time.Hour), Facts: exposure.Facts{MaxGap: time.Hour, Place: &sun.Place{Lat: 0, Lon: -90}}},
	}
	whole := exposure.Fold(rs, v, exposure.Part{From: math.MinInt64})
	first := exposure.Fold(rs, v, exposure.Part{From: start, To: start.Add(8 * time.Hour)})
	rest := exposure.Fold(rs[48:], v, exposure.Part{From: start.Add(8 * time.Hour), Begin: first.Hours[7].End})
	require.Equal(t, whole.Spells, rest.Spells)
}

// What is concluded up to an instant is the same for the log cut there.
func TestSpellsAreCausal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rs := reading.Merge(drawLog(t))
		v := drawFacts(t)
		full := exposure.Fold(rs, v, exposure.Part{From: math.MinInt64}).Spells
		n := rapid.IntRange(1, len(rs)).Draw(t, "cut")
		cut := exposure.Fold(rs[:n], v, exposure.Part{From: math.MinInt64}).Spells
		var want []exposure.Spell
		for _, s := range full {
			if s.Concluded <= rs[n-1].Time {
				want = append(want, s)
			}
		}
		require.Len(t, cut, len(want))
		for i := range want {
			require.Equal(t, want[i].From, cut[i].From)
			require.Equal(t, want[i].Concluded, cut[i].Concluded)
		}
	})
}

func TestBasisNeverMixesInASegment(t *testing.T) {
	// Only one end has a board: the segment is judged by air.
	h := fold([]reading.Reading{rd(0, 10, 90, 1), rd(time.Hour/2, 10, 90)}, exposure.Facts{}).Hours[0]
	require.Equal(t, exposure.BasisAir, h.Basis)
	require.Zero(t, h.Condensing)
	h = fold([]reading.Reading{rd(0, 10, 90, 1), rd(time.Hour/4, 10, 90, 1), rd(time.Hour/2, 10, 90)}, exposure.Facts{}).Hours[0]
	require.Equal(t, exposure.BasisMixed, h.Basis)
	require.Equal(t, int64(15*time.Minute), h.Condensing)
}
