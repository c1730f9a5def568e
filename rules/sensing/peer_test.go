package sensing_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/means"
	"dewpost/rules/reading"
	"dewpost/rules/sensing"
	"dewpost/rules/unit"
)

// besideWeather follows an outdoor sensor for some days beside observed weather
// that differs from it by what lies between two places; off is what the sensor
// shows too much on a day.
func besideWeather(seed uint64, days int, off func(day float64) float64, coded bool) *sensing.State {
	rnd := rand.New(rand.NewPCG(seed, 5))
	s := &sensing.State{}
	away, daily := 2*rnd.NormFloat64(), 0.0
	for i := range days * 144 {
		d := float64(i) / 144
		if i%144 == 0 {
			daily = 0.5*daily + 2*rnd.NormFloat64()
			if coded && i%1440 == 0 {
				text, _ := json.Marshal(s)
				s = &sensing.State{}
				_ = json.Unmarshal(text, s)
			}
		}
		temp := 8 + 5*math.Sin(2*math.Pi*(d-0.3)) + 3*math.Sin(d/5)
		rh := min(100, 80-12*math.Sin(2*math.Pi*(d-0.3))+5*math.Sin(d/3))
		m := means.Mean{Start: begin.Add(time.Duration(i) * 10 * time.Minute), N: 1}
		m.Done = m.Start.Add(11 * time.Minute)
		shown := min(110, rh+off(d)+0.5*rnd.NormFloat64())
		m.Ch[reading.OutsideTemp] = means.Channel{N: 1, Mean: temp, Min: temp, Max: temp}
		m.Ch[reading.OutsideRH] = means.Channel{N: 1, Mean: min(100, shown), Min: shown, Max: shown}
		var seen *sensing.Air
		if int(d)%11 != 3 { // a day without observations now and then
			seen = &sensing.Air{Temp: unit.Celsius(temp + 0.7), RH: unit.Percent(min(100, rh+away+daily+4*rnd.NormFloat64()))}
		}
		s.Step(&m, sensing.Facts{Weather: seen})
	}
	return s
}

func TestAnOutdoorSensorBesideObservedWeather(t *testing.T) {
	none := func(float64) float64 { return 0 }
	wrong := 0
	for seed := range uint64(30) {
		wrong += len(besideWeather(seed, 120, none, false).Findings())
	}
	require.Zero(t, wrong, "in ten years")

	for seed := range uint64(6) {
		for what, c := range map[string]struct {
			off  func(d float64) float64
			late float64
		}{
			"creeps by 1 %RH in two days": {func(d float64) float64 { return -max(0, d-60) / 2 }, 40},
			"steps":                       {func(d float64) float64 { return 14 * math.Floor(min(1, d/60)) }, 12},
		} {
			f, late := after(besideWeather(seed, 110, c.off, false), 60)
			require.Equal(t, "drift_outside_rh_pct", name(f), "%s, seed %d", what, seed)
			require.Less(t, late, c.late, "%s, seed %d", what, seed)
			require.Less(t, f.From, f.Concluded)
		}
	}
	far := besideWeather(1, 30, func(float64) float64 { return -25 }, false).Findings()
	require.Len(t, far, 1, "off from the beginning")
	back := besideWeather(2, 120, func(d float64) float64 {
		if d > 60 && d < 80 {
			return -20
		}
		return 0
	}, false)
	fs := back.Findings()
	require.Len(t, fs, 1)
	require.InDelta(t, 84, float64(fs[0].To-begin)/float64(24*time.Hour), 5, "when it was right again")
	coded := besideWeather(2, 120, func(d float64) float64 {
		if d > 60 && d < 80 {
			return -20
		}
		return 0
	}, true)
	require.Equal(t, fs, coded.Findings(), "written and read it goes on")
	require.False(t, coded.Suspect(reading.OutsideRH))
}
