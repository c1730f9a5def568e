package main

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"time"

	"dewpost/collector"
	"dewpost/collector/store"
	"dewpost/rules/receipt"
)

type stationOrderCmd struct {
	inStore
	ID       string        `arg:"" help:"The station's id."`
	Interval string        `xor:"what" required:"" placeholder:"DUR" help:"The time between two readings from then on, such as 5m; 0s: as its agent's configuration says."`
	Heat     int           `xor:"what" required:"" placeholder:"N" help:"So many pulses of a second by its sensors' heaters, 1 to 30. The values are not used meanwhile."`
	Identify int           `xor:"what" required:"" placeholder:"SECONDS" help:"Its board's lamp blinks for so long, 1 to 600 seconds."`
	Valid    time.Duration `default:"24h" help:"For how long the order holds, if the station isn't connected; up to 31 days."`
	JSON     bool          `name:"json" help:"One JSON object: topic and payload."`
}

// longestOrder is what agents accept.
const longestOrder = 31 * 24 * time.Hour

// Run signs the order.
func (c *stationOrderCmd) Run(ctx context.Context) error {
	if c.Valid <= 0 || c.Valid > longestOrder {
		return usageError{fmt.Errorf("--valid: %s: write more than 0s and at most %s", c.Valid, longestOrder)}
	}
	if c.Interval != "" {
		if d, err := time.ParseDuration(c.Interval); err != nil || d != 0 && (d < time.Second || d > 24*time.Hour) {
			return usageError{fmt.Errorf("--interval: %q: write 1s to 24h, or 0s for what is configured", c.Interval)}
		}
	}
	return c.with(ctx, func(s *store.Store, cfg collector.Config) error {
		st, err := s.Station(ctx, c.ID)
		if err != nil {
			return err
		}
		if st.Retired != 0 {
			return fmt.Errorf("station %s: retired %s: it takes no orders", st.ID, st.Retired)
		}
		o, err := st.Secret.NewOrder(st.ID, strings.ToLower(rand.Text()), time.Now().Add(c.Valid), receipt.Body{Interval: c.Interval, Heat: c.Heat, Identify: c.Identify})
		if err != nil {
			return err
		}
		payload, err := json.Marshal(o)
		if err != nil {
			return err
		}
		topic := receipt.Topic(st.ID, receipt.LeafOrder)
		if c.JSON {
			return json.NewEncoder(os.Stdout).Encode(struct {
				Topic   string        `json:"topic"`
				Payload receipt.Order `json:"payload"`
			}{topic, o})
		}
		fmt.Printf("topic    %s\npayload  %s\n", topic, payload)
		if cfg.Broker.URL == "" {
			fmt.Println("The collector's own broker does not pass orders on yet: this one is for an external broker.")
			return nil
		}
		fmt.Printf("Publish it at the broker, retained and as the collector's user, as in: mosquitto_pub -r -q 1 -t %s -m 'PAYLOAD'\n", topic)
		fmt.Println("Its answer stands in the station's report on itself.")
		return nil
	})
}
