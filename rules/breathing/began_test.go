package breathing

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/finding"
)

// What air from the wall brings beside all else that raises the vapour in a box: seventy
// days of weather, and what is in excess of it from the fortieth on.
func TestWhatBegan(t *testing.T) {
	const begun, now = 40, 60
	wave := func(day int64, days float64) float64 { return math.Sin(2 * math.Pi * float64(day) / days) }
	of := func(day int64) WallDay {
		sat := 10 + 2*wave(day, 6.3)
		return WallDay{
			Day: day, Sat: sat, Out: 0.8*sat + 0.5*wave(day, 2.7), Low: 0.8, Follow: -1,
			House: 6 - wave(day, 6.3),
		}
	}
	ramp := func(day int64, days float64) float64 {
		return max(0, min(1, float64(day-begun)/days))
	}
	for _, c := range []struct {
		name   string
		excess func(d *WallDay) float64
		may    bool
	}{
		{"nothing", func(d *WallDay) float64 { return 0.1 * wave(d.Day, 3.9) }, false},
		{"a part of the house's", func(d *WallDay) float64 {
			if d.Day < begun {
				return 0
			}
			return 0.25 * d.House
		}, true},
		{"the same amount, mild as it may be", func(d *WallDay) float64 {
			d.House = 4 - 3.7*wave(d.Day, 6.3)
			if d.Day < begun {
				return 0
			}
			return 1.2
		}, true},
		{"as much as the air can hold, for dew takes the rest", func(d *WallDay) float64 {
			if d.Day < begun {
				return 0
			}
			return min(0.4*d.House, 0.97*d.Sat-d.Out)
		}, true},
		{"the same, with one dry day in four", func(d *WallDay) float64 {
			if d.Day%4 == 0 {
				d.Out = 0.6 * d.Sat
			}
			if d.Day < begun {
				return 0
			}
			return min(0.35*d.House, 0.97*d.Sat-d.Out)
		}, true},
		{"as much as it can hold at all hours, as over water", func(d *WallDay) float64 {
			if d.Day < begun {
				return 0
			}
			d.Low = 0.98
			return 0.99*d.Sat - d.Out
		}, false},
		{"rain that gets in on two days of five", func(d *WallDay) float64 {
			if d.Day < begun || d.Day%5 > 1 {
				return 0
			}
			return 0.45 * d.House
		}, false},
		{"full on wet days, and dry between them", func(d *WallDay) float64 {
			if d.Day < begun || d.Day%6 < 3 {
				return 0
			}
			return min(0.45*d.House, 0.97*d.Sat-d.Out)
		}, false},
		{"what has ended, in fog", func(d *WallDay) float64 {
			if d.Day < begun || d.Day >= begun+11 {
				d.Out = max(d.Out, ramp(d.Day, 1)*0.95*d.Sat)
				return 0
			}
			return min(0.45*d.House, 0.97*d.Sat-d.Out)
		}, false},
		{"a sensor that creeps", func(d *WallDay) float64 { return 0.18 * ramp(d.Day, 25) * d.Sat }, false},
		{"one that has come to its end", func(d *WallDay) float64 { return 0.1 * ramp(d.Day+20, 25) * d.Sat }, false},
		{"a sensor that shows too little, as it gets cold", func(d *WallDay) float64 {
			if d.Day < begun {
				d.Sat, d.Out, d.House = 2.5*d.Sat, 2.5*d.Out, 2
			}
			return -0.08 * d.Sat
		}, false},
	} {
		s := State{TauH: 1}
		for day := range int64(now + 1) {
			d := of(day)
			d.Excess = c.excess(&d)
			d.In, d.Share = d.Out+d.Excess, d.Excess/d.Sat
			s.Wall.Days = append(s.Wall.Days, d)
			for _, n := range wallStretches {
				if s.lasting(finding.MoistAirFromWall) == nil {
					s.wallBegan(day, n, 1)
				}
			}
		}
		require.Equal(t, c.may, s.lasting(finding.MoistAirFromWall) != nil, c.name)
	}
}

// A sensor that crept for some weeks and stands still since is no step, however long ago
// it ended; air from the wall is, and so is what fills a box up to saturation.
func TestRamps(t *testing.T) {
	of := func(excess func(day int64) float64) (days []entered) {
		for day := range int64(60) {
			sat := 10 + 2*math.Sin(float64(day))
			days = append(days, entered{day: day, q: excess(day), house: 6, sat: sat, full: day%3 > 0 && day >= 30})
			if days[day].full {
				days[day].q *= 0.6
			} else {
				days[day].q *= sat / 10
			}
		}
		return days
	}
	creep := of(func(day int64) float64 { return min(max(0, float64(day-20)/25), 1) })
	require.True(t, ramps(creep, 0, 0.1))
	step := of(func(day int64) float64 {
		if day < 30 {
			return 0
		}
		return 1
	})
	left := fitHouse(step[30:], 0, 0.1)
	require.Less(t, left.dry, left.all+1e-9)
	require.False(t, ramps(step, 0, left.all))
}
