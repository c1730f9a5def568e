package outlook

import "math"

// Sky is what somebody forecast for the hours of a night.
type Sky struct {
	Least float64  // K, least that the air is above its dew point
	Cloud *float64 // 0 to 1, mean; nil: not told
	Wind  *float64 // m/s, mean; nil: not told
}

// foreseen is that as inputs: 1, cloud, wind.
type foreseen struct {
	Least float64    `json:"l"`
	X     [3]float64 `json:"x"`
}

// Judgement values of what a forecast says of a box: what is not told counts as
// half a sky of clouds and a light wind. On a clear calm night the box's least
// margin is some 2 K below that of the air, under clouds and in wind less.
const (
	cloudUntold = 0.5
	windUntold  = 2.0 // m/s
	windMost    = 6.0 // above which it makes no more difference
	skySpread   = 2.5 // K, of the least margin about what the forecast says
	skyNights   = 10  // nights that this spread counts as
)

var (
	skyMeans      = [3]float64{-2, 1, 0.1}
	skyDeviations = [3]float64{2, 1, 0.3}
)

// foresee makes inputs of a forecast; nil of none.
func foresee(s *Sky) *foreseen {
	if s == nil {
		return nil
	}
	f := &foreseen{Least: short(s.Least), X: [3]float64{1, cloudUntold, windUntold}}
	if s.Cloud != nil {
		f.X[1] = short(*s.Cloud)
	}
	if s.Wind != nil {
		f.X[2] = short(min(windMost, *s.Wind))
	}
	return f
}

// skyFit is how the least margin of past nights lay about what was forecast for
// them: a linear regression with a Gaussian prior.
type skyFit struct {
	w      [numInputs]float64
	spread float64
	past   []*Past
}

func (s *State) fitSky(issue int) skyFit {
	var f skyFit
	var curve [numInputs][numInputs]float64
	var slope [numInputs]float64
	for j := range skyMeans {
		curve[j][j] = skySpread * skySpread / (skyDeviations[j] * skyDeviations[j])
		slope[j] = curve[j][j] * skyMeans[j]
	}
	for i := range s.Past {
		p := &s.Past[i]
		if p.Sky[issue] == nil || p.Known[issue] == nil || !p.Whole || p.least(issue) == unheard {
			continue
		}
		f.past = append(f.past, p)
		x, y := p.Sky[issue].X, p.least(issue)-p.Sky[issue].Least
		for j := range x {
			slope[j] += x[j] * y
			for k := range j + 1 {
				curve[j][k] += x[j] * x[k]
			}
		}
	}
	f.w = solve(&curve, &slope, len(skyMeans))
	sum := skyNights * skySpread * skySpread
	for _, p := range f.past {
		miss := p.least(issue) - f.middle(p.Sky[issue])
		sum += miss * miss
	}
	f.spread = math.Sqrt(sum / float64(skyNights+len(f.past)))
	return f
}

func (f *skyFit) middle(s *foreseen) float64 {
	sum := s.Least
	for j, x := range s.X {
		sum += f.w[j] * x
	}
	return sum
}

// logit that the least margin is at most limit.
func (f *skyFit) logit(s *foreseen, limit float64) float64 {
	p := math.Erfc((f.middle(s)-limit)/f.spread/math.Sqrt2) / 2
	p = max(surest, min(1-surest, p))
	return math.Log(p / (1 - p))
}

// withSky brings a forecast of the weather into a probability. Both logits are
// added with the shares, tenths of each, that would have been best on past nights
// that had a forecast; half of each counts as ten such nights more.
func (s *State) withSky(issue int, limit, p float64) float64 {
	sky := s.Open.Sky[issue]
	if sky == nil {
		return p
	}
	f := s.fitSky(issue)
	best, least := 0.5, math.Inf(1)
	for tenth := range 11 {
		share := float64(tenth) / 10
		loss := skyNights * 0.35 * (share - 0.5) * (share - 0.5) * 4
		for _, past := range f.past {
			own := s.Fit[issue].probability(limit, past.Known[issue], s.prior(issue))
			z := (1-share)*math.Log(own/(1-own)) + share*f.logit(past.Sky[issue], limit)
			loss += softplus(z)
			if past.least(issue) <= limit {
				loss -= z
			}
		}
		if loss < least {
			best, least = share, loss
		}
	}
	return logistic((1-best)*math.Log(p/(1-p)) + best*f.logit(sky, limit))
}
