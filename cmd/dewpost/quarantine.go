package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"time"

	"dewpost/collector"
	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

type quarantineCmd struct {
	List    quarantineListCmd    `cmd:"" help:"List refused readings that were not stored after all, newest first."`
	Show    quarantineShowCmd    `cmd:"" help:"Show one refused reading as it was sent."`
	Release quarantineReleaseCmd `cmd:"" help:"Store readings that were refused because their time lies before 2000, with that time. Those whose time lies ahead are stored by themselves when it is reached."`
}

type quarantineListCmd struct {
	inStore
	Station string `placeholder:"ID" help:"Of this station only."`
	Reason  string `placeholder:"REASON" help:"For this reason only: malformed, time, conflict, station, unknown_station, oversize, gaps, runs or too_late."`
	Before  int64  `placeholder:"N" help:"Numbers below this one: goes on where a list ended."`
	Limit   int    `default:"100" help:"At most so many."`
	JSON    bool   `name:"json" help:"One JSON object."`
}

// Run lists quarantine.
func (c *quarantineListCmd) Run(ctx context.Context) error {
	if c.Limit < 1 || c.Before < 0 {
		return usageError{errors.New("--limit and --before are numbers from 1 on")}
	}
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		list, err := s.Quarantine(ctx, record.QuarantineQuery{
			Station: c.Station, Reason: reading.Reason(c.Reason), Before: c.Before, Limit: c.Limit,
		})
		if err != nil {
			return err
		}
		if c.JSON {
			return printRefusedJSON(list, c.Limit)
		}
		for i := range list {
			q := &list[i]
			fmt.Printf("%d\t%s\t%s\t%s\t%s\n", q.ID, q.Station, q.At, q.Reason, what(q))
		}
		if len(list) == c.Limit {
			fmt.Fprintf(os.Stderr, "There may be more: go on with --before %d\n", list[len(list)-1].ID)
		}
		return nil
	})
}

// what says what comes of a refused reading, else why it was refused.
func what(q *record.Quarantined) string {
	switch {
	case q.Due != 0:
		return "stored by itself at " + q.Due.String()
	case q.Waits:
		return "waits for a person: its time is " + q.Reading.Time.String()
	default:
		return q.Detail
	}
}

// refusedJSON is a refused reading as the API has it.
type refusedJSON struct {
	ID      int64          `json:"id"`
	Station string         `json:"station"`
	Arrived unit.Instant   `json:"arrived"`
	Reason  reading.Reason `json:"reason"`
	Detail  string         `json:"detail"`
	Run     *string        `json:"run"`
	Seq     *int64         `json:"seq"`
	Line    string         `json:"line"`
	Due     *unit.Instant  `json:"due"`
	Waits   bool           `json:"waits"`
}

func printRefusedJSON(list []record.Quarantined, limit int) error {
	out := struct {
		Items []refusedJSON `json:"items"`
		Next  int64         `json:"next,omitempty"` // for --before
	}{Items: []refusedJSON{}}
	for i := range list {
		q := &list[i]
		r := refusedJSON{
			ID: q.ID, Station: q.Station, Arrived: q.At, Reason: q.Reason, Detail: q.Detail,
			Line: reading.Printable(q.Raw), Waits: q.Waits,
		}
		if q.Run != "" {
			r.Run, r.Seq = &q.Run, &q.Seq
		}
		if q.Due != 0 {
			r.Due = &q.Due
		}
		out.Items = append(out.Items, r)
	}
	if len(list) == limit {
		out.Next = list[len(list)-1].ID
	}
	return json.NewEncoder(os.Stdout).Encode(out)
}

type quarantineShowCmd struct {
	inStore
	Number int64 `arg:"" help:"The reading's number, from the list."`
}

// Run shows one refused reading.
func (c *quarantineShowCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		q, err := s.Refused(ctx, c.Number)
		if err != nil {
			return err
		}
		fmt.Printf("number\t%d\nstation\t%s\narrived\t%s\nreason\t%s\nwhy\t%s\n", q.ID, q.Station, q.At, q.Reason, q.Detail)
		if q.Run != "" {
			fmt.Printf("run\t%s\nseq\t%d\n", q.Run, q.Seq)
		}
		if q.Reading != nil {
			fmt.Printf("then\t%s\n", what(&q))
		}
		fmt.Printf("line\t%s\n", reading.Printable(q.Raw))
		return nil
	})
}

type quarantineReleaseCmd struct {
	inStore
	Numbers []int64 `arg:"" name:"number" help:"Numbers from the list: all are stored, or none."`
}

// Run releases readings.
func (c *quarantineReleaseCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		if err := s.Release(ctx, c.Numbers, unit.At(time.Now()), c.Author); err != nil {
			return err
		}
		fmt.Printf("stored %d; a collector that runs has them in its ledger within a minute\n", len(c.Numbers))
		return nil
	})
}
