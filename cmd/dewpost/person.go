package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"dewpost/collector"
	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/finding"
	"dewpost/rules/unit"
)

type personCmd struct {
	Add    personAddCmd    `cmd:"" help:"Somebody who is told: by which channels, when not, and what."`
	Set    personSetCmd    `cmd:"" help:"Change how somebody is told."`
	List   personListCmd   `cmd:"" help:"List who is told, in the order in which messages are passed on."`
	Remove personRemoveCmd `cmd:"" help:"Tell somebody nothing any more."`
}

// personFlags are what can be said of somebody who is told. What isn't given
// stays as it is.
type personFlags struct {
	Channel []string       `sep:"none" placeholder:"CHANNEL" help:"A way to them: mail:ADDRESS, webhook:URL or mqtt:TOPIC. Several, in the order in which they are tried."`
	Zone    string         `placeholder:"ZONE" help:"IANA time zone of the times below, as in Europe/Berlin. Default: that of most sites, else UTC."`
	Rest    *string        `placeholder:"FROM-TO" help:"Night rest, which only urgent messages break, as in 22:00-07:00, which is the default; none for none."`
	Letter  *string        `placeholder:"TIME" help:"When the morning letter goes out; none for none. Default: 07:00."`
	AtOnce  string         `enum:"all,urgent,letter," default:"" placeholder:"WHAT" help:"What goes to them at once: all, urgent, or letter for only the morning letter. Default: all."`
	PassOn  *time.Duration `placeholder:"DUR" help:"An urgent message that nobody has seen for so long after they got it goes to the next person, if there is one; 0s for never. Default: 2h."`
	Site    []string       `placeholder:"ID" help:"Only messages of these sites; none for all."`
	Kind    []string       `placeholder:"KIND" help:"Only findings of these kinds; none for all."`
	Place   int64          `placeholder:"N" help:"Their place in the order in which messages are passed on, from 1."`
}

func (f *personFlags) apply(p *record.Person) error {
	if f.Zone != "" {
		p.Zone = f.Zone
	}
	if f.Rest != nil {
		p.RestFrom, p.RestTo = "", ""
		if *f.Rest != "none" {
			var ok bool
			if p.RestFrom, p.RestTo, ok = strings.Cut(*f.Rest, "-"); !ok {
				return usageError{books.Error{Field: "--rest", Value: *f.Rest, Fix: "write two times, as in 22:00-07:00, or none"}}
			}
		}
	}
	if f.Letter != nil {
		if p.Letter = *f.Letter; p.Letter == "none" {
			p.Letter = ""
		}
	}
	if f.AtOnce != "" {
		p.Least = record.Least(f.AtOnce)
	}
	if f.PassOn != nil {
		p.PassOn = *f.PassOn
	}
	if f.Place != 0 {
		p.Place = f.Place
	}
	if len(f.Site) > 0 {
		p.Sites = allIfNone(f.Site)
	}
	if len(f.Kind) > 0 {
		p.Kinds = nil
		for _, kind := range allIfNone(f.Kind) {
			p.Kinds = append(p.Kinds, finding.Kind(kind))
		}
	}
	if len(f.Channel) == 0 {
		return nil
	}
	before := p.Channels
	p.Channels = nil
	for _, text := range f.Channel {
		c, err := books.ParseChannel(text)
		if err != nil {
			return err
		}
		if i := slices.IndexFunc(before, func(b record.Channel) bool { return b.Kind == c.Kind && b.Address == c.Address }); i >= 0 {
			c = before[i] // with its secret
		}
		p.Channels = append(p.Channels, c)
	}
	return nil
}

func allIfNone(list []string) []string {
	if slices.Equal(list, []string{"none"}) {
		return nil
	}
	return list
}

type personAddCmd struct {
	inStore
	Name string `arg:"" help:"What the person is called."`
	personFlags
}

// Run adds somebody.
func (c *personAddCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		people := books.NewPeople(s)
		zone, err := people.CommonZone(ctx, unit.At(time.Now()))
		if err != nil {
			return err
		}
		p := books.NewPerson(c.Name, zone)
		if err := c.apply(&p); err != nil {
			return err
		}
		q, err := people.Put(ctx, p, unit.At(time.Now()), c.Author)
		if err != nil {
			return err
		}
		printSecrets(&q, nil)
		if c.Zone == "" && zone == books.NoZone {
			fmt.Fprintf(os.Stderr, "No site says its time zone, so rest and letter of %s are by UTC: dewpost person set '%s' --zone Europe/Berlin, or another, puts that right.\n", q.Name, q.Name)
		}
		return nil
	})
}

// printSecrets prints the keys that sign what goes to new webhooks: the receiver
// wants them.
func printSecrets(p *record.Person, before []record.Channel) {
	for _, c := range p.Channels {
		if c.Secret != "" && !slices.Contains(before, c) {
			fmt.Printf("%s is signed with %s: give it to the receiver\n", c.Address, c.Secret)
		}
	}
}

type personSetCmd struct {
	inStore
	Name   string `arg:"" help:"The person's name."`
	Rename string `placeholder:"NAME" help:"Another name."`
	personFlags
}

// Run changes somebody.
func (c *personSetCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		people := books.NewPeople(s)
		p, err := people.Named(ctx, c.Name)
		if err != nil {
			return err
		}
		before := p.Channels
		if err := c.apply(&p); err != nil {
			return err
		}
		if c.Rename != "" {
			p.Name = c.Rename
		}
		q, err := people.Put(ctx, p, unit.At(time.Now()), c.Author)
		if err != nil {
			return err
		}
		printSecrets(&q, before)
		return nil
	})
}

type personListCmd struct {
	inStore
	JSON bool `name:"json" help:"One JSON object."`
}

// Run lists who is told.
func (c *personListCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		list, err := books.NewPeople(s).List(ctx)
		if err != nil {
			return err
		}
		if c.JSON {
			return json.NewEncoder(os.Stdout).Encode(books.PeopleJSON(list))
		}
		if len(list) == 0 {
			fmt.Println("Nobody is told of anything: dewpost person add NAME --channel mail:ADDRESS")
		}
		for i := range list {
			fmt.Println(personLine(&list[i]))
		}
		return nil
	})
}

func personLine(p *record.Person) string {
	words := []string{fmt.Sprintf("%d %s", p.Place, p.Name)}
	for _, c := range p.Channels {
		words = append(words, books.ChannelText(c))
	}
	if len(p.Channels) == 0 {
		words = append(words, "no channel: nothing reaches them")
	}
	words = append(words, "at once "+string(p.Least))
	if p.Letter != "" {
		words = append(words, "letter "+p.Letter)
	}
	if p.RestFrom != "" {
		words = append(words, "rest "+p.RestFrom+"-"+p.RestTo)
	}
	words = append(words, p.Zone)
	if p.PassOn != 0 {
		words = append(words, "passed on after "+p.PassOn.String())
	}
	if len(p.Sites) > 0 {
		words = append(words, "sites "+strings.Join(p.Sites, ","))
	}
	for _, kind := range p.Kinds {
		words = append(words, string(kind))
	}
	return strings.Join(words, "\t")
}

type personRemoveCmd struct {
	inStore
	Name string `arg:"" help:"The person's name."`
}

// Run removes somebody.
func (c *personRemoveCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		return books.NewPeople(s).Remove(ctx, c.Name, unit.At(time.Now()), c.Author)
	})
}
