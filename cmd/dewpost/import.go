package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"dewpost/collector"
	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

type importCmd struct {
	inStore
	What   string `arg:"" help:"facts (columns kind, subject, name, from, value), or owners, sites, lines, stations or sensors (a column id, one for each fact, and from if wanted), or parts (columns kind, quantity, condition, grade, owner, loan, place, origin, note, and to describe a new kind name, class, unit, fits, irreplaceable, last_one, minimum). New stations are enrolled."`
	File   string `arg:"" name:"FILE.csv" help:"The file; - reads standard input."`
	From   string `placeholder:"TIME" help:"Since when holds what has no from of its own: a date, which begins at midnight UTC, RFC 3339, or always."`
	DryRun bool   `help:"Record nothing: say what would be new, changed, and the same."`
}

// Run imports the file.
func (c *importCmd) Run(ctx context.Context) error {
	err := c.with(ctx, func(s *store.Store, _ collector.Config) error {
		var in io.Reader = os.Stdin
		if c.File != "-" {
			f, err := os.Open(c.File)
			if err != nil {
				return err
			}
			defer func() { _ = f.Close() }() // it was only read
			in = f
		}
		now := time.Now()
		if c.What == "parts" {
			return c.parts(ctx, s, in, unit.At(now))
		}
		done, err := books.Import{
			What: c.What, Name: c.File, From: c.From, Dry: c.DryRun,
			Enrol: func(id string, facts []fact.Fact) (record.Station, []fact.Fact, error) {
				st, err := collector.NewStation(id, now)
				return st, collector.ProposeMaxGap(facts), err
			},
		}.Read(ctx, s, in, unit.At(now), c.Author)
		if err != nil {
			return err
		}
		printImported(&done, c.DryRun)
		return nil
	})
	var wrong books.Error
	if errors.As(err, &wrong) && (wrong.Field == "what" || wrong.Field == "from") {
		return usageError{err}
	}
	return err
}

func (c *importCmd) parts(ctx context.Context, s *store.Store, in io.Reader, now unit.Instant) error {
	done, err := books.PartImport{Name: c.File, Dry: c.DryRun}.Read(ctx, s, in, now, c.Author)
	if err != nil {
		return err
	}
	did := "recorded"
	if c.DryRun {
		did = "nothing was recorded; it would be"
		for _, k := range done.Kinds {
			fmt.Printf("new\tkind %s\t%s\n", k.ID, k.Name)
		}
		for _, l := range done.Lots {
			fmt.Printf("new\t%d of %s\t%s, grade %s\t%s\n", l.Quantity, l.Kind, l.Condition, l.Grade, l.Place)
		}
	}
	fmt.Printf("%s: new kinds %d, new lots %d, lots as they are %d\n", did, len(done.Kinds), len(done.Lots), done.Same)
	return nil
}

func printImported(done *books.Imported, dry bool) {
	for i := range done.Changes {
		c := &done.Changes[i]
		if !dry {
			break
		}
		state, was := "new", ""
		if c.Before != "" {
			state, was = "changed", fmt.Sprintf("\twas %s", c.Before)
		}
		fmt.Printf("%s\t%s\t%s\t%s\t%s%s\n", state, c.Subject, c.Name, c.Value, fact.Since(c.From), was)
	}
	for _, id := range done.Enrolled {
		if dry {
			fmt.Printf("new\tstation %s is enrolled\n", id)
		}
	}
	did := "recorded"
	if dry {
		did = "nothing was recorded; it would be"
	}
	fmt.Printf("%s: new %d, changed %d, same %d, stations enrolled %d\n", did, done.New, done.Changed, done.Same, len(done.Enrolled))
	if len(done.Ignored) > 0 {
		fmt.Fprintf(os.Stderr, "Columns that are not read: %v; who records it now is the author.\n", done.Ignored)
	}
	if dry {
		return
	}
	for _, id := range done.Enrolled {
		fmt.Printf("what its agent needs: dewpost station enrol %s\n", id)
	}
}
