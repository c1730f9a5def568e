// Package coating says whether a board may be coated now, and how probably the
// air will stay good while the coat cures.
//
// # Now
//
// The board's surface, by its own thermometer or else taken as the air less a
// reserve for what an aerosol's solvent cools it by, must be 3 K or more above
// the dew point (ISO 8502-4, which is written for steel and paint), the relative
// humidity and the temperature of the air within what the coating's sheet says.
//
// # The next 36 hours
//
// There is no forecast but the place's own past: each of the last fourteen days,
// taken at the same time of day, gives one course, by how the temperature and the
// dew point changed there from then on, begun at what is measured now. The
// probability that the air stays good is the share of the courses in which it
// does, counted with one course more that is good and one that is not. This is
// persistence with a daily course: it knows of no weather front to come.
//
// The coating maker's sheet decides, not this package. Limits that are not from
// it are judgement values.
//
// [ISO8502-4]: Guidance on the estimation of the probability of condensation
// prior to paint application: surface at least 3 K above the dew point, as quoted
// by makers' application sheets.
package coating

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"dewpost/rules/moistair"
	"dewpost/rules/unit"
)

// Limits are what a coating asks for.
type Limits struct {
	Margin    float64       // K of the surface above the dew point
	LeastRH   unit.Percent  // of a type that moisture cures; 0: none
	MostRH    unit.Percent  // of the air
	LeastTemp unit.Celsius  // of the air and of the surface
	MostTemp  unit.Celsius  // …
	Reserve   float64       // K that the board is taken to be cooler than the air where it has no thermometer
	Cure      time.Duration // for which it must stay so
}

// Usual are limits for a sheet that says nothing: the margin of ISO 8502-4; the
// rest is common practice, no source.
func Usual() Limits {
	return Limits{Margin: 3, MostRH: 65, LeastTemp: 15, MostTemp: 30, Cure: 24 * time.Hour}
}

// Aerosol is the usual reserve for a coat that is sprayed from a can, whose
// solvent cools the board by 3 to 5 K: common practice, no source.
const Aerosol = 4.0

// LongestCure is the longest cure that can be looked ahead.
const LongestCure = 72 * time.Hour

// Refused is a limit or a value that can't be.
type Refused struct{ Field, Value, Fix string }

func (r *Refused) Error() string { return fmt.Sprintf("%s %s: %s", r.Field, r.Value, r.Fix) }

func refuse(field string, value any, fix string) error {
	return &Refused{field, fmt.Sprint(value), fix}
}

// Check refuses limits that no air could keep, or that no sheet has.
func (l *Limits) Check() error {
	switch {
	case !(l.Margin >= 0 && l.Margin <= 20):
		return refuse("margin_k", l.Margin, "write 0 to 20 K")
	case !(l.MostRH > 0 && l.MostRH <= 100):
		return refuse("rh_max_pct", l.MostRH, "write more than 0 and at most 100 %")
	case !(l.LeastRH >= 0 && l.LeastRH < l.MostRH):
		return refuse("rh_min_pct", l.LeastRH, fmt.Sprintf("write 0 or more, and less than the most, %g %%", l.MostRH))
	case !(l.MostTemp > 0 && l.MostTemp <= 60):
		return refuse("temp_max_c", l.MostTemp, "write more than 0 and at most 60 °C")
	case !(l.LeastTemp >= 0 && l.LeastTemp < l.MostTemp):
		return refuse("temp_min_c", l.LeastTemp, fmt.Sprintf("write 0 °C or more, and less than the most, %g °C", l.MostTemp))
	case !(l.Reserve >= 0 && l.Reserve <= 10):
		return refuse("reserve_k", l.Reserve, "write 0 to 10 K")
	case l.Cure < 0 || l.Cure > LongestCure:
		return refuse("cure", l.Cure, fmt.Sprintf("write 0 to %s", LongestCure))
	}
	return nil
}

// Air is what was measured at an instant.
type Air struct {
	At    unit.Instant
	Temp  unit.Celsius
	RH    unit.Percent  // over water
	Board *unit.Celsius // the board's own thermometer; nil: none
}

