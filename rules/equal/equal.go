// Package equal compares how wet a box was before and after something was done to
// it, in equal weather: did the repair hold?
//
// Each day of the second period, noon to noon of mean solar time, is held against
// the days of the first one whose weather was most alike ([Weather]): the mean of
// what the box did on those is what it would have done on this day before. Days
// with weather that the first period never had are left out and counted. Nothing
// is fitted, so nothing is told beyond what was seen. The interval is that of a
// bootstrap over weeks of both periods (blocks, since wet days come in runs;
// Künsch 1989, from memory), made wider by what so few blocks leave out, and
// holds the difference about nine times in ten: of days made with runs, 0.87 to
// 0.93 of them, for periods of 20 to 90 days. Which
// weather counts, and how alike is alike, are judgement values.
package equal

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"dewpost/rules/unit"
)

// Day is one day of a box, with the weather outdoors.
type Day struct {
	Start      unit.Instant // noon
	Known      float64      // h of which the box is known
	Condensing float64      // h
	AtRisk     float64      // h, condensing included
	Weather    *Weather     // nil: not known
}

// Weather is what outdoors decides how wet a closed box becomes.
type Weather struct {
	Closest float64 // K, least that the air was above its dew point
	Mean    float64 // K, mean of that
	Cold    float64 // K, lowest temperature above the mean dew point of the day before
	Temp    float64 // °C, mean
}

// How far days may lie apart to be alike, by item: a distance of 1 in each is the
// farthest neighbour that still counts.
var scales = Weather{Closest: 2, Mean: 3, Cold: 4, Temp: 8}

const (
	neighbours = 12
	farthest   = 1.5 // of scaled distance
	leastKnown = 20.0
	leastDays  = 14
	block      = 7 // days
	draws      = 400
)

// Period is what a box did in a period.
type Period struct {
	From      unit.Instant `json:"from"`
	To        unit.Instant `json:"to"`
	Days      int          `json:"days"`           // of which box and weather are known
	HoursADay float64      `json:"hours_a_day"`    // over those
	Unlike    int          `json:"unlike_weather"` // days of the second period without like ones in the first
	Expected  *float64     `json:"expected_a_day"` // of the second: what the box of the first would have done in its weather; nil: not known
	Compared  float64      `json:"compared_a_day"` // of the second, over the days that could be compared
	Skipped   int          `json:"days_not_known"` // box or weather
}

// Comparison is what came of holding two periods together.
type Comparison struct {
	Before Period   `json:"before"`
	After  Period   `json:"after"`
	Change *float64 `json:"change_a_day"` // h a day that the box is wetter than it would have been; nil: not enough is known
	Low    *float64 `json:"low"`          // 5 % quantile
	High   *float64 `json:"high"`         // 95 % quantile
}

// Verdict says it in a word.
type Verdict string

// Verdicts.
const (
	Unknown Verdict = "not enough is known yet"
	Drier   Verdict = "drier than it would have been in this weather"
	Wetter  Verdict = "wetter than it would have been in this weather"
	Same    Verdict = "no difference is shown"
)

// Verdict returns what the interval shows.
func (c *Comparison) Verdict() Verdict {
	switch {
	case c.Change == nil:
		return Unknown
	case *c.High < 0:
		return Drier
	case *c.Low > 0:
		return Wetter
	}
	return Same
}

