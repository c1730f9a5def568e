package round

import (
	"math"
	"slices"
)

// bound returns what no plan costs less than: the best of a problem in which a
// day is only so long as its visits and their shares of the driving take, and
// nobody asks in which order. It is found from below, by prices for the time of
// each day and for each kind of part (Lagrangian relaxation; Fisher, Management
// Science 27, 1981, 1–18). target is the cost of a plan.
func (m *model) bound(target float64) float64 {
	m.shortest()
	best := math.Inf(-1)
	for _, near := range []float64{0, 0.5, 1} {
		best = max(best, newBounder(m, near).climb(target))
	}
	return best
}

func (b *bounder) climb(target float64) float64 {
	best := b.value()
	step := 1.0
	for i, without := 0, 0; i < 300 && step > 1e-3; i++ {
		if !b.move(step, target) {
			break
		}
		if value := b.value(); value > best+1e-12*math.Abs(best) {
			best, without = value, 0
		} else if without++; without >= 12 {
			step, without = step/2, 0
		}
	}
	return best
}

// shortest finds the shortest ways from the workshop to each place and back,
// over other places where that is shorter.
func (m *model) shortest() {
	m.goSeconds, m.backSeconds = shortest(m.Seconds, false), shortest(m.Seconds, true)
	m.goCost, m.backCost = shortest(m.Cost, false), shortest(m.Cost, true)
}

func shortest[T int64 | float64](legs [][]T, back bool) []T {
	far := make([]T, len(legs))
	for i := range legs {
		if far[i] = legs[0][i]; back {
			far[i] = legs[i][0]
		}
	}
	for changed := true; changed; {
		changed = false
		for i := range legs {
			for j := range legs {
				leg := legs[i][j]
				if back {
					leg = legs[j][i]
				}
				if i != 0 && far[i]+leg < far[j] {
					far[j], changed = far[i]+leg, true
				}
			}
		}
	}
	return far
}

type bounder struct {
	*model
	time, legs [][]float64 // by task and day: s that it takes of the day, and cost of its share of the driving
	room       []float64   // s of a day
	price      []float64   // of a second of a day
	partPrice  []float64
	used       []float64 // by day, s more than there is
	usedParts  []float64
	now        float64
}

// newBounder gives each visit a share of the driving of its day, which is no
// more than what there is of it, in two ways: a place is driven to from another
// and left for another, once at least, which those who hang there share; and
// somebody drives as far as to the farthest and back, which no more share than
// fit into a day. near of the first and the rest of the second is a bound too.
func newBounder(m *model, near float64) *bounder {
	b := &bounder{model: m}
	at := make(map[int]float64) // visits that a place may have
	for t := range m.tasks {
		at[m.tasks[t].place]++
	}
	most := make([]float64, len(m.Days))
	for d := range m.Days {
		most[d] = m.most(d)
	}
	for t := range m.tasks {
		place := m.tasks[t].place
		in, out, inCost, outCost := int64(math.MaxInt64), int64(math.MaxInt64), math.Inf(1), math.Inf(1)
		for other := range m.Seconds {
			if _, used := at[other]; other == place || !used && other != 0 {
				continue
			}
			in, out = min(in, m.Seconds[other][place]), min(out, m.Seconds[place][other])
			inCost, outCost = min(inCost, m.Cost[other][place]), min(outCost, m.Cost[place][other])
		}
		if place == 0 {
			in, out, inCost, outCost = 0, 0, 0, 0
		}
		time := make([]float64, len(m.Days))
		legs := make([]float64, len(m.Days))
		for d := range m.Days {
			far := (1 - near) / most[d]
			time[d] = float64(m.tasks[t].service) + near*float64(in+out)/2/at[place] + far*float64(m.goSeconds[place]+m.backSeconds[place])
			legs[d] = near*(inCost+outCost)/2/at[place] + far*(m.goCost[place]+m.backCost[place])
		}
		b.time, b.legs = append(b.time, time), append(b.legs, legs)
	}
	for d := range m.Days {
		b.room = append(b.room, float64(m.Days[d].Latest-m.Days[d].Open))
	}
	b.price, b.used = make([]float64, len(m.Days)), make([]float64, len(m.Days))
	b.partPrice, b.usedParts = make([]float64, len(m.kinds)), make([]float64, len(m.kinds))
	return b
}

// most returns how many visits a day can have at most, one at least.
func (m *model) most(day int) float64 {
	var services []int64
	for t := range m.tasks {
		if m.fits[t][day] {
			services = append(services, m.tasks[t].service)
		}
	}
	slices.Sort(services)
	room, n := m.Days[day].Latest-m.Days[day].Open, 0
	for _, s := range services {
		if room -= s; room < 0 {
			break
		}
		n++
	}
	return float64(max(1, n))
}

// value returns the bound for the prices as they are, and how much more is used
// than there is.
func (b *bounder) value() float64 {
	sum := 0.0
	for d := range b.used {
		b.used[d] = -b.room[d]
		sum -= b.price[d] * b.room[d]
	}
	for k := range b.usedParts {
		b.usedParts[k] = -float64(b.stock[k])
		sum -= b.partPrice[k] * float64(b.stock[k])
	}
	for j := range b.Jobs {
		best, way, days := b.left(j), -1, [2]int{}
		for w := range b.Jobs[j].Ways {
			parts := 0.0
			for k, n := range b.need[j][w] {
				parts += b.partPrice[k] * float64(n)
			}
			b.cheapest(j, w, parts, &best, &way, &days)
		}
		sum += best
		if way < 0 {
			continue
		}
		for i, id := range b.of[j][way] {
			b.used[days[i]] += b.time[id][days[i]]
		}
		for k, n := range b.need[j][way] {
			b.usedParts[k] += float64(n)
		}
	}
	b.now = sum
	return sum
}

func (b *bounder) cheapest(j, w int, parts float64, best *float64, way *int, days *[2]int) {
	ids := b.of[j][w]
	one := func(i, d int) float64 {
		id := ids[i]
		if !b.fits[id][d] {
			return math.Inf(1)
		}
		return b.legs[id][d] + b.price[d]*b.time[id][d]
	}
	for a := range b.Days {
		first := parts + one(0, a)
		if len(ids) == 1 {
			if c := first + b.waiting(j, w, a, a); c < *best {
				*best, *way, *days = c, w, [2]int{a, a}
			}
			continue
		}
		if first+b.waiting(j, w, a, a) >= *best {
			continue
		}
		for e := a + 1; e < len(b.Days); e++ {
			if b.Days[e].Date-b.Days[a].Date < b.Jobs[j].Ways[w].Gap {
				continue
			}
			if c := first + one(1, e) + b.waiting(j, w, a, e); c < *best {
				*best, *way, *days = c, w, [2]int{a, e}
			}
		}
	}
}

// move changes prices towards what is used too much; false: they are right.
func (b *bounder) move(step, target float64) bool {
	square := 0.0
	for d, u := range b.used {
		if u > 0 || b.price[d] > 0 {
			square += u * u
		}
	}
	const aPart = 1e4 // a part counts as that many seconds, so that both have their say
	for k, u := range b.usedParts {
		if u > 0 || b.partPrice[k] > 0 {
			square += aPart * aPart * u * u
		}
	}
	if square == 0 || target <= b.now {
		return false
	}
	size := step * (target - b.now) / square
	for d, u := range b.used {
		b.price[d] = max(0, b.price[d]+size*u)
	}
	for k, u := range b.usedParts {
		b.partPrice[k] = max(0, b.partPrice[k]+size*aPart*aPart*u)
	}
	return true
}
