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
	"dewpost/collector/notify"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/unit"
)

type messageCmd struct {
	List messageListCmd `cmd:"" help:"List what was told to whom, and what is on its way, the newest first."`
	Test messageTestCmd `cmd:"" help:"See whether messages reach somebody: send one by each of their channels."`
}

type messageListCmd struct {
	inStore
	Limit int  `default:"50" help:"How many at most."`
	JSON  bool `name:"json" help:"One JSON object."`
}

// Run lists what was told.
func (c *messageListCmd) Run(ctx context.Context) error {
	if c.Limit < 1 || c.Limit > 10_000 {
		return usageError{books.Error{Field: "--limit", Value: fmt.Sprint(c.Limit), Fix: "write 1 to 10000"}}
	}
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		list, err := s.Told(ctx, c.Limit)
		if err != nil {
			return err
		}
		if c.JSON {
			return json.NewEncoder(os.Stdout).Encode(books.ToldJSON(list))
		}
		for i := range list {
			t := &list[i]
			fmt.Printf("%s\t%s\t%s\t%s\t%s\n", t.Created, t.Name, t.Way, t.Event, books.DeliveryState(&t.Delivery))
		}
		return nil
	})
}

type messageTestCmd struct {
	inStore
	Person string `arg:"" help:"The person's name."`
	Outbox bool   `help:"Leave it to the collector, as it does with what it finds, instead of sending it from here."`
}

// errNotTaken ends a test that not every channel has taken.
var errNotTaken = errors.New("not every channel has taken it")

// Run sends a message.
func (c *messageTestCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, cfg collector.Config) error {
		p, err := books.NewPeople(s).Named(ctx, c.Person)
		if err != nil {
			return err
		}
		if len(p.Channels) == 0 {
			return books.Error{Field: "person", Value: p.Name, Fix: "there is no channel to them: dewpost person set NAME --channel mail:ADDRESS"}
		}
		now, nonce := unit.At(time.Now()), strings.ToLower(rand.Text())
		if c.Outbox {
			return leave(ctx, s, &p, nonce, now)
		}
		ways, err := cfg.Ways()
		if err != nil {
			return err
		}
		return try(ctx, ways, &p, nonce, now)
	})
}

func leave(ctx context.Context, s *store.Store, p *record.Person, nonce string, now unit.Instant) error {
	for i, ch := range p.Channels {
		n, d, err := notify.Trial(p, i, nonce, now)
		if err != nil {
			return err
		}
		if err := s.AddNotice(ctx, n, []record.Delivery{d}); err != nil {
			return err
		}
		fmt.Printf("%s\tleft to the collector: dewpost message list tells what became of it\n", books.ChannelText(ch))
	}
	return nil
}

// tryFor is how long one channel may take.
const tryFor = 30 * time.Second

func try(ctx context.Context, ways map[record.ChannelKind]notify.Way, p *record.Person, nonce string, now unit.Instant) error {
	var failed error
	for _, ch := range p.Channels {
		err := errors.New("the config sets up no such channel: deploy/dewpost.toml shows how")
		if ch.Kind == record.MQTT {
			err = errors.New("the collector's own connection takes it: use --outbox")
		} else if way, ok := ways[ch.Kind]; ok {
			one, cancel := context.WithTimeout(ctx, tryFor)
			err = way.Send(one, ch, notify.TrialParcel(p, nonce, now))
			cancel()
		}
		says := "taken"
		if err != nil {
			says, failed = "not taken: "+err.Error(), errNotTaken
		}
		fmt.Printf("%s\t%s\n", books.ChannelText(ch), says)
	}
	return failed
}
