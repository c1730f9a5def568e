package life

import (
	"math"
	"slices"
)

// Look is what was found when somebody looked: that something happened, if it
// did, between two shares of the time that common practice gives it in the
// middle (a budget used once, or the age at which half of the covers are
// cracked). High is infinite while it hasn't happened, Low is 0 when nobody had
// looked before.
type Look struct {
	Group     string // a build, or CoverGroup
	Low, High float64
}

// CoverGroup is the group of looks at covers.
const CoverGroup = "cover"

// Judgement values of the prior, in natural logarithms. No source: budgets may
// be wrong by a factor of 2.7 either way in one case of three, and most of that
// is the same error in all builds; how boards of one build differ is known no
// better. What is said of covers, a tenth before 10 years and a tenth after 15,
// is taken as known within a fifth.
var (
	boardPrior = prior{common: 0.7, own: 0.7, spread: 0.5, spreadOff: 0.5}
	coverPrior = prior{own: 0.2, spread: crackSpread, spreadOff: 0.3}
)

// What must be there before anything counts as learned. Judgement values.
const (
	learnLooks  = 8   // of the group, or of all builds
	learnNarrow = 0.7 // of the prior's spread that is left at most
)

// prior says how far the middle of a group may be from 1.
type prior struct {
	common, own       float64 // standard deviations of log middle: shared by all groups, of each group
	spread, spreadOff float64 // of log time within a group: its middle, and the deviation of its logarithm
}

// Grids of the quadrature, in standard deviations of the prior.
const (
	gridReach  = 3.5
	gridMiddle = 161
	gridCommon = 41
	gridSpread = 33 // a step is a tenth: about what 200 looks tell of a spread
)

// Learned is what looks teach of one group.
type Learned struct {
	Group     string
	Looks     int     // that were used
	Happened  int     // of those, at which it had
	Enough    bool    // else nothing is learned yet, and the figures are the prior's
	Middle    float64 // of the time, as a share of what common practice says
	Low, High float64 // of Middle, 80 %
	Spread    float64 // of log time, its mean

	middle, spread []float64   // the grid: log middles, spreads
	weight         [][]float64 // by spread, then middle; sums to 1
}

// Lessons are what all looks teach, by group.
type Lessons struct {
	builds map[string]*Learned
	cover  *Learned
}

// Learn updates the prior by looks. Times are log-normal within a group; the
// groups of builds share a part of what their budgets are wrong by and the spread,
// so that what is seen of one build says something of the others too. The
// posterior is a sum over a grid: no chance is in it.
//
// Source: the likelihood of interval-censored times is textbook (Meeker and
// Escobar 1998); prior and pooling are judgement.
func Learn(looks []Look) *Lessons {
	var boards, covers []Look
	for _, l := range looks {
		if l.Group == CoverGroup {
			covers = append(covers, l)
		} else {
			boards = append(boards, l)
		}
	}
	all := &Lessons{builds: map[string]*Learned{}}
	for _, g := range boardPrior.learn(Builds, boards) {
		all.builds[g.Group] = g
	}
	all.cover = coverPrior.learn([]string{CoverGroup}, covers)[0]
	return all
}

// Of returns what was learned of a build, or of CoverGroup; nil where there is
// no such group, or nothing was seen at all.
func (l *Lessons) Of(group string) *Learned {
	if l == nil {
		return nil
	}
	if group == CoverGroup {
		return l.cover
	}
	return l.builds[group]
}

// Budget is that of a build, by what looks taught where that is enough, with its 80 %
// interval; learned is false where it is common practice's, with the prior's
// interval. l may be nil.
func (l *Lessons) Budget(build string) (hEq, low, high float64, learned bool, err error) {
	hEq, err = Budget(build)
	if err != nil {
		return 0, 0, 0, false, err
	}
	if g := l.Of(build); g != nil && g.Enough {
		return hEq * g.Middle, hEq * g.Low, hEq * g.High, true, nil
	}
	off := math.Exp(tenth * math.Hypot(boardPrior.common, boardPrior.own))
	return hEq, hEq / off, hEq * off, false, nil
}

