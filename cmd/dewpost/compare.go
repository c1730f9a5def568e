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
	"dewpost/collector/store"
	"dewpost/collector/view"
	"dewpost/rules/equal"
	"dewpost/rules/unit"
)

type stationCompareCmd struct {
	inStore
	ID     string `arg:"" help:"The station's id."`
	At     string `placeholder:"TIME" xor:"when" help:"When something was done to the box: its 60 days before are held against those after, up to 60."`
	Before string `placeholder:"FROM..TO" xor:"when" help:"The first period, as in 2025-03-01..2025-05-01."`
	Visit  int64  `placeholder:"N" xor:"when" help:"The visit at which something was done: up to 60 days before it are held against up to 60 after it, no further than to what another visit did to the box."`
	After  string `placeholder:"FROM..TO" help:"The second period."`
	JSON   bool   `name:"json" help:"Print JSON."`
}

// Run compares.
func (c *stationCompareCmd) Run(ctx context.Context) error {
	before, after, err := c.periods()
	if err != nil {
		return usageError{err}
	}
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		v := view.New(s, time.Now)
		var got view.Compared
		if c.Visit != 0 {
			got, err = v.CompareVisit(ctx, c.ID, c.Visit)
		} else {
			got, err = v.Compare(ctx, c.ID, before, after)
		}
		if errors.Is(err, view.ErrNoRepair) {
			return fmt.Errorf("--visit %d: %w: take one of station %s with work on the box that is done, see: dewpost visit list --station %s", c.Visit, err, c.ID, c.ID)
		}
		if err != nil {
			return fmt.Errorf("station %q: %w", c.ID, err)
		}
		if c.JSON {
			return json.NewEncoder(os.Stdout).Encode(struct {
				Station    string           `json:"station"`
				Changed    bool             `json:"sensor_changed"` // from the one period to the other
				Condensing equal.Comparison `json:"condensing"`
				AtRisk     equal.Comparison `json:"at_risk"`
			}{c.ID, got.SensorChanged, got.Condensing, got.AtRisk})
		}
		for _, line := range []struct {
			name string
			of   *equal.Comparison
		}{{"condensing", &got.Condensing}, {"at risk", &got.AtRisk}} {
			fmt.Println(comparedWords(line.name, line.of))
		}
		if got.SensorChanged {
			fmt.Println("A sensor was changed in between: two may differ by 2 %RH each, which these ranges don't hold.")
		}
		return nil
	})
}

func comparedWords(name string, c *equal.Comparison) string {
	text := fmt.Sprintf("%s: %s before, %s after", name, periodWords(&c.Before), periodWords(&c.After))
	if c.Change == nil {
		return text + "; " + string(c.Verdict()) + ": it takes 14 days of either, with the air outdoors, in weather that both had"
	}
	text += fmt.Sprintf(".\n  On the %d days after whose weather there was before, too, it was %s a day, and would have been %s: %+.1f h a day (%+.1f to %+.1f, nine in ten); %s",
		c.After.Days-c.After.Unlike, hoursWords(c.After.Compared), hoursWords(c.After.Expected), *c.Change, *c.Low, *c.High, c.Verdict())
	return text
}

func periodWords(p *equal.Period) string {
	if p.Hours == nil {
		return "no day that is known, with its weather,"
	}
	return fmt.Sprintf("%s a day on %d days", hoursWords(p.Hours), p.Days)
}

// hoursWords writes hours with the range that a sound sensor leaves.
func hoursWords(h *equal.Hours) string {
	return fmt.Sprintf("%.1f h (%.1f to %.1f)", h.Mid, h.Low, h.High)
}

func (c *stationCompareCmd) periods() (before, after view.Interval, err error) {
	if c.At != "" {
		if c.After != "" {
			return before, after, errors.New("--after goes with --before: write --at alone")
		}
		at, err := books.ParseInstant("--at", c.At)
		if err != nil {
			return before, after, err
		}
		return view.Interval{From: at.Add(-view.ComparedDays), To: at}, view.Interval{From: at, To: at.Add(view.ComparedDays)}, nil
	}
	if c.Visit != 0 {
		if c.After != "" || c.Visit < 0 {
			return before, after, errors.New("--after goes with --before: write --visit with the number of a visit alone")
		}
		return before, after, nil
	}
	if c.Before == "" || c.After == "" {
		return before, after, errors.New("say when: --visit N, --at TIME, or --before FROM..TO with --after FROM..TO")
	}
	if before, err = period("--before", c.Before); err != nil {
		return before, after, err
	}
	after, err = period("--after", c.After)
	return before, after, err
}

func period(name, text string) (view.Interval, error) {
	from, to, ok := strings.Cut(text, "..")
	if !ok {
		return view.Interval{}, fmt.Errorf("%s %q: write FROM..TO, as in 2025-03-01..2025-05-01", name, text)
	}
	var ends [2]unit.Instant
	for i, end := range []string{from, to} {
		var err error
		if ends[i], err = books.ParseInstant(name, end); err != nil {
			return view.Interval{}, err
		}
	}
	if ends[0] >= ends[1] {
		return view.Interval{}, fmt.Errorf("%s %q: let it end after it begins", name, text)
	}
	return view.Interval{From: ends[0], To: ends[1]}, nil
}
