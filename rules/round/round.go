// Package round plans rounds: which stations are visited on which day, in which
// order, so that expected loss of waiting, travel and overtime together are
// least. It keeps to working hours, hours at which a site lets people in, parts
// that are there, days that are too wet to open a box, what the van holds, and
// to what a person pinned.
//
// Small problems are solved exactly, by dynamic programming over days and sets
// of stops. Large ones are searched: stops are inserted where they cost least,
// and again and again some are taken out and put back otherwise (adaptive large
// neighbourhood search: Ropke and Pisinger, Transportation Science 40, 2006,
// 455–472), with 2-opt and Or-opt inside a day. What a plan can't fall below is
// reckoned beside it, so that it says how far from the best it may be.
//
// Nothing here reads a clock: a search takes a number of steps, and ends early
// when its context does. The same problem, seed and number of steps give the
// same plan.
package round

import (
	"fmt"
	"math"
	"slices"
)

// Problem is what there is to plan. Times of day are in seconds from midnight,
// costs in hours of work, so that driving, overtime and loss can be added.
type Problem struct {
	Days  []Day
	Jobs  []Job
	Parts map[string]int64 // that nobody has reserved, by kind

	// Legs between places, from and to; place 0 is the workshop.
	Seconds [][]int64
	Cost    [][]float64

	Overtime float64 // cost of an hour beyond Day.Close
}

// Day is one person's day of work.
type Day struct {
	Date   int    // number of the day; two persons have two Days of one Date
	Open   int64  // leaves the workshop, earliest
	Close  int64  // is back, without overtime
	Latest int64  // is back, with it
	Wet    bool   // no box is opened that must stay dry
	Load   int64  // that the van holds; 0: no limit
	Name   string // for messages
}

// Job is a station that wants a visit.
type Job struct {
	ID    string
	Place int
	Wait  []float64 // expected loss up to each of Days if the visit is then
	Left  float64   // expected loss if it is left out
	Ways  []Way
	Must  bool // it is not left out
}

// Way is how a job can be done: in one visit, or in two where something must
// cure in between.
type Way struct {
	Name  string
	Cost  float64 // of the way itself, such as a scarce part's worth
	Away  float64 // for each day between two visits, in which the station is away
	Gap   int     // days from the first visit to the second, at least
	Parts map[string]int64
	Stops []Stop // one or two
}

// Stop is one visit.
type Stop struct {
	Service int64
	Load    int64
	Dry     bool
	Hours   [][]Window // by Day, when the work may begin; nil: at any time. An empty list: not on that day
}

// Window is a time from and to, both included.
type Window struct{ From, To int64 }

// Visit is a stop of a plan.
type Visit struct {
	Job, Way, Stop int
	Arrive         int64 // at the place
	Begin, End     int64 // of the work
	Drive          int64 // seconds to there
}

// Tour is a day of a plan.
type Tour struct {
	Day      int
	Visits   []Visit
	Leave    int64 // the workshop, so that nobody waits at the first place
	Back     int64
	Drive    int64 // seconds in all
	Overtime int64 // seconds
	Cost     float64
}

// Plan is what was chosen.
type Plan struct {
	Tours []Tour // of days on which somebody goes out, in order
	Left  []Left // jobs that are not in it, in order
	Way   []int  // by job; -1: left out

	Cost     float64 // Loss, Travel, Overtime and Ways
	Loss     float64
	Travel   float64
	Overtime float64
	Ways     float64

	Bound  float64 // no plan costs less
	Exact  bool    // none costs less than this one
	Steps  int     // of the search that were made
	Ended  bool    // all steps were made, or none was needed
	Reason []Reason
}

// Gap returns by which share the plan may at most be dearer than the best.
func (p *Plan) Gap() float64 {
	if p.Exact || p.Cost <= 0 || p.Cost <= p.Bound {
		return 0
	}
	return (p.Cost - p.Bound) / p.Cost
}

// Error says what about a problem makes it impossible to plan.
type Error struct{ Field, Value, Fix string }

func (e Error) Error() string { return fmt.Sprintf("%s %q: %s", e.Field, e.Value, e.Fix) }

// Check returns an Error for what can't be planned at all.
func (p *Problem) Check() error {
	places := len(p.Seconds)
	if len(p.Days) == 0 {
		return Error{"days", "", "there is no working day in the time to plan: give another first day, more weeks or other working days"}
	}
	for i := range p.Days {
		d := &p.Days[i]
		if d.Open < 0 || d.Close <= d.Open || d.Latest < d.Close || d.Latest > 24*3600 && d.Latest > 1<<40 {
			return Error{"hours", d.Name, "begin before the end, and end with overtime not before the end without"}
		}
		if i > 0 && d.Date < p.Days[i-1].Date {
			return Error{"days", d.Name, "put them in order"}
		}
	}
	if places == 0 || len(p.Cost) != places {
		return Error{"legs", "", "give as many costs as times"}
	}
	for i := range places {
		if len(p.Seconds[i]) != places || len(p.Cost[i]) != places {
			return Error{"legs", fmt.Sprint(i), "give one to each place"}
		}
		for j := range places {
			if p.Seconds[i][j] < 0 || !(p.Cost[i][j] >= 0) || math.IsInf(p.Cost[i][j], 0) {
				return Error{"legs", fmt.Sprintf("%d to %d", i, j), "give a time and a cost that are not negative"}
			}
		}
	}
	for i := range p.Jobs {
		if err := p.checkJob(&p.Jobs[i], places); err != nil {
			return err
		}
	}
	return nil
}

