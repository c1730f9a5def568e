package undercool_test

import (
	"compress/gzip"
	"encoding/csv"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/exposure"
	"dewpost/rules/reading"
	"dewpost/rules/sun"
	"dewpost/rules/undercool"
	"dewpost/rules/unit"
)

var tampere = sun.Place{Lat: 61.5, Lon: 23.8}

// attic is the paired series of TRH-database (Tampere University, CC BY 4.0),
// building R4, with the undercooling roof side for the board.
func attic(t *testing.T) (rs []reading.Reading) {
	f, err := os.Open("../../../shared/data/paired_attic_fi_2010_2012.csv.gz")
	if err != nil {
		f, err = os.Open("../../../../shared/data/paired_attic_fi_2010_2012.csv.gz")
	}
	if err != nil {
		t.Skipf("without the real series: %v", err)
	}
	defer func() { require.NoError(t, f.Close()) }()
	z, err := gzip.NewReader(f)
	require.NoError(t, err)
	rows, err := csv.NewReader(z).ReadAll()
	require.NoError(t, err)
	for _, row := range rows[1:] {
		at, err := time.Parse(time.RFC3339, row[0])
		require.NoError(t, err)
		r := reading.Reading{Time: unit.At(at)}
		for c, cell := range map[reading.Channel]string{reading.InsideTemp: row[1], reading.InsideRH: row[2], reading.BoardTemp: row[3]} {
			if v, err := strconv.ParseFloat(cell, 64); err == nil && !math.IsNaN(v) {
				r.Set(c, v)
			}
		}
		rs = append(rs, r)
	}
	return rs
}

func learn(t *testing.T, rs []reading.Reading) undercool.Fit {
	l := undercool.New(&tampere, reading.BoardTemp)
	for i := range rs {
		l.Add(&rs[i])
	}
	f, err := l.Fit()
	require.NoError(t, err)
	return f
}

// hoursOf are the hours condensing where both the board's and the guessed surface
// are known: with the board, with what was learned, and with constants.
func hoursOf(rs []reading.Reading, u *exposure.Undercooling, judged func(unit.Instant) bool) (board, learned, none, two float64) {
	sum := func(f exposure.Facts, hide bool) float64 {
		list := slices.Clone(rs)
		for i := range list {
			if _, ok := list[i].Get(reading.BoardTemp); !ok {
				list[i].Clear(reading.InsideRH)
			}
			if hide {
				list[i].Clear(reading.BoardTemp)
			}
		}
		f.MaxGap, f.Place = 90*time.Minute, &tampere
		total := int64(0)
		for _, h := range exposure.Fold(list, []exposure.Valid{{From: math.MinInt64, Facts: f}}, exposure.Part{From: math.MinInt64}).Hours {
			if judged(h.Start) {
				total += h.Condensing
			}
		}
		return float64(total) / 3.6e12
	}
	return sum(exposure.Facts{}, false), sum(exposure.Facts{Learned: u}, true), sum(exposure.Facts{}, true), sum(exposure.Facts{Allowance: 2}, true)
}

