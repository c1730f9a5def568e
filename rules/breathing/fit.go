package breathing

import (
	"math"
	"slices"
	"time"

	"dewpost/rules/unit"
)

// The grid of breathing times that are tried, evenly spaced in the logarithm.
const (
	gridN    = 40
	gridLow  = 0.5 // h
	gridHigh = 500 // h
)

var (
	gridStep = math.Log(gridHigh/gridLow) / (gridN - 1)
	grid     = makeGrid()
)

type gridPoint struct {
	logTau, tau, decay, ramp float64
}

func makeGrid() (g [gridN]gridPoint) {
	for i := range g {
		g[i] = lag(math.Exp(math.Log(gridLow) + float64(i)*gridStep))
	}
	return g
}

// lag returns the first-order lag of tau hours.
func lag(tau float64) gridPoint {
	a := math.Exp(-1 / tau)
	return gridPoint{math.Log(tau), tau, a, 1 - tau*(1-a)}
}

// step advances a first-order lag by an hour in which its input goes
// linearly from u0 to u1.
func (p *gridPoint) step(x, u0, u1 float64) float64 {
	return p.decay*x + (1-p.decay)*u0 + p.ramp*(u1-u0)
}

// The unknowns beside the breathing time: bias of the two humidity sensors
// against each other (share of saturation), share of the vapour that follows
// the temperature (buffer), a steady source (hPa), the rate (1/h) at which
// dew forms on a cover by night and dries by day, and what plastic gives back (hPa/h)
// that remembers the humidity of the hours before, for each unit that this is above that
// of now. Prior means and standard
// deviations are judgement values; the bias is that of two sensors of ±2 %RH.
const (
	nBias = iota
	nBuffer
	nSource
	nDew
	nStore
	nUnknowns
)

var (
	priorMean = [nUnknowns]float64{nBuffer: 0.2}
	priorSD   = [nUnknowns]float64{0.03, 0.2, 0.7, 0.5, 1.5}
)

const (
	quarters    = 4     // of a day, each with a weight of its own
	noiseShare  = 0.007 // of the vapour pressure, at least
	noiseFloor  = 0.02  // hPa, at least
	robustScale = 1.5
	minHours    = 30   // hours that a window must have
	dayHours    = 8    // and a shorter one a day
	dryWithin   = 3    // h after a dewy one in which dew may still dry …
	frozenSat   = 6.11 // hPa, saturation at 0 °C: frost goes slowly, and is gone …
	frostLeft   = 0.55 // … when the air has less than this share
	dryBelow    = 0.75 // … unless the air is drier
)

// moments are sums over hours of the products of y, the vapour pressure that
// the exchange alone does not explain, and what the unknowns would add.
type moments struct {
	n   float64
	yy  float64
	xy  [nUnknowns]float64
	xx  [nUnknowns][nUnknowns]float64 // upper triangle
	in2 float64                       // Σ inside vapour pressure squared, for the noise
}

func (m *moments) add(o *moments, w float64) {
	m.n += w * o.n
	m.yy += w * o.yy
	m.in2 += w * o.in2
	for i := range nUnknowns {
		m.xy[i] += w * o.xy[i]
		for j := i; j < nUnknowns; j++ {
			m.xx[i][j] += w * o.xx[i][j]
		}
	}
}

// rss returns the sum of squares that remains with the unknowns b.
func (m *moments) rss(b *[nUnknowns]float64) float64 {
	r := m.yy
	for i := range nUnknowns {
		r -= 2 * b[i] * m.xy[i]
		r += b[i] * b[i] * m.xx[i][i]
		for j := i + 1; j < nUnknowns; j++ {
			r += 2 * b[i] * b[j] * m.xx[i][j]
		}
	}
	return max(r, 0)
}

// solve returns the most likely unknowns for noise of variance v and the
// priors of the given means and deviations, and their squared deviation from
// the priors in units of v.
func (m *moments) solve(v float64, mean, sd *[nUnknowns]float64, memory float64) (b [nUnknowns]float64, penalty float64) {
	var a [nUnknowns][nUnknowns + 1]float64
	for i := range nUnknowns {
		l := memory * v / (sd[i] * sd[i])
		for j := range nUnknowns {
			a[i][j] = m.xx[min(i, j)][max(i, j)]
		}
		a[i][i] += l
		a[i][nUnknowns] = m.xy[i] + l*mean[i]
	}
	for i := range nUnknowns { // positive definite: no pivoting
		for k := i + 1; k < nUnknowns; k++ {
			f := a[k][i] / a[i][i]
			for j := i; j <= nUnknowns; j++ {
				a[k][j] -= f * a[i][j]
			}
		}
	}
	for i := nUnknowns - 1; i >= 0; i-- {
		b[i] = a[i][nUnknowns]
		for j := i + 1; j < nUnknowns; j++ {
			b[i] -= a[i][j] * b[j]
		}
		b[i] /= a[i][i]
		d := (b[i] - mean[i]) / sd[i]
		penalty += memory * v * d * d
	}
	return b, penalty
}

