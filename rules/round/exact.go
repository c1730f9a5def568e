package round

import (
	"cmp"
	"context"
	"math"
	"math/bits"
	"slices"
)

// exactWork is how many steps from one day to the next an exact solution may
// take.
const exactWork = 8_000_000

// tourOf is the best order of a set of tasks on a day.
type tourOf struct {
	set   uint32
	cost  float64
	order []int
}

// state is what was done up to a day. Ways of two visits that are half done are
// told by the date of their first.
type state struct {
	set    uint32
	date   [exactTasks]int16 // of the first visit, by task, where the second is still to come; else 0
	cost   float64
	before int // index of the state of the day before
	tour   int // of the day's tours; -1: none
}

func (s *state) less(o *state) int {
	return cmp.Or(cmp.Compare(s.set, o.set), slices.Compare(s.date[:], o.date[:]))
}

// exact returns the best solution, or nil where that takes too long. known is
// a solution to beat.
func (x *searcher) exact(ctx context.Context, known *solution) *solution {
	e := &exactly{model: x.model, limit: known.cost + 1e-6}
	e.prepare()
	levels := [][]state{{{}}}
	tours := make([][]tourOf, len(x.Days))
	for d := range x.Days {
		tours[d] = e.tours(d)
		next := e.step(levels[d], d, tours[d])
		if next == nil || ctx.Err() != nil {
			return nil
		}
		levels = append(levels, next)
	}
	last := levels[len(x.Days)]
	best, at := math.Inf(1), -1
	for i := range last {
		if cost := last[i].cost + e.leftOf(last[i].set); !e.half(&last[i]) && cost < best {
			best, at = cost, i
		}
	}
	if at < 0 || best > known.cost {
		return known // nothing beats it
	}
	s := x.empty()
	for d := len(x.Days); d > 0; d-- {
		st := &levels[d][at]
		if st.tour >= 0 {
			r := &route{id: x.next, order: tours[d-1][st.tour].order}
			x.next++
			x.fill(d-1, r)
			s.cost += r.cost - s.routes[d-1].cost
			s.routes[d-1] = r
			for _, id := range r.order {
				s.day[id] = d - 1
			}
		}
		at = st.before
	}
	for j := range x.Jobs {
		for w, ids := range x.of[j] {
			if s.day[ids[0]] >= 0 {
				s.way[j] = w
				x.account(s, j, w, 1)
			}
		}
	}
	return s
}

type exactly struct {
	*model
	limit  float64
	ofJob  []uint32  // tasks by job
	least  []float64 // that a job can cost, by job
	second uint32    // tasks that are second visits
	work   int
}

func (e *exactly) prepare() {
	for j := range e.Jobs {
		var set uint32
		least := e.left(j)
		for w, ids := range e.of[j] {
			for i, id := range ids {
				set |= 1 << id
				if i == 1 {
					e.second |= 1 << id
				}
			}
			for d := range e.Days {
				least = min(least, e.waiting(j, w, d, d))
			}
		}
		e.ofJob, e.least = append(e.ofJob, set), append(e.least, least)
	}
}

// leftOf is what it costs to leave out what a set does not hold.
func (e *exactly) leftOf(set uint32) (sum float64) {
	for j, of := range e.ofJob {
		if set&of == 0 {
			sum += e.left(j)
		}
	}
	return sum
}

// half tells whether a second visit is still to come.
func (e *exactly) half(s *state) bool {
	for _, d := range s.date {
		if d != 0 {
			return true
		}
	}
	return false
}

