package round

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// feasible checks a plan against its problem by itself, and adds up its cost
// again.
func feasible(t testing.TB, p *Problem, plan *Plan) {
	t.Helper()
	seen := make([]map[int]int, len(p.Jobs)) // stop → day
	parts := map[string]int64{}
	travel, overtime, days := 0.0, 0.0, map[int]bool{}
	for _, tour := range plan.Tours {
		require.False(t, days[tour.Day], "one tour a day")
		days[tour.Day] = true
		d := &p.Days[tour.Day]
		at, place := tour.Leave, 0
		require.GreaterOrEqual(t, at, d.Open)
		var load, drive int64
		for _, v := range tour.Visits {
			job := &p.Jobs[v.Job]
			stop := &job.Ways[v.Way].Stops[v.Stop]
			require.Equal(t, plan.Way[v.Job], v.Way)
			require.Equal(t, p.Seconds[place][job.Place], v.Drive)
			require.Equal(t, at+v.Drive, v.Arrive)
			require.GreaterOrEqual(t, v.Begin, v.Arrive)
			require.Equal(t, v.Begin+stop.Service, v.End)
			if stop.Hours != nil {
				in := false
				for _, w := range stop.Hours[tour.Day] {
					in = in || v.Begin >= w.From && v.Begin <= w.To
				}
				require.True(t, in, "%s begins in its hours", job.ID)
			}
			require.False(t, d.Wet && stop.Dry)
			if seen[v.Job] == nil {
				seen[v.Job] = map[int]int{}
			}
			require.NotContains(t, seen[v.Job], v.Stop)
			seen[v.Job][v.Stop] = tour.Day
			load += stop.Load
			drive += v.Drive
			travel += p.Cost[place][job.Place]
			at, place = v.End, job.Place
		}
		travel += p.Cost[place][0]
		require.Equal(t, at+p.Seconds[place][0], tour.Back)
		require.Equal(t, drive+p.Seconds[place][0], tour.Drive)
		require.LessOrEqual(t, tour.Back, d.Latest)
		if d.Load > 0 {
			require.LessOrEqual(t, load, d.Load)
		}
		overtime += p.Overtime * float64(max(0, tour.Back-d.Close)) / 3600
	}
	loss, ways := 0.0, 0.0
	left := map[int]bool{}
	for _, l := range plan.Left {
		left[l.Job] = true
	}
	for j, way := range plan.Way {
		require.Equal(t, way < 0, left[j])
		if way < 0 {
			require.Empty(t, seen[j])
			loss += p.Jobs[j].Left
			continue
		}
		w := &p.Jobs[j].Ways[way]
		require.Len(t, seen[j], len(w.Stops))
		first, last := seen[j][0], seen[j][len(w.Stops)-1]
		if len(w.Stops) == 2 {
			require.GreaterOrEqual(t, p.Days[last].Date-p.Days[first].Date, w.Gap)
		}
		loss += p.Jobs[j].Wait[first]
		ways += w.Cost + w.Away*float64(p.Days[last].Date-p.Days[first].Date)
		for kind, n := range w.Parts {
			parts[kind] += n
		}
	}
	for kind, n := range parts {
		require.LessOrEqual(t, n, p.Parts[kind])
	}
	require.InDelta(t, travel, plan.Travel, 1e-6*(1+travel))
	require.InDelta(t, overtime, plan.Overtime, 1e-6*(1+overtime))
	require.InDelta(t, loss, plan.Loss, 1e-6*(1+loss))
	require.InDelta(t, ways, plan.Ways, 1e-6*(1+ways))
	require.InDelta(t, travel+overtime+loss+ways, plan.Cost, 1e-6*(1+plan.Cost))
	require.LessOrEqual(t, plan.Bound, plan.Cost+1e-9)
	require.False(t, math.IsNaN(plan.Bound))
}