// A view is what a day is judged by: its hours, or the means over the 24 h
// before each of its hours. What dew takes by night and gives back by day, and
// what a buffer does with the day's warmth, is nothing in those means, but a box
// that breathes within hours can't be told from them.
type view int

const (
	hourly view = iota
	daily
	views
)

// memory is for how many hours what the model misses is alike, in each view, and
// remembers for how many plastic remembers the humidity.
var (
	memory    = [views]float64{3, 12}
	remembers = [views]float64{12, 36}
)

const (
	dailyLeast = 22 // hours of 24 that a mean must have
	dailyDewy  = 12 // of them in which something may be dewy, at most: what dew keeps for days is no exchange …
	dailyFrost = 3  // … and frozen: frost keeps it for longer
)

// dayMoments are the moments of one UTC day in each view by quarter, for every
// breathing time of the grid.
type dayMoments struct {
	q     [views][quarters][gridN]moments
	hours [views]float64
	basis [4]int // hours with each basis, by rank
}

// usable tells whether the vapour in an hour can be taken to come and go by
// exchange alone.
func usable(h *Hour) bool { return h.In > 0 && h.Out > 0 && !h.Wet }

// sample is an hour, or a mean, with what slow plastic remembers.
type sample struct {
	Hour
	store float64 // of relative humidity, above that of now
}

// historyDays are the days before a day from which on slow plastic is followed.
const historyDays = 3

// samples adds to hours what plastic remembers of the humidity, in a view.
func samples(hours []Hour, v view) []sample {
	out := make([]sample, len(hours))
	first, n := 0.0, 0.0
	for i := range hours {
		if h := &hours[i]; h.In > 0 && h.At < hours[0].At+24 {
			first, n = first+h.In/h.Sat, n+1
		}
	}
	store, last := first/max(n, 1), int64(0)
	for i := range hours {
		h := &hours[i]
		if out[i].Hour = *h; h.In == 0 {
			continue
		}
		rh := h.In / h.Sat
		if n == 0 {
			store, last, n = rh, h.At, 1
		}
		out[i].store = store - rh
		store += (rh - store) * -math.Expm1(-float64(max(1, h.At-last))/remembers[v])
		last = h.At
	}
	return out
}

// reduce forms the moments of day d, whose hours those of the days before
// precede. Each run of usable hours starts from the measured vapour pressure; an
// hour after a dewy one is left out, while dew still dries.
func reduce(hours []Hour, d int64) *dayMoments {
	m := &dayMoments{}
	var run []sample
	end := func() {
		if len(run) > 2 {
			m.addRun(hourly, run)
		}
		run = nil
	}
	wet := int64(-dryWithin - 1) // the last dewy hour whose dew may still be there
	for _, h := range samples(hours, hourly) {
		switch {
		case h.Wet, h.In > 0 && h.Sat < frozenSat && h.In >= frostLeft*h.Sat && h.At-wet <= dryWithin:
			wet = h.At
		case h.In > 0 && h.In < dryBelow*h.Sat:
			wet = h.At - dryWithin - 1
		}
		if h.At < d*24 {
			continue
		}
		if !usable(&h.Hour) || len(run) > 0 && h.At != run[len(run)-1].At+1 {
			end()
		}
		if usable(&h.Hour) && h.At-wet > dryWithin {
			run = append(run, h)
		}
		m.basis[rank(h.Basis)]++
	}
	end()
	if run := dayMeans(samples(hours, daily), d); run != nil {
		m.addRun(daily, run)
	}
	return m
}

// dayMeans returns for the last hour before day d and each hour of it the mean
// over the 24 h that end with it; nil where too little is known.
func dayMeans(hours []sample, d int64) []sample {
	var by [48]*sample
	for i := range hours {
		if h := &hours[i]; h.In > 0 && h.Out > 0 && h.At >= (d-1)*24 {
			by[h.At-(d-1)*24] = h
		}
	}
	in := bridged(&by)
	out := make([]sample, 0, 25)
	for last := 23; last < 48; last++ {
		mean := sample{Hour: Hour{At: (d-1)*24 + int64(last)}}
		n, dewy, frozen := 0.0, 0, 0
		for i, h := range by[last-23 : last+1] {
			if h == nil {
				continue
			}
			n++
			mean.In += in[last-23+i]
			mean.Out += h.Out
			mean.Sat += h.Sat
			mean.store += h.store
			if h.Wet {
				dewy++
			}
			if h.Wet && h.Sat < frozenSat {
				frozen++
			}
		}
		if n < dailyLeast || last == 47 && (dewy > dailyDewy || frozen > dailyFrost) {
			return nil
		}
		mean.In, mean.Out, mean.Sat, mean.store = mean.In/n, mean.Out/n, mean.Sat/n, mean.store/n
		out = append(out, mean)
	}
	return out
}

