package round

import (
	"cmp"
	"context"
	"math"
	"math/rand/v2"
	"slices"
)

// Options says how long to search.
type Options struct {
	Seed     uint64
	Steps    int                              // 0: as many as Steps says
	Progress func(step, of int, cost float64) // may be nil
	NoExact  bool                             // search even what is small
}

const (
	exactTasks  = 12         // that are solved exactly, at most
	tellEvery   = 500        // steps between two calls of Progress
	longString  = 10         // stops that are taken out of one day in a row, at most
	manyRemoved = 10         // stops that are taken out in one step, on average
	blinkChance = 0.01       // of passing a day over
	reheats     = 3          // times that the search begins anew from the best so far
	hot, cold   = 0.5, 0.003 // shares of a job's mean cost by which a step may be worse
)

// Steps returns how many steps a problem is worth: enough to come near the
// best, and done in about ten seconds for 200 stations and four weeks.
func Steps(p *Problem) int {
	return 20000 + 50*min(len(p.Jobs), 200)
}

// Search makes a plan. An error is about the problem; a context that ends makes
// the search end with the best plan so far.
func Search(ctx context.Context, p *Problem, o Options) (*Plan, error) {
	if err := p.Check(); err != nil {
		return nil, err
	}
	m := newModel(p)
	steps := cmp.Or(o.Steps, Steps(p))
	x := newSearcher(m)
	best := x.first()
	if len(m.tasks) <= exactTasks && !o.NoExact {
		if s := x.exact(ctx, best); s != nil {
			plan := x.plan(s)
			plan.Exact, plan.Ended, plan.Bound = true, true, plan.Cost
			return plan, nil
		}
	}
	made := x.search(ctx, best, steps, o)
	x.fillUp(best, func(j int) float64 { return -x.left(j) }) // what was passed over and fits
	plan := x.plan(best)
	plan.Steps, plan.Ended = made, made == steps
	plan.Bound = min(m.bound(best.cost), plan.Cost)
	return plan, nil
}

// first puts jobs in, the dearest to leave out first.
func (x *searcher) first() *solution {
	s := x.empty()
	x.fillUp(s, func(j int) float64 { return -x.left(j) })
	x.polish(s)
	return s
}

// fillUp puts in what is left out, in the order of a key, where that saves
// anything.
func (x *searcher) fillUp(s *solution, key func(job int) float64) {
	type ranked struct {
		job int
		key float64
	}
	var absent []ranked
	for j, way := range s.way {
		if way < 0 && (x.pass == nil || !x.pass(j)) {
			absent = append(absent, ranked{j, key(j)})
		}
	}
	slices.SortFunc(absent, func(a, b ranked) int { return cmp.Or(cmp.Compare(a.key, b.key), cmp.Compare(a.job, b.job)) })
	for _, a := range absent {
		if o := x.best(s, a.job); o.way >= 0 && o.cost < x.left(a.job) {
			x.put(s, a.job, o)
		}
	}
}

// search makes best better, and returns how many steps it made.
func (x *searcher) search(ctx context.Context, best *solution, steps int, o Options) int {
	if len(x.Jobs) == 0 {
		return steps
	}
	rng := rand.New(rand.NewPCG(o.Seed, 0x2545f4914f6cdd1d))
	w := newWeights(x.model)
	x.blink = func() bool { return rng.Float64() < blinkChance }
	now, try := &solution{}, &solution{}
	now.copyFrom(best)
	// Of what was left out before a step, most is passed over: it seldom fits.
	x.pass = func(job int) bool { return now.way[job] < 0 && rng.IntN(8) >= 3 }
	defer func() { x.blink, x.pass = nil, nil }()
	scale := x.scale(best)
	for step := range steps {
		if step%64 == 0 && ctx.Err() != nil {
			return step
		}
		if o.Progress != nil && step%tellEvery == 0 {
			o.Progress(step, steps, best.cost)
		}
		phase := float64(step*reheats%steps) / float64(steps)
		if step > 0 && step*reheats/steps != (step-1)*reheats/steps {
			now.copyFrom(best)
		}
		heat := scale * hot * math.Pow(cold/hot, phase)
		try.copyFrom(now)
		x.remove(try, w, rng)
		if rng.IntN(5) == 0 {
			x.goOut(try, w, rng)
		}
		x.fillUp(try, w.order(rng))
		if rng.IntN(20) == 0 || try.cost < best.cost {
			x.polish(try)
		}
		if try.cost < now.cost-heat*math.Log(1-rng.Float64()) {
			now, try = try, now
			if now.cost < best.cost-1e-9 {
				x.polish(now)
				best.copyFrom(now)
			}
		}
	}
	if o.Progress != nil {
		o.Progress(steps, steps, best.cost)
	}
	return steps
}

