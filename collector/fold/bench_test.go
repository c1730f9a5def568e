package fold_test

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/collector/record"
	"dewpost/rules/boxsim"
	"dewpost/rules/fact"
	"dewpost/rules/reading"
	"dewpost/testdata/pgserver"
)

// BenchmarkMinuteOfMany gives the time that one more minute takes of each of many
// stations which are up to date, over an hour, so that what is done once an hour
// is in it: commit (a) of all of them together, then their folds and commits (b).
func BenchmarkMinuteOfMany(b *testing.B) {
	b.Run("sqlite", func(b *testing.B) { minuteOfMany(b, filepath.Join(b.TempDir(), "dewpost.db")) })
	b.Run("postgres", func(b *testing.B) {
		server, err := pgserver.Start()
		require.NoError(b, err)
		defer func() { require.NoError(b, server.Stop()) }()
		url, err := server.Database()
		require.NoError(b, err)
		minuteOfMany(b, url)
	})
}

func minuteOfMany(b *testing.B, where string) {
	const stations, before = 200, 2 * day
	c := newBenchAt(b, where, nil)
	defer func() { require.NoError(b, c.store.Close()) }()
	var sims []*boxsim.Sim
	var arrivals []record.Arrival
	at := start
	for i := range stations {
		id := fmt.Sprintf("quay-%03d", i)
		c.enrol(b, id, map[string]string{fact.Mounting: "surface"})
		sim := boxsim.New(boxsim.NewWeather(boxsim.Quayside(), uint64(i)), boxsim.Box{TauH: 40, HasBoard: true, HasOutside: true, HasLine: true, StandbyMA: 12, Noise: 1}, nil, uint64(i), start)
		sims = append(sims, sim)
		var rs []reading.Reading
		for at = start; at < start.Add(before); at = at.Add(10 * time.Minute) {
			rs = append(rs, sim.Next(at))
		}
		arrivals = append(arrivals, record.Arrival{Station: id, Batch: reading.Batch{Readings: rs}})
	}
	c.now = at.Time()
	take := func() {
		_, err := c.store.Commit(b.Context(), arrivals)
		require.NoError(b, err)
	}
	take()
	require.NoError(b, c.folder.All(b.Context()))
	var floor, whole, most time.Duration
	n := 0
	for b.Loop() {
		for range 60 {
			at = at.Add(time.Minute)
			c.now = at.Time()
			for i, sim := range sims {
				arrivals[i].Batch = reading.Batch{Readings: []reading.Reading{sim.Next(at)}}
			}
			began := time.Now()
			take()
			floor += time.Since(began)
			require.NoError(b, c.folder.All(b.Context()))
			took := time.Since(began)
			whole += took
			most = max(most, took)
			n += stations
		}
	}
	b.ReportMetric((whole-floor).Seconds()*1e3/float64(n), "fold_ms/minute")
	b.ReportMetric(floor.Seconds()*1e3/float64(n), "commit_ms/minute")
	b.ReportMetric(most.Seconds()*1e3/stations, "worst_ms/minute")
}

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