// bridged returns the vapour pressure inside in each hour, where something is dewy
// between what it was before and what it is when that has dried: dew keeps what the air
// lost.
func bridged(by *[48]*sample) (in [48]float64) {
	before, wet := -1, -dryWithin-1
	for i, h := range by {
		if h == nil {
			continue
		}
		in[i] = h.In
		if h.Wet {
			wet = i
		} else if h.In < dryBelow*h.Sat {
			wet = i - dryWithin - 1
		}
		if i-wet <= dryWithin {
			if before >= 0 {
				in[i] = in[before]
			}
			continue
		}
		for k := before + 1; before >= 0 && k < i; k++ {
			in[k] = in[before] + (h.In-in[before])*float64(k-before)/float64(i-before)
		}
		before = i
	}
	return in
}

func (d *dayMoments) addRun(v view, run []sample) {
	d.hours[v] += float64(len(run) - 1)
	fluxes := dewFlux(run)
	for k := range grid {
		p := &grid[k]
		exch, bias, buf, src, dew, store := run[0].In, 0.0, 0.0, 0.0, 0.0, 0.0
		for i := 1; i < len(run); i++ {
			a, b := &run[i-1], &run[i]
			exch = p.step(exch, a.Out, b.Out)
			bias = p.step(bias, a.Sat, b.Sat)
			src = p.step(src, 1, 1)
			warm := (a.In + b.In) / 2 * math.Log(b.Sat/a.Sat)
			buf = p.decay*buf + (1-p.decay)*p.tau*warm
			dew = p.decay*dew - (1-p.decay)*p.tau*fluxes[i]
			store = p.decay*store + (1-p.decay)*p.tau*(a.store+b.store)/2
			m := &d.q[v][(b.At%24)*quarters/24][k]
			y := b.In - exch
			m.n++
			m.yy += y * y
			m.in2 += b.In * b.In
			x := [nUnknowns]float64{bias, buf, src, dew, store}
			for i := range nUnknowns {
				m.xy[i] += x[i] * y
				for j := i; j < nUnknowns; j++ {
					m.xx[i][j] += x[i] * x[j]
				}
			}
		}
	}
}

// The cover that a box without a sensor on it is taken to have: by night about
// 3 K colder than the air inside, by day as warm. Judgement values.
const coverShare = 0.82 // of the air's saturation pressure

// dewFlux returns, for every hour of a run, the vapour (hPa/h) that a cover
// takes out of the air at a rate of 1/h, or, negative, gives back.
func dewFlux(run []sample) []float64 {
	mean := 0.0
	for i := range run {
		mean += run[i].Sat / float64(len(run))
	}
	out := make([]float64, len(run))
	film := 0.0
	for i := range run {
		h := &run[i]
		sat := h.Sat
		if sat < mean {
			sat *= coverShare
		}
		out[i] = max(h.In-sat, -film)
		film += out[i]
	}
	return out
}

// day returns the moments of a UTC day (days since 1970), or nil.
func (s *State) day(d int64) *dayMoments {
	if m, ok := s.fits[d]; ok {
		return m
	}
	hours := s.since((d - historyDays) * 24)
	n, _ := slices.BinarySearchFunc(hours, (d+1)*24, func(h Hour, at int64) int { return int(h.At - at) })
	if s.fits == nil {
		s.fits = map[int64]*dayMoments{}
	}
	m := reduce(hours[:n], d)
	s.fits[d] = m
	return m
}

// fitted is what a window says.
type fitted struct {
	ok      bool
	logL    [gridN]float64 // log-likelihood, its largest 0
	best    int
	unknown [nUnknowns]float64
	rms     float64 // hPa
	in      float64 // hPa, root mean square of the vapour pressure inside
	basis   Basis
}

