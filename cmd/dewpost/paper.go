package main

import (
	"context"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"

	"dewpost/collector"
	"dewpost/collector/books"
	"dewpost/collector/calendar"
	"dewpost/collector/paper"
	"dewpost/collector/store"
	"dewpost/collector/view"
	"dewpost/collector/words"
	"dewpost/rules/unit"
)

// atDesk is what commands that print have in common.
type atDesk struct {
	inStore
	Base string `placeholder:"URL" help:"Address of the pages, as in https://pages.example:8480, for QR codes and links. Without it there are none."`
	Out  string `short:"o" required:"" placeholder:"FILE" help:"New file that it goes into; - for standard output."`

	Language string `default:"en" enum:"en,de" help:"en or de."`
}

// locale is how the paper reads.
func (c *atDesk) locale() *words.Locale {
	l, _ := words.In(c.Language)
	return &l
}

func (c *atDesk) print(ctx context.Context, f func(*paper.Desk, unit.Instant) ([]byte, error)) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		if c.Base != "" && !strings.HasPrefix(c.Base, "https://") && !strings.HasPrefix(c.Base, "http://") {
			return books.Error{Field: "--base", Value: c.Base, Fix: "write it as in https://pages.example:8480"}
		}
		d := &paper.Desk{View: view.New(s, time.Now), Visits: books.Visits{VisitStore: s}, Shelf: s, Base: c.Base}
		body, err := f(d, unit.At(time.Now()))
		if err != nil {
			return err
		}
		if c.Out == "-" {
			_, err = os.Stdout.Write(body)
			return err
		}
		return writeNew(c.Out, body)
	})
}

// onPaper is the size of what is printed on sheets.
type onPaper struct {
	Paper string `default:"a4" enum:"a4,letter" help:"a4 or letter."`
}

type visitJobCardCmd struct {
	atDesk
	onPaper
	Visit int64 `arg:"" help:"The visit's number."`
}

// Run prints the job card.
func (c *visitJobCardCmd) Run(ctx context.Context) error {
	return c.print(ctx, func(d *paper.Desk, now unit.Instant) ([]byte, error) {
		card, err := d.JobCard(ctx, c.locale(), c.Visit, now)
		if err != nil {
			return nil, err
		}
		return card.Draw(c.locale(), c.Paper)
	})
}

type visitLoadCmd struct {
	atDesk
	onPaper
	Day string `arg:"" help:"The day for which visits are planned, as in 2025-04-30."`
	Who string `help:"Only what this person makes."`
}

// Run prints the load list.
func (c *visitLoadCmd) Run(ctx context.Context) error {
	return c.print(ctx, func(d *paper.Desk, now unit.Instant) ([]byte, error) {
		list, err := d.LoadList(ctx, c.locale(), c.Day, c.Who, now)
		if err != nil {
			return nil, err
		}
		return list.Draw(c.locale(), c.Paper)
	})
}

type stationLabelCmd struct {
	atDesk
	IDs  []string `arg:"" name:"id" help:"Ids of the stations."`
	Size string   `default:"62x29" enum:"62x29,a4-sheet" help:"62x29: labels of 62 by 29 mm, one a page; a4-sheet: A4 sheets of them, to be cut."`
	Skip int      `help:"Places of the first sheet left free, 0 to 26."`
}

// Run prints the labels.
func (c *stationLabelCmd) Run(ctx context.Context) error {
	return c.print(ctx, func(d *paper.Desk, now unit.Instant) ([]byte, error) {
		var labels []paper.Label
		for _, id := range c.IDs {
			l, err := d.Label(ctx, c.locale(), id, now)
			if err != nil {
				return nil, fmt.Errorf("station %q: %w", id, err)
			}
			labels = append(labels, l)
		}
		return paper.DrawLabels(c.locale(), labels, c.Size, c.Skip)
	})
}

// reportFlags are those of season reports.
type reportFlags struct {
	atDesk
	onPaper
	ID          string   `arg:"" help:"The id."`
	From        string   `required:"" placeholder:"DATE" help:"First day, where the station hangs."`
	To          string   `required:"" placeholder:"DATE" help:"First day that no longer belongs to it; at most ten years later."`
	Currency    string   `help:"Stands behind amounts, as in EUR."`
	Retrofit    float64  `name:"retrofit-cost" default:"180" help:"Sensors, new coat and cover of a station, once. The default is an assumption, no source."`
	Care        float64  `name:"care-cost" default:"40" help:"Care of a station, a year. The default is an assumption, no source."`
	UnitValue   float64  `default:"600" help:"What a unit is worth. The default is an assumption, no source."`
	LossWithout string   `default:"0.10..0.30" placeholder:"LOW..HIGH" help:"Part of units that are lost in a year without the retrofit. The default is a judgement value, no source."`
	LossWith    string   `default:"0.01..0.05" placeholder:"LOW..HIGH" help:"Part of units that are lost in a year with it. The default is a judgement value, no source."`
	SO2         *float64 `name:"so2" placeholder:"X" help:"Sulphur dioxide that is deposited, mg/(m² d), for the categories of ISO 9223 in the appendix; with --cl."`
	Chloride    *float64 `name:"cl" placeholder:"X" help:"Chloride that is deposited, mg/(m² d)."`
}

