package main

import (
	"context"
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
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// factFlags are facts given on the command line.
type factFlags struct {
	Facts []string `arg:"" optional:"" name:"NAME=VALUE" sep:"none" help:"Facts, as in name=\"Lake 07\" or max_gap=90m. A reference ends with none, as in line=none."`
	From  string   `placeholder:"TIME" help:"Since when they hold: a date, which begins at midnight UTC, RFC 3339, or always. Default: always, but where another value holds it must be said."`
}

func (c *factFlags) said() ([]books.Said, error) {
	from, err := books.ParseSince("--from", c.From)
	if err != nil {
		return nil, usageError{err}
	}
	var out []books.Said
	for _, f := range c.Facts {
		name, value, ok := strings.Cut(f, "=")
		if !ok {
			return nil, usageError{fmt.Errorf("fact %q: write NAME=VALUE", f)}
		}
		out = append(out, books.Said{Name: name, Value: value, From: from, Undated: c.From == ""})
	}
	return out, nil
}

// facts are for who records them with something else.
func (c *factFlags) facts(subject fact.Subject, author string) ([]fact.Fact, error) {
	said, err := c.said()
	if err != nil {
		return nil, err
	}
	var out []fact.Fact
	for _, f := range said {
		out = append(out, fact.Fact{Subject: subject, Name: f.Name, From: f.From, Value: f.Value, Author: author, Recorded: unit.At(time.Now())})
	}
	return out, nil
}

// add writes down a new subject.
func (c *factFlags) add(ctx context.Context, in *inStore, subject fact.Subject) error {
	return c.record(ctx, in, subject, books.AddSubject)
}

// set records facts about a subject that is in the books.
func (c *factFlags) set(ctx context.Context, in *inStore, subject fact.Subject) error {
	return c.record(ctx, in, subject, books.Say)
}

func (c *factFlags) record(ctx context.Context, in *inStore, subject fact.Subject,
	write func(context.Context, books.FactStore, fact.Subject, []books.Said, unit.Instant, string) error,
) error {
	said, err := c.said()
	if err == nil && len(said) == 0 {
		err = usageError{errors.New("no fact given: write at least one NAME=VALUE; known are " + strings.Join(fact.Names(subject.Kind), ", "))}
	}
	if err != nil {
		return err
	}
	return in.with(ctx, func(s *store.Store, _ collector.Config) error {
		if err := write(ctx, s, subject, said, unit.At(time.Now()), in.Author); err != nil {
			return fmt.Errorf("%s: %w", subject, err)
		}
		var frozen []record.Frozen
		for _, f := range said {
			reached, err := s.FrozenBehind(ctx, fact.Fact{Subject: subject, Name: f.Name, From: f.From, Value: f.Value})
			if err != nil {
				return err
			}
			frozen = append(frozen, reached...)
		}
		noteFrozen(frozen)
		for _, f := range said {
			if f.From > unit.At(time.Now()) {
				fmt.Fprintf(os.Stderr, "%s %q holds from %s on, which lies ahead; till then it is as it was.\n", f.Name, f.Value, f.From)
			}
		}
		return nil
	})
}

// showFlags say what of a subject is shown.
type showFlags struct {
	History bool   `help:"All that was ever recorded, with who recorded it and when."`
	At      string `placeholder:"TIME" help:"What held then: a date, for midnight UTC, or RFC 3339. Default: now."`
	JSON    bool   `name:"json" help:"One JSON object."`
}

func (c *showFlags) show(ctx context.Context, in *inStore, subject fact.Subject) error {
	at, err := instantFlag("--at", c.At)
	if err != nil {
		return err
	}
	return in.with(ctx, func(s *store.Store, _ collector.Config) error {
		about, err := books.About(ctx, s, subject)
		if err != nil {
			return err
		}
		list := about.Present(at)
		if c.History {
			list = about.History(at)
		}
		if c.JSON {
			return json.NewEncoder(os.Stdout).Encode(struct {
				Kind    string            `json:"kind"`
				ID      string            `json:"id"`
				At      unit.Instant      `json:"at"`
				Retired *unit.Instant     `json:"retired,omitempty"`
				Facts   []books.Statement `json:"facts"`
			}{subject.Kind, subject.ID, at, retiredOrNil(about.Retired), list})
		}
		for i := range list {
			f := &list[i]
			fmt.Printf("%s\t%s\tsince %s", f.Name, f.Value, f.Since())
			if c.History {
				fmt.Printf("\tby %s, %s", f.Author, f.Recorded)
			}
			fmt.Println()
		}
		if about.Retired != 0 {
			fmt.Printf("retired\t%s\n", about.Retired)
		}
		return nil
	})
}

func retiredOrNil(t unit.Instant) *unit.Instant {
	if t == 0 {
		return nil
	}
	return &t
}

// instantFlag reads a time; now when none is given.
func instantFlag(name, text string) (unit.Instant, error) {
	if text == "" {
		return unit.At(time.Now()), nil
	}
	at, err := books.ParseInstant(name, text)
	if err != nil {
		return 0, usageError{err}
	}
	return at, nil
}

// listFlags say how subjects are listed.
type listFlags struct {
	At   string `placeholder:"TIME" help:"By what held then: a date, for midnight UTC, or RFC 3339. Default: now."`
	JSON bool   `name:"json" help:"One JSON object."`
}

// list prints each subject of a kind with the facts named.
func (c *listFlags) list(ctx context.Context, in *inStore, kind string, names ...string) error {
	at, err := instantFlag("--at", c.At)
	if err != nil {
		return err
	}
	return in.with(ctx, func(s *store.Store, _ collector.Config) error {
		all, err := books.All(ctx, s, kind)
		if err != nil {
			return err
		}
		if c.JSON {
			return json.NewEncoder(os.Stdout).Encode(entries(all, at))
		}
		for _, subject := range all {
			values := subject.Values(at)
			fmt.Print(subject.ID)
			for _, name := range names {
				fmt.Print("\t", values[name])
			}
			fmt.Println()
		}
		return nil
	})
}

type entryJSON struct {
	ID      string            `json:"id"`
	Retired *unit.Instant     `json:"retired,omitempty"`
	Facts   map[string]string `json:"facts"`
}

type entriesJSON struct {
	Items []entryJSON `json:"items"`
}

func entries(all []books.Subject, at unit.Instant) entriesJSON {
	out := entriesJSON{Items: make([]entryJSON, 0, len(all))}
	for _, subject := range all {
		out.Items = append(out.Items, entryJSON{subject.ID, retiredOrNil(subject.Retired), subject.Values(at)})
	}
	return out
}
