package main

import (
	"context"
	"fmt"
	"os"
	"time"

	"dewpost/collector/store"
	"dewpost/rules/unit"
)

type moveCmd struct {
	From   string `required:"" placeholder:"STORE" help:"File or postgres:// URL of the store. Its collector may be at work: it ends when all is moved."`
	To     string `required:"" placeholder:"STORE" help:"New file, or URL of an empty database."`
	Author string `default:"workshop" help:"Who says so, for the record."`
}

// Run moves a store.
func (c *moveCmd) Run(ctx context.Context) error {
	m, err := store.Move(ctx, c.From, c.To, unit.At(time.Now()), c.Author, func(what string) { fmt.Fprintln(os.Stderr, what) })
	if err != nil {
		return err
	}
	fmt.Printf("moved, and compared row by row: %d rows, of which %d changed meanwhile, SHA-256 %s\n", m.Rows, m.Changed, m.SHA256)
	fmt.Printf("  stations %d, readings %d\n", m.Stations, m.Readings)
	fmt.Printf("  ledger hours %d, their SHA-256 %s\n", m.Hours, m.Ledger)
	fmt.Println("Name the new place in the config and start the collector again; agents send what has no receipt. The old store is kept as it was, and nothing is written to it any more.")
	return nil
}
