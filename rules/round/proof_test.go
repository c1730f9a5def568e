package round

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestRound is the proof "round": published instances against what was proven
// best, small problems against trying everything, and how long 200 stations and
// four weeks take.
func TestRound(t *testing.T) {
	// By itself, without prove.sh, it is a test among others and takes a second.
	every, share, small, stations := 30, 8, 12, 40
	switch os.Getenv("PROOF_SCALE") {
	case "quick":
		every, share, small, stations = 5, 2, 60, 200
	case "full":
		every, share, small, stations = 1, 1, 400, 200
	}
	seed := uint64(1)
	if text := os.Getenv("PROOF_SEED"); text != "" {
		n, err := strconv.ParseUint(text, 10, 64)
		require.NoError(t, err)
		seed = n
	}
	var gaps []float64
	for i, p := range optima(t) {
		if i%every != 0 {
			continue
		}
		problem := p.asOurs(t)
		plan, err := Search(context.Background(), problem, Options{Seed: seed, Steps: 2000 * p.n / share})
		require.NoError(t, err)
		gap := p.gap(t, problem, plan)
		gaps = append(gaps, gap)
		fmt.Printf("round(%s): gap_pct=%.2f best=%g\n", &p, gap, p.best)
	}
	slices.Sort(gaps)
	worst, median := gaps[len(gaps)-1], (gaps[(len(gaps)-1)/2]+gaps[len(gaps)/2])/2
	equal := true
	for i := range small {
		equal = tried(t, seed, i) && equal
	}
	big := invented(rand.New(rand.NewPCG(seed, 200)), stations, 20)
	steps := 0 // as many as a plan is given
	if stations < 200 {
		steps = 1000
	}
	began := worked(t)
	plan, err := Search(context.Background(), big, Options{Seed: seed, Steps: steps})
	took := worked(t) - began
	require.NoError(t, err)
	feasible(t, big, plan)
	fmt.Printf("round(%d stations): visited=%d left=%d cost_h=%.1f bound_h=%.1f steps=%d\n", stations, stations-len(plan.Left), len(plan.Left), plan.Cost, plan.Bound, plan.Steps)
	fmt.Printf("round: instances=%d worst_gap_pct=%.2f median_gap_pct=%.2f brute_force_equal=%v seconds_200=%.1f\n", len(gaps), math.Abs(worst), math.Abs(median), equal, took)
	require.LessOrEqual(t, worst, 5.0)
	require.LessOrEqual(t, median, 2.0)
	require.True(t, equal)
	require.LessOrEqual(t, took, 10.0)
}

// worked returns seconds of a processor that this process has had: what a search
// takes on a machine that has nothing else to do, as it uses one.
func worked(t *testing.T) float64 {
	var u syscall.Rusage
	require.NoError(t, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano()).Seconds()
}

// invented makes a problem as a workshop has them.
func invented(rng *rand.Rand, stations, days int) *Problem {
	p := &Problem{Overtime: 1.5, Parts: map[string]int64{}}
	for d := range days {
		p.Days = append(p.Days, Day{Date: d/5*7 + d%5, Open: 8 * 3600, Close: 16 * 3600, Latest: 18 * 3600, Wet: rng.IntN(4) == 0, Name: fmt.Sprint(d)})
	}
	type point struct{ x, y float64 }
	places := []point{{0, 0}}
	sites := max(1, stations/3)
	for range sites {
		places = append(places, point{rng.NormFloat64() * 25, rng.NormFloat64() * 25})
	}
	for _, a := range places {
		var seconds []int64
		var cost []float64
		for _, b := range places {
			km := 1.3 * math.Hypot(a.x-b.x, a.y-b.y)
			seconds = append(seconds, int64(km/50*3600))
			cost = append(cost, km/50+km*0.02)
		}
		p.Seconds, p.Cost = append(p.Seconds, seconds), append(p.Cost, cost)
	}
	kinds := []string{"cover", "gasket", "board", "face"}
	for _, k := range kinds {
		p.Parts[k] = int64(rng.IntN(stations/4 + 2))
	}
	for s := range stations {
		week := 0.05 * math.Exp(rng.NormFloat64()*1.3)
		j := Job{ID: fmt.Sprintf("s-%d", s), Place: 1 + rng.IntN(sites), Left: week * float64(days) / 5 * 1.5}
		for _, d := range p.Days {
			j.Wait = append(j.Wait, week*float64(d.Date)/7)
		}
		var hours [][]Window
		if rng.IntN(3) == 0 {
			for range p.Days {
				switch rng.IntN(3) {
				case 0:
					hours = append(hours, []Window{})
				case 1:
					hours = append(hours, []Window{{9 * 3600, 12 * 3600}})
				default:
					hours = append(hours, []Window{{8 * 3600, 11 * 3600}, {13 * 3600, 17 * 3600}})
				}
			}
		}
		stop := func(minutes int, dry bool) Stop {
			return Stop{Service: int64(minutes) * 60, Dry: dry, Hours: hours}
		}
		parts := map[string]int64{}
		if rng.IntN(2) == 0 {
			parts[kinds[rng.IntN(len(kinds))]] = 1
		}
		j.Ways = []Way{{Name: "repair", Parts: parts, Stops: []Stop{stop(20+rng.IntN(60), rng.IntN(2) == 0)}}}
		if rng.IntN(6) == 0 {
			j.Ways = []Way{
				{Name: "two", Gap: 2, Away: 0.02, Stops: []Stop{stop(30, true), stop(30, false)}},
				{Name: "swap", Cost: 0.5, Parts: map[string]int64{"board": 1}, Stops: []Stop{stop(40, true)}},
			}
		}
		j.Must = rng.IntN(10) == 0
		p.Jobs = append(p.Jobs, j)
	}
	return p
}

