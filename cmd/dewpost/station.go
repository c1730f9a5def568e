package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/alecthomas/kong"

	"dewpost/collector"
	"dewpost/collector/books"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

// inStore is what commands on the store have in common.
type inStore struct {
	Config string `short:"c" placeholder:"FILE" help:"The collector's config file, for the path of its store. Default: dewpost.toml in this directory or /etc/dewpost, if there is one."`
	Author string `default:"workshop" help:"Who says so, for the record."`

	begins bool // the command may be the first of all, and make the store
}

// AfterApply looks which command it is: one that adds something may be the first of
// all. Any other would answer out of a store that it has just made.
func (c *inStore) AfterApply(k *kong.Context) error {
	words := strings.Fields(k.Command())
	c.begins = words[0] == "import" || slices.Contains(words, "add") && words[0] != "visit" && words[1] != "recipe"
	return nil
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
	if !c.begins {
		if err := store.There(where); err != nil {
			return nil, cfg, err
		}
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

type stationCmd struct {
	Add       stationAddCmd       `cmd:"" help:"Enrol a station: make its secret, record facts, write what its agent needs."`
	Set       stationSetCmd       `cmd:"" help:"Record facts about a station."`
	List      stationListCmd      `cmd:"" help:"List stations."`
	CheckSalt stationCheckSaltCmd `cmd:"" help:"Judge a station's inside humidity sensor by what it reads over a saturated salt, and write it down."`
	Show      stationShowCmd      `cmd:"" help:"Show what is known of a station."`
	Enrol     stationEnrolCmd     `cmd:"" help:"Write what a station's agent needs once more."`
	Label     stationLabelCmd     `cmd:"" help:"Print the labels for the inside of covers as PDF: id, build, date, QR code."`
	Compare   stationCompareCmd   `cmd:"" help:"Hold a box before and after something was done to it together, in equal weather: did the repair hold?"`
	Learn     stationLearnCmd     `cmd:"" help:"Learn from a station with a sensor on its board how much colder than the air a board is, for stations without one."`
	Rotate    stationRotateCmd    `cmd:"" help:"Change a station's secret without losing a reading."`
	Agent     stationAgentCmd     `cmd:"" help:"Show what a station's agent last said of itself: disk, clock, link, sensors."`
	Order     stationOrderCmd     `cmd:"" help:"Give a station's agent an order: another interval, a burst of its sensors' heaters, or which board it is."`
	Orders    stationOrdersCmd    `cmd:"" help:"List the orders to a station's agent, and what became of them."`
	Retire    stationRetireCmd    `cmd:"" help:"Take a station out of service: its readings, and at the embedded broker its connections and its password, are refused from then on."`
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
		facts, err := c.facts(fact.Subject{Kind: fact.KindStation, ID: c.ID}, c.Author)
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
		if st, err := s.Station(ctx, c.ID); err == nil && st.Retired != 0 {
			return fmt.Errorf("station %q: it is retired since %s, and what its agent would send is refused: enrol it anew under another id", c.ID, st.Retired)
		}
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
	if b.Local() && !next {
		fmt.Fprintln(os.Stderr, reachedFrom(cfg, b.Broker, id))
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

// reachedFrom says that a broker's address is of no use at another machine, and
// what helps.
func reachedFrom(cfg collector.Config, broker, id string) string {
	fix := `write into the collector's config where it listens and under which names stations reach it, as in [stations] listen = "0.0.0.0:8883" and [tls] names = ["collector.example"], start it again, and then`
	if cfg.Broker.URL != "" {
		fix = "name the broker in broker.url of the collector's config by an address that stations reach, and then"
	}
	return fmt.Sprintf("Only an agent on this machine reaches %s. For a station elsewhere, %s: dewpost station enrol %s --out ANOTHER-FOLDER", broker, fix, id)
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
	return c.set(ctx, &c.inStore, fact.Subject{Kind: fact.KindStation, ID: c.ID})
}

type stationListCmd struct {
	inStore
	JSON bool `name:"json" help:"One JSON object, with what is known of each."`
}

type stationJSON struct {
	entryJSON
	Enrolled unit.Instant  `json:"enrolled"`
	Newest   *unit.Instant `json:"newest"` // reading
}

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
		if c.JSON {
			return printStationsJSON(ctx, s, stations, latest)
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

func printStationsJSON(ctx context.Context, s *store.Store, stations []record.Station, latest map[string]unit.Instant) error {
	all, err := books.All(ctx, s, fact.KindStation)
	if err != nil {
		return err
	}
	known := make(map[string]entryJSON)
	for _, one := range entries(all, unit.At(time.Now())).Items {
		known[one.ID] = one
	}
	out := struct {
		Items []stationJSON `json:"items"`
	}{Items: []stationJSON{}}
	for _, st := range stations {
		one := stationJSON{entryJSON: known[st.ID], Enrolled: st.Enrolled}
		if t, ok := latest[st.ID]; ok {
			one.Newest = &t
		}
		out.Items = append(out.Items, one)
	}
	return json.NewEncoder(os.Stdout).Encode(out)
}

type stationShowCmd struct {
	inStore
	ID string `arg:"" help:"The station's id."`
	showFlags
}

// Run shows the facts.
func (c *stationShowCmd) Run(ctx context.Context) error {
	return c.show(ctx, &c.inStore, fact.Subject{Kind: fact.KindStation, ID: c.ID})
}

type stationRetireCmd struct {
	inStore
	ID string `arg:"" help:"The station's id."`
}

// Run retires the station.
func (c *stationRetireCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, cfg collector.Config) error {
		st, err := s.Station(ctx, c.ID)
		if err != nil {
			return err
		}
		if st.Retired != 0 {
			return fmt.Errorf("station %q: it is retired already, since %s", c.ID, st.Retired)
		}
		if err := s.Retire(ctx, c.ID, unit.At(time.Now()), c.Author); err != nil {
			return err
		}
		if cfg.Broker.URL != "" {
			fmt.Printf("Take it off the broker too, as in: mosquitto_passwd -D PASSWORDS %s\n", c.ID)
		}
		return nil
	})
}
