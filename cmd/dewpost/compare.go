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
	After  string `placeholder:"FROM..TO" help:"The second period."`
	JSON   bool   `name:"json" help:"Print JSON."`
}

const comparedSpan = 60 * 24 * time.Hour

// Run compares.
func (c *stationCompareCmd) Run(ctx context.Context) error {
	before, after, err := c.periods()
	if err != nil {
		return usageError{err}
	}
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		got, err := view.New(s, time.Now).Compare(ctx, c.ID, before, after)
		if err != nil {
			return fmt.Errorf("station %q: %w", c.ID, err)
		}
		if c.JSON {
			return json.NewEncoder(os.Stdout).Encode(struct {
				Station    string           `json:"station"`
				Condensing equal.Comparison `json:"condensing"`
				AtRisk     equal.Comparison `json:"at_risk"`
			}{c.ID, got.Condensing, got.AtRisk})
		}
		for _, line := range []struct {
			name string
			of   *equal.Comparison
		}{{"condensing", &got.Condensing}, {"at risk", &got.AtRisk}} {
			fmt.Println(comparedWords(line.name, line.of))
		}
		return nil
	})
}

func comparedWords(name string, c *equal.Comparison) string {
	text := fmt.Sprintf("%s: %.1f h a day on %d days before, %.1f h a day on %d days after", name, c.Before.HoursADay, c.Before.Days, c.After.HoursADay, c.After.Days)
	if c.Change == nil {
		return text + "; " + string(c.Verdict()) + ": it takes 14 days of either, with the air outdoors, in weather that both had"
	}
	text += fmt.Sprintf(".\n  On the %d days after whose weather there was before, too, it was %.1f h a day, and would have been %.1f: %+.1f h a day (%+.1f to %+.1f, nine in ten); %s",
		c.After.Days-c.After.Unlike, c.After.Compared, *c.After.Expected, *c.Change, *c.Low, *c.High, c.Verdict())
	return text
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
		return view.Interval{From: at.Add(-comparedSpan), To: at}, view.Interval{From: at, To: at.Add(comparedSpan)}, nil
	}
	if c.Before == "" || c.After == "" {
		return before, after, errors.New("say when: --at TIME, or --before FROM..TO with --after FROM..TO")
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
