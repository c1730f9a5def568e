package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"dewpost/collector"
	"dewpost/collector/store"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// inStore is what commands on the store have in common.
type inStore struct {
	Config string `short:"c" placeholder:"FILE" help:"The collector's config file, for the path of its store. Default: dewpost.toml in this directory, if there is one."`
	Author string `default:"workshop" help:"Who says so, for the record."`
}

func (c *inStore) open(ctx context.Context) (*store.Store, collector.Config, error) {
	cfg, err := readConfig(c.Config)
	if err != nil {
		return nil, cfg, err
	}
	where, err := cfg.Store.Where()
	if err != nil {
		return nil, cfg, err
	}
	s, err := store.Open(ctx, where)
	return s, cfg, err
}

// with opens the store for f.
func (c *inStore) with(ctx context.Context, f func(*store.Store, collector.Config) error) error {
	s, cfg, err := c.open(ctx)
	if err != nil {
		return err
	}
	if err := f(s, cfg); err != nil {
		_ = s.Close() // f's error is the one to tell
		return err
	}
	return s.Close()
}

// factFlags are facts given on the command line.
type factFlags struct {
	Facts []string `arg:"" optional:"" name:"NAME=VALUE" sep:"none" help:"Facts, as in name=\"Lake 07\" or max_gap=90m."`
	From  string   `placeholder:"TIME" help:"Since when they hold, in RFC 3339. Default: always."`
}

// some is parse for commands that do nothing else.
func (c *factFlags) some(subject fact.Subject, author string) ([]fact.Fact, error) {
	if len(c.Facts) == 0 {
		return nil, usageError{errors.New("no fact given: write at least one NAME=VALUE")}
	}
	return c.parse(subject, author)
}

func (c *factFlags) parse(subject fact.Subject, author string) ([]fact.Fact, error) {
	from := fact.Always
	if c.From != "" {
		t, err := time.Parse(time.RFC3339, c.From)
		if err != nil {
			return nil, usageError{fmt.Errorf("--from %q: write RFC 3339, as in 2025-05-14T09:00:00Z", c.From)}
		}
		from = unit.At(t)
	}
	var out []fact.Fact
	for _, f := range c.Facts {
		name, value, ok := strings.Cut(f, "=")
		if !ok {
			return nil, usageError{fmt.Errorf("fact %q: write NAME=VALUE", f)}
		}
		said := fact.Fact{Subject: subject, Name: name, From: from, Value: value, Author: author, Recorded: unit.At(time.Now())}
		if err := fact.Validate(said); err != nil {
			return nil, usageError{err}
		}
		out = append(out, said)
	}
	return out, nil
}

type stationCmd struct {
	Add    stationAddCmd    `cmd:"" help:"Enrol a station: make its secret, record facts, write what its agent needs."`
	Set    stationSetCmd    `cmd:"" help:"Record facts about a station."`
	List   stationListCmd   `cmd:"" help:"List stations."`
	Show   stationShowCmd   `cmd:"" help:"Show a station's facts."`
	Enrol  stationEnrolCmd  `cmd:"" help:"Write what a station's agent needs once more."`
	Rotate stationRotateCmd `cmd:"" help:"Change a station's secret without losing a reading."`
	Retire stationRetireCmd `cmd:"" help:"Take a station out of service: its readings, and at the embedded broker its connections and its password, are refused from then on."`
}

// bundleFlags say where the bundle goes.
type bundleFlags struct {
	Out string `placeholder:"DIR" xor:"to" help:"New folder for what the agent needs. Default: the station's id."`
	QR  bool   `name:"qr" xor:"to" help:"Show all of it once, as a QR code for dewpost-agent enrol, and write no files. Whoever sees it can speak for the station."`
}

type stationAddCmd struct {
	inStore
	ID string `arg:"" help:"Short id: a-z, 0-9 and -."`
	bundleFlags
	factFlags
}

// Run enrols the station.
func (c *stationAddCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, cfg collector.Config) error {
		facts, err := c.parse(fact.Subject{Kind: fact.KindStation, ID: c.ID}, c.Author)
		if err != nil {
			return err
		}
		if err := collector.Enrol(ctx, s, c.ID, facts, time.Now(), c.Author); err != nil {
			return err
		}
		return c.give(ctx, s, cfg, c.ID, false)
	})
}

type stationEnrolCmd struct {
	inStore
	ID string `arg:"" help:"The station's id."`
	bundleFlags
}

// Run writes the bundle.
func (c *stationEnrolCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, cfg collector.Config) error {
		return c.give(ctx, s, cfg, c.ID, false)
	})
}

// give writes or shows what a station's agent needs; with next, that with the
// secret that is to follow.
func (c *bundleFlags) give(ctx context.Context, s *store.Store, cfg collector.Config, id string, next bool) error {
	b, err := collector.Bundle(ctx, s, cfg, id, next, time.Now())
	if err != nil {
		return err
	}
	if c.QR {
		text, err := b.Text()
		if err != nil {
			return err
		}
		if cfg.Broker.URL != "" {
			again := "enrol"
			if next {
				again = "rotate"
			}
			fmt.Fprintf(os.Stderr, "The broker must know its password, which dewpost station %s %s --out DIR writes.\n", again, id)
		}
		return showQR(os.Stdout, text)
	}
	dir := c.Out
	if dir == "" && next {
		dir = id + "-next"
	} else if dir == "" {
		dir = id
	}
	files, err := collector.WriteBundle(b, cfg, dir)
	if err != nil {
		return err
	}
	for _, f := range files {
		fmt.Println(f)
	}
	if cfg.Broker.URL != "" {
		fmt.Printf("Let the broker know it, as in: umask 077; (printf %s:; cat %s) >new && mosquitto_passwd -U new && cat new >>PASSWORDS && rm new; it is not needed at the station.\n", id, filepath.Join(dir, id+".password"))
	}
	return nil
}