// tours returns the sets of tasks that fit into a day, each with its best
// order: labels of time and cost, by set and last task.
func (e *exactly) tours(day int) []tourOf {
	type label struct {
		cost   float64
		at     int64
		before int32 // index in the set without the last task
		last   int8
	}
	n := len(e.tasks)
	d := &e.Days[day]
	sets := make([][]label, 1<<n)
	var all []tourOf
	for set := uint32(1); set < 1<<n; set++ {
		if !e.may(set, day) {
			continue
		}
		for last := range n {
			if set&(1<<last) == 0 {
				continue
			}
			rest := set &^ (1 << last)
			t := &e.tasks[last]
			var mine []label
			add := func(l label) {
				for i := range mine {
					if mine[i].cost <= l.cost && mine[i].at <= l.at {
						return
					}
				}
				mine = slices.DeleteFunc(mine, func(o label) bool { return l.cost <= o.cost && l.at <= o.at })
				mine = append(mine, l)
			}
			if rest == 0 {
				if at, ok := t.begin(day, d.Open+e.Seconds[0][t.place]); ok {
					add(label{e.Cost[0][t.place], at + t.service, -1, int8(last)})
				}
			}
			for i, l := range sets[rest] {
				from := e.tasks[l.last].place
				if at, ok := t.begin(day, l.at+e.Seconds[from][t.place]); ok {
					add(label{l.cost + e.Cost[from][t.place], at + t.service, int32(i), int8(last)})
				}
			}
			sets[set] = append(sets[set], mine...)
		}
		best, at := math.Inf(1), -1
		for i, l := range sets[set] {
			place := e.tasks[l.last].place
			back := l.at + e.Seconds[place][0]
			if cost := l.cost + e.Cost[place][0] + e.overtime(day, back); back <= d.Latest && cost < best {
				best, at = cost, i
			}
		}
		if at < 0 {
			continue
		}
		tour := tourOf{set: set, cost: best}
		for s := set; s != 0; {
			l := sets[s][at]
			tour.order = append(tour.order, int(l.last))
			s, at = s&^(1<<l.last), int(l.before)
		}
		slices.Reverse(tour.order)
		all = append(all, tour)
	}
	return all
}

// may tells whether a set is one that could be on one day at all.
func (e *exactly) may(set uint32, day int) bool {
	var load int64
	for s := set; s != 0; s &= s - 1 {
		t := bits.TrailingZeros32(s)
		load += e.tasks[t].load
		if e.Days[day].Wet && e.tasks[t].dry {
			return false
		}
	}
	if e.Days[day].Load > 0 && load > e.Days[day].Load {
		return false
	}
	for _, of := range e.ofJob {
		if bits.OnesCount32(set&of) > 1 {
			return false
		}
	}
	return true
}

// step returns the states after a day; nil when it takes too long.
func (e *exactly) step(from []state, day int, tours []tourOf) []state {
	var next []state
	add := func(s state) {
		rest := 0.0
		for j, of := range e.ofJob {
			if s.set&of == 0 {
				rest += e.least[j]
			}
		}
		if s.cost+rest <= e.limit {
			next = append(next, s)
		}
	}
	for i := range from {
		s := from[i]
		s.before, s.tour = i, -1
		add(s)
		for k := range tours {
			if e.work++; e.work > exactWork {
				return nil
			}
			if tours[k].set&from[i].set != 0 {
				continue
			}
			if after, ok := e.after(&from[i], day, &tours[k]); ok {
				after.before, after.tour = i, k
				add(after)
			}
		}
	}
	slices.SortStableFunc(next, func(a, b state) int { return cmp.Or(a.less(&b), cmp.Compare(a.cost, b.cost)) })
	return slices.CompactFunc(next, func(a, b state) bool { return a.less(&b) == 0 })
}

// after returns the state once a tour was made on a day.
func (e *exactly) after(s *state, day int, tour *tourOf) (state, bool) {
	after := *s
	after.cost += tour.cost
	date := e.Days[day].Date - e.Days[0].Date + 1
	for set := tour.set; set != 0; set &= set - 1 {
		id := bits.TrailingZeros32(set)
		t := &e.tasks[id]
		way := &e.Jobs[t.job].Ways[t.way]
		if t.stop == 1 {
			first := e.of[t.job][t.way][0]
			if s.date[first] == 0 || date-int(s.date[first]) < way.Gap {
				return after, false
			}
			after.cost += way.Away * float64(date-int(s.date[first]))
			after.date[first] = 0
			continue
		}
		if s.set&e.ofJob[t.job] != 0 {
			return after, false
		}
		after.cost += e.Jobs[t.job].Wait[day] + way.Cost
		if len(way.Stops) == 2 {
			after.date[id] = int16(date)
		}
	}
	after.set |= tour.set
	return after, e.enough(after.set)
}

// enough tells whether there are parts for what a set holds.
func (e *exactly) enough(set uint32) bool {
	for k := range e.kinds {
		var sum int64
		for s := set &^ e.second; s != 0; s &= s - 1 {
			t := &e.tasks[bits.TrailingZeros32(s)]
			sum += e.need[t.job][t.way][k]
		}
		if sum > e.stock[k] {
			return false
		}
	}
	return true
}
