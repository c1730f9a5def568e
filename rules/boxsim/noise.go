package boxsim

import (
	"math"

	"dewpost/rules/unit"
)

const hour = 3_600_000_000_000 // ns

// mix scrambles x so that neighbouring inputs give unrelated outputs
// (SplitMix64 finaliser, Steele, Lea and Flood 2014, constants as in
// java.util.SplittableRandom).
func mix(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

// bell turns 64 random bits into a value of mean 0 and standard deviation 1:
// the sum of four 16-bit numbers, nearly normal and within ±3.47.
func bell(x uint64) float64 {
	sum := x&0xffff + x>>16&0xffff + x>>32&0xffff + x>>48
	const mean, scale = 2 * 65535.0, 1 / (65536 * 0.5773502691896258) // sd of the sum: 65536·√(4/12)
	return (float64(sum) - mean) * scale
}

// share turns 64 random bits into a value in [0, 1).
func share(x uint64) float64 { return float64(x>>11) * (1.0 / (1 << 53)) }

// wave is a smooth random function of time: random values of standard
// deviation 1 at evenly spaced nodes, blended in between so that mean and
// standard deviation are the same everywhere.
type wave struct {
	seed    uint64
	spacing int64 // ns between nodes
	perNS   float64
}

func newWave(seed, number uint64, spacingH float64) wave {
	return wave{
		seed:    mix(seed ^ mix(number)),
		spacing: int64(spacingH * hour),
		perNS:   1 / (spacingH * hour),
	}
}

func (w *wave) at(t unit.Instant) float64 {
	node, rest := int64(t)/w.spacing, int64(t)%w.spacing
	if rest < 0 {
		node, rest = node-1, rest+w.spacing
	}
	x := float64(rest) * w.perNS
	x = x * x * (3 - 2*x)
	a := bell(mix(w.seed + uint64(node)))
	b := bell(mix(w.seed + uint64(node+1)))
	return (a + (b-a)*x) / math.Sqrt(x*x+(1-x)*(1-x))
}
