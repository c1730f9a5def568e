package view

import (
	"math"
	"math/bits"

	"dewpost/rules/unit"
)

// row is all quantities of one instant; NaN is absent.
type row struct {
	at     unit.Instant
	values [quantities]float64
}

// thinner keeps of rows that come in time order the first and the last of each
// bucket of time and those at which a quantity is smallest or largest there.
// Buckets begin so narrow that few rows are lost; where that leaves more than
// limit rows, neighbouring buckets are joined. That is exact: the extremes of
// two buckets together are among the extremes of each.
type thinner struct {
	from, to unit.Instant
	limit    int
	buckets  [][]row
	current  int
}

func newThinner(from, to unit.Instant, limit int) thinner {
	limit = max(2, limit)
	n := 1 << bits.Len(uint(limit-1)) // at least one bucket for each row
	return thinner{from: from, to: max(to, from+1), limit: limit, buckets: make([][]row, n)}
}

func (t *thinner) add(r row) {
	b := t.bucketOf(r.at)
	if b != t.current {
		t.buckets[t.current] = extremes(t.buckets[t.current])
		t.current = b
	}
	t.buckets[b] = append(t.buckets[b], r)
}

func (t *thinner) bucketOf(at unit.Instant) int {
	share := float64(at-t.from) / float64(t.to-t.from)
	return min(len(t.buckets)-1, max(0, int(share*float64(len(t.buckets)))))
}

// rows ends the taking in and returns what stays, in time order.
func (t *thinner) rows() []row {
	t.buckets[t.current] = extremes(t.buckets[t.current])
	total := 0
	for _, b := range t.buckets {
		total += len(b)
	}
	for total > t.limit && len(t.buckets) > 1 {
		total = 0
		joined := make([][]row, len(t.buckets)/2)
		for i := range joined {
			joined[i] = extremes(append(t.buckets[2*i], t.buckets[2*i+1]...))
			total += len(joined[i])
		}
		t.buckets = joined
	}
	all := make([]row, 0, total)
	for _, b := range t.buckets {
		all = append(all, b...)
	}
	return all
}

// extremes returns of rows the first, the last, and those with the smallest
// and the largest value of each quantity (the first of equals), in order.
func extremes(rows []row) []row {
	n := len(rows)
	if n <= 2 {
		return rows
	}
	keep := make([]bool, n)
	keep[0], keep[n-1] = true, true
	for q := range quantities {
		least, most := -1, -1
		for i := range rows {
			x := rows[i].values[q]
			if math.IsNaN(x) {
				continue
			}
			if least < 0 || x < rows[least].values[q] {
				least = i
			}
			if most < 0 || x > rows[most].values[q] {
				most = i
			}
		}
		if least >= 0 {
			keep[least], keep[most] = true, true
		}
	}
	kept := rows[:0]
	for i := range rows {
		if keep[i] {
			kept = append(kept, rows[i])
		}
	}
	return kept
}
