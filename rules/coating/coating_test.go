package coating_test

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/coating"
	"dewpost/rules/unit"
)

const hour = time.Hour

var now = unit.At(time.Date(2025, 5, 20, 10, 0, 0, 0, time.UTC))

// wide are limits that leave only the margin to judge.
func wide() *coating.Limits {
	return &coating.Limits{Margin: 3, MostRH: 100, LeastTemp: 0, MostTemp: 60, Cure: 24 * hour}
}

func near(v coating.Verdict) bool {
	return len(v.Reasons) > 0 && v.Reasons[0].What == coating.NearDewPoint
}

// TestMarginOfAPublishedTable_ISO8502_4: a coating maker's table of dew points,
// beside which the surface must be 3 K warmer. It is printed to 0.1 °C, our dew
// points are good to 0.1 K.
func TestMarginOfAPublishedTable_ISO8502_4(t *testing.T) {
	text, err := os.ReadFile("../../testdata/moistair/dewpoint_table_published.csv")
	require.NoError(t, err)
	r := csv.NewReader(strings.NewReader(string(text)))
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	cells := 0
	for _, row := range rows[1:] {
		air, err := strconv.ParseFloat(row[0], 64)
		require.NoError(t, err)
		for i, cell := range row[1:] {
			dew, err := strconv.ParseFloat(cell, 64)
			if err != nil || dew < 0 { // frost points
				continue
			}
			rh, err := strconv.ParseFloat(strings.TrimPrefix(rows[0][i+1], "RH"), 64)
			require.NoError(t, err)
			for off, wrong := range map[float64]bool{3.2: false, 2.8: true} {
				surface := unit.Celsius(dew + off)
				v := coating.Judge(coating.Air{Temp: unit.Celsius(air), RH: unit.Percent(rh), Board: &surface}, wide())
				require.Equal(t, wrong, near(v), "%g °C, %g %%: %+v", air, rh, v)
			}
			cells++
		}
	}
	require.Greater(t, cells, 100)
}

// TestWorkedExamples: 30 °C and 55 % have their dew point at 20 °C (a coating
// maker's glossary); 70 °F and 65 % at 57 °F, to be coated above 62 °F (a chart
// for coatings, which adds 5 °F).
func TestWorkedExamples(t *testing.T) {
	at := func(air, rh, surface float64) bool {
		s := unit.Celsius(surface)
		return near(coating.Judge(coating.Air{Temp: unit.Celsius(air), RH: unit.Percent(rh), Board: &s}, wide()))
	}
	require.False(t, at(30, 55, 23.3))
	require.True(t, at(30, 55, 22.7))
	fahrenheit := func(f float64) float64 { return (f - 32) / 1.8 }
	require.False(t, at(fahrenheit(70), 65, fahrenheit(63.5)))
	require.True(t, at(fahrenheit(70), 65, fahrenheit(61.5)))
}

func TestReasons(t *testing.T) {
	limits := coating.Usual()
	limits.LeastRH = 30
	aerosol := limits
	aerosol.Reserve = coating.Aerosol
	for _, c := range []struct {
		air    coating.Air
		limits coating.Limits
		want   []coating.What
	}{
		{coating.Air{Temp: 21, RH: 48}, limits, nil},
		{coating.Air{Temp: 21, RH: 65}, limits, nil},
		{coating.Air{Temp: 21, RH: 65.1}, limits, []coating.What{coating.TooDamp}},
		{coating.Air{Temp: 21, RH: 65}, aerosol, []coating.What{coating.NearDewPoint}},
		{coating.Air{Temp: 21, RH: 29}, limits, []coating.What{coating.TooDry}},
		{coating.Air{Temp: 14, RH: 50}, limits, []coating.What{coating.TooCold}},
		{coating.Air{Temp: 31, RH: 50}, limits, []coating.What{coating.TooWarm}},
		{coating.Air{Temp: 16, RH: 50}, aerosol, []coating.What{coating.TooCold}},
		{coating.Air{Temp: 10, RH: 97}, limits, []coating.What{coating.NearDewPoint, coating.TooDamp, coating.TooCold}},
	} {
		v := coating.Judge(c.air, &c.limits)
		var got []coating.What
		for _, r := range v.Reasons {
			got = append(got, r.What)
		}
		require.Equal(t, c.want, got, "%+v", c.air)
		require.Equal(t, c.want == nil, v.Good)
		require.False(t, v.Measured)
		require.InDelta(t, float64(v.Surface-v.DewPoint), v.Margin, 1e-8)
	}
	board := unit.Celsius(14)
	v := coating.Judge(coating.Air{Temp: 21, RH: 48, Board: &board}, &aerosol)
	require.True(t, v.Measured)
	require.Equal(t, board, v.Surface, "its own thermometer needs no reserve")
	require.Equal(t, coating.Reason{What: coating.TooCold, Is: 14, Limit: 15, Unit: "°C"}, v.Reasons[0])
}

