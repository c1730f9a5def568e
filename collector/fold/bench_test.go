package fold_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/boxsim"
	"dewpost/rules/fact"
	"dewpost/rules/reading"
)

// BenchmarkMinute gives the time that one more minute of a station takes, from
// commit (a) through the fold to commit (b), after three months, on average over
// a day; and as a ratio to commit (a) alone, which is the floor that the disk
// sets.
func BenchmarkMinute(b *testing.B) {
	const months, step = 90 * day, time.Minute
	sim := boxsim.New(boxsim.NewWeather(boxsim.Quayside(), 7), boxsim.Box{TauH: 40, HasBoard: true, HasOutside: true, HasLine: true, StandbyMA: 12, Noise: 1}, nil, 7, start)
	c := newBench(b, nil)
	c.enrol(b, "quay-01", map[string]string{fact.Mounting: "surface"})
	at := start
	var rs []reading.Reading
	for ; at < start.Add(months); at = at.Add(10 * time.Minute) {
		rs = append(rs, sim.Next(at))
	}
	c.now = at.Time()
	c.take(b, "quay-01", rs...)
	require.NoError(b, c.folder.All(b.Context()))
	var floor, whole time.Duration
	n := 0
	for b.Loop() {
		for range int(day / step) {
			at = at.Add(step)
			c.now = at.Time()
			r := sim.Next(at)
			began := time.Now()
			c.take(b, "quay-01", r)
			floor += time.Since(began)
			require.NoError(b, c.folder.All(b.Context()))
			whole += time.Since(began)
			n++
		}
	}
	b.ReportMetric(float64(whole.Microseconds())/1000/float64(n), "ms/minute")
	b.ReportMetric(float64(whole)/float64(floor), "x_commit")
}
