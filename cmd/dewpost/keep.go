package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"time"

	"dewpost/collector"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/unit"
)

type keepCmd struct {
	inStore
	Raw  collector.Age `placeholder:"AGE" help:"As if keep.raw were this, as in 3y or 400d. Default: that of the config."`
	JSON bool          `name:"json" help:"One JSON object."`
}

// goingJSON is what goes of a station's readings.
type goingJSON struct {
	Station      string       `json:"station"`
	From         unit.Instant `json:"from"`
	To           unit.Instant `json:"to"`
	Days         int64        `json:"days"`
	Readings     int64        `json:"readings"`
	Bytes        int64        `json:"bytes"`
	FrozenBefore unit.Instant `json:"frozen_before"`
	Hours        int64        `json:"hours"`
	Rules        []int        `json:"rules"`
	Waits        string       `json:"waits,omitempty"`
}

// frozenJSON is what is frozen of a station.
type frozenJSON struct {
	Station      string       `json:"station"`
	FrozenBefore unit.Instant `json:"frozen_before"`
	KeptFrom     unit.Instant `json:"kept_from"`
	Days         int64        `json:"days"`
	Readings     int64        `json:"readings"`
	Bytes        int64        `json:"bytes"`
	Hours        int64        `json:"hours"`
	At           unit.Instant `json:"at"`
}

// Run tells what goes, and changes nothing.
func (c *keepCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, cfg collector.Config) error {
		age := c.Raw
		if age.Ever() {
			age = cfg.Keep.Raw
		}
		frozen, err := s.Frozen(ctx)
		if err != nil {
			return err
		}
		if age.Ever() && !c.JSON {
			fmt.Println("Readings are kept for ever. See what would go after three years: dewpost keep --raw 3y")
			printFrozen(frozen)
			return nil
		}
		var list []record.Going
		for more, after := !age.Ever(), ""; more; more = after != "" {
			var part []record.Going
			if part, after, err = s.Going(ctx, age.Before(time.Now()), after, goingAtOnce); err != nil {
				return err
			}
			list = append(list, part...)
		}
		if c.JSON {
			return printKeepJSON(age, list, frozen)
		}
		fmt.Printf("Readings are kept for %s; this changes nothing. A collector that runs with it in its config lets go:\n", age)
		printGoing(list)
		printFrozen(frozen)
		return nil
	})
}

// goingAtOnce is how many stations are looked at as of one commit.
const goingAtOnce = 100

func printGoing(list []record.Going) {
	var all record.Going
	rules := map[int]bool{}
	for i := range list {
		g := &list[i]
		fmt.Printf("%s\t%s\tdays %d, readings %d, bytes %d\thours frozen %d, before %s", g.Station, days(g.From, g.To), g.Days, g.Readings, g.Bytes, g.Hours, g.Before)
		if g.Waits != "" {
			fmt.Printf("\twaits: %s", g.Waits)
		}
		fmt.Println()
		all.Days, all.Readings, all.Bytes, all.Hours = all.Days+g.Days, all.Readings+g.Readings, all.Bytes+g.Bytes, all.Hours+g.Hours
		for _, v := range g.Rules {
			rules[v] = true
		}
	}
	if len(list) == 0 {
		fmt.Println("nothing: no readings are so old, but for those that younger hours lean on")
		return
	}
	fmt.Printf("in all\tstations %d\tdays %d, readings %d, bytes %d\thours frozen %d", len(list), all.Days, all.Readings, all.Bytes, all.Hours)
	if len(rules) > 1 {
		fmt.Printf(", made by %d versions of the rules", len(rules))
	}
	fmt.Println()
	for _, text := range []string{
		"Hours that are frozen stay as they are, for ever: better rules, facts that hold of that time, and readings that come late don't change them.",
		"Of that time there are no charts by the minute any more, no exports of readings, nothing that is computed anew from readings, such as what another",
		"surface allowance would have made of it, alarms rehearsed with other limits, or what a box was followed by: should better rules begin anew with a box,",
		"what it is compared with begins anew too, where that is not written down. A backup made before has the readings.",
	} {
		fmt.Println(text)
	}
}

func printFrozen(list []record.Frozen) {
	if len(list) == 0 {
		return
	}
	fmt.Println("Let go before:")
	for i := range list {
		z := &list[i]
		fmt.Printf("%s\tdays %d, readings %d, bytes %d\thours frozen %d, before %s\tlast at %s\n", z.Station, z.Days, z.Readings, z.Bytes, z.Hours, z.Before, z.At)
	}
}

// days writes the days of a stretch of whole ones.
func days(from, to unit.Instant) string {
	last := to - 1
	return from.Time().UTC().Format(time.DateOnly) + " to " + last.Time().UTC().Format(time.DateOnly)
}

func printKeepJSON(age collector.Age, list []record.Going, frozen []record.Frozen) error {
	out := struct {
		Raw    string       `json:"raw"`
		Goes   []goingJSON  `json:"goes"`
		Frozen []frozenJSON `json:"frozen"`
	}{Goes: []goingJSON{}, Frozen: []frozenJSON{}}
	if !age.Ever() {
		out.Raw = age.String()
	}
	for i := range list {
		g := &list[i]
		out.Goes = append(out.Goes, goingJSON{g.Station, g.From, g.To, g.Days, g.Readings, g.Bytes, g.Before, g.Hours, g.Rules, g.Waits})
	}
	for i := range frozen {
		z := &frozen[i]
		out.Frozen = append(out.Frozen, frozenJSON{z.Station, z.Before, z.Kept, z.Days, z.Readings, z.Bytes, z.Hours, z.At})
	}
	return json.NewEncoder(os.Stdout).Encode(out)
}

// noteFrozen says which hours a fact no longer changes.
func noteFrozen(list []record.Frozen) {
	told := map[string]bool{}
	for i := range list {
		if told[list[i].Station] {
			continue
		}
		told[list[i].Station] = true
		fmt.Fprintf(os.Stderr, "note: hours of %s before %s are frozen, as their readings were let go: they stay as they are\n", list[i].Station, list[i].Before)
	}
}
