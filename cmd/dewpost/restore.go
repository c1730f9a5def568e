package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"text/tabwriter"
	"time"

	"dewpost/collector/backup"
	"dewpost/collector/record"
	"dewpost/rules/fact"
)

type restoreCmd struct {
	ofStore
	File    string `arg:"" optional:"" name:"FILE" help:"The backup to put in the place of the store. A store that is there is moved aside."`
	Salvage string `placeholder:"OLD" help:"Put no backup back: take over what the old store OLD has and this one has not. The collector may run meanwhile."`
	Author  string `default:"workshop" help:"Who says so, for the record."`
}

// Run puts a backup back, or takes over what an old store has.
func (c *restoreCmd) Run(ctx context.Context) error {
	if (c.File == "") == (c.Salvage == "") {
		return usageError{errors.New("write either a backup FILE or --salvage OLD")}
	}
	path, err := c.path()
	if err != nil {
		return err
	}
	if c.Salvage != "" {
		return c.salvage(ctx, path)
	}
	r, err := backup.Restore(ctx, c.File, path, time.Now())
	if err != nil {
		return err
	}
	printFile("verified "+c.File, r.From)
	if r.Aside != "" {
		fmt.Println("moved the store that was there to", r.Aside)
	}
	fmt.Printf("restored %s; what people recorded later than that (stations, secrets, facts, accounts, what was done) is not in it\n", path)
	fmt.Print("Everybody has to sign in again. What was taken away later than that is good again: compare dewpost station list, account list and token list. Owners who were erased later than that are named again: erase them once more, with --also.\n\n")
	return printAtRisk(r)
}

// printAtRisk says what of the readings that the lost collector receipted is
// not in the backup.
func printAtRisk(r backup.Restored) error {
	if r.Aside != "" && r.Unread == nil {
		if len(r.Beyond) == 0 {
			fmt.Println("The store that was there holds no reading that the backup has not: none is lost.")
			return nil
		}
		fmt.Printf("At risk: the store that was there holds these, received after %s, and the backup does not:\n", r.From.Made)
		if err := printBeyond(r.Beyond); err != nil {
			return err
		}
		fmt.Printf("Take them over with: dewpost restore --salvage %s\n", r.Aside)
		return nil
	}
	if r.Unread != nil {
		fmt.Printf("The store that was there can't be read: %v.\n", r.Unread)
	}
	fmt.Printf("At risk: readings received from %s until the lost collector stopped. It receipted them, so agents may\n", r.From.Made)
	fmt.Println("have deleted them; what they still have comes by itself. When they have connected, dewpost doctor lists what is missing.")
	return nil
}

func printBeyond(list []record.Beyond) error {
	out := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', 0)
	var all record.Beyond
	for _, b := range list {
		if b.Readings > 0 {
			fmt.Fprintf(out, "  %s\t%d readings\tfrom %s\tto %s\n", b.Station, b.Readings, b.First, b.Last)
		}
		if b.Refused > 0 {
			fmt.Fprintf(out, "  %s\t%d refused\tin quarantine\n", b.Station, b.Refused)
		}
		if b.Damaged > 0 {
			fmt.Fprintf(out, "  %s\t%d batches\tthat can't be read\n", b.Station, b.Damaged)
		}
		all.Readings += b.Readings
		all.Refused += b.Refused
	}
	fmt.Fprintf(out, "  in all\t%d readings\tand %d refused\n", all.Readings, all.Refused)
	return out.Flush()
}

func (c *restoreCmd) salvage(ctx context.Context, path string) error {
	out, err := backup.Salvage(ctx, c.Salvage, path, time.Now(), c.Author)
	if err != nil {
		return err
	}
	for _, id := range out.Stations {
		fmt.Printf("enrolled %s again, with the secret that it had\n", id)
	}
	for _, id := range out.Retired {
		fmt.Printf("retired %s, as it was\n", id)
	}
	for _, id := range out.Secrets {
		fmt.Printf("the secret that %s had or was to get is good too, as in dewpost station rotate %s\n", id, id)
	}
	if out.Facts > 0 {
		fmt.Printf("recorded %d facts\n", out.Facts)
	}
	for _, f := range out.Refused {
		fmt.Printf("left out: %s: %s=%s, %s, which can't be true together with what was recorded since\n", f.Subject, f.Name, f.Value, fact.Since(f.From))
	}
	if len(out.Beyond) == 0 {
		fmt.Println("there are no readings to take over")
		return nil
	}
	fmt.Println("took over:")
	return printBeyond(out.Beyond)
}
