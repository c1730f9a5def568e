package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"time"

	"dewpost/collector"
	"dewpost/collector/books"
	"dewpost/collector/store"
	"dewpost/rules/receipt"
)

type stationOrderCmd struct {
	inStore
	ID       string        `arg:"" help:"The station's id."`
	Interval string        `xor:"what" required:"" placeholder:"DUR" help:"The time between two readings from then on, such as 5m; 0s: as its agent's configuration says."`
	Heat     int           `xor:"what" required:"" placeholder:"N" help:"So many pulses of a second by its sensors' heaters, 1 to 30; 5 show whether a sensor follows, as a reading is the median of several samples. The values are not used meanwhile."`
	Identify int           `xor:"what" required:"" placeholder:"SECONDS" help:"Its board's lamp blinks for so long, 1 to 600 seconds."`
	Valid    time.Duration `default:"24h" help:"For how long the order holds, if the station isn't connected; up to 31 days."`
	JSON     bool          `name:"json" help:"One JSON object."`
}

// Run gives the order.
func (c *stationOrderCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		body := receipt.Body{Interval: c.Interval, Heat: c.Heat, Identify: c.Identify}
		o, err := books.GiveOrder(ctx, s, c.ID, body, c.Valid, time.Now(), c.Author)
		if err != nil {
			return err
		}
		if c.JSON {
			return json.NewEncoder(os.Stdout).Encode(o)
		}
		fmt.Printf("order %s: %s, until %s\n", o.ID, o.Words(), o.Until)
		fmt.Printf("The collector passes it on while it runs. What becomes of it: dewpost station orders %s\n", c.ID)
		return nil
	})
}

type stationOrdersCmd struct {
	inStore
	ID   string `arg:"" help:"The station's id."`
	JSON bool   `name:"json" help:"One JSON object."`
}

// Run lists the orders.
func (c *stationOrdersCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		all, err := books.Orders(ctx, s, c.ID, time.Now())
		if err != nil {
			return err
		}
		if c.JSON {
			return json.NewEncoder(os.Stdout).Encode(struct {
				Items []books.Ordered `json:"items"`
			}{all})
		}
		if len(all) == 0 {
			fmt.Println("no orders in the last 31 days")
		}
		for i := range all {
			o := &all[i]
			fmt.Printf("%s\t%s\t%s\t%s\n", o.Given, o.Author, o.Words(), o.Outcome())
		}
		return nil
	})
}