func TestWhatCannotBe(t *testing.T) {
	usual := coating.Usual()
	require.NoError(t, usual.Check())
	nan := math.NaN()
	for field, of := range map[string][]func(*coating.Limits){
		"margin_k":   {func(l *coating.Limits) { l.Margin = -1 }, func(l *coating.Limits) { l.Margin = nan }},
		"rh_max_pct": {func(l *coating.Limits) { l.MostRH = 0 }, func(l *coating.Limits) { l.MostRH = 101 }},
		"rh_min_pct": {func(l *coating.Limits) { l.LeastRH = 65 }, func(l *coating.Limits) { l.LeastRH = -1 }},
		"temp_max_c": {func(l *coating.Limits) { l.MostTemp = 61 }, func(l *coating.Limits) { l.MostTemp = 0 }},
		"temp_min_c": {func(l *coating.Limits) { l.LeastTemp = -1 }, func(l *coating.Limits) { l.LeastTemp = 30 }},
		"reserve_k":  {func(l *coating.Limits) { l.Reserve = 11 }, func(l *coating.Limits) { l.Reserve = nan }},
		"cure":       {func(l *coating.Limits) { l.Cure = -1 }, func(l *coating.Limits) { l.Cure = coating.LongestCure + 1 }},
	} {
		for _, spoil := range of {
			l := coating.Usual()
			spoil(&l)
			var refused *coating.Refused
			require.ErrorAs(t, l.Check(), &refused)
			require.Equal(t, field, refused.Field)
			require.Contains(t, refused.Error(), field+" "+refused.Value+": write")
		}
	}
	hot := unit.Celsius(96)
	for field, a := range map[string]coating.Air{
		"temp_c": {Temp: -61, RH: 50}, "rh_pct": {Temp: 20}, "board_temp_c": {Temp: 20, RH: 50, Board: &hot},
	} {
		require.ErrorContains(t, a.Check(), field)
	}
	require.NoError(t, (&coating.Air{Temp: 20, RH: 50}).Check())
}

// past is air by the hour up to now, warm and dry by day.
func past(days int, each func(at unit.Instant, a *coating.Air)) (list []coating.Air) {
	for h := -days * 24; h <= 0; h++ {
		at := now.Add(time.Duration(h) * hour)
		day := math.Sin(2 * math.Pi * float64(at.Floor(hour)/unit.Instant(hour)%24-8) / 24)
		a := coating.Air{At: at, Temp: unit.Celsius(21 + 3*day), RH: unit.Percent(50 - 8*day)}
		if each != nil {
			each(at, &a)
		}
		list = append(list, a)
	}
	return list
}

func TestAhead(t *testing.T) {
	limits := coating.Usual()
	need := int(coating.History(&limits) / (24 * hour))
	list := past(need, nil)
	last := list[len(list)-1]
	hours := coating.Ahead(last, list, &limits)
	require.Len(t, hours, 37)
	require.Equal(t, now, hours[0].Start)
	require.Equal(t, 1.0, hours[0].Good)
	for _, h := range hours[1:] {
		require.InDelta(t, 15.0/16, h.Good, 1e-9, "fourteen days, each good")
		require.InDelta(t, 15.0/16, h.Stays, 1e-9)
		require.Greater(t, h.Margin, 3.0)
	}
	require.Equal(t, []coating.Window{{From: now, To: now.Add(36 * hour), Stays: 15.0 / 16}}, coating.Windows(hours))

	// The air is damper by as much as makes nights too damp, not days.
	last.RH += 14
	hours = coating.Ahead(last, list, &limits)
	require.Equal(t, 1.0, hours[0].Good)
	require.Less(t, hours[0].Stays, 0.1, "the night is within the cure")
	short := limits
	short.Cure = 2 * hour
	hours = coating.Ahead(last, list, &short)
	windows := coating.Windows(hours)
	require.Len(t, windows, 2, "today and tomorrow: %+v", windows)
	require.Equal(t, now, windows[0].From)
	require.Less(t, windows[0].To, now.Add(12*hour))
	require.Greater(t, windows[1].From, now.Add(18*hour))

	// Now it is not good at all.
	last.RH = 90
	hours = coating.Ahead(last, list, &short)
	require.Zero(t, hours[0].Good)
	require.Zero(t, hours[0].Stays)
	require.Empty(t, coating.Windows(hours))

	// A board that is measured stays as much beside the air as it is.
	board := last.Temp - 12
	last.RH, last.Board = 50, &board
	for _, h := range coating.Ahead(last, list, &short)[1:] {
		require.Less(t, h.Good, 0.1)
	}
}

