package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"time"

	"dewpost/collector"
	"dewpost/collector/books"
	"dewpost/collector/store"
	"dewpost/rules/unit"
)

type planCmd struct {
	Need     planNeedCmd     `cmd:"" help:"Who first: stations by what a week of waiting costs, with parts to load and a kind of visit."`
	Round    planRoundCmd    `cmd:"" help:"Plan rounds: which stations, on which day, in which order. Ctrl-C ends with the best so far."`
	Wish     planWishCmd     `cmd:"" help:"Say what you want of a station on the next round: on a day, in it, or not in it."`
	Book     planBookCmd     `cmd:"" help:"Book time that is taken already."`
	Unbook   planUnbookCmd   `cmd:"" help:"Take a booking back."`
	Set      planSetCmd      `cmd:"" help:"Say how the workshop goes on rounds: where it is, when it works, what counts how much."`
	Settings planSettingsCmd `cmd:"" help:"Show settings, wishes and bookings."`
	Legs     planLegsCmd     `cmd:"" help:"Replace what was measured of driving between sites by a CSV file."`
}

// atPlans is what commands on plans have in common.
type atPlans struct {
	inStore
	JSON bool `name:"json" help:"One JSON object."`
}

// with runs f and prints what it returns: as JSON, or line by line.
func (c *atPlans) with(ctx context.Context, f func(p *books.Planner, now unit.Instant) (shown any, lines []string, err error)) error {
	return c.inStore.with(ctx, func(s *store.Store, _ collector.Config) error {
		shown, lines, err := f(books.NewPlanner(s), unit.At(time.Now()))
		if err != nil {
			return err
		}
		if c.JSON {
			return json.NewEncoder(os.Stdout).Encode(shown)
		}
		for _, line := range lines {
			fmt.Println(line)
		}
		return nil
	})
}

type planNeedCmd struct {
	atPlans
	Station string `arg:"" optional:"" help:"Only this station, with all its terms."`
	Most    int    `default:"20" help:"How many stations at most; 0: all."`
}

// Run lists needs.
func (c *planNeedCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(p *books.Planner, now unit.Instant) (any, []string, error) {
		all, err := p.Needs(ctx, now)
		if err != nil {
			return nil, nil, err
		}
		if c.Station != "" {
			for i := range all {
				if all[i].Station == c.Station {
					return all[i], needLines(&all[i], true), nil
				}
			}
			return nil, nil, fmt.Errorf("station %q: there is none in service; dewpost station list shows them", c.Station)
		}
		if c.Most > 0 {
			all = all[:min(c.Most, len(all))]
		}
		var lines []string
		for i := range all {
			lines = append(lines, needLines(&all[i], false)...)
		}
		return items[books.StationNeed]{all}, lines, nil
	})
}

func needLines(n *books.StationNeed, terms bool) []string {
	lines := []string{fmt.Sprintf("%s\t%s\t%.2f h a week (%.2f to %.2f)\t%s", n.Station, n.SiteName, n.LossH, n.LowH, n.HighH, n.Suggest.Kind)}
	if len(n.Terms) > 0 && !terms {
		lines = append(lines, "\t"+n.Terms[0].Why)
	}
	if terms {
		for _, t := range n.Terms {
			lines = append(lines, fmt.Sprintf("\t%s\t%s\t%.4f × %.1f h = %.3f h\t%s", t.From, t.What, t.Chance, t.CostH, t.LossH, t.Why))
		}
		lines = append(lines, "\t"+n.Suggest.Why)
	}
	var parts []string
	for _, part := range n.Parts {
		text := part.Class
		switch {
		case part.Held > 0:
			text = part.Kind + " (reserved)"
		case part.Kind != "":
			text = fmt.Sprintf("%s (%d free)", part.Kind, part.Free)
			if part.Free <= 0 && part.Makeable > 0 {
				text = fmt.Sprintf("%s (none free, %d can be made up)", part.Kind, part.Makeable)
			}
		}
		parts = append(parts, text)
	}
	if len(parts) > 0 {
		lines = append(lines, "\tload: "+strings.Join(parts, ", "))
	}
	if len(n.Missing) > 0 && terms {
		lines = append(lines, "\tmissing: "+strings.Join(n.Missing, ", "))
	}
	return lines
}