// normal is the standard normal distribution function.
func normal(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }

// grid returns points evenly over mean ± reach, and the prior's weights there.
func grid(mean, sd float64, n int) (at, weight []float64) {
	sum := 0.0
	for i := range n {
		z := gridReach * (2*float64(i)/float64(n-1) - 1)
		at = append(at, mean+z*sd)
		weight = append(weight, math.Exp(-z*z/2))
		sum += weight[i]
	}
	for i := range weight {
		weight[i] /= sum
	}
	return at, weight
}

// learn makes the posterior of each group.
func (p prior) learn(groups []string, looks []Look) []*Learned {
	width := math.Hypot(p.common, p.own)
	middles, _ := grid(0, width, gridMiddle)
	logSpread, spreadWeight := grid(math.Log(p.spread), p.spreadOff, gridSpread)
	commons, commonWeight := []float64{0}, []float64{1}
	if p.common > 0 {
		commons, commonWeight = grid(0, p.common, gridCommon)
	}
	// given[c] are the prior's weights of middles, given the common part.
	given := make([][]float64, len(commons))
	for c := range commons {
		sum := 0.0
		for _, m := range middles {
			z := (m - commons[c]) / p.own
			given[c] = append(given[c], math.Exp(-z*z/2))
			sum += given[c][len(given[c])-1]
		}
		for i := range given[c] {
			given[c][i] /= sum
		}
	}
	out := make([]*Learned, len(groups))
	likely := make([][][]float64, len(groups)) // by spread, then middle
	for g, name := range groups {
		l := &Learned{Group: name, middle: middles}
		for _, s := range logSpread {
			l.spread = append(l.spread, math.Exp(s))
		}
		own := slices.DeleteFunc(slices.Clone(looks), func(k Look) bool { return k.Group != name })
		l.Looks = len(own)
		for _, k := range own {
			if !math.IsInf(k.High, 1) {
				l.Happened++
			}
		}
		likely[g] = likelihood(own, middles, l.spread)
		out[g] = l
	}
	p.combine(out, likely, given, commonWeight, spreadWeight)
	used := 0
	for _, l := range out {
		used += l.Looks
	}
	for _, l := range out {
		l.sum()
		left := math.Log(l.High/l.Low) / (2 * tenth)
		l.Enough = used >= learnLooks && left <= learnNarrow*width
	}
	return out
}

const hopeless = 50.0 // of log likelihood behind the best: nothing of it is left in the posterior

// likelihood returns that of looks by spread and middle, scaled so that its
// largest is 1.
func likelihood(looks []Look, middles, spreads []float64) [][]float64 {
	logs := make([][]float64, len(spreads))
	most := math.Inf(-1)
	for s, spread := range slices.Backward(spreads) { // a wide one fits somewhat everywhere
		logs[s] = make([]float64, len(middles))
		for m, middle := range middles {
			sum := 0.0
			for i := range looks {
				if sum += math.Log(max(1e-12, looks[i].between(middle, spread))); sum < most-hopeless {
					sum = math.Inf(-1)
					break
				}
			}
			logs[s][m] = sum
			most = max(most, sum)
		}
	}
	for s := range logs {
		for m := range logs[s] {
			logs[s][m] = math.Exp(logs[s][m] - most)
		}
	}
	return logs
}

// between is the chance of what was found.
func (k *Look) between(middle, spread float64) float64 {
	low, high := 0.0, 1.0
	if k.Low > 0 {
		low = normal((math.Log(k.Low) - middle) / spread)
	}
	if !math.IsInf(k.High, 1) {
		high = normal((math.Log(k.High) - middle) / spread)
	}
	return high - low
}

