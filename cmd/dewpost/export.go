package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"dewpost/collector"
	"dewpost/collector/books"
	"dewpost/collector/export"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/unit"
)

type exportCmd struct {
	inStore
	What    string   `arg:"" help:"What to export, as in readings, hours or facts; list tells what there is; all writes everything into the folder DIR; again lets the collector send all once more of what it sends on ([export] in its config)."`
	Dir     string   `arg:"" optional:"" name:"DIR" help:"New folder, for all."`
	Format  string   `placeholder:"FORMAT" help:"csv, jsonl or lp. Default: csv."`
	Station []string `sep:"none" placeholder:"ID" help:"Of this station only. Repeatable."`
	From    string   `placeholder:"TIME" help:"From this instant or date on, by the time of the reading, hour or row."`
	To      string   `placeholder:"TIME" help:"Before this instant or date."`
	Out     string   `placeholder:"FILE" help:"New file to write. Default: standard output."`
}

// Run exports.
func (c *exportCmd) Run(ctx context.Context) error {
	want, err := c.wanted()
	if err != nil {
		return usageError{err}
	}
	err = c.with(ctx, func(s *store.Store, _ collector.Config) error {
		now := unit.At(time.Now())
		switch c.What {
		case "list":
			return listExports(ctx, s)
		case "all":
			return c.all(ctx, s, now)
		case "again":
			return c.again(ctx, s, now)
		}
		f := export.Format(cmp.Or(c.Format, string(export.CSV)))
		write := func(w io.Writer) error {
			_, err := export.Write(ctx, w, s, c.What, f, want, now)
			return err
		}
		if c.Out == "" {
			return write(os.Stdout)
		}
		return export.ToFile(c.Out, write)
	})
	var refused export.Refused
	if errors.As(err, &refused) {
		return usageError{err}
	}
	return err
}

func (c *exportCmd) wanted() (record.Want, error) {
	want := export.Everything()
	want.Stations = c.Station
	var err error
	if c.From != "" {
		if want.From, err = books.ParseInstant("--from", c.From); err != nil {
			return want, err
		}
	}
	if c.To != "" {
		want.To, err = books.ParseInstant("--to", c.To)
	}
	switch {
	case err != nil:
	case c.What == "all" && (c.Dir == "" || c.Out != "" || len(c.Station) > 0 || c.From != "" || c.To != ""):
		err = errors.New("write dewpost export all DIR: everything goes into a folder, and nothing is left out")
	case c.What != "all" && c.Dir != "":
		err = fmt.Errorf("%s %q: only all is written into a folder; write --out FILE", "DIR", c.Dir)
	}
	return want, err
}

func (c *exportCmd) all(ctx context.Context, s *store.Store, now unit.Instant) error {
	m, err := export.All(ctx, s, c.Dir, export.Format(cmp.Or(c.Format, string(export.CSV))), now)
	if err != nil {
		return err
	}
	var rows, bytes int64
	for _, f := range m.Files {
		rows, bytes = rows+f.Rows, bytes+f.Bytes
	}
	fmt.Printf("%s: files %d, rows %d, bytes %d; counts and SHA-256 are in %s\n", c.Dir, len(m.Files), rows, bytes, export.ManifestName)
	fmt.Fprintln(os.Stderr, "There may be names and addresses of owners in it. Passwords, secrets and photos are not: a backup has them.")
	return nil
}

func (c *exportCmd) again(ctx context.Context, s *store.Store, now unit.Instant) error {
	err := s.FeedAgain(ctx, now, c.Author)
	if errors.Is(err, record.ErrNotFound) {
		return errors.New("nothing is sent on: write [export] into the config of the collector, and start it again")
	}
	if err != nil {
		return err
	}
	fmt.Println("A collector that runs begins to send all of it within its export.every.")
	return nil
}

func listExports(ctx context.Context, s *store.Store) error {
	items, err := export.Items(ctx, s)
	if err != nil {
		return err
	}
	for _, it := range items {
		var formats []string
		for _, f := range it.Formats {
			formats = append(formats, string(f))
		}
		fmt.Printf("%s\t%s\t%s\n", it.Name, strings.Join(formats, " "), it.About)
	}
	return nil
}