type planRoundCmd struct {
	atPlans
	First string        `placeholder:"DATE" help:"First day. Default: tomorrow."`
	Weeks int           `default:"2" help:"How many weeks, 1 to 8."`
	Seed  uint64        `default:"1" help:"Another seed searches otherwise; the same gives the same plan."`
	Steps int           `default:"0" help:"Steps of the search. Default: as many as the problem is worth."`
	Most  time.Duration `placeholder:"TIME" help:"End after this time with the best so far."`
	Take  bool          `help:"Write the stops down as visits that are planned."`
	Quiet bool          `short:"q" help:"Show no progress."`
}

// Run makes a plan.
func (c *planRoundCmd) Run(ctx context.Context) error {
	if c.Steps < 0 || c.Most < 0 {
		return usageError{fmt.Errorf("--steps and --most: give numbers that are not negative")}
	}
	if c.Weeks < 1 {
		return usageError{fmt.Errorf("--weeks \"%d\": plan one to eight weeks", c.Weeks)}
	}
	search := ctx
	if c.Most > 0 {
		var cancel context.CancelFunc
		search, cancel = context.WithTimeout(ctx, c.Most)
		defer cancel()
	}
	progress := func(step, of int, cost float64) {
		if !c.Quiet && step > 0 && step*10/of != (step-1)*10/of {
			fmt.Fprintf(os.Stderr, "%d %%: %.2f h\n", 100*step/of, cost)
		}
	}
	return c.with(context.WithoutCancel(ctx), func(p *books.Planner, now unit.Instant) (any, []string, error) {
		plan, err := p.Round(search, books.RoundAsked{First: c.First, Weeks: c.Weeks, Seed: c.Seed, Steps: c.Steps}, now, progress)
		if err != nil {
			return nil, nil, err
		}
		lines := roundLines(plan)
		if c.Take {
			visits, err := p.Take(context.WithoutCancel(ctx), plan, now, c.Author)
			if err != nil {
				return nil, nil, err
			}
			lines = append(lines, fmt.Sprintf("written down as visits: %s", strings.Trim(fmt.Sprint(visits), "[]")))
		}
		return plan, lines, nil
	})
}

func roundLines(p *books.RoundPlan) []string {
	lines := append([]string{}, p.Says...)
	for _, d := range p.Days {
		lines = append(lines, fmt.Sprintf("%s\t%s\tleave %s, back %s, %.0f min of driving, %.0f min of overtime", d.Day, d.Who, d.Leave, d.Back, d.DriveMin, d.OvertimeMin))
		for _, v := range d.Visits {
			lines = append(lines, fmt.Sprintf("\t%s to %s\t%s\t%s: %s", v.Begin, v.End, v.Name, v.What, v.Why))
		}
		for _, l := range d.Load {
			text := fmt.Sprintf("\tload %d %s for %s", l.Quantity, l.Name, strings.Join(l.Stations, ", "))
			if l.Make != "" {
				text += ": " + l.Make
			}
			if l.Missing > 0 {
				text += fmt.Sprintf(", %d of them missing on the shelf", l.Missing)
			}
			lines = append(lines, text)
		}
	}
	for _, l := range p.Left {
		lines = append(lines, fmt.Sprintf("left out\t%s\t%s", l.Station, l.Why))
	}
	return lines
}

type planWishCmd struct {
	atPlans
	Station string `arg:"" help:"The station's id."`
	On      string `placeholder:"DATE" xor:"wish" help:"It is to be on that day."`
	In      bool   `xor:"wish" help:"It is to be in the round, on any day."`
	Out     bool   `xor:"wish" help:"It is not to be in the round."`
	Any     bool   `xor:"wish" help:"Take back what was said."`
	Note    string `help:"Why."`
}

