package books

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewpost/collector/record"
	"dewpost/rules/bench"
	"dewpost/rules/fact"
	"dewpost/rules/round"
	"dewpost/rules/unit"
)

// RoundAsked is what a person asks of a round.
type RoundAsked struct {
	First string // date of the first day; "": tomorrow
	Weeks int    // 1 to 8; 0: 2
	Seed  uint64
	Steps int // of the search; 0: as many as it is worth
}

// RoundPlan is a plan of rounds.
type RoundPlan struct {
	First string       `json:"first"`
	Weeks int          `json:"weeks"`
	Seed  uint64       `json:"seed"`
	Made  unit.Instant `json:"made"`
	Says  []string     `json:"says"`
	Days  []RoundDay   `json:"days"` // on which somebody goes out
	Left  []RoundLeft  `json:"left"`

	CostH     float64 `json:"cost_h"` // hours of work: the four that follow
	LossH     float64 `json:"loss_h"` // expected, of waiting
	TravelH   float64 `json:"travel_h"`
	OvertimeH float64 `json:"overtime_h"`
	WaysH     float64 `json:"ways_h"`   // of scarce parts, loan units and stations that are away
	BoundH    float64 `json:"bound_h"`  // no plan costs less
	GapPct    float64 `json:"gap_pct"`  // by which this one may at most be dearer than the best
	Exact     bool    `json:"exact"`    // none is better
	Steps     int     `json:"steps"`    // of the search
	Complete  bool    `json:"complete"` // false: it was stopped before all steps were made
}

// RoundDay is a day of a plan.
type RoundDay struct {
	Day         string       `json:"day"`
	Who         string       `json:"who"`
	Leave       string       `json:"leave"` // times of day at the workshop
	Back        string       `json:"back"`
	DriveMin    float64      `json:"drive_min"`
	OvertimeMin float64      `json:"overtime_min"`
	Load        []LoadShown  `json:"load"`
	Visits      []RoundVisit `json:"visits"`
}

// LoadShown is what to put into the van.
type LoadShown struct {
	Class    string   `json:"class"`
	Kind     string   `json:"kind"`
	Name     string   `json:"name"`
	Quantity int64    `json:"quantity"`
	Stations []string `json:"stations"`
	Make     string   `json:"make"`    // how it is made up before; "": it is not
	Missing  int64    `json:"missing"` // of Quantity, that no shelf has for it
}

// RoundVisit is a stop of a day.
type RoundVisit struct {
	Station  string  `json:"station"` // "": time that is booked
	Booking  *int64  `json:"booking"`
	Name     string  `json:"name"`
	Site     string  `json:"site"`
	SiteName string  `json:"site_name"`
	Arrive   string  `json:"arrive"`
	Begin    string  `json:"begin"`
	End      string  `json:"end"`
	DriveMin float64 `json:"drive_min"` // to there
	What     string  `json:"what"`
	Why      string  `json:"why"`
	LossH    float64 `json:"loss_h_per_week"`
	Planned  *int64  `json:"visit"` // that is open already
}

// RoundLeft is a station that is not in the plan.
type RoundLeft struct {
	Station string  `json:"station"`
	Name    string  `json:"name"`
	Site    string  `json:"site"`
	Because string  `json:"because"`
	Why     string  `json:"why"`
	LossH   float64 `json:"loss_h_per_week"`
}

const (
	weeksMost  = 8
	weeksUsual = 2
	cureGap    = 2   // days from taking a board to bringing it back: coated one day, cured the next (common practice, no source)
	takeMin    = 30  // minutes, to take a board and close the box
	bringMin   = 45  // minutes, to put it back and test
	loanCost   = 0.5 // hours that tying up a loan unit counts
	scarceCost = 2.0 // hours that taking a part counts which can't be bought, divided by how many are free
)

