package books

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"dewpost/rules/bench"
	"dewpost/rules/fact"
	"dewpost/rules/round"
)

// shown says a plan in the shop's words.
func (b *roundBuild) shown(plan *round.Plan) *RoundPlan {
	out := &RoundPlan{
		First: b.first.Format(time.DateOnly), Weeks: b.asked.Weeks, Seed: b.asked.Seed, Days: []RoundDay{}, Left: append([]RoundLeft{}, b.left...),
		CostH: plan.Cost, LossH: plan.Loss, TravelH: plan.Travel, OvertimeH: plan.Overtime, WaysH: plan.Ways,
		BoundH: plan.Bound, GapPct: 100 * plan.Gap(), Exact: plan.Exact, Steps: plan.Steps, Complete: plan.Ended,
	}
	reasons := make(map[int]*round.Reason)
	for i := range plan.Reason {
		reasons[plan.Reason[i].Job] = &plan.Reason[i]
	}
	b.spare = maps.Clone(b.problem.Parts)
	for job, way := range plan.Way {
		if way < 0 {
			continue
		}
		for part, n := range b.problem.Jobs[job].Ways[way].Parts {
			b.spare[part] -= n
		}
	}
	for i := range plan.Tours {
		out.Days = append(out.Days, b.day(&plan.Tours[i], reasons))
	}
	for i := range plan.Left {
		l := &plan.Left[i]
		n := b.jobs[l.Job].need
		out.Left = append(out.Left, RoundLeft{n.Station, n.Name, n.SiteName, string(l.Because), b.whyLeft(l, n), n.LossH})
	}
	slices.SortStableFunc(out.Left, func(x, y RoundLeft) int { return cmp.Compare(y.LossH, x.LossH) })
	out.Says = b.says(out)
	return out
}

func (b *roundBuild) day(t *round.Tour, reasons map[int]*round.Reason) RoundDay {
	d := RoundDay{
		Day: b.dates[t.Day], Who: b.who[t.Day], Leave: clock(t.Leave), Back: clockUp(t.Back),
		DriveMin: math.Round(float64(t.Drive) / 60), OvertimeMin: math.Ceil(float64(t.Overtime) / 60), Load: []LoadShown{}, Visits: []RoundVisit{},
	}
	for i := range t.Visits {
		v := &t.Visits[i]
		job := &b.jobs[v.Job]
		shown := RoundVisit{Arrive: clock(v.Arrive), Begin: clock(v.Begin), End: clockUp(v.End), DriveMin: math.Round(float64(v.Drive) / 60)}
		if k := job.booking; k != nil {
			shown.Booking, shown.Name, shown.Site = &k.ID, cmp.Or(k.Note, "booked"), k.Site
			shown.SiteName = b.siteName(k.Site)
			shown.What, shown.Why = "time that is booked", "It was booked."
			d.Visits = append(d.Visits, shown)
			continue
		}
		n := job.need
		shown.Station, shown.Name, shown.Site, shown.SiteName, shown.LossH = n.Station, n.Name, n.Site, n.SiteName, n.LossH
		way := b.problem.Jobs[v.Job].Ways[v.Way].Name
		agreed := false
		if open := standsFor(n, len(b.problem.Jobs[v.Job].Ways[v.Way].Stops)); v.Stop < len(open) {
			shown.Planned, agreed = &open[v.Stop].Visit, open[v.Stop].agreed()
		}
		shown.What = what(way, v.Stop)
		shown.Why = b.whyHere(n, agreed, way, v.Stop, reasons[v.Job])
		if v.Stop == 0 {
			for i := range job.supply[v.Way].made {
				shown.Why += " " + b.madeWords(&job.supply[v.Way].made[i])
			}
		}
		d.Visits = append(d.Visits, shown)
		d.Load = b.loaded(d.Load, n, way, v.Stop, &job.supply[v.Way])
	}
	return d
}

// siteName is how people call a site; "" is the workshop.
func (b *roundBuild) siteName(id string) string {
	return cmp.Or(b.sites[id][fact.Name], id, "in the workshop")
}

