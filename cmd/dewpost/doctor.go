package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"time"

	"dewpost/collector"
	"dewpost/collector/doctor"
)

type doctorCmd struct {
	Config string `short:"c" placeholder:"FILE" help:"The collector's config file. Default: dewpost.toml in this directory or /etc/dewpost, if there is one."`
	JSON   bool   `name:"json" help:"Print one JSON object."`
}

// errTodo ends a doctor's visit after which a person should act.
var errTodo = errors.New("a person should act")

// Run looks at the installation.
func (c *doctorCmd) Run(ctx context.Context) error {
	var r doctor.Report
	if cfg, err := readConfig(c.Config); err != nil {
		r = doctor.Unreadable(err)
	} else {
		r = collector.Examine(ctx, cfg, time.Now())
	}
	if c.JSON {
		if err := json.NewEncoder(os.Stdout).Encode(r); err != nil {
			return err
		}
	} else {
		printReport(r)
	}
	if len(r.Todo) > 0 {
		return errTodo
	}
	return nil
}

func printReport(r doctor.Report) {
	for _, part := range []struct {
		title string
		lines []doctor.Line
	}{{"For you to do:", r.Todo}, {"To know:", r.Know}, {"In order:", r.Fine}} {
		if len(part.lines) == 0 {
			continue
		}
		fmt.Println(part.title)
		for _, l := range part.lines {
			fmt.Printf("  %-12s %s\n", l.About, l.Says)
			if l.Fix != "" {
				fmt.Printf("  %-12s → %s\n", "", l.Fix)
			}
		}
	}
}
