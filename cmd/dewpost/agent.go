package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"text/tabwriter"
	"time"

	"dewpost/collector"
	"dewpost/collector/books"
	"dewpost/collector/store"
)

type stationAgentCmd struct {
	inStore
	ID   string `arg:"" help:"The station's id."`
	JSON bool   `name:"json" help:"One JSON object."`
}

// Run shows what the agent said.
func (c *stationAgentCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		a, err := books.AgentOf(ctx, s, c.ID)
		if err != nil {
			return err
		}
		if c.JSON {
			return json.NewEncoder(os.Stdout).Encode(a)
		}
		if a.Heard == nil {
			fmt.Println("nothing heard of it yet")
			return nil
		}
		for _, text := range a.Mind {
			fmt.Println("look:", text)
		}
		w := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', 0)
		say := func(name, format string, args ...any) { fmt.Fprintf(w, name+"\t"+format+"\n", args...) }
		say("said", "%s", *a.Heard)
		if a.Gone != nil {
			say("left", "%s", *a.Gone)
		}
		if a.Version != nil {
			say("program", "%s", *a.Version)
		}
		if t := a.Readings; t != nil {
			say("readings", "%d taken, %d receipted, %d waiting, %d given up", t.Sampled, t.Receipted, t.Queued+t.Waiting, t.GivenUp())
		}
		if a.Interval != nil {
			say("interval", "%s", time.Duration(*a.Interval*float64(time.Second)))
		}
		if p := &a.Spool; p.MaxBytes != nil {
			say("spool", "%s of %s", books.Bytes(*p.Bytes), books.Bytes(*p.MaxBytes))
		}
		if l := a.Link; l != nil {
			say("link", "%d connections, %d without a receipt, network anew %d, restarted %d", l.Connections, l.Deaf, l.Interface, l.Reboots)
			if l.ReceiptAge != nil {
				say("receipt", "%s old", time.Duration(*l.ReceiptAge*float64(time.Second)))
			}
		}
		if b := a.Board; b != nil {
			say("disk", "%s of %s free", books.Bytes(b.DiskFree), books.Bytes(b.DiskBytes))
			if b.TempC != nil {
				say("processor", "%.0f °C", *b.TempC)
			}
			if b.Undervoltage != nil {
				say("supply", "%s", map[bool]string{false: "enough", true: "too low"}[*b.Undervoltage])
			}
		}
		if a.Clock.Set != nil {
			say("clock", "%s", map[bool]string{false: "not set", true: "set"}[*a.Clock.Set])
		}
		for i := range a.Sensors {
			sensor := &a.Sensors[i]
			text := strings.Join(sensor.Channels, ", ")
			if h := sensor.Health; h != nil {
				text += fmt.Sprintf(": %d of %d samples failed", h.Failed, h.Samples)
			}
			say("sensor", "%s, %s", sensor.Driver, text)
		}
		return w.Flush()
	})
}