// Check refuses air that can't be.
func (a *Air) Check() error {
	switch {
	case !(a.Temp >= -60 && a.Temp <= 95):
		return refuse("temp_c", a.Temp, "write -60 to 95 °C")
	case !(a.RH > 0 && a.RH <= 100):
		return refuse("rh_pct", a.RH, "write more than 0 and at most 100 %")
	case a.Board != nil && !(*a.Board >= -60 && *a.Board <= 95):
		return refuse("board_temp_c", *a.Board, "write -60 to 95 °C")
	}
	return nil
}

// What is wrong with the air.
type What string

// The reasons not to coat, the worst first.
const (
	NearDewPoint What = "surface_near_dew_point" // K above the dew point
	TooDamp      What = "too_damp"               // %RH
	TooDry       What = "too_dry"                // %RH
	TooCold      What = "too_cold"               // °C, of the air or of the surface
	TooWarm      What = "too_warm"               // °C
)

// Reason is one thing that is wrong: what is measured, and what is asked for.
type Reason struct {
	What  What    `json:"what"`
	Is    float64 `json:"is"`
	Limit float64 `json:"limit"`
	Unit  string  `json:"unit"`
}

// Verdict is what the air of an instant allows.
type Verdict struct {
	Good     bool         `json:"good"`
	Reasons  []Reason     `json:"reasons"` // none when good
	Surface  unit.Celsius `json:"surface_c"`
	DewPoint unit.Celsius `json:"dew_point_c"`
	Margin   float64      `json:"margin_k"` // surface above dew point
	Measured bool         `json:"surface_measured"`
}

// Judge tells whether a board may be coated in this air.
// Source: [ISO8502-4].
func Judge(a Air, l *Limits) Verdict {
	surface := a.Temp - unit.Celsius(l.Reserve)
	if a.Board != nil {
		surface = *a.Board
	}
	v := judge(a.Temp, surface, moistair.DewPoint(a.Temp, a.RH), a.RH, l)
	v.Measured = a.Board != nil
	return v
}

func judge(air, surface, dew unit.Celsius, rh unit.Percent, l *Limits) Verdict {
	v := Verdict{Surface: surface, DewPoint: dew, Reasons: []Reason{}}
	v.Margin = math.Round(float64(surface-dew)*1e9) / 1e9
	put := func(wrong bool, what What, is, limit float64, unit string) {
		if wrong {
			v.Reasons = append(v.Reasons, Reason{what, is, limit, unit})
		}
	}
	coldest, warmest := min(air, surface), max(air, surface)
	put(v.Margin < l.Margin, NearDewPoint, v.Margin, l.Margin, "K")
	put(rh > l.MostRH, TooDamp, float64(rh), float64(l.MostRH), "%")
	put(rh < l.LeastRH, TooDry, float64(rh), float64(l.LeastRH), "%")
	put(coldest < l.LeastTemp, TooCold, float64(coldest), float64(l.LeastTemp), "°C")
	put(warmest > l.MostTemp, TooWarm, float64(warmest), float64(l.MostTemp), "°C")
	v.Good = len(v.Reasons) == 0
	return v
}

// Horizon is how far is looked ahead; a coat put on at its end must cure too.
const Horizon = 36 * time.Hour

const (
	daysBack      = 14
	leastCourses  = 5
	likely        = 0.8 // from which hours are a window
	longestStep   = 3 * time.Hour
	hoursOfADay   = 24
	farFromAnHour = 30 * time.Minute
)

// History is how far back the hours of Ahead must reach to tell all they can.
func History(l *Limits) time.Duration {
	return time.Duration(daysBack+daysOf(l)) * hoursOfADay * time.Hour
}

// daysOf is how many days a course takes.
func daysOf(l *Limits) int {
	hours := int((Horizon + l.Cure + time.Hour - 1) / time.Hour)
	return (hours + hoursOfADay - 1) / hoursOfADay
}

// Hour is an hour to come.
type Hour struct {
	Start  unit.Instant `json:"start"`
	Good   float64      `json:"p_good"`   // probability that it is good at its start
	Stays  float64      `json:"p_stays"`  // … and from then on for the cure time
	Margin float64      `json:"margin_k"` // median
}

// Window is a time in which a coat can be put on, that will probably stay good
// for as long as it cures.
type Window struct {
	From  unit.Instant `json:"from"`
	To    unit.Instant `json:"to"` // the last hour to begin in
	Stays float64      `json:"p_stays"`
}

