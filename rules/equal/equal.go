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
// 0.93 of them, for periods of 20 to 90 days. What a sound humidity sensor may be
// off is the range that hours carry (the ledger's); it is the same error before and
// after while the sensor is the same, and so not in the interval of what changed.
// Which weather counts, and how alike is alike, are judgement values.
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
	Condensing Hours
	AtRisk     Hours    // condensing included
	Weather    *Weather // nil: not known
}

// Hours are hours of a day with the range that the ledger gives them: what a
// humidity sensor may be off and, where none measures the surface, what that may
// be colder.
type Hours struct {
	Mid  float64 `json:"mid"`
	Low  float64 `json:"low"`
	High float64 `json:"high"`
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

// Period is what a box did in a period. Hours are of a day, over the days that
// count.
type Period struct {
	From     *unit.Instant `json:"from"` // of its first day; nil without days
	To       *unit.Instant `json:"to"`
	Days     int           `json:"days"`           // of which box and weather are known
	Skipped  int           `json:"days_not_known"` // box or weather
	Hours    *Hours        `json:"hours_a_day"`    // nil without days
	Unlike   int           `json:"unlike_weather"` // days of the second period without like ones in the first
	Expected *Hours        `json:"expected_a_day"` // of the second: what the box of the first would have done in its weather; nil: not known
	Compared *Hours        `json:"compared_a_day"` // of the second, over the days that could be compared
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
func Compare(before, after []Day, of func(*Day) Hours, seed uint64) Comparison {
	c := Comparison{Before: periodOf(before, of), After: periodOf(after, of)}
	b, a := usable(before), usable(after)
	if len(b) < leastDays || len(a) < leastDays {
		return c
	}
	like := alike(b, a)
	var expected, compared Hours
	for _, end := range ends { // the middle last
		h := held{b: b, a: a, like: like, of: func(d *Day) float64 { x := of(d); return *end(&x) }}
		change, e, y, n := h.sum(ones(len(a)), ones(len(b)))
		if c.After.Unlike = len(a) - int(n); n < leastDays {
			return c
		}
		*end(&expected), *end(&compared) = e, y
		if end(&expected) == &expected.Mid {
			low, high := h.interval(change, seed)
			c.Change, c.Low, c.High = &change, &low, &high
		}
	}
	c.After.Expected, c.After.Compared = &expected, &compared
	return c
}

// ends pick the numbers of Hours.
var ends = []func(*Hours) *float64{
	func(h *Hours) *float64 { return &h.Low },
	func(h *Hours) *float64 { return &h.High },
	func(h *Hours) *float64 { return &h.Mid },
}

// held is one quantity of two periods held together.
type held struct {
	b, a []Day
	like [][]int
	of   func(*Day) float64
}

// sum returns the change, what would have been expected and what was, a day, and
// over how many days, with each day as often as it is weighed.
func (h *held) sum(aWeight, bWeight []float64) (change, expected, compared, n float64) {
	for i := range h.a {
		var w, y float64
		for _, j := range h.like[i] {
			w, y = w+bWeight[j], y+bWeight[j]*rate(&h.b[j], h.of)
		}
		if w == 0 || aWeight[i] == 0 {
			continue
		}
		n += aWeight[i]
		expected += aWeight[i] * y / w
		compared += aWeight[i] * rate(&h.a[i], h.of)
	}
	if n == 0 {
		return math.NaN(), 0, 0, 0
	}
	return (compared - expected) / n, expected / n, compared / n, n
}

// interval is that of the bootstrap about a change.
func (h *held) interval(change float64, seed uint64) (low, high float64) {
	rnd := rand.New(rand.NewPCG(seed, 1))
	var drawn []float64
	for range draws {
		if d, _, _, n := h.sum(resample(rnd, len(h.a)), resample(rnd, len(h.b))); n > 0 {
			drawn = append(drawn, d)
		}
	}
	slices.Sort(drawn)
	// A resample of n blocks varies less than they do, by (n-1)/n, and n are few:
	// 1+1.2/(n-1) is near Student's factor at 90 % for n of 4 to 20.
	blocks := max(2, float64(min(len(h.a), len(h.b)))/block)
	wider := math.Sqrt(blocks/(blocks-1)) * (1 + 1.2/(blocks-1))
	return change + wider*min(0, drawn[len(drawn)*5/100]-change), change + wider*max(0, drawn[len(drawn)*95/100]-change)
}

// rate scales a day's hours to a day of 24 known ones.
func rate(d *Day, of func(*Day) float64) float64 { return of(d) * 24 / d.Known }

func usable(days []Day) []Day {
	return slices.DeleteFunc(slices.Clone(days), func(d Day) bool { return d.Weather == nil || d.Known < leastKnown })
}

func periodOf(days []Day, of func(*Day) Hours) (p Period) {
	if len(days) == 0 {
		return p
	}
	from, to := days[0].Start, days[len(days)-1].Start.Add(24*time.Hour)
	u := usable(days)
	p.From, p.To, p.Days, p.Skipped = &from, &to, len(u), len(days)-len(u)
	if len(u) == 0 {
		return p
	}
	p.Hours = &Hours{}
	for i := range u {
		h := of(&u[i])
		for _, end := range ends {
			*end(p.Hours) += rate(&u[i], func(*Day) float64 { return *end(&h) }) / float64(len(u))
		}
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
