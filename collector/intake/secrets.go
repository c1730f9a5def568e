package intake

import (
	"context"
	"fmt"
	"time"

	"dewpost/rules/receipt"
)

// secretFor is how long a station's secret is used before it is looked up
// again: a new secret, which another program may write, takes this long.
const secretFor = 10 * time.Second

// secrets keeps the secrets of stations that send.
type secrets struct {
	store Store
	known map[string]known
}

type known struct {
	secret receipt.Secret
	until  time.Time
}

func (s *secrets) of(ctx context.Context, station string) (receipt.Secret, error) {
	now := time.Now()
	if k, ok := s.known[station]; ok && now.Before(k.until) {
		return k.secret, nil
	}
	st, err := s.store.Station(ctx, station)
	if err != nil {
		delete(s.known, station)
		return receipt.Secret{}, fmt.Errorf("look up the secret of %s: %w", station, err)
	}
	s.known[station] = known{st.Secret, now.Add(secretFor)}
	return st.Secret, nil
}
