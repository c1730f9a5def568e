package view

import (
	"context"

	"dewpost/rules/exposure"
	"dewpost/rules/fact"
	"dewpost/rules/life"
	"dewpost/rules/unit"
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
	history, err := b.history(ctx, own)
	if err != nil {
		return Clocks{}, err
	}
	lessons, _, err := v.Lessons(ctx)
	if err != nil {
		return Clocks{}, err
	}
	history.Teach(lessons)
	hours, err := v.trusted(ctx, id, Beginning, End)
	if err != nil {
		return Clocks{}, err
	}
	occurrences, err := v.store.Occurrences(ctx, id)
	if err != nil {
		return Clocks{}, err
	}
	return Clocks{history.CoverAt(at), history.BoardAt(hours, life.Water(occurrences), at)}, nil
}

// trusted reads a station's hours; of those that rest on a sensor in doubt nothing
// is known.
func (v *View) trusted(ctx context.Context, id string, from, to unit.Instant) ([]exposure.Hour, error) {
	hours, err := v.store.Hours(ctx, id, from, to)
	if err != nil {
		return nil, err
	}
	occurrences, err := v.store.Occurrences(ctx, id)
	return life.Trusted(hours, occurrences), err
}

// State is what a list says of a station beside its readings.
type State struct {
	Breath Breath     // without its days
	Cover  life.Cover // without what was learned
}

// States returns those of a few stations, by id. It reads no ledger.
func (v *View) States(ctx context.Context, ids []string) (map[string]State, error) {
	b := v.books()
	all := make(map[string]State, len(ids))
	for _, id := range ids {
		own, err := v.store.Facts(ctx, fact.Subject{Kind: fact.KindStation, ID: id})
		if err != nil {
			return nil, err
		}
		history, err := b.history(ctx, own)
		if err != nil {
			return nil, err
		}
		s := State{Cover: history.CoverAt(b.at)}
		if s.Breath, err = v.Breath(ctx, id); err != nil {
			return nil, err
		}
		all[id] = s
	}
	return all, nil
}

// history follows what is recorded about a station.
func (b *books) history(ctx context.Context, own []fact.Fact) (*life.History, error) {
	var failed error
	history := life.NewHistory(own, func(site string) []fact.Fact {
		facts, err := b.siteFacts(ctx, site)
		if err != nil {
			failed = err
		}
		return facts
	})
	return history, failed
}