// combine weighs every group's grid by its looks and, through the common part
// and the spread, by those of the others.
func (p prior) combine(out []*Learned, likely [][][]float64, given [][]float64, commonWeight, spreadWeight []float64) {
	total := 0.0
	for _, l := range out {
		l.weight = make([][]float64, len(spreadWeight))
		for s := range l.weight {
			l.weight[s] = make([]float64, len(l.middle))
		}
	}
	evidence := make([]float64, len(out))
	for s := range spreadWeight {
		for c := range commonWeight {
			product := spreadWeight[s] * commonWeight[c]
			for g := range out {
				evidence[g] = 0
				for m, w := range given[c] {
					evidence[g] += w * likely[g][s][m]
				}
				product *= evidence[g]
			}
			if product == 0 {
				continue
			}
			total += product
			for g, l := range out {
				for m, w := range given[c] {
					l.weight[s][m] += product / evidence[g] * w * likely[g][s][m]
				}
			}
		}
	}
	for _, l := range out {
		for s := range l.weight {
			for m := range l.weight[s] {
				l.weight[s][m] /= total
			}
		}
	}
}

// sum tells the figures of a posterior.
func (l *Learned) sum() {
	margin := make([]float64, len(l.middle))
	for s := range l.weight {
		for m, w := range l.weight[s] {
			margin[m] += w
			l.Spread += w * l.spread[s]
		}
	}
	l.Middle, l.Low, l.High = math.Exp(quantile(l.middle, margin, 0.5)), math.Exp(quantile(l.middle, margin, 0.1)), math.Exp(quantile(l.middle, margin, 0.9))
}

// quantile of a density given at evenly spaced points, each weight spread over
// the step about its point.
func quantile(at, weight []float64, share float64) float64 {
	step := at[1] - at[0]
	sum := 0.0
	for i, w := range weight {
		if sum+w >= share && w > 0 {
			return at[i] + step*((share-sum)/w-0.5)
		}
		sum += w
	}
	return at[len(at)-1]
}

// HappenedBy returns the chance that it has happened by a share of the time that
// common practice gives: 1 is a budget used once.
func (l *Learned) HappenedBy(share float64) float64 {
	if share <= 0 {
		return 0
	}
	sum, log := 0.0, math.Log(share)
	for s := range l.weight {
		for m, w := range l.weight[s] {
			if w > 1e-9 {
				sum += w * normal((log-l.middle[m])/l.spread[s])
			}
		}
	}
	return sum
}

// By returns the share of that time by which the chance of it is reached.
func (l *Learned) By(chance float64) float64 {
	low := l.middle[0] - 5*l.spread[len(l.spread)-1]
	high := -low
	for high-low > 1e-9 {
		if middle := (low + high) / 2; l.HappenedBy(math.Exp(middle)) < chance {
			low = middle
		} else {
			high = middle
		}
	}
	return math.Exp(high)
}

// Told is what looks taught of a group, in its own unit.
type Told struct {
	Group, Name, Unit string
	Looks, Happened   int
	Learned           bool    // else the figures are the prior's
	Middle, Low, High float64 // of the budget, or of the age at the first crack; 80 %
	Spread            float64 // of log time
}

// Told tells all groups, builds first; nothing where nothing was seen.
func (l *Lessons) Told() (all []Told) {
	if l == nil {
		return nil
	}
	for _, group := range append(slices.Clone(Builds), CoverGroup) {
		g := l.Of(group)
		t := Told{
			Group: group, Name: "budget of " + group + " boards", Unit: "equivalent hours at saturation", Looks: g.Looks, Happened: g.Happened,
			Learned: g.Enough, Middle: g.Middle, Low: g.Low, High: g.High, Spread: g.Spread,
		}
		scale, err := Budget(group)
		if err != nil { // the covers
			t.Name, t.Unit, scale = "age of a cover at its first crack", "years outdoors, weighted by sun", math.Exp(crackMiddle)
		}
		t.Middle, t.Low, t.High = scale*t.Middle, scale*t.Low, scale*t.High
		all = append(all, t)
	}
	return all
}
