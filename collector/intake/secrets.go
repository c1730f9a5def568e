package intake

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"dewpost/rules/receipt"
)

// secretFor is how long a station's secrets are used before they are looked up
// again, whether or not somebody says that they changed.
const secretFor = 10 * time.Second

// secrets keeps the secrets of stations that send.
type secrets struct {
	store Store
	known map[string]known
	stale atomic.Bool // set by anybody, the rest is tell's
}

type known struct {
	secrets []receipt.Secret
	until   time.Time
}

// of returns the secret of a station, and behind it the one that is to follow,
// if there is one.
func (s *secrets) of(ctx context.Context, station string) ([]receipt.Secret, error) {
	if s.stale.CompareAndSwap(true, false) {
		clear(s.known)
	}
	now := time.Now()
	if k, ok := s.known[station]; ok && now.Before(k.until) {
		return k.secrets, nil
	}
	st, err := s.store.Station(ctx, station)
	if err != nil {
		delete(s.known, station)
		return nil, fmt.Errorf("look up the secret of %s: %w", station, err)
	}
	list := []receipt.Secret{st.Secret}
	if !st.Next.IsZero() {
		list = append(list, st.Next)
	}
	s.known[station] = known{list, now.Add(secretFor)}
	return list, nil
}