// roundBuild makes a problem of what is known, and says a plan again in the
// shop's words.
type roundBuild struct {
	*said
	asked   RoundAsked
	first   time.Time
	needs   []StationNeed
	problem *round.Problem
	dates   []string // by day of the problem
	who     []string
	places  []string // ids of sites
	jobs    []roundJob
	left    []RoundLeft                          // before the problem
	ways    map[[2]string]madePart               // by class and model; no kind: none goes
	air     map[string]map[string][]round.Window // by site and date: when it is too damp to open a box
	spare   map[string]int64                     // what a plan's ways leave of what is there, less what was loaded beside; below 0: it wasn't there
}

type roundJob struct {
	need    *StationNeed
	booking *record.Booking
	supply  []supply // by way
}

// Round plans rounds. It ends early, with the best plan so far, when ctx does.
func (p *Planner) Round(ctx context.Context, asked RoundAsked, now unit.Instant, progress func(step, of int, cost float64)) (*RoundPlan, error) {
	reading := context.WithoutCancel(ctx) // what is stopped is the search, which has a plan to show
	r, err := p.read(reading, now)
	if err != nil {
		return nil, err
	}
	b := &roundBuild{said: r, asked: asked, ways: make(map[[2]string]madePart)}
	if b.needs, err = p.needs(reading, r, now); err != nil {
		return nil, err
	}
	if err := b.days(now); err != nil {
		return nil, err
	}
	for i := range b.Bookings {
		if _, err := p.siteOf(reading, r, b.Bookings[i].Site, now); err != nil {
			return nil, err
		}
	}
	if err := p.forecasts(reading, b, now); err != nil {
		return nil, err
	}
	if err := b.fill(); err != nil {
		return nil, err
	}
	plan, err := round.Search(ctx, b.problem, round.Options{Seed: asked.Seed, Steps: asked.Steps, Progress: progress})
	var bad round.Error
	if errors.As(err, &bad) {
		return nil, Error(bad)
	}
	if err != nil {
		return nil, err
	}
	if err := b.kept(plan); err != nil {
		return nil, err
	}
	out := b.shown(plan)
	out.Made = now
	return out, nil
}

// days lays out the days of work.
func (b *roundBuild) days(now unit.Instant) (err error) {
	today := now.Time().In(b.set.zone)
	b.first = time.Date(today.Year(), today.Month(), today.Day()+1, 0, 0, 0, 0, time.UTC)
	if b.asked.First != "" {
		first, err := time.Parse(time.DateOnly, b.asked.First)
		if err != nil {
			return Error{"first", b.asked.First, "write a date, as in 2026-05-14"}
		}
		if b.asked.First < b.set.today(now) {
			return Error{"first", b.asked.First, "write today's date or a later one"}
		}
		if first.After(b.first.AddDate(1, 0, 0)) {
			return Error{"first", b.asked.First, "write a date within a year"}
		}
		b.first = first
	}
	if b.asked.Weeks == 0 {
		b.asked.Weeks = weeksUsual
	}
	if b.asked.Weeks < 1 || b.asked.Weeks > weeksMost {
		return Error{"weeks", strconv.Itoa(b.asked.Weeks), "plan one to eight weeks"}
	}
	if !b.set.placed && len(b.legs) == 0 && !slices.ContainsFunc(slices.Collect(maps.Values(b.sites)), func(f map[string]string) bool { return f[fact.TravelMin] != "" }) {
		return Error{"lat", "", "say where the workshop is, in the settings lat and lon of rounds, or put in a table of driving"}
	}
	b.problem = &round.Problem{Overtime: b.set.overtimeCost}
	for d := range 7 * b.asked.Weeks {
		date := b.first.AddDate(0, 0, d)
		if !slices.Contains(b.set.days, date.Weekday()) {
			continue
		}
		text := date.Format(time.DateOnly)
		for _, who := range b.set.people {
			b.problem.Days = append(b.problem.Days, round.Day{
				Date: d, Open: b.set.open, Close: b.set.close, Latest: b.set.close + b.set.overtime, Wet: b.set.wet[text], Name: text,
			})
			b.dates, b.who = append(b.dates, text), append(b.who, who)
		}
	}
	return nil
}

