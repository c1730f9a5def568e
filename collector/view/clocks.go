package view

import (
	"context"

	"dewpost/rules/fact"
	"dewpost/rules/life"
)

// Clocks are a station's two clocks now.
type Clocks struct {
	Cover life.Cover
	Board life.Board
}

// Clocks says how old a station's cover is, and how much of its board's life is
// used: now or, of a retired station, when it was retired. It reads the
// station's whole ledger.
func (v *View) Clocks(ctx context.Context, id string) (Clocks, error) {
	b := v.books()
	station, err := v.store.Station(ctx, id)
	if err != nil {
		return Clocks{}, err
	}
	at := b.at
	if station.Retired != 0 {
		at = min(at, station.Retired)
	}
	own, err := v.store.Facts(ctx, fact.Subject{Kind: fact.KindStation, ID: id})
	if err != nil {
		return Clocks{}, err
	}
	var failed error
	history := life.NewHistory(own, func(site string) []fact.Fact {
		facts, err := b.siteFacts(ctx, site)
		if err != nil {
			failed = err
		}
		return facts
	})
	if failed != nil {
		return Clocks{}, failed
	}
	lessons, _, err := v.Lessons(ctx)
	if err != nil {
		return Clocks{}, err
	}
	history.Teach(lessons)
	hours, err := v.store.Hours(ctx, id, Beginning, End)
	if err != nil {
		return Clocks{}, err
	}
	occurrences, err := v.store.Occurrences(ctx, id)
	if err != nil {
		return Clocks{}, err
	}
	return Clocks{history.CoverAt(at), history.BoardAt(hours, life.Water(occurrences), at)}, nil
}