// Ahead looks at the next 36 hours. past are hours up to now's, ascending, one an
// hour, those without air left out. It returns none where too little is known:
// fewer than five days with a whole course.
func Ahead(now Air, past []Air, l *Limits) []Hour {
	courses := coursesOf(now, past, l)
	if len(courses) < leastCourses {
		return nil
	}
	cure := int((l.Cure + time.Hour - 1) / time.Hour)
	hours := make([]Hour, int(Horizon/time.Hour)+1)
	for h := range hours {
		good, stays := 1.0, 1.0
		margins := make([]float64, len(courses))
		for i, c := range courses {
			margins[i] = c[h].Margin
			if c[h].Good {
				good++
			}
			if !slices.ContainsFunc(c[h:h+cure+1], func(v Verdict) bool { return !v.Good }) {
				stays++
			}
		}
		slices.Sort(margins)
		n := float64(len(courses) + 2)
		hours[h] = Hour{now.At.Add(time.Duration(h) * time.Hour), good / n, stays / n, margins[len(margins)/2]}
	}
	// Now is known.
	hours[0].Good, hours[0].Margin = 0, Judge(now, l).Margin
	if Judge(now, l).Good {
		hours[0].Good = 1
	} else {
		hours[0].Stays = 0
	}
	return hours
}

// coursesOf judges each hour of each course that is whole.
func coursesOf(now Air, past []Air, l *Limits) [][]Verdict {
	length := int((Horizon+l.Cure+time.Hour-1)/time.Hour) + 1
	dewNow := moistair.DewPoint(now.Temp, now.RH)
	warmer := unit.Celsius(-l.Reserve) // the board than the air
	if now.Board != nil {
		warmer = *now.Board - now.Temp
	}
	var courses [][]Verdict
	for back := daysOf(l); back < daysOf(l)+daysBack; back++ {
		begin := now.At.Add(-time.Duration(back*hoursOfADay) * time.Hour)
		first := moment(past, begin)
		if first == nil {
			continue
		}
		dewThen := moistair.DewPoint(first.Temp, first.RH)
		course := make([]Verdict, 0, length)
		for h := range length {
			then := moment(past, begin.Add(time.Duration(h)*time.Hour))
			if then == nil {
				break
			}
			air := now.Temp + then.Temp - first.Temp
			dew := min(air, dewNow+moistair.DewPoint(then.Temp, then.RH)-dewThen)
			rh := unit.Percent(100 * moistair.SaturationWater(dew) / moistair.SaturationWater(air))
			course = append(course, judge(air, air+warmer, dew, rh, l))
		}
		if len(course) == length {
			courses = append(courses, course)
		}
	}
	return courses
}

// moment is the air at an instant: that of the hour nearest to it, or straight
// between two that are not far apart; nil where it isn't known.
func moment(past []Air, at unit.Instant) *Air {
	i, found := slices.BinarySearchFunc(past, at, func(a Air, t unit.Instant) int { return cmp.Compare(a.At, t) })
	switch {
	case found:
		return &past[i]
	case i > 0 && i < len(past) && past[i].At.Sub(past[i-1].At) <= longestStep:
		a, b := &past[i-1], &past[i]
		x := float64(at.Sub(a.At)) / float64(b.At.Sub(a.At))
		return &Air{At: at, Temp: a.Temp + unit.Celsius(x)*(b.Temp-a.Temp), RH: a.RH + unit.Percent(x)*(b.RH-a.RH)}
	case i > 0 && i == len(past) && at.Sub(past[i-1].At) <= farFromAnHour:
		return &past[i-1]
	}
	return nil
}

// Windows are the hours in which a coat can be begun that stays good with a
// probability of 0.8 or more.
func Windows(hours []Hour) []Window {
	list := []Window{}
	open := false
	for _, h := range hours {
		if h.Stays < likely {
			open = false
			continue
		}
		if !open {
			list = append(list, Window{From: h.Start, To: h.Start, Stays: h.Stays})
			open = true
		}
		w := &list[len(list)-1]
		w.To, w.Stays = h.Start, min(w.Stays, h.Stays)
	}
	return list
}