// Every third day a front came: the chance is that of the days before.
func TestFrontsCount(t *testing.T) {
	limits := coating.Usual()
	limits.Cure = hour
	list := past(int(coating.History(&limits)/(24*hour)), func(at unit.Instant, a *coating.Air) {
		if days := int(at.Sub(now)/hour)/24 + 300; days%3 == 0 && at.Floor(24*hour) != now.Floor(24*hour) {
			a.RH = 88
		}
	})
	hours := coating.Ahead(list[len(list)-1], list, &limits)
	require.NotEmpty(t, hours)
	for _, h := range hours[1:] {
		require.Greater(t, h.Good, 0.2)
		require.Less(t, h.Good, 0.95)
		require.LessOrEqual(t, h.Stays, h.Good)
	}
}

func TestTooLittleIsKnown(t *testing.T) {
	limits := coating.Usual()
	require.Nil(t, coating.Ahead(coating.Air{At: now, Temp: 20, RH: 50}, nil, &limits))
	list := past(6, nil)
	require.Nil(t, coating.Ahead(list[len(list)-1], list, &limits), "six days hold four courses of sixty hours")
	list = past(7, nil)
	require.NotNil(t, coating.Ahead(list[len(list)-1], list, &limits))
	// Hours that are missing are bridged, nights are not.
	var holes []coating.Air
	for i, a := range past(20, nil) {
		if i%3 != 1 {
			holes = append(holes, a)
		}
	}
	require.NotNil(t, coating.Ahead(holes[len(holes)-1], holes, &limits))
	var nights []coating.Air
	for _, a := range past(20, nil) {
		if a.At == now || a.At.Floor(24*hour).Add(4*hour) < a.At {
			nights = append(nights, a)
		}
	}
	require.Nil(t, coating.Ahead(nights[len(nights)-1], nights, &limits))
	// Now is within the hour after the last whole one.
	list = past(12, nil)
	later := list[len(list)-1]
	later.At = later.At.Add(25 * time.Minute)
	limits.Cure = 36 * hour // courses of three days, which end now
	require.NotNil(t, coating.Ahead(later, list, &limits))
}

func TestDay(t *testing.T) {
	limits := coating.Usual()
	list := past(20, nil)
	last := list[len(list)-1]
	d, err := coating.Tell(last, list, &limits)
	require.NoError(t, err)
	require.Equal(t, "The air is good now: the surface is 12.2 K above the dew point. It will probably stay so for 24 h (94 %).", d.Says)
	require.Len(t, d.Windows, 1)
	require.Len(t, d.Ahead, 37)
	require.Len(t, d.Caution, 3)

	d, err = coating.Tell(last, nil, &limits)
	require.NoError(t, err)
	require.Equal(t, []coating.Hour{}, d.Ahead)
	require.Equal(t, []coating.Window{}, d.Windows)
	require.Contains(t, d.Says, "is not known")

	damper := last
	damper.RH += 14
	d, err = coating.Tell(damper, list, &limits)
	require.NoError(t, err)
	require.Contains(t, d.Says, "It will probably not stay so for 24 h (6 %).")

	for rh, says := range map[float64]string{
		90: "Not now: the surface is 1.7 K above the dew point, and 3 K are wanted.",
		70: "Not now: the air has 70.0 % relative humidity, and 65 % is the most.",
		20: "Not now: the air has 20.0 % relative humidity, and this coating wants 30 % to cure.",
	} {
		limits.LeastRH = 30
		d, err = coating.Tell(coating.Air{At: now, Temp: 20, RH: unit.Percent(rh)}, list, &limits)
		require.NoError(t, err)
		require.Equal(t, says, d.Says)
	}
	for temp, says := range map[float64]string{10: "10.0 °C, and 15 °C is the least", 35: "35.0 °C, and 30 °C is the most"} {
		d, err = coating.Tell(coating.Air{At: now, Temp: unit.Celsius(temp), RH: 50}, list, &limits)
		require.NoError(t, err)
		require.Contains(t, d.Says, says)
	}

	_, err = coating.Tell(coating.Air{At: now, Temp: 20, RH: 101}, nil, &limits)
	require.ErrorContains(t, err, "rh_pct 101: write more than 0")
	limits.Margin = -3
	_, err = coating.Tell(last, nil, &limits)
	require.ErrorContains(t, err, "margin_k -3: write 0 to 20 K")
}