// within tells whether a date is one of the round's, of work or not.
func (b *roundBuild) within(date string) bool {
	return date >= b.first.Format(time.DateOnly) && date < b.first.AddDate(0, 0, 7*b.asked.Weeks).Format(time.DateOnly)
}

// fill makes jobs of stations and bookings, and legs between their places.
func (b *roundBuild) fill() error {
	b.places = []string{""}
	for i := range b.needs {
		n := &b.needs[i]
		because, why := b.outside(n)
		if why != "" {
			if because != "visit" && because != "wish" && (n.Wish == string(record.OnDay) || n.Wish == string(record.InAny)) {
				return Error{"station", n.Station, "it is wanted in the round, but can't be: " + lower(strings.TrimSuffix(why, "."))}
			}
			b.left = append(b.left, RoundLeft{n.Station, n.Name, n.SiteName, because, why, n.LossH})
			continue
		}
		job, supply, err := b.job(n)
		if err != nil {
			return err
		}
		b.problem.Jobs, b.jobs = append(b.problem.Jobs, job), append(b.jobs, roundJob{need: n, supply: supply})
	}
	for i := range b.Bookings {
		if err := b.book(&b.Bookings[i]); err != nil {
			return err
		}
	}
	b.problem.Parts = b.there()
	for _, from := range b.places {
		var seconds []int64
		var cost []float64
		for _, to := range b.places {
			drive, km, ok := b.way(from, to)
			if !ok { // one of them is known from the workshop only: over it
				there, kmThere, _ := b.way(from, "")
				back, kmBack, _ := b.way("", to)
				drive, km = there+back, kmThere+kmBack
			}
			seconds = append(seconds, int64(math.Ceil(drive.Minutes()))*60)
			cost = append(cost, drive.Hours()*b.set.driveCost+km*b.set.kmCost)
		}
		b.problem.Seconds, b.problem.Cost = append(b.problem.Seconds, seconds), append(b.problem.Cost, cost)
	}
	return nil
}

// outside says why a station can't be in a round at all.
func (b *roundBuild) outside(n *StationNeed) (because, why string) {
	for _, v := range n.Open {
		switch {
		case v.Kind == bench.SendIn || v.State == bench.UnderWay:
			return "visit", fmt.Sprintf("Visit %d is %s: somebody is at it already.", v.Visit, v.State)
		case v.Kind == bench.LocalInstaller:
			return "visit", fmt.Sprintf("Visit %d is %s: an installer who lives near goes there.", v.Visit, v.State)
		case v.agreed() && v.Planned == nil:
			return "visit", fmt.Sprintf("Visit %d is agreed, but nobody wrote down for which day.", v.Visit)
		case v.agreed() && !slices.Contains(b.dates, *v.Planned):
			return "visit", fmt.Sprintf("Visit %d is agreed for %s, which is no working day of this round: it stays as it is.", v.Visit, *v.Planned)
		}
	}
	drive, ok := b.drive(n.Site)
	_, _, placed := b.said.place(n.Site)
	switch {
	case n.Wish == string(record.Out):
		return "wish", "A person took it out of this round."
	case n.Wish == string(record.OnDay) && !b.within(*n.WishDay) && !slices.ContainsFunc(n.Open, OpenVisit.agreed):
		return "wish", fmt.Sprintf("A person wants it on %s, which is not in this round.", *n.WishDay)
	case n.Site == "":
		return "no site", "Nobody recorded at which site it hangs (site)."
	case n.facts[fact.Reach] == "post":
		return "reach", "Its site is reached by post (reach)."
	case !ok && placed:
		return "no place", fmt.Sprintf("Nobody said where the workshop is (the settings lat and lon of rounds), nor how far the driving to its site %s is.", n.Site)
	case !ok:
		return "no place", fmt.Sprintf("Nobody recorded where its site %s lies (lat, lon), nor how far the driving is.", n.Site)
	case drive > b.set.rangeOneWay && n.Wish == "":
		return "range", fmt.Sprintf("It is %.0f minutes away, and the workshop goes %.0f at most (range_min).", drive.Minutes(), b.set.rangeOneWay.Minutes())
	case n.Suggest.Kind == bench.Photos && n.Wish == "" && !hasVisit(n):
		return "photos", "Nobody need drive: " + n.Suggest.Why
	}
	return "", ""
}