// Run writes the wish down.
func (c *planWishCmd) Run(ctx context.Context) error {
	wish := ""
	switch {
	case c.On != "":
		wish = "on"
	case c.In:
		wish = "in"
	case c.Out:
		wish = "out"
	case !c.Any:
		return usageError{fmt.Errorf("give one of --on DATE, --in, --out, --any")}
	}
	return c.with(ctx, func(p *books.Planner, now unit.Instant) (any, []string, error) {
		if err := p.Wish(ctx, c.Station, wish, c.On, c.Note, now, c.Author); err != nil {
			return nil, nil, err
		}
		said, err := p.Said(ctx)
		return said, nil, err
	})
}

type planBookCmd struct {
	atPlans
	Day    string `arg:"" help:"Date."`
	From   string `arg:"" help:"Time of day at the workshop, as in 09:00."`
	To     string `arg:"" help:"Time of day."`
	Person string `help:"Whose time. Default: the first of the setting people."`
	Site   string `help:"Where. Default: in the workshop."`
	Note   string `help:"What for."`
}

// Run books the time.
func (c *planBookCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(p *books.Planner, now unit.Instant) (any, []string, error) {
		id, err := p.Book(ctx, books.BookingSaid{Day: c.Day, From: c.From, To: c.To, Person: c.Person, Site: c.Site, Note: c.Note}, now, c.Author)
		return map[string]int64{"booking": id}, []string{fmt.Sprintf("booking %d", id)}, err
	})
}

type planUnbookCmd struct {
	atPlans
	Booking int64 `arg:"" help:"Number of the booking."`
}

// Run takes the booking back.
func (c *planUnbookCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(p *books.Planner, now unit.Instant) (any, []string, error) {
		return map[string]int64{"booking": c.Booking}, nil, p.Unbook(ctx, c.Booking, now, c.Author)
	})
}

type planSetCmd struct {
	atPlans
	Setting map[string]string `arg:"" placeholder:"NAME=VALUE" help:"As in lat=54.1; an empty value takes what is proposed."`
}

// Run changes settings.
func (c *planSetCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(p *books.Planner, now unit.Instant) (any, []string, error) {
		if err := p.Settle(ctx, c.Setting, now, c.Author); err != nil {
			return nil, nil, err
		}
		said, err := p.Said(ctx)
		return said, nil, err
	})
}

type planSettingsCmd struct{ atPlans }

// Run shows what was said of rounds.
func (c *planSettingsCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(p *books.Planner, _ unit.Instant) (any, []string, error) {
		said, err := p.Said(ctx)
		if err != nil {
			return nil, nil, err
		}
		var lines []string
		for _, s := range said.Settings {
			from := ""
			if s.Usual {
				from = " (proposed)"
			}
			lines = append(lines, fmt.Sprintf("%s\t%s%s\t%s", s.Name, s.Value, from, s.Says))
		}
		for _, w := range said.Wishes {
			day := ""
			if w.Day != nil {
				day = " " + *w.Day
			}
			lines = append(lines, fmt.Sprintf("wish\t%s\t%s%s\t%s", w.Station, w.Wish, day, w.Note))
		}
		for _, k := range said.Bookings {
			lines = append(lines, fmt.Sprintf("booking %d\t%s\t%s to %s\t%s", k.Booking, k.Day, k.From, k.To, strings.Join(strings.Fields(k.Person+" "+k.Site+" "+k.Note), " ")))
		}
		return said, append(lines, fmt.Sprintf("measured legs\t%d", said.Legs)), nil
	})
}

type planLegsCmd struct {
	atPlans
	File string `arg:"" help:"CSV with the columns from, to, minutes and, if known, km. Places are ids of sites, or workshop."`
}

// Run puts the table in.
func (c *planLegsCmd) Run(ctx context.Context) error {
	f, err := os.Open(c.File)
	if err != nil {
		return err
	}
	defer f.Close()
	return c.with(ctx, func(p *books.Planner, now unit.Instant) (any, []string, error) {
		n, err := p.ImportLegs(ctx, f, now, c.Author)
		return map[string]int{"legs": n}, []string{fmt.Sprintf("legs\t%d", n)}, err
	})
}
