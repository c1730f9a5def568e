package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"text/tabwriter"
	"time"

	"dewpost/collector"
	"dewpost/collector/books"
	"dewpost/collector/importer"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/collector/view"
	"dewpost/rules/life"
	"dewpost/rules/outlook"
	"dewpost/rules/season"
	"dewpost/rules/unit"
)

type outlookCmd struct {
	Show outlookShowCmd `cmd:"" help:"Show the outlook for a station's coming night, and how often such outlooks came true there."`
	List outlookListCmd `cmd:"" help:"List what was foretold of a station's nights, with what came of them."`
}

type outlookShowCmd struct {
	inStore
	Station string `arg:"" help:"The station's id."`
	JSON    bool   `name:"json" help:"One JSON object."`
}

// toldJSON is an outlook as --json prints it.
type toldJSON struct {
	outlook.Night
	Issue    outlook.Issue `json:"issue"`
	Until    unit.Instant  `json:"until"`
	Heard    unit.Instant  `json:"heard"`
	Basis    outlook.Basis `json:"basis"`
	Forecast bool          `json:"forecast"`
}

func toldOf(o *record.Outlook) *toldJSON {
	if o == nil {
		return nil
	}
	return &toldJSON{o.Night, o.Issue, o.Until, o.Heard, o.Basis, o.Forecast}
}

// Run shows the outlook.
func (c *outlookShowCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		if _, err := s.Station(ctx, c.Station); err != nil {
			return fmt.Errorf("station %q: %w", c.Station, err)
		}
		o, err := view.New(s, time.Now).Outlook(ctx, c.Station)
		if err != nil {
			return err
		}
		if c.JSON {
			return json.NewEncoder(os.Stdout).Encode(struct {
				Station    string         `json:"station"`
				Tonight    *toldJSON      `json:"tonight"`
				Condensing outlook.Score  `json:"condensing_score"`
				AtRisk     outlook.Score  `json:"at_risk_score"`
				Others     *outlook.Score `json:"all_stations_score"`
			}{c.Station, toldOf(o.Tonight), o.Condensing, o.AtRisk, o.Others})
		}
		return printOutlook(os.Stdout, c.Station, &o)
	})
}

func printOutlook(to io.Writer, station string, o *view.Outlook) error {
	w := tabwriter.NewWriter(to, 0, 0, 2, ' ', 0)
	if t := o.Tonight; t == nil {
		fmt.Fprintf(w, "%s: no outlook for tonight\n", station)
	} else {
		fmt.Fprintf(w, "%s: tonight condensing %.0f %%, at risk %.0f %%\n", station, 100*t.PCondensing, 100*t.PAtRisk)
		with := ""
		if t.Forecast {
			with = ", with a forecast of the weather"
		}
		fmt.Fprintf(w, "  issued\t%s (%s)\n  rests on\t%s%s\n", t.Issued, t.Issue, t.Basis, with)
	}
	score, whose := &o.Condensing, "here"
	if score.Nights == 0 && o.Others != nil {
		score, whose = o.Others, "at all stations"
	}
	if score.Nights == 0 {
		fmt.Fprintln(w, "how often it came true: no night that was foretold has passed yet")
		return w.Flush()
	}
	fmt.Fprintf(w, "how often it came true %s: %d nights, %d condensed\n", whose, score.Nights, score.Wet)
	for i := range score.Bands {
		if b := &score.Bands[i]; b.Nights > 0 {
			fmt.Fprintf(w, "  %.0f to %.0f %%\t%d nights\t%d condensed\t%.0f %%\n", 100*b.Low, 100*b.High, b.Nights, b.Wet, 100*float64(b.Wet)/float64(b.Nights))
		}
	}
	return w.Flush()
}

type outlookListCmd struct {
	inStore
	Station string `arg:"" help:"The station's id."`
	From    string `placeholder:"TIME" help:"Those issued from then on."`
	To      string `placeholder:"TIME" help:"Those issued before."`
	JSON    bool   `name:"json" help:"A JSON array."`
}

const outlooksMost = 100000