func (c *reportFlags) run(ctx context.Context, of string) error {
	q := paper.ReportQuery{Of: of, ID: c.ID, From: c.From, To: c.To, Currency: c.Currency, SO2: c.SO2, Cl: c.Chloride}
	q.Costs = view.Costs{Retrofit: c.Retrofit, Care: c.Care, UnitValue: c.UnitValue}
	for _, r := range []struct {
		name, text string
		low, high  *float64
	}{{"loss-without", c.LossWithout, &q.Costs.WithoutLow, &q.Costs.WithoutHigh}, {"loss-with", c.LossWith, &q.Costs.WithLow, &q.Costs.WithHigh}} {
		low, high, _ := strings.Cut(r.text, "..")
		var err1, err2 error
		*r.low, err1 = strconv.ParseFloat(low, 64)
		*r.high, err2 = strconv.ParseFloat(high, 64)
		if err1 != nil || err2 != nil {
			return usageError{fmt.Errorf("--%s %q: write LOW..HIGH, parts of 1, as in 0.1..0.3", r.name, r.text)}
		}
	}
	return c.print(ctx, func(d *paper.Desk, now unit.Instant) ([]byte, error) {
		report, err := d.Report(ctx, c.locale(), q, now)
		if err != nil {
			return nil, err
		}
		return report.Draw(c.locale(), c.Paper)
	})
}

type reportStationCmd struct{ reportFlags }

// Run reports.
func (c *reportStationCmd) Run(ctx context.Context) error { return c.run(ctx, paper.OfStation) }

type reportSiteCmd struct{ reportFlags }

// Run reports.
func (c *reportSiteCmd) Run(ctx context.Context) error { return c.run(ctx, paper.OfSite) }

type reportOwnerCmd struct{ reportFlags }

// Run reports.
func (c *reportOwnerCmd) Run(ctx context.Context) error { return c.run(ctx, paper.OfOwner) }

type visitCalendarCmd struct {
	Show   visitCalendarShowCmd   `cmd:"" help:"Write the calendar of visits, RFC 5545."`
	Add    visitCalendarAddCmd    `cmd:"" help:"Make an address under which a calendar program may read it; it is printed once."`
	List   visitCalendarListCmd   `cmd:"" help:"List such addresses."`
	Revoke visitCalendarRevokeCmd `cmd:"" help:"Make an address worthless."`
}

// atCalendar is what commands on the calendar have in common.
type atCalendar struct{ inStore }

func (c *atCalendar) desk(ctx context.Context, f func(*calendar.Desk) error) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		return f(&calendar.Desk{Store: s, View: view.New(s, time.Now), Visits: books.Visits{VisitStore: s}})
	})
}

type visitCalendarShowCmd struct {
	atCalendar
	Base string `placeholder:"URL" help:"Address of the pages, for links."`
}

// Run writes the calendar.
func (c *visitCalendarShowCmd) Run(ctx context.Context) error {
	return c.desk(ctx, func(d *calendar.Desk) error {
		text, err := d.Feed(ctx, c.Base, unit.At(time.Now()))
		fmt.Print(text)
		return err
	})
}

type visitCalendarAddCmd struct {
	atCalendar
	Name string `arg:"" help:"Whose calendar reads there."`
}

// Run makes the address and prints it.
func (c *visitCalendarAddCmd) Run(ctx context.Context) error {
	return c.desk(ctx, func(d *calendar.Desk) error {
		secret, err := d.Add(ctx, c.Name, c.Author, unit.At(time.Now()))
		if err != nil {
			return err
		}
		fmt.Println(calendar.Path(secret))
		fmt.Fprintln(os.Stderr, "Put the address of the pages before it. Whoever has it can read the visits; nobody can see it again.")
		return nil
	})
}

type visitCalendarListCmd struct {
	atCalendar
	JSON bool `name:"json" help:"One JSON object."`
}

type calendarLinkJSON struct {
	Name   string       `json:"name"`
	Author string       `json:"author"`
	Made   unit.Instant `json:"made"`
}

// Run lists the addresses.
func (c *visitCalendarListCmd) Run(ctx context.Context) error {
	return c.desk(ctx, func(d *calendar.Desk) error {
		links, err := d.CalendarLinks(ctx)
		if err != nil {
			return err
		}
		out := struct {
			Items []calendarLinkJSON `json:"items"`
		}{Items: []calendarLinkJSON{}}
		for _, l := range links {
			out.Items = append(out.Items, calendarLinkJSON(l))
			if !c.JSON {
				fmt.Printf("%s\tmade by %s, %s\n", l.Name, l.Author, l.Made)
			}
		}
		if c.JSON {
			return printJSON(out)
		}
		return nil
	})
}

type visitCalendarRevokeCmd struct {
	atCalendar
	Name string `arg:"" help:"The name of the address."`
}

// Run revokes the address.
func (c *visitCalendarRevokeCmd) Run(ctx context.Context) error {
	return c.desk(ctx, func(d *calendar.Desk) error {
		return d.Revoke(ctx, c.Name, c.Author, unit.At(time.Now()))
	})
}