// Compare holds the days of two periods together by one quantity of a day, such
// as its hours condensing. Days are in time order. The same seed draws the same.
func Compare(before, after []Day, of func(*Day) float64, seed uint64) Comparison {
	c := Comparison{Before: periodOf(before, of), After: periodOf(after, of)}
	b, a := usable(before), usable(after)
	if len(b) < leastDays || len(a) < leastDays {
		return c
	}
	like := alike(b, a)
	sum := func(aWeight, bWeight []float64) (change, expected, compared float64, n float64) {
		for i := range a {
			var w, y float64
			for _, j := range like[i] {
				w, y = w+bWeight[j], y+bWeight[j]*rate(&b[j], of)
			}
			if w == 0 || aWeight[i] == 0 {
				continue
			}
			n += aWeight[i]
			expected += aWeight[i] * y / w
			compared += aWeight[i] * rate(&a[i], of)
		}
		if n == 0 {
			return math.NaN(), 0, 0, 0
		}
		return (compared - expected) / n, expected / n, compared / n, n
	}
	change, expected, compared, n := sum(ones(len(a)), ones(len(b)))
	c.After.Unlike = len(a) - int(n)
	if n < leastDays {
		return c
	}
	rnd := rand.New(rand.NewPCG(seed, 1))
	var drawn []float64
	for range draws {
		if d, _, _, n := sum(resample(rnd, len(a)), resample(rnd, len(b))); n > 0 {
			drawn = append(drawn, d)
		}
	}
	slices.Sort(drawn)
	// A resample of n blocks varies less than they do, by (n-1)/n, and n are few:
	// 1+1.2/(n-1) is near Student's factor at 90 % for n of 4 to 20.
	blocks := max(2, float64(min(len(a), len(b)))/block)
	wider := math.Sqrt(blocks/(blocks-1)) * (1 + 1.2/(blocks-1))
	low := change + wider*min(0, drawn[len(drawn)*5/100]-change)
	high := change + wider*max(0, drawn[len(drawn)*95/100]-change)
	c.After.Expected, c.After.Compared = &expected, compared
	c.Change, c.Low, c.High = &change, &low, &high
	return c
}

// rate scales a day's hours to a day of 24 known ones.
func rate(d *Day, of func(*Day) float64) float64 { return of(d) * 24 / d.Known }

func usable(days []Day) []Day {
	return slices.DeleteFunc(slices.Clone(days), func(d Day) bool { return d.Weather == nil || d.Known < leastKnown })
}

func periodOf(days []Day, of func(*Day) float64) (p Period) {
	if len(days) > 0 {
		p.From, p.To = days[0].Start, days[len(days)-1].Start.Add(24*time.Hour)
	}
	u := usable(days)
	p.Days, p.Skipped = len(u), len(days)-len(u)
	for i := range u {
		p.HoursADay += rate(&u[i], of) / float64(len(u))
	}
	return p
}

// alike returns for each day of the second period those of the first that are
// nearest in weather, none that is too far.
func alike(b, a []Day) [][]int {
	past := make([]*Weather, len(b))
	for j := range b {
		past[j] = b[j].Weather
	}
	out := make([][]int, len(a))
	for i := range a {
		out[i] = Like(a[i].Weather, past)
	}
	return out
}

// Like returns which of the past days had weather most like that of a day: up to
// twelve, the nearest first, and none that differs too much. Of days whose weather
// is nil nothing is known.
func Like(day *Weather, past []*Weather) []int {
	type near struct {
		j int
		d float64
	}
	var list []near
	for j, w := range past {
		if w == nil {
			continue
		}
		if d := distance(day, w); d <= farthest {
			list = append(list, near{j, d})
		}
	}
	slices.SortStableFunc(list, func(x, y near) int { return cmp.Compare(x.d, y.d) })
	var out []int
	for _, n := range list[:min(len(list), neighbours)] {
		out = append(out, n.j)
	}
	return out
}

func distance(x, y *Weather) float64 {
	sum := 0.0
	for _, d := range []float64{
		(x.Closest - y.Closest) / scales.Closest, (x.Mean - y.Mean) / scales.Mean,
		(x.Cold - y.Cold) / scales.Cold, (x.Temp - y.Temp) / scales.Temp,
	} {
		sum += d * d
	}
	return math.Sqrt(sum)
}

func ones(n int) []float64 {
	w := make([]float64, n)
	for i := range w {
		w[i] = 1
	}
	return w
}

// resample returns how often each of n days is drawn, by whole blocks.
func resample(rnd *rand.Rand, n int) []float64 {
	w := make([]float64, n)
	for k := 0; k < n; {
		from := rnd.IntN(n)
		for i := 0; i < block && k < n; i++ {
			w[(from+i)%n]++
			k++
		}
	}
	return w
}
