package breathing_test

import (
	"cmp"
	"fmt"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"dewpost/rules/breathing"
	"dewpost/rules/finding"
)

func years(t testing.TB) []year {
	return []year{readYear(t, "coast_nl_2015.csv.gz", 52.9), readYear(t, "coast_us_2023.csv.gz", 40.6)}
}

// trial is one simulated box and what was concluded of it.
type trial struct {
	b     box
	rough bool
	first int // hour of the year
	s     *breathing.State
	want  finding.Kind // "" for none
	day   int          // of the fault
}

// run runs trials on all cores.
func run(ts []*trial, ys []year, days int) {
	var wg sync.WaitGroup
	turn := make(chan struct{}, runtime.GOMAXPROCS(0))
	for i, tr := range ts {
		wg.Go(func() {
			turn <- struct{}{}
			defer func() { <-turn }()
			tr.s = judge(tr.b.run(ys[i%len(ys)], tr.first, days, uint64(i)))
		})
	}
	wg.Wait()
}

// delay is in days; ok false when missed. others are findings beside it.
func (tr *trial) delay() (d float64, ok bool, others []finding.Finding) {
	for _, f := range tr.s.Findings() {
		at := float64(int64(f.Concluded)-tr.s.Done.First*36e11)/864e11 - float64(tr.day)
		if f.Kind == tr.want && at >= 0 && !ok {
			d, ok = at, true
		} else {
			others = append(others, f)
		}
	}
	return d, ok, others
}

// draw makes n boxes, two of four with plain physics.
func draw(n int, seed uint64, change func(b *box, i int), want finding.Kind, day int) (ts []*trial) {
	for i := range n {
		rnd := rand.New(rand.NewPCG(uint64(i), seed))
		b := healthy(rnd, i%4 > 1)
		first := rnd.IntN(8000)
		if change != nil {
			change(&b, i)
		}
		ts = append(ts, &trial{b: b, rough: i%4 > 1, first: first, want: want, day: day})
	}
	return ts
}

// outcome sums up the trials of one group.
type outcome struct {
	n, missed int
	delays    []float64 // ascending
	others    map[finding.Kind]int
	notes     []string
}

func (o *outcome) quantile(q float64) float64 {
	if len(o.delays) == 0 {
		return 0
	}
	return o.delays[int(q*float64(len(o.delays)-1)+0.5)]
}

func (o *outcome) false() (n int) {
	for _, k := range o.others {
		n += k
	}
	return n
}

func sum(ts []*trial, rough bool) outcome {
	o := outcome{others: map[finding.Kind]int{}}
	for i, tr := range ts {
		if tr.rough != rough {
			continue
		}
		o.n++
		d, ok, rest := tr.delay()
		if ok {
			o.delays = append(o.delays, d)
		} else if tr.want != "" {
			o.missed++
		}
		for _, f := range rest {
			o.others[f.Kind]++
			o.notes = append(o.notes, fmt.Sprintf("%d %+v baseline %.1f: %s from %s, concluded %s, %v", i, tr.b, tr.s.Tight.TauH, f.Kind, f.From, f.Concluded, f.Evidence))
		}
	}
	slices.Sort(o.delays)
	return o
}

// TestTrials runs boxes through two real years of weather and prints a table
// of what was found, missed and false. PROOF_SCALE=full runs some 300
// station-years, PROOF_SEED draws other boxes; without them it is short.
func TestTrials(t *testing.T) {
	ys := years(t)
	n, full := 4, os.Getenv("PROOF_SCALE") == "full"
	if full {
		n = 40
	}
	seed, err := strconv.ParseUint(cmp.Or(os.Getenv("PROOF_SEED"), "200"), 10, 64)
	require.NoError(t, err, "PROOF_SEED")
	for _, g := range []struct {
		name   string
		n      int
		days   int
		change func(b *box, i int)
		want   finding.Kind
		day    int
		median float64 // days, at most
	}{
		{"no fault", 3 * n, 365, nil, "", 0, 0},
		{"60 to 3 h", n, 120, func(b *box, _ int) { b.tau, b.openTau, b.openDay = 60, 3, 60 }, finding.SealOpened, 60, 7},
		{"60 to 10 h", n, 120, func(b *box, _ int) { b.tau, b.openTau, b.openDay = 60, 10, 60 }, finding.SealOpened, 60, 12},
		{"12 to 2 h", n, 120, func(b *box, _ int) { b.tau, b.openTau, b.openDay = 12, 2, 60 }, finding.SealOpened, 60, 7},
		{"6 to 1.5 h", n, 120, func(b *box, _ int) { b.tau, b.openTau, b.openDay = 6, 1.5, 60 }, finding.SealOpened, 60, 7},
		{"a quarter in 83 d", n, 180, func(b *box, i int) {
			b.tau, b.ageing, b.openDay = []float64{12, 25, 60}[i%3], 60, 60
		}, finding.SealOpened, 60, 83},
		{"puddle, 3 h", n, 120, func(b *box, i int) { b.tau, b.waterG, b.waterRate, b.waterDay = 3, 5000, 0.5+float64(i%10)/10, 60 }, finding.WaterInside, 60, 3},
		{"puddle, 12 h", n, 120, func(b *box, i int) { b.tau, b.waterG, b.waterRate, b.waterDay = 12, 5000, 0.5+float64(i%10)/10, 60 }, finding.WaterInside, 60, 3},
		{"puddle, 60 h", n, 120, func(b *box, i int) { b.tau, b.waterG, b.waterRate, b.waterDay = 60, 5000, 0.5+float64(i%10)/10, 60 }, finding.WaterInside, 60, 3},
		{"wall air 0.2", n, 365, func(b *box, i int) { b.wallShare, b.flush = 0.2, i%2 == 0 }, finding.MoistAirFromWall, 0, 365},
		{"wall air 0.5", n, 365, func(b *box, i int) { b.wallShare, b.flush = 0.5, i%2 == 0 }, finding.MoistAirFromWall, 0, 365},
		{"creep 18 %RH in 25 d", n, 120, func(b *box, i int) { b.drift, b.driftDay = 0.72*float64(1-i%2*2), 60 }, "", 0, 0},
	} {
		ts := draw(g.n, seed, g.change, g.want, g.day)
		run(ts, ys, g.days)
		for _, rough := range []bool{false, true} {
			o := sum(ts, rough)
			t.Logf("%-21s flaws=%-5v boxes=%d years=%.1f found=%d missed=%d days: median %.1f, 90 %% %.1f, most %.1f; others %v",
				g.name, rough, o.n, float64(o.n*g.days)/365, len(o.delays), o.missed, o.quantile(0.5), o.quantile(0.9), o.quantile(1), o.others)
			if os.Getenv("PROOF_NOTES") != "" {
				t.Log(strings.Join(o.notes, "\n"))
			}
			if g.want == "" && g.name == "no fault" {
				rate := 0.03
				if rough {
					rate = 0.1
				}
				require.LessOrEqual(t, float64(o.false()), max(1, rate*float64(o.n)), strings.Join(o.notes, "\n"))
			}
			if full && g.want != "" {
				require.LessOrEqual(t, o.quantile(0.5), g.median)
			}
		}
	}
}