func hasVisit(n *StationNeed) bool {
	return slices.ContainsFunc(n.Open, func(v OpenVisit) bool { return v.Kind == bench.OnSite })
}

func (b *roundBuild) place(site string) int {
	if i := slices.Index(b.places, site); i >= 0 {
		return i
	}
	b.places = append(b.places, site)
	return len(b.places) - 1
}

// job makes a job of a station's need.
func (b *roundBuild) job(n *StationNeed) (j round.Job, by []supply, err error) {
	j = round.Job{ID: n.Station, Place: b.place(n.Site), Left: n.LossH * (float64(b.asked.Weeks) + b.set.later)}
	for _, d := range b.problem.Days {
		j.Wait = append(j.Wait, n.LossH*float64(d.Date)/7)
	}
	only := "" // day to which a person binds it, where nothing was agreed
	switch n.Wish {
	case string(record.OnDay):
		only, j.Must = *n.WishDay, true
	case string(record.InAny):
		j.Must = true
	}
	if slices.ContainsFunc(n.Open, OpenVisit.agreed) {
		only, j.Must = "", true
	}
	if only != "" && !slices.Contains(b.dates, only) {
		return j, nil, Error{"day", only, fmt.Sprintf("station %s is wanted on that day, which is no working day of this round: choose another, or take the wish back", n.Station)}
	}
	hours, err := b.letIn(n)
	if err != nil {
		return j, nil, err
	}
	stop := func(minutes int64, dry bool) round.Stop {
		return round.Stop{Service: minutes*60 + b.set.setUp, Dry: dry}
	}
	for _, from := range b.supplies(n) {
		cost := from.cost
		if !n.Cause { // its work need not be done at all
			cost += float64(n.Minutes)/60 + float64(b.set.setUp)/3600
		}
		one := round.Way{Name: "visit", Cost: cost, Parts: from.parts, Stops: []round.Stop{stop(int64(n.Minutes), n.Dry)}}
		if !n.Coats {
			j.Ways, by = append(j.Ways, one), append(by, from)
			continue
		}
		two := round.Way{Name: "two", Cost: cost, Parts: from.parts, Gap: cureGap, Away: b.set.awayCost, Stops: []round.Stop{stop(takeMin, true), stop(bringMin, true)}}
		j.Ways, by = append(j.Ways, two), append(by, from)
		for _, loan := range b.could(loanClass, n.model) {
			held := b.heldFor(loan.Kind, n.Station) > 0
			if loan.Free <= 0 && !held {
				continue
			}
			swap := one
			swap.Name, swap.Cost, swap.Parts, swap.Stops = "swap", cost+loanCost, maps.Clone(from.parts), slices.Clone(one.Stops)
			if !held {
				swap.Parts[loan.Kind]++
			}
			lent := from
			lent.loan = loan
			j.Ways, by = append(j.Ways, swap), append(by, lent)
		}
	}
	for w := range j.Ways {
		open := standsFor(n, len(j.Ways[w].Stops))
		for s := range j.Ways[w].Stops {
			at := &j.Ways[w].Stops[s]
			bound := ""
			switch {
			case s < len(open) && open[s].agreed():
				bound = *open[s].Planned
			case s == 0:
				bound = only
			}
			air := b.air[n.Site]
			if !at.Dry {
				air = nil
			}
			if hours == nil && bound == "" && air == nil {
				continue
			}
			for d, day := range b.problem.Days {
				open := []round.Window{{From: day.Open, To: day.Latest + at.Service}}
				if hours != nil {
					open = b.hoursOn(hours, n, b.first.AddDate(0, 0, day.Date))
				}
				windows := []round.Window{}
				for _, o := range without(open, air[b.dates[d]]) {
					if o.To -= at.Service; o.To >= o.From {
						windows = append(windows, o)
					}
				}
				if bound != "" && b.dates[d] != bound {
					windows = []round.Window{}
				}
				at.Hours = append(at.Hours, windows)
			}
		}
	}
	return j, by, nil
}

