package view

import (
	"context"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

// Thinning keeps to its limit, makes nothing up, loses no end and no extreme.
func TestThinning(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		limit := rapid.IntRange(2*quantities+2, 300).Draw(t, "limit")
		n := rapid.IntRange(1, 900).Draw(t, "rows")
		var rows []row
		now := unit.Instant(0)
		for range n {
			r := row{at: now}
			for q := range quantities {
				r.values[q] = math.NaN()
				if rapid.IntRange(0, 3).Draw(t, "there") > 0 {
					r.values[q] = float64(rapid.IntRange(-50, 50).Draw(t, "value"))
				}
			}
			rows = append(rows, r)
			now += unit.Instant(rapid.IntRange(1, 1000).Draw(t, "step"))
		}
		thin := newThinner(0, now, limit)
		for _, r := range rows {
			thin.add(r)
		}
		kept := thin.rows()
		require.LessOrEqual(t, len(kept), limit)
		require.Equal(t, rows[0].at, kept[0].at)
		require.Equal(t, rows[n-1].at, kept[len(kept)-1].at)
		require.True(t, slices.IsSortedFunc(kept, func(a, b row) int { return int(a.at - b.at) }))
		for _, k := range kept {
			i, ok := slices.BinarySearchFunc(rows, k, func(a, b row) int { return int(a.at - b.at) })
			require.True(t, ok)
			for q := range quantities {
				require.Equal(t, math.Float64bits(rows[i].values[q]), math.Float64bits(k.values[q]))
			}
		}
		for q := range quantities {
			lo, hi := extent(rows, q)
			keptLo, keptHi := extent(kept, q)
			require.Equal(t, [2]float64{lo, hi}, [2]float64{keptLo, keptHi}, QuantityName(q))
		}
	})
}

func extent(rows []row, q int) (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for i := range rows {
		if x := rows[i].values[q]; !math.IsNaN(x) {
			lo, hi = min(lo, x), max(hi, x)
		}
	}
	return lo, hi
}

// The wash of a chart is the ledger's condensing time, and what it hatches is
// the ledger's unknown time: one rule, seen twice.
func TestWashIsTheLedger(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		begin := at(2025, 10, 1, 5, 0)
		var rs []reading.Reading
		now := begin
		for range rapid.IntRange(2, 60).Draw(t, "readings") {
			temp := rapid.Float64Range(-8, 14).Draw(t, "temp")
			r := air(now, temp, rapid.Float64Range(-3, 110).Draw(t, "rh"))
			if rapid.Bool().Draw(t, "board") {
				r.Set(reading.BoardTemp, temp+rapid.Float64Range(-4, 2).Draw(t, "warmer"))
			}
			if rapid.IntRange(0, 9).Draw(t, "failed") == 0 {
				r.Clear(reading.InsideTemp)
			}
			rs = append(rs, r)
			now += unit.Instant(rapid.Int64Range(1e9, int64(50*time.Minute)).Draw(t, "step"))
		}
		allowance := unit.Kelvin(rapid.Float64Range(-1, 2).Draw(t, "allowance"))
		s := Station{facts: []exposure.Valid{{From: fact.Always, Facts: exposure.Facts{MaxGap: 30 * time.Minute, Allowance: allowance}}}}
		p := newPlotter(&s, begin, now, 100)
		p.merge = -1 // nothing is drawn as one
		for i := range rs {
			p.add(&rs[i])
		}
		var ledger exposure.Hour
		for _, h := range exposure.Fold(rs, s.facts, exposure.Part{From: Beginning}).Hours {
			ledger.Add(&h)
		}
		require.InDelta(t, ledger.Condensing, total(p.wet), 1000, "ns of wash")
		require.Equal(t, float64(ledger.Unknown), total(p.dark), "ns of hatching")
	})
}

func total(list []Interval) float64 {
	var sum time.Duration
	for _, v := range list {
		sum += v.To.Sub(v.From)
	}
	return float64(sum)
}

func TestSeriesOfABoardAtItsDewPoint(t *testing.T) {
	f := newFake()
	begin := at(2025, 10, 1, 20, 0)
	var rs []reading.Reading
	for i := range 13 { // two hours, of which the second is saturated
		r := air(begin.Add(time.Duration(i)*10*time.Minute), 10, 80)
		r.Set(reading.BoardTemp, 10)
		if i >= 6 {
			r.Set(reading.InsideRH, 100)
		}
		rs = append(rs, r)
	}
	f.add("a", nil, rs...)
	end := begin.Add(2 * time.Hour)
	s, err := viewAt(f, end).Series(context.Background(), "a", Beginning, End, 1000)
	require.NoError(t, err)
	require.Equal(t, 13, s.Readings)
	require.Len(t, s.Time, 13)
	require.Equal(t, []Interval{{begin.Add(time.Hour), end}}, s.Wet)
	require.Empty(t, s.Dark)
	require.Equal(t, int64(time.Hour), s.Sum.Condensing)
	require.Equal(t, 0.0, s.Values[MarginK][12])
	require.Equal(t, 10.0, s.Values[DewPoint][12])
	require.Nil(t, s.Values[reading.LineCurrent])
	lo, hi, ok := s.Range(int(reading.InsideRH))
	require.True(t, ok)
	require.Equal(t, [2]float64{80, 100}, [2]float64{lo, hi})
	_, _, ok = s.Range(int(reading.Comb))
	require.False(t, ok)

	for _, v := range []Interval{{end.Add(time.Hour), end.Add(2 * time.Hour)}, {end.Add(time.Hour), End}, {Beginning, begin.Add(-time.Hour)}, {end, end}} {
		empty, err := viewAt(f, end).Series(context.Background(), "a", v.From, v.To, 10)
		require.NoError(t, err)
		require.Zero(t, empty.Readings)
		require.Empty(t, empty.Nights)
		require.LessOrEqual(t, empty.From, empty.To)
	}
}

// Long records are read in chunks; what they join to is the whole.
func TestSeriesAcrossChunks(t *testing.T) {
	f := newFake()
	begin := at(2025, 1, 1, 0, 0)
	var rs []reading.Reading
	for i := range 40 * 24 {
		rs = append(rs, air(begin.Add(time.Duration(i)*time.Hour), float64(i%24), 70))
	}
	f.add("a", map[string]string{fact.MaxGap: "90m"}, rs...)
	s, err := viewAt(f, begin.Add(40*day)).Series(context.Background(), "a", Beginning, End, 5000)
	require.NoError(t, err)
	require.Equal(t, len(rs), s.Readings)
	require.Len(t, s.Time, len(rs))
	require.Empty(t, s.Dark)
	require.Len(t, s.Nights, 41)
}
