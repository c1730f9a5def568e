package intake

import "context"

// pageBytes is the unit of a budget.
const pageBytes = 4 << 10

// budget bounds the memory of messages under way. Who comes first is served
// first, so that a large message is not starved by small ones.
type budget struct {
	turn  chan struct{} // holds one while somebody takes
	taken chan struct{} // holds one for each page
}

func newBudget(bytes int) budget {
	return budget{make(chan struct{}, 1), make(chan struct{}, bytes/pageBytes)}
}

// pages is how many pages a message takes: at least one, at most all.
func (b budget) pages(bytes int) int { return min(1+bytes/pageBytes, cap(b.taken)) }

func (b budget) used() int { return len(b.taken) }

// take waits for n pages.
func (b budget) take(ctx context.Context, stopped <-chan struct{}, n int) error {
	if err := put(ctx, stopped, b.turn); err != nil {
		return err
	}
	defer func() { <-b.turn }()
	for i := range n {
		if err := put(ctx, stopped, b.taken); err != nil {
			b.give(i)
			return err
		}
	}
	return nil
}

func put(ctx context.Context, stopped <-chan struct{}, into chan<- struct{}) error {
	select {
	case into <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	case <-stopped:
		return ErrStopped
	}
}

func (b budget) give(n int) {
	for range n {
		<-b.taken
	}
}