// letIn returns the hours of a site; nil: at any time.
func (b *roundBuild) letIn(n *StationNeed) (*fact.Hours, error) {
	text := n.facts[fact.LetIn]
	if text == "" {
		return nil, nil
	}
	h, err := fact.ParseHours(text)
	if err != nil {
		return nil, Error{fact.LetIn, text, "at site " + n.Site + ", " + err.Error()}
	}
	return &h, nil
}

// hoursOn are the hours of a site on a day, which are by its own clock, by the clock of
// the workshop.
func (b *roundBuild) hoursOn(hours *fact.Hours, n *StationNeed, date time.Time) (open []round.Window) {
	there := b.set.zone
	if name := n.facts[fact.Zone]; name != "" {
		if zone, err := time.LoadLocation(name); err == nil {
			there = zone
		}
	}
	noon := time.Date(date.Year(), date.Month(), date.Day(), 12, 0, 0, 0, b.set.zone)
	_, here := noon.Zone()
	_, offset := noon.In(there).Zone()
	for _, h := range hours.On(date.Weekday()) {
		open = append(open, round.Window{From: int64(h[0]*60 + here - offset), To: int64(h[1]*60 + here - offset)})
	}
	return open
}

// book makes a job of time that is taken.
func (b *roundBuild) book(k *record.Booking) error {
	who := k.Person
	if who == "" {
		who = b.set.people[0]
	}
	if !b.within(k.Day) {
		return nil
	}
	field, value := fmt.Sprintf("booking %d", k.ID), k.Day+" "+clock(k.From*60)+"-"+clock(k.To*60)
	if !slices.Contains(b.dates, k.Day) || !slices.Contains(b.set.people, who) {
		return nil // nobody works then
	}
	if k.From*60 < b.set.open || k.To*60 > b.set.close+b.set.overtime {
		return Error{field, value, fmt.Sprintf("it lies outside of working hours, %s to %s: change the booking or the hours", clock(b.set.open), clock(b.set.close+b.set.overtime))}
	}
	if _, ok := b.drive(k.Site); k.Site != "" && !ok {
		return Error{field, k.Site, "record where that site lies (lat, lon), or how far the driving is (travel_min)"}
	}
	stop := round.Stop{Service: (k.To - k.From) * 60}
	for d := range b.problem.Days {
		windows := []round.Window{}
		if b.dates[d] == k.Day && b.who[d] == who {
			windows = append(windows, round.Window{From: k.From * 60, To: k.From * 60})
		}
		stop.Hours = append(stop.Hours, windows)
	}
	b.problem.Jobs = append(b.problem.Jobs, round.Job{
		ID: field, Place: b.place(k.Site), Wait: make([]float64, len(b.problem.Days)), Must: true, Ways: []round.Way{{Name: "booking", Stops: []round.Stop{stop}}},
	})
	b.jobs = append(b.jobs, roundJob{booking: k})
	return nil
}

// kept refuses a plan that can't keep what is booked.
func (b *roundBuild) kept(plan *round.Plan) error {
	for _, l := range plan.Left {
		if k := b.jobs[l.Job].booking; k != nil {
			return Error{fmt.Sprintf("booking %d", k.ID), k.Day + " " + clock(k.From*60), "it can't be kept beside the others of that day: they overlap, or the way between them takes longer than there is"}
		}
	}
	return nil
}
