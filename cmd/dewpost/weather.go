package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"

	"dewpost/collector"
	"dewpost/collector/importer"
	"dewpost/collector/record"
	"dewpost/collector/store"
)

type weatherCmd struct {
	Import weatherImportCmd `cmd:"" help:"Put observed weather into a site's record, marked as not the site's own."`
}

type weatherImportCmd struct {
	inStore
	Site string `arg:"" help:"The site's id."`
	Log  string `arg:"" name:"file" help:"The log: a column time and any of temp_c, rh_pct, dew_point_c (over water; it or rh_pct is computed from the other), rain_mm (since the row before), wind_m_s, cloud_pct or cloud_oktas; - reads standard input."`
	logFlags
	Source   string   `placeholder:"TEXT" help:"Who observed it. Default: the file's name without its ending."`
	Distance *float64 `name:"distance-km" placeholder:"KM" help:"How far away from the site."`
	Replace  bool     `help:"Let the log's rows take the place of what is recorded of their instants. Default: that stays, and other rows are conflicts."`
	DryRun   bool     `help:"Say what would be stored, and write nothing."`
	JSON     bool     `name:"json" help:"One JSON object."`
}

// Run imports the log.
func (c *weatherImportCmd) Run(ctx context.Context) error {
	opt, err := c.options(c.Log, importer.WeatherColumns())
	if err != nil {
		return usageError{err}
	}
	source := record.WeatherSource{Name: c.Source}
	if source.Name == "" {
		name := filepath.Base(c.Log)
		source.Name = strings.TrimSuffix(name, filepath.Ext(name))
	}
	if c.Distance != nil {
		source.Distance = record.Some(*c.Distance)
	}
	log, end, err := c.read(opt, c.Log, c.DryRun, c.Author)
	if err != nil {
		return err
	}
	var out importer.Weather
	err = c.with(ctx, func(s *store.Store, _ collector.Config) error {
		out, err = importer.ImportWeather(ctx, s, c.Site, source, c.Replace, log)
		return err
	})
	if err := end(err); err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(os.Stdout).Encode(out)
	}
	return printWeather(os.Stdout, &out)
}

func printWeather(to io.Writer, r *importer.Weather) error {
	w := tabwriter.NewWriter(to, 0, 0, 2, ' ', 0)
	line := func(format string, args ...any) { fmt.Fprintf(w, format+"\n", args...) }
	would, stored, replaced := "", "stored", "replaced"
	if r.DryRun {
		would, stored, replaced = "; this was a dry run, nothing was written", "to be stored", "to be replaced"
	}
	line("site %s, observed by %s%s", r.Site, r.Source, would)
	line("  rows\t%d%s", r.Rows, span(r.From, r.To, r.SpanH))
	line("  %s\t%d", stored, r.Stored)
	line("  repeated\t%d\tin the record already, or twice in the log", r.Repeated)
	if r.Replaced > 0 {
		line("  %s\t%d", replaced, r.Replaced)
	}
	if r.Conflicts > 0 {
		line("  conflicts\t%d\tother than what is recorded, which stays; --replace takes the log's", r.Conflicts)
		for _, at := range r.Conflicting {
			line("  \t\t%s", at)
		}
		if more := r.Conflicts - len(r.Conflicting); more > 0 {
			line("  \t\tand %d more", more)
		}
	}
	if r.Empty > 0 {
		line("  empty\t%d\twithout any value: not stored", r.Empty)
	}
	if r.Ahead > 0 {
		line("  ahead\t%d\tof this machine's clock: not stored; is --tz right?", r.Ahead)
	}
	printRefusedValues(line, r.RefusedValues, r.Ignored)
	if err := w.Flush(); err != nil {
		return fmt.Errorf("write the result: %w", err)
	}
	return nil
}
