package box_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/box"
	"dewpost/rules/boxsim"
	"dewpost/rules/exposure"
	"dewpost/rules/reading"
	"dewpost/rules/sun"
	"dewpost/rules/unit"
	"dewpost/testdata/spent"
)

// BenchmarkReading gives the time of the rules for one more reading of a station
// at one minute, after three months, over a month: its ledger, all that follows
// the box, and the state that is kept once a day. As a ratio it is held to the time
// of a dew point of each reading.
func BenchmarkReading(b *testing.B) {
	begin := unit.At(time.Date(2025, 9, 1, 0, 0, 0, 0, time.UTC))
	climate := boxsim.Quayside()
	place := &sun.Place{Lat: climate.Lat, Lon: climate.Lon}
	sim := boxsim.New(boxsim.NewWeather(climate, 7), boxsim.Box{
		TauH: 40, HasBoard: true, HasCover: true, HasOutside: true, HasLine: true, HasComb: true, StandbyMA: 12, Noise: 1,
	}, nil, 7, begin)
	stream := box.New(func(unit.Instant) box.Facts { return box.Facts{Place: place} })
	at := begin
	for ; at < begin.Add(90*24*time.Hour); at = at.Add(10 * time.Minute) {
		r := sim.Next(at)
		stream.Add(&r)
	}
	var rs []reading.Reading
	for end := at.Add(30 * 24 * time.Hour); at < end; at = at.Add(time.Minute) {
		rs = append(rs, sim.Next(at))
	}
	state, err := stream.State.Encode()
	require.NoError(b, err)
	var floor, whole time.Duration
	for b.Loop() {
		s, err := box.Resume(state, func(unit.Instant) box.Facts { return box.Facts{Place: place} })
		require.NoError(b, err)
		ledger := exposure.NewStream([]exposure.Valid{{From: math.MinInt64, Facts: exposure.Facts{MaxGap: time.Hour, Place: place}}}, exposure.Part{From: math.MinInt64})
		floor += spent.DewPoints(b, rs)
		began := spent.Time(b)
		for i := range rs {
			ledger.Add(&rs[i])
			s.Add(&rs[i])
			if i%1440 == 0 {
				_, err := s.State.Encode()
				require.NoError(b, err)
			}
		}
		whole += spent.Time(b) - began
	}
	b.ReportMetric(float64(whole.Microseconds())/float64(b.N*len(rs)), "µs/reading")
	ratio := float64(whole) / float64(floor)
	b.ReportMetric(ratio, "x_dew_point")
	require.Less(b, ratio, 1000.0, "50 µs where a dew point takes a twentieth of one")
}
