package outlook

import "math"

// members are the regressions that are averaged: how many of the inputs each
// takes, how many times as sure as others it is of its prior, and at which
// distances from the limit, in K, it also learns.
var members = [...]struct {
	inputs int
	sure   float64
	near   []nearby
}{
	{11, 1, exact},
	{numInputs, 1, exact},
	{numInputs, 16, exact},
	{11, 1, []nearby{{-1.5, 0.3}, {-0.75, 0.5}, {0, 1}, {0.75, 0.5}, {1.5, 0.3}}},
}

// nearby is a limit beside the asked one, and the weight of what it teaches.
type nearby struct{ off, weight float64 }

var exact = []nearby{{0, 1}}

var limits = [...]float64{condensing, atRisk}

const (
	surest  = 0.004 // no member is surer than this
	fitting = 25    // steps of Newton's method at most
)

// Precision of the prior about its means, by input: the constant, those that tell
// most, the rest.
const (
	priorConstant = 0.3
	priorChief    = 0.7
	priorRest     = 1
	chief         = 5 // inputs
)

// weight are the regressions fitted to a station, by limit and member; none
// before the first fit.
type weight struct {
	Fitted bool    `json:"fitted"`
	W      weights `json:"w"`
}

// weights are those of all regressions of one issue, by limit and member.
type weights [len(limits)][len(members)][numInputs]float64

func limitIndex(limit float64) int {
	if limit == condensing {
		return 0
	}
	return 1
}

// probability averages the members by their logits.
func (w *weight) probability(limit float64, known []float64, prior *weights) float64 {
	l := limitIndex(limit)
	x := inputs(known, limit)
	all := prior
	if w.Fitted {
		all = &w.W
	}
	bound := math.Log((1 - surest) / surest)
	sum := 0.0
	for m := range members {
		sum += max(-bound, min(bound, dot(all[l][m][:members[m].inputs], &x)))
	}
	return logistic(sum / float64(len(members)))
}

// learn fits all regressions to past nights.
func (w *weight) learn(issue int, past []Past, prior *weights) {
	if !w.Fitted {
		w.Fitted, w.W = true, *prior
	}
	for l, limit := range limits {
		for m := range members {
			sure := func(j int) float64 { return members[m].sure * precision(j) }
			fit(&w.W[l][m], rowsOf(issue, m, limit, past), members[m].inputs, &prior[l][m], sure)
			for j, v := range w.W[l][m] {
				w.W[l][m][j] = math.Round(v*1e6) / 1e6
			}
		}
	}
}

// precision is that of the prior of a station, for the least sure.
func precision(j int) float64 {
	switch {
	case j == 0:
		return priorConstant
	case j < chief:
		return priorChief
	}
	return priorRest
}

// row is one thing that a night teaches.
type row struct {
	x      [numInputs]float64
	yes    float64
	weight float64
}

func rowsOf(issue, member int, limit float64, past []Past) []row {
	rows := make([]row, 0, len(past)*len(members[member].near))
	for i := range past {
		p := &past[i]
		if p.Known[issue] == nil {
			continue
		}
		for _, n := range members[member].near {
			at := limit + n.off
			if !p.Whole && p.least(issue) > at || issue == late && p.Least <= limit && p.Rest > limit {
				continue // it may have been wet while it wasn't heard; or was, before there was anything to ask
			}
			r := row{x: inputs(p.Known[issue], at), weight: n.weight}
			if p.least(issue) <= at {
				r.yes = 1
			}
			rows = append(rows, r)
		}
	}
	return rows
}

// fit finds the most probable weights by Newton's method from those given, with
// steps halved until they gain.
func fit(w *[numInputs]float64, rows []row, n int, prior *[numInputs]float64, precision func(int) float64) {
	loss := func(w *[numInputs]float64) float64 {
		sum := 0.0
		for i := range rows {
			z := dot(w[:n], &rows[i].x)
			sum += rows[i].weight * (softplus(z) - rows[i].yes*z)
		}
		for j := range n {
			d := w[j] - prior[j]
			sum += precision(j) * d * d / 2
		}
		return sum
	}
	before := loss(w)
	for range fitting {
		var slope [numInputs]float64
		var curve [numInputs][numInputs]float64
		for j := range n {
			slope[j] = -precision(j) * (w[j] - prior[j])
			curve[j][j] = precision(j)
		}
		for i := range rows {
			r := &rows[i]
			p := logistic(dot(w[:n], &r.x))
			miss, c := r.weight*(r.yes-p), r.weight*p*(1-p)
			for j := range n {
				slope[j] += miss * r.x[j]
				cx := c * r.x[j]
				for k := range j + 1 {
					curve[j][k] += cx * r.x[k]
				}
			}
		}
		step := solve(&curve, &slope, n)
		scale, after, next := 1.0, 0.0, *w
		for ; scale > 1e-4; scale /= 2 {
			for j := range n {
				next[j] = w[j] + scale*step[j]
			}
			if after = loss(&next); after <= before {
				break
			}
		}
		if scale <= 1e-4 {
			return
		}
		*w = next
		if before-after < 1e-7 {
			return
		}
		before = after
	}
}

// solve returns the solution of a system whose matrix, of which only the lower
// half is read and which is overwritten, is positive definite (Cholesky).
func solve(a *[numInputs][numInputs]float64, b *[numInputs]float64, n int) [numInputs]float64 {
	x := *b
	for j := range n {
		for k := range j {
			a[j][j] -= a[j][k] * a[j][k]
		}
		a[j][j] = math.Sqrt(a[j][j])
		for i := j + 1; i < n; i++ {
			for k := range j {
				a[i][j] -= a[i][k] * a[j][k]
			}
			a[i][j] /= a[j][j]
		}
	}
	for i := range n {
		for k := range i {
			x[i] -= a[i][k] * x[k]
		}
		x[i] /= a[i][i]
	}
	for i := n - 1; i >= 0; i-- {
		for k := i + 1; k < n; k++ {
			x[i] -= a[k][i] * x[k]
		}
		x[i] /= a[i][i]
	}
	return x
}

func dot(w []float64, x *[numInputs]float64) float64 {
	sum := 0.0
	for j := range w {
		sum += w[j] * x[j]
	}
	return sum
}

func logistic(z float64) float64 { return 1 / (1 + math.Exp(-z)) }

// softplus is log(1 + e^z).
func softplus(z float64) float64 {
	if z > 0 {
		return z + math.Log1p(math.Exp(-z))
	}
	return math.Log1p(math.Exp(z))
}
