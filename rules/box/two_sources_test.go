package box_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/box"
	"dewpost/rules/unit"
)

// One source of a site tells the air, another the rain: rain is the same, whatever
// the first one's hours.
func TestRainOfAnotherSource(t *testing.T) {
	temp, rh, rain := unit.Celsius(10), unit.Percent(80), 3.0
	at := func(min int) unit.Instant { return start.Floor(time.Hour).Add(time.Duration(min) * time.Minute) }
	air := func(min int) box.Weather { return box.Weather{Source: "airport", Time: at(min), Temp: &temp, RH: &rh} }
	gauge := func(min int) box.Weather { return box.Weather{Source: "gauge", Time: at(min), Rain: &rain} }
	for name, rows := range map[string][]box.Weather{
		"alone":         {gauge(0), gauge(60), gauge(120)},
		"at the same":   {air(0), gauge(0), air(60), gauge(60), air(120), gauge(120)},
		"at other ones": {gauge(0), air(20), gauge(60), air(80), gauge(120)},
	} {
		sky := box.NewSky(nil, rows)
		for min := 0; min < 120; min += 10 {
			_, got := sky.At(at(min))
			require.NotNil(t, got, "%s, %d", name, min)
			require.InDelta(t, 3, *got, 1e-9, "%s, %d: mm an hour", name, min)
		}
	}
}

// Two sources that differ are not mixed: the air doesn't swing between them within
// each hour.
func TestAirOfTwoSources(t *testing.T) {
	cold, warm, rh := unit.Celsius(10), unit.Celsius(14), unit.Percent(80)
	at := func(min int) unit.Instant { return start.Floor(time.Hour).Add(time.Duration(min) * time.Minute) }
	for _, off := range []int{0, 20} {
		var rows []box.Weather
		for min := 0; min <= 600; min += 60 {
			rows = append(rows, box.Weather{Source: "airport", Time: at(min), Temp: &cold, RH: &rh}, box.Weather{Source: "ridge", Time: at(min + off), Temp: &warm, RH: &rh})
		}
		sky := box.NewSky(nil, rows)
		for min := 60; min < 540; min += 10 {
			air, _ := sky.At(at(min))
			require.NotNil(t, air)
			require.InDelta(t, 10, float64(air.Temp), 1e-9, "%d minutes, the other is %d later", min, off)
		}
	}
}