func (p *Problem) checkJob(j *Job, places int) error {
	if j.Place < 0 || j.Place >= places {
		return Error{"place", j.ID, "record where its site lies"}
	}
	if len(j.Wait) != len(p.Days) || !(j.Left >= 0) || math.IsInf(j.Left, 0) {
		return Error{"loss", j.ID, "give the loss for each day and when it is left out"}
	}
	for _, w := range j.Wait {
		if !(w >= 0) || math.IsInf(w, 0) {
			return Error{"loss", j.ID, "give losses that are not negative"}
		}
	}
	for i := range j.Ways {
		w := &j.Ways[i]
		if len(w.Stops) < 1 || len(w.Stops) > 2 || w.Gap < 0 || len(w.Stops) == 2 && w.Gap < 1 {
			return Error{"way", j.ID, "give one stop, or two with a day between them at least"}
		}
		for k := range w.Stops {
			s := &w.Stops[k]
			if s.Service < 0 || s.Load < 0 || s.Hours != nil && len(s.Hours) != len(p.Days) {
				return Error{"service", j.ID, "give a time that is not negative, and hours for each day or none"}
			}
			for _, hours := range s.Hours {
				for h, in := range hours {
					if in.To < in.From || h > 0 && in.From <= hours[h-1].To {
						return Error{"hours", j.ID, "let hours end after they begin, and not overlap"}
					}
				}
			}
		}
	}
	return nil
}

// task is one stop of one way of one job.
type task struct {
	job, way, stop int
	place          int
	service, load  int64
	dry            bool
	hours          [][]Window
}

// model is a problem made ready for a search.
type model struct {
	*Problem
	tasks []task
	of    [][][]int // tasks by job, way and stop
	kinds []string  // of parts, in order
	need  [][][]int64
	stock []int64
	fits  [][]bool // by task and day: it can be the only stop of that day

	// The shortest ways from the workshop to each place and back, see shortest.
	goSeconds, backSeconds []int64
	goCost, backCost       []float64
}

func newModel(p *Problem) *model {
	m := &model{Problem: p}
	for kind := range p.Parts {
		m.kinds = append(m.kinds, kind)
	}
	for i := range p.Jobs {
		for _, w := range p.Jobs[i].Ways {
			for kind := range w.Parts {
				if _, ok := p.Parts[kind]; !ok && !slices.Contains(m.kinds, kind) {
					m.kinds = append(m.kinds, kind)
				}
			}
		}
	}
	slices.Sort(m.kinds)
	m.stock = make([]int64, len(m.kinds))
	for k, kind := range m.kinds {
		m.stock[k] = p.Parts[kind]
	}
	for i := range p.Jobs {
		j := &p.Jobs[i]
		m.of, m.need = append(m.of, nil), append(m.need, nil)
		for k := range j.Ways {
			w := &j.Ways[k]
			var ids []int
			for s := range w.Stops {
				stop := &w.Stops[s]
				ids = append(ids, len(m.tasks))
				m.tasks = append(m.tasks, task{i, k, s, j.Place, stop.Service, stop.Load, stop.Dry, stop.Hours})
			}
			need := make([]int64, len(m.kinds))
			for n, kind := range m.kinds {
				need[n] = w.Parts[kind]
			}
			m.of[i], m.need[i] = append(m.of[i], ids), append(m.need[i], need)
		}
	}
	m.fits = make([][]bool, len(m.tasks))
	for t := range m.tasks {
		m.fits[t] = make([]bool, len(p.Days))
		for d := range p.Days {
			if p.Days[d].Wet && m.tasks[t].dry || p.Days[d].Load > 0 && m.tasks[t].load > p.Days[d].Load {
				continue
			}
			_, m.fits[t][d] = m.schedule(d, []int{t})
		}
	}
	return m
}

// begin returns the first time from t on at which a task's work may begin.
func (t *task) begin(day int, at int64) (int64, bool) {
	if t.hours == nil {
		return at, true
	}
	for _, w := range t.hours[day] {
		if at <= w.To {
			return max(at, w.From), true
		}
	}
	return 0, false
}

// last returns the last time up to t at which a task's work may begin.
func (t *task) last(day int, at int64) (int64, bool) {
	if t.hours == nil {
		return at, true
	}
	for i := len(t.hours[day]) - 1; i >= 0; i-- {
		if w := t.hours[day][i]; at >= w.From {
			return min(at, w.To), true
		}
	}
	return 0, false
}

// schedule returns when the person is back, having done tasks in that order.
func (m *model) schedule(day int, order []int) (back int64, ok bool) {
	d := &m.Days[day]
	at, place := d.Open, 0
	for _, id := range order {
		t := &m.tasks[id]
		if at, ok = t.begin(day, at+m.Seconds[place][t.place]); !ok {
			return 0, false
		}
		at, place = at+t.service, t.place
	}
	at += m.Seconds[place][0]
	return at, at <= d.Latest
}

func (m *model) overtime(day int, back int64) float64 {
	if over := back - m.Days[day].Close; over > 0 {
		return m.Overtime * float64(over) / 3600
	}
	return 0
}