// standsFor returns the visits, open already, for which the stops of a way stand,
// in order of their days: those that were agreed rather than those that were only
// planned, then the first.
func standsFor(n *StationNeed, stops int) []OpenVisit {
	var open []OpenVisit
	for _, o := range n.Open {
		if o.agreed() || o.Kind == bench.OnSite && o.State == bench.Planned {
			open = append(open, o)
		}
	}
	byDay := func(x, y OpenVisit) int {
		return cmp.Or(cmp.Compare(cmp.Or(dayOf(x), "some day"), cmp.Or(dayOf(y), "some day")), cmp.Compare(x.Visit, y.Visit))
	}
	slices.SortFunc(open, func(x, y OpenVisit) int { return cmp.Or(cmp.Compare(x.State, y.State), byDay(x, y)) }) // agreed, planned
	open = open[:min(stops, len(open))]
	slices.SortFunc(open, byDay)
	return open
}

func dayOf(v OpenVisit) string {
	if v.Planned == nil {
		return ""
	}
	return *v.Planned
}

// clockUp is a time of day, rounded up to a whole minute.
func clockUp(seconds int64) string { return clock((seconds + 59) / 60 * 60) }

func what(way string, stop int) string {
	switch {
	case way == "two" && stop == 0:
		return "take the board to the bench, and close the box"
	case way == "two":
		return "bring the coated board back"
	case way == "swap":
		return "swap it for a loan unit, and take it to the bench"
	}
	return "visit"
}

// loaded adds to a van's load what a stop may want.
func (b *roundBuild) loaded(load []LoadShown, n *StationNeed, way string, stop int, from *supply) []LoadShown {
	add := func(class, kind, name, make string) *LoadShown {
		i := slices.IndexFunc(load, func(l LoadShown) bool { return l.Class == class && l.Kind == kind && l.Make == make })
		if i < 0 {
			load = append(load, LoadShown{Class: class, Kind: kind, Name: name, Make: make})
			i = len(load) - 1
		}
		load[i].Quantity++
		load[i].Stations = append(load[i].Stations, n.Station)
		return &load[i]
	}
	switch {
	case way == "swap":
		add(loanClass, from.loan.Kind, cmp.Or(from.loan.Name, loanClass), "")
	case way == "two" && stop == 1:
		add("board", "", "its own board, coated", "")
	}
	if stop != 0 {
		return load
	}
	for _, p := range n.Parts {
		if p.Class == loanClass || way != "visit" && (p.Class == "board" || p.Class == "coating") {
			continue // a loan unit goes along where one is swapped in, above
		}
		if m := from.makes(p.Class); m != nil {
			add(p.Class, m.kind.Kind, b.partName(m.kind.Kind), m.says(b))
			continue
		}
		line := add(p.Class, p.Kind, cmp.Or(p.Name, p.Class), "")
		if p.Kind == "" || p.Held > 0 || p.Needed { // what is needed was taken from the shelf by the plan
			continue
		}
		if b.spare[p.Kind]--; b.spare[p.Kind] < 0 {
			line.Missing++
		}
	}
	return load
}

// madeWords says in a sentence that a part is made up.
func (b *roundBuild) madeWords(m *madePart) string {
	return fmt.Sprintf("Its %s lies on no shelf, or is left for another: %s.", lower(b.partName(m.kind.Kind)), m.says(b))
}

// whyHere says in a sentence or two why a station is in the plan, on that day.
func (b *roundBuild) whyHere(n *StationNeed, agreed bool, way string, stop int, r *round.Reason) string {
	if stop == 1 {
		return fmt.Sprintf("Its board was taken on the first visit; coated and cured it goes back, %d days later at the earliest.", cureGap)
	}
	var says []string
	switch {
	case agreed:
		says = append(says, "The visit was agreed for this day.")
	case n.Wish == "on":
		says = append(says, "A person wants it on this day.")
	case n.Wish == "in":
		says = append(says, "A person wants it in this round.")
	}
	text := fmt.Sprintf("Waiting costs %s a week", hours(n.LossH))
	if len(n.Terms) > 0 && n.LossH > 1.0/60 {
		text += ", most of it because " + lower(n.Terms[0].Why)
	}
	says = append(says, strings.TrimSuffix(text, ".")+".")
	switch {
	case r.Alone:
		says = append(says, fmt.Sprintf("It is worth a drive by itself, which counts %s; in all that saves %s.", hours(r.Detour), hours(r.Saves)))
	case r.Saves >= 0:
		says = append(says, fmt.Sprintf("Beside the others of that day it adds %s (driving and overtime); in all that saves %s.", hours(r.Detour), hours(r.Saves)))
	}
	if r.OtherDay >= 0 && r.OtherBy > 0.005 {
		says = append(says, fmt.Sprintf("On the next best day, %s, it would cost %s more.", b.dates[r.OtherDay], hours(r.OtherBy)))
	}
	if way == "swap" {
		says = append(says, "The board wants coating, which cures for a day: with a loan unit one visit does.")
	} else if way == "two" {
		says = append(says, "The board wants coating, which cures for a day: it takes a second visit.")
	}
	return strings.Join(says, " ")
}

