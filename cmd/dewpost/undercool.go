package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"time"

	"dewpost/collector"
	"dewpost/collector/books"
	"dewpost/collector/store"
	"dewpost/rules/alarm"
	"dewpost/rules/fact"
	"dewpost/rules/finding"
	"dewpost/rules/reading"
	"dewpost/rules/undercool"
	"dewpost/rules/unit"
)

type stationLearnCmd struct {
	inStore
	From  string   `arg:"" help:"Station with a sensor on its board or cover, that teaches."`
	Of    string   `name:"surface" enum:"board,cover" default:"board" help:"Which of its sensors teaches: board, or cover, which is rather colder than a board."`
	To    []string `placeholder:"STATION" help:"Stations without one, that learn: recorded as the fact undercooling, in the place of allowance_k. Without it nothing is recorded."`
	Since string   `placeholder:"TIME" help:"Since when that holds: a date, which begins at midnight UTC, or RFC 3339. Default: always."`
	JSON  bool     `name:"json" help:"Print JSON."`
}

// Run learns, shows what was learned, and records it where it is asked to.
func (c *stationLearnCmd) Run(ctx context.Context) error {
	return c.with(ctx, func(s *store.Store, _ collector.Config) error {
		fit, err := c.learn(ctx, s)
		if err != nil {
			return err
		}
		if err := c.record(ctx, s, fit.Fact(c.From)); err != nil {
			return err
		}
		if c.JSON {
			return json.NewEncoder(os.Stdout).Encode(learnedJSON{
				c.From, c.Of, fit.Readings, fit.Nights, fit.NightRMS, fit.ConstRMS, fit.ZeroRMS, heldJSONOf(fit.Held), fit.Fact(c.From), append([]string{}, c.To...),
			})
		}
		fmt.Printf("%s taught, by %d readings of %d nights:\n  %s\nAt night that misses the %s by %.2f K; the best constant by %.2f K, no allowance by %.2f K (root mean square).\n%s\n",
			c.From, fit.Readings, fit.Nights, &fit.Exposure, c.Of, fit.NightRMS, fit.ConstRMS, fit.ZeroRMS, heldWords(fit.Held, c.Of))
		return nil
	})
}

// heldWords say how well what was learned foretells what it was not learned from.
func heldWords(h *undercool.Held, surface string) string {
	if h == nil {
		return "Half of its record is too little to hold it against the other half: let it record for 60 nights."
	}
	text := fmt.Sprintf("Held against the half that it was not learned from: condensing for %.0f h on the %s, %.0f h by what was learned, %.0f h by 2 K always, %.0f h by none; off by %.0f h, against %.0f h and %.0f h. ",
		h.BoardH, surface, h.LearnedH, h.TwoKH, h.ZeroH, h.LearnedMiss, h.TwoKMiss, h.ZeroMiss)
	if h.Halves() {
		return text + "That halves the error of either, at least."
	}
	return text + "That does not halve the error of both: it may tell little of boards elsewhere."
}

type learnedJSON struct {
	Station      string    `json:"station"`
	Surface      string    `json:"surface"` // whose sensor taught: board or cover
	Readings     int       `json:"readings"`
	Nights       int       `json:"nights"`
	NightRMSK    float64   `json:"night_rms_k"`
	ConstRMSK    float64   `json:"constant_rms_k"`
	ZeroRMSK     float64   `json:"none_rms_k"`
	Held         *heldJSON `json:"held"` // null: too little to hold one half against the other
	Undercooling string    `json:"undercooling"`
	Recorded     []string  `json:"recorded"`
}

// heldJSON are hours condensing, and by how many the guesses are off.
type heldJSON struct {
	BoardH      float64 `json:"board_h"`
	LearnedH    float64 `json:"learned_h"`
	TwoKH       float64 `json:"two_k_h"`
	NoneH       float64 `json:"none_h"`
	LearnedMiss float64 `json:"learned_off_h"`
	TwoKMiss    float64 `json:"two_k_off_h"`
	NoneMiss    float64 `json:"none_off_h"`
	Halves      bool    `json:"halves"`
}

func heldJSONOf(h *undercool.Held) *heldJSON {
	if h == nil {
		return nil
	}
	return &heldJSON{h.BoardH, h.LearnedH, h.TwoKH, h.ZeroH, h.LearnedMiss, h.TwoKMiss, h.ZeroMiss, h.Halves()}
}

func (c *stationLearnCmd) learn(ctx context.Context, s *store.Store) (undercool.Fit, error) {
	if _, err := s.Station(ctx, c.From); err != nil {
		return undercool.Fit{}, fmt.Errorf("station %q: %w", c.From, err)
	}
	own, err := s.Facts(ctx, fact.Subject{Kind: fact.KindStation, ID: c.From})
	if err != nil {
		return undercool.Fit{}, err
	}
	first, last, ok, err := s.Span(ctx, c.From)
	if err != nil {
		return undercool.Fit{}, err
	}
	var failed error
	timeline, err := fact.Timeline(own, func(site string) []fact.Fact {
		facts, err := s.Facts(ctx, fact.Subject{Kind: fact.KindSite, ID: site})
		failed = err
		return facts
	})
	if err = errors.Join(failed, err); err != nil {
		return undercool.Fit{}, fmt.Errorf("facts of %s: %w", c.From, err)
	}
	recorded, err := s.Occurrences(ctx, c.From)
	if err != nil {
		return undercool.Fit{}, err
	}
	doubts := alarm.Doubts(recorded)
	surface := reading.BoardTemp
	if c.Of == "cover" {
		surface = reading.CoverTemp
	}
	l := undercool.New(timeline[len(timeline)-1].Place, surface)
	const chunk = 30 * 24 * time.Hour
	for from := first; ok && from <= last; from = from.Add(chunk) {
		rs, err := s.Readings(ctx, c.From, from, from.Add(chunk))
		if err != nil {
			return undercool.Fit{}, err
		}
		rs = reading.Merge(rs)
		for i := range rs {
			if !finding.Doubtful(doubts, rs[i].Time, surface == reading.BoardTemp) {
				l.Add(&rs[i])
			}
		}
	}
	fit, err := l.Fit()
	if err != nil {
		return fit, fmt.Errorf("%s teaches nothing yet: %w", c.From, err)
	}
	return fit, nil
}

func (c *stationLearnCmd) record(ctx context.Context, s *store.Store, learned string) error {
	since, err := books.ParseSince("--since", c.Since)
	if err != nil {
		return usageError{err}
	}
	for _, id := range c.To { // all of them are there, or nothing is recorded
		if _, err := s.Station(ctx, id); err != nil {
			return fmt.Errorf("--to %q: %w", id, err)
		}
	}
	for _, id := range c.To {
		said := []books.Said{{Name: fact.Undercooling, Value: learned, From: since}}
		subject := fact.Subject{Kind: fact.KindStation, ID: id}
		if err := books.Say(ctx, s, subject, said, unit.At(time.Now()), c.Author); err != nil {
			return fmt.Errorf("%s: %w", subject, err)
		}
	}
	return nil
}
