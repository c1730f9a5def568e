package outlook

import (
	"math"
	"sort"
	"time"

	"dewpost/rules/sun"
	"dewpost/rules/unit"
)

// What is known at a time of issue, in this order. Those of the margin are of
// the margin itself; [inputs] count it from a limit.
const (
	fMargin    = iota // K, newest
	fLength           // h from then to sunrise
	fDewRise          // K, newest dew point above that of the last day
	fRough            // log of the roughness of the dew point over two days
	fRange            // K, the last day's highest temperature above the newest
	fDewSpread        // log of the spread of the dew point over the last day
	fFall             // K that the margin rose in the last two hours
	fRoughDay         // log of the roughness of the dew point over the last day
	fCos              // of the season
	fSin
	fWarm     // K, newest temperature above that of the last 30 days
	fLeast    // K, least margin in the last 12 h
	fRoughAir // log of the roughness of the temperature over 12 h
	fSwing    // K, range of temperature over the last day
	fMean     // K, mean margin over two days
	fTemp     // °C, newest
	numFeatures
)

// features returns what the samples up to at say; nil when they say too little.
func (s *State) features(at, rise unit.Instant, place sun.Place) []float64 {
	n := sort.Search(len(s.Samples), func(i int) bool { return s.Samples[i].At > at })
	past := s.Samples[:n]
	if n == 0 || at.Sub(past[n-1].At) > longestStep {
		return nil
	}
	since := func(h time.Duration) []Sample {
		from := at.Add(-h)
		return past[sort.Search(n, func(i int) bool { return past[i].At > from }):]
	}
	lastDay := since(24 * time.Hour)
	if len(lastDay) < leastSamples {
		return nil
	}
	now := past[n-1]
	temp := func(x *Sample) float64 { return x.Temp }
	dew := func(x *Sample) float64 { return x.Dew }
	margin := func(x *Sample) float64 { return x.Margin }
	twoDays, halfDay := since(48*time.Hour), since(12*time.Hour)
	f := make([]float64, numFeatures)
	f[fMargin], f[fTemp] = now.Margin, now.Temp
	f[fLength] = rise.Sub(at).Hours()
	f[fDewRise] = now.Dew - mean(lastDay, dew)
	f[fRough], f[fRoughDay], f[fRoughAir] = rough(twoDays, dew), rough(lastDay, dew), rough(halfDay, temp)
	low, high := extremes(lastDay, temp)
	f[fRange], f[fSwing] = high-now.Temp, high-low
	f[fDewSpread] = math.Log(0.1 + spread(lastDay, dew))
	if i := sort.Search(n, func(i int) bool { return past[i].At > at.Add(-2*time.Hour) }) - 1; i >= 0 && at.Sub(past[i].At) <= 2*time.Hour+longestStep {
		f[fFall] = now.Margin - past[i].Margin
	}
	season := 2 * math.Pi * yearShare(at)
	if place.Lat < 0 {
		season += math.Pi
	}
	f[fCos], f[fSin] = math.Cos(season), math.Sin(season)
	f[fWarm] = now.Temp - mean(past, temp)
	f[fLeast], _ = extremes(halfDay, margin)
	f[fMean] = mean(twoDays, margin)
	for i := range f {
		f[i] = short(f[i])
	}
	return f
}

// yearShare is how much of a mean year has passed since the first of January.
func yearShare(t unit.Instant) float64 {
	years := float64(t) / (365.2425 * 24 * float64(time.Hour))
	return years - math.Floor(years)
}

func mean(xs []Sample, of func(*Sample) float64) float64 {
	sum := 0.0
	for i := range xs {
		sum += of(&xs[i])
	}
	return sum / float64(len(xs))
}

func spread(xs []Sample, of func(*Sample) float64) float64 {
	m, sum := mean(xs, of), 0.0
	for i := range xs {
		d := of(&xs[i]) - m
		sum += float64(d * d)
	}
	return math.Sqrt(sum / float64(len(xs)))
}

func extremes(xs []Sample, of func(*Sample) float64) (low, high float64) {
	low, high = of(&xs[0]), of(&xs[0])
	for i := range xs {
		low, high = min(low, of(&xs[i])), max(high, of(&xs[i]))
	}
	return low, high
}

// rough is the log of the mean size of second differences: how unsteady the air
// is, which wind and clouds make it.
func rough(xs []Sample, of func(*Sample) float64) float64 {
	if len(xs) < 4 {
		return -1
	}
	sum := 0.0
	for i := 2; i < len(xs); i++ {
		sum += math.Abs(of(&xs[i]) - 2*of(&xs[i-1]) + of(&xs[i-2]))
	}
	return math.Log(0.05 + sum/float64(len(xs)-2))
}

// numInputs is how many inputs a regression can have.
const numInputs = 20

// inputs scales features for regression, with the margin counted from a limit.
func inputs(f []float64, limit float64) (x [numInputs]float64) {
	m := f[fMargin] - limit
	root := math.Sqrt(max(m, 0)) - 1.5
	length := (f[fLength] - 10) / 4
	day := (f[fRange] - 5) / 4
	swing := (f[fSwing] - 7) / 5
	return [numInputs]float64{
		1, m / 4, root, length, f[fDewRise] / 3,
		f[fRough], day * root, f[fDewSpread], f[fFall] / 2,
		f[fRoughDay] * f[fCos], (f[fLeast] - limit) / 3,
		f[fDewSpread] * root, f[fRoughDay] * f[fSin], f[fWarm] / 5 * root, f[fRoughAir],
		length * length, swing * f[fCos], swing * f[fSin], (f[fMean] - limit - 4) / 3, f[fTemp]/10 - 1,
	}
}
