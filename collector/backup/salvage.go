package backup

import (
	"context"
	"errors"
	"fmt"
	"time"

	"dewpost/collector/record"
	"dewpost/collector/store"
	"dewpost/rules/fact"
	"dewpost/rules/receipt"
	"dewpost/rules/unit"
)

// Salvaged is what was taken over from an old store.
type Salvaged struct {
	Stations []string    // enrolled after the backup, enrolled again
	Retired  []string    // retired in the old store, and now here
	Facts    int         // recorded after the backup
	Refused  []fact.Fact // of those, that can't be true together with what was recorded since
	Beyond   []record.Beyond
	Secrets  []string // stations whose secret was changed after the backup: both are good now
}

// arrivalsAtOnce bounds what one commit takes over.
const arrivalsAtOnce = 64

// Salvage takes over what an old store has and this one has not: stations with
// their secrets, that they are retired, facts, readings, and refused readings. All of it goes the way
// of what arrives and is recorded anyhow, so it may be done while a collector
// works, and doing it twice does no harm. Accounts, tokens and what people did
// with alarms are not taken over.
func Salvage(ctx context.Context, old, path string, now time.Time, author string) (out Salvaged, err error) {
	was, err := store.OpenReadOnly(ctx, old)
	if err != nil {
		return out, fmt.Errorf("salvage: %w", err)
	}
	defer func() { err = errors.Join(err, was.Close()) }()
	s, err := store.Open(ctx, path)
	if err != nil {
		return out, fmt.Errorf("salvage: %w", err)
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	retire, err := out.stations(ctx, was, s, unit.At(now), author)
	if err != nil {
		return out, fmt.Errorf("salvage: %w", err)
	}
	refused, err := out.facts(ctx, was, s)
	if err != nil {
		return out, fmt.Errorf("salvage: %w", err)
	}
	spoken, err := s.Spoken(ctx)
	if err != nil {
		return out, fmt.Errorf("salvage: %w", err)
	}
	var waiting []record.Arrival
	commit := func() error {
		_, err := s.Commit(ctx, waiting)
		waiting = waiting[:0]
		return err
	}
	out.Beyond, err = s.Beyond(ctx, was, func(a record.Arrival) error {
		if a.At == 0 {
			a.At = unit.At(now)
		}
		if waiting = append(waiting, a); len(waiting) < arrivalsAtOnce {
			return nil
		}
		return commit()
	})
	if err == nil {
		err = commit()
	}
	if err == nil {
		err = s.NoteSalvage(ctx, spoken)
	}
	if err != nil {
		return out, fmt.Errorf("salvage: %w", err)
	}
	for _, st := range retire {
		if err := s.Retire(ctx, st.ID, st.Retired, author); err != nil {
			return out, fmt.Errorf("salvage: %w", err)
		}
		out.Retired = append(out.Retired, st.ID)
	}
	if len(refused) > 0 { // by what held before the stations were retired
		if out.Refused, err = out.facts(ctx, was, s); err != nil {
			return out, fmt.Errorf("salvage: %w", err)
		}
	}
	return out, nil
}

// stations enrols those that s doesn't know. It returns those that have to be
// retired when their readings are in: a retired station never comes back.
func (out *Salvaged) stations(ctx context.Context, was, s *store.Store, at unit.Instant, author string) (retire []record.Station, err error) {
	list, err := was.Stations(ctx)
	if err != nil {
		return nil, err
	}
	for _, st := range list {
		known, err := s.Station(ctx, st.ID)
		switch {
		case errors.Is(err, record.ErrNotFound):
			known = st
			known.Next, known.Retired = receipt.Secret{}, 0
			if err := s.AddStation(ctx, known, author); err != nil {
				return nil, err
			}
			out.Stations = append(out.Stations, st.ID)
		case err != nil:
			return nil, err
		}
		if st.Retired != 0 {
			if known.Retired == 0 {
				retire = append(retire, st)
			}
			continue
		}
		if err := out.secret(ctx, s, st, known, at, author); err != nil {
			return nil, err
		}
	}
	return retire, nil
}

// secret makes the secret good too that the station has, or is to get, by the
// old store: as if it was being changed. Which one the agent has, its next
// login tells.
func (out *Salvaged) secret(ctx context.Context, s *store.Store, old, known record.Station, at unit.Instant, author string) error {
	next := old.Secret
	if next.Hex() == known.Secret.Hex() {
		next = old.Next
	}
	if next.IsZero() || !known.Next.IsZero() || known.Retired != 0 {
		return nil
	}
	known.Next = next
	out.Secrets = append(out.Secrets, old.ID)
	return s.BeginSecret(ctx, known, at, author)
}

// facts records the facts that s doesn't have, and returns those that can't be
// true together with what s has.
func (out *Salvaged) facts(ctx context.Context, was, s *store.Store) (refused []fact.Fact, err error) {
	var more []fact.Fact
	for _, kind := range fact.Kinds {
		theirs, err := was.FactsOf(ctx, kind)
		if err != nil {
			return nil, err
		}
		own, err := s.FactsOf(ctx, kind)
		if err != nil {
			return nil, err
		}
		type named struct {
			subject fact.Subject
			name    string
		}
		there := make(map[fact.Fact]bool, len(own))
		newest := make(map[named]unit.Instant) // what was said anew since stays as it is
		for _, f := range own {
			n := named{f.Subject, f.Name}
			there[f] = true
			newest[n] = max(newest[n], f.Recorded)
		}
		for _, f := range theirs {
			if !there[f] && f.Recorded >= newest[named{f.Subject, f.Name}] {
				more = append(more, f)
			}
		}
	}
	if len(more) == 0 {
		return nil, nil
	}
	if err := s.AddFacts(ctx, more); !errors.As(err, new(fact.Refused)) {
		if err == nil {
			out.Facts += len(more)
		}
		return nil, err
	}
	// One by one, as long as that lets others in.
	for before := -1; before != len(more); {
		before, refused = len(more), nil
		for _, f := range more {
			switch err := s.AddFacts(ctx, []fact.Fact{f}); {
			case err == nil:
				out.Facts++
			case errors.As(err, new(fact.Refused)):
				refused = append(refused, f)
			default:
				return nil, err
			}
		}
		more = refused
	}
	return refused, nil
}