// Run lists outlooks.
func (c *outlookListCmd) Run(ctx context.Context) error {
	from, to := view.Beginning, view.End
	for _, end := range []struct {
		name, text string
		at         *unit.Instant
	}{{"--from", c.From, &from}, {"--to", c.To, &to}} {
		if end.text == "" {
			continue
		}
		at, err := books.ParseInstant(end.name, end.text)
		if err != nil {
			return usageError{err}
		}
		*end.at = at
	}
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		all, _, err := view.New(s, time.Now).Outlooks(ctx, c.Station, from, to, outlooksMost)
		if err != nil {
			return fmt.Errorf("station %q: %w", c.Station, err)
		}
		if c.JSON {
			list := make([]*toldJSON, 0, len(all))
			for i := range all {
				list = append(list, toldOf(&all[i]))
			}
			return json.NewEncoder(os.Stdout).Encode(list)
		}
		w := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', 0)
		fmt.Fprintln(w, "night\tissued\tcondensing\tat risk\trests on\tcame")
		for i := range all {
			o := &all[i]
			came := "not known"
			if o.ObservedCondensing != nil {
				came = map[bool]string{true: "condensed", false: "did not"}[*o.ObservedCondensing]
			}
			fmt.Fprintf(w, "%s\t%s\t%.0f %%\t%.0f %%\t%s\t%s\n", o.Night.Night, o.Issued, 100*o.PCondensing, 100*o.PAtRisk, o.Basis, came)
		}
		return w.Flush()
	})
}

type forecastCmd struct {
	Import forecastImportCmd `cmd:"" help:"Put a forecast of the weather into a site's record, so that outlooks issued after it use it."`
}

type forecastImportCmd struct {
	inStore
	Site   string `arg:"" help:"The site's id."`
	File   string `arg:"" name:"file" help:"The forecast: a column time, temp_c, and dew_point_c (over water) or rh_pct; with them cloud_pct or cloud_oktas, and wind_m_s; - reads standard input."`
	Issued string `required:"" placeholder:"TIME" help:"When it was issued: no outlook before uses it."`
	logFlags
	DryRun bool `help:"Check it, and write nothing."`
	JSON   bool `name:"json" help:"One JSON object."`
}

// Run imports the forecast.
func (c *forecastImportCmd) Run(ctx context.Context) error {
	opt, err := c.options(c.File, importer.WeatherColumns())
	if err != nil {
		return usageError{err}
	}
	issued, err := books.ParseInstant("--issued", c.Issued)
	if err != nil {
		return usageError{err}
	}
	log, end, err := c.read(opt, c.File, c.DryRun, c.Author)
	if err != nil {
		return err
	}
	var out importer.Forecast
	err = c.with(ctx, func(s *store.Store, _ collector.Config) error {
		out, err = importer.ImportForecast(ctx, s, c.Site, issued, log)
		return err
	})
	if err := end(err); err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(os.Stdout).Encode(out)
	}
	what := "stored"
	switch {
	case out.DryRun:
		what = "checked, nothing was written"
	case out.Again:
		what = "in the record already"
	}
	_, err = fmt.Printf("site %s, forecast issued %s: %d rows, %d used, %d without temperature or humidity; %s\n", out.Site, out.Issued, out.Rows, out.Used, out.Empty, what)
	return err
}

type lifeLearnedCmd struct {
	inStore
	JSON bool `name:"json" help:"One JSON object."`
}

// lessonJSON is what was learned of one group.
type lessonJSON struct {
	Of       string  `json:"of"`
	Looks    int     `json:"looks"`
	Happened int     `json:"happened"`
	Learned  bool    `json:"learned"`
	Middle   float64 `json:"middle"`
	Low      float64 `json:"low"`
	High     float64 `json:"high"`
	Unit     string  `json:"unit"`
	Spread   float64 `json:"spread"`
}

// Run says what was learned.
func (c *lifeLearnedCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		lessons, looks, err := view.New(s, time.Now).Lessons(ctx)
		if err != nil {
			return err
		}
		told := lessons.Told()
		if c.JSON {
			list := make([]lessonJSON, 0, len(told))
			for _, t := range told {
				list = append(list, lessonJSON{t.Group, t.Looks, t.Happened, t.Learned, t.Middle, t.Low, t.High, t.Unit, t.Spread})
			}
			return json.NewEncoder(os.Stdout).Encode(struct {
				Looks   int          `json:"looks"`
				Lessons []lessonJSON `json:"lessons"`
			}{looks, list})
		}
		return printLearned(os.Stdout, told, looks)
	})
}

