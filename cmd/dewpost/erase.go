package main

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"slices"
	"strconv"
	"time"

	"dewpost/collector"
	"dewpost/collector/books"
	"dewpost/collector/store"
	"dewpost/rules/unit"
)

type eraseCmd struct {
	Owner  eraseOwnerCmd  `cmd:"" help:"Erase an owner: delete what is known of them, take their name out of everything, and off the disk. Their stations stay, and belong to nobody. What is erased can't be brought back."`
	Finish eraseFinishCmd `cmd:"" help:"Take off the disk what an erasure that could not be finished left there."`
	List   eraseListCmd   `cmd:"" help:"List erasures: whose id, when, by whom."`
}

type eraseOwnerCmd struct {
	inStore
	ID       string   `arg:"" help:"The owner's id."`
	Confirm  string   `placeholder:"ID" help:"The owner's id once more."`
	DryRun   bool     `help:"Change nothing: list every place where the owner is named, and what would stand there."`
	Also     []string `sep:"none" placeholder:"TEXT" help:"What else they are known by, such as a nickname or another spelling. Repeatable."`
	KeepWord []string `sep:"none" placeholder:"WORD" help:"A word of the name that is also a common word: it is searched only where the whole name stands. Repeatable."`
	KeepID   []string `name:"keep-id" sep:"none" placeholder:"ID" help:"A station, account or other thing whose name holds a word of the owner's and has nothing to do with them. Repeatable."`
	JSON     bool     `name:"json" help:"One JSON object."`
}

// Run erases the owner.
func (c *eraseOwnerCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		r, err := books.Erase{
			Owner: c.ID, Confirm: c.Confirm, Also: c.Also, Keep: c.KeepWord, KeepIDs: c.KeepID, Dry: c.DryRun,
		}.Do(ctx, s, unit.At(time.Now()), c.Author)
		if r.At == 0 {
			return err
		}
		if c.JSON {
			if e := json.NewEncoder(os.Stdout).Encode(r.JSON()); e != nil {
				return e
			}
		} else {
			printErased(&r, c.DryRun)
		}
		if err != nil {
			return fmt.Errorf("erased, but not off the disk yet: %w: run dewpost erase finish", err)
		}
		return nil
	})
}

func printErased(r *books.EraseReport, dry bool) {
	for _, t := range r.Traces {
		before, after := "", "deleted"
		if dry { // afterwards nobody needs to read it again
			before = strconv.Quote(t.Before) + "\t"
		}
		if t.After != "" {
			after = strconv.Quote(t.After)
		}
		fmt.Printf("%s\t%s\t%d\t%s%s\n", t.Table, t.Column, t.Rows, before, after)
	}
	for _, id := range slices.Sorted(maps.Keys(r.Renamed)) {
		if dry {
			fmt.Printf("%s becomes %s\n", id, r.Renamed[id])
		} else {
			fmt.Printf("there is a new id: %s\n", r.Renamed[id])
		}
	}
	done := "erased"
	if dry {
		done = "nothing was changed; it would be erased"
	}
	fmt.Printf("%s: owner %s, %d facts deleted, %d texts changed\n", done, r.Owner, r.Facts, r.Changed)
	for _, text := range r.Advice() {
		fmt.Fprintln(os.Stderr, text)
	}
}

type eraseFinishCmd struct{ inStore }

// Run finishes erasures.
func (c *eraseFinishCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		n, err := books.FinishErasing(ctx, s, unit.At(time.Now()))
		if err == nil {
			fmt.Printf("finished %d\n", n)
		}
		return err
	})
}

type eraseListCmd struct {
	inStore
	JSON bool `name:"json" help:"One JSON object."`
}

// Run lists erasures.
func (c *eraseListCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		list, err := s.Erasures(ctx)
		if err != nil {
			return err
		}
		if c.JSON {
			return json.NewEncoder(os.Stdout).Encode(books.ErasuresJSON(list))
		}
		for _, e := range list {
			state := "off the disk " + e.Finished.String()
			if e.Finished == 0 {
				state = "not off the disk yet: run dewpost erase finish"
			}
			fmt.Printf("%d\towner %s\t%s\tby %s\t%s\n", e.Number, e.Owner, e.At, e.Author, state)
		}
		return nil
	})
}