// lower is a sentence in the middle of another.
func lower(text string) string {
	text, _, _ = strings.Cut(text, ". ")
	return strings.ToLower(text[:min(1, len(text))]) + text[min(1, len(text)):]
}

// hours says how many hours of work something is.
func hours(h float64) string {
	switch {
	case h == 0:
		return "nothing"
	case h < 1.0/120:
		return "less than a minute of work"
	case h < 1:
		return fmt.Sprintf("%.0f min of work", 60*h)
	}
	return fmt.Sprintf("%.1f h of work", h)
}

// whyLeft says in a sentence why a station is not in the plan.
func (b *roundBuild) whyLeft(l *round.Left, n *StationNeed) string {
	wanted := ""
	if n.Wish != "" {
		wanted = "A person wants it, but "
	}
	say := func(format string, args ...any) string {
		text := fmt.Sprintf(format, args...)
		if wanted != "" {
			text = wanted + strings.ToLower(text[:1]) + text[1:]
		}
		return text
	}
	part := func() string { return b.partName(l.Part) }
	switch l.Because {
	case round.NoPart:
		return say("There is no %s on the shelf that nobody else has, and nothing to make one up from: reserve or find one first.", part())
	case round.PartTaken:
		return say("The last %s goes where waiting costs more.", part())
	case round.NoDay:
		text := "On no day of this round does it fit, even alone: %d minutes of work, the driving, working hours"
		if n.facts[fact.LetIn] != "" {
			text += ", the hours at which its site lets people in"
		}
		if n.Dry {
			text += " and dry weather"
		}
		return say(text+" don't come together.", n.Minutes)
	case round.DaysFull:
		return say("All days on which it could be are full with stations whose waiting costs more, or that lie better.")
	case round.NotWorth:
		if !n.Cause {
			return say("Nothing is known to be done there, and a look alone takes more than it saves.")
		}
		return say("Going there, best on %s, would cost %s more than it saves: waiting costs %s a week only.", b.dates[l.Day], hours(l.More), hours(n.LossH))
	}
	return say("It can't be done on a round.")
}

// says sums a plan up.
func (b *roundBuild) says(p *RoundPlan) []string {
	visits := 0
	for _, d := range p.Days {
		visits += len(d.Visits)
	}
	if visits == 0 {
		return append([]string{fmt.Sprintf("Nobody need go out in these %d weeks: no station is worth the drive. What waits costs %s.", p.Weeks, hours(p.LossH))}, b.airSays()...)
	}
	says := []string{fmt.Sprintf("%s on %s; %s left out.", count(visits, "stop"), count(len(p.Days), "day"), count(len(p.Left), "station"))}
	says = append(says, fmt.Sprintf("It counts %s: expected loss %s, driving %s, overtime %s, parts and stations away %s.",
		hours(p.CostH), hours(p.LossH), hours(p.TravelH), hours(p.OvertimeH), hours(p.WaysH)))
	switch {
	case p.Exact:
		says = append(says, "No plan is better.")
	case !p.Complete:
		says = append(says, fmt.Sprintf("The search was stopped after %d steps; this is the best so far. No plan can count less than %s.", p.Steps, hours(p.BoundH)))
	default:
		says = append(says, fmt.Sprintf("It was searched for in %d steps; no plan can count less than %s.", p.Steps, hours(p.BoundH)))
	}
	return append(append(says, b.airSays()...), "Weather: forecasts here know dew point, not rain. Look at the sky before a box is opened, and put days that will be wet into the setting wet_days.")
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