func printLearned(to io.Writer, told []life.Told, looks int) error {
	if looks == 0 {
		_, err := fmt.Fprintln(to, "nothing learned yet: no visit said what a board or a cover looked like")
		return err
	}
	w := tabwriter.NewWriter(to, 0, 0, 2, ' ', 0)
	for _, t := range told {
		what := "nothing learned yet"
		if t.Learned {
			what = fmt.Sprintf("%.3g (%.3g to %.3g, 80 %%) %s", t.Middle, t.Low, t.High, t.Unit)
		}
		looks := "looks"
		if t.Looks == 1 {
			looks = "look"
		}
		fmt.Fprintf(w, "%s\t%d %s, %d found it\t%s\n", t.Name, t.Looks, looks, t.Happened, what)
	}
	return w.Flush()
}

type seasonCmd struct {
	Ahead seasonAheadCmd `cmd:"" help:"Say what dose the twelve months ahead bring, and what changes would have made of the weather so far."`
}

type seasonAheadCmd struct {
	inStore
	Station string   `arg:"" help:"The station's id."`
	WhatIf  []string `name:"what-if" placeholder:"CHANGE" help:"Also reckon a change: coat, new-cover, seal-entry, vent-membrane, heater, under-eave; several with commas."`
	JSON    bool     `name:"json" help:"One JSON object."`
}

// Run tells the season.
func (c *seasonAheadCmd) Run(ctx context.Context) error {
	var changes []season.Change
	for _, name := range c.WhatIf {
		if season.What(season.Change(name)) == "" {
			return usageError{fmt.Errorf("--what-if %q: write some of %v", name, season.Changes)}
		}
		changes = append(changes, season.Change(name))
	}
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		got, err := view.New(s, time.Now).YearAhead(ctx, c.Station, changes)
		if err != nil {
			return fmt.Errorf("station %q: %w", c.Station, err)
		}
		if c.JSON {
			var budget *float64
			if got.Budget > 0 {
				budget = &got.Budget
			}
			return json.NewEncoder(os.Stdout).Encode(struct {
				Station string          `json:"station"`
				Months  []season.Month  `json:"months"`
				Dose    float64         `json:"dose_h_eq"`
				Low     float64         `json:"low_h_eq"`
				High    float64         `json:"high_h_eq"`
				Missing int             `json:"missing_months"`
				Budget  *float64        `json:"budget_h_eq"`
				Learned bool            `json:"budget_learned"`
				Changes []season.Result `json:"what_if"`
			}{c.Station, got.Months, got.Dose, got.Low, got.High, got.Missing, budget, got.Learned, append([]season.Result{}, got.Changes...)})
		}
		return printSeason(os.Stdout, &got)
	})
}

func printSeason(to io.Writer, s *view.YearAhead) error {
	w := tabwriter.NewWriter(to, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "month\tdose h eq\trange\tfrom")
	for _, m := range s.Months {
		if m.Basis == season.Nothing {
			fmt.Fprintf(w, "%s\tnot known\t\t\n", m.Month)
			continue
		}
		fmt.Fprintf(w, "%s\t%.0f\t%.0f to %.0f\t%s, %d years\n", m.Month, m.DoseHEq, m.LowHEq, m.HighHEq, m.Basis, m.Years)
	}
	fmt.Fprintf(w, "in all\t%.0f\t%.0f to %.0f\t%d months not known\n", s.Dose, s.Low, s.High, s.Missing)
	for i := range s.Changes {
		r := &s.Changes[i]
		if r.WhyNot != "" {
			fmt.Fprintf(w, "\n%s: not reckoned: %s\n", r.What, r.WhyNot)
			continue
		}
		fmt.Fprintf(w, "\n%s: dose %.0f %% (%.0f to %.0f), used of a budget %.0f %% (%.0f to %.0f) of what it is now\n  assumed: %s (a judgement)\n  %s\n",
			r.What, 100*r.Dose, 100*r.DoseLow, 100*r.DoseTop, 100*r.Wear, 100*r.WearLow, 100*r.WearTop, r.Assumes, r.Caution)
	}
	return w.Flush()
}