// fit judges the days from first to last in a view. noise is what is known
// beforehand of how badly the model fits this box, as a share of its vapour pressure:
// in summer there is more of everything.
func (s *State) fit(view view, first, last int64, mean, sd *[nUnknowns]float64, noise float64) (f fitted) {
	var blocks []*[gridN]moments
	var basis [4]int
	hours := 0.0
	for d := first; d <= last; d++ {
		m := s.day(d)
		for i, n := range m.basis {
			basis[i] += n
		}
		hours += m.hours[view]
		for q := range m.q[view] {
			if b := &m.q[view][q]; b[0].n > 0 {
				blocks = append(blocks, b)
			}
		}
	}
	if hours < float64(min(minHours, int(last-first+1)*dayHours)) {
		return f
	}
	f.ok = true
	f.basis = []Basis{Own, Site, Weather, Inside}[slices.Index(basis[:], slices.Max(basis[:]))]
	weights := make([]float64, len(blocks))
	for i := range weights {
		weights[i] = 1
	}
	v := noiseFloor * noiseFloor
	rms := make([]float64, len(blocks))
	for round := range 3 {
		v = f.profile(blocks, weights, v, mean, sd, noise, memory[view])
		if round == 2 || len(blocks) < 2*quarters {
			break
		}
		for i, b := range blocks {
			m := &b[f.best]
			rms[i] = math.Sqrt(m.rss(&f.unknown) / m.n)
		}
		sorted := slices.Clone(rms)
		slices.Sort(sorted)
		scale := robustScale * max(sorted[len(sorted)/2], noiseFloor)
		for i := range weights {
			weights[i] = min(1, scale*scale/(rms[i]*rms[i]+1e-12))
		}
	}
	f.rms = math.Sqrt(v)
	return f
}

// profile computes the likelihood of every breathing time and returns the
// variance of what remains with the best.
func (f *fitted) profile(blocks []*[gridN]moments, weights []float64, v float64, mean, sd *[nUnknowns]float64, noise, memory float64) float64 {
	best := math.Inf(1)
	bestV := v
	var n float64
	var cost [gridN]float64
	for k := range grid {
		var sum moments
		for i, b := range blocks {
			sum.add(&b[k], weights[i])
		}
		n = sum.n
		floor := n*noiseFloor*noiseFloor + (noiseShare*noiseShare+noise*noise)*sum.in2
		f.in = math.Sqrt(sum.in2 / max(n, 1))
		b, penalty := sum.solve(v, mean, sd, memory)
		rest := sum.rss(&b)
		cost[k] = rest + penalty + floor
		if cost[k] < best {
			best, f.best, f.unknown, bestV = cost[k], k, b, (rest+floor)/n
		}
	}
	nu := max(n/memory, 1)
	for k := range cost {
		f.logL[k] = -nu / 2 * math.Log(cost[k]/best)
	}
	return bestV
}

// posterior returns the probability of each breathing time of the grid, all
// being alike beforehand.
func (f *fitted) posterior() (p [gridN]float64) {
	sum := 0.0
	for k, l := range f.logL {
		p[k] = math.Exp(l)
		sum += p[k]
	}
	for k := range p {
		p[k] /= sum
	}
	return p
}

// quantile returns the logarithm below which the share q of p lies.
func quantile(p *[gridN]float64, q float64) float64 {
	sum := 0.0
	for k := range p {
		if sum+p[k] >= q {
			return grid[k].logTau + gridStep*((q-sum)/p[k]-0.5)
		}
		sum += p[k]
	}
	return grid[gridN-1].logTau
}

// windows are tried from the shortest; the first whose interval is narrow
// enough is reported, else the longest.
var windows = []int64{3, 7, 14, 21}

const (
	narrow    = 0.8   // of the interval, in the logarithm: a factor of 2.2
	unbounded = -1.35 // log-likelihood at the end of the grid, above which it can't be ruled out (a tenth of a chi-square)
)

// baseDay is the first whole day of the present baseline.
func (s *State) baseDay() int64 { return (s.Done.Rebased + 23) / 24 }

// estimate returns the breathing time as known at the end of a day.
func (s *State) estimate(day int64) (out Day, ok bool) {
	for _, w := range windows {
		first := max(day-w+1, s.Done.First/24, s.baseDay())
		f := s.fit(hourly, first, day, &priorMean, &priorSD, 0)
		if !f.ok || day-first+1 < windows[0] {
			continue
		}
		ok = true
		p := f.posterior()
		low, high := quantile(&p, 0.05), quantile(&p, 0.95)
		out = Day{
			Day: dayName(day), TauH: math.Exp(quantile(&p, 0.5)), LowH: math.Exp(low),
			WindowD: int(day - first + 1), Basis: f.basis,
		}
		if f.logL[gridN-1] < unbounded {
			h := math.Exp(high)
			out.HighH = &h
		}
		if high-low < narrow && out.HighH != nil || first > day-w+1 {
			break
		}
	}
	return out, ok
}

func dayName(day int64) string {
	return unit.Instant(day * 24 * hourNs).Time().Format(time.DateOnly)
}