// What one half of the attic teaches, foretells the other: the error in hours
// condensing is less than half of that of no allowance and of 2 K always, and so
// it is with months in turn.
func TestHalfOfTheErrorOfAConstant_TRH(t *testing.T) {
	rs := attic(t)
	middle := rs[len(rs)/2].Time
	even := func(at unit.Instant) bool { return at.Time().Month()%2 == 0 }
	for name, split := range map[string]func(unit.Instant) bool{"halves": func(at unit.Instant) bool { return at < middle }, "months": even} {
		var board, learned, none, two, miss float64
		for _, first := range []bool{true, false} {
			taught := slices.DeleteFunc(slices.Clone(rs), func(r reading.Reading) bool { return split(r.Time) != first })
			fit := learn(t, taught)
			b, l, n, w := hoursOf(rs, &fit.Exposure, func(at unit.Instant) bool { return split(at) != first })
			t.Logf("%s: board %.0f h, learned %.0f h, none %.0f h, 2 K %.0f h; %s; at night %.2f K off, a constant %.2f K", name, b, l, n, w, &fit.Exposure, fit.NightRMS, fit.ConstRMS)
			board, learned, none, two = board+b, learned+l, none+n, two+w
			miss += math.Abs(l - b)
		}
		require.InDelta(t, 744, board, 3, "the contract's hours")
		require.InDelta(t, 3, none, 2)
		require.InDelta(t, 4084, two, 20)
		require.Less(t, miss, (board-none)/2, name)
		require.Less(t, miss, (two-board)/2, name)
		require.InDelta(t, board, learned, 150, name)
		if name == "halves" {
			require.InDelta(t, 823, learned, 1)
		}
	}
	fit := learn(t, rs)
	h := fit.Held
	t.Logf("%+v", h)
	require.InDelta(t, 744, h.BoardH, 50, "readings for the hours that they speak of")
	require.InDelta(t, 823, h.LearnedH, 60)
	require.True(t, h.Halves())
	require.Less(t, h.LearnedMiss, h.ZeroMiss/2)
	require.Less(t, h.LearnedMiss, h.TwoKMiss/10)
	require.Less(t, fit.NightRMS, fit.ConstRMS)
	require.Less(t, fit.ConstRMS, fit.ZeroRMS)
	said, ok := exposure.ParseTaught(fit.Fact("attic-1"))
	require.True(t, ok)
	require.Equal(t, "attic-1", said.By)
	require.Equal(t, fit.Nights, said.Nights)
	require.InDelta(t, fit.NightRMS, said.OffK, 0.005)
	require.InDelta(t, h.LearnedH, said.LearnedH, 0.5)
	parsed, err := exposure.ParseUndercooling(fit.Fact("attic-1"))
	require.NoError(t, err)
	require.Equal(t, fit.Exposure, *parsed, "it changes nothing of what is computed")
}

// A box that is made by the formula teaches it, by its board or by its cover.
func TestTheFormulaIsLearned(t *testing.T) {
	for _, surface := range []reading.Channel{reading.BoardTemp, reading.CoverTemp} {
		learnsTheFormula(t, surface)
	}
}

func learnsTheFormula(t *testing.T, surface reading.Channel) {
	want := exposure.Undercooling{Const: 1, Night: 1.5, Hour: 0.4, SixHours: 0.8, Dry: -0.04, Temp: -0.02}
	var past exposure.Past
	nights := sun.NewNights(&tampere)
	l := undercool.New(&tampere, surface)
	for i := range 60 * 144 {
		at := unit.At(time.Date(2025, 9, 1, 0, 10*i, 0, 0, time.UTC))
		h := float64(i) / 6
		temp := 9 + 6*math.Sin(2*math.Pi*h/24) + 2*math.Sin(h/31) + 0.5*math.Sin(h)
		rh := min(100, 88+15*math.Sin(h/17))
		hour, six := past.Cooling(at, temp)
		r := reading.Reading{Time: at}
		r.Set(reading.InsideTemp, temp)
		r.Set(reading.InsideRH, rh)
		r.Set(surface, temp-want.Kelvin(nights.At(at), temp, rh, hour, six))
		l.Add(&r)
	}
	f, err := l.Fit()
	require.NoError(t, err)
	for i, pair := range [][2]float64{
		{want.Const, f.Exposure.Const},
		{want.Night, f.Exposure.Night},
		{want.Hour, f.Exposure.Hour},
		{want.SixHours, f.Exposure.SixHours},
		{want.Dry, f.Exposure.Dry},
		{want.Temp, f.Exposure.Temp},
	} {
		require.InDelta(t, pair[0], pair[1], 0.01, "term %d", i)
	}
	require.Less(t, f.NightRMS, 0.02)
	require.Greater(t, f.ConstRMS, 0.3)
	require.Equal(t, 60*144, f.Readings)
	said, ok := exposure.ParseTaught(f.Fact("lake-07"))
	require.True(t, ok)
	require.Equal(t, surface == reading.CoverTemp, said.Cover)
}

func TestTooLittleTeachesNothing(t *testing.T) {
	l := undercool.New(nil, reading.BoardTemp)
	for i := range 100 {
		r := reading.Reading{Time: unit.At(time.Date(2025, 9, 1, i, 0, 0, 0, time.UTC))}
		r.Set(reading.InsideTemp, 9)
		r.Set(reading.InsideRH, 90)
		if i%2 == 0 {
			r.Set(reading.BoardTemp, 8)
		}
		l.Add(&r)
	}
	f, err := l.Fit()
	require.ErrorIs(t, err, undercool.ErrTooLittle)
	require.Equal(t, 50, f.Readings)
}
