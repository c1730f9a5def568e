package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"dewpost/collector"
	"dewpost/collector/importer"
	"dewpost/collector/store"
	"dewpost/rules/logfile"
	"dewpost/rules/unit"
)

type readingsCmd struct {
	Import readingsImportCmd `cmd:"" help:"Put a log into a station's record, by the rules of the wire. Again it changes nothing; one that was cut off is completed."`
}

type readingsImportCmd struct {
	inStore
	Station string `arg:"" help:"The station's id."`
	Log     string `arg:"" name:"file" help:"The log, as for assess: a column time and columns named like the channels; - reads standard input."`
	logFlags
	DryRun bool `help:"Say what would be stored, and write nothing."`
	JSON   bool `name:"json" help:"One JSON object."`
}

// Run imports the log.
func (c *readingsImportCmd) Run(ctx context.Context) error {
	opt, err := c.options(c.Log, logfile.Known())
	if err != nil {
		return usageError{err}
	}
	log, end, err := c.read(opt, c.Log, c.DryRun, c.Author)
	if err != nil {
		return err
	}
	var out importer.Readings
	err = c.with(ctx, func(s *store.Store, _ collector.Config) error {
		out, err = importer.ImportReadings(ctx, s, c.Station, log)
		return err
	})
	if err := end(err); err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(os.Stdout).Encode(out)
	}
	return printReadings(os.Stdout, &out)
}

// read opens a log for an import; end closes it and passes an error on.
func (c *logFlags) read(opt logfile.Options, path string, dryRun bool, author string) (log importer.Log, end func(error) error, err error) {
	f, size, err := openLog(path)
	if err != nil {
		return log, nil, err
	}
	if path == "-" {
		opt.Name = "standard input"
	}
	clear := showProgress(&opt, size)
	log = importer.Log{From: f, Options: opt, DryRun: dryRun, At: unit.At(time.Now()), Author: author}
	return log, func(err error) error {
		clear()
		if closed := f.Close(); err == nil {
			err = closed
		}
		return err
	}, nil
}

func printReadings(to io.Writer, r *importer.Readings) error {
	w := tabwriter.NewWriter(to, 0, 0, 2, ' ', 0)
	line := func(format string, args ...any) { fmt.Fprintf(w, format+"\n", args...) }
	would, stored := "", "stored"
	if r.DryRun {
		would, stored = "; this was a dry run, nothing was written", "to be stored"
	}
	line("station %s%s", r.Station, would)
	line("  rows\t%d%s", r.Rows, span(r.From, r.To, r.SpanH))
	line("  %s\t%d", stored, r.Stored)
	line("  repeated\t%d\tin the record already, or twice in the log", r.Repeated)
	if r.Ahead > 0 {
		line("  in quarantine\t%d\ttheir time lies ahead of this machine's clock: stored when it is reached; is --tz right?", r.Ahead)
	}
	if r.TooLate > 0 {
		line("  too late\t%d\tin quarantine for good: readings of that time were let go, and its hours stay as they are", r.TooLate)
	}
	printRefusedValues(line, r.RefusedValues, r.Ignored)
	ofLog, ofStation := seconds(r.MaxGap.LogS), seconds(r.MaxGap.StationS)
	switch {
	case r.MaxGap.Recorded && r.DryRun:
		line("  longest step\t%s\tfrom the log's own steps: to be recorded as max_gap, the station has none", ofLog)
	case r.MaxGap.Recorded:
		line("  longest step\t%s\tfrom the log's own steps: recorded as max_gap, the station had none", ofLog)
	case ofLog > ofStation:
		line("  longest step\t%s\tthe log's own would be %s: longer steps are unknown time. To change it from then on: dewpost station set %s max_gap=%s --from %s", ofStation, ofLog, r.Station, ofLog, r.From)
	default:
		line("  longest step\t%s\tthat of the station", ofStation)
	}
	if r.Stored > 0 && !r.DryRun {
		line("A collector that runs has them in its ledger within a minute; another one when it is started.")
	}
	if err := w.Flush(); err != nil {
		return fmt.Errorf("write the result: %w", err)
	}
	return nil
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

func span(from, to *unit.Instant, hours float64) string {
	if from == nil {
		return ""
	}
	return fmt.Sprintf("\t%s to %s, %.1f h", from, to, hours)
}

func printRefusedValues(line func(string, ...any), refused map[string]int, ignored []string) {
	for _, name := range slices.Sorted(maps.Keys(refused)) {
		line("  refused values\t%d\t%s: out of range; their rows stay", refused[name], name)
	}
	if len(ignored) > 0 {
		line("  ignored\t\tcolumns %s", strings.Join(ignored, ", "))
	}
}