// tried tells whether the exact solution of a small problem costs what trying
// everything finds, and whether a search finds it too.
func tried(t *testing.T, seed uint64, i int) bool {
	rng := rand.New(rand.NewPCG(seed, uint64(i)))
	p := invented(rng, 1+rng.IntN(5), 1+rng.IntN(3))
	if rng.IntN(2) == 0 { // losses that are worth a drive, and days that are short
		for j := range p.Jobs {
			for d := range p.Jobs[j].Wait {
				p.Jobs[j].Wait[d] *= 20
			}
			p.Jobs[j].Left *= 20
		}
		for d := range p.Days {
			p.Days[d].Close, p.Days[d].Latest = 11*3600, 12*3600
		}
	}
	want := everything(p)
	exact, err := Search(context.Background(), p, Options{Seed: seed})
	require.NoError(t, err)
	feasible(t, p, exact)
	require.True(t, exact.Exact, "small ones are solved exactly")
	searched, err := Search(context.Background(), p, Options{Seed: seed, NoExact: true, Steps: 600})
	require.NoError(t, err)
	feasible(t, p, searched)
	require.LessOrEqual(t, searched.Bound, want+1e-6, "seed %d problem %d: the bound is one", seed, i)
	same := func(plan *Plan) bool { return math.Abs(withMust(p, plan)-want) < 1e-6*(1+want) }
	if !same(exact) || !same(searched) {
		t.Logf("seed %d problem %d: everything %g, exact %g, search %g", seed, i, want, withMust(p, exact), withMust(p, searched))
		return false
	}
	return true
}

func withMust(p *Problem, plan *Plan) float64 {
	cost := plan.Cost
	for _, l := range plan.Left {
		if p.Jobs[l.Job].Must {
			cost += mustCost
		}
	}
	return cost
}

// everything tries every way on every day in every order, knowing nothing of
// the package but its types.
func everything(p *Problem) float64 {
	best := math.Inf(1)
	type visit struct{ job, way, stop int }
	days := make([][]visit, len(p.Days))
	var dayCost func(d int, order []visit, done int) float64
	dayCost = func(d int, order []visit, done int) float64 {
		if done < len(order) {
			least := math.Inf(1)
			for i := done; i < len(order); i++ {
				order[done], order[i] = order[i], order[done]
				least = min(least, dayCost(d, order, done+1))
				order[done], order[i] = order[i], order[done]
			}
			return least
		}
		if len(order) == 0 {
			return 0
		}
		at, place, cost := p.Days[d].Open, 0, 0.0
		for _, v := range order {
			job := &p.Jobs[v.job]
			stop := &job.Ways[v.way].Stops[v.stop]
			at += p.Seconds[place][job.Place]
			cost += p.Cost[place][job.Place]
			place = job.Place
			if stop.Hours != nil {
				ok := false
				for _, w := range stop.Hours[d] {
					if !ok && at <= w.To {
						at, ok = max(at, w.From), true
					}
				}
				if !ok {
					return math.Inf(1)
				}
			}
			at += stop.Service
		}
		at += p.Seconds[place][0]
		if at > p.Days[d].Latest {
			return math.Inf(1)
		}
		return cost + p.Cost[place][0] + p.Overtime*float64(max(0, at-p.Days[d].Close))/3600
	}
	used := map[string]int64{}
	var choose func(j int, cost float64)
	choose = func(j int, cost float64) {
		if j == len(p.Jobs) {
			for d := range p.Days {
				cost += dayCost(d, slices.Clone(days[d]), 0)
			}
			best = min(best, cost)
			return
		}
		job := &p.Jobs[j]
		if job.Must {
			choose(j+1, cost+job.Left+mustCost)
		} else {
			choose(j+1, cost+job.Left)
		}
		for w := range job.Ways {
			way := &job.Ways[w]
			short := false
			for kind, n := range way.Parts {
				used[kind] += n
				short = short || used[kind] > p.Parts[kind]
			}
			for a := range p.Days {
				if short || p.Days[a].Wet && way.Stops[0].Dry {
					continue
				}
				days[a] = append(days[a], visit{j, w, 0})
				if len(way.Stops) == 1 {
					choose(j+1, cost+job.Wait[a]+way.Cost)
				} else {
					for b := range p.Days {
						gap := p.Days[b].Date - p.Days[a].Date
						if gap < way.Gap || p.Days[b].Wet && way.Stops[1].Dry {
							continue
						}
						days[b] = append(days[b], visit{j, w, 1})
						choose(j+1, cost+job.Wait[a]+way.Cost+way.Away*float64(gap))
						days[b] = days[b][:len(days[b])-1]
					}
				}
				days[a] = days[a][:len(days[a])-1]
			}
			for kind, n := range way.Parts {
				used[kind] -= n
			}
		}
	}
	choose(0, 0)
	return best
}
