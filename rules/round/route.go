package round

import "math"

// route is one day's order of tasks, with what makes it quick to tell where
// another fits.
type route struct {
	id    int64 // another for each content
	order []int
	end   []int64 // of each task's work, as early as can be
	late  []int64 // last begin of each, so that what follows still fits
	back  int64
	load  int64
	cost  float64 // travel and overtime
}

// fill computes what belongs to an order; false: it does not fit.
func (m *model) fill(day int, r *route) bool {
	d := &m.Days[day]
	n := len(r.order)
	r.end, r.late = resize(r.end, n), resize(r.late, n)
	at, place := d.Open, 0
	r.cost, r.load = 0, 0
	for i, id := range r.order {
		t := &m.tasks[id]
		var ok bool
		if at, ok = t.begin(day, at+m.Seconds[place][t.place]); !ok {
			return false
		}
		at += t.service
		r.end[i] = at
		r.cost += m.Cost[place][t.place]
		r.load += t.load
		place = t.place
	}
	r.back = at
	if n > 0 {
		r.back += m.Seconds[place][0]
		r.cost += m.Cost[place][0]
	}
	if r.back > d.Latest || d.Load > 0 && r.load > d.Load {
		return false
	}
	r.cost += m.overtime(day, r.back)
	next, limit := 0, d.Latest
	for i := n - 1; i >= 0; i-- {
		t := &m.tasks[r.order[i]]
		var ok bool
		if limit, ok = t.last(day, limit-m.Seconds[t.place][next]-t.service); !ok {
			return false
		}
		r.late[i], next = limit, t.place
	}
	return true
}

func resize(s []int64, n int) []int64 {
	if cap(s) < n {
		return make([]int64, n, n+4)
	}
	return s[:n]
}

// place is where a task costs least on a day.
type place struct {
	at   int
	cost float64 // Inf: it does not fit
}

var nowhere = place{-1, math.Inf(1)}

// insert returns where a task costs least in a route.
func (m *model) insert(day int, r *route, id int) place {
	t, d := &m.tasks[id], &m.Days[day]
	if !m.fits[id][day] || d.Load > 0 && r.load+t.load > d.Load {
		return nowhere
	}
	best := nowhere
	for i := 0; i <= len(r.order); i++ {
		from, left := 0, d.Open
		if i > 0 {
			from, left = m.tasks[r.order[i-1]].place, r.end[i-1]
		}
		begin, ok := t.begin(day, left+m.Seconds[from][t.place])
		if !ok {
			break // later places are reached later still, but for legs that are no metric
		}
		end := begin + t.service
		to, back := 0, end
		if i < len(r.order) {
			next := &m.tasks[r.order[i]]
			to = next.place
			at, ok := next.begin(day, end+m.Seconds[t.place][to])
			if !ok || at > r.late[i] {
				continue
			}
			back = r.back + max(0, at+next.service-r.end[i]) // an upper bound
		} else if back += m.Seconds[t.place][0]; back > d.Latest {
			continue
		}
		cost := m.Cost[from][t.place] + m.Cost[t.place][to]
		if len(r.order) > 0 {
			cost -= m.Cost[from][to]
		}
		if back > d.Close && m.Overtime > 0 && cost < best.cost {
			if back, ok = m.backWith(day, r, i, id); !ok {
				continue
			}
			cost += m.overtime(day, back) - m.overtime(day, r.back)
		}
		if cost < best.cost {
			best = place{i, cost}
		}
	}
	return best
}

// backWith returns when a person is back with a task put in before position i.
func (m *model) backWith(day int, r *route, i, id int) (int64, bool) {
	at, from := m.Days[day].Open, 0
	if i > 0 {
		at, from = r.end[i-1], m.tasks[r.order[i-1]].place
	}
	t := &m.tasks[id]
	for {
		begin, ok := t.begin(day, at+m.Seconds[from][t.place])
		if !ok {
			return 0, false
		}
		at, from = begin+t.service, t.place
		if i == len(r.order) {
			return at + m.Seconds[from][0], true
		}
		t = &m.tasks[r.order[i]]
		i++
	}
}

// improve moves chains of up to three stops, and turns parts of a day round,
// as long as that saves something (2-opt and Or-opt).
func (m *model) improve(day int, r *route) bool {
	changed := false
	try := route{}
	for better := true; better; {
		better = false
		n := len(r.order)
		check := func() {
			if m.fill(day, &try) && try.cost < r.cost-1e-9 {
				try.id = r.id
				*r, try = try, *r
				better, changed = true, true
			}
		}
		for i := 0; i < n && !better; i++ {
			for size := 1; size <= 3 && i+size <= n && !better; size++ {
				for to := 0; to <= n-size && !better; to++ {
					if to == i || m.saves(r, i, size, to) <= 1e-9 && m.overtime(day, r.back) == 0 {
						continue
					}
					try.order = moved(try.order[:0], r.order, i, size, to)
					check()
				}
			}
			for j := i + 1; j < n && !better; j++ {
				try.order = append(try.order[:0], r.order...)
				for a, b := i, j; a < b; a, b = a+1, b-1 {
					try.order[a], try.order[b] = try.order[b], try.order[a]
				}
				check()
			}
		}
	}
	return changed
}

// moved appends order with the chain [i, i+size) put before position to of the
// rest.
func moved(out, order []int, i, size, to int) []int {
	rest := 0
	for k := 0; ; k++ {
		if k == i {
			k += size
		}
		if rest == to {
			out = append(out, order[i:i+size]...)
		}
		if k >= len(order) {
			return out
		}
		out = append(out, order[k])
		rest++
	}
}

// saves returns what travel is saved by moving a chain.
func (m *model) saves(r *route, i, size, to int) float64 {
	at := func(k int) int {
		if k < 0 || k >= len(r.order) {
			return 0
		}
		return m.tasks[r.order[k]].place
	}
	a, b, c, d := at(i-1), at(i), at(i+size-1), at(i+size)
	if to > i {
		to += size
	}
	e, f := at(to-1), at(to)
	if to == i+size {
		return 0
	}
	return m.Cost[a][b] + m.Cost[c][d] + m.Cost[e][f] - m.Cost[a][d] - m.Cost[e][b] - m.Cost[c][f]
}
