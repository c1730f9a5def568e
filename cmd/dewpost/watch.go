package main

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"dewpost/collector"
	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/unit"
)

type watchCmd struct {
	Add    watchAddCmd    `cmd:"" help:"Watch another installation: it calls here every minute, and people are told when it does not."`
	List   watchListCmd   `cmd:"" help:"List the installations that are watched."`
	Remove watchRemoveCmd `cmd:"" help:"Watch an installation no more."`
}

type watchAddCmd struct {
	inStore
	Name  string        `arg:"" help:"What it is called here."`
	Every time.Duration `default:"1m" help:"How often it calls: its watch.every. One call may be left out; then people are told."`
}

// Run makes the key by which it calls, and says where.
func (c *watchAddCmd) Run(ctx context.Context) error {
	if err := books.CheckWatched(c.Name, c.Every); err != nil {
		return err
	}
	return c.with(ctx, func(s *store.Store, cfg collector.Config) error {
		key := strings.ToLower(rand.Text())
		err := s.AddWatched(ctx, record.WatchedPeer{Name: c.Name, Every: c.Every, Made: unit.At(time.Now())}, books.WatchedHash(key), c.Author)
		if errors.Is(err, record.ErrTaken) {
			return books.Error{Field: "name", Value: c.Name, Fix: "one of that name is watched already: take another"}
		}
		if err != nil {
			return err
		}
		fmt.Printf("Write into the config of %s, in [watch]; nobody can see it again:\ncall = %q\n", c.Name, cfg.WatchedURL(key))
		return nil
	})
}

type watchListCmd struct {
	inStore
	JSON bool `name:"json" help:"One JSON object."`
}

// Run lists who is watched.
func (c *watchListCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		list, err := s.WatchedPeers(ctx)
		if err != nil {
			return err
		}
		if c.JSON {
			return json.NewEncoder(os.Stdout).Encode(books.WatchedJSON(list))
		}
		for _, p := range list {
			heard, state := "never called", "sound"
			if p.Heard != 0 {
				heard = "called " + p.Heard.String()
			}
			if p.Silent != 0 {
				state = "silent since " + p.Silent.String()
			}
			fmt.Printf("%s\tevery %s\t%s\t%s\n", p.Name, p.Every, heard, state)
		}
		return nil
	})
}

type watchRemoveCmd struct {
	inStore
	Name string `arg:"" help:"Its name."`
}

// Run ends it.
func (c *watchRemoveCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		return s.RemoveWatched(ctx, c.Name, unit.At(time.Now()), c.Author)
	})
}