// goOut puts one job in that isn't worth a drive by itself, and then those near
// it, and takes out again what is still not worth it.
func (x *searcher) goOut(s *solution, w *weights, rng *rand.Rand) {
	seed := rng.IntN(len(x.Jobs))
	if s.way[seed] >= 0 {
		return
	}
	o := x.best(s, seed)
	if o.way < 0 {
		return
	}
	x.put(s, seed, o)
	size := 1 + rng.IntN(2*manyRemoved)
	added := []int{seed}
	for _, j := range w.near[seed][:min(size, len(w.near[seed]))] {
		if s.way[j] >= 0 {
			continue
		}
		if o := x.best(s, j); o.way >= 0 && o.cost < x.left(j) {
			x.put(s, j, o)
			added = append(added, j)
		}
	}
	if size > manyRemoved {
		return // and see whether others make it worth it
	}
	for _, j := range added {
		with := s.cost
		if x.take(s, j) && s.cost > with {
			if o := x.best(s, j); o.way >= 0 && o.cost < x.left(j) {
				x.put(s, j, o)
			}
		}
	}
}

// scale is what a job costs on average, left out or not.
func (x *searcher) scale(s *solution) float64 {
	sum := 0.0
	for j, way := range s.way {
		if way < 0 {
			sum += x.Jobs[j].Left
		}
	}
	for _, r := range s.routes {
		sum += r.cost
	}
	return sum / float64(len(x.Jobs))
}

// weights are what jobs are put in order by.
type weights struct {
	m     *model
	value []float64 // of a visit
	time  []float64 // that it takes at least, s
	far   []float64
	width []float64 // of its hours
	near  [][]int   // other jobs, the nearest first
}

func newWeights(m *model) *weights {
	w := &weights{m: m}
	for j := range m.Jobs {
		job := &m.Jobs[j]
		least := math.Inf(1)
		for _, c := range job.Wait {
			least = min(least, c)
		}
		time, width := math.Inf(1), 0.0
		for k := range job.Ways {
			sum := 0.0
			for i := range job.Ways[k].Stops {
				sum += float64(job.Ways[k].Stops[i].Service)
			}
			time = min(time, sum)
		}
		for d := range m.Days {
			for _, ids := range m.of[j] {
				if t := &m.tasks[ids[0]]; m.fits[ids[0]][d] {
					if t.hours == nil {
						width += float64(m.Days[d].Close - m.Days[d].Open)
						continue
					}
					for _, h := range t.hours[d] {
						width += float64(h.To - h.From)
					}
				}
			}
		}
		closest := math.Inf(1)
		var others []int
		for o := range m.Jobs {
			if o != j {
				closest = min(closest, float64(m.Seconds[job.Place][m.Jobs[o].Place]))
				others = append(others, o)
			}
		}
		slices.SortStableFunc(others, func(a, b int) int {
			return cmp.Compare(m.Seconds[job.Place][m.Jobs[a].Place], m.Seconds[job.Place][m.Jobs[b].Place])
		})
		if math.IsInf(closest, 1) {
			closest = 0
		}
		w.value = append(w.value, m.left(j)-least)
		w.time = append(w.time, 1+time+closest)
		w.far = append(w.far, float64(m.Seconds[0][job.Place]))
		w.width = append(w.width, width)
		w.near = append(w.near, others)
	}
	return w
}

