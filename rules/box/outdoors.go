package box

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"dewpost/rules/breathing"
	"dewpost/rules/equal"
	"dewpost/rules/sensing"
	"dewpost/rules/unit"
)

// WeatherReach is how far from its instant observed weather can tell of the
// air: hourly rows are two hours apart when one is missing.
const WeatherReach = 2 * time.Hour

// Weather is what somebody observed at an instant; nil for what he did not.
type Weather struct {
	Source string
	Time   unit.Instant
	Temp   *unit.Celsius
	RH     *unit.Percent // over water
	Rain   *float64      // mm, in the interval that ends at Time
}

// Sky is what others than the station know of the air outdoors: outdoor
// sensors of the site, and observed weather.
type Sky struct {
	near    map[unit.Instant]equal.Air
	weather []Weather
}

// NewSky takes hours of the site's sensors, of each hour the first counts, and
// rows of weather.
func NewSky(near []equal.Air, weather []Weather) *Sky {
	s := &Sky{near: make(map[unit.Instant]equal.Air, len(near)), weather: slices.Clone(weather)}
	for _, o := range near {
		if _, there := s.near[o.Hour]; !there {
			s.near[o.Hour] = o
		}
	}
	slices.SortStableFunc(s.weather, func(a, b Weather) int { return cmp.Compare(a.Time, b.Time) })
	return s
}

// At returns the air at the middle of a slot that begins at at: that of the
// site's sensor in its hour, else of the weather, between rows in proportion.
// Rain is that of the first row in whose interval the slot lies and that tells of it.
func (s *Sky) At(at unit.Instant) (air *breathing.Outdoor, rain *float64) {
	mid := at.Add(5 * time.Minute)
	n, _ := slices.BinarySearchFunc(s.weather, mid, func(w Weather, t unit.Instant) int { return cmp.Compare(w.Time, t) })
	for i := n; i < len(s.weather) && s.weather[i].Time.Sub(mid) <= WeatherReach; i++ {
		if w := &s.weather[i]; w.Rain != nil && w.Time.Sub(mid) < s.interval(i) {
			perHour := *w.Rain / s.interval(i).Hours()
			rain = &perHour
			break
		}
	}
	if o, there := s.near[at.Floor(time.Hour)]; there {
		return &breathing.Outdoor{Temp: o.Temp, RH: o.RH, Basis: breathing.Site}, rain
	}
	return s.between(mid, n), rain
}

// interval is how long rain fell into row n: since the row before of the same
// source, an hour where that is not near.
func (s *Sky) interval(n int) time.Duration {
	for i := n - 1; i >= 0; i-- {
		d := s.weather[n].Time.Sub(s.weather[i].Time)
		if d > WeatherReach {
			break
		}
		if d > 0 && s.weather[i].Source == s.weather[n].Source {
			return d
		}
	}
	return time.Hour
}

// Observed returns the air at the middle of a slot as weather was observed; nil
// where it was not.
func (s *Sky) Observed(at unit.Instant) *sensing.Air {
	mid := at.Add(5 * time.Minute)
	n, _ := slices.BinarySearchFunc(s.weather, mid, func(w Weather, t unit.Instant) int { return cmp.Compare(w.Time, t) })
	if o := s.between(mid, n); o != nil {
		return &sensing.Air{Temp: o.Temp, RH: o.RH}
	}
	return nil
}

// between returns the air between rows of one source: the first by its name that has
// one on both sides; else that of the nearest row.
func (s *Sky) between(mid unit.Instant, n int) *breathing.Outdoor {
	befores := make(map[string]*Weather)
	var near, before, after *Weather
	for i := n - 1; i >= 0 && mid.Sub(s.weather[i].Time) <= WeatherReach; i-- {
		if w := &s.weather[i]; w.Temp != nil && w.RH != nil && befores[w.Source] == nil {
			befores[w.Source] = w
			near = cmp.Or(near, w)
		}
	}
	seen := make(map[string]bool)
	for i := n; i < len(s.weather) && s.weather[i].Time.Sub(mid) <= WeatherReach; i++ {
		w := &s.weather[i]
		if w.Temp == nil || w.RH == nil || seen[w.Source] {
			continue
		}
		if len(seen) == 0 && (near == nil || w.Time.Sub(mid) < mid.Sub(near.Time)) {
			near = w
		}
		seen[w.Source] = true
		if b := befores[w.Source]; b != nil && w.Time.Sub(b.Time) <= WeatherReach && (after == nil || w.Source < after.Source) {
			before, after = b, w
		}
	}
	if after == nil {
		if near == nil || max(near.Time.Sub(mid), mid.Sub(near.Time)) > time.Hour {
			return nil
		}
		return &breathing.Outdoor{Temp: *near.Temp, RH: *near.RH, Basis: breathing.Weather}
	}
	part := 0.0
	if d := after.Time.Sub(before.Time); d > 0 {
		part = float64(mid.Sub(before.Time)) / float64(d)
	}
	mix := func(a, b float64) float64 { return a + float64(part*(b-a)) }
	return &breathing.Outdoor{
		Temp:  unit.Celsius(mix(float64(*before.Temp), float64(*after.Temp))),
		RH:    unit.Percent(mix(float64(*before.RH), float64(*after.RH))),
		Basis: breathing.Weather,
	}
}

// Outdoors returns what is known of the air outdoors by hour, in order: of the
// station's own sensor, else of the site's, of each hour the first, else of the
// weather, of each hour the first row that tells of it.
func Outdoors(own, near []equal.Air, weather []Weather) []equal.Air {
	best := make(map[unit.Instant]equal.Air, len(own)+len(near)+len(weather))
	add := func(a equal.Air) {
		if _, there := best[a.Hour]; !there {
			best[a.Hour] = a
		}
	}
	for _, list := range [][]equal.Air{own, near} {
		for _, a := range list {
			add(a)
		}
	}
	for i := range weather {
		if w := &weather[i]; w.Temp != nil && w.RH != nil {
			add(equal.Air{Hour: w.Time.Floor(time.Hour), Temp: *w.Temp, RH: *w.RH})
		}
	}
	return slices.SortedFunc(maps.Values(best), func(a, b equal.Air) int { return cmp.Compare(a.Hour, b.Hour) })
}