type stationRotateCmd struct {
	inStore
	ID string `arg:"" help:"The station's id."`
	bundleFlags
	Finish  bool `xor:"to" help:"Make the old secret worthless. Needed with an external broker only: at the embedded one the station's first login with the new secret does it."`
	Abandon bool `xor:"to" help:"Take the new secret back; the old one stays."`
}

// Run begins, finishes or abandons the change of the station's secret.
func (c *stationRotateCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, cfg collector.Config) error {
		now := time.Now()
		switch {
		case c.Abandon:
			return s.AbandonSecret(ctx, c.ID, unit.At(now), c.Author)
		case c.Finish:
			st, err := s.Station(ctx, c.ID)
			if err != nil {
				return err
			}
			return s.FinishSecret(ctx, st, unit.At(now), c.Author)
		}
		if err := collector.BeginSecret(ctx, s, c.ID, now, c.Author); err != nil {
			return err
		}
		if err := c.give(ctx, s, cfg, c.ID, true); err != nil {
			return err
		}
		if c.QR {
			return nil
		}
		fmt.Printf("At the station, put the new %s.secret in the place of the old one; the agent takes it within ten minutes.\n", c.ID)
		if cfg.Broker.URL != "" {
			fmt.Printf("When the station has come back: dewpost station rotate %s --finish\n", c.ID)
		}
		return nil
	})
}

type stationSetCmd struct {
	inStore
	ID string `arg:"" help:"The station's id."`
	factFlags
}

// Run records the facts.
func (c *stationSetCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		if _, err := s.Station(ctx, c.ID); err != nil {
			return fmt.Errorf("station %s: %w", c.ID, err)
		}
		facts, err := c.some(fact.Subject{Kind: fact.KindStation, ID: c.ID}, c.Author)
		if err != nil {
			return err
		}
		return s.AddFacts(ctx, facts)
	})
}

type stationListCmd struct{ inStore }

// Run lists the stations.
func (c *stationListCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		stations, err := s.Stations(ctx)
		if err != nil {
			return err
		}
		latest, err := s.Latest(ctx)
		if err != nil {
			return err
		}
		for _, st := range stations {
			state := "not heard yet"
			if t, ok := latest[st.ID]; ok {
				state = "newest reading " + t.String()
			}
			if st.Retired != 0 {
				state = "retired " + st.Retired.String()
			}
			fmt.Printf("%s\t%s\n", st.ID, state)
		}
		return nil
	})
}

type stationShowCmd struct {
	inStore
	ID string `arg:"" help:"The station's id."`
}

// Run shows the facts.
func (c *stationShowCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		if _, err := s.Station(ctx, c.ID); err != nil {
			return fmt.Errorf("station %s: %w", c.ID, err)
		}
		return showFacts(ctx, s, fact.Subject{Kind: fact.KindStation, ID: c.ID})
	})
}

func showFacts(ctx context.Context, s *store.Store, subject fact.Subject) error {
	facts, err := s.Facts(ctx, subject)
	if err != nil {
		return err
	}
	for _, f := range facts {
		from := "always"
		if f.From != fact.Always {
			from = f.From.String()
		}
		fmt.Printf("%s\t%s\tsince %s\tby %s, %s\n", f.Name, f.Value, from, f.Author, f.Recorded)
	}
	return nil
}

type stationRetireCmd struct {
	inStore
	ID string `arg:"" help:"The station's id."`
}

// Run retires the station.
func (c *stationRetireCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, cfg collector.Config) error {
		if err := s.Retire(ctx, c.ID, unit.At(time.Now()), c.Author); err != nil {
			return err
		}
		if cfg.Broker.URL != "" {
			fmt.Printf("Take it off the broker too, as in: mosquitto_passwd -D PASSWORDS %s\n", c.ID)
		}
		return nil
	})
}

type siteCmd struct {
	Add  siteAddCmd  `cmd:"" help:"Record facts about a site: name, zone, lat, lon, salt."`
	List siteListCmd `cmd:"" help:"List sites."`
	Show siteShowCmd `cmd:"" help:"Show a site's facts."`
}

type siteAddCmd struct {
	inStore
	ID string `arg:"" help:"Short id: a-z, 0-9 and -."`
	factFlags
}

// Run records the facts.
func (c *siteAddCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		facts, err := c.some(fact.Subject{Kind: fact.KindSite, ID: c.ID}, c.Author)
		if err != nil {
			return err
		}
		return s.AddFacts(ctx, facts)
	})
}

type siteListCmd struct{ inStore }

// Run lists the sites.
func (c *siteListCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		sites, err := s.Sites(ctx)
		if err != nil {
			return err
		}
		fmt.Println(strings.Join(sites, "\n"))
		return nil
	})
}

type siteShowCmd struct {
	inStore
	ID string `arg:"" help:"The site's id."`
}

// Run shows the facts.
func (c *siteShowCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		return showFacts(ctx, s, fact.Subject{Kind: fact.KindSite, ID: c.ID})
	})
}