// order returns a key by which jobs are put in, chosen by chance.
func (w *weights) order(rng *rand.Rand) func(job int) float64 {
	noise := func() float64 { return 0.5 + rng.Float64() }
	switch rng.IntN(10) {
	case 0, 1:
		return func(int) float64 { return rng.Float64() }
	case 2, 3:
		return func(j int) float64 { return -w.value[j] * noise() }
	case 4, 5, 6:
		return func(j int) float64 { return -w.value[j] / w.time[j] * noise() }
	case 7:
		return func(j int) float64 { return -w.far[j] * noise() }
	case 8:
		return func(j int) float64 { return w.far[j] * noise() }
	default:
		return func(j int) float64 { return w.width[j] * noise() }
	}
}

// remove takes jobs out: strings of stops that lie near one another (Christiaens
// and Vanden Berghe, Transportation Science 54, 2020, 417–433), some at random,
// or whole days.
func (x *searcher) remove(s *solution, w *weights, rng *rand.Rand) {
	var in []int
	for j, way := range s.way {
		if way >= 0 {
			in = append(in, j)
		}
	}
	if len(in) == 0 {
		return
	}
	switch rng.IntN(12) {
	case 0:
		for range 1 + rng.IntN(min(len(in), 2*manyRemoved)) {
			if j := in[rng.IntN(len(in))]; s.way[j] >= 0 {
				x.take(s, j)
			}
		}
	case 1:
		x.removeDay(s, in[rng.IntN(len(in))])
	default:
		x.removeStrings(s, w, rng, rng.IntN(len(x.Jobs)))
	}
}

// removeDay takes out all that a job's day holds.
func (x *searcher) removeDay(s *solution, job int) {
	d := s.day[x.of[job][s.way[job]][0]]
	for _, id := range s.routes[d].order {
		if j := x.tasks[id].job; s.way[j] >= 0 {
			x.take(s, j)
		}
	}
}

func (x *searcher) removeStrings(s *solution, w *weights, rng *rand.Rand, seed int) {
	stops, days := 0, 0
	for _, r := range s.routes {
		if len(r.order) > 0 {
			stops, days = stops+len(r.order), days+1
		}
	}
	longest := min(longString, max(1, stops/days))
	most := 4*manyRemoved/(1+longest) - 1
	strings := 1 + rng.IntN(max(1, most))
	done := make(map[int]bool)
	for i := -1; i < len(w.near[seed]) && len(done) < strings; i++ {
		job := seed
		if i >= 0 {
			job = w.near[seed][i]
		}
		if s.way[job] < 0 {
			continue
		}
		id := x.of[job][s.way[job]][0]
		d := s.day[id]
		if done[d] {
			continue
		}
		done[d] = true
		order := s.routes[d].order
		size := 1 + rng.IntN(min(longest, len(order)))
		at := slices.Index(order, id)
		from := max(0, at-rng.IntN(size))
		from = min(from, len(order)-size)
		// Now and then some in the middle stay.
		keep := 0
		if size > 1 && rng.IntN(2) == 0 {
			keep = 1 + rng.IntN(min(size-1, len(order)-size+1))
			if from+size+keep > len(order) {
				keep = len(order) - from - size
			}
		}
		skip := from + rng.IntN(size)
		for k := from; k < from+size+keep; k++ {
			if keep > 0 && k >= skip && k < skip+keep {
				continue
			}
			if j := x.tasks[order[k]].job; s.way[j] >= 0 {
				x.take(s, j)
			}
		}
	}
}
