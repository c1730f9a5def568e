package round

import (
	"math"
	"slices"
)

// mustCost stands for leaving out what a person wants to be in the plan: more
// than anything else can cost.
const mustCost = 1e7

// solution says who is visited when. Its routes are never changed, only
// replaced, so that a copy is cheap.
type solution struct {
	routes []*route
	way    []int // by job; -1: left out
	day    []int // by task; -1
	free   []int64
	cost   float64
}

func (m *model) empty() *solution {
	s := &solution{free: slices.Clone(m.stock)}
	for d := range m.Days {
		r := &route{id: -1 - int64(d)}
		m.fill(d, r)
		s.routes = append(s.routes, r)
	}
	for range m.tasks {
		s.day = append(s.day, -1)
	}
	for j := range m.Jobs {
		s.way = append(s.way, -1)
		s.cost += m.left(j)
	}
	return s
}

func (s *solution) copyFrom(o *solution) {
	s.routes = append(s.routes[:0], o.routes...)
	s.way = append(s.way[:0], o.way...)
	s.day = append(s.day[:0], o.day...)
	s.free = append(s.free[:0], o.free...)
	s.cost = o.cost
}

func (m *model) left(job int) float64 {
	if m.Jobs[job].Must {
		return m.Jobs[job].Left + mustCost
	}
	return m.Jobs[job].Left
}

// waiting is what a job costs besides travel if its visits are on those days.
func (m *model) waiting(job, way, first, last int) float64 {
	w := &m.Jobs[job].Ways[way]
	return m.Jobs[job].Wait[first] + w.Cost + w.Away*float64(m.Days[last].Date-m.Days[first].Date)
}

// option is a way to put a job in.
type option struct {
	way  int
	day  [2]int
	at   [2]int
	cost float64 // all of it; Inf: none
}

type cached struct {
	id int64 // of the route
	place
}

// searcher is what a search has besides the solution.
type searcher struct {
	*model
	next  int64 // id of a route
	cache [][]cached
	blink func() bool        // a place is passed over, so that others get their turn; nil: never
	pass  func(job int) bool // a job that is left out is passed over; nil: never
}

func newSearcher(m *model) *searcher {
	s := &searcher{model: m, next: 1}
	s.cache = make([][]cached, len(m.tasks))
	for t := range s.cache {
		s.cache[t] = make([]cached, len(m.Days))
	}
	return s
}

func (x *searcher) placeOf(s *solution, id, day int) place {
	c := &x.cache[id][day]
	if r := s.routes[day]; c.id != r.id {
		c.id, c.place = r.id, x.insert(day, r, id)
	}
	return c.place
}

// best returns the cheapest way to put a job in.
func (x *searcher) best(s *solution, job int) option {
	best := option{way: -1, cost: math.Inf(1)}
	for w := range x.Jobs[job].Ways {
		if !x.parts(s, job, w) {
			continue
		}
		ids := x.of[job][w]
		if len(ids) == 2 {
			x.bestPair(s, job, w, &best)
			continue
		}
		for d := range x.Days {
			wait := x.waiting(job, w, d, d)
			if wait >= best.cost || x.blink != nil && x.blink() {
				continue
			}
			if p := x.placeOf(s, ids[0], d); wait+p.cost < best.cost {
				best = option{w, [2]int{d, d}, [2]int{p.at, p.at}, wait + p.cost}
			}
		}
	}
	return best
}

func (x *searcher) bestPair(s *solution, job, w int, best *option) {
	ids, gap := x.of[job][w], x.Jobs[job].Ways[w].Gap
	for a := range x.Days {
		first := x.placeOf(s, ids[0], a)
		if first.at < 0 || x.blink != nil && x.blink() {
			continue
		}
		for b := a + 1; b < len(x.Days); b++ {
			if x.Days[b].Date-x.Days[a].Date < gap {
				continue
			}
			cost := x.waiting(job, w, a, b) + first.cost
			if cost >= best.cost {
				break // a later day costs more
			}
			if second := x.placeOf(s, ids[1], b); cost+second.cost < best.cost {
				*best = option{w, [2]int{a, b}, [2]int{first.at, second.at}, cost + second.cost}
			}
		}
	}
}

// parts tells whether there are parts for it.
func (m *model) parts(s *solution, job, way int) bool {
	for k, n := range m.need[job][way] {
		if n > s.free[k] {
			return false
		}
	}
	return true
}

// put carries an option out.
func (x *searcher) put(s *solution, job int, o option) {
	for i, id := range x.of[job][o.way] {
		d := o.day[i]
		r := &route{id: x.next, order: slices.Insert(slices.Clone(s.routes[d].order), o.at[i], id)}
		x.next++
		x.fill(d, r)
		s.cost += r.cost - s.routes[d].cost
		s.routes[d], s.day[id] = r, d
	}
	s.way[job] = o.way
	x.account(s, job, o.way, 1)
}

func (m *model) account(s *solution, job, way int, sign float64) {
	ids := m.of[job][way]
	s.cost += sign * (m.waiting(job, way, s.day[ids[0]], s.day[ids[len(ids)-1]]) - m.left(job))
	for k, n := range m.need[job][way] {
		s.free[k] -= int64(sign) * n
	}
}

// take takes a job out; false where a day without it would not fit, which can
// be where legs are no metric.
func (x *searcher) take(s *solution, job int) bool {
	way := s.way[job]
	var fresh [2]*route
	for i, id := range x.of[job][way] {
		d := s.day[id]
		r := &route{id: x.next, order: make([]int, 0, len(s.routes[d].order))}
		x.next++
		for _, other := range s.routes[d].order {
			if other != id {
				r.order = append(r.order, other)
			}
		}
		if !x.fill(d, r) {
			return false
		}
		fresh[i] = r
	}
	x.account(s, job, way, -1)
	for i, id := range x.of[job][way] {
		d := s.day[id]
		s.cost += fresh[i].cost - s.routes[d].cost
		s.routes[d], s.day[id] = fresh[i], -1
	}
	s.way[job] = -1
	return true
}

// polish improves each day by itself.
func (x *searcher) polish(s *solution) {
	for d, r := range s.routes {
		if len(r.order) < 2 {
			continue
		}
		better := &route{id: x.next, order: slices.Clone(r.order)}
		x.fill(d, better)
		if x.improve(d, better) {
			x.next++
			better.id = x.next
			x.next++
			s.cost += better.cost - r.cost
			s.routes[d] = better
		}
	}
}
