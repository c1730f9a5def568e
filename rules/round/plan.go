package round

import (
	"math"
	"slices"
)

// Because says why a job is left out.
type Because string

// Reasons of leaving a job out, in the order in which they are looked for.
const (
	NoWay     Because = "no way"     // it can't be done on a round at all
	NoPart    Because = "no part"    // a part is missing altogether
	NoDay     Because = "no day"     // on no day alone, as hours, driving and weather are
	PartTaken Because = "part taken" // others get the last parts
	DaysFull  Because = "days full"  // it fits into none of the days as they are now
	NotWorth  Because = "not worth"  // going there costs more than waiting
)

// Left is a job that is left out.
type Left struct {
	Job     int
	Because Because
	Part    string  // kind, of NoPart and PartTaken
	Day     int     // on which it would cost least, of NotWorth; else -1
	More    float64 // that it would cost, of NotWorth, beyond what is left out
}

// Reason says why a job is visited on its day and no other.
type Reason struct {
	Job      int
	Saves    float64 // against leaving it out, by this plan
	Detour   float64 // travel and overtime that it costs here
	OtherDay int     // the next best day for it, as the others are; -1: none
	OtherBy  float64 // by how much that is dearer
	Alone    bool    // somebody drives out for it alone
}

// plan says a solution in words of the problem.
func (x *searcher) plan(s *solution) *Plan {
	p := &Plan{Way: slices.Clone(s.way)}
	for d, r := range s.routes {
		if len(r.order) > 0 {
			p.Tours = append(p.Tours, x.tour(d, r))
		}
	}
	for i := range p.Tours {
		t := &p.Tours[i]
		p.Overtime += x.overtime(t.Day, t.Back)
		p.Travel += t.Cost - x.overtime(t.Day, t.Back)
	}
	for j, way := range s.way {
		if way < 0 {
			p.Loss += x.Jobs[j].Left
			p.Left = append(p.Left, x.why(s, j))
			continue
		}
		ids := x.of[j][way]
		first, last := s.day[ids[0]], s.day[ids[len(ids)-1]]
		p.Loss += x.Jobs[j].Wait[first]
		p.Ways += x.waiting(j, way, first, last) - x.Jobs[j].Wait[first]
		p.Reason = append(p.Reason, x.reason(s, j))
	}
	p.Cost = p.Loss + p.Travel + p.Overtime + p.Ways
	return p
}

func (m *model) tour(day int, r *route) Tour {
	d := &m.Days[day]
	t := Tour{Day: day, Back: r.back, Cost: r.cost, Overtime: max(0, r.back-d.Close)}
	at, place := d.Open, 0
	for i, id := range r.order {
		k := &m.tasks[id]
		drive := m.Seconds[place][k.place]
		v := Visit{Job: k.job, Way: k.way, Stop: k.stop, Arrive: at + drive, Drive: drive, End: r.end[i], Begin: r.end[i] - k.service}
		if i == 0 {
			t.Leave = v.Begin - drive
			v.Arrive = v.Begin
		}
		t.Drive += drive
		t.Visits = append(t.Visits, v)
		at, place = v.End, k.place
	}
	t.Drive += m.Seconds[place][0]
	return t
}

// why says why a job is left out.
func (x *searcher) why(s *solution, job int) Left {
	l := Left{Job: job, Because: NoWay, Day: -1}
	if len(x.Jobs[job].Ways) == 0 {
		return l
	}
	fits := func(w int) bool {
		for _, id := range x.of[job][w] {
			if !slices.Contains(x.fits[id], true) {
				return false
			}
		}
		return true
	}
	short := func(w int, stock []int64) string {
		for k, n := range x.need[job][w] {
			if n > stock[k] {
				return x.kinds[k]
			}
		}
		return ""
	}
	anyParts, anyDay := false, false
	for w := range x.Jobs[job].Ways {
		lacks := short(w, x.stock)
		if l.Part == "" {
			l.Part = lacks
		}
		anyParts = anyParts || lacks == ""
		anyDay = anyDay || lacks == "" && fits(w)
	}
	switch {
	case !anyParts:
		l.Because = NoPart
		return l
	case !anyDay:
		l.Because, l.Part = NoDay, ""
		return l
	}
	l.Part = ""
	if o := x.best(s, job); o.way >= 0 {
		l.Because, l.Day, l.More = NotWorth, o.day[0], o.cost-x.left(job)
		return l
	}
	l.Because = DaysFull
	for w := range x.Jobs[job].Ways {
		if lacks := short(w, s.free); lacks != "" && short(w, x.stock) == "" {
			l.Because, l.Part = PartTaken, lacks
			break
		}
	}
	return l
}

// reason says why a job is on its day.
func (x *searcher) reason(s *solution, job int) Reason {
	way := s.way[job]
	ids := x.of[job][way]
	day := s.day[ids[0]]
	r := Reason{Job: job, OtherDay: -1, Alone: len(s.routes[day].order) == 1}
	without := &solution{}
	without.copyFrom(s)
	if !x.take(without, job) {
		return r
	}
	r.Saves = without.cost - s.cost - x.left(job) + x.Jobs[job].Left
	for _, id := range ids {
		d := s.day[id]
		r.Detour += s.routes[d].cost - without.routes[d].cost
	}
	here, other := s.cost-without.cost, math.Inf(1)
	if len(ids) == 1 {
		for d := range x.Days {
			if x.Days[d].Date == x.Days[day].Date {
				continue
			}
			if p := x.placeOf(without, ids[0], d); p.at >= 0 {
				if c := x.waiting(job, way, d, d) + p.cost - x.left(job); c < other {
					other, r.OtherDay = c, d
				}
			}
		}
	}
	if r.OtherDay >= 0 {
		r.OtherBy = other - here
	}
	return r
}
