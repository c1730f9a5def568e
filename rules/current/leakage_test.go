package current_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/finding"
)

// toldAfter is how many days after its onset leakage was concluded, first of all.
func toldAfter(t *testing.T, b box, seed uint64) float64 {
	t.Helper()
	for _, f := range judge(b.run(seed)) {
		require.Equal(t, finding.LeakageRising, f.Kind, "seed %d: %v", seed, f)
		require.Greater(t, since(f, day(float64(b.leakFrom))), 0.0, "seed %d", seed)
		return since(f, day(float64(b.leakFrom)))
	}
	return math.Inf(1)
}

// Where the voltage is measured a level hardly wanders, and damp days are compared
// with the dry ones before them: little leakage is told by what no night alone shows.
func TestALevelThatHardlyWanders(t *testing.T) {
	for _, level := range []float64{12, 200} {
		sum := 0.0
		for seed := range uint64(6) {
			b := healthy()
			b.level, b.tempco, b.noise = level, level*1e-3, level*5e-3
			b.leak, b.leakFrom, b.drift, b.volts, b.every = level*0.0125, 45, 0.01, 24, 10*time.Minute
			sum += toldAfter(t, b, seed) / 6
		}
		t.Logf("%g mA: after %.1f days", level, sum)
		require.Less(t, sum, 23.0, "%g mA", level)
	}
}
